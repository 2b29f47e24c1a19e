"""The form itself: its face, its body, holes for clamps, and the marks that tell where things go."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from spilemark.blank.curves import Curve, Floats
from spilemark.blank.form_body import body_behind, hole_places, ring_of
from spilemark.blank.lamination import FormKind, Lamination, clamp_stations, form_side
from spilemark.errors import UsageError

_STRAIGHT_SHARE = 0.02
"""Of the tightest curvature: flatter than this counts as the straight arm."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FormOrder:
    """What a person chooses of a form."""

    kind: FormKind = "male"
    body_mm: float = 110.0
    """How far the form reaches behind its face."""
    hole_mm: float = 40.0
    """Diameter of the clamp holes; 0: none."""
    hole_in_mm: float = 50.0
    """Middles of the clamp holes behind the face."""
    clamp_spacing_mm: float = 100.0

    def __post_init__(self) -> None:
        wrong = (
            self.body_mm <= 0
            or self.hole_mm < 0
            or self.clamp_spacing_mm <= 0
            or (self.hole_mm > 0 and not 0.5 * self.hole_mm < self.hole_in_mm < self.body_mm)
        )
        if wrong:
            raise UsageError(
                f"A form {self.body_mm:g} mm deep with {self.hole_mm:g} mm holes "
                f"{self.hole_in_mm:g} mm behind its face cannot be drawn.",
                "The holes lie within its body, clear of its face: hole = 40, hole_in = 50, body = 110.",
            )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Form:
    """A form to saw out, in the frame of the knee."""

    order: FormOrder
    face: Curve
    """Against it the first strip lies; arms on."""
    body_mm: Floats
    """(N, 2) ring, face and back."""
    holes_mm: Floats
    """(M, 2) middles of the clamp holes."""
    clamps_mm: Floats
    """(K, 2) places on the face where a clamp goes."""
    tangents_mm: Floats
    """(2, 2) where the bend begins and ends on the face."""
    arms_at_mm: Floats
    """(2, 2) on the face where the knee's toes come, between arms and curve."""
    narrowed: bool
    """Whether holes were left out for want of room: fewer than there are clamps."""
    centre_mm: Floats
    """(2,) middle of the bend on the face."""
    centre_normal: Floats = field(default_factory=lambda: np.array([0.0, 1.0]))
    """(2,) unit vector there into the stack, away from the form."""


def make_form(lamination: Lamination, order: FormOrder | None = None) -> Form:
    """Lay out the form of a lamination.

    Raises
    ------
    UsageError
        The body cannot be drawn, since the face runs into itself.
    """
    order = FormOrder() if order is None else order
    face = lamination.face(order.kind)
    into_body = form_side(order.kind)
    points = face.points_mm()
    body = body_behind(face, order.body_mm * into_body)
    begin, end = bend_ends(face)
    middle = lamination.form.middle_mm()
    at = float(np.interp(middle, lamination.form.s_mm, face.s_mm))
    clamps = clamp_stations(face, order.clamp_spacing_mm, order.clamp_spacing_mm / 4.0)
    holes = np.zeros((0, 2))
    if order.hole_mm > 0:
        theta = np.interp(clamps, face.s_mm, face.theta_rad)
        inward = into_body * np.column_stack([-np.sin(theta), np.cos(theta)])
        wanted = _on(points, face.s_mm, clamps) + order.hole_in_mm * inward
        holes = hole_places(body, wanted, order.hole_mm)
    way = float(np.interp(at, face.s_mm, face.theta_rad))
    first, last = lamination.arms_mm
    toes = np.interp([first, lamination.form.length_mm - last], lamination.form.s_mm, face.s_mm)
    return Form(
        order=order,
        face=face,
        body_mm=ring_of(body),
        holes_mm=holes,
        narrowed=order.hole_mm > 0 and len(holes) < len(clamps),
        clamps_mm=_on(points, face.s_mm, clamps),
        tangents_mm=_on(points, face.s_mm, np.array([begin, end])),
        arms_at_mm=_on(points, face.s_mm, toes),
        centre_mm=face.at(at),
        centre_normal=-into_body * np.array([-np.sin(way), np.cos(way)]),
    )


def bend_ends(curve: Curve) -> tuple[float, float]:
    """Where along a curve its bend begins and ends: straight, to a fiftieth of its tightest."""
    curvature = np.abs(curve.curvature_per_mm)
    bent = np.flatnonzero(curvature > _STRAIGHT_SHARE * curvature.max())
    return float(curve.s_mm[bent[0]]), float(curve.s_mm[bent[-1] + 1])


def _on(points: Floats, s: Floats, at: Floats) -> Floats:
    return np.column_stack([np.interp(at, s, axis) for axis in points.T])
