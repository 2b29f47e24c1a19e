"""Whether an unsquare hull explains what a comparison of two patterns found.

On a hull whose transom is out of square by phi (port corner aft), the transom
edge of either pattern is turned by phi, anticlockwise seen from above, against a
line parallel to the boat's centreline.  Mirrored, starboard's is turned the other
way, so it stands at -2 phi to port's.  This holds however the sides run.

The angle of the corner tells more of the hull and needs no line: where the sides
still run true, port's corner closes by phi and starboard's opens by phi.  Where
the sides swung with the transom the corners are alike, and only the turn tells.
How two whole outlines fit best is neither: it lies between the turn of the
transom edge and that of the hull edge, by the lengths of the arms.

Against lines squared off the transom its edges lie alike, and the hull edges are
turned by +2 phi: the corner's angle over again.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

import numpy as np

from spilemark.shop.horning import Horning
from spilemark.shop.offsets import densified
from spilemark.shop.outlines import ShopOutline, mirrored

LineFrom = Literal["centreline", "transom"]


class HullShare(StrEnum):
    """How much of a difference the hull accounts for."""

    NOTHING_TO_EXPLAIN = "nothing to explain"
    EXPLAINS = "explains"
    PARTLY = "partly"
    DOES_NOT = "does not"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True, kw_only=True)
class HullAgainstPatterns:
    """The turn that the hull would make, beside the one that was found."""

    expected_deg: float
    expected_u95_deg: float
    found_deg: float
    found_u95_deg: float
    share: HullShare

    @property
    def left_deg(self) -> float:
        """What the hull leaves unexplained."""
        return self.found_deg - self.expected_deg

    @property
    def left_u95_deg(self) -> float:
        """Half-width of its 95 % interval; the tapes and the patterns err independently."""
        return math.hypot(self.expected_u95_deg, self.found_u95_deg)


TRANSOM_EDGE = "transom edge"
TURN = "turn of the transom edge against the pencil lines"


def transom_turn_deg(port: ShopOutline, starboard: ShopOutline) -> float | None:
    """Turn of mirrored starboard's transom edge against port's; None without such edges.

    Both outlines in the frame of their drawn lines.  Each edge counts as the
    straight line nearest to its points (Pearson, Philosophical Magazine 2,
    1901), from the outer corner on; a bow that both have cancels.
    """
    ways = []
    for outline in (port, mirrored(starboard)):
        edge = next((e for e in outline.edges if e.name == TRANSOM_EDGE), None)
        if edge is None:
            return None
        dense = densified(outline)
        edge = dense.edge(TRANSOM_EDGE)
        points = dense.points_mm[dense.indices(edge)]
        away = (points[-1] - points[0]) * (-1.0 if edge.from_end else 1.0)
        axis = np.linalg.svd(points - points.mean(axis=0), full_matrices=False)[2][0]
        ways.append(axis if axis @ away > 0 else -axis)
    one, other = ways
    return math.degrees(
        math.atan2(float(one[0] * other[1] - one[1] * other[0]), float(one @ other))
    )


def hull_against_turn(
    hull: Horning, turn_deg: float, turn_u95_deg: float, line_from: LineFrom = "centreline"
) -> HullAgainstPatterns:
    """Set a hull beside the turn of mirrored starboard against port.

    Parameters
    ----------
    hull : Horning
    turn_deg, turn_u95_deg : float
        Of mirrored starboard's transom edge against port's, in the frame of the
        drawn lines, positive anticlockwise seen from above; of the hull edge
        where the lines were squared off the transom.
    line_from : {"centreline", "transom"}
        What the pencil lines on the patterns were set out from.

    Notes
    -----
    Twice the skew: own derivation, checked by skewing a hull's coordinates.
    """
    sign = -1.0 if line_from == "centreline" else 1.0
    return _beside(hull, sign * hull.knees_differ_deg, turn_deg, turn_u95_deg)


def hull_against_corners(hull: Horning, wider_deg: float, u95_deg: float) -> HullAgainstPatterns:
    """Set a hull beside the angles of the two outer corners, starboard less port.

    Needs no drawn line.
    """
    return _beside(hull, hull.knees_differ_deg, wider_deg, u95_deg)


def hull_against_patterns(
    hull: Horning,
    corners: Sequence[tuple[str, float, float]],
    turn: tuple[float, float] | None,
    line_from: LineFrom,
) -> list[tuple[str, HullAgainstPatterns]]:
    """Set a hull beside a comparison: what is compared, and how much of it the hull explains.

    Parameters
    ----------
    hull : Horning
    corners : sequence of (name, wider, u95)
        Outer corners: starboard's angle less port's, degrees.
    turn : (turn, u95), optional
        Of mirrored starboard's transom edge, where the patterns lay on their lines.
    line_from : {"centreline", "transom"}
        Lines squared off the transom turn with it: there the corner's angle says all.
    """
    found = [
        (
            f"angle at the {name.removesuffix(' corner')} corner",
            hull_against_corners(hull, wider, u95),
        )
        for name, wider, u95 in corners
    ]
    if turn is not None and line_from == "centreline":
        found.append((TURN, hull_against_turn(hull, *turn)))
    return found


def _beside(hull: Horning, expected: float, found: float, found_u95: float) -> HullAgainstPatterns:
    expected_u95 = hull.knees_differ_u95_deg
    return HullAgainstPatterns(
        expected_deg=expected,
        expected_u95_deg=expected_u95,
        found_deg=found,
        found_u95_deg=found_u95,
        share=_share(expected, expected_u95, found, found_u95),
    )


def _share(expected: float, expected_u95: float, found: float, found_u95: float) -> HullShare:
    hull_is_out = abs(expected) > expected_u95
    fits = abs(found - expected) <= math.hypot(expected_u95, found_u95)
    if abs(found) <= found_u95:
        # The patterns do not differ; a hull that should have made them differ is worth saying.
        return HullShare.NOTHING_TO_EXPLAIN if fits else HullShare.DOES_NOT
    if not hull_is_out:
        return HullShare.CANNOT_TELL if fits else HullShare.DOES_NOT
    if fits:
        return HullShare.EXPLAINS
    return HullShare.PARTLY if expected * found > 0 else HullShare.DOES_NOT
