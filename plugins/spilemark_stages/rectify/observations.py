"""What the joint solve is given, free of images: the door for simulators and tests."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from spilemark.cards import Card
from spilemark.records import Floats, Lens, TagSighting

Indices = NDArray[np.int_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CardObservation:
    """Crossings of one card measured in one photo."""

    card: Card
    which: Indices
    """(N,) indices into ``card.crossings_mm()``."""
    points_px: Floats
    """(N, 2) stored px."""
    sigma_px: Floats
    """(N,) expected random error per axis."""
    hint_px: Floats | None = None
    """(4, 2) about where the chessboard's corners lie, clockwise from its top left; only a start
    for boards of two rows, whose crossings on one line say nothing of tilt."""
    veiled: float = 0.0
    """Share of its black squares in which light is mirrored."""
    toner: float = float("nan")
    """Light on its darkest squares as a share of its white; nan where not seen."""
    edge_shift_px: float | None = None
    """How far towards the white its black edges are seen, see ``printed_edges``."""

    @property
    def flat(self) -> bool:
        """Whether the crossings span an area."""
        board = self.card.crossings_mm()[self.which]
        return spans_area(board)

    @property
    def affine(self) -> Floats:
        """(2, 2) that fits board millimetres to pixels best without perspective, about the middles."""
        board = self.card.crossings_mm()[self.which]
        points = self.points_px - self.points_px.mean(axis=0)
        return np.asarray(np.linalg.lstsq(board - board.mean(axis=0), points, rcond=None)[0].T)

    @property
    def px_per_mm(self) -> Floats:
        """(2,) across and along the picture, the same however the card is turned."""
        return np.asarray(np.linalg.norm(self.affine, axis=1))


def spans_area(points: Floats) -> bool:
    """Whether points (N, 2) do not all lie on one line."""
    if len(points) < 3:
        return False
    return bool(np.linalg.svd(points - points.mean(axis=0), compute_uv=False)[1] > 1e-6)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PhotoObservation:
    """All cards measured in one photo, and what is believed of its lens."""

    name: str
    """Unique within the job: names the causes."""
    arm: str
    """Photos of one arm show the same cards lying still."""
    lens_group: str
    lens: Lens
    width_px: int
    height_px: int
    cards: tuple[CardObservation, ...]
    is_scan: bool = False
    """From a flatbed: seen from straight above everywhere."""
    claimed_dpi: tuple[float, float] | None = None
    """Of a scan: what its file says, across and along."""
    tags: tuple[TagSighting, ...] = ()

    @property
    def file(self) -> str:
        """Name of its file, as a person knows it."""
        return self.name.partition(":")[2]

    def shows(self, card: str) -> bool:
        """Whether a card of that letter was measured in it."""
        return any(seen.card.name == card for seen in self.cards)


def camera_saw(photos: Sequence[PhotoObservation], arm: str, card: str) -> bool:
    """Whether a camera saw a card of an arm: on a flatbed's glass nothing has a height."""
    return any(photo.arm == arm and not photo.is_scan and photo.shows(card) for photo in photos)


@dataclass(frozen=True, slots=True, kw_only=True)
class Length:
    """A measured distance between the tape crosses of two cards."""

    id: str
    """Identity of its error: ``tape:A-H``, ``batten:A-B``."""
    kind: str
    """Budget group: "taped distance" or "scale batten"."""
    cards: tuple[str, str]
    mm: float
    sigma_mm: float
    arms: tuple[str, ...] | None = None
    """Arms in which the cards lay so; None: wherever both are seen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Beliefs:
    """What is known before looking: print, heights, lengths.  All sigmas are one standard deviation."""

    print_scale: tuple[float, float] = (1.0, 1.0)
    print_sigma: tuple[float, float] = (0.005, 0.005)
    """Relative, across and along the sheet."""
    print_common_sigma: float | None = None
    """When given: doubt of the scale common to both axes; ``print_sigma[0]`` is then that of
    their difference.  For a sheet that may have been shrunk to fit as a whole."""
    print_kind: str = "card print scale"
    print_shear_sigma: float = 0.0015
    """How far a printer's lines and its paper's travel are out of square, rad: common practice, no
    source; the skew of sheets that are fed crooked is a turn and no matter."""
    height_mm: float = 3.0
    """Pattern's face above the plane of the cards."""
    height_sigma_mm: float = 0.4
    heights: dict[str, tuple[float, float]] = field(default_factory=dict)
    """The same and its sigma by arm, where a side's pattern was measured for itself, mm."""
    lift_mm: float = 0.2
    """Paper's mean height above that plane."""
    lift_sigma_mm: float = 0.15
    bow_mm: float = 0.1
    """How much higher the ends of a card lie than its middle."""
    bow_sigma_mm: float = 0.25
    drift_f: float = 0.003
    """Change of focal length from photo to photo, relative (focus breathing)."""
    drift_centre_px: float = 6.0
    """Change of the principal point from photo to photo, at 4032 px (stabiliser)."""
    lengths: tuple[Length, ...] = field(default=())
    loose: frozenset[tuple[str, str]] = frozenset()
    """(arm, card) of which nothing is believed of how high it lies."""
    reprinted: frozenset[tuple[str, str]] = frozenset()
    """(arm, card) that come from another print, of a scale of its own."""
    left_out: frozenset[tuple[str, str]] = frozenset()
    """(photo, card) whose crossings are not used."""

    def drift_centre_in(self, photo: PhotoObservation) -> float:
        """Change of the principal point in a photo of its size, px."""
        return self.drift_centre_px * photo.width_px / 4032
