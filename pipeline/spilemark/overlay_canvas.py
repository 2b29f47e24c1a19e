"""A photo to look at: reduced, upright, with room below for words, and pens that show on any bench.

Every line has a dark rim and every word a dark ground, so that nothing rests
on the colour or brightness of what lies behind.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from spilemark import frames
from spilemark.lens import plane_to_pixels
from spilemark.records import Bools, Floats, Photo, View
from spilemark.template import runs_of

if TYPE_CHECKING:
    from PIL import Image

Colour = tuple[int, int, int]

LONG_SIDE_PX = 2000
_SPARE = 1.15
"""A picture this much longer than ``LONG_SIDE_PX`` is not reduced a second time."""
YELLOW: Colour = (255, 221, 51)
WHITE: Colour = (255, 255, 255)
BLUE: Colour = (120, 205, 255)
ORANGE: Colour = (255, 150, 50)
PALE: Colour = (240, 240, 240)
DARK: Colour = (18, 18, 18)
_DASH_PX = 14.0
_FEW_POINTS = 60
_LETTERS_LONG = 72
"""How many heights of its letters the long side of a photo measures."""


def picture_of(photo: Photo) -> Image.Image:
    """The photo as a person sees it, about 2000 px long, 8 bit RGB.

    Pixels are resampled here and nowhere else: for looking at, never for
    measuring.
    """
    from PIL import Image

    pixels = photo.pixels
    if pixels.dtype != np.uint8:
        pixels = (pixels >> 8).astype(np.uint8)
    image = Image.fromarray(pixels)
    whole = max(1, max(image.size) // LONG_SIDE_PX)
    image = image.reduce(whole) if whole > 1 else image
    if max(image.size) > _SPARE * LONG_SIDE_PX:
        share = LONG_SIDE_PX / max(image.size)
        size = (max(1, round(image.width * share)), max(1, round(image.height * share)))
        image = image.resize(size, Image.Resampling.BILINEAR)
    turned = frames.upright_pixels(np.asarray(image), photo.orientation)
    return Image.fromarray(np.ascontiguousarray(turned)).convert("RGB")


class Canvas:
    """Draws into the picture of one view; places are upright pixels of the picture.

    Parameters
    ----------
    view : View
    rows : int
        Lines of words that will stand below the photo.
    """

    def __init__(self, view: View, rows: int) -> None:
        from PIL import Image, ImageDraw, ImageFont

        photo = view.straight.photo
        self.view, self.photo = view, photo
        seen = picture_of(photo)
        self.width, self.height = seen.size
        self.letter = max(11, round(max(seen.size) / _LETTERS_LONG))
        self.unit = max(1, round(max(seen.size) / 800))
        self.row = 1.45 * self.letter
        below = round((rows + 0.8) * self.row) if rows else 0
        self.image = Image.new("RGB", (self.width, self.height + below), DARK)
        self.image.paste(seen, (0, 0))
        self._draw = ImageDraw.Draw(self.image)
        self._font = ImageFont.load_default(size=self.letter)
        width, height = frames.upright_size(photo.width_px, photo.height_px, photo.orientation)
        self._scale = np.array([self.width / width, self.height / height])

    def upright(self, points_px: Floats) -> Floats:
        """Upright px of the whole photo to the picture's."""
        return np.asarray((points_px + 0.5) * self._scale - 0.5)

    def stored(self, points_px: Floats) -> Floats:
        """Stored px to the picture's."""
        photo = self.photo
        turned = frames.stored_to_upright(
            points_px, photo.width_px, photo.height_px, photo.orientation
        )
        return self.upright(turned)

    def on_face(self, points_mm: Floats) -> Floats:
        """Millimetres on the pattern's face, plane frame, to the picture's px."""
        return self.stored(plane_to_pixels(points_mm, self.view.plane))

    def path(self, points: Floats, colour: Colour, *, closed: bool = False, wide: int = 1) -> None:
        """A line with a dark rim."""
        line = np.vstack([points, points[:1]]) if closed else points
        flat = [tuple(p) for p in line.tolist()]
        width = wide * self.unit
        # Dense lines need no rounding at their joints, which takes Pillow long.
        joint = "curve" if len(flat) < _FEW_POINTS else None
        self._draw.line(flat, fill=DARK, width=width + 2 * self.unit, joint=joint)
        self._draw.line(flat, fill=colour, width=width, joint=joint)

    def dashes(self, points: Floats, colour: Colour) -> None:
        """An open line in dashes of even length."""
        step = np.linalg.norm(np.diff(points, axis=0), axis=1)
        along = np.concatenate([[0.0], np.cumsum(step)])
        dash = _DASH_PX * self.unit / 2
        for begin in np.arange(0.0, along[-1], 2 * dash):
            at = np.linspace(begin, min(begin + dash, along[-1]), 5)
            piece = np.stack([np.interp(at, along, points[:, k]) for k in (0, 1)], axis=-1)
            self.path(piece, colour, wide=2)

    def ring(self, points: Floats, seen: Bools) -> None:
        """A closed edge: solid where seen, white dashes where bridged."""
        known = seen & np.roll(seen, -1)
        for run in runs_of(known):
            self.path(points[run], YELLOW, wide=2)
        for run in runs_of(~known):
            self.dashes(points[run], WHITE)

    def dot(self, at: Floats, colour: Colour, size: float = 3.0) -> None:
        """A filled circle with a dark rim."""
        r = size * self.unit
        box = (at[0] - r, at[1] - r, at[0] + r, at[1] + r)
        self._draw.ellipse(box, outline=DARK, fill=colour, width=self.unit)

    def circle(self, at: Floats, colour: Colour, size: float = 6.0) -> None:
        """A ring with a dark rim, that leaves open what it stands about."""
        for more, wide, ink in ((1, 4, DARK), (0, 2, colour)):
            r = (size + more) * self.unit
            box = (at[0] - r, at[1] - r, at[0] + r, at[1] + r)
            self._draw.ellipse(box, outline=ink, width=wide * self.unit)

    def arrow(self, foot: Floats, tip: Floats, colour: Colour) -> None:
        """An arrow from foot to tip."""
        along = tip - foot
        length = max(float(np.linalg.norm(along)), 1e-9)
        along = along / length
        across = np.array([-along[1], along[0]])
        head = 0.22 * length
        wings = [tip - head * along + way * 0.6 * head * across for way in (1, -1)]
        self.path(np.stack([foot, tip]), colour, wide=3)
        self.path(np.stack([wings[0], tip, wings[1]]), colour, wide=3)

    def plate(self, at: Floats, text: str) -> tuple[float, float, float, float]:
        """Ground (left, top, right, bottom) of words centred on a place, kept inside the photo."""
        left, top, right, bottom = self._draw.textbbox((0, 0), text, font=self._font)
        half = np.array([(right - left) / 2, (bottom - top) / 2]) + 0.25 * self.letter
        edge = np.array([self.width, self.height]) - half
        x, y = np.clip(np.asarray(at), half, np.maximum(edge, half))
        return float(x - half[0]), float(y - half[1]), float(x + half[0]), float(y + half[1])

    def beside(self, text: str, place: Floats, out: Floats, letters: float) -> Floats:
        """Middle (2,) of words whose near side lies so many letters from a place, the way ``out``."""
        left, top, right, bottom = self.plate(place, text)
        half = np.array([right - left, bottom - top]) / 2
        way = out / max(float(np.linalg.norm(out)), 1e-9)
        return np.asarray(place + (half + letters * self.letter) * way)

    def words(self, at: Floats, text: str, colour: Colour = WHITE) -> None:
        """Words centred on a place, on a dark ground, kept inside the photo."""
        box = self.plate(at, text)
        left, top, _, _ = self._draw.textbbox((0, 0), text, font=self._font)
        pad = 0.25 * self.letter
        self._draw.rectangle(box, fill=DARK)
        place = (box[0] + pad - left, box[1] + pad - top)
        self._draw.text(place, text, fill=colour, font=self._font)

    def line_below(self, row: int, text: str, colour: Colour = WHITE, *, x: float = 0.0) -> None:
        """Words in one of the lines below the photo, ``x`` letters from the left."""
        left = (0.8 + x) * self.letter
        self._draw.text((left, self._row_top(row)), text, fill=colour, font=self._font)

    def sample(self, row: int, x: float, colour: Colour, *, dashed: bool = False) -> None:
        """A short piece of line in one of the lines below the photo."""
        left = (0.8 + x) * self.letter
        middle = self._row_top(row) + 0.62 * self.letter
        ends = np.array([[left, middle], [left + 2.2 * self.letter, middle]])
        if dashed:
            self.dashes(ends, colour)
        else:
            self.path(ends, colour, wide=2)

    def _row_top(self, row: int) -> float:
        return self.height + (row + 0.5) * self.row


def letters_per_line(photo: Photo) -> float:
    """Width of a line below a photo in heights of its letters."""
    width, height = frames.upright_size(photo.width_px, photo.height_px, photo.orientation)
    return _LETTERS_LONG * width / max(width, height) - 1.6
