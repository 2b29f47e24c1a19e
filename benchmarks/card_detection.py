"""Measure which coded squares can still be read in small, tilted, blurred pictures.

Draws a card of each candidate design through a pinhole camera (4 x 4 samples a
pixel), blurs it, adds noise in linear light, codes it with a phone-like tone
curve and JPEG, and counts the cards of which at least three coded squares are
read at their true places.  Also counts readings in pictures that hold no card
of that design.

    python benchmarks/card_detection.py --cards 3
    python benchmarks/card_detection.py --false-alarms FOLDER_OF_PHOTOS
"""

from __future__ import annotations

import argparse
import io
import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

MM_PER_PX = (0.25, 0.30, 0.35, 0.40, 0.45)
TILT_DEG = (0.0, 15.0, 25.0, 35.0)
BLUR_PX = (0.6, 1.0, 1.25, 1.5)
FOCAL_PX = 3000.0
PHOTO_LONG_SIDE_PX = 4032
SAMPLES = 4
TEXTURE_PX_PER_MM = 20
MARGIN_MM = 7.0
WHITE, BLACK, BENCH = 0.80, 0.04, 0.25  # linear reflectance: paper, toner, plywood
ENOUGH_MARKERS = 3


@dataclass(frozen=True)
class Design:
    """A chessboard card with coded squares of one dictionary."""

    dictionary: str
    square_mm: float = 15.0
    marker_mm: float = 11.0
    columns: int = 8
    rows: int = 4

    @property
    def label(self) -> str:
        """Name in the tables."""
        return f"{self.dictionary[5:]} {self.square_mm:g}/{self.marker_mm:g}"

    def codes(self) -> cv2.aruco.Dictionary:
        """OpenCV's dictionary."""
        return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, self.dictionary))

    def white_squares(self) -> list[tuple[int, int]]:
        """(column, row) of the squares that carry a code, row by row."""
        cells = itertools.product(range(self.rows), range(self.columns))
        return [(c, r) for r, c in cells if (c + r) % 2]


@dataclass(frozen=True)
class View:
    """One picture of one card."""

    mm_per_px: float
    tilt_deg: float
    blur_px: float
    seed: int


def card_texture(design: Design, first_id: int) -> np.ndarray:
    """Linear reflectance of the cut-out card, TEXTURE_PX_PER_MM pixels a millimetre."""
    scale = TEXTURE_PX_PER_MM
    width = design.columns * design.square_mm + 2 * MARGIN_MM
    height = design.rows * design.square_mm + 2 * MARGIN_MM
    card = np.full((round(height * scale), round(width * scale)), WHITE, np.float32)

    def patch(x_mm: float, y_mm: float, side_mm: float) -> np.ndarray:
        x0, y0 = round((MARGIN_MM + x_mm) * scale), round((MARGIN_MM + y_mm) * scale)
        side = round(side_mm * scale)
        return card[y0 : y0 + side, x0 : x0 + side]

    inset = (design.square_mm - design.marker_mm) / 2
    codes = design.codes()
    for column, row in itertools.product(range(design.columns), range(design.rows)):
        if (column + row) % 2 == 0:
            patch(column * design.square_mm, row * design.square_mm, design.square_mm)[:] = BLACK
    for k, (column, row) in enumerate(design.white_squares()):
        place = patch(
            column * design.square_mm + inset, row * design.square_mm + inset, design.marker_mm
        )
        bits = cv2.aruco.generateImageMarker(codes, first_id + k, codes.markerSize + 2)
        drawn = cv2.resize(bits, place.shape[::-1], interpolation=cv2.INTER_NEAREST)
        place[:] = np.where(drawn > 0, WHITE, BLACK)
    return card


def camera(view: View, card_size_mm: tuple[float, float]) -> tuple[np.ndarray, int]:
    """Homography from card millimetres to pixels (centre of first pixel = 0, 0), and the size."""
    rng = np.random.default_rng(view.seed)
    turn, azimuth = rng.uniform(0, 2 * np.pi, 2)
    half_px = round(0.62 * np.hypot(*card_size_mm) / view.mm_per_px)
    axis = np.array([np.cos(azimuth), np.sin(azimuth), 0.0]) * np.radians(view.tilt_deg)
    rotation = cv2.Rodrigues(axis)[0] @ cv2.Rodrigues(np.array([0.0, 0.0, turn]))[0]
    centre_mm = np.array([card_size_mm[0] / 2, card_size_mm[1] / 2, 0.0])
    distance = np.array([0.0, 0.0, FOCAL_PX * view.mm_per_px])
    pose = np.column_stack([rotation[:, :2], distance - rotation @ centre_mm])
    place = half_px + rng.uniform(-0.5, 0.5, 2)
    lens = np.array([[FOCAL_PX, 0, place[0]], [0, FOCAL_PX, place[1]], [0, 0, 1]])
    return lens @ pose, 2 * half_px + 1


def render(texture: np.ndarray, view: View) -> tuple[np.ndarray, np.ndarray]:
    """Grey picture (uint8) and the homography from card millimetres to its pixels."""
    height, width = texture.shape
    to_pixels, size = camera(view, (width / TEXTURE_PX_PER_MM, height / TEXTURE_PX_PER_MM))
    shift = (SAMPLES - 1) / 2
    to_samples = np.array([[SAMPLES, 0, shift], [0, SAMPLES, shift], [0, 0, 1]]) @ to_pixels
    scale = TEXTURE_PX_PER_MM
    to_mm = np.array([[1 / scale, 0, 0.5 / scale], [0, 1 / scale, 0.5 / scale], [0, 0, 1]])
    fine = cv2.warpPerspective(
        cv2.GaussianBlur(texture, (0, 0), 0.5),
        to_samples @ to_mm,
        (size * SAMPLES, size * SAMPLES),
        flags=cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=BENCH,
    )
    linear = cv2.resize(fine, (size, size), interpolation=cv2.INTER_AREA)
    return as_phone_picture(cv2.GaussianBlur(linear, (0, 0), view.blur_px), view.seed), to_pixels


def as_phone_picture(linear: np.ndarray, seed: int) -> np.ndarray:
    """Uneven light, sensor noise, a tone curve with a shoulder, JPEG; uint8."""
    rng = np.random.default_rng(seed + 1)
    y, x = np.mgrid[-1 : 1 : linear.shape[0] * 1j, -1 : 1 : linear.shape[1] * 1j]
    slope = rng.uniform(-0.2, 0.2, 2)
    light = rng.uniform(0.5, 1.1) * (1 + slope[0] * x + slope[1] * y)
    seen = linear * light + 0.005  # veiling glare lifts the blacks
    noise = np.sqrt(2e-4 * seen + 1e-6)  # shot and read noise of a small sensor in shop light
    seen = np.clip(seen + rng.normal(size=seen.shape) * noise, 0, 1)
    coded = np.where(seen <= 0.0031308, 12.92 * seen, 1.055 * seen ** (1 / 2.4) - 0.055)
    curve = coded + 0.10 * np.sin(2 * np.pi * coded) * -0.5  # phones deepen shadows, lift lights
    store = io.BytesIO()
    grey = np.clip(curve * 255, 0, 255).astype(np.uint8)
    Image.fromarray(grey).save(store, "JPEG", quality=int(rng.integers(80, 95)))
    with Image.open(store) as picture:
        return np.asarray(picture)


def settings(long_side_px: int, **changes: float) -> cv2.aruco.DetectorParameters:
    """Detector settings; ``smallest_side_px`` is turned into OpenCV's share of the long side."""
    wanted = dict(changes)
    parameters = cv2.aruco.DetectorParameters()
    smallest = wanted.pop("smallest_side_px", None)
    if smallest is not None:
        parameters.minMarkerPerimeterRate = 4 * smallest / long_side_px
    else:  # OpenCV's default, as it would act on the whole photo
        parameters.minMarkerPerimeterRate *= PHOTO_LONG_SIDE_PX / long_side_px
    for name, value in wanted.items():
        if not hasattr(parameters, name):
            raise AttributeError(name)
        setattr(parameters, name, value)
    return parameters


SETTINGS: dict[str, dict[str, float]] = {
    "opencv default": {},
    "small allowed": {"smallest_side_px": 14},
    "cell centres": {
        "smallest_side_px": 14,
        "adaptiveThreshWinSizeMin": 5,
        "adaptiveThreshWinSizeMax": 21,
        "adaptiveThreshWinSizeStep": 8,
        "perspectiveRemovePixelPerCell": 8,
        "perspectiveRemoveIgnoredMarginPerCell": 0.3,
    },
}
SETTINGS["and all bits mended"] = SETTINGS["cell centres"] | {"errorCorrectionRate": 1.0}
SETTINGS["and enlarged twice"] = SETTINGS["cell centres"] | {"enlarge": 2}


def read_markers(
    picture: np.ndarray, design: Design, changes: dict[str, float]
) -> list[tuple[int, np.ndarray]]:
    """(id, corners (4, 2)) of the coded squares that the detector reads."""
    wanted = dict(changes)
    enlarge = wanted.pop("enlarge", 1)
    if enlarge != 1:
        picture = cv2.resize(picture, None, fx=enlarge, fy=enlarge, interpolation=cv2.INTER_CUBIC)
        if "smallest_side_px" in wanted:
            wanted["smallest_side_px"] *= enlarge
    detector = cv2.aruco.ArucoDetector(design.codes(), settings(max(picture.shape), **wanted))
    corners, ids, _ = detector.detectMarkers(picture)
    if ids is None:
        return []
    found = np.asarray(ids).ravel()
    back = [(np.asarray(c).reshape(4, 2) + 0.5) / enlarge - 0.5 for c in corners]
    return list(zip((int(i) for i in found), back, strict=True))


def true_centres(design: Design, to_pixels: np.ndarray) -> np.ndarray:
    """Pixel centres of the coded squares (N, 2), in the order of their ids."""
    squares = np.array(design.white_squares(), float)
    middle = (squares + 0.5) * design.square_mm + MARGIN_MM
    return cv2.perspectiveTransform(middle[:, None], to_pixels)[:, 0]


def count_right_and_wrong(
    design: Design, first_id: int, view: View, ways: Sequence[dict[str, float]]
) -> list[tuple[int, int]]:
    """For each way: coded squares read at their true place, and read anywhere else."""
    picture, to_pixels = render(card_texture(design, first_id), view)
    truth = true_centres(design, to_pixels)
    counts = []
    for way in ways:
        right = wrong = 0
        for marker, corners in read_markers(picture, design, way):
            k = marker - first_id
            near = 0 <= k < len(truth) and (
                np.hypot(*(corners.mean(0) - truth[k])) * view.mm_per_px < design.marker_mm / 2
            )
            right, wrong = right + bool(near), wrong + (not near)
        counts.append((right, wrong))
    return counts


def views(cards: int) -> Iterator[View]:
    """Every scale, tilt and blur, so many times."""
    grid = itertools.product(MM_PER_PX, TILT_DEG, BLUR_PX, range(cards))
    return (View(s, t, b, 7919 * k + n) for n, (s, t, b, k) in enumerate(grid))


def table(
    designs: Sequence[Design],
    ways: dict[str, dict[str, float]],
    cards: int,
    say: Callable[[str], None],
) -> None:
    """Print the share of cards read, over everything and in the hardest corners."""
    say(
        "design               settings            cards read  >=0.4mm/px  blur>=1.25  tilt 35  "
        "worst corner  markers read  misread"
    )
    for design in designs:
        per_card = len(design.white_squares())
        room = design.codes().bytesList.shape[0] - per_card
        rows = []
        for view in views(cards):
            first = view.seed % room
            rows.append((view, count_right_and_wrong(design, first, view, list(ways.values()))))
        for w, name in enumerate(ways):
            say(one_line(design, name, [(view, counts[w]) for view, counts in rows], per_card))


def one_line(
    design: Design, way: str, rows: list[tuple[View, tuple[int, int]]], per_card: int
) -> str:
    """Percentages of one design under one setting."""

    def share(keep: Callable[[View], bool]) -> float:
        kept = [count[0] >= ENOUGH_MARKERS for view, count in rows if keep(view)]
        return 100 * sum(kept) / len(kept)

    markers = 100 * sum(count[0] for _, count in rows) / (per_card * len(rows))
    misread = sum(count[1] for _, count in rows)
    return (
        f"{design.label:20s} {way:20s}{share(lambda _: True):9.1f} %"
        f"{share(lambda v: v.mm_per_px >= 0.4):11.1f} {share(lambda v: v.blur_px >= 1.25):11.1f} "
        f"{share(lambda v: v.tilt_deg == 35):8.1f} "
        f"{share(lambda v: v.mm_per_px >= 0.4 and v.blur_px >= 1.5 and v.tilt_deg == 35):13.1f} "
        f"{markers:11.1f} % {misread:7d}"
    )


def false_alarms(
    folder: Path,
    designs: Sequence[Design],
    ways: dict[str, dict[str, float]],
    say: Callable[[str], None],
) -> None:
    """Count readings in photos that hold no card of the design."""
    photos = sorted(p for p in folder.iterdir() if p.suffix.lower() in {".jpg", ".jpeg", ".png"})
    say("readings in photos without such cards: design, settings, count, photos")
    for design in designs:
        counts = dict.fromkeys(ways, 0)
        for path in photos:
            with Image.open(path) as picture:
                grey = np.asarray(picture.convert("L"))
            for name, way in ways.items():
                counts[name] += len(read_markers(grey, design, way))
        for name, count in counts.items():
            say(f"{design.label:20s} {name:20s} {count:5d}   {len(photos)}")


DESIGNS = (
    Design("DICT_4X4_1000"),
    Design("DICT_5X5_1000"),
    Design("DICT_6X6_1000"),
    Design("DICT_APRILTAG_36h11"),
    Design("DICT_5X5_1000", 15, 12),
    Design("DICT_5X5_1000", 16, 12),
    Design("DICT_APRILTAG_36h11", 15, 12),
)


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cards", type=int, default=2, help="cards per scale, tilt and blur")
    parser.add_argument("--false-alarms", type=Path, help="folder of photos without these cards")
    chosen = parser.parse_args()
    cv2.setNumThreads(1)
    if chosen.false_alarms:
        false_alarms(chosen.false_alarms, DESIGNS, SETTINGS, print)
    else:
        table(DESIGNS, SETTINGS, chosen.cards, print)


if __name__ == "__main__":
    main()
