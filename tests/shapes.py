"""Outlines with known causes, for the tests of several rooms.

A drawn shape (millimetres, boat frame) becomes an ``Outline`` as a tracer would
hand it on: laid anyhow on the bench, with a sigma per point and with the
sensitivities of a realistic set of causes.  Each cause is a displacement field
on the bench, so tests can also really move the points by it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from spilemark.frames import left_normals
from spilemark.lens import rotation_vector
from spilemark.records import (
    CameraFacts,
    Cause,
    Corner,
    Edge,
    Floats,
    JobFacts,
    Lens,
    Outline,
    Photo,
    PlaneMap,
    Polyline,
    StraightPhoto,
    View,
)
from spilemark.testing import shapes

Displacement = Callable[[Floats], Floats]


@dataclass(frozen=True)
class Field:
    """One cause: how far (N, 2), mm per sigma, it moves points (N, 2) of the bench."""

    cause: Cause
    displacement: Displacement
    outwards_mm: float = 0.0
    """Beside the field: every edge grows by this much."""


def _none(p: Floats) -> Floats:
    return np.zeros_like(p)


def _field(name: str, kind: str, displacement: Displacement, outwards_mm: float = 0.0) -> Field:
    return Field(Cause(id=name, kind=kind), displacement, outwards_mm)


def shared_fields() -> tuple[Field, ...]:
    """Causes that two patterns share: same cards, same lens, same light."""
    return (
        _field("print-scale-x", "card print scale", lambda p: 1e-3 * p * [1.0, 0.0]),
        _field("print-scale-y", "card print scale", lambda p: 1e-3 * p * [0.0, 1.0]),
        _field("tape:A-H", "taped distance", lambda p: 0.2 / 740.0 * p),
        _field("lens:k1", "lens", lambda p: 0.10 * (p / 300) * ((p / 300) ** 2).sum(1)[:, None]),
        _field("edge-bias", "edge bias", _none, 0.03),
    )


def own_fields(tag: str) -> tuple[Field, ...]:
    """Causes of one photo alone: noise of its crossings through the pose, height of the face."""
    foot = np.array([40.0, -25.0])
    return (
        _field(f"crossings:{tag}:0", "crossings", lambda p: 0.05 * (p / 300) * p[:, :1] / 300),
        _field(f"crossings:{tag}:1", "crossings", lambda p: 0.05 * (p / 300) * p[:, 1:] / 300),
        _field(f"crossings:{tag}:2", "crossings", lambda p: 0.04 * p[:, ::-1] / 300),
        _field(f"height:{tag}", "face height", lambda p: 0.1 / 900.0 * (p - foot)),
    )


def all_fields(tag: str) -> tuple[Field, ...]:
    return shared_fields() + own_fields(tag)


@dataclass(frozen=True)
class Drawn:
    """A drawn shape in its boat frame: the pencil line lies on x = 0."""

    ring_mm: Floats
    line_mm: Floats | None
    """(M, 2) from aft forward, or None."""
    holes_mm: tuple[Floats, ...] = ()

    def mirrored(self) -> Drawn:
        return Drawn(
            shapes.mirror(self.ring_mm),
            None if self.line_mm is None else self.line_mm * [-1.0, 1.0],
            tuple(shapes.mirror(h) for h in self.holes_mm),
        )


def knee(
    *,
    side: str = "port",
    step_mm: float = 1.0,
    line_mm: tuple[float, float] | None = (4.0, 120.0),
    clip_mm: float = 0.0,
    notch_mm: tuple[float, float, float] | None = None,
    bump_mm: tuple[float, float, float] | None = None,
    hole: bool = False,
    **sizes: float,
) -> Drawn:
    """A quarter knee with its pencil line.

    ``clip_mm`` cuts the outer corner of the hull arm's end; ``notch_mm`` is the
    middle's distance from the outer corner along the hull edge, its width and
    its depth; ``bump_mm`` likewise distance, height and width.
    """
    inboard = sizes.setdefault("line_inboard_mm", 100.0)
    hull = sizes.setdefault("hull_mm", 400.0)
    lean = np.radians(sizes.setdefault("angle_deg", 98.0))
    ring = shapes.quarter_knee(**sizes)
    corner = np.array([inboard, 0.0])
    along = np.array([-np.cos(lean), np.sin(lean)])
    if bump_mm is not None:
        ring = shapes.bulge(
            ring,
            at_mm=tuple(corner + bump_mm[0] * along),
            height_mm=bump_mm[1],
            width_mm=bump_mm[2],
        )
    if clip_mm:
        ring = cut(ring, corner + hull * along, clip_mm)
    if notch_mm is not None:
        ring = notch(ring, corner + notch_mm[0] * along, notch_mm[1], notch_mm[2])
    ring = even(ring, step_mm)
    line = None if line_mm is None else np.stack([np.zeros(24), np.linspace(*line_mm, 24)], -1)
    holes = (shapes.disc((40.0, 30.0), 9.0),) if hole else ()
    drawn = Drawn(ring, line, holes)
    return drawn.mirrored() if side == "port" else drawn


def cut(ring: Floats, near: Floats, size_mm: float) -> Floats:
    """Clip the corner of a ring nearest to ``near``."""
    k = int(np.argmin(np.linalg.norm(ring - near, axis=1)))
    turned = np.roll(ring, -k, 0)
    away = np.linalg.norm(turned - turned[0], axis=1)
    inside = away < size_mm
    first = int(np.argmin(inside))
    last = len(ring) - int(np.argmin(inside[::-1]))
    return turned[first:last]


def notch(ring: Floats, near: Floats, wide_mm: float, deep_mm: float) -> Floats:
    """A square notch in the edge about the point nearest to ``near``."""
    k = int(np.argmin(np.linalg.norm(ring - near, axis=1)))
    turned = np.roll(ring, -k, 0)
    keep = turned[np.linalg.norm(turned - turned[0], axis=1) > wide_mm / 2]
    behind, ahead = keep[-1], keep[0]
    along = (ahead - behind) / np.linalg.norm(ahead - behind)
    inward = deep_mm * np.array([-along[1], along[0]])
    return np.vstack([keep, behind + inward, ahead + inward])


def even(ring: Floats, step_mm: float) -> Floats:
    """Resample between true corners, so that corners stay sharp."""
    marks = corner_indices(ring)
    if not marks:
        return shapes.resample(np.vstack([ring, ring[:1]]), step_mm)[:-1]
    turned = np.roll(ring, -marks[0], 0)
    stops = [m - marks[0] for m in marks] + [len(ring)]
    closed = np.vstack([turned, turned[:1]])
    pieces = [shapes.resample(closed[a : b + 1], step_mm)[:-1] for a, b in pairwise(stops)]
    return np.vstack(pieces)


def corner_indices(ring: Floats, least_deg: float = 25.0) -> list[int]:
    """Points where a drawn ring turns at once by more than ``least_deg``."""
    step = np.roll(ring, -1, 0) - ring
    heading = np.arctan2(step[:, 1], step[:, 0])
    turn = np.degrees((heading - np.roll(heading, 1) + np.pi) % (2 * np.pi) - np.pi)
    return [int(k) for k in np.flatnonzero(np.abs(turn) > least_deg)]


def corners_of(ring: Floats) -> tuple[Corner, ...]:
    step = np.roll(ring, -1, 0) - ring
    heading = np.arctan2(step[:, 1], step[:, 0])
    turn = np.degrees((heading - np.roll(heading, 1) + np.pi) % (2 * np.pi) - np.pi)
    return tuple(Corner(index=k, angle_deg=float(180 - turn[k])) for k in corner_indices(ring))


def edges_of(ring: Floats, corners: Sequence[Corner]) -> tuple[Edge, ...]:
    edges = []
    for k, corner in enumerate(corners):
        stop = corners[(k + 1) % len(corners)].index
        span = np.arange(corner.index, stop + (len(ring) if stop <= corner.index else 0) + 1)
        points = ring[span % len(ring)]
        length = float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())
        chord = points[-1] - points[0]
        across = np.array([-chord[1], chord[0]]) / np.linalg.norm(chord)
        bow = float(np.abs((points - points[0]) @ across).max())
        edges.append(
            Edge(
                name=f"edge {k + 1}",
                start=corner.index,
                stop=stop,
                length_mm=length,
                straight=bow < 0.5,
            )
        )
    return tuple(edges)


def polyline(
    role: str, points: Floats, fields: Sequence[Field], *, sigma_mm: float, name: str = ""
) -> Polyline:
    """A measured line with the sensitivities of ``fields`` along its normal."""
    closed = role in ("edge", "hole")
    normals = left_normals(points, closed=closed) * (-1.0 if closed else 1.0)
    columns = [
        (normals * f.displacement(points)).sum(1) + (f.outwards_mm if closed else 0.0)
        for f in fields
    ]
    return Polyline(
        role=role,  # type: ignore[arg-type]
        points_mm=points,
        sigma_mm=np.full(len(points), sigma_mm),
        sensitivity_mm=np.stack(columns, -1) if columns else np.zeros((len(points), 0)),
        seen=np.ones(len(points), dtype=bool),
        name=name,
    )


def outline(
    drawn: Drawn,
    *,
    tag: str = "port",
    turn_rad: float = 0.0,
    shift_mm: tuple[float, float] = (0.0, 0.0),
    face_down: bool = False,
    fields: Sequence[Field] | None = None,
    sigma_mm: float = 0.02,
    noise_seed: int | None = None,
    views: tuple[View, ...] | None = None,
) -> Outline:
    """What a tracer hands on of a drawn shape that lies on the bench.

    The shape is turned over where ``face_down``, then turned and shifted; with
    ``noise_seed`` its points carry random errors of ``sigma_mm``.
    """
    cos, sin = np.cos(turn_rad), np.sin(turn_rad)
    flip = np.array([-1.0, 1.0]) if face_down else np.array([1.0, 1.0])

    def lay(points: Floats, *, reverse: bool) -> Floats:
        laid = (points * flip) @ np.array([[cos, sin], [-sin, cos]]) + np.asarray(shift_mm)
        return laid[::-1] if reverse and face_down else laid

    rng = None if noise_seed is None else np.random.default_rng(noise_seed)

    def noisy(points: Floats, *, closed: bool) -> Floats:
        if rng is None:
            return points
        normals = left_normals(points, closed=closed)
        return points + normals * rng.normal(0.0, sigma_mm, (len(points), 1))

    fields = all_fields(tag) if fields is None else fields
    exact = lay(drawn.ring_mm, reverse=True)
    corners = corners_of(exact)
    ring = polyline("edge", exact, fields, sigma_mm=sigma_mm)
    lines = [replace(ring, points_mm=noisy(exact, closed=True))]
    lines += [
        polyline("hole", lay(hole, reverse=True), fields, sigma_mm=sigma_mm)
        for hole in drawn.holes_mm
    ]
    if drawn.line_mm is not None:
        pencil = lay(drawn.line_mm, reverse=False)
        line = polyline("centreline", pencil, fields, sigma_mm=sigma_mm)
        lines.append(replace(line, points_mm=noisy(pencil, closed=False)))
    return Outline(
        polylines=tuple(lines),
        corners=corners,
        edges=edges_of(exact, corners),
        causes=tuple(f.cause for f in fields),
        views=(view(tag, causes=len(fields)),) if views is None else views,
    )


def measured(
    ring: Floats, corners: Sequence[Corner], sigma_mm: float, truth: Floats | None = None
) -> Outline:
    """A ring that is known alike all round, without causes and photos; edges as those of ``truth``."""
    return Outline(
        polylines=(polyline("edge", ring, (), sigma_mm=sigma_mm),),
        corners=tuple(corners),
        edges=edges_of(ring if truth is None else truth, corners),
        causes=(),
        views=(),
    )


def view(
    arm: str,
    *,
    orientation: int = 1,
    name: str | None = None,
    roll_rad: float = 0.1,
    tilt_rad: float = 0.15,
    height_mm: float = 3.0,
    causes: int = 0,
) -> View:
    """A 12 megapixel photo of the bench from 0.9 m, without its pixels."""
    blank = np.broadcast_to(np.uint8(0), (3024, 4032))
    photo = Photo(
        path=Path(name or f"{arm}.jpg"),
        sha256="0" * 64,
        pixels=blank,
        orientation=orientation,
        camera=CameraFacts(),
    )
    values = np.array([3000.0, 1.0, 2016.0, 1512.0, 0.05, -0.1, 0.0, 0.0, 0.0])
    lens = Lens(values=values, covariance=np.zeros((9, 9)), basis="drawn")
    cr, sr, ct, st = np.cos(roll_rad), np.sin(roll_rad), np.cos(tilt_rad), np.sin(tilt_rad)
    down = np.diag([1.0, -1.0, -1.0])
    tilt = np.array([[1.0, 0.0, 0.0], [0.0, ct, -st], [0.0, st, ct]])
    roll = np.array([[cr, -sr, 0.0], [sr, cr, 0.0], [0.0, 0.0, 1.0]])
    rotation = tilt @ down @ roll
    centre = -rotation.T @ np.array([0.0, 0.0, 900.0])
    plane = PlaneMap(
        lens=values,
        rotation_rad=rotation_vector(rotation),
        translation_mm=-rotation @ centre,
        height_mm=height_mm,
        gain=np.zeros((16, causes)),
    )
    return View(
        straight=StraightPhoto(photo=photo, lens=lens, lens_group="drawn", arm=arm),
        plane=plane,
        cards=(),
        residual_rms_px=0.05,
        card_hull_mm=np.array([[-400.0, -400.0], [400.0, -400.0], [400.0, 400.0], [-400.0, 400.0]]),
    )


def job(**facts: object) -> JobFacts:
    return JobFacts(**facts)  # type: ignore[arg-type]
