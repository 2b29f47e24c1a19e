"""What was planed off, its record, outline files, and the next pattern of the class."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Point, Polygon
from shop_zoo import knee, polygon, rectangle

from spilemark.errors import CannotWrite, UnreadableInput, UsageError, WouldOverwrite
from spilemark.shop.files import Part, fingerprint, read_part, write_outline
from spilemark.shop.fitted import (
    FittedRecord,
    Planed,
    checked,
    less_planed,
    next_pattern,
    planed_before,
    planed_off_mm,
    read_fitted,
    write_fitted,
)
from spilemark.shop.offsets import densified
from spilemark.shop.outlines import ShopOutline
from spilemark.shop.stations import Stations


def planed(outline: ShopOutline, edge: str, at: object, off: object, **more: str) -> Planed:
    return Planed(
        side=more.pop("side", outline.side),
        off=Stations(edge, tuple(at), tuple(off)),  # type: ignore[arg-type]
        outline=more.pop("of", fingerprint(outline)),
        **more,
    )


def test_the_next_pattern_is_smaller_by_what_came_off() -> None:
    outline = rectangle(200, 80)
    whole = next_pattern(outline, [planed(outline, "top", [0], [1.5])])
    assert Polygon(whole.points_mm).bounds == pytest.approx((0, 0, 200, 78.5))
    # Short by 1 at one end, right at the other: by hand a straight line between.
    wedge = next_pattern(outline, [planed(outline, "bottom", [0, 200], [-1.0, 0.0])])
    assert Polygon(wedge.points_mm).area == pytest.approx(200 * 80 + 100)


def test_planing_runs_out_past_its_stations() -> None:
    outline = densified(rectangle(400, 80))
    edge = outline.edge("bottom")
    along = outline.stations_mm(edge)
    off = planed_off_mm(outline, edge, Stations("bottom", (150.0, 200.0), (2.0, 2.0)))
    assert off[(along >= 150) & (along <= 200)] == pytest.approx(2.0)
    assert off[(along <= 100) | (along >= 250)] == pytest.approx(0.0)
    assert 0 < off[np.searchsorted(along, 125)] < 2.0
    at_the_end = planed_off_mm(outline, edge, Stations("bottom", (350.0, 400.0), (0.0, 2.0)))
    assert at_the_end[-1] == 2.0


def test_amounts_of_one_edge_add_up_and_other_sides_stay() -> None:
    outline = knee()
    told = [
        planed(outline, "hull edge", [0, 150, 300], [0.0, 1.0, 0.0]),
        planed(outline, "hull edge", [0], [0.5]),
        planed(outline, "transom edge", [0], [9.0], side="starboard", of="another"),
    ]
    new = next_pattern(outline, told)
    line = LineString(new.points_mm[new.indices(new.edge("hull edge"))])
    dense = densified(outline)
    edge = dense.edge("hull edge")
    at = dense.points_mm[dense.indices(edge)][np.argmin(np.abs(dense.stations_mm(edge) - 150))]
    assert line.distance(Point(at)) == pytest.approx(1.5, abs=5e-3)
    assert new.points_mm[new.edge("transom edge").start][1] == pytest.approx(0.0, abs=1e-9)


def test_what_was_planed_off_another_pattern_is_not_taken() -> None:
    with pytest.raises(UsageError, match="another port pattern"):
        next_pattern(knee(), [planed(knee(hull=310), "hull edge", [0], [1.0])])


def test_amounts_that_no_plane_takes() -> None:
    with pytest.raises(UsageError, match="more than fitting takes"):
        checked(Stations("hull edge", (0.0,), (87.3,)))


@given(
    st.text(st.characters(exclude_categories=["Cs"]), max_size=12),
    st.lists(st.floats(-30, 30), min_size=1, max_size=4),
)
@settings(max_examples=25, deadline=None)
def test_the_record_comes_back(
    tmp_path_factory: pytest.TempPathFactory, name: str, off: list[float]
) -> None:
    path = tmp_path_factory.getbasetemp() / "fitted.toml"
    at = [50.0 * k for k in range(len(off))]
    entry = planed(
        knee(), "hull edge", at, [round(v, 4) for v in off], date="2026-05-14", note=name
    )
    record = FittedRecord(boat=name, part="quarter knee", planed=(entry, entry))
    assert read_fitted(write_fitted(path, record)) == record


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("schema = 2", "not of schema 1"),
        ("schema = 1\nbaot = ''", 'unknown key "baot"'),
        ("schema = 1\nplaned = [3]", "list of tables"),
        ("schema = 1\n[[planed]]\nside = 'port'", "lacks or garbles"),
        ("schema = 1\n[[planed]]\nside='port'\nedge='e'\nat_mm=[0,1]\noff_mm=[1]\noutline=''",
         "no stations"),
        ("schema = 1\n[[planed]]\nside='port'\nedge='e'\nat_mm=[0]\noff_mm=['x']\noutline=''",
         "garbles"),
    ],
)  # fmt: skip
def test_garbled_records(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "fitted.toml"
    path.write_text(text)
    with pytest.raises(UsageError, match=words):
        read_fitted(path)


def same(one: ShopOutline, other: ShopOutline) -> bool:
    return (
        np.abs(one.points_mm - other.points_mm).max() < 1e-4
        and one.edges == other.edges
        and dict(one.corners) == dict(other.corners)
        and one.side == other.side
        and len(one.holes_mm) == len(other.holes_mm)
    )


def test_an_outline_file_comes_back(tmp_path: Path) -> None:
    part = Part(outline=knee(hole=True), boat="Dunlin 14", part="quarter knee", date="2026-05-14")
    path = write_outline(tmp_path / "next.json", part)
    read = read_part(path)
    assert same(read.outline, part.outline)
    assert (read.boat, read.part, read.date) == ("Dunlin 14", "quarter knee", "2026-05-14")
    assert read.outline.name == "quarter knee port"
    assert fingerprint(read.outline) == fingerprint(part.outline)
    with pytest.raises(WouldOverwrite):
        write_outline(path, part)
    assert write_outline(path, part, force=True) == path
    with pytest.raises(CannotWrite):
        write_outline(tmp_path / "nowhere" / "next.json", part)


def report(**patterns: ShopOutline) -> dict[str, object]:
    return {
        "schema": 1,
        "units": "mm",
        "job": {"boat": "Dunlin 14", "part": "quarter knee", "date": "2026-05-14", "units": "in"},
        "patterns": {
            side: {
                "measured": True,
                "outline_mm": outline.points_mm.tolist(),
                "holes_mm": [],
                "edges": [
                    {
                        "name": e.name,
                        "from": e.start,
                        "to": e.stop,
                        "length_mm": 1,
                        "straight": True,
                    }
                    for e in outline.edges
                ],
                "corners_mm": {"outer": outline.points_mm[outline.corner("outer corner")].tolist()},
            }
            for side, outline in patterns.items()
        },
    }


def test_a_report_is_read_by_side(tmp_path: Path) -> None:
    table = report(port=knee(), starboard=knee(hull=310))
    (tmp_path / "report.json").write_text(json.dumps(table))
    port = read_part(tmp_path, "port")
    assert port.outline.edge("hull edge").from_end
    assert not port.outline.edge("transom edge").from_end
    assert (port.boat, port.units) == ("Dunlin 14", "in")
    with pytest.raises(UsageError, match="holds 2 patterns"):
        read_part(tmp_path)
    with pytest.raises(UsageError, match="no single pattern"):
        read_part(tmp_path / "report.json", "single")


@pytest.mark.parametrize(
    "text", ["{", "[]", "{}", '{"schema": 1, "units": "mm"}',
             '{"schema": 1, "units": "mm", "kind": "outline", "side": "lee"}',
             '{"schema": 1, "units": "mm", "patterns": {"port": {"edges": []}}}']
)  # fmt: skip
def test_files_that_are_no_outline(tmp_path: Path, text: str) -> None:
    path = tmp_path / "report.json"
    path.write_text(text)
    with pytest.raises(UnreadableInput):
        read_part(path)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(UnreadableInput, match="cannot be read"):
        read_part(tmp_path / "report.json")


def test_fingerprints_tell_patterns_apart() -> None:
    assert fingerprint(knee()) != fingerprint(knee(hull=300.001))
    square = polygon([[0, 0], [9, 0], [9, 9]])
    assert fingerprint(square) == fingerprint(polygon([[-0.0, 0], [9, 0.00001], [9, 9]]))


def test_a_record_of_a_slightly_longer_boat_goes_as_far_as_the_edge() -> None:
    # By hand: a millimetre all along an edge whose record ends 10 mm past this boat's.
    short = polygon([[0, 0], [290, 0], [290, 80], [0, 80]], ("bottom", "right", "top", "left"))
    entry = Planed(side="single", off=Stations("bottom", (0.0, 300.0), (1.0, 1.0)), outline="older")
    found = less_planed(short, [entry])
    edge = found.points_mm[found.indices(found.edge("bottom"))]
    assert edge[:, 1] == pytest.approx(1.0, abs=1e-9)
    far = replace(entry, off=Stations("bottom", (0.0, 400.0), (1.0, 1.0)))
    with pytest.raises(UsageError, match="past the end"):
        less_planed(short, [far])


def test_what_the_job_had_left_off_goes_on_to_the_next(tmp_path: Path) -> None:
    table = report(port=knee(), starboard=knee())
    row = {
        "edge": "hull edge",
        "at_mm": [0.0, 300.0],
        "off_mm": [1.2, 1.2],
        "date": "",
        "note": "x",
    }
    table["shop"] = {"parts": {"port": {"planed": [row]}}}
    (tmp_path / "report.json").write_text(json.dumps(table))
    part = read_part(tmp_path, "port")
    (before,) = planed_before(tmp_path, part.outline)
    assert before.off == Stations("hull edge", (0.0, 300.0), (1.2, 1.2))
    assert before.note == "x"
    assert next_pattern(part.outline, [before]).points_mm.shape
    # The drawn knee is a port one: read as starboard, nothing had been left off.
    assert planed_before(tmp_path, read_part(tmp_path, "starboard").outline) == ()
