"""Whether a part on the centreline is the same on both sides of its line."""

from __future__ import annotations

import numpy as np

from spilemark.records import Floats, JobFacts, Note, Outline
from spilemark.symmetry import object_asymmetry
from spilemark.uncertainty import COVERAGE_FACTOR
from spilemark_stages.register import findings


def symmetry_notes(outline: Outline, datum_mm: Floats, job: JobFacts) -> tuple[Note, ...]:
    """The pair of corners that differs most, when that can be seen.

    Parameters
    ----------
    outline : Outline
        In the boat frame, corners named; those whose names begin with
        "starboard" and "port" are pairs.
    datum_mm : (N, K)
        Change of the ring per sigma of each cause in that frame.
    """
    corners = {c.name: c.index for c in outline.corners}
    ring = outline.ring
    worst: tuple[float, Note] | None = None
    for name, index in corners.items():
        partner = corners.get(name.replace("starboard", "port", 1))
        if not name.startswith("starboard") or partner is None:
            continue
        pair = ring.points_mm[[index, partner]]
        apart = 2.0 * float(np.linalg.norm(object_asymmetry(pair, [1, 0])[0]))
        spread = (datum_mm[[index, partner]] ** 2).sum() + (
            ring.sigma_mm[[index, partner]] ** 2
        ).sum()
        u95 = COVERAGE_FACTOR * float(np.sqrt(spread))
        if apart > max(u95, job.tolerance_mm) and (worst is None or apart > worst[0]):
            plain = name.replace("starboard ", "", 1)
            worst = apart, findings.not_symmetric(plain, pair[0], pair[1], apart, u95, job)
    return () if worst is None else (worst[1],)
