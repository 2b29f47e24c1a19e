"""The shop sums of a job: asked before the photos are read, drawn and told after."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import drawn_jobs
import ezdxf
import numpy as np
import pytest
from shapely import LinearRing, Polygon
from shop_zoo import knee

from spilemark.errors import UnreadableInput, UsageError
from spilemark.jobfile import JobOrder, order_from, read_order
from spilemark.records import Note, Side, Stroke, Template
from spilemark.report import report
from spilemark.results import JobResult
from spilemark.shop.allowances import Allowances, EdgeAllowance, cut_lines
from spilemark.shop.files import fingerprint
from spilemark.shop.fitted import FittedRecord, Planed, write_fitted
from spilemark.shop.hull_turn import TURN, HullShare
from spilemark.shop.stations import Stations
from spilemark.shop_job import ShopRequest, shop_request, shop_sums
from spilemark.shop_parts import part_lines, part_sheet_of
from spilemark.summary import summary_text
from spilemark.template import build_templates
from spilemark.wording import CHECK_BARS, DUST, GLUE, HULL, STRUCTURE
from spilemark_stages.write import dxf, svg
from spilemark_stages.write.tiled_part import flat

BOTH = ("port", "starboard")
TAPES = {"port_diagonal": "4049.9 mm", "starboard_diagonal": "4039.6 mm", "breadth": "1200 mm"}
SHOP: dict[str, Any] = {
    "stock": "18 mm",
    "bevels": ["hull edge = 0:10 under, 250:14 under", "transom edge = 12 standing"],
    "scribe": ["hull edge = 6 mm outboard"],
    "glue": ["transom edge = 1.5 mm"],
    "saw": ["2 mm"],
    "plane": ["hull edge = 1 mm"],
}


def worked(
    hull: dict[str, Any] | None = None, shop: dict[str, Any] | None = None, **more: Any
) -> JobResult:
    """A drawn job with its shop sums."""
    result = drawn_jobs.result(**more)
    request = shop_request(hull or {}, shop or {}, result.photos.keys(), "The job file job.toml")
    found, notes = shop_sums(
        request, result.patterns, result.comparison, result.facts, result.survey.scale
    )
    return replace(result, shop=found, notes=(*result.notes, *notes))


def ordered(**table: Any) -> JobOrder:
    photos = {"port": {"photos": ["p.jpg"]}, "starboard": {"photos": ["s.jpg"]}}
    return order_from(photos | table, "The job file job.toml")


def test_nothing_asked_is_nothing_reckoned() -> None:
    assert not ordered().shop
    assert not worked().shop
    assert report(worked())["shop"] is None


def test_a_job_file_asks_for_both() -> None:
    shop = ordered(hull=TAPES, shop=SHOP | {"port": {"saw": ["3 mm"]}}).shop
    assert shop.horning is not None
    assert shop.horning.after == "port"
    assert set(shop.parts) == {Side.PORT, Side.STARBOARD}
    assert shop.parts[Side.PORT].saw == (("", 3.0),)
    assert shop.parts[Side.STARBOARD].saw == (("", 2.0),)
    # Outboard is another way on each side.
    assert shop.parts[Side.PORT].scribes[0].direction_deg == 180.0
    assert shop.parts[Side.STARBOARD].scribes[0].direction_deg == 0.0
    only = ordered(shop={"starboard": {"saw": ["3 mm"]}}).shop
    assert set(only.parts) == {Side.STARBOARD}


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ({"hull": TAPES | {"bredth": 1}}, r'\[hull\] has an unknown key "bredth"\. Did you mean'),
        (
            {"shop": {"sow": ["2 mm"]}},
            r'job.toml, \[shop\] has an unknown key "sow"\. Did you mean "saw"',
        ),
        ({"shop": {"port": {"glu": []}}}, 'unknown key "glu"'),
        ({"shop": {"port": 3}}, "port as a value"),
        ({"shop": 3}, "shop is a table"),
        ({"hul": TAPES}, 'unknown key "hul". Did you mean "hull"'),
        ({"hull": {"breadth": 1200}}, "does not say the port diagonal"),
        # The triangle inequality, before a photo is read.
        ({"hull": TAPES | {"starboard_diagonal": "404 mm"}}, "typed in cm"),
        ({"hull": TAPES | {"starboard_diagonal": "2500 mm"}}, "cannot close"),
        ({"hull": TAPES | {"breadth": "3-7/16mm"}}, "mixes a fraction and mm"),
        ({"hull": TAPES | {"breadth": "4' 3cm"}}, "mixes feet and cm"),
        ({"shop": {"bevels": ["hull edge = 61 under"]}}, r"\[shop\] says: .* past 60"),
        ({"shop": {"bevels": ["hull edge = 12"]}}, "which way"),
        ({"shop": {"angles": {"flare": 75.0}}}, "past 60"),
        ({"shop": {"saw": ["2 furlongs"]}}, r"\[shop\] says: .*is not a length"),
        ({"shop": {"scribe": ["hull edge = 8 mm"]}}, "how the gap was held"),
        ({"shop": {"stock": "3in 4mm"}}, "mixes inches and mm"),
    ],
)
def test_bad_tables_are_refused_before_any_photo(table: dict[str, Any], words: str) -> None:
    with pytest.raises(UsageError, match=words) as caught:
        ordered(**table)
    assert caught.value.exit_code == 2


@pytest.mark.parametrize(
    ("text", "mm"), [("3-7/16", 87.3125), ('3 7/16"', 87.3125), ("87,3", 87.3), ("0-1-3+", 36.5125)]
)
def test_lengths_of_every_way_of_writing_in_a_job_file(text: str, mm: float) -> None:
    # 1 in = 25.4 mm (NBS Circular 572); eighths as on glacierboats.com/tongass/feetincheseighths.
    assert ordered(shop={"stock": text}).shop.parts[Side.PORT].stock_mm == pytest.approx(mm)
    assert ordered(thickness=text).facts.thickness_mm == pytest.approx(mm)
    hull = ordered(hull=TAPES | {"breadth": "3-11-2"}).shop.hull
    assert hull is not None
    assert hull.tapes.breadth.mm == pytest.approx(47.25 * 25.4)


def test_the_hull_is_set_beside_what_was_found() -> None:
    hull = worked(TAPES).shop.hull
    assert hull is not None
    assert dict(hull.beside).keys() == {"angle at the outer corner", TURN}
    for found in dict(hull.beside).values():
        assert found.share in HullShare
    alone = worked(TAPES, sides=("port",)).shop.hull
    assert alone is not None
    assert alone.beside == ()


def test_no_hull_explains_two_patterns_that_are_no_pair() -> None:
    job = worked(TAPES)
    note = Note(code="other-part", severity="warn", text="")
    request = ordered(hull=TAPES).shop
    for notes, kept in (((), 2), ((note,), 0)):
        comparison = replace(job.comparison, notes=notes)
        shop, _ = shop_sums(request, job.patterns, comparison, job.facts, job.survey.scale)
        assert shop.hull is not None
        assert len(shop.hull.beside) == kept


def test_what_the_terminal_and_the_report_say_of_it() -> None:
    result = worked(TAPES | {"fixed": True}, SHOP)
    words = re.sub(r"\s+", " ", summary_text(result))
    assert "The port corner is 10.4 mm" in words
    assert "winding sticks" in words
    assert "own pattern" in words
    assert "Bevels and allowances are drawn on the templates of port and starboard." in words
    table = json.loads(json.dumps(report(result)))["shop"]
    assert table["hull"]["after"] == "port"
    said = " ".join(table["hull"]["words"])
    assert "also shifted" in said
    assert "twist" in said
    port = table["parts"]["port"]
    assert [row["edge"] for row in port["bevel_card"]] == [*["hull edge"] * 3, "transom edge"]
    assert port["scribes"] == [{"edge": "hull edge", "gap_mm": 6.0, "direction_deg": 180.0}]
    wood, cut = Polygon(port["finished_mm"]), Polygon(port["cutting_mm"])
    assert cut.contains(wood)
    assert cut.contains(Polygon(port["second_face_mm"]))
    for caution in (HULL, STRUCTURE, DUST, GLUE):
        assert caution in port["words"]
    assert "Write down the date and how she stands as well." in said
    # Equal jobs give equal bytes.
    assert json.dumps(report(result)) == json.dumps(report(worked(TAPES | {"fixed": True}, SHOP)))


def test_a_part_that_cannot_be_drawn_is_left_out_and_said() -> None:
    shop = SHOP | {"port": {"saw": ["keel = 2 mm"]}}
    result = worked(shop=shop)
    assert result.shop.left_out == (Side.PORT,)
    assert set(result.shop.parts) == {Side.STARBOARD}
    note = next(n for n in result.notes if n.code == "shop-left-out")
    assert 'No edge is called "keel"' in note.text
    assert "hull edge" in note.text
    crossing = worked(shop={"glue": ["120 mm"]})
    assert crossing.shop.left_out == (Side.PORT, Side.STARBOARD)
    assert report(crossing)["shop"]["left_out"] == ["port", "starboard"]
    assert all(
        "near (" in n.text or "no wood" in n.text for n in crossing.notes
        if n.code == "shop-left-out"
    )  # fmt: skip


def templates(**shop: Any) -> dict[str, Template]:
    return {t.name: t for t in build_templates(worked(shop=SHOP | shop))}


def ring_of(template: Template, style: str) -> LinearRing:
    stroke = next(s for s in template.strokes if s.style == style and s.closed)
    return LinearRing(flat(stroke.segments)[:-1])


def test_the_lines_stand_apart_on_the_template() -> None:
    result = worked(shop=SHOP)
    for template in build_templates(result):
        lines = result.shop.parts[Side(template.name)].lines
        for style, line in (("finished", lines.finished), ("second-face", lines.second_face),
                            ("cutting", lines.cutting)):  # fmt: skip
            assert line is not None
            off = ring_of(template, style).hausdorff_distance(LinearRing(line.points_mm))
            assert off < template.curve_tolerance_mm + 0.03, style
        words = " ".join(label.text for label in template.labels)
        assert "CUTTING LINE" in words
        assert "10.0° under" in words
        assert "12.0° standing" in words
        assert CHECK_BARS.split(".")[0] in words
        # Nothing lies beyond the sheet.
        for stroke in template.strokes:
            for segment in stroke.segments:
                assert segment[:, 0].min() >= template.left_mm
                assert segment[:, 0].max() <= template.left_mm + template.width_mm
                assert segment[:, 1].min() >= template.bottom_mm
        assert all(label.at_mm[1] > template.bottom_mm for label in template.labels)


def test_the_pattern_itself_stays_as_it_was_measured() -> None:
    plain = {t.name: t for t in build_templates(worked())}
    for name, template in templates().items():
        was: Stroke = next(s for s in plain[name].strokes if s.style == "outline")
        now = next(s for s in template.strokes if s.style == "outline")
        assert all(np.array_equal(a, b) for a, b in zip(was.segments, now.segments, strict=True))


def test_a_line_that_is_another_is_drawn_once() -> None:
    (template, *_) = build_templates(worked(shop={"saw": ["2 mm"]}))
    styles = {s.style for s in template.strokes}
    assert "cutting" in styles
    assert not {"finished", "second-face"} & styles


@pytest.mark.parametrize(
    ("bevel", "drawn", "told"),
    [
        # Standing: the far face is the larger one, and the saw goes round it.
        (
            "hull edge = 12 standing",
            {"cutting"},
            {"cutting": "CUTTING LINE: saw square to this first, then bevel;"
             " also the finished line of the far face"},
        ),
        # Under: the pattern's face is the larger one, and the saw follows the pattern.
        (
            "hull edge = 12 under",
            {"second-face"},
            {"outline": "the pattern as it was measured;"
             " also the CUTTING LINE: saw square to this first, then bevel;"
             " also the finished line where the pattern lay"},
        ),
    ],
)  # fmt: skip
def test_bevels_alone_still_say_where_the_saw_goes(
    bevel: str, drawn: set[str], told: dict[str, str]
) -> None:
    (template, *_) = build_templates(worked(shop={"stock": "18 mm", "bevels": [bevel]}))
    assert {s.style for s in template.strokes} & {"finished", "second-face", "cutting"} == drawn
    legend = dict(template.legend)
    assert told.items() <= legend.items()
    assert sum("CUTTING LINE" in words for words in legend.values()) == 1
    written = " ".join(label.text for label in template.labels)
    assert all(words in written for words in told.values())


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ({"glue": ["hull edge = 0.5 mm"]}, "CUTTING LINE: saw to this; also the finished line where"),
        ({"saw": ["2 mm"]}, "CUTTING LINE: saw square to this first, then plane"),
        (
            {"stock": "18 mm", "bevels": ["hull edge = 12 standing"], "plane": ["2 mm"]},
            "CUTTING LINE: saw square to this first, then bevel and plane",
        ),
    ],
)  # fmt: skip
def test_no_more_is_planed_than_was_allowed(table: dict[str, Any], words: str) -> None:
    (template, *_) = build_templates(worked(shop=table))
    assert dict(template.legend)["cutting"].startswith(words)


def test_every_line_has_a_layer_of_its_own(tmp_path: Path) -> None:
    template = templates()["port"]
    text = svg.svg_text(template, svg.Options())
    for name in ("outline", "finished", "second-face", "cutting"):
        assert f'id="{name}"' in text
    (path,) = dxf.write_template(template=template, folder=tmp_path, options=dxf.Options())
    document = ezdxf.readfile(path)  # type: ignore[attr-defined]
    layers = {entity.dxf.layer for entity in document.modelspace()}
    assert {"OUTLINE", "FINISHED", "SECOND_FACE", "CUTTING"} <= layers
    # The legend's samples lie on none of them: a router would cut them.
    for style in ("outline", "finished", "second-face", "cutting"):
        assert [s.closed for s in template.strokes if s.style == style] == [True]
    assert not document.audit().errors


def test_the_sheet_of_a_part_has_its_card_and_its_cautions() -> None:
    found = worked(shop=SHOP).shop.parts[Side.PORT]
    lines = part_lines(found)
    for caution in (HULL, STRUCTURE, DUST):
        assert caution in lines
    sheet = part_sheet_of(found)
    words = " ".join(m.text for m in sheet.marks if hasattr(m, "text"))
    assert "sliding bevel" in words
    assert "saw table" in words
    # No note stands twice.
    assert words.count("Stations count from") == 1


def planed(outline: Any, **more: Any) -> Planed:
    facts: dict[str, Any] = {
        "side": outline.side,
        "off": Stations("transom edge", (0.0,), (1.5,)),
        "outline": more.pop("of", fingerprint(outline)),
    }
    return Planed(**(facts | more))


def test_a_new_part_starts_from_what_was_planed_off_the_last(tmp_path: Path) -> None:
    # By hand: the transom edge runs along y = 0, and 1.5 mm came off all along.
    outline = knee()
    lines = cut_lines(
        outline,
        Allowances(edges=(EdgeAllowance(edge="transom edge", saw_mm=2.0),)),
        planed=[planed(outline, of="another boat")],
    )
    finished = lines.finished
    edge = finished.points_mm[finished.indices(finished.edge("transom edge"))]
    assert edge[:, 1] == pytest.approx(1.5, abs=1e-9)
    cut = lines.cutting.points_mm
    assert cut[:, 1].min() == pytest.approx(-0.5, abs=1e-9)
    # In a job file, its path is relative to it, and its entries are taken by side.
    (tmp_path / "old").mkdir()
    record = FittedRecord(planed=(planed(outline, note="proud"),))
    write_fitted(tmp_path / "old" / "fitted.toml", record)
    job = tmp_path / "job.toml"
    text = '[port]\nphotos = ["p.jpg"]\n[shop]\nfitted = "old/fitted.toml"\n'
    job.write_text(text, encoding="utf-8")
    order = read_order(job, {}).shop.parts[Side.PORT]
    assert [p.note for p in order.planed] == ["proud"]
    shop = {"fitted": str(tmp_path / "old" / "fitted.toml")}
    result = worked(shop=shop)
    assert "starts 1.5 mm less" in " ".join(part_lines(result.shop.parts[Side.PORT]))
    assert result.shop.parts[Side.STARBOARD].order.planed == ()
    job.write_text(text.replace("old", "nowhere"), encoding="utf-8")
    with pytest.raises(UnreadableInput, match="record of fitting"):
        read_order(job, {})


def test_an_empty_request_is_none() -> None:
    assert not ShopRequest()
    assert not shop_request({}, {"single": {"saw": ["2 mm"]}}, BOTH, "The job")
    assert shop_request({}, {"single": {"saw": ["2 mm"]}}, ("single",), "The job")
