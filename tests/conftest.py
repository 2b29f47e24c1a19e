"""What tests of several files share; and where everything has to be there, nothing may be left out."""

from __future__ import annotations

import os
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from bench_server import Page
    from playwright.sync_api import Browser
    from playwright.sync_api import Page as Tab

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


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """A real browser; a file that asks for it first skips its tests where none can be had."""
    from tabs import chromium

    with chromium() as made:
        yield made


@pytest.fixture
def tab(browser: Browser) -> Iterator[Tab]:
    """A tab whose every complaint is a failure."""
    from tabs import context, watched

    with watched(context(browser)) as made:
        yield made


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    terminal: Any = session.config.pluginmanager.get_plugin("terminalreporter")
    if terminal is None or hasattr(session.config, "workerinput"):
        return
    skipped = len(terminal.stats.get("skipped", ()))
    if skipped and os.environ.get(ALL_OF_THEM):
        terminal.write_line(f"{skipped} tests were skipped, and {ALL_OF_THEM} is set: FAILED.")
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
