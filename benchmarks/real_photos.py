"""Edge place, straightness and pitch, as real photographs of a printed grid show them.

    python benchmarks/real_photos.py FOLDER

FOLDER holds photos of grids of coded squares and a description of each grid
(``tag_grid.py`` says in which words).  Nothing in it need be known in absolute
size: the side of a tag against its pitch is free of the printer's scale.

Borders: how far the black rims of the tags are seen towards the white from
where the tags' centres (or the crossings at their corners) put them; mm on the
print, px in the photo; once in light, as the tracer reads edges, and once in
values as coded.  Ink that spread is in it; one distance does not tell it from
what blur and tone curve do.  Intervals: bootstrap over tags.

Held out: lens, poses and print are solved from half of the points; the other
half is compared with where that solve, with its own covariance, puts it.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import tables
import tag_grid
from printed_edges import where_seen
from tag_grid import Grid, GridCard, SeenGrid

from spilemark.errors import SpilemarkError
from spilemark.lens import project, project_with_derivatives
from spilemark.records import Floats, JobFacts
from spilemark.testing.metrics import bootstrap
from spilemark_stages.rectify.model import board_points, photo_rows, place_card
from spilemark_stages.rectify.observations import Beliefs, CardObservation, PhotoObservation
from spilemark_stages.rectify.solve import Solution, solve
from spilemark_stages.trace import cut_edge
from spilemark_stages.trace.photometry import LinearPhoto
from spilemark_stages.undistort import exif_prior

ARM = "single"
_SIGMA_PX = 0.06
"""Expected error of a crossing or a centre; the solve finds the true one."""
_INSIDE_95 = 5.991
"""Chi-square, two degrees of freedom."""
Numbers = tuple[float, float, float]


def main() -> None:
    """Measure every grid in a folder, print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("folder", type=Path, help="photos of grids, and a description of each")
    told = parser.parse_args()
    grids = tag_grid.grids_in(told.folder)
    if not grids:
        parser.error(f"no *config.json in {told.folder} describes a grid")
    for grid, paths in grids:
        seen = _looked_at(grid, paths)
        kind = "crossings at their corners" if grid.joined else "centres"
        print(
            f"\n{grid.columns} x {grid.rows} tags, side {grid.side_mm:.3f} mm, gap"
            f" {grid.gap_mm:.3f} mm, {len(seen)} photos; by {kind}"
        )
        if seen:
            _print_borders(seen)
            _print_held_out(seen)


def _looked_at(grid: Grid, paths: Sequence[Path]) -> list[SeenGrid]:
    seen = []
    for path in paths:
        try:
            seen.append(tag_grid.look(tag_grid.read(path), grid))
        except SpilemarkError as error:
            print(f"left out: {error.what}")
    return seen


# How the joint solve is asked


def observation(seen: SeenGrid, k: int, rows: Floats | None = None) -> PhotoObservation:
    """One photo for the joint solve; ``rows`` picks some of its points."""
    pick = np.arange(len(seen.which)) if rows is None else rows
    straight = exif_prior.undistort(
        seen.photo, ARM, JobFacts(boat="", part=""), exif_prior.Options()
    )
    card = CardObservation(
        card=tag_grid.card_of(seen.grid),
        which=seen.which[pick],
        points_px=seen.points_px[pick],
        sigma_px=np.full(len(pick), _SIGMA_PX),
    )
    return PhotoObservation(
        name=f"{k}:{seen.photo.path.name}",
        arm=ARM,
        lens_group=straight.lens_group,
        lens=straight.lens,
        width_px=seen.photo.width_px,
        height_px=seen.photo.height_px,
        cards=(card,),
    )


def grid_to_pixels(solution: Solution, k: int, card: GridCard, flat_mm: Floats) -> Floats:
    """Places (N, 2) of a grid, its own mm with y down, in photo ``k``, px."""
    world = _in_the_plane(solution, card, flat_mm)
    numbers = solution.views[k].numbers
    return project(world, numbers[:9], numbers[9:12], numbers[12:15])


def _in_the_plane(solution: Solution, card: GridCard, flat_mm: Floats) -> Floats:
    place = solution.places[ARM, card.name]
    width, height = card.size_mm
    flat = (flat_mm - [width / 2, height / 2]) * [1.0, -1.0]
    u, v = (flat * solution.print_scale).T
    rise = place[3] + place[4] * (2 * flat[:, 0] / width) ** 2
    return place_card(np.column_stack([u + solution.print_shear * v, v, rise]), place)


# Borders


@dataclass(frozen=True, slots=True, eq=False)
class Borders:
    """Sides of the tags of one photo, four a tag."""

    light_px: Floats
    """(T, 4) towards the white, from where the centres put them."""
    coded_px: Floats
    """(T, 4)"""
    px_per_mm: Floats
    """(T, 4) across the side."""

    @property
    def shift_mm(self) -> Floats:
        """Of ``light_px`` (T, 4) on the print."""
        return self.light_px / self.px_per_mm


def borders(seen: SeenGrid, solution: Solution, k: int) -> Borders:
    """Where the rims of the tags are seen, from where a solve puts them."""
    card = tag_grid.card_of(seen.grid)
    flat = np.array([seen.grid.corners_mm(tag) for tag in seen.tags])
    wider = flat + (flat - flat.mean(axis=1, keepdims=True)) * (0.5 / seen.grid.side_mm)
    corners, beyond = (
        grid_to_pixels(solution, k, card, p.reshape(-1, 2)).reshape(-1, 4, 2) for p in (flat, wider)
    )
    lines = tag_grid.side_lines(corners, tag_grid.clear_px(seen.grid, corners))
    # A tag 0.5 mm wider has its sides a quarter of a millimetre farther out.
    moved = 0.5 * (beyond - corners + np.roll(beyond - corners, -1, axis=1)).reshape(-1, 2)
    scale = np.einsum("ni,ni->n", moved, lines.across_px) / 0.25
    light, coded = (
        where_seen(photo, lines).reshape(-1, 4)
        for photo in (LinearPhoto(seen.photo.pixels), tag_grid.CodedPhoto(seen.photo.pixels))
    )
    good = np.isfinite(light).all(axis=1) & np.isfinite(coded).all(axis=1)
    return Borders(light[good], coded[good], scale.reshape(-1, 4)[good])


def _print_borders(seen: Sequence[SeenGrid]) -> None:
    solution = solve([observation(s, k) for k, s in enumerate(seen)], Beliefs())
    found = [borders(s, solution, k) for k, s in enumerate(seen)]
    head = ["photo", "tags", "px/mm", "towards white px", "from", "to", "mm", "from", "to"]
    head += ["as coded px", "from", "to"]
    rows: list[list[object]] = []
    for s, b in zip(seen, found, strict=True):
        figures = [with_interval(v) for v in (b.light_px, b.shift_mm, b.coded_px)]
        flat = [number for figure in figures for number in figure]
        rows.append(
            [_short(s), len(b.light_px), round(float(np.median(b.px_per_mm)), 2), *flat],
        )
    print("\nBlack borders, from where centres or crossings put them")
    tables.show(head, rows)
    means = np.array([b.light_px.mean() for b in found])
    coded = np.array([b.coded_px.mean() for b in found])
    believed = cut_edge.Options().edge_bias_px
    rms, rms_coded = (float(np.sqrt((v**2).mean())) for v in (means, coded))
    print(
        f"over photos: mean {means.mean():+.3f} px, rms {rms:.3f} px (as coded"
        f" {coded.mean():+.3f}, {rms_coded:.3f}); the tracer believes in {believed:.2f} px, one"
        f" sigma: {np.sum(np.abs(means) < 1.96 * believed)} of {len(means)} photos within 95 %"
    )


def with_interval(values: Floats) -> Numbers:
    """Mean of (T, 4) and its 95 % bootstrap interval over tags."""
    low, high = bootstrap(list(values.mean(axis=1)), lambda v: float(v.mean()))
    return float(values.mean()), low, high


# Points that were held out


@dataclass(frozen=True, slots=True, eq=False)
class HeldOut:
    """Points of one photo that the solve did not see, against where it puts them."""

    which: Floats
    """(M,) numbers of the points."""
    miss_px: Floats
    """(M, 2) measured less predicted."""
    claim_px: Floats
    """(M, 2, 2) covariance of that by the solve, reading included."""
    miss_mm: Floats
    """(M, 2) on the grid, its own axes with y down."""

    @property
    def inside(self) -> Floats:
        """(M,) whether within the 95 % ellipse."""
        square = np.einsum("mi,mij,mj->m", self.miss_px, np.linalg.inv(self.claim_px), self.miss_px)
        return square < _INSIDE_95


def halves(seen: SeenGrid) -> tuple[Floats, Floats]:
    """Rows of the points that are solved from and of those held out: tags as on a chessboard."""
    tag = seen.which // 4 if seen.grid.joined else seen.which
    odd = (tag % seen.grid.columns + tag // seen.grid.columns) % 2 == 1
    return np.flatnonzero(~odd), np.flatnonzero(odd)


def held_out(seen: Sequence[SeenGrid]) -> tuple[list[HeldOut], Solution]:
    """Solve all photos from half of their points, and look at the rest."""
    parts = [halves(s) for s in seen]
    solved = [observation(s, k, p[0]) for k, (s, p) in enumerate(zip(seen, parts, strict=True))]
    rest = [observation(s, k, p[1]) for k, (s, p) in enumerate(zip(seen, parts, strict=True))]
    solution = solve(solved, Beliefs())
    return [_judged(rest, solution, k) for k in range(len(seen))], solution


def _judged(rest: list[PhotoObservation], solution: Solution, k: int) -> HeldOut:
    seen = rest[k].cards[0]
    white, by = photo_rows(solution.unknowns, solution.layout, rest, k)
    by = by.reshape(-1, 2, solution.layout.size) * _SIGMA_PX
    miss = -white.reshape(-1, 2) * _SIGMA_PX
    claim = by @ solution.covariance @ by.transpose(0, 2, 1)
    claim += np.eye(2) * (_SIGMA_PX * max(solution.noise, 0.5)) ** 2
    place = solution.places[ARM, seen.card.name]
    world = place_card(
        board_points(seen.card, seen.which, solution.print_scale, place[3], place[4]), place
    )
    numbers = solution.views[k].numbers
    by_point = project_with_derivatives(world, numbers[:9], numbers[9:12], numbers[12:15])[2]
    c, s = np.cos(place[2]), np.sin(place[2])
    away = np.linalg.solve(by_point[:, :, :2], miss[:, :, None])[:, :, 0]
    own = away @ np.array([[c, -s], [s, c]]) * [1.0, -1.0]
    return HeldOut(seen.which, miss, claim, own)


def rows_and_columns(which: Floats, flat: Floats) -> list[tuple[Floats, int]]:
    """Points (indices) on each straight line of the print with three or more, and its direction."""
    found = []
    for axis in (0, 1):
        across = np.round(flat[which][:, 1 - axis], 3)
        for value in np.unique(across):
            on_it = np.flatnonzero(across == value)
            if len(on_it) > 2:
                found.append((on_it[np.argsort(flat[which[on_it], axis])], axis))
    return found


def straightness_and_pitch(out: HeldOut, flat: Floats) -> tuple[Floats, Floats]:
    """Distances from straight lines, mm, and errors of the steps along them, mm."""
    off, steps = [np.zeros(0)], [np.zeros(0)]
    for on_it, axis in rows_and_columns(out.which, flat):
        along = flat[out.which[on_it], axis]
        across = out.miss_mm[on_it, 1 - axis]
        fit = _line(along, across)
        off.append(across - fit[0] - fit[1] * along)
        steps.append(np.diff(out.miss_mm[on_it, axis]))
    return np.concatenate(off), np.concatenate(steps)


def _print_held_out(seen: Sequence[SeenGrid]) -> None:
    flat = tag_grid.card_of(seen[0].grid).crossings_mm()
    together, solution = held_out(seen)
    rows = []
    for s, out in zip(seen, together, strict=True):
        (one,), own = held_out([s])
        rows.append([_short(s), "alone", *_figures(one, flat), own.noise * _SIGMA_PX])
        rows.append([_short(s), "all photos", *_figures(out, flat), solution.noise * _SIGMA_PX])
    for word in ("alone", "all photos"):
        part = np.array([r[2:] for r in rows if r[1] == word], dtype=np.float64)
        middle = [float(np.median(v[np.isfinite(v)])) for v in part.T]
        rows.append(["median", word, round(middle[0]), *middle[1:]])
    print("\nPoints that were held out, against a solve of the other half")
    head = ["photo", "solved from", "points", "miss px", "claimed px", "miss mm", "claimed mm"]
    head += ["within 95 %", "off straight mm", "pitch mm", "reading px"]
    tables.show(head, rows)
    width = float(np.ptp(flat, axis=0).max())
    inside = np.concatenate([out.inside for out in together])
    print(
        f"rms each way; the points span {width:.0f} mm; all photos together: {inside.sum()} of"
        f" {len(inside)} points within their 95 %"
    )


def _figures(out: HeldOut, flat: Floats) -> list[object]:
    off, steps = straightness_and_pitch(out, flat)
    miss, miss_mm = rms(out.miss_px), rms(out.miss_mm)
    claimed = float(np.sqrt(np.trace(out.claim_px, axis1=1, axis2=2).mean() / 2))
    figures: list[object] = [len(out.which), miss, claimed, miss_mm, claimed * miss_mm / miss]
    return [*figures, round(100.0 * float(out.inside.mean()), 1), rms(off), rms(steps)]


def _line(x: Floats, y: Floats) -> Floats:
    return np.linalg.lstsq(np.column_stack([np.ones_like(x), x]), y, rcond=None)[0]


def rms(values: Floats) -> float:
    """Root mean square; NaN of nothing."""
    return float(np.sqrt((values**2).mean())) if len(values) else float("nan")


def _short(seen: SeenGrid) -> str:
    return seen.photo.path.stem[-22:]


if __name__ == "__main__":
    main()
