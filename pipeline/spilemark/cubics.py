"""Cubic Bezier curves, and many of them fitted to runs of points at once.

Least-squares fitting with improved parameters after Schneider, "An Algorithm
for Automatically Fitting Digitized Curves" (Graphics Gems, 1990).  After the
first step only the error *across* the curve counts fully, the tangent-distance
step of Wang, Pottmann and Liu, "Fitting B-spline curves to point clouds by
curvature-based squared distance minimization" (ACM TOG 25(2), 2006), which
settles in a few rounds.

Arrays of S curves: control points (S, 4, 2), runs of points (S, M, 2),
parameters (S, M).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.linalg import spsolve

from spilemark.records import Bools, Floats

Indices = NDArray[np.intp]

_ALONG_WEIGHT = 0.01
"""Weight of the squared error along the curve: a point may slide for nearly nothing."""
_HELD = 1e6
"""Weight of what a curve must keep, against the weight of all its points."""


def bernstein(t: Floats) -> Floats:
    """Bernstein polynomials (..., 4) of degree three at parameters (...)."""
    s = 1 - t
    # Small arrays, thousands of times: filling one is twice as quick as stacking four.
    basis = np.empty((*t.shape, 4))
    ss, tt = s * s, t * t
    basis[..., 0] = ss * s
    basis[..., 1] = 3 * ss * t
    basis[..., 2] = 3 * s * tt
    basis[..., 3] = tt * t
    return basis


def curve_points(control: Floats, at: Floats) -> Floats:
    """Points (S, M, 2) of curves at parameters (S, M)."""
    return np.asarray(bernstein(at) @ control)


def curve_slopes(control: Floats, at: Floats) -> tuple[Floats, Floats]:
    """First and second derivative (S, M, 2) of curves by their parameter."""
    s = 1 - at
    d = 3 * (control[:, 1:] - control[:, :-1])
    square, line = np.empty((*at.shape, 3)), np.empty((*at.shape, 2))
    square[..., 0] = s * s
    square[..., 1] = 2 * s * at
    square[..., 2] = at * at
    line[..., 0] = 2 * s
    line[..., 1] = 2 * at
    return square @ d, line @ (d[:, 1:] - d[:, :-1])


def chord_parameters(runs: Floats) -> Floats:
    """First guess (S, M) of where on its curve each point belongs: its share of the way along."""
    steps = np.linalg.norm(np.diff(runs, axis=1), axis=2)
    along = np.cumsum(steps, axis=1)
    whole = np.maximum(along[:, -1:], 1e-12)
    return np.concatenate([np.zeros((len(runs), 1)), along / whole], axis=1)


def towards_foot(runs: Floats, control: Floats, at: Floats) -> Floats:
    """Parameters after one Newton step towards each point's foot on the curve, order kept."""
    apart = curve_points(control, at) - runs
    first, second = curve_slopes(control, at)
    steep = _dot(first, first)
    slope = np.maximum(steep + _dot(apart, second), 0.2 * steep + 1e-12)
    moved = np.clip(at - _dot(apart, first) / slope, 0.0, 1.0)
    moved[:, 0], moved[:, -1] = 0.0, 1.0
    return np.asarray(np.maximum.accumulate(moved, axis=1))


def offsets_across(runs: Floats, control: Floats, at: Floats) -> Floats:
    """Distance (S, M) of each point from its curve, measured across the curve, left positive."""
    apart = runs - curve_points(control, at)
    first, _second = curve_slopes(control, at)
    length = np.maximum(np.linalg.norm(first, axis=-1), 1e-12)
    return np.asarray((first[..., 0] * apart[..., 1] - first[..., 1] * apart[..., 0]) / length)


def fit_cubics(
    runs: Floats,
    *,
    ends: Floats,
    ends_held: Bools,
    tangents: Floats,
    tangents_held: Bools,
    rounds: int = 3,
) -> Floats:
    """Fit one cubic to each run.

    Parameters
    ----------
    runs : (S, M, 2), mm
    ends : (S, 2, 2), mm
        Where a curve begins and ends, if held there.
    ends_held : (S, 2)
    tangents : (S, 2, 2)
        Unit direction of travel at begin and end, if held.
    tangents_held : (S, 2)
    rounds : int
        Fits, each followed by better parameters.

    Returns
    -------
    (S, 4, 2)
        Control points.
    """
    origin = runs[:, :1]
    near = runs - origin
    at = chord_parameters(near)
    keep, aim = _conditions(near, ends - origin, ends_held, tangents, tangents_held)
    weight = np.broadcast_to(np.eye(2), (*at.shape, 2, 2))
    control = _solve(near, at, weight, keep, aim)
    for _ in range(rounds):
        at = towards_foot(near, control, at)
        control = _solve(near, at, _across(control, at), keep, aim)
    return control + origin


def fit_chain(
    runs: Floats,
    control: Floats,
    *,
    places: Indices,
    handles: Indices,
    points: Floats,
    exact: Bools,
    rounds: int = 2,
) -> Floats:
    """Improve cubics that share places and tangents, all at once.

    Two handles at a smooth joint lie on one line.  Within a round their
    lengths keep their ratio, which makes the fit linear; between rounds each
    curve finds its own lengths again.

    Parameters
    ----------
    runs : (S, M, 2), mm
    control : (S, 4, 2), mm
        A first fit that already has common places and tangents.
    places : (S, 2) of int
        Number of the place where each curve begins and ends; equal numbers are
        one place.
    handles : (S, 2) of int
        Likewise of the direction at begin and end.
    points : (P, 2), mm
        The measured point of each place; a place does not slide along the curve.
    exact : (P,)
        Places that are their points, such as corners.
    rounds : int

    Returns
    -------
    (S, 4, 2)
    """
    at = chord_parameters(runs)
    for _ in range(3):
        at = towards_foot(runs, control, at)
    for _ in range(rounds):
        normal, right = _normal_equations(runs, at, _across(control, at))
        control = _solve_chain(normal, right, control, places, handles, points, exact)
        at = towards_foot(runs, control, at)
        control = _own_lengths(runs, at, control)
        at = towards_foot(runs, control, at)
    return control


def _solve_chain(
    normal: Floats,
    right: Floats,
    control: Floats,
    places: Indices,
    handles: Indices,
    points: Floats,
    exact: Bools,
) -> Floats:
    """Best places and directions of a chain, handle lengths in their present ratios.

    A curve's control points are (J, J + a v, K - b w, K) with places J, K and
    directions v, w; a and b are the present lengths of its handles.
    """
    count, place_count = len(control), len(points)
    lengths = np.linalg.norm(control[:, [1, 3]] - control[:, [0, 2]], axis=2)
    lengths = np.maximum(lengths, 1e-6)
    turn = np.zeros((count, 8, 8))
    for xy in (0, 1):
        turn[:, [0 + xy, 2 + xy], 0 + xy] = 1.0
        turn[:, 2 + xy, 2 + xy] = lengths[:, 0]
        turn[:, [4 + xy, 6 + xy], 4 + xy] = 1.0
        turn[:, 4 + xy, 6 + xy] = -lengths[:, 1]
    matrix = turn.swapaxes(1, 2) @ normal @ turn
    vector = (turn.swapaxes(1, 2) @ right[:, :, None])[:, :, 0]
    ids = np.stack([places[:, 0], place_count + handles[:, 0]], -1)
    ids = np.concatenate([ids, places[:, 1:], place_count + handles[:, 1:]], axis=1)
    where = (2 * ids[:, :, None] + np.arange(2)).reshape(count, 8)
    strong = _HELD * float(np.abs(normal).max())
    keep = strong * _place_conditions(control, lengths, places, exact)
    own = 2 * np.arange(place_count)[:, None] + np.arange(2)
    size = 2 * (place_count + int(handles.max()) + 1)
    everywhere = np.arange(size)
    rows = (np.repeat(where, 8, axis=1), np.repeat(own, 2, axis=1), everywhere)
    columns = (np.tile(where, (1, 8)), np.tile(own, (1, 2)), everywhere)
    values = (matrix, keep, np.full(size, 1e-15 * strong))
    flat = [np.concatenate([part.ravel() for part in group]) for group in (values, rows, columns)]
    whole = coo_matrix((flat[0], (flat[1], flat[2])), shape=(size, size)).tocsc()
    sums = np.zeros(size)
    np.add.at(sums, where.ravel(), vector.ravel())
    sums[: 2 * place_count] += (keep @ points[:, :, None]).ravel()
    solved = np.asarray(spsolve(whole, sums))
    at_points = np.flatnonzero(np.repeat(exact, 2))
    solved[at_points] = points.ravel()[at_points]
    return np.asarray((turn @ solved[where][:, :, None])[:, :, 0].reshape(count, 4, 2))


def _place_conditions(control: Floats, lengths: Floats, places: Indices, exact: Bools) -> Floats:
    """What holds each place (P, 2, 2): both ways at a corner, else along the curve only."""
    along = np.zeros((len(exact), 2))
    along[places[:, 1]] = (control[:, 3] - control[:, 2]) / lengths[:, 1:]
    along[places[:, 0]] = (control[:, 1] - control[:, 0]) / lengths[:, :1]
    return np.where(exact[:, None, None], np.eye(2), _outer(along))


def _own_lengths(runs: Floats, at: Floats, control: Floats) -> Floats:
    """Each curve's best handle lengths along the directions it has."""
    basis = bernstein(at)
    begin, end = control[:, 1] - control[:, 0], control[:, 2] - control[:, 3]
    rest = runs - basis[..., :2].sum(-1, keepdims=True) * control[:, None, 0]
    rest -= basis[..., 2:].sum(-1, keepdims=True) * control[:, None, 3]
    weight = _across(control, at)
    design = np.stack([basis[..., 1:2] * begin[:, None], basis[..., 2:3] * end[:, None]], axis=-1)
    weighted = weight @ design
    normal = np.einsum("smik,smil->skl", design, weighted)
    normal = normal + 1e-9 * (1.0 + np.trace(normal, axis1=1, axis2=2))[:, None, None] * np.eye(2)
    amounts = np.linalg.solve(normal, np.einsum("smik,smi->sk", weighted, rest)[:, :, None])
    inner = control[:, [0, 3]] + np.maximum(amounts, 0.05) * np.stack([begin, end], axis=1)
    return np.stack([control[:, 0], inner[:, 0], inner[:, 1], control[:, 3]], axis=1)


def _conditions(
    runs: Floats, ends: Floats, ends_held: Bools, tangents: Floats, tangents_held: Bools
) -> tuple[Floats, Floats]:
    """Normal equations (S, 8, 8), (S, 8) of what must be kept, and a faint pull to a plain curve.

    A tangent is held by its normal: the inner control point may move along
    the tangent only.
    """
    count, size = len(runs), runs.shape[1]
    keep = np.zeros((count, 4, 2, 4, 2))
    aim = np.zeros((count, 4, 2))
    for end, outer, inner in ((0, 0, 1), (1, 3, 2)):
        held = _HELD * size * ends_held[:, end, None, None] * np.eye(2)
        keep[:, outer, :, outer, :] += held
        aim[:, outer] += np.einsum("sij,sj->si", held, ends[:, end])
        normal = np.stack([-tangents[:, end, 1], tangents[:, end, 0]], axis=-1)
        square = _HELD * size * tangents_held[:, end, None, None] * _outer(normal)
        keep[:, outer, :, outer, :] += square
        keep[:, inner, :, inner, :] += square
        keep[:, outer, :, inner, :] -= square
        keep[:, inner, :, outer, :] -= square
    plain = runs[:, :1] + (runs[:, -1:] - runs[:, :1]) * (np.arange(4) / 3)[None, :, None]
    faint = 1e-8 * size
    keep = keep.reshape(count, 8, 8) + faint * np.eye(8)
    return keep, (aim + faint * plain).reshape(count, 8)


def _solve(runs: Floats, at: Floats, weight: Floats, keep: Floats, aim: Floats) -> Floats:
    """Control points from points, parameters and a weight (S, M, 2, 2) of each point's error."""
    normal, right = _normal_equations(runs, at, weight)
    solved = np.linalg.solve(normal + keep, (right + aim)[:, :, None])
    return np.asarray(solved.reshape(len(runs), 4, 2))


def _normal_equations(runs: Floats, at: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Weighted normal equations (S, 8, 8), (S, 8) of the control points."""
    count = len(runs)
    basis = bernstein(at)
    pairs = (basis[..., :, None] * basis[..., None, :]).reshape(*at.shape, 16)
    flat = weight.reshape(*at.shape, 4)
    normal = (pairs.swapaxes(1, 2) @ flat).reshape(-1, 4, 4, 2, 2).swapaxes(2, 3)
    pulled = (weight @ runs[..., None])[..., 0]
    right = basis.swapaxes(1, 2) @ pulled
    return normal.reshape(count, 8, 8), right.reshape(count, 8)


def _across(control: Floats, at: Floats) -> Floats:
    """Weight (S, M, 2, 2) that counts the error across the curve and hardly the one along it."""
    first, _second = curve_slopes(control, at)
    first /= np.maximum(np.sqrt(_dot(first, first)), 1e-12)[..., None]
    return np.asarray(np.eye(2) - (1 - _ALONG_WEIGHT) * _outer(first))


def well_behaved(control: Floats) -> NDArray[np.bool_]:
    """Which curves (S,) have neither loop nor cusp: handles point forward and are not overlong."""
    chord = control[:, 3] - control[:, 0]
    length = np.linalg.norm(chord, axis=1)
    good = np.isfinite(control).all(axis=(1, 2))
    for handle in (control[:, 1] - control[:, 0], control[:, 3] - control[:, 2]):
        good &= np.linalg.norm(handle, axis=1) < 1.5 * length
        good &= _dot(handle, chord) > -0.2 * length**2
    return np.asarray(good)


def _outer(vectors: Floats) -> Floats:
    """Products (..., 2, 2) of plane vectors with themselves."""
    x, y = vectors[..., 0], vectors[..., 1]
    product = np.empty((*vectors.shape, 2))
    product[..., 0, 0] = x * x
    product[..., 0, 1] = product[..., 1, 0] = x * y
    product[..., 1, 1] = y * y
    return product


def _dot(a: Floats, b: Floats) -> Floats:
    """Scalar products (...) of plane vectors (..., 2)."""
    return np.asarray(a[..., 0] * b[..., 0] + a[..., 1] * b[..., 1])
