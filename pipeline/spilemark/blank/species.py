"""Woods: stiffness and strength of clear, straight-grained test pieces, each with its table.

They are averages of tests, not design values: real strips have grain that runs
out, and knots.  Stiffness is centre-loaded at span/depth 14, which reads about
a tenth too low (Wood Handbook, footnote c of the tables).
"""

from __future__ import annotations

from dataclasses import dataclass

from spilemark.errors import UsageError
from spilemark.strict import nearest

PSI_MPA = 6.894757e-3
"""One pound-force per square inch in MPa (0.45359237 kg, 9.80665 m/s², 25.4 mm)."""

HANDBOOK_2021 = "Wood Handbook, USDA Forest Products Laboratory, FPL-GTR-282, 2021, table {}"
HANDBOOK_1999 = (
    "Wood Handbook, USDA Forest Products Laboratory, 1999 edition, table 4-5b, as quoted in 2004"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Species:
    """One wood at 12 % moisture."""

    name: str
    moe_mpsi: float
    """Stiffness in bending, million psi, as the inch-pound table prints it."""
    mor_psi: float
    """Nominal stress at which the test piece broke, psi."""
    softwood: bool | None
    """None: not told."""
    source: str
    """Edition and table."""

    @property
    def moe_mpa(self) -> float:
        """Stiffness in bending, MPa."""
        return self.moe_mpsi * 1e6 * PSI_MPA

    @property
    def mor_mpa(self) -> float:
        """Strength in bending, MPa."""
        return self.mor_psi * PSI_MPA

    @property
    def reference_ratio(self) -> float:
        """Radius over thickness at which the nominal stress reaches the strength: E/(2 MOR).

        Own derivation from surface strain t/(2R).  It leaves out that wood gives in
        compression (strips go tighter) and that grain runs out (they break earlier).
        """
        return self.moe_mpa / (2.0 * self.mor_mpa)


def _row(name: str, moe: float, mor: float, table: str, *, softwood: bool = False) -> Species:
    source = HANDBOOK_2021.format(table) if table else HANDBOOK_1999
    return Species(name=name, moe_mpsi=moe, mor_psi=mor, softwood=softwood, source=source)


WOODS: tuple[Species, ...] = (
    _row("white oak", 1.78, 15_200, "5-3b"),
    _row("white ash", 1.74, 15_400, "5-3b"),
    _row("yellow-poplar", 1.58, 10_100, "5-3b"),
    _row("sitka spruce", 1.57, 10_200, "5-3b", softwood=True),
    _row("douglas-fir", 1.95, 12_400, "5-3b", softwood=True),
    _row("western red cedar", 1.11, 7_500, "5-3b", softwood=True),
    _row("yellow cedar", 1.42, 11_100, "5-3b", softwood=True),
    _row("sapele", 1.82, 15_300, "5-5b"),
    _row("okoume", 1.14, 7_400, "5-5b"),
    _row("dark red meranti", 1.77, 12_700, "5-5b"),
    _row("true mahogany", 1.50, 11_500, ""),
    _row("khaya", 1.40, 10_700, ""),
)
_ALSO = {
    "oak": "white oak",
    "ash": "white ash",
    "spruce": "sitka spruce",
    "douglas fir": "douglas-fir",
    "red cedar": "western red cedar",
    "alaska cedar": "yellow cedar",
    "african mahogany": "khaya",
    "mahogany": "true mahogany",
    "gaboon": "okoume",
    "meranti": "dark red meranti",
    "poplar": "yellow-poplar",
}


def species_called(name: str) -> Species:
    """Find a wood by name or by a common other name.

    Raises
    ------
    UsageError
        It is not in the tables here.
    """
    plain = " ".join(name.lower().split())
    known = {wood.name: wood for wood in WOODS}
    found = known.get(_ALSO.get(plain, plain))
    if found is None:
        raise UsageError(
            f'No wood called "{name}" is in the tables here.{nearest(plain, [*known, *_ALSO])}',
            f"Known: {', '.join(known)}. For another, give its numbers from a table: "
            '"iroko: 1.38, 12400, hardwood" (million psi, psi).',
        )
    return found


def read_wood(text: str) -> Species:
    """Read a wood as told: a name, or ``name: MOE, MOR`` in million psi and psi.

    ``hardwood`` or ``softwood`` may stand behind the numbers; some limits ask for it.

    Raises
    ------
    UsageError
        The name is not known, or the numbers are not those of a wood.
    """
    name, colon, numbers = text.partition(":")
    if not colon:
        return species_called(text)
    try:
        parts = [part.strip().lower() for part in numbers.split(",")]
        softwood = {"hardwood": False, "softwood": True}[parts.pop()] if len(parts) == 3 else None
        moe, mor = (float(part) for part in parts)
    except (ValueError, KeyError) as error:
        raise _no_numbers(text) from error
    if not (0.2 <= moe <= 5.0 and 1_000 <= mor <= 50_000 and name.strip()):
        raise _no_numbers(text)
    return Species(
        name=name.strip().lower(),
        moe_mpsi=moe,
        mor_psi=mor,
        softwood=softwood,
        source="numbers as told for this job, without a table",
    )


def _no_numbers(text: str) -> UsageError:
    return UsageError(
        f'"{text}" is not a wood with its stiffness and strength.',
        'Write them in million psi and psi, as the Handbook does: "iroko: 1.38, 12400, hardwood".',
    )
