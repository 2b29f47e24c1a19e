"""Plug-in "card-survey": cards, camera and true scale of all photos of a job, found at once."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.spatial import ConvexHull

from spilemark.cards import CardSet
from spilemark.errors import NoScale
from spilemark.hookspecs import hookimpl
from spilemark.lens import mm_per_px_across, pixels_to_plane, plane_to_pixels
from spilemark.records import (
    Bools,
    CardSighting,
    Floats,
    JobFacts,
    PlaneMap,
    StraightPhoto,
    Survey,
    View,
)
from spilemark_stages.rectify.card_faults import Freed
from spilemark_stages.rectify.contradictions import contradiction, doubted
from spilemark_stages.rectify.dots import dots_notes, from_the_cards
from spilemark_stages.rectify.findings import survey_notes
from spilemark_stages.rectify.flatbed import with_squareness
from spilemark_stages.rectify.glass import of_one_print, refuse_slanted_scans, scanned_notes
from spilemark_stages.rectify.measure import measure_photo
from spilemark_stages.rectify.model import board_points, place_card
from spilemark_stages.rectify.observations import Beliefs, CardObservation, PhotoObservation
from spilemark_stages.rectify.other_cameras import explained
from spilemark_stages.rectify.refusal import check_photos_connect, no_card_error
from spilemark_stages.rectify.repeats import repeat_notes
from spilemark_stages.rectify.same_bench import check_same_bench
from spilemark_stages.rectify.scale import (
    check_cards_lay_still,
    check_lengths,
    check_lengths_beforehand,
    gather_beliefs,
    scale_notes,
    state_scale,
)
from spilemark_stages.rectify.solve import Solution, SolvedView
from spilemark_stages.rectify.whose_lens import (
    Attempt,
    clearly_better,
    solve_with_lenses,
    unlike_stored,
    without_misfits,
    without_strangers,
)

_SMALLEST_PX_MM, _LARGEST_PX_MM = 0.004, 12.0
"""What a pixel may measure on the bench: from a close-up scan to a large hull in a small picture."""


@dataclass(frozen=True)
class Options:
    """How far printing and reading are trusted."""

    nominal_print_percent: float = field(
        default=0.5,
        metadata={"help": "One sigma of the print scale when nothing was measured.", "unit": "%"},
    )
    bar_reading_mm: float = field(
        default=0.08,
        metadata={"help": "One sigma of reading a 100 mm check bar with a rule.", "unit": "mm"},
    )


@hookimpl
def declare_options() -> type:
    """Options of this plug-in."""
    return Options


@hookimpl
def rectify(
    photos: tuple[StraightPhoto, ...], card_set: CardSet, job: JobFacts, options: Options
) -> Survey:
    """Find the cards in all photos and solve lens, poses, cards and scale at once."""
    observed = tuple(
        measure_photo(photo, card_set, f"{photo.arm}:{photo.photo.path.name}") for photo in photos
    )
    for photo, seen in zip(photos, observed, strict=True):
        if not seen.cards:
            raise no_card_error(photo, card_set)
    return survey_from(photos, observed, card_set, job, options)


def survey_from(
    photos: tuple[StraightPhoto, ...],
    observed: tuple[PhotoObservation, ...],
    card_set: CardSet,
    job: JobFacts,
    options: Options,
) -> Survey:
    """Solve what was measured: the door for simulators, whose photos have no pixels worth reading.

    Parameters
    ----------
    photos, observed
        In the same order.
    """
    refuse_slanted_scans(observed)
    observed, strange = of_one_print(observed)
    check_photos_connect(observed)
    observed = from_the_cards(observed)
    beliefs = gather_beliefs(
        job,
        card_set,
        observed,
        nominal_sigma=options.nominal_print_percent / 100,
        bar_sigma_mm=options.bar_reading_mm,
    )
    check_same_bench(observed, beliefs)
    check_cards_lay_still(observed, beliefs)
    check_lengths_beforehand(observed, beliefs)
    tried, found = _solved(photos, observed, beliefs)
    check_lengths(found.solution)
    odd = contradiction(tried.observed, found.beliefs, found.solution, job)
    if odd is not None:
        beliefs = doubted(beliefs, odd[0])
        tried, found = _solved(photos, observed, beliefs)
        check_lengths(found.solution)
        strange.append(odd[1])
    photos, observed, solution = tried.photos, tried.observed, found.solution
    notes = [*strange, *tried.notes]
    solution, skewed = with_squareness(observed, solution, beliefs)
    views = tuple(
        _view(straight, seen, solved, solution)
        for straight, seen, solved in zip(photos, observed, solution.views, strict=True)
    )
    scale = state_scale(solution, job, views)
    notes += scale_notes(job, scale, beliefs, observed, card_set)
    notes += survey_notes(views, observed, solution, found.faults) + repeat_notes(observed)
    notes += scanned_notes(observed, [straight.photo.camera.tells_lens for straight in photos])
    notes += unlike_stored(photos, solution)
    notes += dots_notes(views, scale) + skewed
    return Survey(views=views, causes=solution.causes, scale=scale, notes=tuple(notes))


def _solved(
    photos: tuple[StraightPhoto, ...], observed: tuple[PhotoObservation, ...], beliefs: Beliefs
) -> tuple[Attempt, Freed]:
    """All photos solved by the lenses that they bear out, with faulty cards named."""
    tried, found = explained(solve_with_lenses(photos, observed, beliefs), beliefs)
    again = without_strangers(tried, observed, beliefs)
    if again is not None:
        return explained(again, beliefs)
    again = without_misfits(tried, observed, beliefs)
    if again is None:
        return tried, found
    other, freed = explained(again, beliefs)
    return (other, freed) if clearly_better(other, tried) else (tried, found)


def _view(
    straight: StraightPhoto, seen: PhotoObservation, solved: SolvedView, solution: Solution
) -> View:
    plane = PlaneMap(
        lens=solved.numbers[:9],
        rotation_rad=solved.numbers[9:12],
        translation_mm=solved.numbers[12:15],
        height_mm=float(solved.numbers[15]),
        gain=solved.gain,
    )
    cards = tuple(
        _sighting(card, seen.arm, plane, solution, residuals, kept)
        for card, residuals, kept in zip(seen.cards, solved.residuals_px, solved.kept, strict=True)
    )
    good = [
        place_card(
            board_points(
                c.card, c.which[kept], solution.print_scale, 0.0, 0.0, solution.print_shear
            ),
            solution.places[seen.arm, c.card.name],
        )[:, :2]
        for c, kept in zip(seen.cards, solved.kept, strict=True)
        if kept.any()
    ]
    if not good or not _sensible(plane, straight):
        raise NoScale(
            f"The scale cards in {straight.photo.path.name} contradict each other.",
            "Lay printed cards flat, without folds or reflections, and photograph again.",
        )
    crossings = np.concatenate(good)
    residual = np.concatenate([r[k] for r, k in zip(solved.residuals_px, solved.kept, strict=True)])
    return View(
        straight=straight,
        plane=plane,
        cards=cards,
        residual_rms_px=float(np.sqrt((residual**2).mean())),
        card_hull_mm=crossings[ConvexHull(crossings).vertices],
        tags=seen.tags,
    )


def _sensible(plane: PlaneMap, straight: StraightPhoto) -> bool:
    """Whether the bench lies before the camera at a size that a bench can have.

    Shreds of cards in a damaged picture may be solved by a plane seen edge on,
    or by one of kilometres.
    """
    photo = straight.photo
    middle = np.array([[(photo.width_px - 1) / 2, (photo.height_px - 1) / 2]])
    at = pixels_to_plane(middle, plane)
    if not (np.isfinite(at).all() and np.isfinite(plane.rotation_rad).all()):
        return False
    across = [
        float(mm_per_px_across(at, np.array([n]), plane)[0]) for n in ((1.0, 0.0), (0.0, 1.0))
    ]
    return all(np.isfinite(mm) and _SMALLEST_PX_MM < mm < _LARGEST_PX_MM for mm in across)


def _sighting(
    seen: CardObservation,
    arm: str,
    plane: PlaneMap,
    solution: Solution,
    residuals: Floats,
    kept: Bools,
) -> CardSighting:
    place = solution.places[arm, seen.card.name]
    width, height = seen.card.size_mm
    corners = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) * [width / 2, height / 2]
    cross = (np.array(seen.card.tape_cross_mm) - [width / 2, height / 2]) * [1.0, -1.0]
    flat = np.vstack([corners, cross]) * solution.print_scale
    flat[:, 0] += solution.print_shear * flat[:, 1]
    lain = place_card(np.column_stack([flat, np.zeros(5)]), place)[:, :2]
    return CardSighting(
        name=seen.card.name,
        crossings_px=seen.points_px,
        residuals_px=residuals,
        kept=kept,
        outline_px=plane_to_pixels(lain[:4], plane, height_mm=float(place[3])),
        outline_mm=lain[:4],
        cross_mm=lain[4],
        lift_mm=float(place[3]),
        bow_mm=float(place[4]),
        edge_shift_px=seen.edge_shift_px,
        edge_shift_mm=(
            None
            if seen.edge_shift_px is None
            else seen.edge_shift_px / float(seen.px_per_mm.mean())
        ),
    )
