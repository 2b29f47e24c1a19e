"""Where the patterns lie: parts of a reduced picture that are face, not bench, card or clutter."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from spilemark.lens import mm_per_px_across, pixels_to_plane
from spilemark.records import Bools, Floats, View
from spilemark_stages.trace.bench import Relative, log_features, relative_to_bench
from spilemark_stages.trace.card_cover import fill_cards, paper_labels, papers_in
from spilemark_stages.trace.clutter import without_clutter
from spilemark_stages.trace.cutting import cuts, holes_in, patches, revised, weakness
from spilemark_stages.trace.densities import (
    STRAY_LOG_DENSITY,
    bin_of,
    log_density,
    shadow_like,
    shadow_log_density,
)
from spilemark_stages.trace.huemask import refined
from spilemark_stages.trace.masks import Mask, disc, filled_to, grown, shrunk, widest
from spilemark_stages.trace.photometry import Float32, look_factor, reduced, to_full, to_small
from spilemark_stages.trace.seams import seam_map
from spilemark_stages.trace.shaded_bench import cards_on_bench, knots, without_shaded_bench

Labels = NDArray[np.int32]

_CARD_RIM_MM = 2.0
"""Beyond the chessboard: blur of its own edge."""
_MARGIN_MM = 8.0
"""Margin of a cut-out card where its paper cannot be told from what it lies on."""
_WEAKEST = 0.3
"""Mean cost of a closed seam, against none at all, from which on it surrounds nothing."""
_AS_WELL_CLOSED = 1.6
_SPIKE_MM = 4.0
"""What sticks out on less than twice this is no pattern but a patch by a card."""
_SMALLEST_MM2 = 1600.0
"""A pattern is not smaller than 40 mm squared."""
_NARROWEST_MM = 12.0
"""Nor nowhere wider than this: rules, pencils, cords."""
_SMALLEST_HOLE_MM = 4.0
_COMPARABLE = 0.3
"""Share of the largest piece's area from which on another piece is a pattern too."""
_BITE_MM = 9.0
"""Knots and dark grain at the edge: gaps this wide are filled where they do not show the bench."""
_SKIN_MM = 5.0
"""Rim of a piece that may be its shadow, its wall or blur, and does not teach its face."""
_MOST_FRAME = 0.35
"""Share of its rim along the frame from which on a thing is not a pattern but the bench's end."""


@dataclass(frozen=True, slots=True, eq=False)
class Region:
    """One pattern as found at reduced size."""

    outer_px: Floats
    """(N, 2) stored px, closed, through the last face pixels."""
    holes_px: tuple[Floats, ...]
    cut_by_frame: bool
    area_mm2: float
    coarse_px: float
    """Size in stored px of the steps in which it was found."""
    bench_cards: tuple[str, ...] = ()
    """Cards within it that lie on the bench: some of it is bench as well."""


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """What lies on the bench."""

    regions: tuple[Region, ...]
    """Largest first."""
    left_out: int
    """Things as large as a small pattern that were taken for clutter."""
    factor: int
    """Size of one pixel of the reduced picture, stored px."""
    covered: Bools
    """(h, w) at reduced size: where scale cards lie."""
    surrounded: tuple[str, ...] = ()
    """Cards that lie on the bench, but within what passed for a pattern: then none is believed."""


class _Finder:
    """One photo's search; holds the reduced picture, coded, and its size on the face."""

    def __init__(self, view: View) -> None:
        photo = view.straight.photo
        self.factor = look_factor(photo)
        self.small = reduced(photo.pixels, self.factor)
        self.shape = self.small.shape[:2]
        centre = np.array([[(photo.width_px - 1) / 2, (photo.height_px - 1) / 2]])
        at = pixels_to_plane(centre, view.plane)
        across = [mm_per_px_across(at, np.array([n]), view.plane)[0] for n in ((1.0, 0), (0, 1.0))]
        self.mm = self.factor * float(np.sqrt(across[0] * across[1]))
        rim = max(1, round(_CARD_RIM_MM / self.mm))
        self.cards = paper_labels(view, self.shape, self.factor, rim)
        self.boards = [to_small(card.outline_px, self.factor) for card in view.cards]
        self.hidden = self.cards > 0
        self.on_bench = {
            card.name: to_small(card.outline_px, self.factor).mean(axis=0)
            for card in cards_on_bench(view)
        }

    def pieces(self, mask: Mask, paper: Bools) -> tuple[Labels, list[int], int]:
        """Label a mask's parts; those that may be patterns, largest first; count of clutter."""
        _, labels, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=4)
        good, clutter = [], 0
        for k in range(1, len(stats)):
            if stats[k, cv2.CC_STAT_AREA] * self.mm**2 < _SMALLEST_MM2:
                continue
            x, y, w, h = (int(v) for v in stats[k, :4])
            box = (slice(y, y + h), slice(x, x + w))
            one = (labels[box] == k).astype(np.uint8)
            if (paper[box] & (one > 0)).sum() > 0.6 * one.sum():
                continue
            if widest(one) * self.mm < _NARROWEST_MM or self._frame_share(one, box) > _MOST_FRAME:
                clutter += 1
                continue
            good.append(k)
        good.sort(key=lambda k: -int(stats[k, cv2.CC_STAT_AREA]))
        large = [
            k
            for k in good
            if stats[k, cv2.CC_STAT_AREA] >= _COMPARABLE * stats[good[0], cv2.CC_STAT_AREA]
        ]
        return np.asarray(labels, dtype=np.int32), large, clutter + len(good) - len(large)

    def _frame_share(self, one: Mask, box: tuple[slice, slice]) -> float:
        """Share of a part's rim that lies along the frame."""
        rim = one - cv2.erode(one, disc(1), borderType=cv2.BORDER_CONSTANT, borderValue=0)
        # Two pixels along the frame belong to it.
        open_part = tuple(
            slice(max(0, 2 - (side.start or 0)), max(0, size - 2 - (side.start or 0)))
            for side, size in zip(box, self.shape, strict=True)
        )
        return 1.0 - cv2.countNonZero(rim[open_part]) / max(1, cv2.countNonZero(rim))

    def paper_reach(self) -> Bools:
        """Cards with the usual margin of their paper, where its own tone tells nothing."""
        return grown(self.hidden.astype(np.uint8), _MARGIN_MM / self.mm) > 0

    def parts(self, inside: Bools, hidden: Bools) -> list[Mask]:
        """Parts of a smaller mask that may be patterns, largest first, without its spikes."""
        large = cv2.resize(
            inside.astype(np.uint8), self.shape[::-1], interpolation=cv2.INTER_NEAREST
        )
        blunt = shrunk(np.asarray(large, dtype=np.uint8), _SPIKE_MM / self.mm)
        labels, good, _ = self.pieces(grown(blunt, _SPIKE_MM / self.mm), hidden)
        return [(labels == k).astype(np.uint8) for k in good]

    def region(self, one: Mask, bench_like: Bools, shrink: int = 1) -> Region:
        """One part of a mask as a region."""
        outer, holes = _rings(self, one, bench_like)
        return Region(
            outer_px=outer,
            holes_px=holes,
            cut_by_frame=self._frame_share(one, (slice(0, None), slice(0, None))) > 0.0,
            area_mm2=float(one.sum()) * self.mm**2,
            coarse_px=float(shrink * self.factor),
            bench_cards=tuple(name for name, at in self.on_bench.items() if self._holds(one, at)),
        )

    def _holds(self, one: Mask, at: Floats) -> bool:
        """Whether a place (2,) of the reduced picture lies in a mask."""
        x, y = (round(float(c)) for c in at)
        height, width = self.shape
        return 0 <= x < width and 0 <= y < height and bool(one[y, x])

    def _deep(self, labels: Labels, faces: list[int]) -> Bools:
        """Pixels well within the faces: neither shadow nor wall nor a rule that lies against one."""
        deep = np.zeros(self.shape, dtype=bool)
        for k in faces:
            depth = cv2.distanceTransform((labels == k).astype(np.uint8), cv2.DIST_L2, 3)
            deep |= depth > max(min(_SKIN_MM / self.mm, 0.5 * depth.max()), 0.4 * depth.max())
        return deep

    def face_score(self, relative: Relative, labels: Labels, faces: list[int]) -> Float32:
        """Log likelihood ratio (h, w) of face against all else."""
        face = np.isin(labels, faces).astype(np.uint8)
        inside = without_shaded_bench(
            self._deep(labels, faces), relative.values, relative.spread, self.mm
        )
        around = np.asarray(cv2.dilate(face, disc(1)) > 0) | self.hidden
        bench = ~around & (cv2.dilate(relative.bench.astype(np.uint8), disc(1)) > 0)
        bins = bin_of(relative.values)
        on_face = log_density(bins[inside])
        off_face = np.logaddexp(
            log_density(bins[::2, ::2][bench[::2, ::2]]),
            np.logaddexp(shadow_log_density(relative.spread), STRAY_LOG_DENSITY) - np.log(4.0),
        ).astype(np.float32)
        ratio = np.clip(on_face - off_face, -6, 6)
        return np.asarray(cv2.GaussianBlur(ratio[bins], (0, 0), 0.8), dtype=np.float32)


def _filled(mask: Bools) -> Bools:
    """A mask without its holes."""
    outlines, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    out = np.zeros(mask.shape, dtype=np.uint8)
    cv2.drawContours(out, outlines, -1, 1, cv2.FILLED)
    return out > 0


def _rings(finder: _Finder, one: Mask, bench_like: Bools) -> tuple[Floats, tuple[Floats, ...]]:
    """Outer ring and holes of one part, in stored px."""
    contours, tree = cv2.findContours(one, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    outers = [k for k in range(len(contours)) if tree[0][k][3] < 0]
    outer = max(outers, key=lambda k: cv2.contourArea(contours[k]))
    holes = []
    for k in range(len(contours)):
        if tree[0][k][3] != outer:
            continue
        x, y, w, h = cv2.boundingRect(contours[k])
        if min(w, h) * finder.mm < _SMALLEST_HOLE_MM:
            continue
        box = (slice(y, y + h), slice(x, x + w))
        inside = np.zeros((h, w), dtype=np.uint8)
        cv2.drawContours(inside, contours, k, 1, cv2.FILLED, offset=(-x, -y))
        inside &= 1 - one[box]
        if widest(inside) * finder.mm < _SMALLEST_HOLE_MM:
            continue
        if bench_like[box][inside > 0].mean() > 0.5:
            holes.append(to_full(contours[k][:, 0].astype(np.float64), finder.factor))
    return to_full(contours[outer][:, 0].astype(np.float64), finder.factor), tuple(holes)


def find_patterns(view: View) -> Found:
    """Find every pattern in one photo, largest first; none where a card on the bench denies it."""
    found = _found(view)
    surrounded = tuple(name for region in found.regions for name in region.bench_cards)
    return replace(found, regions=(), surrounded=surrounded) if surrounded else found


def _found(view: View) -> Found:
    """Every pattern as tones or seams have it."""
    finder = _Finder(view)
    even_light = view.straight.photo.is_scan
    relative = relative_to_bench(log_features(finder.small), finder.hidden, even_light=even_light)
    first = (~relative.bench & ~finder.hidden).astype(np.uint8)
    first = np.asarray(cv2.morphologyEx(first, cv2.MORPH_OPEN, disc(1)), dtype=np.uint8)
    papers = papers_in(relative.values, finder.cards, finder.boards, finder.mm)
    paper = np.zeros(finder.shape, dtype=bool)
    for card in papers:
        paper[card.box] |= (card.like | card.core) > 0
    labels, faces, clutter = finder.pieces(first, paper)
    if not faces:
        return _found_by_seams(view, finder, relative, clutter)
    score = finder.face_score(relative, labels, faces)
    face = (score > 0).astype(np.uint8)
    face[finder.hidden] = 0
    face = np.asarray(cv2.morphologyEx(face, cv2.MORPH_OPEN, disc(1)), dtype=np.uint8)
    bench = relative.bench | shadow_like(relative.values, relative.spread)
    stray = (~relative.bench & (face == 0)).astype(np.uint8)
    face, covered = fill_cards(papers, finder.mm, face, stray)
    closed = filled_to(face, _BITE_MM / finder.mm)
    bites = (closed > 0) & ~finder.hidden
    face[bites & ~bench] = 1
    # A knot at the edge is filled, too, but where the edge runs beside it is a guess.
    gaps = bites & (face == 0)
    knotted = knots(gaps & ~relative.bench, relative.values, relative.spread, finder.mm)
    face[gaps & knotted] = 1
    covered |= knotted
    labels, good, _ = finder.pieces(face, paper)
    if not good:
        return _found_by_seams(view, finder, relative, clutter)
    regions = []
    for k in good:
        one, hidden = without_clutter(
            (labels == k).astype(np.uint8), relative.values, finder.mm, bench
        )
        covered |= hidden
        regions.append(finder.region(one, bench & ~hidden))
    return Found(tuple(regions), clutter, finder.factor, covered)


def _found_by_seams(view: View, finder: _Finder, relative: Relative, clutter: int) -> Found:
    """Patterns that no tone tells from the bench: whatever a closed seam surrounds."""
    hidden = finder.paper_reach()
    seams = seam_map(view.straight.photo.pixels, relative.values, hidden, finder.factor, finder.mm)
    split = patches(seams)
    tried = [(weakness(split, cut.inside), cut) for cut in cuts(split)]
    pixel_mm = seams.shrink * finder.mm
    large = _SMALLEST_MM2 / pixel_mm**2
    tried = [one for one in tried if one[0] < _WEAKEST and one[1].inside.sum() >= large]
    # A pencil line may close a part of a pattern off as well as its edge does: the largest that is
    # about as well closed as the best.
    least = min((weak for weak, _ in tried), default=0.0)
    good = [cut for weak, cut in tried if weak <= _AS_WELL_CLOSED * least + 0.05]
    best = next((cut for cut in reversed(good) if finder.parts(cut.inside, hidden)), None)
    if best is None:
        return Found((), clutter, finder.factor, hidden)
    whole = _filled(revised(seams, split, best).inside)
    parts = finder.parts(whole, hidden)
    holes = holes_in(seams, split, whole).astype(np.uint8)
    through = np.asarray(
        cv2.resize(holes, finder.shape[::-1], interpolation=cv2.INTER_NEAREST), dtype=np.uint8
    )
    regions = []
    for one in parts:
        fine = refined(one, relative.values, hidden, finder.mm)
        mask = (one if fine is None else fine) & (1 - through)
        regions.append(finder.region(mask, through > 0, seams.shrink if fine is None else 1))
    return Found(tuple(regions), clutter, finder.factor, hidden)
