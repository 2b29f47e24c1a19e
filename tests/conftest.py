"""What tests of several files share; and where everything has to be there, nothing may be left out."""

from __future__ import annotations

import os
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from bench_server import Page

ALL_OF_THEM = "SPILEMARK_NO_SKIPS"
"""Set by ``.ci/run``: a test that is skipped then fails the run."""


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Page]:
    """A bench page of the module's own, running on an empty folder."""
    from bench_server import running

    from spilemark.config import OVERRIDE

    with pytest.MonkeyPatch.context() as patched:
        # Printers and lenses are kept among a person's settings: here nobody's.
        patched.setenv(OVERRIDE, str(tmp_path_factory.mktemp("settings")))
        with running(tmp_path_factory.mktemp("shop")) as found:
            yield found


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    terminal: Any = session.config.pluginmanager.get_plugin("terminalreporter")
    if terminal is None or hasattr(session.config, "workerinput"):
        return
    skipped = len(terminal.stats.get("skipped", ()))
    if skipped and os.environ.get(ALL_OF_THEM):
        terminal.write_line(f"{skipped} tests were skipped, and {ALL_OF_THEM} is set: FAILED.")
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
