"""A ring along an edge that hardly shows: found in long stretches, fair between its corners.

Where each centimetre of an edge says little, all of them together still say where
a fair line runs.  So the ring is cut at its corners, each piece is made fair, and
then moved as a whole by the evidence of stretches of some centimetres.
"""

from __future__ import annotations

import cv2
import numpy as np

from spilemark.lens import pixels_to_plane
from spilemark.records import Floats, PlaneMap
from spilemark_stages.trace.bridges import bridge
from spilemark_stages.trace.corners import (
    Meeting,
    Parabola,
    crossing,
    fit_parabola,
    pieces_between,
    turn_between,
)
from spilemark_stages.trace.edgemodel import grid
from spilemark_stages.trace.faint import BESIDE_PX, LEAST_TRUST, faint_evidence
from spilemark_stages.trace.fair_places import fair_places, off_arc
from spilemark_stages.trace.photometry import LinearPhoto
from spilemark_stages.trace.profiles import edge_evidence, placed, profiles, reading, stacked
from spilemark_stages.trace.rings import (
    blurred_ring,
    bridged,
    lengths_along,
    resample,
    right_normals,
    robust_fit,
)

STEP_PX = 4.0
SEARCHES_PX = (12.0, 6.0, 4.0)
"""How far pieces are moved at most, one time after the other."""
CORNER_GAP_MM = 4.0
"""How far from a corner such a ring is not to be believed."""
_STEADY_MM = 2.0
"""One sigma of a blur that takes single stretches' errors off before corners are sought."""
_FAIR_MM = 25.0
"""Half-width of the fit that makes a piece fair."""
_EVEN_MM = 1.0
_SIMPLE_MM = 2.5
"""How far a ring may be off its simplified form: more than its errors, less than a notch."""
_ONE_BEND_MM = 16.0
"""A corner that was cut short shows as two bends so near to one another."""
_LEAST_TURN_DEG = 25.0
_CUT_SHORT_MM = 15.0
_SIDE_MM = 28.0
"""Length of a side that says where it would meet the next one."""
_SHORTEST_MM = 5.0
_NOTCH_MM = 2.0
_SNAG_MM = 12.0
"""What leaves a fair line by more, for longer than this, is form and no error."""
_WINDOW_MM = 8.0
"""Half-width of the stretches."""
_PACE_PX = 0.5
_BLUR_PX = 1.2


def faint_pieces(ring: Floats, step: float) -> tuple[list[Floats], list[Meeting]]:
    """Fair pieces of a ring (N, 2), mm, between its corners; the whole ring where it has none."""
    even = resample(ring, _EVEN_MM, closed=True)
    steady = blurred_ring(even, _STEADY_MM / _EVEN_MM)
    corners = rough_corners(even, _EVEN_MM)
    if not corners:
        whole = resample(steady, step, closed=True)
        return [fair(whole, step, closed=True)], []
    bases = pieces_between(steady, corners, CORNER_GAP_MM, step)
    return [fair(b, step, closed=False) for b in bases], corners


def fair(base: Floats, spacing: float, *, closed: bool) -> Floats:
    """An evenly spaced line (N, 2), mm, without the wriggles of single stretches.

    A notch or a round that a fair line would cut off stays as it is.
    """
    reach = _FAIR_MM / spacing
    usable = np.ones(len(base), dtype=bool)
    out = [robust_fit(base[:, k], usable, reach, closed=closed, floor=0.1)[0] for k in (0, 1)]
    line = np.stack(out, axis=-1)
    far = ~np.isfinite(line).all(axis=1) | (np.linalg.norm(line - base, axis=1) > _NOTCH_MM)
    count = max(1, round(_SNAG_MM / spacing))
    kept = cv2.morphologyEx(
        far.astype(np.uint8)[None], cv2.MORPH_OPEN, np.ones((1, count), np.uint8)
    )
    return np.where(kept[0, :, None] > 0, base, np.where(np.isfinite(line), line, base))


def rough_corners(ring: Floats, spacing: float) -> list[Meeting]:
    """Corners of a ring (N, 2) that cuts them short: where its long sides would meet."""
    bends = _bends(ring, spacing)
    found: list[Meeting] = []
    for k, (first, last) in enumerate(bends):
        room_before = (first - bends[k - 1][1]) % len(ring) or len(ring)
        room_after = (bends[(k + 1) % len(bends)][0] - last) % len(ring) or len(ring)
        before = _side(ring, first, -1, room_before, spacing)
        after = _side(ring, last, 1, room_after, spacing)
        if before is None or after is None:
            continue
        middle = ring[(first + ((last - first) % len(ring)) // 2) % len(ring)]
        at = crossing(before, after, middle)
        if at is None or np.linalg.norm(at - middle) > _CUT_SHORT_MM:
            continue
        turn = turn_between(before, after, at)
        if abs(turn) >= _LEAST_TURN_DEG:
            index = int(np.linalg.norm(ring - at, axis=1).argmin())
            found.append(Meeting(index, at, before, after, turn))
    found.sort(key=lambda m: m.index)
    far = round(2 * CORNER_GAP_MM / spacing)
    kept = [m for k, m in enumerate(found) if (m.index - found[k - 1].index) % len(ring) > far]
    return kept if len(found) > 1 else found


def _bends(ring: Floats, spacing: float) -> list[tuple[int, int]]:
    """First and last index of each bend: corners of a simplified ring, those of one bend together."""
    rough = cv2.approxPolyDP(ring.astype(np.float32)[:, None], _SIMPLE_MM, closed=True)[:, 0]
    index = np.array([int(np.linalg.norm(ring - p, axis=1).argmin()) for p in rough])
    index = np.unique(index)
    if len(index) < 3:
        return []
    step = np.roll(ring[index], -1, axis=0) - ring[index]
    angle = np.arctan2(step[:, 1], step[:, 0])
    turn = np.degrees((angle - np.roll(angle, 1) + np.pi) % (2 * np.pi) - np.pi)
    out: list[tuple[int, int]] = []
    near = _ONE_BEND_MM / spacing
    for k, here in enumerate(index):
        if abs(turn[k]) < _LEAST_TURN_DEG / 2:
            continue
        # Two bends against each other are form only where they are a snag's length apart.
        room = near if turn[k] * turn[k - 1] > 0 else _SNAG_MM / spacing
        if out and here - out[-1][1] < room:
            out[-1] = (out[-1][0], int(here))
        else:
            out.append((int(here), int(here)))
    return out


def _side(ring: Floats, start: int, way: int, room: int, spacing: float) -> Parabola | None:
    """The curve of a ring before (``way`` -1) or behind (1) a bend, clear of it."""
    count = min(round(_SIDE_MM / spacing), room // 2)
    gap = min(round(CORNER_GAP_MM / spacing), count // 3)
    if (count - gap) * spacing < _SHORTEST_MM:
        return None
    index = (start + way * np.arange(gap, count)) % len(ring)
    points = ring[index if way > 0 else index[::-1]]
    weights = np.ones(len(points))
    for _ in range(4):
        curve = fit_parabola(points, weights, highest=2 if count * spacing > 20.0 else 1)
        t = np.array([curve.place(p) for p in points])
        off = np.linalg.norm(curve.at(t) - points, axis=1)
        weights = 1.0 / np.maximum(off / 0.3, 1.0) ** 2
    return curve


def moved_piece(
    photo: LinearPhoto,
    plane: PlaneMap,
    base: Floats,
    thickness_mm: float,
    search: float,
    *,
    closed: bool,
) -> Floats:
    """A fair piece (N, 2) of points about 4 px apart, moved to where its edge is likeliest."""
    where = grid(search + BESIDE_PX, search + BESIDE_PX, 1.0, search, _PACE_PX)
    samples = np.array(where.samples)
    line = placed(base, right_normals(base, closed=closed), plane, thickness_mm)
    values, inside = profiles(photo, line, samples)
    spacing = float(np.median(np.linalg.norm(np.diff(base, axis=0), axis=1)))
    reach = max(2, min(round(_WINDOW_MM / spacing), len(base) // 3))
    stride = max(1, reach // 3)
    means, weight = stacked(values, inside, reach, stride, closed=closed)
    how = reading(means, samples <= -search - 2.0, samples >= search + 4.0)
    # Grain that runs along the edge is uneven face: its evidence counts for less than little.
    evidence = how.light_trust[:, None] * edge_evidence(
        how, line.wall_px[::stride], where, _BLUR_PX, LEAST_TRUST
    )
    evidence += (1.0 - how.light_trust)[:, None] * faint_evidence(
        photo,
        line,
        inside,
        where,
        _BLUR_PX,
        reach,
        stride,
        closed=closed,
        sampled=(values, inside),
    )
    evidence[weight < 0.3] = 0.0
    usable = weight >= 0.3
    scale = line.mm_per_px[::stride]
    along = lengths_along(base, closed=closed)
    found = fair_places(
        evidence * stride / reach,
        np.array(where.shifts)[None, :] * scale[:, None],
        along[: len(base) : stride],
        float(along[-1]),
        off_arc(base, line.normals_mm, closed=closed)[::stride],
        closed=closed,
    )
    place = found.place_mm / scale
    at = np.arange(len(base)) / stride
    known = bridged(np.where(usable, place, np.nan), closed=closed)
    if closed:
        offsets = np.interp(at, np.arange(len(place)), known, period=len(base) / stride)
    else:
        offsets = np.interp(at, np.arange(len(place)), known)
    shifted = line.at_px + line.across_px * offsets[:, None]
    nearest = np.minimum((np.arange(len(base)) + stride // 2) // stride, len(place) - 1)
    points = pixels_to_plane(shifted, plane)
    return bridge(points, usable[nearest], spacing, closed=closed)
