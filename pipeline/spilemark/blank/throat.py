"""Where a part's inside edge is a lamination's own face: no wood beyond it, and no saw along it."""

from __future__ import annotations

import numpy as np

from spilemark.blank.curves import Floats
from spilemark.shop.outlines import ShopOutline

_BEYOND = 1.05
_LEAST_MM = 0.1


def less_beyond_throat(ring_mm: Floats, outline: ShopOutline, throat: str) -> tuple[Floats, Floats]:
    """A ring outside a part's outline, cut back to the part's inside edge.

    A cutting line goes round all of a part; where the inside edge is the face of
    a lamination there is no wood beyond it to leave.

    Parameters
    ----------
    ring_mm : (N, 2)
        What has to come out of the wood, about the outline.
    outline : ShopOutline
    throat : str
        Name of its inside edge.

    Returns
    -------
    ring : (M, 2)
        The same without what lies beyond the throat, anticlockwise.
    line : (K, 2)
        The throat, run on straight at both ends as far as the ring goes.

    Raises
    ------
    UsageError
        The part has no edge of that name.
    """
    from shapely import LineString, Polygon, get_parts

    line = outline.points_mm[outline.indices(outline.edge(throat))]
    shape = Polygon(ring_mm)
    past = max(shape.hausdorff_distance(Polygon(outline.points_mm)), _LEAST_MM) * _BEYOND
    longer = _run_on(line, 3.0 * past)
    inward = LineString(longer).buffer(-past, single_sided=True, join_style="mitre")
    outward = LineString(longer).buffer(past, single_sided=True, join_style="mitre")
    wood = Polygon(outline.points_mm)
    # The strip on whichever side of the line the part is not.
    beyond = min((inward, outward), key=lambda strip: float(strip.intersection(wood).area))
    parts = get_parts(shape.difference(beyond.buffer(1e-9)))
    kept = max(parts, key=lambda part: float(part.area))
    ring = np.asarray(kept.exterior.coords)[:-1]
    return (ring if kept.exterior.is_ccw else ring[::-1]), longer


def _run_on(line: Floats, by_mm: float) -> Floats:
    """A line with its first and last side run on straight."""
    ends = []
    for end, inner in ((line[0], line[1:]), (line[-1], line[-2::-1])):
        # A measured edge scatters from point to point: its way at the end is that of some length.
        far = np.linalg.norm(inner - end, axis=1)
        mate = inner[min(int(np.searchsorted(far, 4.0)), len(inner) - 1)]
        way = (end - mate) / np.linalg.norm(end - mate)
        ends.append(end + by_mm * way)
    return np.vstack([ends[0], line, ends[1]])
