"""Cards on the bench, on the pattern, and some on each."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from spilemark.card_places import check_card_places
from spilemark.errors import UsageError
from spilemark.records import JobFacts

RING = np.array([[0.0, 0.0], [400.0, 0.0], [400.0, 300.0], [0.0, 300.0]])
CARD = np.array([[-60.0, -30.0], [60.0, -30.0], [60.0, 30.0], [-60.0, 30.0]])


def said(places: dict[str, tuple[float, float]], cards_on: str) -> list[Any]:
    cards = [SimpleNamespace(name=n, outline_mm=CARD + at) for n, at in places.items()]
    straight = SimpleNamespace(arm="port", photo=SimpleNamespace(is_scan=False, path=Path("p.jpg")))
    survey: Any = SimpleNamespace(views=[SimpleNamespace(straight=straight, cards=cards)])
    outline: Any = SimpleNamespace(ring=SimpleNamespace(points_mm=RING))
    return check_card_places(survey, {"port": (outline,)}, JobFacts(cards_on=cards_on))  # type: ignore[arg-type]


def test_cards_where_they_were_stated_are_passed() -> None:
    assert said({"A": (-100, 0), "B": (500, 100)}, "bench") == []
    assert said({"A": (100, 100), "B": (300, 200)}, "pattern") == []


@pytest.mark.parametrize(
    ("places", "stated"),
    [({"A": (100, 100), "B": (300, 200)}, "bench"), ({"A": (-100, 0), "B": (500, 9)}, "pattern")],
)
def test_all_cards_on_the_other_surface_are_an_error(places: Any, stated: str) -> None:
    with pytest.raises(UsageError, match=r"p\.jpg.*every card") as error:
        said(places, stated)
    assert "--cards-on" in error.value.todo


@pytest.mark.parametrize("stated", ["bench", "pattern"])
def test_a_mixture_is_a_warning_that_names_the_cards(stated: str) -> None:
    (note,) = said({"A": (100, 100), "B": (500, 100), "C": (-90, 0)}, stated)
    assert note.severity == "warn"
    assert ("card A" if stated == "bench" else "cards B, C") in note.text
