"""``log.txt``: what ran on what, in plain lines; the same for the same input."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

from spilemark.records import Note, StraightPhoto
from spilemark.results import JobResult


def log_text(result: JobResult, files: Iterable[Path]) -> str:
    """Write the log of one job.

    Parameters
    ----------
    result : JobResult
    files : iterable of Path
        Written by the job; their names are listed.
    """
    lines = [
        *_facts(result),
        *_photos(result),
        *_survey(result),
        *_plugins(result),
        *_notes(result.notes),
        "files",
        *(f"  {path.name}" for path in files),
    ]
    return "\n".join(lines) + "\n"


def _facts(result: JobResult) -> Iterator[str]:
    facts = result.facts
    yield "job"
    for label, value in (("boat", facts.boat), ("part", facts.part), ("date", facts.date)):
        if value:
            yield f"  {label}: {value}"
    stock = (
        "not given"
        if facts.thickness_mm is None
        else _with_sigma(facts.thickness_mm, facts.thickness_sigma_mm)
    )
    own = facts.thickness_of_arm
    if not own or facts.thickness_mm is not None:
        yield f"  thickness: {stock}"
    for arm, (mm, sigma) in own.items():
        yield f"  thickness of the {arm} pattern: {_with_sigma(mm, sigma)}"
    for one, other, mm, sigma in facts.distances:
        yield f"  taped {one}-{other}: {_with_sigma(mm, sigma)}"
    if facts.printed_bar_mm is not None:
        across, along = facts.printed_bar_mm
        yield f"  check bars: {across:g} mm across, {along:g} mm along"
    yield f"  cards: {result.card_set.name}, on the {facts.cards_on}"


def _with_sigma(mm: float, sigma: float) -> str:
    return f"{mm:g} mm, one standard deviation {sigma:.2g} mm"


def _photos(result: JobResult) -> Iterator[str]:
    yield "photos"
    for arm, set_of in result.photos.items():
        for straight in set_of:
            yield from _photo(arm, straight)


def _photo(arm: str, straight: StraightPhoto) -> Iterator[str]:
    photo = straight.photo
    yield f"  {arm}: {photo.path.name}, {photo.width_px} x {photo.height_px} px as stored"
    yield f"    sha256 {photo.sha256}"
    yield f"    lens: {straight.lens.basis}"


def _survey(result: JobResult) -> Iterator[str]:
    survey = result.survey
    yield "survey"
    yield f"  scale: {survey.scale.words}"
    for view in survey.views:
        cards = ", ".join(card.name for card in view.cards)
        name = view.straight.photo.path.name
        yield f"  {name}: cards {cards}; residual {view.residual_rms_px:.3f} px"


def _plugins(result: JobResult) -> Iterator[str]:
    yield "versions"
    for name, version in result.versions.items():
        yield f"  {name}: {version}"
    for name, table in result.options.items():
        for option, value in table.items():
            yield f"    {name}: {option} = {value}"


def _notes(notes: Iterable[Note]) -> Iterator[str]:
    yield "notes"
    for note in notes:
        yield f"  [{note.severity}] {note.code}: {note.text}"
