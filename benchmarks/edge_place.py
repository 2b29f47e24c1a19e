"""Edge place: what the black edges of the cards tell of how a pattern's edge is shifted.

    python benchmarks/edge_place.py FOLDER [--only SCENE ...]

Each photo is measured as it is and again with other tones, as cameras and
filters make them.  Cards: how far black edges are seen towards the white.
Edge: how far the traced edge lies outside of the true one, through the *true*
camera, so that nothing of scale, lens or lay is in it; both in px, medians.
The change from the photo as it is has next to no noise: it is the same scene.
"claim" is the doubt of where edges are seen, one sigma, px, that the tracer
used, "warned" whether it said so.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import engine
import numpy as np
import tables
from PIL import Image

from spilemark.errors import SpilemarkError
from spilemark.frames import outward_normals
from spilemark.lens import mm_per_px_across, pixels_to_plane, plane_to_pixels
from spilemark.records import Floats, Outline, Side, View
from spilemark.rigid import apply, inverse
from spilemark.testing.metrics import Contour
from spilemark.testing.studio_truth import TruthScene
from spilemark_stages.trace.cut_edge import Options
from spilemark_stages.trace.edge_shift import shift_of
from spilemark_stages.trace.outlines import SAWN_EDGE_MM

AS_IS = "as it is"
_FARTHEST_PX = 3.0
"""What lies farther off is no shift but another edge."""
_SIDE = 1.3
"""One side of an edge is the darker one from this ratio of light on."""


def to_light(code: Floats) -> Floats:
    """The sRGB curve undone."""
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


def to_code(light: Floats) -> Floats:
    """The sRGB curve."""
    low = np.clip(light, 0.0, 1.0)
    return np.where(low <= 0.0031308, low * 12.92, 1.055 * low ** (1 / 2.4) - 0.055)


def contrast(code: Floats) -> Floats:
    """An S over all tones."""
    return code - 0.09 * np.sin(2 * np.pi * code)


def sharpened(code: Floats) -> Floats:
    """An unsharp mask of full strength."""
    return code + (code - cv2.GaussianBlur(code, (0, 0), 1.1))


def out_of_focus(code: Floats) -> Floats:
    """Blurred in light, then an S over all tones."""
    light = np.asarray(to_light(code), np.float32)
    return contrast(to_code(cv2.GaussianBlur(light, (0, 0), 1.3)))


TONES: dict[str, Callable[[Floats], Floats]] = {
    AS_IS: lambda code: code,
    "darker (code to the power of 1.3)": lambda code: code**1.3,
    "lighter (code to the power of 0.75)": lambda code: code**0.75,
    "flat (black and white lifted, lowered)": lambda code: 0.12 + 0.76 * code,
    "contrast": contrast,
    "whites clipped (1.4 times the light)": lambda code: to_code(1.4 * to_light(code)),
    "sharpened": sharpened,
    "out of focus, contrast": out_of_focus,
}


@dataclass(frozen=True, slots=True)
class Seen:
    """One photo in one tone."""

    scene: str
    tone: str
    lighter: bool
    """Whether the pattern is lighter than its bench."""
    card_px: float
    edge_px: float
    claim_px: float
    warned: bool


def main() -> None:
    """Measure, print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    engine.add_arguments(parser)
    told = parser.parse_args()
    found: list[Seen] = []
    for scene in engine.scenes_of(told):
        for tone in TONES:
            try:
                one = _seen(scene, tone, told)
            except SpilemarkError as error:
                print(f"{scene.name}, {tone}: {error.what}")
                continue
            if one is None:
                break
            found.append(one)
            print(f"{one.scene}, {tone}: cards {one.card_px:+.3f}, edge {one.edge_px:+.3f}")
    for lighter in (True, False):
        part = [one for one in found if one.lighter == lighter]
        if part:
            print(f"\nPatterns {'lighter' if lighter else 'darker'} than their bench, px")
            _print(part)
    _correlations([one for one in found if one.lighter])


def _seen(scene: TruthScene, tone: str, told: argparse.Namespace) -> Seen | None:
    """One photo measured in one tone; None of a drawn line, which has no bright side."""
    piece, photo = scene.pieces[0], scene.photos[0]
    with tempfile.TemporaryDirectory() as folder, Image.open(photo.path) as image:
        code = np.asarray(image.convert("RGB"), np.float32) / 255
        changed = np.clip(np.round(255 * TONES[tone](code)), 0, 255).astype(np.uint8)
        path = Path(folder) / photo.path.name
        Image.fromarray(changed).save(path, quality=93, exif=image.info.get("exif", b""))
        arm = engine.arm_of(scene)
        shown = {arm: (scene, (replace(photo, path=path),))}
        result = engine.run(shown, engine.basis_of(scene, "mixed"), told)
    pattern = result.patterns[Side(piece.side)]
    if pattern.outline.drawn_width_mm is not None:
        return None
    view = result.survey.views[0]
    true = photo.plane(piece.thickness_mm)
    contour = Contour([piece.on_bench(ring) for ring in piece.rings_mm])
    ring = pattern.outline.ring
    on_bench = apply(inverse(pattern.map), ring.points_mm)
    at = pixels_to_plane(plane_to_pixels(on_bench[ring.seen], view.plane), true)
    away, foot, normal = contour.nearest(at)
    px = away / mm_per_px_across(at, normal, true)
    inside, outside = (
        np.median(_light(code, plane_to_pixels(foot + step * normal, true))) for step in (-1.5, 3.0)
    )
    if max(inside, outside) < _SIDE * min(inside, outside):
        return None
    shift = shift_of(view)
    return Seen(
        scene=scene.name,
        tone=tone,
        lighter=bool(inside > outside),
        card_px=float("nan") if shift is None else shift[0],
        edge_px=float(np.median(px[np.abs(px) < _FARTHEST_PX])),
        claim_px=_claimed_px(pattern.outline, on_bench, view),
        warned=any(note.code == "edges-shifted" for note in result.notes),
    )


def _claimed_px(outline: Outline, on_bench: Floats, view: View) -> float:
    """Doubt of where edges are seen, px, by the outline's own table; what is no doing of tones left out."""
    columns = [k for k, cause in enumerate(outline.causes) if cause.id.startswith("edge-place")]
    place = np.linalg.norm(outline.ring.sensitivity_mm[:, columns], axis=1)
    shaded = any(note.code == "dark-on-light" for note in outline.notes)
    other = np.hypot(SAWN_EDGE_MM, Options().shade_mm if shaded else 0.0)
    optical = np.sqrt(np.maximum(place**2 - other**2, 0.0))
    return float(
        np.median(optical / mm_per_px_across(on_bench, outward_normals(on_bench), view.plane))
    )


def _light(code: Floats, at_px: Floats) -> Floats:
    whole = np.clip(np.round(at_px).astype(int), 0, [code.shape[1] - 1, code.shape[0] - 1])
    return to_light(code[whole[:, 1], whole[:, 0]]).mean(axis=-1)


def _print(found: list[Seen]) -> None:
    plain = {one.scene: one for one in found if one.tone == AS_IS}
    head = ["tones", "n", "cards", "change", "edge", "change", "from", "to", "edge rms", "claim"]
    head += ["edge rms / claim", "warned"]
    rows: list[list[object]] = []
    for tone in TONES:
        part = [one for one in found if one.tone == tone and one.scene in plain]
        if not part:
            continue
        card, edge, claim = (
            np.array([getattr(one, name) for one in part])
            for name in ("card_px", "edge_px", "claim_px")
        )
        by_card, by_edge = _changes(part, plain)
        square = float(np.sqrt((edge**2).mean()))
        ratio = float(np.sqrt(((edge / claim) ** 2).mean()))
        rows.append(
            [tone, len(part), float(card.mean()), float(by_card.mean()), float(edge.mean())]
            + [float(by_edge.mean()), float(by_edge.min()), float(by_edge.max()), square]
            + [float(claim.mean()), ratio, f"{sum(one.warned for one in part)} of {len(part)}"]
        )
    tables.show(head, rows)


def _changes(part: list[Seen], plain: dict[str, Seen]) -> tuple[Floats, Floats]:
    """Changes from the photo as it is, of cards and of edges."""
    card = np.array([one.card_px - plain[one.scene].card_px for one in part])
    return card, np.array([one.edge_px - plain[one.scene].edge_px for one in part])


def _correlations(found: list[Seen]) -> None:
    """How far the cards' change foretells the edges', over all tones and over two kinds of them."""
    plain = {one.scene: one for one in found if one.tone == AS_IS}
    curves = list(TONES)[1:4]
    kinds = {
        "all": lambda tone: tone != AS_IS,
        "darker, lighter, flat": lambda tone: tone in curves,
        "contrast, clipped, sharpened": lambda tone: tone != AS_IS and tone not in curves,
    }
    print("\nChange of the edge against change on the cards, patterns lighter than their bench")
    rows: list[list[object]] = []
    for kind, wanted in kinds.items():
        part = [one for one in found if wanted(one.tone) and one.scene in plain]
        card, edge = _changes(part, plain)
        if len(card) < 3:
            continue
        slope = float(card @ edge / max(float(card @ card), 1e-12))
        rms = (float(np.sqrt((values**2).mean())) for values in (card, edge))
        rows.append([kind, len(card), float(np.corrcoef(card, edge)[0, 1]), slope, *rms])
    tables.show(["tones", "n", "correlation", "px of edge a px", "cards rms", "edge rms"], rows)


if __name__ == "__main__":
    main()
