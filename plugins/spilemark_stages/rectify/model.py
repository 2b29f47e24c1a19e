"""Residuals of the joint solve and their derivatives.

The model is the one of a bundle adjustment with a planar, loosely arranged
test field: one lens per group with small changes per photo, one pose per photo,
a place, lift and bow per card, a print scale common to all cards, and measured
lengths as observations.  Every prior is a residual like any other, so that
each input keeps its identity in the error budget.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from spilemark.cards import Card
from spilemark.lens import LENS_NAMES, project_with_derivatives
from spilemark.records import Cause, Floats, Lens
from spilemark_stages.rectify.layout import CARD, POSE, Layout
from spilemark_stages.rectify.observations import Beliefs, Indices, PhotoObservation

LOOSE_MM = 30.0
"""How high a card may lie of which nothing is believed."""
OWN_PRINT = 0.1
"""How much larger or smaller than the others a card of another print may be, one sigma."""
_TIE_SIGMA_MM = 0.03
"""How well a card's drawn cross is its chessboard's centre; ties the solve to a measured length."""


@dataclass(frozen=True, slots=True)
class Priors:
    """Rows of the residual vector that are beliefs: weights @ (x - centre)."""

    weights: Floats
    """(M, P)"""
    centre: Floats
    """(P,)"""
    causes: tuple[Cause, ...]
    """M of them."""


def board_points(
    card: Card, which: Indices, scale: Floats, lift: float, bow: float, shear: float = 0.0
) -> Floats:
    """Crossings (N, 3) about the chessboard's centre, y up, mm as printed and as lying."""
    width, height = card.size_mm
    flat = (card.crossings_mm()[which] - [width / 2, height / 2]) * [1.0, -1.0]
    rise = lift + bow * (2 * flat[:, 0] / width) ** 2
    u, v = (flat * scale).T
    return np.column_stack([u + shear * v, v, rise])


def place_card(points: Floats, place: Floats) -> Floats:
    """Board points (N, 3) to the plane frame; ``place`` is x mm, y mm, turn rad."""
    c, s = np.cos(place[2]), np.sin(place[2])
    x = place[0] + c * points[:, 0] - s * points[:, 1]
    y = place[1] + s * points[:, 0] + c * points[:, 1]
    return np.column_stack([x, y, points[:, 2]])


def lens_of(x: Floats, layout: Layout, photos: Sequence[PhotoObservation], k: int) -> Floats:
    """Nine lens numbers (9,) of photo ``k``: its group's, with its own small change."""
    lens = x[layout.lens[photos[k].lens_group]].copy()
    if k in layout.drift:
        change = x[layout.drift[k]]
        lens[0] *= 1 + change[0]
        lens[2:4] += change[1:]
    return np.asarray(lens)


def pose_of(
    x: Floats, layout: Layout, photos: Sequence[PhotoObservation], k: int
) -> tuple[Floats, Floats]:
    """Rotation vector and translation (6,) of photo ``k`` and their derivatives (6, 6) by its unknowns.

    A scan looks straight down: only its turn, x and y are unknown.  Its
    rotation is half a turn about an axis in the plane, at half the turn's angle.
    """
    pose = x[layout.pose[k]]
    if not photos[k].is_scan:
        return pose, np.eye(POSE)
    half = -0.5 * pose[0]
    rotation = np.pi * np.array([np.cos(half), np.sin(half), 0.0])
    by = np.diag([0.0, 0.0, 0.0, 1.0, 1.0, 1.0])
    by[:3, 0] = 0.5 * np.pi * np.array([np.sin(half), -np.cos(half), 0.0])
    return np.concatenate([rotation, pose[3:]]), by


@dataclass(frozen=True, slots=True, eq=False)
class _Boards:
    """All crossings of a photo in one list: what of them never changes."""

    flat: Floats
    """(N, 2) about their own chessboard's centre, mm as designed, y up."""
    bend: Floats
    """(N,) share of its bow by which each rises."""
    card: Indices
    """(N,) number of the card in the photo."""
    measured: Floats
    """(N, 2) px"""
    whiten: Floats
    """(N, 1) 1 / px"""


@lru_cache(maxsize=64)
def _boards(photo: PhotoObservation) -> _Boards:
    flat, bend = [], []
    for seen in photo.cards:
        width, height = seen.card.size_mm
        flat.append((seen.card.crossings_mm()[seen.which] - [width / 2, height / 2]) * [1.0, -1.0])
        bend.append((2 * flat[-1][:, 0] / width) ** 2)
    return _Boards(
        flat=np.concatenate(flat),
        bend=np.concatenate(bend),
        card=np.repeat(np.arange(len(flat)), [len(points) for points in flat]),
        measured=np.concatenate([seen.points_px for seen in photo.cards]),
        whiten=1 / np.concatenate([seen.sigma_px for seen in photo.cards])[:, None],
    )


def photo_rows(
    x: Floats, layout: Layout, photos: Sequence[PhotoObservation], k: int
) -> tuple[Floats, Floats]:
    """Whitened residuals (2N,) of one photo and their derivatives (2N, P)."""
    photo = photos[k]
    lens, (pose, by_pose) = lens_of(x, layout, photos, k), pose_of(x, layout, photos, k)
    boards = _boards(photo)
    starts = np.array([layout.cards[photo.arm, seen.card.name].start for seen in photo.cards])
    first = starts[boards.card]
    at_x, at_y, turn, lift, bow = x[first[:, None] + np.arange(CARD)].T
    c, s = np.cos(turn), np.sin(turn)
    (across, along), shear = x[layout.print_scale], x[layout.print_shear]
    own = [layout.own_print.get((photo.arm, seen.card.name)) for seen in photo.cards]
    flat = boards.flat
    if any(own):
        flat = flat * np.array([1.0 if at is None else x[at] for at in own])[boards.card, None]
    v = flat[:, 1] * along
    u = flat[:, 0] * across + shear * v
    world = np.column_stack([at_x + c * u - s * v, at_y + s * u + c * v, lift + bow * boards.bend])
    pixels, by_view, by_point = project_with_derivatives(world, lens, pose[:3], pose[3:])

    rows = np.zeros((len(world), 2, layout.size))
    group = layout.lens[photo.lens_group]
    rows[:, :, group] = by_view[:, :, :9]
    if k in layout.drift:
        base = x[group][0]
        rows[:, :, group.start] *= 1 + x[layout.drift[k]][0]
        rows[:, :, layout.drift[k].start] = by_view[:, :, 0] * base
        rows[:, :, layout.drift[k].start + 1 : layout.drift[k].stop] = by_view[:, :, 2:4]
    rows[:, :, layout.pose[k]] = by_view[:, :, 9:15] @ by_pose
    # The board's own two ways, as they lie in the picture.
    by_u = by_point[:, :, 0] * c[:, None] + by_point[:, :, 1] * s[:, None]
    by_v = by_point[:, :, 1] * c[:, None] - by_point[:, :, 0] * s[:, None]
    each = np.arange(len(world))
    rows[each, :, first] = by_point[:, :, 0]
    rows[each, :, first + 1] = by_point[:, :, 1]
    rows[each, :, first + 2] = by_v * u[:, None] - by_u * v[:, None]
    rows[each, :, first + 3] = by_point[:, :, 2]
    rows[each, :, first + 4] = by_point[:, :, 2] * boards.bend[:, None]
    rows[:, :, layout.print_scale.start] = by_u * flat[:, :1]
    rows[:, :, layout.print_scale.start + 1] = (by_v + shear * by_u) * flat[:, 1:]
    rows[:, :, layout.print_shear] = by_u * v[:, None]
    for number, at in enumerate(own):
        if at is not None:
            here = boards.card == number
            grown = by_u[here] * u[here, None] + by_v[here] * v[here, None]
            rows[here, :, at] = grown / x[at]
    rows *= boards.whiten[:, :, None]
    residual = (pixels - boards.measured) * boards.whiten
    return residual.ravel(), rows.reshape(-1, layout.size)


def cross_place(x: Floats, layout: Layout, arm: str, card: Card) -> tuple[Floats, Floats]:
    """Place (2,) of a card's tape cross and its derivatives (2, P)."""
    at = layout.cards[arm, card.name]
    place, scale, shear = x[at], x[layout.print_scale], x[layout.print_shear]
    width, height = card.size_mm
    own = layout.own_print.get((arm, card.name))
    grown = 1.0 if own is None else float(x[own])
    flat = grown * (np.array(card.tape_cross_mm) - [width / 2, height / 2]) * [1.0, -1.0]
    v = flat[1] * scale[1]
    u = flat[0] * scale[0] + shear * v
    c, s = np.cos(place[2]), np.sin(place[2])
    by = np.zeros((2, layout.size))
    by[0, at.start] = by[1, at.start + 1] = 1.0
    by[:, at.start + 2] = [-s * u - c * v, c * u - s * v]
    by[:, layout.print_scale.start] = [c * flat[0], s * flat[0]]
    by[:, layout.print_scale.start + 1] = flat[1] * np.array([-s + shear * c, c + shear * s])
    by[:, layout.print_shear] = [c * v, s * v]
    if own is not None:
        by[:, own] = np.array([c * u - s * v, s * u + c * v]) / grown
    return np.array([place[0] + c * u - s * v, place[1] + s * u + c * v]), by


def length_rows(x: Floats, layout: Layout, cards: dict[str, Card]) -> tuple[Floats, Floats]:
    """Residuals (T,) and derivatives (T, P) that tie cards to measured lengths."""
    residual, rows = np.zeros(len(layout.ties)), np.zeros((len(layout.ties), layout.size))
    for k, (arm, length) in enumerate(layout.ties):
        a, by_a = cross_place(x, layout, arm, cards[length.cards[0]])
        b, by_b = cross_place(x, layout, arm, cards[length.cards[1]])
        gap = b - a
        distance = float(np.linalg.norm(gap))
        index = layout.length[length.id]
        residual[k] = (distance - x[index]) / _TIE_SIGMA_MM
        rows[k] = (gap / max(distance, 1e-9)) @ (by_b - by_a) / _TIE_SIGMA_MM
        rows[k, index] -= 1 / _TIE_SIGMA_MM
    return residual, rows


def gather_priors(layout: Layout, photos: Sequence[PhotoObservation], beliefs: Beliefs) -> Priors:
    """Everything that was believed beforehand, as rows of unit variance."""
    centre = np.zeros(layout.size)
    rows: list[Floats] = []
    causes: list[Cause] = []

    def believe(index: int, value: float, sigma: float, identity: str, kind: str) -> None:
        centre[index] = value
        row = np.zeros(layout.size)
        row[index] = 1 / sigma
        rows.append(row)
        causes.append(Cause(id=identity, kind=kind))

    for group, at in layout.lens.items():
        lens = next(photo.lens for photo in photos if photo.lens_group == group)
        centre[at] = lens.values
        for name, row_of_lens in zip(_lens_row_names(lens), _whitening(lens), strict=True):
            row = np.zeros(layout.size)
            row[at] = row_of_lens
            rows.append(row)
            causes.append(Cause(id=f"lens:{group}:{name}", kind="lens"))
    for k, at in layout.drift.items():
        name, shift = photos[k].name, beliefs.drift_centre_in(photos[k])
        believe(at.start, 0.0, beliefs.drift_f, f"focus:{name}", "lens")
        believe(at.start + 1, 0.0, shift, f"centre-x:{name}", "lens")
        believe(at.start + 2, 0.0, shift, f"centre-y:{name}", "lens")
    for (arm, card), at in layout.cards.items():
        who = f"{arm}:{card}"
        lying = "cards not lying flat"
        lift_sigma = LOOSE_MM if (arm, card) in beliefs.loose else beliefs.lift_sigma_mm
        believe(at.start + 3, beliefs.lift_mm, lift_sigma, f"lift:{who}", lying)
        believe(at.start + 4, beliefs.bow_mm, beliefs.bow_sigma_mm, f"bow:{who}", lying)
        if (arm, card) in layout.own_print:
            own = layout.own_print[arm, card]
            believe(own, 1.0, OWN_PRINT, f"own-print:{who}", "card print scale")
    centre[layout.print_scale] = beliefs.print_scale
    for weights, name in _print_rows(beliefs):
        row = np.zeros(layout.size)
        row[layout.print_scale] = weights
        rows.append(row)
        causes.append(Cause(id=f"print-scale-{name}", kind=beliefs.print_kind))
    believe(layout.print_shear, 0.0, beliefs.print_shear_sigma, "print-shear", beliefs.print_kind)
    for arm, at_height in layout.height.items():
        if arm in beliefs.heights:
            believe(at_height, *beliefs.heights[arm], f"face-height:{arm}", "face height")
    shared = next((at for arm, at in layout.height.items() if arm not in beliefs.heights), None)
    if shared is not None:
        believe(shared, beliefs.height_mm, beliefs.height_sigma_mm, "face-height", "face height")
    for length in {tie.id: tie for _, tie in layout.ties}.values():
        believe(layout.length[length.id], length.mm, length.sigma_mm, length.id, length.kind)
    return Priors(np.array(rows), centre, tuple(causes))


def _print_rows(beliefs: Beliefs) -> list[tuple[Floats, str]]:
    """What is believed of the print scale: rows on (across, along) of unit variance."""
    across, along = beliefs.print_sigma
    common = beliefs.print_common_sigma
    if common is None:
        return [(np.array([1 / across, 0.0]), "x"), (np.array([0.0, 1 / along]), "y")]
    return [
        (np.array([0.5, 0.5]) / common, "common"),
        (np.array([1.0, -1.0]) / across, "difference"),
    ]


def _whitening(lens: Lens) -> Floats:
    """Rows (9, 9) that turn the lens' covariance into the identity."""
    return np.asarray(np.linalg.inv(np.linalg.cholesky(lens.covariance)))


def _lens_row_names(lens: Lens) -> tuple[str, ...]:
    """Lens numbers by name where they are believed independently, else by count."""
    off_diagonal = lens.covariance - np.diag(np.diag(lens.covariance))
    return LENS_NAMES if not off_diagonal.any() else tuple(f"mode{k}" for k in range(9))
