"""The whole contract of the pipeline, top to bottom as it runs.

Each stage hook is answered by exactly the plug-in that the recipe names (see
``spilemark.plugins``); within a stage there is no order and no fall-through.
All arguments are passed by keyword.  ``options`` is the plug-in's own frozen
options dataclass (see ``declare_options``), or None if it declares none.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pluggy

from spilemark.cards import CardSet
from spilemark.records import (
    Floats,
    JobFacts,
    Outline,
    Photo,
    RegisteredPattern,
    Side,
    SideComparison,
    StraightPhoto,
    Survey,
    Template,
    View,
)
from spilemark.results import JobResult

PROJECT = "spilemark"
hookspec = pluggy.HookspecMarker(PROJECT)
hookimpl = pluggy.HookimplMarker(PROJECT)


@hookspec(firstresult=True)
def read_source(path: Path, is_scan: bool, options: Any) -> Photo:
    """Read one photo or scan.

    Given a path, hand on its pixels *as stored* with the EXIF orientation
    beside them.  The file must not be changed.  Raise ``UnreadableInput``.
    """


@hookspec(firstresult=True)
def undistort(photo: Photo, arm: str, job: JobFacts, options: Any) -> StraightPhoto:
    """Propose a lens and how well it is known (from EXIF, a stored lens, or a wide guess).

    The photo is handed on unchanged: points move later, pixels never.
    """


@hookspec(firstresult=True)
def rectify(
    photos: tuple[StraightPhoto, ...], card_set: CardSet, job: JobFacts, options: Any
) -> Survey:
    """Find the cards in all photos and solve lens, poses, cards and scale at once.

    Photos with the same ``arm`` show the same patterns and cards lying still;
    photos of different arms share lens (by ``lens_group``) and the cards'
    print scale only.  Hand on one view per photo, in the order given; a photo
    that does not bear out a stored lens may be exchanged for its ``otherwise``.
    Raise ``NoScale`` when a photo shows no card.
    """


@hookspec(firstresult=True)
def trace(survey: Survey, arm: str, job: JobFacts, options: Any) -> tuple[Outline, ...]:
    """Trace every pattern that lies in the photos of one arm.

    Hand on outlines in the plane frame of the arm's first view, largest first,
    with the pencil lines that were found on their faces (role "centreline" for
    the clear reference line, at most one; "mark" for others).  Measured on the
    photo as taken; points carried through the maps.  Raise ``NoOutline``.
    """


@hookspec(firstresult=True)
def follow_edge(
    outline: Outline, view: View, places_px: Floats, job: JobFacts, options: Any
) -> Outline:
    """Follow the edge of a traced outline anew in one photo, between places that a person set.

    Asked of the plug-in that traces, where it has it.  ``places_px`` (M, 2) are stored pixels of
    the view's photo: the first and the last lie on the outline, those between on the edge that is
    meant.  Hand on the outline with the run between the first and the last exchanged (see
    ``spilemark.ring_edits.spliced``), measured as ``trace`` would, and nothing else changed.
    Raise ``NoEdge`` where no edge can be told.
    """


@hookspec(firstresult=True)
def register(outline: Outline, side: Side, job: JobFacts, options: Any) -> RegisteredPattern:
    """Lay one outline on its reference line, in the boat frame (FORMATS in the contributor page).

    Shape must not change: a rigid map, with a flip only when face down.
    """


@hookspec(firstresult=True)
def mirror(pattern: RegisteredPattern, options: Any) -> RegisteredPattern:
    """Mirror across the centreline: x changes sign, rings keep their winding, side swaps."""


@hookspec(firstresult=True)
def compare(
    port: RegisteredPattern, starboard_mirrored: RegisteredPattern, job: JobFacts, options: Any
) -> SideComparison:
    """Say where two measured sides differ and whether that is more than can be seen."""


@hookspec(firstresult=True)
def write_template(template: Template, folder: Path, options: Any) -> tuple[Path, ...]:
    """Transcribe one drawing into ``folder``; hand on the files written.

    The folder is a scratch one: whoever runs the pipeline moves finished files
    to their place.  Raise ``CannotWrite``.
    """


@hookspec(firstresult=True)
def write_job(result: JobResult, folder: Path, options: Any) -> tuple[Path, ...]:
    """Write files about the whole job, such as a page for the shop or a report.

    Given everything that was measured, with both sides where there are two;
    folder and errors as for ``write_template``.  Hand on the files written,
    none where this job has nothing for them.  Equal results give equal bytes:
    nothing here reads the clock.
    """


@hookspec
def declare_options() -> type | None:
    """The plug-in's options: a frozen dataclass; each field's metadata has ``help`` and ``unit``."""


@hookspec
def stage_done(stage: str, plugin: str, result: object, seconds: float) -> None:
    """Observe: called after each stage.  Looking is all that an observer can do."""


STAGES: tuple[str, ...] = (
    "read_source",
    "undistort",
    "rectify",
    "trace",
    "register",
    "mirror",
    "compare",
    "write_template",
    "write_job",
)

WRITERS: tuple[str, ...] = ("write_template", "write_job")
"""Stages that take a list of plug-ins: each of them writes files of its own."""

COMPANIONS: dict[str, str] = {"follow_edge": "trace"}
"""Hooks that a plug-in of a stage may answer beside it, by name: the stage."""
