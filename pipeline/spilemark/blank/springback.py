"""What a lamination loses of its bend when it leaves the form.

Own derivation.  Each strip (width b, thickness t_i, stiffness E_i) is bent by itself, and
holds the moment E_i b t_i³/12 · k_form.  The glue sets with the strips so, and does
not slip after.  Off the form, the sum of these moments is released against the whole
section, whose stiffness is (EI) about its own neutral axis::

    lost share of curvature = Σ E_i I_i / (EI)      n equal strips of one wood: 1/n²

Checked by finite elements in the tests.  The shop rule y = x/n² (an epoxy maker, quoted on a
piano technicians' list, 2003; WoodenBoat forum 141333) takes x *on the form*; for the
deflection *wanted* the same law reads x/(n² - 1).

Left out: creep of glue, slip before it gels, strips bent wet or hot, moisture after release,
stock that varies.  Two shops that published a result lost 1.45 times and less than 0.41
times the reckoned share (woodweb.com, Lamination and Springback, 2009).  The range here
is made for that: see :class:`ShopFactor`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from spilemark.errors import UsageError

PRIOR_FACTOR_SIGMA = 0.5
"""Of the ratio of lost to reckoned curvature before a shop has made trial bends: judgement,
so that 95 % reach from none to twice; the two published results lie within."""
BASE_SIGMA = 0.01
"""Share of curvature that varies from bend to bend whatever the number of strips: judgement
("a few per cent either way", from the same two results)."""
U95 = 1.96
_MOST_LOST = 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class ShopFactor:
    """What a shop's own bends say: lost share = factor · reckoned share + what varies."""

    factor: float = 1.0
    factor_sigma: float = PRIOR_FACTOR_SIGMA
    scatter: float = BASE_SIGMA
    """One standard deviation from bend to bend, share of curvature."""
    bends: int = 0
    times: float = U95
    """Standard deviations in a 95 % half-width; more where the scatter comes of few bends."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Springback:
    """Expected loss of curvature of one stack, and its range."""

    ideal: float
    """Lost share of curvature by the sum alone."""
    lost: float
    """Expected lost share, the shop's factor in it."""
    u95: float
    """95 % half-width of that share."""
    factor: ShopFactor

    @property
    def kept(self) -> float:
        """Expected curvature off the form over that on it."""
        return 1.0 - self.lost

    @property
    def overbend(self) -> float:
        """Curvature of the form over the one wanted."""
        return 1.0 / self.kept

    @property
    def kept_range(self) -> tuple[float, float]:
        """Least and most of what is kept, 95 %: most springback first."""
        return self.kept - self.u95, self.kept + self.u95


def lost_share(
    thicknesses_mm: Sequence[float], stiffnesses_mpa: Sequence[float] | None = None
) -> float:
    """Share of the form's curvature that a stack loses; see the module for its derivation.

    Parameters
    ----------
    thicknesses_mm : sequence of float
        Of the strips, from one face to the other.
    stiffnesses_mpa : sequence of float, optional
        Of the same strips; default: all of one wood.

    Raises
    ------
    UsageError
        No strip, a strip without thickness, or rows of unequal length.
    """
    t = np.asarray(thicknesses_mm, dtype=np.float64)
    e = np.ones(len(t)) if stiffnesses_mpa is None else np.asarray(stiffnesses_mpa, np.float64)
    if not len(t) or len(t) != len(e) or not (t > 0).all() or not (e > 0).all():
        raise UsageError(
            "A stack needs strips that all have a thickness and a wood.",
            'Write for example strips = ["3 mm", "3 mm", "6 mm"].',
        )
    top = np.cumsum(t)
    middle = top - t / 2.0
    neutral = float((e * t * middle).sum() / (e * t).sum())
    own = float((e * t**3).sum() / 12.0)
    whole = own + float((e * t * (middle - neutral) ** 2).sum())
    return own / whole


def springback_of(
    thicknesses_mm: Sequence[float],
    stiffnesses_mpa: Sequence[float] | None = None,
    factor: ShopFactor | None = None,
) -> Springback:
    """Expect the springback of a stack, with its range.

    Raises
    ------
    UsageError
        One strip, which springs back whole, or a stack that would lose too
        much for any form to make up.
    """
    factor = ShopFactor() if factor is None else factor
    ideal = lost_share(thicknesses_mm, stiffnesses_mpa)
    if len(thicknesses_mm) == 1:
        raise UsageError(
            "One strip is no lamination: it springs back straight when it leaves the form.",
            "Use two strips or more; each adds a glue line, and n equal ones lose 1/n² of the bend.",
        )
    lost = factor.factor * ideal
    if lost > _MOST_LOST:
        raise UsageError(
            f"This stack would lose {100 * lost:.0f} % of its bend.",
            "Use more and thinner strips: no form makes up for so much.",
        )
    u95 = factor.times * math.hypot(factor.factor_sigma * ideal, factor.scatter)
    return Springback(ideal=ideal, lost=lost, u95=u95, factor=factor)


def kept_of_equal(strips: int) -> float:
    """Share of curvature that so many equal strips of one wood keep: 1 - 1/n²."""
    return 1.0 - lost_share([1.0] * strips)


def form_corner_deg(corner_deg: float, kept: float) -> float:
    """Included angle of the form for a knee of ``corner_deg``: the *bend* is scaled, not the corner."""
    return 180.0 - (180.0 - corner_deg) / kept


def opens_deg(bend_deg: float, kept: float) -> float:
    """How far a knee opens off a form that was made to the wanted angle itself.

    ``bend_deg`` is what it turns through, 180° less its corner.
    """
    return bend_deg / kept - bend_deg
