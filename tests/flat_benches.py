"""Drawn cards lying flat, their survey, and how far a traced outline is from what was drawn."""

from __future__ import annotations

import numpy as np
import shapely
from scipy.optimize import least_squares

from spilemark.cards import shop_cards
from spilemark.records import Floats, JobFacts, Outline, Photo, StraightPhoto, Survey
from spilemark.testing.bench import LaidCard
from spilemark_stages.rectify.card_survey import Options, rectify
from spilemark_stages.undistort import exif_prior


def laid(
    name: str,
    at_mm: tuple[float, float],
    turn_deg: float,
    *,
    lift_mm: float = 0.0,
    print_scale: tuple[float, float] = (1.0, 1.0),
) -> LaidCard:
    """One of our own cards."""
    return LaidCard(
        card=shop_cards().card(name),
        centre_mm=np.array(at_mm, dtype=np.float64),
        turn_rad=float(np.radians(turn_deg)),
        base_mm=0.0,
        lift_mm=lift_mm,
        bow_mm=0.0,
        print_scale=print_scale,
        shear=0.0,
    )


def proposed(photo: Photo, facts: JobFacts) -> StraightPhoto:
    return exif_prior.undistort(photo=photo, arm="single", job=facts, options=exif_prior.Options())


def surveyed(*photos: Photo, facts: JobFacts) -> Survey:
    straight = tuple(proposed(photo, facts) for photo in photos)
    return rectify(photos=straight, card_set=shop_cards(), job=facts, options=Options())


def misses(outline: Outline, truth: Floats) -> Floats:
    """Distances (N,) of a traced ring from the truth after the best rigid fit; inside negative."""
    ring, area = shapely.LinearRing(truth), shapely.Polygon(truth)
    points = outline.ring.points_mm

    def away(x: Floats) -> Floats:
        c, s = np.cos(x[0]), np.sin(x[0])
        at = shapely.points(points @ np.array([[c, s], [-s, c]]) + x[1:])
        distance = shapely.distance(at, ring)
        return np.where(shapely.contains(area, at), -distance, distance)

    start = np.r_[0.0, truth.mean(0) - points.mean(0)]
    fits = [least_squares(away, start + [turn, 0, 0]) for turn in np.arange(-3.1, 3.1, 0.5)]
    return away(min(fits, key=lambda fit: fit.cost).x)


def within_doubt(outline: Outline, off_mm: Floats) -> float:
    """Share of points whose miss lies within their own 95 % interval."""
    ring = outline.ring
    doubt = 1.96 * np.sqrt(ring.sigma_mm**2 + (ring.sensitivity_mm**2).sum(axis=1))
    return float((np.abs(off_mm) < doubt).mean())
