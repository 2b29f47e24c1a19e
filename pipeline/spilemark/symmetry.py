"""A part that straddles the centreline, against its own mirror image.

Port and starboard knees are two parts, one compared with the mirror of the
other (matching symmetry); a breasthook is one part, symmetric in itself (object
symmetry): Klingenberg, Barluenga and Meyer, "Shape analysis of symmetric
structures", Evolution 56(10), 2002.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from spilemark.frames import mirror_across_centreline
from spilemark.records import Floats


def object_asymmetry(points_mm: Floats, partner: Sequence[int]) -> Floats:
    """Asymmetric part (N, 2) of paired points about x = 0, mm.

    Half of what each point differs from the mirror image of its partner: taken
    off all points, it leaves a symmetric set.

    Parameters
    ----------
    points_mm : (N, 2)
        Boat frame.
    partner : sequence of int
        Index of each point's partner on the other side; its own for a point on
        the centreline.
    """
    p = np.asarray(points_mm, dtype=np.float64)
    return np.asarray(0.5 * (p - mirror_across_centreline(p[np.asarray(partner)])))
