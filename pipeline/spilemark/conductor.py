"""The order in which a job runs, from photos to measured sides.

::

    photos -> read_source -> undistort -+
    photos -> read_source -> undistort -+-> rectify (all photos at once)
                                              |
                       trace (each set) <-----+
                         |
                       register (each pattern) -> mirror (starboard) -> compare
                                                                          |
                                                        hull, bevels, allowances

With one side there is no comparison, never a zero one.  What the job draws and
writes is ``spilemark.outputs``'s part.
"""

from __future__ import annotations

import platform
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import spilemark
from spilemark import wording
from spilemark.blank_job import BlankResult, blank_sums, part_lines
from spilemark.card_places import check_card_places
from spilemark.corrections import Follow, corrected
from spilemark.errors import UsageError
from spilemark.note_words import shown_in
from spilemark.own_mirror import OwnMirror, called_apart, has_own_mirror, own_mirror
from spilemark.picking import pick_patterns
from spilemark.recipe import Kitchen
from spilemark.records import (
    Floats,
    JobFacts,
    Note,
    Outline,
    Photo,
    RegisteredPattern,
    Side,
    SideComparison,
    StraightPhoto,
    Survey,
    View,
)
from spilemark.results import ARMS, JobRequest, JobResult
from spilemark.shop_job import ShopResult, shop_sums

Progress = Callable[[str], None]


def _silent(_words: str) -> None:
    """Say nothing of the progress."""


def run_job(request: JobRequest, kitchen: Kitchen, progress: Progress = _silent) -> JobResult:
    """Measure one part.

    Parameters
    ----------
    request : JobRequest
    kitchen : Kitchen
        A recipe with its plug-ins, from ``spilemark.recipe.prepare``.
    progress : callable
        Told in a few words what is being done.

    Raises
    ------
    SpilemarkError
        One of ``spilemark.errors``, each with what to do next.
    """
    return _Run(request, kitchen, progress).all()


def read_photos(
    request: JobRequest, kitchen: Kitchen, progress: Progress = _silent
) -> dict[str, tuple[StraightPhoto, ...]]:
    """Read the photos of a job and propose a lens for each, by arm, and no more; raises alike."""
    return _Run(request, kitchen, progress).photos()


def survey_photos(
    request: JobRequest,
    kitchen: Kitchen,
    photos: dict[str, tuple[StraightPhoto, ...]],
    progress: Progress = _silent,
) -> Survey:
    """Solve lens, poses, cards and scale of photos that were read, and no more; raises alike."""
    return _Run(request, kitchen, progress).survey(photos)


def follow_with(kitchen: Kitchen, facts: JobFacts) -> Follow:
    """What a recipe's tracer has for following an edge anew."""
    name = kitchen.name_of("trace")

    def follow(outline: Outline, view: View, places_px: Floats) -> Outline | None:
        followed: Outline | None = kitchen.plugins.ask(
            "follow_edge",
            name,
            outline=outline,
            view=view,
            places_px=places_px,
            job=facts,
            options=kitchen.options["trace", name],
        )
        return followed

    return follow


class _Run:
    """One job on its way: what it was given, what it noted, how long each stage took."""

    def __init__(self, request: JobRequest, kitchen: Kitchen, progress: Progress) -> None:
        self.request, self.kitchen, self.progress = request, kitchen, progress
        self.notes: list[Note] = [*request.notes]
        self.timings: dict[str, float] = {}
        self.laid: set[int] = set()
        """Identities of the outlines that became patterns, which carry their notes on."""

    def all(self) -> JobResult:
        request = self.request
        photos = self.photos()
        survey = self.survey(photos)
        thick = wording.thick_stock(request.facts)
        if thick is not None and not all(v.straight.photo.is_scan for v in survey.views):
            self.notes.append(thick)
        photos = _as_surveyed(photos, survey)
        outlines = {arm: self.outlines(survey, arm) for arm in photos}
        traced = {arm: outlines[arm] for arm in request.facts.corrections if arm in outlines}
        outlines, notes = corrected(
            outlines, survey, request.facts, follow_with(self.kitchen, request.facts)
        )
        self.notes += notes
        self.notes += check_card_places(survey, outlines, request.facts)
        patterns = self.patterns(outlines)
        comparison = self.comparison(patterns)
        halves = self.halves(patterns)
        shop = self.shop(survey, patterns, comparison)
        blank = self.blank(survey, patterns, shop)
        return JobResult(
            facts=request.facts,
            card_set=request.card_set,
            photos=photos,
            survey=survey,
            outlines=outlines,
            patterns=patterns,
            comparison=comparison,
            halves=halves,
            notes=tuple(
                shown_in(note, request.facts.units)
                for note in _gather(
                    photos, survey, self.left(outlines), patterns, comparison, self.notes
                )
            ),
            versions=self.versions(),
            options=self.options(),
            timings_s=self.timings,
            traced=traced,
            shop=shop,
            blank=blank,
        )

    def photos(self) -> dict[str, tuple[StraightPhoto, ...]]:
        given = self.request.photos
        if not given:
            raise UsageError(
                "No photo was given.", "Name one with --port, --starboard or --single."
            )
        read: dict[str, tuple[Photo, ...]] = {}
        for arm in (a for a in ARMS if a in given):
            read[arm] = tuple(self.read(path, arm) for path in given[arm])
        _refuse_repeats(read)
        return {
            arm: tuple(
                self.do("undistort", photo=photo, arm=arm, job=self.request.facts)
                for photo in set_of
            )
            for arm, set_of in read.items()
        }

    def read(self, path: Path, arm: str) -> Photo:
        self.progress(f"reading {path.name}")
        is_scan = arm in self.request.scans
        photo: Photo = self.do("read_source", path=path, is_scan=is_scan)
        return photo

    def survey(self, photos: dict[str, tuple[StraightPhoto, ...]]) -> Survey:
        self.progress("finding the scale cards")
        every = tuple(photo for set_of in photos.values() for photo in set_of)
        survey: Survey = self.do(
            "rectify", photos=every, card_set=self.request.card_set, job=self.request.facts
        )
        return survey

    def outlines(self, survey: Survey, arm: str) -> tuple[Outline, ...]:
        self.progress(f"tracing the {_label(arm)}")
        traced: tuple[Outline, ...] = self.do(
            "trace", survey=survey, arm=arm, job=self.request.facts
        )
        return traced

    def patterns(self, outlines: dict[str, tuple[Outline, ...]]) -> dict[Side, RegisteredPattern]:
        patterns: dict[Side, RegisteredPattern] = {}
        for arm, traced in outlines.items():
            picked, notes = pick_patterns(traced, arm, self.request.facts)
            self.notes.extend(notes)
            for side, outline in picked.items():
                self.progress(f"laying the {side} pattern on its line")
                self.laid.add(id(outline))
                patterns[side] = self.do(
                    "register", outline=outline, side=side, job=self.request.facts
                )
        return patterns

    def left(self, outlines: dict[str, tuple[Outline, ...]]) -> tuple[Outline, ...]:
        """Outlines that became no pattern."""
        return tuple(o for traced in outlines.values() for o in traced if id(o) not in self.laid)

    def comparison(self, patterns: dict[Side, RegisteredPattern]) -> SideComparison | None:
        if not {Side.PORT, Side.STARBOARD} <= patterns.keys():
            return None
        self.progress("comparing the sides")
        mirrored = self.do("mirror", pattern=patterns[Side.STARBOARD])
        comparison: SideComparison = self.do(
            "compare",
            port=patterns[Side.PORT],
            starboard_mirrored=mirrored,
            job=self.request.facts,
        )
        return comparison

    def halves(self, patterns: dict[Side, RegisteredPattern]) -> OwnMirror | None:
        """A part on the centreline against its own mirror image about its line."""
        part = patterns.get(Side.SINGLE)
        if part is None or not has_own_mirror(part):
            return None
        self.progress("comparing the two halves")
        one, other = called_apart(part, self.do("mirror", pattern=part))
        facts = self.request.facts
        comparison = self.do("compare", port=one, starboard_mirrored=other, job=facts)
        found = own_mirror(comparison, facts)
        self.notes.extend(found.notes)
        return found

    def shop(
        self,
        survey: Survey,
        patterns: dict[Side, RegisteredPattern],
        comparison: SideComparison | None,
    ) -> ShopResult:
        if not self.request.shop:
            return ShopResult()
        self.progress("hull, bevels and allowances")
        result, notes = shop_sums(
            self.request.shop, patterns, comparison, self.request.facts, survey.scale
        )
        self.notes.extend(notes)
        return result

    def blank(
        self, survey: Survey, patterns: dict[Side, RegisteredPattern], shop: ShopResult
    ) -> BlankResult:
        if not self.request.blank:
            return BlankResult()
        self.progress("form, blank and board")
        parts, notes = part_lines(patterns, shop, self.request.facts, survey.scale)
        result, more = blank_sums(self.request.blank, parts)
        self.notes.extend((*notes, *more))
        return result

    def do(self, stage: str, **arguments: Any) -> Any:
        """Run one stage in the plug-in that the recipe names, and let the observers look."""
        name = self.kitchen.name_of(stage)
        options = self.kitchen.options[stage, name]
        begun = time.perf_counter()
        result = self.kitchen.plugins.call(stage, name, **arguments, options=options)
        seconds = time.perf_counter() - begun
        self.timings[stage] = self.timings.get(stage, 0.0) + seconds
        self.notes.extend(self.kitchen.show(stage, name, result, seconds))
        return result

    def versions(self) -> dict[str, str]:
        ours = {"spilemark": spilemark.__version__, "python": platform.python_version()}
        return ours | self.kitchen.versions

    def options(self) -> dict[str, dict[str, object]]:
        return {f"{stage}: {name}": table for (stage, name), table in self.kitchen.tables().items()}


def _as_surveyed(
    photos: dict[str, tuple[StraightPhoto, ...]], survey: Survey
) -> dict[str, tuple[StraightPhoto, ...]]:
    """The photos with the lenses that they were measured with: a stored one may not have fitted."""
    views = iter(survey.views)
    return {arm: tuple(next(views).straight for _ in set_of) for arm, set_of in photos.items()}


def _label(arm: str) -> str:
    return {"both": "patterns", "single": "part"}.get(arm, f"{arm} pattern")


def _refuse_repeats(photos: dict[str, tuple[Photo, ...]]) -> None:
    """Refuse the same photo twice, by its content: it would count as two measurements."""
    seen: dict[str, tuple[str, Path]] = {}
    for arm, set_of in photos.items():
        for photo in set_of:
            if photo.sha256 in seen:
                raise _repeated(seen[photo.sha256], (arm, photo.path), alone=len(photos) == 1)
            seen[photo.sha256] = (arm, photo.path)


def _repeated(first: tuple[str, Path], second: tuple[str, Path], *, alone: bool) -> UsageError:
    (one, path), (other, again) = first, second
    if one == other:
        whose = "" if alone else f" for {one}"
        return UsageError(
            f"The same photo was given twice{whose}: {path.name} and {again.name}.",
            "Give each photo once.",
        )
    return UsageError(
        f"The same photo was given for {one} ({path.name}) and for {other} ({again.name}).",
        "Give each photo once. Are both patterns in one photo? Use --both.",
    )


def _gather(
    photos: dict[str, tuple[StraightPhoto, ...]],
    survey: Survey,
    left: tuple[Outline, ...],
    patterns: dict[Side, RegisteredPattern],
    comparison: SideComparison | None,
    own: Iterable[Note],
) -> tuple[Note, ...]:
    """Collect the notes of every record, in the order of the work, each once."""
    found: list[Note] = []
    for straight in (s for set_of in photos.values() for s in set_of):
        found += (*straight.photo.notes, *straight.notes)
    found += survey.notes
    for outline in left:
        found += outline.notes
    found += own
    for pattern in patterns.values():
        found += (*pattern.outline.notes, *pattern.notes)
    if comparison is not None:
        found += comparison.notes
    return tuple({id(note): note for note in found}.values())
