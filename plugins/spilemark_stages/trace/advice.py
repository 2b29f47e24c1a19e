"""By how much each photo narrows the interval, and what one more, or a card, would do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely

from spilemark.frames import upright_to_stored
from spilemark.lens import camera_centre, height_sensitivity, pixels_to_plane
from spilemark.records import Floats, Note, View
from spilemark.uncertainty import u95_fit
from spilemark_stages.trace.fusion import Sighting, fuse
from spilemark_stages.trace.several import FusedPiece, without_motions
from spilemark_stages.trace.traced_ring import POINTS_MM, TracedRing

_TILT_DEG = 20.0
_WORTH = 0.6
"""Advice is given when one more photo would leave at most this share of the largest doubt ..."""
_LARGE_MM = 0.15
"""... and that doubt is at least this."""
_OUTSIDE_MM = 60.0
_FEWEST_CARDS = 3
"""With fewer, everything lies outside of them, and that has its own note."""
_SIDES = {
    "the left": (-1.0, 0.0),
    "the right": (1.0, 0.0),
    "the top": (0.0, 1.0),
    "the bottom": (0.0, -1.0),
}


def photo_notes(piece: FusedPiece) -> tuple[Note, ...]:
    """What each photo brought, and which further one would bring most."""
    widths = [_doubt(piece, piece.sightings[: k + 1]) for k in range(len(piece.pieces))]
    names = [p.view.straight.photo.path.name for p in piece.pieces]
    first = f"traced in {names[0]} alone {_said(widths[0])}"
    more = [f"with {name} {_said(w)}" for name, w in zip(names[1:], widths[1:], strict=True)]
    told = Note(
        code="photos-narrow",
        severity="info",
        text="Doubt of the shape (95 %, typical and at its worst place): "
        + ", ".join([first, *more])
        + ". Cards and camera were placed by all of them.",
        value=float(widths[-1].max()),
        unit="mm",
    )
    return (told, *_one_more(piece, widths[-1]))


def outside_note(outer: TracedRing, views: tuple[View, ...]) -> tuple[Note, ...]:
    """Said when a part of the edge lies well outside of the area that the cards enclose."""
    if len({card.name for view in views for card in view.cards}) < _FEWEST_CARDS:
        return ()
    hulls = [shapely.MultiPoint(v.card_hull_mm) for v in views if len(v.card_hull_mm) >= 3]
    if not hulls:
        return ()
    hull = shapely.union_all(hulls).convex_hull
    away = shapely.distance(shapely.points(outer.points_mm), hull)
    far = int(np.argmax(away))
    if away[far] < _OUTSIDE_MM:
        return ()
    at = outer.points_mm[far]
    card = _near_card(views[0], at)
    return (
        Note(
            code="outside-cards",
            severity="info",
            text=f"The pattern reaches {away[far]:.0f} mm outside of the cards, beyond card {card}:"
            " the doubt grows quickly there. Put a card beside it.",
            value=float(away[far]),
            unit="mm",
            at_mm=(float(at[0]), float(at[1])),
            photo=views[0].straight.photo.path.name if len(views) == 1 else "",
        ),
    )


def _said(widths: Floats) -> str:
    return f"±{np.median(widths):.2f} and ±{widths.max():.2f} mm"


def _doubt(piece: FusedPiece, sightings: tuple[Sighting, ...]) -> Floats:
    """95 % half-width (N,) of the shape of the outer edge from some of the photos."""
    wide = [replace(s, table=s.table * piece.fused.widen) for s in sightings]
    fused = fuse(wide, POINTS_MM, (), piece.tables.motions, piece.rings.starts)
    n = len(piece.outer.points_mm)
    sensitivity = without_motions(fused.carried(fused.table[:n])[1], piece.tables)
    line = replace(
        piece.polyline(0, "edge"), sigma_mm=fused.sigma_mm[:n], sensitivity_mm=sensitivity
    )
    return u95_fit(line)


def _one_more(piece: FusedPiece, now: Floats) -> list[Note]:
    """Advice on a further photo from the side from which it would help most."""
    worst = int(np.argmax(now))
    if now[worst] < _LARGE_MM:
        return []
    left = {
        side: float(_doubt(piece, (*piece.sightings, _imagined(piece, np.array(way)))).max())
        for side, way in _SIDES.items()
    }
    side = min(left, key=lambda key: left[key])
    if left[side] > _WORTH * now[worst]:
        return []
    at, name = piece.outer.points_mm[worst], piece.pieces[0].view.straight.photo.path.name
    return [
        Note(
            code="one-more-photo",
            severity="info",
            text=f"One more photo, taken from {side} as {name} shows it and tilted by about"
            f" {_TILT_DEG:.0f} degrees, would bring the doubt by card"
            f" {_near_card(piece.pieces[0].view, at)} from ±{now[worst]:.2f} to about"
            f" ±{left[side]:.2f} mm.",
            value=left[side],
            unit="mm",
            at_mm=(float(at[0]), float(at[1])),
        )
    ]


def _imagined(piece: FusedPiece, way: Floats) -> Sighting:
    """What a photo from a side would say: as good as the base's, but for where it is taken from."""
    base, plane = piece.sightings[0], piece.pieces[0].view.plane
    points, normals = piece.rings.points, piece.rings.normals
    centre = camera_centre(plane)
    height = float(centre[2]) - plane.height_mm
    # Up in the picture as it is looked at is about away from the camera's lower side.
    axes = _picture_axes(piece.pieces[0].view)
    foot = points.mean(axis=0) + height * np.tan(np.radians(_TILT_DEG)) * (way @ axes)
    raised = -np.einsum("ni,ni->n", normals, points - foot) / height
    change = raised - height_sensitivity(points, normals, plane)
    table = base.table.copy()
    survey = plane.gain.shape[1]
    table[:, :survey] += change[:, None] * plane.gain[15]
    forms = piece.tables.heights(points)[:, piece.tables.bends]
    table[:, piece.tables.bends] = raised[:, None] * forms
    return Sighting(np.zeros(len(points)), base.sigma_mm, np.ones(len(points)), table)


def _picture_axes(view: View) -> Floats:
    """Right and up of the picture as it is looked at, on the bench (2, 2)."""
    photo = view.straight.photo
    wide, high = photo.width_px, photo.height_px
    middle = np.array([wide, high]) / 2.0
    turned = photo.orientation >= 5
    middle = middle[::-1] if turned else middle
    ends = np.array([middle, middle + [100.0, 0.0], middle - [0.0, 100.0]])
    on_bench = pixels_to_plane(upright_to_stored(ends, wide, high, photo.orientation), view.plane)
    ways = on_bench[1:] - on_bench[0]
    return np.asarray(ways / np.linalg.norm(ways, axis=1, keepdims=True))


def _near_card(view: View, point: Floats) -> str:
    """Name of the card nearest to a point."""
    cards = [(float(np.linalg.norm(card.cross_mm - point)), card.name) for card in view.cards]
    return min(cards, default=(0.0, ""))[1]
