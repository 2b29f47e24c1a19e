"""How tight a dry strip may be bent: strain, and what several published rules say side by side."""

from __future__ import annotations

import math
from dataclasses import dataclass

from spilemark.blank.species import Species
from spilemark.units import INCH_MM

_BANDS_IN = ((2.0, 4.0, 3 / 32), (4.0, 8.0, 1 / 8), (8.0, 12.0, 3 / 16), (12.0, math.inf, 1 / 4))
FURNITURE = (
    "2 to 4 in radius 3/32 in, to 8 in 1/8, to 12 in 3/16, over 1/4; stiff woods thinner "
    "(American Woodworker, May 2006, as quoted on sawmillcreek.org, t-35209)"
)
SOLID = (
    "solid wood without steam breaks somewhere between 20 and 30 thicknesses (The Wood "
    "Doctor's Rx, as excerpted on davidhsudesign.com)"
)
GLULAM_NA = (
    "{:g} thicknesses for {} (NDS 5.3.8, limit from memory); share of strength 1 - 2000 (t/R)²"
)
EUROCODE = (
    "full strength from an inside radius of 240 thicknesses (Design of timber structures 1, "
    "Swedish Wood, 2016); below it 0.76 + 0.001 r/t (from memory)"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class BendLimit:
    """One rule and what it says of a bend."""

    name: str
    rule: str
    """The rule with its source."""
    kept: bool
    thickest_mm: float
    """Thickest strip that it allows at this radius; 0 where it allows none."""
    factor: float | None = None
    """Share of bending strength that a code leaves, where it says so."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bend:
    """A strip on its form, at its tightest."""

    species: Species
    thickness_mm: float
    inside_radius_mm: float
    """Of the strip's inner face on the form."""
    ratio: float
    """Inside radius over thickness."""
    strain: float
    stress_share: float
    """Nominal stress over the breaking stress of clear wood."""
    limits: tuple[BendLimit, ...]
    strip: int = 0
    """Which strip of a stack, 1 the inside one; 0: of none."""

    @property
    def below_every_limit(self) -> bool:
        """Whether no rule allows it."""
        return not any(limit.kept for limit in self.limits)


def surface_strain(thickness_mm: float, inside_radius_mm: float) -> float:
    """Strain of the faces of a strip bent dry: t/(2 R_in + t), half of t over the mid-line's radius."""
    return thickness_mm / (2.0 * inside_radius_mm + thickness_mm)


def forming_stress_mpa(thickness_mm: float, radius_mm: float, moe_mpa: float) -> float:
    """Nominal stress of a strip's faces, E t/(2R).

    Design of timber structures 1, Swedish Wood, 2016, works 33 mm at 8 m and
    13,000 MPa as "close to the bending strength of the lamination".
    """
    return moe_mpa * thickness_mm / (2.0 * radius_mm)


def curvature_factor(thickness_mm: float, radius_mm: float) -> float:
    """Strength left in curved glulam, 1 - 2000 (t/R)² (NDS 5.3.8); never below 0."""
    return max(0.0, 1.0 - 2000.0 * (thickness_mm / radius_mm) ** 2)


def bend_of(thickness_mm: float, inside_radius_mm: float, species: Species) -> Bend:
    """Set a strip against the published rules.

    Parameters
    ----------
    thickness_mm : float
        Of one strip.
    inside_radius_mm : float
        Tightest radius of its inner face on the form, above 0.
    species : Species
    """
    strain = surface_strain(thickness_mm, inside_radius_mm)
    return Bend(
        species=species,
        thickness_mm=thickness_mm,
        inside_radius_mm=inside_radius_mm,
        ratio=inside_radius_mm / thickness_mm,
        strain=strain,
        stress_share=species.moe_mpa * strain / species.mor_mpa,
        limits=_limits(thickness_mm, inside_radius_mm, species),
    )


def thickest_strip_mm(inside_radius_mm: float, species: Species) -> float:
    """Thickest strip whose nominal stress stays at the clear wood's strength.

    From E t/(2R + t) = MOR; own derivation.  A working strip is thinner.
    """
    share = species.mor_mpa / species.moe_mpa
    return 2.0 * inside_radius_mm * share / (1.0 - share)


def furniture_thickest_mm(inside_radius_mm: float) -> float:
    """Thickest strip of the furniture table at a radius; 0 below its first row of 2 inches."""
    inches = inside_radius_mm / INCH_MM
    for low, high, thick in _BANDS_IN:
        if low <= inches < high:
            return thick * INCH_MM
    return 0.0


def _limits(t: float, radius: float, species: Species) -> tuple[BendLimit, ...]:
    # A wood told by its numbers alone may be either: the stricter limit is the safe one.
    timber = 100.0 if species.softwood is False else 125.0
    woods = {
        True: "softwoods",
        False: "hardwoods",
        None: f'softwoods (100 for hardwoods: if {species.name} is one, write ", hardwood" '
        "behind its numbers)",
    }[species.softwood]
    reference = (
        f"E t/(2R) reaches the strength of clear {species.name} at {species.reference_ratio:.1f} "
        f"thicknesses to the mid-line (own sum from {species.source})"
    )
    rows = (
        ("breaking region of solid wood", SOLID, radius / 30.0, None),
        ("furniture table", FURNITURE, furniture_thickest_mm(radius), None),
        ("clear wood's strength", reference, thickest_strip_mm(radius, species), None),
        (
            "glulam, North America",
            GLULAM_NA.format(timber, woods),
            radius / timber,
            curvature_factor(t, radius),
        ),
        ("Eurocode 5", EUROCODE, radius / 240.0, min(1.0, 0.76 + 0.001 * radius / t)),
    )
    return tuple(
        BendLimit(
            name=name, rule=rule, kept=t <= thick * (1.0 + 1e-12), thickest_mm=thick, factor=factor
        )
        for name, rule, thick, factor in rows
    )
