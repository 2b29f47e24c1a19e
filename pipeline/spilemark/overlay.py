"""Overlay pictures: the photo as a person sees it, with what was found drawn on it.

Pixels are resampled here and nowhere else: for looking at, never for measuring.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from spilemark import frames
from spilemark.errors import CannotWrite
from spilemark.lens import plane_to_pixels
from spilemark.records import Bools, Floats, Note, Outline, Photo, View
from spilemark.results import JobResult

if TYPE_CHECKING:
    from PIL import Image

_LONG_SIDE_PX = 2000
_QUALITY = 88
_EDGE = (255, 214, 10)
_UNSEEN = (255, 255, 255)
_LINE = (90, 200, 250)
_CARD = (80, 220, 120)
_DARK = (0, 0, 0)


def write_overlays(result: JobResult, folder: Path) -> tuple[Path, ...]:
    """Write ``overlay_<arm>.jpg`` for the first photo of each arm, ``overlay_<arm>_2.jpg`` for the next.

    Raises
    ------
    CannotWrite
        The disk refuses.
    """
    files = []
    at = 0
    for arm, photos in result.photos.items():
        for k, _ in enumerate(photos):
            view = result.survey.views[at]
            at += 1
            picture = overlay(view, result.outlines.get(arm, ()), result.notes)
            path = folder / (f"overlay_{arm}.jpg" if k == 0 else f"overlay_{arm}_{k + 1}.jpg")
            try:
                picture.save(path, "JPEG", quality=_QUALITY, subsampling=0)
            except OSError as error:
                raise CannotWrite(
                    f"{path} cannot be written: {error.strerror}.",
                    "Free some space or choose --out.",
                ) from error
            files.append(path)
    return tuple(files)


def overlay(view: View, outlines: Sequence[Outline], notes: Sequence[Note] = ()) -> Image.Image:
    """The upright photo, reduced, with edges, lines, corners, cards and the places of notes."""
    from PIL import ImageDraw

    photo = view.straight.photo
    picture = _upright(photo)
    canvas = _Canvas(view, picture, ImageDraw.Draw(picture))
    for card in view.cards:
        canvas.closed(canvas.stored(card.outline_px), _CARD, canvas.unit)
        kept = card.residuals_px[card.kept]
        rms = float(np.sqrt((kept**2).mean())) if len(kept) else float("nan")
        canvas.words(
            canvas.stored(card.outline_px).mean(axis=0), f"{card.name}  {rms:.2f} px", _CARD
        )
    for outline in outlines:
        canvas.outline(outline)
    for note in notes:
        if note.photo == photo.path.name and note.at_px is not None:
            canvas.cross(canvas.upright(np.array([note.at_px]))[0], _UNSEEN)
    canvas.legend()
    return picture


def _upright(photo: Photo) -> Image.Image:
    """The photo as it is looked at, at most 2000 px long, 8 bit RGB."""
    from PIL import Image

    pixels = photo.pixels
    step = max(1, max(pixels.shape[:2]) // (2 * _LONG_SIDE_PX))
    small = pixels[::step, ::step]
    eight = small if small.dtype == np.uint8 else (small >> 8).astype(np.uint8)
    image = Image.fromarray(
        np.ascontiguousarray(frames.upright_pixels(eight, photo.orientation))
    ).convert("RGB")
    share = _LONG_SIDE_PX / max(image.size)
    if share < 1:
        size = (max(1, round(image.width * share)), max(1, round(image.height * share)))
        image = image.resize(size, Image.Resampling.BOX)
    return image


class _Canvas:
    """Draws in the reduced upright picture."""

    def __init__(self, view: View, picture: Image.Image, draw: Any) -> None:
        from PIL import ImageFont

        photo = view.straight.photo
        self.view, self.photo, self.draw = view, photo, draw
        width, _ = frames.upright_size(photo.width_px, photo.height_px, photo.orientation)
        self.scale = picture.width / width
        self.unit = max(2, round(max(picture.size) / 700))
        self.letter = max(13, max(picture.size) // 75)
        self.font = ImageFont.load_default(size=self.letter)
        self.height = picture.height

    def upright(self, points_px: Floats) -> Floats:
        """Upright px of the full photo to picture px."""
        return np.asarray((points_px + 0.5) * self.scale - 0.5)

    def stored(self, points_px: Floats) -> Floats:
        """Stored px to picture px."""
        photo = self.photo
        turned = frames.stored_to_upright(
            points_px, photo.width_px, photo.height_px, photo.orientation
        )
        return self.upright(turned)

    def on_face(self, points_mm: Floats) -> Floats:
        """Millimetres on the pattern's face to picture px."""
        return self.stored(plane_to_pixels(points_mm, self.view.plane))

    def outline(self, outline: Outline) -> None:
        for line in (outline.ring, *outline.of_role("hole")):
            points = self.on_face(line.points_mm)
            self.ring(points, line.seen)
        for role, colour in (("mark", _UNSEEN), ("centreline", _LINE)):
            for line in outline.of_role(role):  # type: ignore[arg-type]
                points = self.on_face(line.points_mm)
                self.path(points, _DARK, self.unit + 2)
                self.path(points, colour, self.unit)
        ring = self.on_face(outline.ring.points_mm)
        for corner in outline.corners:
            self.dot(ring[corner.index], _EDGE)

    def ring(self, points: Floats, seen: Bools) -> None:
        """Solid with a dark rim where seen, broken white where bridged."""
        closed = np.vstack([points, points[:1]])
        known = seen & np.roll(seen, -1)
        self.path(closed, _DARK, self.unit + 2)
        for k in range(len(points)):
            if known[k]:
                self.path(closed[k : k + 2], _EDGE, self.unit)
            elif (k // 4) % 2 == 0:
                self.path(closed[k : k + 2], _UNSEEN, self.unit + 1)

    def closed(self, points: Floats, colour: tuple[int, int, int], width: int) -> None:
        self.path(np.vstack([points, points[:1]]), colour, width)

    def path(self, points: Floats, colour: tuple[int, int, int], width: int) -> None:
        self.draw.line([tuple(p) for p in points], fill=colour, width=width, joint="curve")

    def dot(self, at: Floats, colour: tuple[int, int, int]) -> None:
        r = 2.2 * self.unit
        box = (at[0] - r, at[1] - r, at[0] + r, at[1] + r)
        self.draw.ellipse(box, outline=_DARK, fill=colour)

    def cross(self, at: Floats, colour: tuple[int, int, int]) -> None:
        r = 5 * self.unit
        for way in (1, -1):
            ends = np.array([[at[0] - r, at[1] - way * r], [at[0] + r, at[1] + way * r]])
            self.path(ends, _DARK, self.unit + 2)
            self.path(ends, colour, self.unit)

    def words(self, at: Floats, text: str, colour: tuple[int, int, int]) -> None:
        self.draw.text(
            tuple(at),
            text,
            fill=colour,
            font=self.font,
            anchor="mm",
            stroke_width=3,
            stroke_fill=_DARK,
        )

    def legend(self) -> None:
        rows = (
            ("solid: edge as measured, dots: corners", _EDGE),
            ("broken white: not seen, bridged", _UNSEEN),
            ("reference line", _LINE),
            ("scale cards, misfit in pixels", _CARD),
        )
        size = self.letter
        for k, (text, colour) in enumerate(rows):
            y = self.height - (len(rows) - k) * 1.4 * size - 8
            self.draw.text(
                (14, y), text, fill=colour, font=self.font, stroke_width=3, stroke_fill=_DARK
            )
