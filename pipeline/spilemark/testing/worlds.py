"""What a simulated world is: how it is drawn, what lies in it, what was seen and measured of it.

Frame: bench top z = 0, z towards the camera, millimetres.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from spilemark.cards import CardSet
from spilemark.records import Floats, JobFacts
from spilemark.testing.bench import LaidCard, TrueCamera

LensKind = Literal["raw", "corrected"]
Range = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class WorldRules:
    """How worlds are drawn: ranges are even, ``_sd`` are one sigma of a normal spread.

    The defaults are phones and benches as they are; what the survey does not
    model or believe is off (``lens_remainder_px``, ``one_lifted_mm``,
    ``caliper_slip_mm``, ``warp_mm``, ``outliers``).
    """

    frame_px: tuple[int, int] = (4032, 3024)
    lens_kinds: tuple[LensKind, ...] = ("raw", "corrected")
    focal_px: Range = (2950.0, 3300.0)
    """What the file's EXIF says; the truth differs by ``focal_sd`` (relative)."""
    focal_sd: float = 0.01
    aspect_sd: float = 2e-4
    centre_sd_px: float = 12.0
    tangential_sd: float = 3e-4
    focal_per_photo_sd: float = 0.003
    centre_per_photo_sd_px: float = 6.0
    lens_remainder_px: float = 0.0
    """Largest shift, anywhere in the frame, by which the lens bends what no polynomial of the
    radius does: smooth, the same in all photos."""
    photos: int = 1
    tilt_deg: Range = (0.0, 20.0)
    nearest_mm: Range = (750.0, 1100.0)
    margin: float = 0.035
    """Free border of the frame round everything, as a share of the frame."""
    cards: tuple[int, int] = (4, 8)
    """Fewest and most."""
    cards_on: Literal["bench", "pattern"] = "bench"
    gap_mm: Range = (10.0, 40.0)
    print_scale_sd: float = 0.002
    print_shear_sd: float = 0.0
    lift_mean_mm: float = 0.2
    lift_sd_mm: float = 0.15
    one_lifted_mm: float = 0.0
    """How much higher than it else would one card lies."""
    bow_mean_mm: float = 0.2
    bow_sd_mm: float = 0.15
    thickness_mm: Range = (0.4, 6.0)
    warp_mm: float = 0.0
    """How far the pattern's far ends stand higher than its middle."""
    bend_sd_mm: float = 0.0
    """How far its ends stand off for each way of bending (along, across, twist) and of tilting."""
    sawn_edge_sd_mm: float = 0.0
    """What "the edge" of a sawn sheet is: the same in all photos, and for both of a pair."""
    crossing_noise_px: float = 0.07
    outliers: float = 0.0
    """Share of crossings that are wrong by 1 to 30 px."""
    outline_step_mm: float = 3.0
    """Of the points seen; 0: those of the ring given."""
    edge_noise_px: float = 0.15
    """Random from point to point, across the edge."""
    edge_noise_together_mm: float = 0.0
    """It hangs together along the edge as exp(-distance / this); 0: not at all."""
    line_noise_px: float = 0.10
    """The same across a pencil line."""
    line_drawn_sd_mm: float = 0.15
    """How far each end of a pencil line was drawn from where it was meant."""
    edge_bias_sd_px: float = 0.15
    """Common to a photo's whole outline, outwards."""
    edge_bias_common: float = 0.5
    """Share of its variance that all photos of a world have in common (one phone, one light)."""
    caliper_sd_mm: float = 0.05
    caliper_slip_mm: float = 0.0
    """Thickness is told wrong by this, one way or the other."""
    bar_sd_mm: float = 0.05
    tape_sd_mm: float = 0.2
    tapes: int = 2
    """How many of the longest card-to-card distances were taped."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shot(TrueCamera):
    """One simulated photo: its true camera and what would be measured in it.

    Its ``lens`` is without ``WorldRules.lens_remainder_px``; what was measured is with it.
    """

    frame_px: tuple[int, int]
    exif_focal_px: float
    """What the file says of the focal length."""
    crossings_px: Mapping[str, Floats]
    """Card name to (M, 2), row by row, noisy."""
    outline_px: Floats
    """(N, 2), noisy, belonging point by point to ``World.outline_mm``."""
    line_px: Floats
    """(M, 2), noisy, belonging point by point to ``World.line_mm``."""
    edge_bias_px: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class World:
    """One drawn world."""

    kind: LensKind
    card_set: CardSet
    """Only the cards that lie there."""
    cards: tuple[LaidCard, ...]
    outline_mm: Floats
    """(N, 2) true, on the pattern's face."""
    line_mm: Floats
    """(M, 2) true pencil line on the face as it was drawn; none where none was asked for."""
    face_mm: float
    """Height of the face above the bench."""
    shots: tuple[Shot, ...]
    job: JobFacts
    """What the person measured, with a person's errors."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Part:
    """A pattern to be laid down, any place and turn."""

    ring_mm: Floats
    """(M, 2) outer edge."""
    line_mm: Floats = field(default_factory=lambda: np.zeros((0, 2)))
    """(L, 2) where its pencil line was meant to be drawn."""
