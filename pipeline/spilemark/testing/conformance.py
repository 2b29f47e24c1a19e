"""Does a plug-in do its stage?  One check a stage, on drawn photos whose truth is known.

::

    from spilemark.testing.conformance import check_plugin

    def test_my_tracer(tmp_path):
        check_plugin("trace", "my-tracer", folder=tmp_path)

The plug-in must be installed, or be handed over as loaded plug-ins.  It is set
into the shipped recipe in place of the one for its stage; a whole job then runs
on two drawn photos of a pair of knees of which starboard is 3 mm fuller in one
place, and what the stage handed on is held against what was drawn.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from spilemark.cards import shop_cards
from spilemark.conductor import run_job
from spilemark.frames import signed_area
from spilemark.hookspecs import STAGES, WRITERS
from spilemark.lens import plane_to_pixels
from spilemark.plugins import Plugins, load_plugins
from spilemark.recipe import Recipe, equip, standard_recipe
from spilemark.records import Floats, JobFacts, RegisteredPattern, Side, Verdict
from spilemark.results import JobRequest, JobResult
from spilemark.testing import shapes
from spilemark.testing.bench import LaidCard
from spilemark.testing.scenes import DrawnScene, Look, draw_scene, simple_plane

THICKNESS_MM = 0.5
"""Of card: the drawing has no cut walls, which would show on thicker stock."""
BUMP_MM, BUMP_WIDE_MM, BUMP_AT_MM = 3.0, 60.0, 240.0
"""Starboard's planted difference: height, width, and distance from the outer corner along the hull."""
_SIZE = (2400, 1800)
_MM_PER_PX = 0.4
_CARDS = {
    "A": (-330.0, -140.0, 90.0),
    "B": (-40.0, -275.0, 2.0),
    "C": (330.0, -120.0, 93.0),
    "D": (310.0, 190.0, 60.0),
    "E": (-120.0, 150.0, 40.0),
    "F": (-330.0, 120.0, 85.0),
}
"""x, y (mm) and turn (degrees) on the bench."""
_LIES_AT = np.array([65.0, -198.0])


class NotConforming(AssertionError):
    """A plug-in does not do what its stage promises; the text says what and by how much."""


@dataclass(frozen=True, slots=True, eq=False)
class Bench:
    """Two drawn photos and what is true of them."""

    photos: dict[str, tuple[Path, ...]]
    scenes: dict[Side, DrawnScene]
    rings_mm: dict[Side, Floats]
    """On the bench."""
    facts: JobFacts


def draw_bench(folder: Path) -> Bench:
    """Draw a port and a starboard photo into a folder, as PNG."""
    from PIL import Image

    scenes = _drawn()
    photos: dict[str, tuple[Path, ...]] = {}
    lines, ahead = {}, {}
    for side, scene in scenes.items():
        path = folder / f"drawn_{side}.png"
        Image.fromarray(scene.photo.pixels).save(path)
        photos[str(side)] = (path,)
        line = np.array([[0.0, 5.0], [0.0, 110.0]]) + _shift(side)
        lines[str(side)] = tuple(float(v) for v in plane_to_pixels(line, scene.plane).ravel())
        beyond = plane_to_pixels(line[1:] + [0, 200], scene.plane)[0]
        ahead[str(side)] = tuple(float(v) for v in beyond)
    crosses = {n: np.array([x, y]) for n, (x, y, _) in _CARDS.items()}
    facts = JobFacts(
        boat="drawn",
        part="quarter knee",
        thickness_mm=THICKNESS_MM,
        thickness_sigma_mm=0.05,
        distances=(("A", "C", float(np.linalg.norm(crosses["A"] - crosses["C"])), 0.1),),
        centreline_px=lines,  # type: ignore[arg-type]
        forward_px=ahead,  # type: ignore[arg-type]
        face={"port": "up", "starboard": "up"},
    )
    rings = {side: scene.rings_mm[0] for side, scene in scenes.items()}
    return Bench(photos, scenes, rings, facts)


@lru_cache(maxsize=1)
def _drawn() -> dict[Side, DrawnScene]:
    """Both scenes; drawn once in a process."""
    starboard = shapes.quarter_knee()
    corner = np.array([100.0, 0.0])
    lean = np.radians(98.0)
    along = np.array([-np.cos(lean), np.sin(lean)])
    at = corner + BUMP_AT_MM * along
    bumped = shapes.bulge(
        starboard, at_mm=(float(at[0]), float(at[1])), height_mm=BUMP_MM, width_mm=BUMP_WIDE_MM
    )
    laid = {Side.PORT: shapes.mirror(starboard), Side.STARBOARD: bumped}
    scenes = {}
    for side, ring in laid.items():
        plane = simple_plane(
            width_px=_SIZE[0],
            height_px=_SIZE[1],
            mm_per_px=_MM_PER_PX,
            height_mm=THICKNESS_MM,
            azimuth_deg=-70.0 if side is Side.PORT else 120.0,
        )
        rings = [ring + _shift(side)]
        scenes[side] = draw_scene(
            rings, plane, _SIZE, cards=scene_cards(side), look=Look(noise=1.0)
        )
    return scenes


def _shift(side: Side) -> Floats:
    """From the pattern's own place to where it lies on the bench."""
    return _LIES_AT * ([-1.0, 1.0] if side is Side.PORT else [1.0, 1.0])


def _laid(name: str, at_mm: tuple[float, float], turn_deg: float) -> LaidCard:
    return LaidCard(
        card=next(card for card in shop_cards().cards if card.name == name),
        centre_mm=np.asarray(at_mm),
        turn_rad=float(np.radians(turn_deg)),
        base_mm=0.0,
        lift_mm=0.1,
        bow_mm=0.0,
        print_scale=(1.0, 1.0),
        shear=0.0,
    )


def check_plugin(
    stage: str,
    name: str,
    *,
    folder: Path,
    options: Mapping[str, Any] | None = None,
    plugins: Plugins | None = None,
) -> JobResult:
    """Run a job with one plug-in in place of the shipped one, and judge what it handed on.

    Parameters
    ----------
    stage : str
        One of ``spilemark.hookspecs.STAGES``.
    name : str
        The plug-in's name, as in its entry point.
    folder : Path
        For drawn photos and written files; an empty one.
    options : mapping, optional
        As a recipe's table ``[stage.name]``.
    plugins : Plugins, optional
        Default: all that are installed.

    Returns
    -------
    JobResult
        For checks of your own.

    Raises
    ------
    NotConforming
        With what is wrong, and by how much.
    UsageError, PluginError
        It is not installed, cannot be loaded, or breaks a promise of its hook.
    """
    if stage not in STAGES:
        raise ValueError(f'"{stage}" is no stage; stages are {", ".join(STAGES)}')
    shipped = standard_recipe()
    recipe = Recipe(
        stages={**shipped.stages, stage: (name,)},
        options={(stage, name): dict(options or {})},
    )
    kitchen = equip(recipe, plugins or load_plugins(only=recipe.names))
    bench = draw_bench(folder)
    before = {path: path.read_bytes() for (path,) in bench.photos.values()}
    request = JobRequest(facts=bench.facts, photos=bench.photos, card_set=shop_cards())
    result = run_job(request, kitchen)
    for path, content in before.items():
        _must(path.read_bytes() == content, f"{path.name} was changed: photos are never touched")
    _CHECKS[stage](bench, result)
    if stage in WRITERS:
        _written(kitchen, stage, name, result, folder)
    return result


def _must(good: bool, words: str) -> None:
    if not good:
        raise NotConforming(words)


def _read(bench: Bench, result: JobResult) -> None:
    for side, scene in bench.scenes.items():
        photo = result.photos[str(side)][0].photo
        grey = photo.pixels if photo.pixels.ndim == 2 else photo.pixels[..., 0]
        _must(grey.shape == scene.photo.pixels.shape, f"{side}: pixels must stay as stored")
        _must(bool(np.array_equal(grey, scene.photo.pixels)), f"{side}: pixels must not be changed")
        _must(len(photo.sha256) == 64, f"{side}: sha256 must be the file's own, 64 hex digits")


def _undistorted(bench: Bench, result: JobResult) -> None:
    for side, scene in bench.scenes.items():
        lens = result.photos[str(side)][0].lens
        spread = np.sqrt(np.diag(lens.covariance))
        off = abs(float(np.log(lens.values[0] / scene.plane.lens[0])))
        _must(
            bool(off < 4 * spread[0] / lens.values[0] + 0.3),
            f"{side}: the focal length is {100 * off:.0f} % off and its doubt does not say so",
        )
        values = np.linalg.eigvalsh(lens.covariance)
        _must(bool(values.min() > -1e-9 * values.max()), f"{side}: the covariance must be one")


def _rectified(bench: Bench, result: JobResult) -> None:
    for view, side in zip(result.survey.views, bench.scenes, strict=True):
        found = {card.name: card.cross_mm for card in view.cards}
        _must(set(found) == set(_CARDS), f"{side}: cards found are {sorted(found)}, drawn A to F")
        true = {laid.card.name: laid.cross_world[:2] for laid in scene_cards(side)}
        names = sorted(true)
        for one, other in ((a, b) for a in names for b in names if a < b):
            off = np.linalg.norm(found[one] - found[other]) - np.linalg.norm(
                true[one] - true[other]
            )
            _must(bool(abs(off) < 0.3), f"{side}: {one}-{other} is {off:+.2f} mm off")


def scene_cards(side: Side) -> list[LaidCard]:
    """The cards as they lie in one of the drawn photos."""
    mirrored = -1.0 if side is Side.PORT else 1.0
    return [_laid(name, (mirrored * x, y), turn) for name, (x, y, turn) in _CARDS.items()]


def _traced(bench: Bench, result: JobResult) -> None:
    for side, true in bench.rings_mm.items():
        (outline, *_) = result.outlines[str(side)]
        ring = outline.ring.points_mm
        _must(signed_area(ring) > 0, f"{side}: the ring must run anticlockwise")
        off = _after_fit(ring, true)
        p95 = float(np.quantile(off, 0.95))
        _must(p95 < 0.3, f"{side}: 95 % of the outline must lie within 0.3 mm; it is {p95:.2f}")
        _must(outline.seen_fraction > 0.97, f"{side}: only {outline.seen_fraction:.0%} seen")
        _must(float(outline.ring.sigma_mm.min()) > 0, f"{side}: every point needs a sigma")


def _registered(bench: Bench, result: JobResult) -> None:
    for side in bench.scenes:
        pattern = result.patterns[side]
        before = result.outlines[str(side)][0].ring.points_mm
        after = pattern.outline.ring.points_mm
        off = float(np.abs(_spans(before) - _spans(after)).max())
        _must(off < 1e-6, f"{side}: shape must stay as traced; a length changed by {off:.2g} mm")
        lines = pattern.outline.of_role("centreline")
        _must(len(lines) == 1, f"{side}: the reference line that was given is missing")
        lean = float(np.ptp(lines[0].points_mm[:, 0]))
        _must(lean < 0.05, f"{side}: the reference line must run along y; x varies by {lean:.2f}")
        _must(lines[0].points_mm[-1, 1] > lines[0].points_mm[0, 1], f"{side}: the line runs aft")
        outboard = float(after[:, 0].mean()) * (-1 if side is Side.PORT else 1)
        wide = float(np.ptp(after[:, 0]))
        _must(outboard > -0.5 * wide, f"{side}: the pattern lies on the wrong side of its line")


def _mirrored(_: Bench, result: JobResult) -> None:
    assert result.comparison is not None
    given = result.patterns[Side.STARBOARD]
    found: RegisteredPattern = result.comparison.starboard_mirrored
    _must(not found.measured, "a mirrored copy must not say that it was measured")
    ring, copy = given.outline.ring.points_mm, found.outline.ring.points_mm
    _must(signed_area(copy) > 0, "a mirrored ring must still run anticlockwise")
    flipped = {tuple(p) for p in np.round(ring * [-1.0, 1.0], 6)}
    _must({tuple(p) for p in np.round(copy, 6)} == flipped, "x must change sign, y must stay")


def _compared(_: Bench, result: JobResult) -> None:
    comparison = result.comparison
    assert comparison is not None
    best = next((one for one in comparison.alignments if one.datum == "best fit"), None)
    _must(best is not None, 'among the alignments must be "best fit"')
    assert best is not None
    stations = best.stations
    different = [s for s in stations if s.verdict is Verdict.DIFFERENT]
    _must(bool(different), f"starboard's bump of {BUMP_MM:g} mm was not found")
    largest = max(different, key=lambda s: abs(s.gap_mm))
    _must(largest.gap_mm > 0, "a fuller starboard has a positive gap")
    _must(
        abs(largest.gap_mm - BUMP_MM) < largest.u95_mm + 0.5,
        f"the bump of {BUMP_MM:g} mm was measured as {largest.gap_mm:.1f}",
    )
    far = [s for s in different if abs(s.gap_mm) > BUMP_MM / 2 and not _near_bump(s.at_mm, result)]
    _must(not far, f"differences were found where none is: {[s.at_mm for s in far]}")


def _near_bump(at_mm: tuple[float, float], result: JobResult) -> bool:
    pattern = result.patterns[Side.PORT]
    assert pattern.origin_corner is not None
    corner = pattern.outline.ring.points_mm[pattern.outline.corners[pattern.origin_corner].index]
    away = float(np.linalg.norm(np.asarray(at_mm) - corner))
    return abs(away - BUMP_AT_MM) < BUMP_WIDE_MM


def _nothing_more(_: Bench, __: JobResult) -> None:
    """A writer is judged by its files."""


def _written(kitchen: Any, stage: str, name: str, result: JobResult, folder: Path) -> None:
    """Write twice: files of the same bytes, in the folder that was given and nowhere else."""
    from spilemark.template import build_templates

    out, again = folder / "written", folder / "written again"
    given: list[tuple[str, Any, str]] = [("result", result, "")]
    if stage == "write_template":
        given = [("template", template, template.name) for template in build_templates(result)]
    for home in (out, again):
        home.mkdir()
    stood = {p for p in folder.rglob("*") if not {out, again} & {*p.parents}}
    options = kitchen.options[stage, name]
    for argument, value, part in given:
        paths, copies = (
            kitchen.plugins.call(stage, name, **{argument: value}, folder=home, options=options)
            for home in (out, again)
        )
        _must(bool(paths), "no file was handed on")
        for path, copy in zip(paths, copies, strict=True):
            _must(path.is_file() and path.stat().st_size > 0, f"{path.name} is not there or empty")
            _must(out in path.parents, f"{path} was written outside of the folder that was given")
            _must(part in path.name, f"{path.name} does not say which part it is")
            _must(path.read_bytes() == copy.read_bytes(), f"{path.name} differs when made again")
    _must(
        {p for p in folder.rglob("*") if not {out, again} & {*p.parents}} == stood,
        "files were written beside the folder that was given",
    )


def _spans(ring: Floats) -> Floats:
    """Sorted distances between points a third of the ring apart: unchanged by any rigid map."""
    third = len(ring) // 3
    return np.sort(np.linalg.norm(ring - np.roll(ring, third, axis=0), axis=1))


def _after_fit(ring: Floats, true: Floats) -> Floats:
    """Distances (N,) of a ring from the true one after the best turn and shift."""
    from shapely import LinearRing, distance, points

    from spilemark.testing.metrics import fit_rigid

    motion = fit_rigid([ring], [true])
    return np.asarray(distance(points(motion(ring)), LinearRing(true)))


_CHECKS: dict[str, Callable[[Bench, JobResult], None]] = {
    "read_source": _read,
    "undistort": _undistorted,
    "rectify": _rectified,
    "trace": _traced,
    "register": _registered,
    "mirror": _mirrored,
    "compare": _compared,
    "write_template": _nothing_more,
    "write_job": _nothing_more,
}
