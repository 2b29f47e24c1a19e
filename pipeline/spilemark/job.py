"""A job from its order to its files."""

from __future__ import annotations

from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from importlib import import_module
from pathlib import Path
from threading import Thread

from spilemark.card_files import load_card_set
from spilemark.cards import Batten, CardSet, shop_cards
from spilemark.conductor import Progress, read_photos, run_job
from spilemark.errors import UsageError
from spilemark.hookspecs import WRITERS
from spilemark.jobfile import JobOrder
from spilemark.log import log_text
from spilemark.outputs import write_outputs
from spilemark.recipe import Kitchen, prepare, read_recipe, standard_recipe
from spilemark.records import StraightPhoto
from spilemark.results import ARMS, JobRequest, JobResult
from spilemark.storage import check_target, results_folder
from spilemark.strict import nearest

LOG_NAME = "log.txt"
_SHOP = ("scipy.interpolate", "scipy.sparse.linalg")
_WRITING = ("spilemark.overlay", "spilemark.report", "spilemark.template", "svgwrite")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plan:
    """An order that was checked, with its plug-ins loaded: ready to run."""

    request: JobRequest
    kitchen: Kitchen
    folder: Path
    force: bool


def plan_job(order: JobOrder, *, force: bool) -> Plan:
    """Check everything that can be checked before the first photo is read.

    Raises
    ------
    UsageError, UnreadableInput, WouldOverwrite, CannotWrite, PluginError, MissingLibrary
        As ``spilemark.storage``, ``spilemark.card_files`` and ``spilemark.recipe`` say.
    """
    if not order.photos:
        raise UsageError("No photo was given.", "Name one with --port, --starboard or --single.")
    if order.out is None:
        raise UsageError("No place for the results was given.", "Add --out FOLDER.")
    inputs = [path for set_of in order.photos.values() for path in set_of]
    check_target(order.out, force=force, inputs=inputs)
    card_set = load_card_set(order.cards) if order.cards else shop_cards()
    _check_distances(order, card_set)
    card_set = with_battens(card_set, order.battens)
    recipe = read_recipe(order.recipe) if order.recipe else standard_recipe()
    return Plan(
        request=JobRequest(
            facts=order.facts,
            photos=order.photos,
            card_set=card_set,
            shop=order.shop,
            blank=order.blank,
            scans=order.scans,
            notes=order.notes,
        ),
        kitchen=prepare(recipe),
        folder=order.out,
        force=force,
    )


def look(plan: Plan, progress: Progress) -> dict[str, tuple[StraightPhoto, ...]]:
    """Read the photos and nothing more: what a dry run does."""
    return read_photos(plan.request, plan.kitchen, progress)


def carry_out(plan: Plan, progress: Progress) -> tuple[JobResult, tuple[Path, ...]]:
    """Measure, and put all results in their folder.

    Returns
    -------
    result : JobResult
    files : tuple of Path
        What now stands in the folder, templates first.

    Raises
    ------
    SpilemarkError
        One of ``spilemark.errors``; then nothing was written.
    """
    _import_meanwhile(plan.kitchen, shop=bool(plan.request.shop or plan.request.blank))
    result = run_job(plan.request, plan.kitchen, progress)
    progress("writing the templates and the report")
    with results_folder(plan.folder, force=plan.force) as scratch:
        written = write_outputs(
            result,
            scratch,
            partial(_write, plan.kitchen, "write_template", "template"),
            partial(_write, plan.kitchen, "write_job", "result"),
        )
        log = scratch / LOG_NAME
        log.write_text(log_text(result, [*written, log]), encoding="utf-8", newline="\n")
        names = [path.relative_to(scratch) for path in (*written, log)]
    return result, tuple(plan.folder / name for name in names)


def _import_meanwhile(kitchen: Kitchen, *, shop: bool = False) -> None:
    """Import what the writers will need while the photos are decoded and searched.

    That work leaves the interpreter free most of the time; what cannot be
    imported is told where it is needed.
    """
    names = [name for stage in WRITERS for name in kitchen.recipe.stages[stage]]
    modules = (*(_SHOP if shop else ()), *_WRITING, *kitchen.plugins.slow_imports(names))

    def load() -> None:
        for module in modules:
            with suppress(Exception):
                import_module(module)

    Thread(target=load, name="imports").start()


def _write(kitchen: Kitchen, stage: str, argument: str, given: object, folder: Path) -> list[Path]:
    """Run every writer that the recipe names for a stage on what it is given."""
    files: list[Path] = []
    for name in kitchen.recipe.stages[stage]:
        options = kitchen.options[stage, name]
        arguments = {argument: given, "folder": folder, "options": options}
        files += kitchen.plugins.call(stage, name, **arguments)
    return files


def with_battens(card_set: CardSet, battens: tuple[Batten, ...]) -> CardSet:
    """Add a job's own battens to those of the card set.

    Raises
    ------
    UsageError
        Two cards are said to be glued at two distances.
    """
    all_of = (*card_set.battens, *battens)
    pairs = Counter(frozenset(batten.cards) for batten in all_of)
    for pair, times in pairs.items():
        if times > 1:
            raise UsageError(
                f"The batten {'-'.join(sorted(pair))} was given {times} times.",
                "Keep the better measurement; the file of --cards may hold one of them.",
            )
    return replace(card_set, battens=all_of)


def _check_distances(order: JobOrder, card_set: CardSet) -> None:
    known = [card.name for card in card_set.cards]
    lengths = []
    for one, other, *_ in order.facts.distances:
        # "port:A" says of which side's photos the tape was.
        arm, colon, name = one.rpartition(":")
        if colon and arm not in ARMS:
            raise UsageError(
                f'The distance {one}-{other}: "{arm}" is no side.', f"Sides are {', '.join(ARMS)}."
            )
        lengths.append(("distance", name, other))
    lengths += [("batten", *batten.cards) for batten in order.battens]
    for what, one, other in lengths:
        for name in (one, other):
            if name not in known:
                raise UsageError(
                    f'The {what} {one}-{other} names a card "{name}" that is not in the set '
                    f'"{card_set.name}".{nearest(name, known)}',
                    f"Its cards: {', '.join(known)}.",
                )
