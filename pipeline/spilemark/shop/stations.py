"""Values taken at stations along an edge, and the fair line through them."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace

from spilemark.errors import UsageError
from spilemark.shop.outlines import Floats
from spilemark.units import parse_length

PAST_END_MM = 2.0
"""A station may lie this far past the end of its edge: a tape on a curve is no better."""


@dataclass(frozen=True, slots=True)
class Stations:
    """Values along one edge, sorted by distance from where its stations count."""

    edge: str
    at_mm: tuple[float, ...]
    values: tuple[float, ...]

    def __post_init__(self) -> None:
        if not self.at_mm or len(self.at_mm) != len(self.values):
            raise UsageError(f'"{self.edge}" has no stations.', 'Write for example "0:10, 300:18".')
        pairs = sorted(zip(self.at_mm, self.values, strict=True))
        object.__setattr__(self, "at_mm", tuple(at for at, _ in pairs))
        object.__setattr__(self, "values", tuple(value for _, value in pairs))
        if len(set(self.at_mm)) < len(pairs) or pairs[0][0] < 0:
            raise UsageError(
                f'Two stations of "{self.edge}" lie at one place, or one before its beginning.',
                "Stations count from the end of the edge that is nearer to the outer corner.",
            )

    @property
    def changes(self) -> bool:
        """Whether the value is not the same all along."""
        return len(set(self.values)) > 1


def fair(
    stations: Stations,
    at_mm: Floats,
    *,
    edge_length_mm: float,
    past_end_mm: float = PAST_END_MM,
) -> Floats:
    """Values along an edge: a fair line through the stations, held level past the first and last.

    Monotone piecewise cubic (PCHIP: Fritsch and Carlson, SIAM Journal on
    Numerical Analysis 17, 1980; slopes by Fritsch and Butland, 1984, as in
    scipy): like a stiff batten it passes every mark and never swings past one.
    Two stations make a straight line.  A station may lie ``past_end_mm`` past the
    end of the edge.

    Raises
    ------
    UsageError
        A station lies past the end of the edge.
    """
    import numpy as np
    from scipy.interpolate import PchipInterpolator

    last = stations.at_mm[-1]
    if last > edge_length_mm + past_end_mm:
        raise UsageError(
            f'The station at {last:.0f} mm lies past the end of "{stations.edge}", which is '
            f"{edge_length_mm:.0f} mm long.",
            "Stations count along the edge from its end that is nearer to the outer corner.",
        )
    if len(stations.at_mm) == 1:
        return np.full(np.shape(at_mm), stations.values[0])
    held = np.clip(at_mm, stations.at_mm[0], last)
    return np.asarray(PchipInterpolator(stations.at_mm, stations.values)(held), dtype=np.float64)


def carried(stations: Stations, from_length_mm: float, to_length_mm: float) -> Stations:
    """Stations of an edge on the same edge after it was moved: both ends go with their corners.

    Moved edges grow or shrink by a few millimetres as their neighbours move; a
    station taken at the edge's end stays at its end.

    Raises
    ------
    UsageError
        A station lies past the end of the edge as it was.
    """
    import numpy as np

    fair(stations, np.zeros(1), edge_length_mm=from_length_mm)
    share = to_length_mm / from_length_mm
    return replace(stations, at_mm=tuple(at * share for at in stations.at_mm))


def read_stations(text: str, read_value: Callable[[str], float]) -> Stations:
    """Read ``hull edge = 12``, or ``hull edge = 0:10, 300:18`` with lengths before the colons.

    A comma inside a number has no space behind it; a semicolon may stand
    between stations as well.

    Raises
    ------
    UsageError
        It is written otherwise, or a length or value cannot be read.
    """
    edge, equals, rest = text.partition("=")
    if not equals or not edge.strip() or not rest.strip():
        raise UsageError(
            f'"{text}" is not an edge with its values.',
            'Write "hull edge = 12", or "hull edge = 0:10, 300:18" for stations along it.',
        )
    parts = [part for part in re.split(r"\s*;\s*|,\s+", rest.strip()) if part]
    if len(parts) == 1 and ":" not in parts[0]:
        return Stations(edge.strip(), (0.0,), (read_value(parts[0]),))
    pairs = [part.partition(":") for part in parts]
    if not all(colon for _, colon, _ in pairs):
        raise UsageError(
            f'"{text}": every station needs its distance.', 'Write "hull edge = 0:10, 300:18".'
        )
    at = tuple(parse_length(distance) for distance, _, _ in pairs)
    return Stations(edge.strip(), at, tuple(read_value(value) for _, _, value in pairs))
