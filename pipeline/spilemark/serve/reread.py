"""A report read back as the records that it was made of: views without pixels, outlines on the bench."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from spilemark.errors import UsageError
from spilemark.frames import stored_to_upright, upright_to_stored
from spilemark.lens import pixels_to_plane, plane_to_pixels
from spilemark.records import (
    CardSighting,
    Corner,
    Edge,
    Floats,
    Lens,
    Outline,
    Photo,
    PlaneMap,
    Polyline,
    RigidMap,
    StraightPhoto,
    View,
)
from spilemark.rigid import apply, inverse


def views_of(report: dict[str, Any], arm: str) -> tuple[View, ...]:
    """The photos of an arm, placed as the report has them; their pixels are all black.

    None for a report of an earlier version.
    """
    return tuple(
        _view(photo, cards)
        for photo, cards in zip(report["provenance"]["photos"], report["cards"], strict=True)
        if photo["arm"] == arm and "rotation_rad" in cards
    )


def plane_of(cards: dict[str, Any]) -> PlaneMap:
    """How a photo's pixels lie on the face of its pattern, by its row of ``cards``."""
    return PlaneMap(
        lens=np.array(cards["lens"], dtype=np.float64),
        rotation_rad=np.array(cards["rotation_rad"]),
        translation_mm=np.array(cards["translation_mm"]),
        height_mm=cards["face_height_mm"],
        gain=np.zeros((16, 0)),
    )


def on_photo(
    points: Floats, plane: PlaneMap, size: tuple[int, int], orientation: int
) -> list[list[float]]:
    """Points of the face, mm, on its photo, upright px; ``size`` is the stored one."""
    upright = stored_to_upright(plane_to_pixels(points, plane), *size, orientation)
    rows: list[list[float]] = upright.round(2).tolist()
    return rows


def _view(photo: dict[str, Any], cards: dict[str, Any]) -> View:
    # One black pixel stands for all: whoever looks at the photo reads it again.
    black = np.broadcast_to(np.uint8(0), (photo["height_px"], photo["width_px"]))
    plane = plane_of(cards)
    straight = StraightPhoto(
        photo=Photo(
            path=Path(photo["name"]),
            sha256=photo["sha256"],
            pixels=black,
            orientation=photo["orientation"],
        ),
        lens=Lens(values=plane.lens, covariance=np.zeros((9, 9)), basis="as measured"),
        lens_group="",
        arm=photo["arm"],
    )
    size = photo["width_px"], photo["height_px"]
    return View(
        straight=straight,
        plane=plane,
        cards=tuple(_card(card, size, photo["orientation"], plane) for card in cards["cards"]),
        residual_rms_px=0.0,
        card_hull_mm=np.zeros((0, 2)),
    )


def _card(
    card: dict[str, Any], size: tuple[int, int], orientation: int, plane: PlaneMap
) -> CardSighting:
    """Where a card lies; what was measured of it is left out."""
    outline = upright_to_stored(np.array(card["corners_px"], dtype=np.float64), *size, orientation)
    on_bench = pixels_to_plane(outline, plane)
    return CardSighting(
        name=card["name"],
        crossings_px=np.zeros((0, 2)),
        residuals_px=np.zeros((0, 2)),
        kept=np.zeros(0, dtype=bool),
        outline_px=outline,
        outline_mm=on_bench,
        cross_mm=on_bench.mean(axis=0),
        lift_mm=0.0,
        bow_mm=0.0,
    )


def outline_of(pattern: dict[str, Any], views: tuple[View, ...]) -> Outline:
    """A pattern's outer edge on the bench, without what its points share.

    Corners and edges have their names; a pattern laid face down is turned back.
    """
    laid = laid_of(pattern)
    boat = np.array(pattern["outline_mm"], dtype=np.float64)
    points = apply(inverse(laid), boat)
    n = len(points)
    # A flip turns a ring's order about; wood is on the left of every record's.
    numbers = np.arange(n)[::-1] if laid.flipped else np.arange(n)
    place = np.argsort(numbers)
    ring = Polyline(
        role="edge",
        points_mm=points[numbers],
        sigma_mm=_numbers(pattern["sigma_mm"], n)[numbers],
        sensitivity_mm=np.zeros((n, 0)),
        seen=np.array(pattern["seen"], dtype=bool)[numbers],
        by_hand=np.array(pattern["by_hand"] or np.zeros(n), dtype=bool)[numbers],
    )
    corners = [
        Corner(index=int(place[_nearest(boat, at)]), angle_deg=90.0, name=name)
        for name, at in pattern["corners_mm"].items()
    ]
    edges = [_edge(edge, place, flipped=laid.flipped) for edge in pattern["edges"]]
    names = set(pattern["photos"])
    return Outline(
        polylines=(ring,),
        corners=tuple(sorted(corners, key=lambda corner: corner.index)),
        edges=tuple(sorted(edges, key=lambda edge: edge.start)),
        causes=(),
        views=tuple(view for view in views if view.straight.photo.path.name in names),
        whole=pattern["whole"],
        drawn_width_mm=pattern.get("drawn_width_mm"),
    )


def traced_outline(traced: dict[str, Any], views: tuple[View, ...]) -> Outline:
    """An outline as it was before anything was put right by hand; corners and edges have no names."""
    points = np.array(traced["outline_mm"], dtype=np.float64)
    n = len(points)
    ring = Polyline(
        role="edge",
        points_mm=points,
        sigma_mm=np.full(n, np.nan),
        sensitivity_mm=np.zeros((n, 0)),
        seen=np.array(traced["seen"], dtype=bool),
    )
    names = set(traced["photos"])
    return Outline(
        polylines=(ring,),
        corners=tuple(Corner(index=k, angle_deg=90.0) for k in traced["corners"]),
        edges=tuple(_edge(edge, np.arange(n), flipped=False) for edge in traced["edges"]),
        causes=(),
        views=tuple(view for view in views if view.straight.photo.path.name in names),
        whole=traced["whole"],
        drawn_width_mm=traced["drawn_width_mm"],
    )


def laid_of(pattern: dict[str, Any]) -> RigidMap:
    """How a pattern was laid in the boat's frame."""
    laid = pattern["laid"]
    return RigidMap(
        turn_rad=laid["turn_rad"], shift_mm=tuple(laid["shift_mm"]), flipped=laid["flipped"]
    )


def _edge(edge: dict[str, Any], place: Any, *, flipped: bool) -> Edge:
    start, stop = (int(place[edge[key]]) for key in ("from", "to"))
    if flipped:
        start, stop = stop, start
    return Edge(
        name=edge["name"],
        start=start,
        stop=stop,
        length_mm=edge["length_mm"],
        straight=edge.get("straight", False),
    )


def _numbers(values: list[float | None], n: int) -> Floats:
    found = np.array([np.nan if v is None else v for v in values], dtype=np.float64)
    return found if len(found) == n else np.full(n, np.nan)


def _nearest(points: Floats, at: Any) -> int:
    return int(np.argmin(np.linalg.norm(points - np.array(at, dtype=np.float64), axis=1)))


def carried(
    report: dict[str, Any], arm: str, photos: tuple[str, str], places: list[float]
) -> list[float]:
    """Places (x, y, x, y ...), upright px, from one photo of an arm to another, by the face between them.

    Raises
    ------
    UsageError
        One of the photos was not measured.
    """
    views = {view.straight.photo.path.name: view for view in views_of(report, arm)}
    if not views.keys() >= set(photos):
        raise UsageError(
            "This photo was not measured with the side's first one yet.",
            "Measure the job again, or show the place in the first photo.",
        )
    shown, other = (views[name] for name in photos)
    photo = shown.straight.photo
    size = photo.width_px, photo.height_px
    upright = np.array(places, dtype=np.float64).reshape(-1, 2)
    on_face = pixels_to_plane(upright_to_stored(upright, *size, photo.orientation), shown.plane)
    photo = other.straight.photo
    stored = plane_to_pixels(on_face, other.plane)
    found = stored_to_upright(stored, photo.width_px, photo.height_px, photo.orientation)
    return [round(float(v), 2) for v in found.ravel()]


@lru_cache(maxsize=2)
def read_again(path: Path, stamp: tuple[int, int], is_scan: bool) -> Photo:  # noqa: ARG001
    """A photo with its pixels; the last two are kept, for as long as their files stay as they are."""
    from spilemark.serve.tasks import kitchen

    ready = kitchen()
    name = ready.name_of("read_source")
    photo: Photo = ready.plugins.call(
        "read_source",
        name,
        path=path,
        is_scan=is_scan,
        options=ready.options["read_source", name],
    )
    return photo
