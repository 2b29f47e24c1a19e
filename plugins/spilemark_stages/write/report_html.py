"""Plug-in "report-html": the job as one page for people, ``report.html``.

One file: no script, no address, nothing fetched.  Its own policy forbids all
but its style, which is named by hash, and pictures that it carries itself
(Content Security Policy Level 3, 6.1 and 6.7).  Every word from outside is
escaped by the template engine.
"""

from __future__ import annotations

import base64
import hashlib
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING

from spilemark.errors import CannotWrite
from spilemark.hookspecs import hookimpl
from spilemark.results import JobResult
from spilemark_stages.write import report_figures
from spilemark_stages.write.report_content import content_of

if TYPE_CHECKING:
    from jinja2 import Template

SLOW_IMPORTS = ("jinja2",)

_TEMPLATE, _STYLE = "report.html.jinja", "report.css"


@hookimpl
def write_job(result: JobResult, folder: Path) -> tuple[Path, ...]:
    """Write ``report.html``."""
    path = folder / "report.html"
    try:
        path.write_text(html(result, folder), encoding="utf-8", newline="\n")
    except OSError as error:
        raise CannotWrite.because(path, error) from error
    return (path,)


def html(result: JobResult, folder: Path) -> str:
    """The page; pictures that stand in the folder already are taken from there."""
    from markupsafe import Markup

    template, css, policy = _page()
    content = content_of(result)
    figures = []
    for words in content.patterns:
        places = content.places.get(words.side, ())
        drawn = report_figures.doubt_figure(result.patterns[words.side], places)
        svg = Markup(drawn.svg)
        figures.append((words, {"svg": svg, "factor": drawn.factor, "numbered": bool(places)}))
    return template.render(
        c=content,
        css=Markup(css),
        policy=policy,
        difference=Markup(report_figures.difference(result, folder)),
        figures=figures,
        fair=[Markup(text) for text in report_figures.fair_edges(result)],
        pictures=report_figures.photos(result, folder),
    )


@lru_cache(maxsize=1)
def _page() -> tuple[Template, str, str]:
    """The template, its style, and the policy that lets through this style and no other."""
    from jinja2 import Environment, StrictUndefined

    home = resources.files("spilemark_stages.write")
    css = home.joinpath(_STYLE).read_text(encoding="utf-8")
    text = home.joinpath(_TEMPLATE).read_text(encoding="utf-8")
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    digest = base64.b64encode(hashlib.sha256(css.encode()).digest()).decode("ascii")
    policy = (
        f"default-src 'none'; img-src data:; style-src 'sha256-{digest}'; "
        "base-uri 'none'; form-action 'none'"
    )
    return environment.from_string(text), css, policy
