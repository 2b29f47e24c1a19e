"""First values for the joint solve, from nothing but the crossings and the lens prior.

Each card alone gives two candidate poses of the camera (the planar two-fold
ambiguity; Collins & Bartoli, "Infinitesimal Plane-Based Pose Estimation", IJCV
109, 2014, as implemented in OpenCV).  Every candidate plane is tried on all
other cards: on the true one they keep their printed shape.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from spilemark.errors import NoScale
from spilemark.lens import (
    SCAN_DISTANCE_MM,
    rotation_matrix,
    rotation_vector,
    undistort_pixels,
)
from spilemark.records import Floats
from spilemark_stages.rectify.layout import Layout, gauge_card
from spilemark_stages.rectify.model import Priors, board_points
from spilemark_stages.rectify.observations import CardObservation, PhotoObservation

_TRIED_CARDS = 4
_FEWEST_IN_LINE = 2
"""Cards of two rows needed: one line of crossings leaves the tilt about it open."""


@dataclass(frozen=True, slots=True)
class _Placing:
    """A pose and where the cards then lie on z = 0."""

    rotation: Floats
    translation: Floats
    places: dict[str, Floats]
    cost: float


def first_values(layout: Layout, photos: Sequence[PhotoObservation], priors: Priors) -> Floats:
    """Vector of unknowns (P,) good enough for the solve to converge from."""
    x = priors.centre.copy()
    done: dict[str, dict[str, Floats]] = {}
    for k, photo in enumerate(photos):
        if photo.is_scan:
            x[layout.lens[photo.lens_group]][0] = _scan_focal(photo, x[layout.print_scale])
            placing = _on_the_glass(photo, x[layout.lens[photo.lens_group]], x[layout.print_scale])
        else:
            placing = _best_placing(photo, x[layout.print_scale])
        known = done.setdefault(photo.arm, {})
        origin = gauge_card(photos, photo.arm)
        if not known and origin not in placing.places:
            known[next(iter(placing.places))] = np.zeros(3)
        turn, shift = _onto(placing.places, known or {origin: np.zeros(3)})
        spin = rotation_matrix(np.array([0.0, 0.0, turn]))
        rotation = placing.rotation @ spin.T
        x[layout.pose[k]][:3] = [-turn, 0.0, 0.0] if photo.is_scan else rotation_vector(rotation)
        x[layout.pose[k]][3:] = placing.translation - rotation @ [*shift, 0.0]
        for name, place in placing.places.items():
            moved = np.array([*(spin[:2, :2] @ place[:2] + shift), place[2] + turn])
            if name not in known:
                known[name] = moved
                x[layout.cards[photo.arm, name]][:3] = moved
    return x


def places_in(photo: PhotoObservation, scale: Floats) -> dict[str, Floats]:
    """Where the cards of one photo lie, by themselves: x mm, y mm, turn rad, by letter.

    A first guess, some percent off, in a frame of the photo's own.
    """
    if not photo.is_scan:
        return _best_placing(photo, scale).places
    lens = photo.lens.values.copy()
    lens[0] = _scan_focal(photo, scale)
    return _on_the_glass(photo, lens, scale).places


def _onto(places: dict[str, Floats], known: dict[str, Floats]) -> tuple[float, Floats]:
    """Turn and shift that carry this photo's cards onto those already placed."""
    shared = [name for name in places if name in known]
    if not shared:
        return 0.0, np.zeros(2)
    turns = [known[name][2] - places[name][2] for name in shared]
    turn = float(np.angle(np.mean(np.exp(1j * np.array(turns)))))
    c, s = np.cos(turn), np.sin(turn)
    spin = np.array([[c, -s], [s, c]])
    return turn, np.mean([known[name][:2] - spin @ places[name][:2] for name in shared], axis=0)


def _best_placing(photo: PhotoObservation, scale: Floats) -> _Placing:
    """The candidate plane on which all cards of the photo keep their shape best."""
    ideal = [undistort_pixels(seen.points_px, photo.lens.values) for seen in photo.cards]
    boards = [board_points(seen.card, seen.which, scale, 0.0, 0.0) for seen in photo.cards]
    order = np.argsort([-len(seen.which) for seen in photo.cards])[:_TRIED_CARDS]
    placings = [
        _try_plane(rotation, translation, ideal, boards, photo.cards)
        for k in order
        for rotation, translation in _candidates(photo, photo.cards[k], boards[k], ideal[k], scale)
    ]
    if not placings:
        raise NoScale(
            f"The only card measured in {photo.name} shows a single row of crossings, which"
            " cannot tell how the phone was tilted.",
            "Lay at least two cards beside the pattern, turned against each other.",
        )
    return min(placings, key=lambda p: p.cost)


def _scan_focal(photo: PhotoObservation, scale: Floats) -> float:
    """Focal length (pixels a mm, as seen from afar) of a scan, by the size of its cards."""
    sizes = []
    for seen in photo.cards:
        board = board_points(seen.card, seen.which, scale, 0.0, 0.0)[:, :2]
        points = seen.points_px / [1.0, photo.lens.values[1]]
        spread = np.linalg.norm(board - board.mean(0))
        sizes.append(float(np.linalg.norm(points - points.mean(0)) / spread))
    return float(np.median(sizes)) * SCAN_DISTANCE_MM


def _on_the_glass(photo: PhotoObservation, lens: Floats, scale: Floats) -> _Placing:
    """The one pose of a scan: from straight above, its own frame's turn."""
    rotation, translation = np.diag([1.0, -1.0, -1.0]), np.array([0.0, 0.0, SCAN_DISTANCE_MM])
    ideal = [undistort_pixels(seen.points_px, lens) for seen in photo.cards]
    boards = [board_points(seen.card, seen.which, scale, 0.0, 0.0) for seen in photo.cards]
    return _try_plane(rotation, translation, ideal, boards, photo.cards)


def _candidates(
    photo: PhotoObservation, seen: CardObservation, board: Floats, ideal: Floats, scale: Floats
) -> list[tuple[Floats, Floats]]:
    """Both poses of the planar ambiguity."""
    if not seen.flat:
        if seen.hint_px is None or len(photo.cards) < _FEWEST_IN_LINE:
            return []
        half = np.array(seen.card.size_mm) / 2 * scale
        corners = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) * half
        board = np.column_stack([corners, np.zeros(4)])
        ideal = undistort_pixels(seen.hint_px, photo.lens.values)
    _, rotations, translations, _ = cv2.solvePnPGeneric(
        board.reshape(-1, 1, 3), ideal.reshape(-1, 1, 2), np.eye(3), None, flags=cv2.SOLVEPNP_IPPE
    )
    return [
        (rotation_matrix(np.ravel(r)), np.ravel(t).astype(np.float64))
        for r, t in zip(rotations, translations, strict=True)
    ]


def _try_plane(
    rotation: Floats,
    translation: Floats,
    ideal: list[Floats],
    boards: list[Floats],
    cards: Sequence[CardObservation],
) -> _Placing:
    """Drop all crossings onto the plane and lay each card on its own, turned and shifted to fit."""
    centre = -rotation.T @ translation
    points = np.concatenate(ideal)
    ray = np.c_[points, np.ones(len(points))] @ rotation
    plane = centre[:2] - ray[:, :2] * (centre[2] / ray[:, 2])[:, None]
    seen = plane @ [1.0, 1.0j]
    board = np.concatenate(boards)[:, :2] @ [1.0, 1.0j]
    count = np.array([len(b) for b in boards])
    first = np.concatenate([[0], np.cumsum(count)[:-1]])
    middle, own = np.add.reduceat(seen, first) / count, np.add.reduceat(board, first) / count
    off, about = seen - np.repeat(middle, count), board - np.repeat(own, count)
    turn = np.angle(np.add.reduceat(np.conj(about) * off, first))
    spin = np.exp(1j * turn)
    shift = middle - spin * own
    misfit = np.minimum(np.abs(off - np.repeat(spin, count) * about), 50.0)
    places = {
        c.card.name: np.array([at.real, at.imag, by])
        for c, at, by in zip(cards, shift, turn, strict=True)
    }
    return _Placing(rotation, translation, places, float(misfit.mean()))
