"""Port told from starboard in one photo."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
import shapes as zoo

from spilemark.errors import UsageError
from spilemark.frames import stored_to_upright
from spilemark.lens import plane_to_pixels
from spilemark.records import Outline, Side, View
from spilemark.sides import assign_sides

VIEW = zoo.view("both", causes=9)


def piece(side: str, *, at: tuple[float, float], turn: float = 0.0, **kind: object) -> Outline:
    down = bool(kind.pop("face_down", False))
    drawn = zoo.knee(side=side, step_mm=4.0, **kind)  # type: ignore[arg-type]
    return zoo.outline(drawn, tag=side, turn_rad=turn, shift_mm=at, views=(VIEW,), face_down=down)


def pixel(view: View, x: float, y: float) -> tuple[float, float]:
    photo = view.straight.photo
    stored = plane_to_pixels(np.array([[x, y]]), view.plane)
    up = stored_to_upright(stored, photo.width_px, photo.height_px, photo.orientation)[0]
    return float(up[0]), float(up[1])


@pytest.mark.parametrize(("turn", "other_turn"), [*product((0.0, 1.3, -2.6), (0.0, 2.0))])
def test_the_line_tells_hull_from_transom_and_so_the_side(turn: float, other_turn: float) -> None:
    port = piece("port", at=(-300.0, 0.0), turn=turn)
    starboard = piece("starboard", at=(300.0, 20.0), turn=other_turn)
    for order in ((port, starboard), (starboard, port)):
        picked, notes = assign_sides(order, zoo.job())
        assert picked[Side.PORT] is port
        assert picked[Side.STARBOARD] is starboard
        assert notes[0].code == "sides-told"
        assert "shape" in notes[0].text


def test_forward_tells_where_there_is_no_line() -> None:
    port = piece("port", at=(-150.0, 0.0), line_mm=None)
    starboard = piece("starboard", at=(250.0, 0.0), line_mm=None)
    with pytest.raises(UsageError, match="--forward"):
        assign_sides((port, starboard), zoo.job())
    facts = zoo.job(forward_px={"both": pixel(VIEW, 50.0, 600.0)})
    picked, notes = assign_sides((starboard, port), facts)
    assert picked[Side.PORT] is port
    assert "forward" in notes[0].text


def test_a_line_stated_of_one_side_lies_on_that_sides_pattern() -> None:
    port = piece("port", at=(-150.0, 0.0), line_mm=None)
    starboard = piece("starboard", at=(250.0, 0.0), line_mm=None)
    ends = (*pixel(VIEW, 250.0, 5.0), *pixel(VIEW, 250.0, 110.0))
    picked, notes = assign_sides((port, starboard), zoo.job(centreline_px={"starboard": ends}))
    assert picked[Side.STARBOARD] is starboard
    assert "given for starboard" in notes[0].text
    picked, _ = assign_sides((port, starboard), zoo.job(centreline_px={"port": ends}))
    assert picked[Side.PORT] is starboard


def test_patterns_head_to_tail_have_one_forward_of_only_one_of_them() -> None:
    port = piece("port", at=(-200.0, 0.0))
    starboard = piece("starboard", at=(200.0, 0.0), turn=np.pi)
    facts = zoo.job(forward_px={"both": pixel(VIEW, 0.0, 450.0)})
    picked, _ = assign_sides((port, starboard), facts)
    assert picked[Side.PORT] is port


def test_forward_decides_for_knees_of_a_bow_transom() -> None:
    # Turned end for end, a stern knee's outline is a bow knee of the other side.
    left = piece("starboard", at=(-300.0, 0.0), turn=np.pi)
    right = piece("port", at=(300.0, 0.0), turn=np.pi)
    facts = zoo.job(forward_px={"both": pixel(VIEW, 0.0, 450.0)})
    picked, _ = assign_sides((left, right), facts)
    assert picked[Side.PORT] is left
    assert assign_sides((left, right), zoo.job())[0][Side.PORT] is right


def test_both_face_down_swap() -> None:
    port = piece("port", at=(-300.0, 0.0), face_down=True)
    starboard = piece("starboard", at=(300.0, 0.0), face_down=True)
    facts = zoo.job(face={"port": "down", "starboard": "down"})
    picked, _ = assign_sides((port, starboard), facts)
    assert picked[Side.PORT] is port
    assert assign_sides((port, starboard), zoo.job())[0][Side.PORT] is starboard


def test_one_side_only_is_enough_to_tell_both() -> None:
    port = piece("port", at=(-300.0, 0.0), line_mm=None)
    starboard = piece("starboard", at=(300.0, 0.0))
    picked, _ = assign_sides((port, starboard), zoo.job())
    assert picked[Side.PORT] is port


def test_what_cannot_be_told_is_asked() -> None:
    port = piece("port", at=(-300.0, 0.0))
    twin = piece("port", at=(300.0, 0.0), turn=1.0)
    with pytest.raises(UsageError, match="look like port"):
        assign_sides((port, twin), zoo.job())
    facts = zoo.job(face={"port": "up", "starboard": "down"})
    with pytest.raises(UsageError, match="face down"):
        assign_sides((port, piece("starboard", at=(300.0, 0.0))), facts)
    with pytest.raises(UsageError):
        assign_sides((port,), zoo.job())
    third = piece("starboard", at=(0.0, 500.0))
    with pytest.raises(UsageError, match="Three"):
        assign_sides((port, twin, third), zoo.job())


def test_the_note_says_which_one_in_the_photos_own_terms() -> None:
    port = piece("port", at=(-300.0, 0.0))
    starboard = piece("starboard", at=(300.0, 0.0))
    assert " left " in assign_sides((port, starboard), zoo.job())[1][0].text
