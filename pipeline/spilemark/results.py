"""What goes into the pipeline and what comes out of it as a whole."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

from spilemark.blank_job import BlankRequest, BlankResult
from spilemark.cards import CardSet
from spilemark.own_mirror import OwnMirror
from spilemark.records import (
    JobFacts,
    Note,
    Outline,
    RegisteredPattern,
    Side,
    SideComparison,
    StraightPhoto,
    Survey,
)
from spilemark.shop_job import ShopRequest, ShopResult

ARMS: tuple[str, ...] = ("port", "starboard", "single", "both")
"""Sets of photos, in the order in which they are worked: each shows patterns lying still."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JobRequest:
    """One part to be measured."""

    facts: JobFacts
    photos: dict[str, tuple[Path, ...]]
    """By arm, see ``ARMS``; each arm named here has at least one photo."""
    card_set: CardSet
    shop: ShopRequest = field(default_factory=ShopRequest)
    blank: BlankRequest = field(default_factory=BlankRequest)
    scans: frozenset[str] = frozenset()
    """Arms whose files are flatbed scans, not photos."""
    notes: tuple[Note, ...] = ()
    """What was found of the order itself."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JobResult:
    """Everything that was measured for one part; writers and reports start here."""

    facts: JobFacts
    card_set: CardSet
    photos: dict[str, tuple[StraightPhoto, ...]]
    """By arm, in the order given; ``survey.views`` has the same photos, arm after arm."""
    survey: Survey
    outlines: dict[str, tuple[Outline, ...]]
    """By arm: every outline that was traced, largest first, plane frame of its arm."""
    patterns: dict[Side, RegisteredPattern]
    """The measured patterns, by side."""
    comparison: SideComparison | None
    """None where only one side was measured."""
    notes: tuple[Note, ...]
    """Every note of every record, in the order of the work, each once."""
    versions: dict[str, str]
    """"spilemark", "python", and "<stage>: <plug-in>" to the version that ran."""
    options: dict[str, dict[str, object]] = field(default_factory=dict)
    """"<stage>: <plug-in>" to the options it ran with."""
    timings_s: dict[str, float] = field(default_factory=dict)
    """Seconds by stage; kept out of the files, so that equal input gives equal bytes."""

    traced: dict[str, tuple[Outline, ...]] = field(default_factory=dict)
    """By arm: the outlines before anything was put right by hand; only arms where something was."""
    shop: ShopResult = field(default_factory=ShopResult)
    """What was reckoned for the bench; empty where nothing was asked."""
    blank: BlankResult = field(default_factory=BlankResult)
    """What was worked out for its wood; empty where nothing was asked."""
    halves: OwnMirror | None = None
    """A part on the centreline against its own mirror image; None where there is none."""

    @property
    def scale_is_nominal(self) -> bool:
        """Whether no measured length says how large the pattern is."""
        return self.survey.scale.basis == "nominal"
