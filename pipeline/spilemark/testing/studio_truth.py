"""Truth files of rendered benchmark photos.

One JSON file per scene: ``pieces`` (outline, holes, centreline, corners in the
pattern frame: x to starboard, y forward, the pencil line on x = 0), ``photos``
(file and true camera), ``cards`` and ``user_input`` (what a person could have
measured, with a person's errors).
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np

from spilemark import lens as camera
from spilemark.errors import UnreadableInput
from spilemark.frames import signed_area, stored_to_upright
from spilemark.records import Floats, JobFacts
from spilemark.testing.bench import TrueCamera

Basis = Literal["taped", "bar", "nominal"]

BAR_SIGMA_MM = 0.05
"""How well a check bar is read off a steel rule: common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TruthPiece:
    """One pattern: pattern frame, millimetres."""

    side: str
    kind: str
    """"cut", or "scribed" where the outline is only drawn on a larger sheet."""
    rings_mm: tuple[Floats, ...]
    """Outer edge anticlockwise, then holes clockwise."""
    centreline_mm: Floats
    """(2, 2), aft end first."""
    corners_mm: Mapping[str, Floats]
    thickness_mm: float
    turn_rad: float
    place_mm: Floats
    """Pattern frame to bench: turn, then this shift (2,)."""
    warp: bool

    def on_bench(self, points: Floats) -> Floats:
        """Pattern frame to bench millimetres (N, 2)."""
        c, s = np.cos(self.turn_rad), np.sin(self.turn_rad)
        return np.asarray(np.asarray(points, float) @ np.array([[c, s], [-s, c]]) + self.place_mm)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TruthPhoto(TrueCamera):
    """One photo and its true camera."""

    path: Path
    expect: str
    """"measure", or "refuse" where no honest result is possible."""
    width_px: int
    height_px: int
    orientation: int

    def upright(self, stored_px: Floats) -> Floats:
        """Stored to upright pixels (N, 2)."""
        return stored_to_upright(stored_px, self.width_px, self.height_px, self.orientation)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TruthScene:
    """One truth file."""

    name: str
    note: str
    difficulty: str
    pieces: tuple[TruthPiece, ...]
    photos: tuple[TruthPhoto, ...]
    card_names: tuple[str, ...]
    cards_on: Literal["bench", "pattern"]
    print_scale: tuple[float, float]
    bar_mm: tuple[float, float] | None
    """Check bars as measured, brought to a nominal 100 mm."""
    distances: tuple[tuple[str, str, float, float], ...]
    thickness_mm: tuple[float, ...]
    """As measured, one per piece."""
    extra: Mapping[str, Any] = field(default_factory=dict)
    """The whole file, for what has no field here."""


def load_scenes(folder: Path) -> tuple[TruthScene, ...]:
    """All scenes of a folder: ``truth/*.json`` beside ``frames/``, or a single ``truth.json``.

    Raises
    ------
    UnreadableInput
        No truth file, or one that is not in this form.
    """
    files = sorted(folder.glob("truth/*.json")) or sorted(folder.glob("truth.json"))
    if not files:
        raise UnreadableInput(
            f"{folder} holds no truth/*.json and no truth.json.",
            "Name a folder of photos with truth, as the benchmarks' README describes.",
        )
    return tuple(scene for path in files for scene in _load_file(path, folder))


def _load_file(path: Path, folder: Path) -> list[TruthScene]:
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        # A file may hold one scene or several under "scenes".
        return [read_scene(scene, folder) for scene in data.get("scenes", [data])]
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise UnreadableInput(
            f"{path} is not a truth file: {error!r}.", "Render it again, or take it away."
        ) from error


def read_scene(data: Mapping[str, Any], folder: Path) -> TruthScene:
    """One scene from its parsed JSON; photos lie under ``folder``."""
    told = data["user_input"]
    bar = told.get("bar_measured_mm")
    nominal = float(told.get("bar_nominal_mm", 100.0))
    return TruthScene(
        name=data["scene"],
        note=data.get("note", ""),
        difficulty=data.get("difficulty", ""),
        pieces=tuple(_piece(p) for p in data["pieces"]),
        photos=tuple(_photo(p, folder) for p in data["photos"]),
        card_names=tuple(c["card"] for c in data["cards"]),
        cards_on="pattern" if any(c["on"] == "face" for c in data["cards"]) else "bench",
        print_scale=(float(data["print_scale_true"][0]), float(data["print_scale_true"][1])),
        bar_mm=None if bar is None else (bar[0] * 100.0 / nominal, bar[1] * 100.0 / nominal),
        distances=tuple(
            (d["cards"][0], d["cards"][1], float(d["read_mm"]), float(d["sigma_mm"]))
            for d in told.get("distances", ())
        ),
        thickness_mm=tuple(float(t) for t in told["thickness_mm"]),
        extra=data,
    )


def _piece(data: Mapping[str, Any]) -> TruthPiece:
    outer = np.asarray(data["outline_mm"], dtype=np.float64)
    holes = [np.asarray(h, dtype=np.float64) for h in data["holes_mm"]]
    line = np.asarray(data["centreline_mm"], dtype=np.float64)
    pose = data["pose_on_bench"]
    return TruthPiece(
        side=data["side"],
        kind=data["kind"],
        rings_mm=(_wound(outer, 1.0), *(_wound(h, -1.0) for h in holes)),
        centreline_mm=line[np.argsort(line[:, 1])],
        corners_mm={k: np.asarray(v, dtype=np.float64) for k, v in data["corners_mm"].items()},
        thickness_mm=float(data["thickness_mm"]),
        turn_rad=float(np.radians(pose["rot_deg"])),
        place_mm=np.asarray(pose["at_mm"], dtype=np.float64),
        warp=bool(data.get("warp")),
    )


def _wound(ring: Floats, sign: float) -> Floats:
    return ring if sign * signed_area(ring) > 0 else ring[::-1].copy()


def _photo(data: Mapping[str, Any], folder: Path) -> TruthPhoto:
    c = data["camera"]
    k1, k2, p1, p2, k3 = c["dist"]
    lens = [c["fx"], c["fy"] / c["fx"], c["cx"], c["cy"], k1, k2, p1, p2, k3]
    return TruthPhoto(
        path=folder / data["file"],
        expect=data.get("expect", "measure"),
        width_px=int(c["W"]),
        height_px=int(c["H"]),
        orientation=int(c.get("exif_orientation", 1)),
        lens=np.asarray(lens, dtype=np.float64),
        rotation_rad=camera.rotation_vector(np.asarray(c["R"], dtype=np.float64)),
        translation_mm=np.asarray(c["t"], dtype=np.float64),
    )


def outline_px(scene: TruthScene, photo: TruthPhoto, piece: int = 0) -> tuple[Floats, ...]:
    """Where the rings of a flat piece lie in a photo, stored pixels."""
    p = scene.pieces[piece]
    plane = photo.plane(p.thickness_mm)
    return tuple(camera.plane_to_pixels(p.on_bench(r), plane) for r in p.rings_mm)


def job_facts(scene: TruthScene, basis: Basis = "taped", **more: Any) -> JobFacts:
    """What the person of this scene would tell the program.

    Parameters
    ----------
    basis
        "taped": the first taped distance and the bars; "bar": the bars only;
        "nominal": neither.
    more
        Further fields of ``JobFacts``.
    """
    return JobFacts(
        thickness_mm=scene.thickness_mm[0],
        thickness_sigma_mm=0.05,
        cards_on=scene.cards_on,
        printed_bar_mm=None if basis == "nominal" else scene.bar_mm,
        distances=scene.distances[:1] if basis == "taped" else (),
        **more,
    )
