"""Trial bends: what came off the form against what was reckoned, and what the shop learns of it.

Each bend tells how much of its curvature it lost.  The shop's own factor is the
ratio of that to the reckoned share, estimated from all bends together: the
factor starts at 1 with a wide doubt (``springback.PRIOR_FACTOR_SIGMA``), and
each bend counts by how well it tells it, as in any linear model with Gaussian
errors.  The scatter from bend to bend starts at ``springback.BASE_SIGMA``,
which counts as four bends.
"""

from __future__ import annotations

import datetime as dt
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import msgspec

from spilemark.blank.springback import BASE_SIGMA, PRIOR_FACTOR_SIGMA, U95, ShopFactor
from spilemark.errors import UnreadableInput, UsageError
from spilemark.strict import check_keys, convert, read_toml

ANGLE_SIGMA_DEG = 0.25
"""Of an angle read with a protractor or a bevel gauge: common practice, no source."""
_PRIOR_BENDS = 4.0
_ROUNDS = 6
_SCHEMA = 1


class TrialBend(msgspec.Struct, frozen=True, kw_only=True):
    """One released blank."""

    strips: int
    ideal: float
    """Share of curvature that the sum alone says it loses."""
    form_bend_deg: float
    """What the stack turned through on the form."""
    bend_deg: float
    """What it turned through when released."""
    sigma_deg: float = ANGLE_SIGMA_DEG
    wanted_deg: float | None = None
    """What the knee is to turn through, where it was told."""
    wood: str = ""
    date: dt.date | None = None
    note: str = ""

    @property
    def lost(self) -> float:
        """Share of curvature that it lost."""
        return 1.0 - self.bend_deg / self.form_bend_deg

    @property
    def ratio(self) -> float:
        """Lost over reckoned: 1 where the sum was right."""
        return self.lost / self.ideal

    @property
    def sigma(self) -> float:
        """Doubt of the lost share from the angle alone."""
        return self.sigma_deg / self.form_bend_deg


WantedFrom = Literal["told", "an earlier bend", "the form"]
"""How a knee's bend is known; from the form it is only what its maker must have aimed at."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialFinding:
    """A released blank beside its prediction, and what to do next."""

    bend: TrialBend
    expected_bend_deg: float
    expected_u95_deg: float
    within: bool
    """Whether it came within the range that was stated."""
    before: ShopFactor
    after: ShopFactor
    next_form_bend_deg: float
    """Of the next form for the same knee."""
    wanted_bend_deg: float
    """The knee that the next form is for."""
    wanted_from: WantedFrom


def check_bend(bend: TrialBend) -> TrialBend:
    """Refuse a bend that cannot have been.

    Raises
    ------
    UsageError
    """
    if bend.strips < 2 or not 0.0 < bend.ideal < 1.0:
        raise UsageError(
            f"A trial bend of {bend.strips} strip tells nothing.", "Use two strips or more."
        )
    if not 1.0 <= bend.form_bend_deg <= 360.0 or not 0.0 < bend.bend_deg <= 400.0:
        raise UsageError(
            f"A bend of {bend.form_bend_deg:g}° on the form and {bend.bend_deg:g}° off it cannot be.",
            "Give the angle that it turns through, or its corner: bend and corner are 180° together.",
        )
    if not 0.0 < bend.sigma_deg <= 10.0:
        raise UsageError(f"A doubt of {bend.sigma_deg:g}° cannot be.", "Give 0.1° to 1°.")
    if bend.wanted_deg is not None and not 0.0 < bend.wanted_deg <= 360.0:
        raise UsageError(f"A knee of {bend.wanted_deg:g}° bend cannot be.", "Give its bend.")
    if not -0.1 <= bend.lost <= 0.9:
        raise UsageError(
            f"{bend.bend_deg:.1f}° off a form of {bend.form_bend_deg:.1f}° is no springback.",
            "Check whether the corner or the bend was meant: both are 180° together.",
        )
    return bend


def check_opened(bend: TrialBend) -> None:
    """Refuse angles as told that say that a blank closed when it was released: most likely corners.

    Raises
    ------
    UsageError
    """
    check_bend(bend)
    if bend.lost < -3.0 * bend.sigma:
        raise UsageError(
            f"{bend.bend_deg:.1f}° off a form of {bend.form_bend_deg:.1f}°: it closed instead of springing "
            "open.",
            "Were these corners? Then give --corner-on-form and --corner-off-form.",
        )


def factor_from(bends: Sequence[TrialBend]) -> ShopFactor:
    """Learn the shop's factor and scatter from its bends; the prior where there are none."""
    factor, variance, scatter = 1.0, PRIOR_FACTOR_SIGMA**2, BASE_SIGMA
    for _ in range(_ROUNDS if bends else 0):
        precision, weighted = PRIOR_FACTOR_SIGMA**-2, PRIOR_FACTOR_SIGMA**-2
        for bend in bends:
            weight = 1.0 / (scatter**2 + bend.sigma**2)
            precision += weight * bend.ideal**2
            weighted += weight * bend.ideal * bend.lost
        factor, variance = weighted / precision, 1.0 / precision
        # What the angle's own doubt explains is no scatter of the wood.
        excess = sum(max(0.0, (b.lost - factor * b.ideal) ** 2 - b.sigma**2) for b in bends)
        # Residuals are small by as much as the factor was fitted to them.
        fitted = 1.0 - variance / PRIOR_FACTOR_SIGMA**2
        free = max(_PRIOR_BENDS + len(bends) - fitted, 1.0)
        scatter = math.sqrt((_PRIOR_BENDS * BASE_SIGMA**2 + excess) / free)
    return ShopFactor(
        factor=max(0.0, factor),
        factor_sigma=math.sqrt(variance),
        scatter=scatter,
        bends=len(bends),
        times=_times(_PRIOR_BENDS + len(bends)) if bends else U95,
    )


def _times(freedom: float) -> float:
    """Student's t for 95 % both ways."""
    from scipy.special import stdtrit

    return float(stdtrit(freedom, 0.975))


def judge(bend: TrialBend, before: Sequence[TrialBend]) -> TrialFinding:
    """Set a released blank beside what was expected of it, and correct the next form.

    Parameters
    ----------
    bend : TrialBend
        Its ``wanted_deg`` says what the knee is to turn through; else the last
        of the earlier bends of as many strips that has one does; else it is what
        the sum and the shop's factor made of the form.
    before : sequence of TrialBend
        The shop's bends until then.

    Raises
    ------
    UsageError
        The bend cannot have been.
    """
    check_bend(bend)
    old, new = factor_from(before), factor_from([*before, bend])
    expected = bend.form_bend_deg * (1.0 - old.factor * bend.ideal)
    share = math.hypot(old.factor_sigma * bend.ideal, old.scatter)
    u95 = old.times * math.hypot(share * bend.form_bend_deg, bend.sigma_deg)
    wanted, known = _wanted(bend, before, expected)
    return TrialFinding(
        bend=bend,
        expected_bend_deg=expected,
        expected_u95_deg=u95,
        within=abs(bend.bend_deg - expected) <= u95,
        before=old,
        after=new,
        next_form_bend_deg=wanted / (1.0 - new.factor * bend.ideal),
        wanted_bend_deg=wanted,
        wanted_from=known,
    )


def _wanted(
    bend: TrialBend, before: Sequence[TrialBend], expected_deg: float
) -> tuple[float, WantedFrom]:
    """What the knee is to turn through, and how that is known."""
    if bend.wanted_deg is not None:
        return bend.wanted_deg, "told"
    for other in reversed(before):
        if other.wanted_deg is not None and other.strips == bend.strips:
            return other.wanted_deg, "an earlier bend"
    return expected_deg, "the form"


def read_trials(path: Path) -> tuple[TrialBend, ...]:
    """Read a shop's file of trial bends.

    Raises
    ------
    UnreadableInput
        It cannot be read, or is no such file.
    UsageError
        A bend in it cannot have been.
    """
    table = read_toml(path, "file of trial bends")
    check_keys(table, ("schema", "kind", "bend"), f"The file of trial bends {path}")
    rows = table.get("bend", [])
    if table.get("kind") != "trial-bends" or not isinstance(rows, list):
        raise UnreadableInput(
            f"{path} is no file of trial bends.", "Take the one that spilemark trial wrote."
        )
    found = []
    for number, row in enumerate(rows, start=1):
        where = f"The file of trial bends {path}, bend {number}"
        check_keys(row, TrialBend.__struct_fields__, where)
        found.append(check_bend(convert(row, TrialBend, where)))
    return tuple(found)


def trials_text(bends: Sequence[TrialBend]) -> str:
    """The file of trial bends as TOML text."""
    lines = [
        "# Trial bends of this shop: what laminations turned through on their form, and off it.",
        f"schema = {_SCHEMA}",
        'kind = "trial-bends"',
    ]
    for bend in bends:
        lines += ["", "[[bend]]", *(f"{k} = {_toml(v)}" for k, v in _told(bend).items())]
    return "\n".join(lines) + "\n"


def _told(bend: TrialBend) -> dict[str, Any]:
    values = {name: getattr(bend, name) for name in TrialBend.__struct_fields__}
    return {k: v for k, v in values.items() if v not in ("", None)}


def _toml(value: Any) -> str:
    # JSON's strings are TOML's basic strings; a date stands bare.
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    return value.isoformat() if isinstance(value, dt.date) else repr(value)
