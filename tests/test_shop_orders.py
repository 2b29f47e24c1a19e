"""What a person says of hull, bevels and allowances, in a job file or on a command."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from shop_zoo import knee, rectangle

from spilemark.errors import UsageError
from spilemark.jobfile import rooted_shop
from spilemark.shop import hull_orders, orders
from spilemark.shop.bevels import kind
from spilemark.shop.hull_orders import hull_order
from spilemark.shop.orders import read_relief, read_scribe, shop_order
from spilemark.shop.tapes import class_sigma_mm

TAPES = {"port_diagonal": "4049.9 mm", "starboard_diagonal": 4039.6, "breadth": "47 1/4 in"}


def test_the_example_of_the_page_is_understood(tmp_path: Path) -> None:
    pages = (hull_orders.__doc__ or "", orders.__doc__ or "")
    text = "".join(p.split("In a job file::")[1].split("A number without")[0] for p in pages)
    table = tomllib.loads(re.sub(r"^    ", "", text, flags=re.MULTILINE))
    hull = hull_order(table["hull"])
    assert (hull.tapes.port.mm, hull.tapes.heights_mm) == (4049.9, (300.0, 0.0, 0.0))
    assert (hull.tapes.middle.mm, hull.support) == (5.0, "upside down on three trestles")  # type: ignore[union-attr]
    assert str(hull.date) == "2026-05-14"
    assert rooted_shop(table["shop"], Path("jobs"))["fitted"] == "jobs/../knee/fitted.toml"
    (tmp_path / "fitted.toml").write_text("schema = 1")
    table["shop"]["fitted"] = str(tmp_path / "fitted.toml")
    shop = shop_order(table["shop"], "port")
    assert shop.stock_mm == 18.0
    assert [s.edge for s in shop.bevels] == ["hull edge", "transom edge"]
    assert shop.scribes[0].direction_deg == 180.0
    assert shop_order(table["shop"], "starboard").scribes[0].direction_deg == 0.0
    allowances = shop.allowances(knee())
    by_edge = {a.edge: a for a in allowances.edges}
    assert by_edge["hull edge"].saw_mm == 2.0
    assert by_edge["hull edge"].plane_off_mm == 1.0
    assert by_edge["hull edge"].glue_gap_mm == 2.0
    assert by_edge["throat curve"].saw_mm == 0.0
    assert by_edge["transom arm end"].saw_mm == 2.0


def test_tapes_are_believed_by_their_class_unless_told() -> None:
    order = hull_order(TAPES | {"tape_class": "I", "breadth": "1200mm±2"})
    assert order.tapes.port.sigma_mm == class_sigma_mm(4049.9, "I")
    assert order.tapes.breadth.sigma_mm == 2.0
    assert hull_order(TAPES).tapes.breadth.mm == pytest.approx(47.25 * 25.4)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"breadth": None}, "does not say the breadth"),
        ({"bredth": "1m"}, 'unknown key "bredth"'),
        ({"breadth": "wide"}, 'breadth: "wide" is not a length'),
        ({"breadth": "3in 4mm"}, "is not a length"),
        ({"breadth": 0.0}, "is none"),
        ({"heights": ["1", "2"]}, "2 heights"),
        ({"middle": "5mm"}, "to which side"),
        ({"tape_class": "IV"}, "tape_class"),
    ],
)
def test_hulls_that_cannot_be_read(more: dict[str, object], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        hull_order(TAPES | more)


def test_one_side_may_differ() -> None:
    table = {"bevels": ["hull edge = 10 under"], "port": {"bevels": ["hull edge = 12 under"]}}
    assert shop_order(table, "port").bevels[0].values == (-12.0,)
    assert shop_order(table, "starboard").bevels[0].values == (-10.0,)


def test_the_hulls_angles_fill_in_for_edges_without_a_bevel() -> None:
    table = {"angles": {"flare": 15.0, "rake": 12.0}, "bevels": ["Hull edge = 3 standing"]}
    found = {s.edge.lower(): s.values[0] for s in shop_order(table).bevels}
    assert found == {"hull edge": 3.0, "transom edge": pytest.approx(-12.0)}
    under = shop_order({"angles": {"flare": 15.0}, "pattern_on": "bottom"}).bevels[0]
    assert kind(under.values[0]) == "standing"


@pytest.mark.parametrize(
    ("text", "side", "direction"),
    [
        ("hull edge = 8mm outboard", "port", 180.0),
        ("hull edge = 8mm outboard", "starboard", 0.0),
        ("hull edge = 8mm inboard", "port", 0.0),
        ("transom edge = 5/16 aft", None, 270.0),
        ("transom edge = 8 forward", None, 90.0),
        ("hull edge = 8 mm at 120", None, 120.0),
        ("hull edge = 8 mm square", None, None),
    ],
)
def test_scribes(text: str, side: str | None, direction: float | None) -> None:
    scribe = read_scribe(text, side)  # type: ignore[arg-type]
    assert scribe.direction_deg == direction
    assert scribe.gap_mm == pytest.approx(8.0, abs=0.1)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("hull edge = 8mm", "how the gap was held"),
        ("hull edge = 8mm sideways", "how the gap was held"),
        ("hull edge = 8mm outboard", "of no side"),
        ("8mm square", "not a name with its amount"),
    ],
)
def test_scribes_that_are_refused(text: str, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        read_scribe(text, "single")


def test_reliefs() -> None:
    assert read_relief("outer corner = 12mm").shape == "clip"
    assert read_relief("Outer corner = 1/2 in round").radius_mm == 12.7
    assert read_relief("outer corner = 12 round").shape == "round"


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ({"saw": ["keel = 2mm"]}, "No edge"),
        ({"saw": ["top = 2mm", "Top = 3mm"]}, "given twice"),
        ({"stock": "18 m"}, "between 0.1 and 200"),
        ({"glu": []}, 'unknown key "glu"'),
        ({"angles": {"flair": 3.0}}, "flair"),
    ],
)
def test_shop_tables_that_cannot_be_read(table: dict[str, object], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        shop_order(table).allowances(rectangle())
