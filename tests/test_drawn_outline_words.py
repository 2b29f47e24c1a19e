"""A pattern that is a drawn line is said to be one on all that is made of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import drawn_jobs
import pypdfium2
import shapes as zoo

from spilemark.records import Side
from spilemark.report import report
from spilemark.results import JobResult
from spilemark.summary import summary_text
from spilemark.template import build_templates
from spilemark.wording import DRAWN, drawn_words
from spilemark_stages.write import report_html, shop


def job(*drawn: str) -> JobResult:
    traced = {
        side: replace(
            drawn_jobs.outline(zoo.knee(side=side), side),
            drawn_width_mm=0.5 if side in drawn else None,
        )
        for side in ("port", "starboard")
    }
    return drawn_jobs.result(**traced)  # type: ignore[arg-type]


def test_summary_template_report_and_shop_page_say_that_it_is_a_drawn_line(tmp_path: Path):
    both = job("port", "starboard")
    assert DRAWN in " ".join(summary_text(both).split())
    for template in build_templates(both):
        assert DRAWN in " ".join(label.text for label in template.labels).replace("\u00a0", " ")
    assert report(both)["patterns"]["port"]["drawn_width_mm"] == 0.5
    (page,) = report_html.write_job(result=both, folder=tmp_path)
    assert DRAWN.replace("'", "&#39;") in page.read_text(encoding="utf-8")
    (sheet,) = shop.write_job(result=both, folder=tmp_path, options=shop.Options())
    document = pypdfium2.PdfDocument(sheet.read_bytes())
    assert DRAWN in " ".join(document[0].get_textpage().get_text_bounded().split())
    document.close()


def test_where_one_side_is_cut_the_other_is_named():
    mixed = job("starboard")
    words = drawn_words(tuple(mixed.patterns.values()))
    assert words.startswith("STARBOARD: the outline is the middle of the pencil line")
    assert drawn_words((mixed.patterns[Side.PORT],)) == ""
    assert report(mixed)["patterns"]["port"]["drawn_width_mm"] is None
