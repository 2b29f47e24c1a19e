"""Can a picture make it give a confident wrong number?  Real pipeline, changed pictures, exact truth.

    python benchmarks/picture_attacks.py [FOLDER ...] [--scenes NAME ...] [--only WORD ...]
    python benchmarks/picture_attacks.py --drawn [--only WORD ...]

Photos with truth (the sample ones where no folder is named) are changed as people,
phones and programs change them; with ``--drawn`` benches are drawn on which something
is amiss.  p95 and worst: error of what is called seen, after the best rigid fit of the
outer edge; claimed: median half-width of its own 95 % interval; within: share of the
edge inside that; said: notes that the unchanged photo does not have, "!" a warning.
"""

from __future__ import annotations

import argparse
import dataclasses
import tempfile
import warnings
from functools import partial
from pathlib import Path

import drawn_attacks
import engine
import numpy as np
import picture_bends as bends
import tables
from PIL import Image

from spilemark.errors import SpilemarkError
from spilemark.records import Floats, Side
from spilemark.results import JobResult
from spilemark.testing.metrics import Contour, Measured, measured, resample_with, score_fit
from spilemark.testing.studio_truth import TruthScene, load_scenes

NAN = float("nan")
HEAD = ["what was done", "scene", "p95", "worst", "claimed", "within %", "seen %", "said"]
SAMPLE = Path(__file__).parents[1] / "sample_images" / "quarter_knee"
PLAIN = "nothing"


def _s_curve(v: Floats) -> Floats:
    return np.asarray(0.5 + 0.5 * np.tanh(4 * (v - 0.5)) / np.tanh(2))


BENDS: dict[str, bends.Bend] = {
    PLAIN: bends.same,
    "lateral colour 0.1 %": partial(bends.colour_scaled, by=0.001),
    "lateral colour 0.3 %": partial(bends.colour_scaled, by=0.003),
    "colours 2 px apart": partial(bends.colour_shifted, px=2.0),
    "sharpened 2x within 2 px": partial(bends.sharpened, amount=2.0, radius=2.0),
    "sharpened 3x within 4 px": partial(bends.sharpened, amount=3.0, radius=4.0),
    "sharpened 1.5x within 12 px": partial(bends.sharpened, amount=1.5, radius=12.0),
    "local contrast": partial(bends.local_contrast, clip=4.0),
    "local contrast, strong": partial(bends.local_contrast, clip=16.0),
    "lighter midtones": partial(bends.toned, curve=lambda v: v**0.5),
    "darker midtones": partial(bends.toned, curve=lambda v: v**2.0),
    "S-shaped tone curve": partial(bends.toned, curve=_s_curve),
    "JPEG quality 30": partial(bends.jpeg, quality=30),
    "shrunk to 0.7 and back": partial(bends.through, share=0.7),
    "shrunk to 0.35 and back": partial(bends.through, share=0.35),
    "darker to 0.08 in the corners": partial(bends.vignetted, left=0.08),
    "moved 6 px while exposed": partial(bends.smeared, px=6, turn_deg=20.0),
    "moved 14 px while exposed": partial(bends.smeared, px=14, turn_deg=70.0),
    "rolling shutter, 3 px": partial(bends.rolling, px=3.0, waves=0.7),
    "rolling shutter, 6 px, shaken": partial(bends.rolling, px=6.0, waves=3.0),
    "stitched, 3 px apart": partial(bends.stitched, px=3.0),
    "stitched, 8 px apart": partial(bends.stitched, px=8.0),
    "stitched, 30 px apart": partial(bends.stitched, px=30.0),
    "mesh warp of 2 px": partial(bends.liquid, px=2.0, wave_px=1500.0),
    "mesh warp of 5 px": partial(bends.liquid, px=5.0, wave_px=2500.0),
    "one place pushed by 6 px": partial(bends.bulged, px=6.0, at=(0.5, 0.5), wide=0.08),
    "more barrel": partial(bends.bent, k1=-0.25, k2=0.08),
    "more pincushion": partial(bends.bent, k1=0.25),
    "straightened": partial(bends.tilted_sensor, by=0.2),
    "turned by 7 degrees": partial(bends.turned, deg=7.0),
    "squeezed by 1 %": partial(bends.squeezed, by=0.99),
    "squeezed by 5 %": partial(bends.squeezed, by=0.95),
    "out of focus on one side": partial(bends.half_blurred, px=10.0),
    "smoothed": bends.smoothed,
    "exposed twice as long": partial(bends.exposed, gain=2.0),
    "a tenth of the light": partial(bends.exposed, gain=0.1),
    "two exposures 4 px apart": partial(bends.doubled, px=4.0, share=0.4),
    "greasy lens": partial(bends.misted, share=0.35, wide=120.0),
    "six shades": partial(bends.few_colours, levels=6),
    "rows interlaced, 3 px": partial(bends.interlaced, px=3),
    "photo of a screen": bends.of_a_screen,
    "photo of a print": bends.of_a_print,
    "zoomed off the middle": partial(bends.enlarged, by=1.12, at=(0.5, 0.5)),
    "negative": bends.negative,
    "without colour": bends.grey,
    "yellow light": bends.tinted,
    "mirrored": lambda image: image[:, ::-1].copy(),
    "upside down": lambda image: image[::-1, ::-1].copy(),
}


def main() -> None:
    """Change, measure, judge; print each row as it comes, then the table."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("folders", nargs="*", type=Path)
    parser.add_argument("--drawn", action="store_true")
    parser.add_argument("--only", nargs="*", default=[], help="words of what was done")
    parser.add_argument("--scenes", nargs="*", help="names of scenes; default: all")
    told = parser.parse_args()
    warnings.simplefilter("ignore")
    rows = []
    for row in _drawn(told) if told.drawn else _changed(told):
        rows.append(row)
        print(*(tables.cell(v, 2) for v in row), sep=" | ", flush=True)
    print()
    tables.show(HEAD, rows, digits=2)


def _asked(name: str, told: argparse.Namespace) -> bool:
    return name == PLAIN or not told.only or any(word in name for word in told.only)


def _changed(told: argparse.Namespace):  # type: ignore[no-untyped-def]
    told.cards = told.recipe = None
    scenes = [s for folder in told.folders or [SAMPLE] for s in load_scenes(folder)]
    usual: dict[str, set[str]] = {}
    for name, bend in BENDS.items():
        for scene in scenes:
            if _asked(name, told) and (not told.scenes or scene.name in told.scenes):
                result = _run(scene, bend, told)
                if name == PLAIN and isinstance(result, JobResult):
                    usual[scene.name] = {note.code for note in result.notes}
                truth, side = scene.pieces[0].rings_mm, Side(scene.pieces[0].side)
                yield [
                    name,
                    scene.name,
                    *judged(result, side, truth, usual.get(scene.name, set())),
                ]


def _run(scene: TruthScene, bend: bends.Bend, told: argparse.Namespace) -> JobResult | str:
    """The scene's first photo, changed, saved as it came, measured; or why it was refused."""
    photo = scene.photos[0]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / photo.path.name
        with Image.open(photo.path) as stored:
            exif = stored.info.get("exif", b"")
            pixels = bend(np.asarray(stored.convert("RGB")))
        Image.fromarray(np.ascontiguousarray(pixels)).save(path, quality=95, exif=exif)
        arm = engine.arm_of(scene)
        photos = (dataclasses.replace(photo, path=path),)
        try:
            return engine.run({arm: (scene, photos)}, engine.basis_of(scene, "mixed"), told)
        except SpilemarkError as error:
            return f"refused: {error.what}"


def _drawn(told: argparse.Namespace):  # type: ignore[no-untyped-def]
    for case in drawn_attacks.cases(lambda name: _asked(name, told)):
        result = drawn_attacks.run(case)
        truth = judged(result, Side.STARBOARD, (case.ring_mm,), drawn_attacks.USUAL)
        yield [case.name, f"{len(case.photos)} photos", *truth]


def judged(
    result: JobResult | str, side: Side, truth: tuple[Floats, ...], usual: set[str]
) -> list[object]:
    """The figures of one row, from p95 on."""
    if isinstance(result, str):
        return [*[NAN] * 5, result[:110]]
    claim = measured(result.patterns[side].outline)
    assert claim.seen is not None
    assert claim.u95_mm is not None
    outer = Measured(rings=claim.rings[:1], seen=claim.seen[:1], u95_mm=claim.u95_mm[:1])
    score = score_fit(outer, truth[:1], unseen_allowed=1.0)
    ring = score.motion(claim.rings[0])
    points, seen = resample_with(ring, claim.seen[0].astype(float))
    error = np.abs(Contour(truth[:1]).nearest(points)[0])[seen > 0.999]
    warned = {note.code for note in result.notes if note.severity == "warn"}
    said = [
        code + "!" * (code in warned) for code in sorted({n.code for n in result.notes} - usual)
    ]
    if len(claim.rings) != len(truth):
        said.append(f"({len(claim.rings) - 1} of {len(truth) - 1} holes)")
    return [
        score.p95_mm,
        float(error.max()),
        score.u95_median_mm,
        score.coverage_percent,
        score.seen_percent,
        " ".join(said),
    ]


if __name__ == "__main__":
    main()
