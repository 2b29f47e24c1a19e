"""Drawn benches on which something is amiss: cards, sheet, what was told, what moved between photos."""

from __future__ import annotations

import dataclasses
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from spilemark import lens as camera
from spilemark.cards import shop_cards
from spilemark.conductor import run_job
from spilemark.errors import SpilemarkError
from spilemark.recipe import Kitchen, prepare, standard_recipe
from spilemark.records import Floats, JobFacts, PlaneMap
from spilemark.results import JobRequest, JobResult
from spilemark.testing import shapes
from spilemark.testing.bench import LaidCard, look_at
from spilemark.testing.scenes import Look, coverage, draw_scene

SIZE = (2400, 1800)
MM_PER_PX = 0.36
FOCAL_SHARE = 0.76
FILM_MM = 36.0
VIEWS = ((6, -90, 2), (20, 200, -4), (19, 20, 93))
"""Tilt, azimuth and roll of up to three photos, degrees."""
PLACES = {
    "A": (-300, -190, 5), "B": (255, -180, 92), "C": (-310, 60, 88), "D": (285, 40, 80),
    "E": (-120, 60, 20), "F": (30, 215, 170), "G": (-130, -250, 178), "H": (275, 222, 190),
}  # fmt: skip
FACE, BENCH, WALL = 0.45, 0.10, 0.25
"""Linear reflectances."""
KNEE = shapes.quarter_knee() - [-40, 185]
USUAL = {
    "forward-unknown", "forward-deduced", "no-reference-line", "face-assumed", "offset-unknown",
    "photos-narrow", "traced-in",
}  # fmt: skip
"""Said of every such bench."""
Surface = Callable[[Floats], Floats]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Case:
    """One drawn job."""

    name: str
    photos: tuple[NDArray[np.uint8], ...]
    told: dict[str, Any] = field(default_factory=dict)
    ring_mm: Floats = field(default_factory=lambda: KNEE)
    file_focal_mm: tuple[float, ...] = ()
    """35 mm equivalents that the files tell; empty: the true one."""


def plane(
    view: int, k: tuple[float, float] = (0.04, -0.08), focal: float = FOCAL_SHARE
) -> PlaneMap:
    """The true map of one of the photos."""
    width, height = SIZE
    middle = [(width - 1) / 2 + 7, (height - 1) / 2 - 5]
    lens = np.array([focal * width, 1.0, *middle, *k, 2e-4, -1e-4, 0.0])
    away = lens[0] * MM_PER_PX * (1.0 if view == 0 else 1.12)
    rotation, translation = look_at(np.zeros(3), away, *VIEWS[view])
    gain = np.zeros((16, 0))
    return PlaneMap(
        lens=lens, rotation_rad=rotation, translation_mm=translation, height_mm=3.0, gain=gain
    )


def laid(names: str = "ABCDEFGH", **how: Any) -> list[LaidCard]:
    """Cards of these letters in their places, with whatever is not usual of them."""
    every = {card.name: card for card in shop_cards().cards}
    usual: dict[str, Any] = {
        "base_mm": 0.0, "lift_mm": 0.15, "bow_mm": 0.15, "print_scale": (1.0, 1.0), "shear": 0.0
    }  # fmt: skip
    return [
        LaidCard(
            card=every[name],
            centre_mm=np.array(PLACES[name][:2], float),
            turn_rad=np.radians(PLACES[name][2]),
            **usual | how,
        )
        for name in names
    ]


def mixed(odd: str, **how: Any) -> list[LaidCard]:
    """All cards, those of some letters otherwise."""
    rest = "".join(name for name in PLACES if name not in odd)
    return laid(rest) + laid(odd, **how)


def draw(
    at: PlaneMap,
    cards: Sequence[LaidCard],
    ring: Floats = KNEE,
    *,
    thick_mm: float = 3.0,
    surface: Surface | None = None,
    wall: float = WALL,
    foot_out_mm: float = 0.0,
    seed: int = 1,
) -> NDArray[np.uint8]:
    """A grey photo of cards and a pattern with its cut wall."""
    look = Look(bench=BENCH, blur_px=0.0, srgb=False)
    light = draw_scene([], at, SIZE, cards=list(cards), look=look).photo.pixels / 255.0
    up = np.full(len(ring), thick_mm) if surface is None else surface(ring)
    run = np.roll(ring, -1, 0) - np.roll(ring, 1, 0)
    run /= np.linalg.norm(run, axis=1, keepdims=True)
    foot = ring + foot_out_mm * np.column_stack([run[:, 1], -run[:, 0]])
    for share in np.linspace(0, 1, 9):
        level = up - thick_mm * (1 - share)
        _lay(light, at, np.column_stack([foot + (ring - foot) * share, level]), wall)
    _lay(light, at, np.column_stack([ring, up]), FACE)
    blurred = cv2.GaussianBlur(light * (1 - np.linspace(0, 0.15, SIZE[0])), (0, 0), 0.8)
    dark, bright = 12.92 * blurred, 1.055 * np.maximum(blurred, 1e-9) ** (1 / 2.4) - 0.055
    code = 255 * np.where(blurred <= 0.0031308, dark, bright)  # IEC 61966-2-1
    code += np.random.default_rng(seed).normal(0, 1.2, code.shape)
    return np.asarray(np.clip(code.round(), 0, 255), dtype=np.uint8)


def _lay(light: NDArray[np.float64], at: PlaneMap, space: Floats, value: float) -> None:
    pixels = camera.project(space, at.lens, at.rotation_rad, at.translation_mm)
    left, top = np.clip(np.floor(pixels.min(0)).astype(int), 0, SIZE)
    right, bottom = np.clip(np.ceil(pixels.max(0)).astype(int) + 1, 0, SIZE)
    part = light[top:bottom, left:right]
    part += coverage([pixels - [left, top]], right - left, bottom - top) * (value - part)


def taped(cards: Sequence[LaidCard], off_mm: float = 0.0, **more: Any) -> dict[str, Any]:
    """Bars measured, and the distance of A and H, wrong by so much."""
    cross = {card.card.name: card.cross_world for card in cards}
    if not {"A", "H"} <= cross.keys():
        return {"printed_bar_mm": (100.0, 100.0), **more}
    far = float(np.linalg.norm(cross["A"] - cross["H"])) + off_mm
    return {"printed_bar_mm": (100.0, 100.0), "distances": (("A", "H", far, 0.2),), **more}


def run(case: Case) -> JobResult | str:
    """Measure a drawn job from files; or why it was refused."""
    with tempfile.TemporaryDirectory() as folder:
        paths = []
        for k, pixels in enumerate(case.photos):
            exif = Image.Exif()
            exif[271], exif[272] = "Works", "Pocket 4"
            told = case.file_focal_mm[k] if case.file_focal_mm else FOCAL_SHARE * FILM_MM
            exif.get_ifd(0x8769)[41989] = round(told)
            paths.append(Path(folder) / f"{k + 1}.jpg")
            Image.fromarray(pixels).convert("RGB").save(paths[-1], quality=92, exif=exif)
        facts = JobFacts(**{"part": "drawn", "thickness_mm": 3.0, **case.told})
        request = JobRequest(facts=facts, photos={"starboard": tuple(paths)}, card_set=shop_cards())
        try:
            return run_job(request, _kitchen())
        except SpilemarkError as error:
            return f"refused: {error.what}"


@cache
def _kitchen() -> Kitchen:
    return prepare(standard_recipe())


def cases(wanted: Callable[[str], bool]) -> Iterator[Case]:
    """All of them, each drawn only when its turn comes."""
    for name, cards, told, how in _one_bench():
        if wanted(name):
            for count in (1, 3):
                photos = tuple(draw(plane(v), cards, seed=v, **how) for v in range(count))
                yield Case(name=name, photos=photos, told=taped(cards, **told))
    for name, make in _BETWEEN.items():
        if wanted(name):
            yield make(name)


def _one_bench() -> Iterator[tuple[str, list[LaidCard], dict[str, Any], dict[str, Any]]]:
    """Name, cards, what is told beside the usual, how it is drawn."""
    every = laid()
    yield "nothing", every, {}, {}
    for told in (0.3, 5.0, 12.0, 30.0):
        yield f"thickness 3 told as {told:g}", every, {"thickness_mm": told}, {}
    yield "thickness 18 told as 3", every, {}, {"thick_mm": 18.0}
    yield "thickness 18 told", every, {"thickness_mm": 18.0}, {"thick_mm": 18.0}
    for mm in (3.0, 6.0):
        told = {"thickness_mm": mm}
        yield f"wall of {mm:g} mm as light as the face", every, told, {"thick_mm": mm, "wall": 0.44}
    slanted = {"thick_mm": 6.0, "foot_out_mm": 3.0}
    yield "wall slanting 3 mm out", every, {"thickness_mm": 6.0}, slanted
    for names, mm in (("ABCDEFGH", 3.0), ("AH", 6.0), ("ABCD", 1.5), ("EFGH", 4.0)):
        yield f"cards {names} on {mm:g} mm", mixed(names, base_mm=mm), {}, {}
    surfaces: dict[str, Surface] = {
        "toe 3 mm up": lambda p: 3 + 3 * np.maximum(0, p[:, 1] / 215) ** 2,
        "toe 8 mm up": lambda p: 3 + 8 * np.maximum(0, p[:, 1] / 215) ** 2,
        "tilted by 6 mm": lambda p: 6 + 3 * p[:, 1] / 215,
        "twisted by 3 mm": lambda p: 6 + 3 * p[:, 1] * p[:, 0] / 215**2,
        "pattern on a 3 mm strip": lambda p: np.full(len(p), 6.0),
    }
    for name, surface in surfaces.items():
        yield name, every, {}, {"surface": surface}
    twice = [*laid("ABCDEFG"), dataclasses.replace(laid("H")[0], card=laid("C")[0].card)]
    yield "two cards C", twice, {}, {}
    for names, by in (("BDFH", 0.995), ("BDFH", 0.97), ("AH", 1.004), ("AH", 0.97)):
        yield f"{names} printed at {by:g}", mixed(names, print_scale=(by, by)), {}, {}
    yield "printed at 0.97 across", laid(print_scale=(0.97, 1.0)), {"printed_bar_mm": None}, {}
    for bow in (1.5, 4.0):
        yield f"all cards bowed by {bow:g} mm", laid(bow_mm=bow), {}, {}
    for off in (1.0, 5.0, 60.0):
        yield f"tape {off:g} mm too long", every, {"off_mm": off}, {}


def _moved(name: str, by: tuple[float, float], turn_deg: float = 0.0) -> Case:
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    other = KNEE @ np.array([[c, s], [-s, c]]) + by
    photos = (draw(plane(0), laid()), draw(plane(1), laid(), other, seed=2))
    return Case(name=name, photos=photos, told=taped(laid()))


def _two_phones(name: str) -> Case:
    other = [plane(v, (0.13, -0.3), 0.72) for v in (1, 2)]
    photos = (draw(plane(0), laid()), *(draw(at, laid(), seed=k) for k, at in enumerate(other)))
    return Case(name=name, photos=photos, told=taped(laid()))


def _two_sizes(name: str) -> Case:
    small = [
        np.asarray(
            cv2.resize(draw(plane(v), laid(), seed=v), None, fx=0.5, fy=0.5, interpolation=3)
        )
        for v in (1, 2)
    ]
    return Case(name=name, photos=(draw(plane(0), laid()), *small), told=taped(laid()))


def _wide(name: str, told_mm: float) -> Case:
    photo = draw(plane(0, (-0.28, 0.09), 0.5), laid())
    return Case(name=name, photos=(photo,), told=taped(laid()), file_focal_mm=(told_mm,))


_BETWEEN: dict[str, Callable[[str], Case]] = {
    "pattern moved by 0.27 mm between photos": lambda n: _moved(n, (0.25, 0.1)),
    "pattern moved by 0.6 mm between photos": lambda n: _moved(n, (0.5, 0.3)),
    "pattern moved by 3 mm between photos": lambda n: _moved(n, (3.0, 1.0)),
    "pattern moved by 16 mm between photos": lambda n: _moved(n, (15.0, 6.0)),
    "pattern turned by 0.6 degrees between photos": lambda n: _moved(n, (0.0, 0.0), 0.6),
    "photos of two phones, told alike": _two_phones,
    "photos of two sizes": _two_sizes,
    "wide lens, file tells a main one": lambda n: _wide(n, 27.0),
    "wide lens, told": lambda n: _wide(n, 18.0),
}
