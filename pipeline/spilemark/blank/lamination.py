"""A lamination: its strips, its form over-bent point by point, and where its ends will come to lie."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from spilemark.blank.bending import Bend, bend_of
from spilemark.blank.curves import Curve, Floats
from spilemark.blank.species import Species
from spilemark.blank.springback import ShopFactor, Springback, springback_of
from spilemark.errors import UsageError

FormKind = Literal["male", "female"]


def form_side(kind: FormKind) -> float:
    """Side of all curves on which a form lies: 1, the left one, is the stack's inside; -1 the outside."""
    return 1.0 if kind == "male" else -1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Strips:
    """The stack from its inside face outwards."""

    thicknesses_mm: tuple[float, ...]
    woods: tuple[Species, ...]
    """One for each strip."""

    @property
    def stack_mm(self) -> float:
        """Thickness of the whole stack; glue lines count as nothing."""
        return float(sum(self.thicknesses_mm))

    @property
    def count(self) -> int:
        """Number of strips."""
        return len(self.thicknesses_mm)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lamination:
    """A stack on its over-bent form, and what it becomes.

    All curves turn to the left, and have their arms on: their inside is on the left.
    """

    strips: Strips
    springback: Springback
    wanted: Curve
    """Mid-line of the released stack as it is wanted."""
    form: Curve
    """Mid-line on the form, laid on the wanted one at the middle of the bend."""
    arms_mm: tuple[float, float]
    """Straight lengths added before and after the wanted curve."""
    tightest: tuple[Bend, ...]
    """Of each kind of strip the one that is strained most, where it is; in order from the inside."""

    @property
    def bend_deg(self) -> float:
        """What the released stack turns through."""
        return math.degrees(abs(self.wanted.turn_rad))

    @property
    def form_bend_deg(self) -> float:
        """What it turns through on the form."""
        return math.degrees(abs(self.form.turn_rad))

    @property
    def corner_deg(self) -> float:
        """Angle between the arms, released."""
        return 180.0 - self.bend_deg

    @property
    def form_corner_deg(self) -> float:
        """Angle between the arms on the form."""
        return 180.0 - self.form_bend_deg

    @property
    def opens_deg(self) -> float:
        """How far the arms open on release."""
        return self.form_bend_deg - self.bend_deg

    def face(self, kind: FormKind) -> Curve:
        """The face of the form: inside of the stack for a male one, outside for a female one."""
        return self.form.moved_left(form_side(kind) * self.strips.stack_mm / 2.0)

    def inside(self) -> Curve:
        """Inside face of the released stack as wanted: the throat."""
        return self.wanted.moved_left(self.strips.stack_mm / 2.0)

    def outside(self) -> Curve:
        """Outside face of the released stack as wanted."""
        return self.wanted.moved_left(-self.strips.stack_mm / 2.0)

    def outside_length_mm(self) -> float:
        """Length of the outermost strip; the inner ones are as much shorter as bend times depth."""
        return self.form.moved_left(-self.strips.stack_mm / 2.0).length_mm

    @property
    def swing_mm(self) -> tuple[float, float]:
        """Along the mid-line: the end that is held, and the toe that then swings the farther."""
        long = self.wanted.length_mm
        ends = ((0.0, long - self.arms_mm[1]), (long, self.arms_mm[0]))
        most = self.form.bent(self.springback.kept_range[0])
        return max(ends, key=lambda e: self._off_mm(most, *e))

    def released_held(self, kept: float) -> Curve:
        """Mid-line off this form if so much of its curvature is kept, one arm held in its place."""
        return self.form.bent(kept).laid_on(self.wanted, self.swing_mm[0])

    def toe_range_mm(self) -> tuple[float, float]:
        """How far a toe may come to lie off its place, the other arm held: more springback, less.

        Of the two toes the one that swings the farther.
        """
        more, less = (
            self._off_mm(self.form.bent(k), *self.swing_mm) for k in self.springback.kept_range
        )
        return more, less

    def toe_without_overbend_mm(self) -> float:
        """How far a toe would open if the form were made to the wanted curve itself."""
        return self._off_mm(self.wanted.bent(self.springback.kept), *self.swing_mm)

    def _off_mm(self, curve: Curve, held: float, toe: float) -> float:
        """Distance of a toe from its place where the other end is held."""
        return float(np.linalg.norm(curve.laid_on(self.wanted, held).at(toe) - self.wanted.at(toe)))


def equal_strips(
    stack_mm: float, wood: Species, *, number: int | None = None, strip_mm: float | None = None
) -> Strips:
    """Divide a stack: by number, or by the thickest strip wanted.

    Raises
    ------
    UsageError
        Neither or both are given, or the number is impossible.
    """
    if (number is None) == (strip_mm is None):
        raise UsageError(
            "Give the number of strips or their thickness, one of the two.",
            'Write for example strips = 9, or strips = "2 mm".',
        )
    if number is None:
        number = max(1, math.ceil(stack_mm / float(strip_mm or 1.0) - 1e-9))
    if not 1 <= number <= 200:
        raise UsageError(f"{number} strips make no stack.", "Use 2 to 200.")
    return Strips(thicknesses_mm=(stack_mm / number,) * number, woods=(wood,) * number)


def laminate(
    throat: Curve,
    strips: Strips,
    *,
    arms_mm: tuple[float, float] = (0.0, 0.0),
    factor: ShopFactor | None = None,
) -> Lamination:
    """Make a lamination whose inside face is the throat, and its form.

    The headings of the mid-line are scaled about its middle, point by point, and
    its length is kept: a curve need not be an arc, straight arms stay straight.

    Parameters
    ----------
    throat : Curve
        Inside face as wanted; either way of turning.
    strips : Strips
    arms_mm : tuple of float
        Straight lengths to add before and after.
    factor : ShopFactor, optional
        Of the shop's own trial bends.

    Raises
    ------
    UsageError
        One strip, a curve that does not turn, or one tighter than the stack.
    """
    if abs(throat.turn_rad) < math.radians(1.0):
        raise UsageError(
            f"The throat curve turns by {math.degrees(abs(throat.turn_rad)):.1f}° only: that is no bend.",
            'Name the curved edge, for example throat = "throat curve" (--throat on a command).',
        )
    springback = springback_of(strips.thicknesses_mm, [w.moe_mpa for w in strips.woods], factor)
    if throat.turn_rad < 0:
        throat = reversed_curve(throat)
    # Inside is on the left; the stack lies to the right of the throat.
    wanted = throat.extended(*arms_mm).moved_left(-strips.stack_mm / 2.0)
    middle = wanted.middle_mm()
    form = wanted.bent(springback.overbend).laid_on(wanted, middle)
    _check_turn(wanted, form, strips)
    return Lamination(
        strips=strips,
        springback=springback,
        wanted=wanted,
        form=form,
        arms_mm=arms_mm,
        tightest=_tightest(form, strips),
    )


def _check_turn(wanted: Curve, form: Curve, strips: Strips) -> None:
    """Refuse a bend whose arms, or whose stack, run into each other."""
    from shapely import Polygon

    bend, on_form = (math.degrees(abs(c.turn_rad)) for c in (wanted, form))
    if on_form >= 180.0:
        raise UsageError(
            f"No form bends {strips.count} strips so far: for a bend of {bend:.1f}° (a corner of "
            f"{180.0 - bend:.1f}°) it would have to turn through {on_form:.1f}°, half a turn or more, "
            "and the arms would run into each other.",
            "Use more and thinner strips, which spring back less, or check the corner's angle.",
        )
    half = strips.stack_mm / 2.0
    for curve, where in ((form, "on its form"), (wanted, "off its form")):
        ring = [curve.moved_left(-half).points_mm(), curve.moved_left(half).points_mm()[::-1]]
        if not Polygon(np.vstack(ring)).is_valid:
            raise UsageError(
                f"The stack would run into itself {where}.",
                "Make the arms shorter, the stack thinner or the curve rounder.",
            )


def reversed_curve(curve: Curve) -> Curve:
    """The same line walked from its other end, so that it turns the other way."""
    end = curve.points_mm()[-1]
    return Curve(
        s_mm=curve.length_mm - curve.s_mm[::-1],
        theta_rad=curve.theta_rad[::-1] + np.pi,
        start_mm=(float(end[0]), float(end[1])),
    )


def _tightest(form: Curve, strips: Strips) -> tuple[Bend, ...]:
    """Of every kind of strip the one that is strained most, along the whole curve.

    Where the curve turns left a strip's hollow face is its inner one, where it turns
    right its outer one: in a reverse curve the outermost strip may be the worst.
    """
    worst: dict[tuple[float, str], Bend] = {}
    offset = strips.stack_mm / 2.0
    for number, (thickness, wood) in enumerate(
        zip(strips.thicknesses_mm, strips.woods, strict=True), start=1
    ):
        radius = min(
            _hollow_radius_mm(form.moved_left(offset), 1.0),
            _hollow_radius_mm(form.moved_left(offset - thickness), -1.0),
        )
        offset -= thickness
        kind = (round(thickness, 6), wood.name)
        known = worst.get(kind)
        if math.isfinite(radius) and (known is None or radius < known.inside_radius_mm - 1e-9):
            worst[kind] = replace(bend_of(thickness, radius, wood), strip=number)
    return tuple(sorted(worst.values(), key=lambda b: b.strip))


def _hollow_radius_mm(curve: Curve, way: float) -> float:
    """Least radius where a curve turns left (``way`` 1) or right (-1); infinite where nowhere."""
    most = float((way * curve.curvature_per_mm).max())
    return 1.0 / most if most > 1e-9 else math.inf


def clamp_stations(curve: Curve, spacing_mm: float, end_mm: float) -> Floats:
    """Where clamps go along a face: evenly from end to end, no farther apart than the spacing."""
    first, last = min(end_mm, curve.length_mm / 4.0), curve.length_mm
    span = last - 2.0 * first
    count = max(1, math.ceil(span / spacing_mm - 1e-9))
    return np.linspace(first, last - first, count + 1)


def wood_kinds(woods: Sequence[Species]) -> tuple[Species, ...]:
    """Each wood once, in order."""
    return tuple({w.name: w for w in woods}.values())
