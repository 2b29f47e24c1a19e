"""Running the pipeline on scenes with truth, in this process."""

from __future__ import annotations

import argparse
import dataclasses
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from spilemark.card_files import load_card_set
from spilemark.cards import CardSet, shop_cards
from spilemark.conductor import run_job
from spilemark.frames import stored_to_upright
from spilemark.lens import plane_to_pixels
from spilemark.recipe import Kitchen, prepare, read_recipe, standard_recipe
from spilemark.results import JobRequest, JobResult
from spilemark.testing.studio_truth import (
    Basis,
    TruthPhoto,
    TruthScene,
    job_facts,
    load_scenes,
)

TAPE_FROM_CARDS = 6
"""With this many cards, "mixed" takes the taped distance; with fewer, the check bars only."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options that every benchmark on photos takes."""
    parser.add_argument("folder", type=Path, help="photos with truth: frames/ and truth/")
    parser.add_argument("--cards", type=Path, help="a card-set file; default: the built-in cards")
    parser.add_argument("--recipe", type=Path, help="another recipe than the standard one")
    parser.add_argument("--only", nargs="*", help="names of scenes; default: all")


def scenes_of(told: argparse.Namespace) -> tuple[TruthScene, ...]:
    """The scenes that were asked for."""
    every = load_scenes(told.folder)
    return tuple(s for s in every if not told.only or s.name in told.only)


def kitchen_of(told: argparse.Namespace) -> Kitchen:
    """The recipe that was asked for, ready to run."""
    return _kitchen(told.recipe)


@cache
def _kitchen(recipe: Path | None) -> Kitchen:
    return prepare(read_recipe(recipe) if recipe else standard_recipe())


def cards_of(told: argparse.Namespace) -> CardSet:
    """The card set that was asked for."""
    return load_card_set(told.cards) if told.cards else shop_cards()


def basis_of(scene: TruthScene, asked: str) -> Basis:
    """Which measured length a scene is run with."""
    if asked != "mixed":
        return asked  # type: ignore[return-value]
    return "taped" if len(scene.card_names) >= TAPE_FROM_CARDS else "bar"


def arm_of(scene: TruthScene) -> str:
    """Which arm a scene's photos belong to."""
    sides = {p.side for p in scene.pieces}
    return "both" if len(sides) > 1 else sides.pop()


def forward_px(scene: TruthScene, photo: TruthPhoto) -> tuple[float, float]:
    """A point a person would click to say where the bow is, upright pixels."""
    piece = scene.pieces[0]
    ahead = piece.centreline_mm[1] + np.array([0.0, 20.0])
    at = plane_to_pixels(piece.on_bench(ahead[None]), photo.plane(piece.thickness_mm))
    x, y = stored_to_upright(at, photo.width_px, photo.height_px, photo.orientation)[0]
    return float(x), float(y)


def run(
    scenes: dict[str, tuple[TruthScene, tuple[TruthPhoto, ...]]],
    basis: Basis,
    told: argparse.Namespace,
    **facts: Any,
) -> JobResult:
    """Run one job; ``scenes`` gives each arm its scene and photos."""
    first, _ = next(iter(scenes.values()))
    forward = {arm: forward_px(scene, photos[0]) for arm, (scene, photos) in scenes.items()}
    job = job_facts(first, basis, forward_px=forward, **facts)
    request = JobRequest(
        facts=dataclasses.replace(job, part="benchmark"),
        photos={arm: tuple(p.path for p in photos) for arm, (_, photos) in scenes.items()},
        card_set=cards_of(told),
    )
    return run_job(request, kitchen_of(told))
