"""Signs that a photo is not of what it was said to be."""

from __future__ import annotations

import numpy as np

from spilemark.records import Note, RegisteredPattern, RigidMap
from spilemark_stages.compare.layings import turned_fits
from spilemark_stages.compare.pair import Laid, Pair
from spilemark_stages.compare.words import SIDES, Names

NOT_A_PAIR = "face-or-side"
"""Code of the note that says that two patterns are not a port and a starboard one."""

WORTH_A_LOOK_MM = 0.3
"""Two sides that typically lie closer than this are a pair; nothing is suspected."""

CLEARLY = 4.0
"""So many times better the unmirrored fit must be."""

SAME_PIECE_MM = 0.15
"""Two photos of one pattern fit each other this well; two patterns cut by hand hardly do."""

_FLIP = RigidMap(turn_rad=0.0, shift_mm=(0.0, 0.0), flipped=True)


def suspicions(pair: Pair, best: Laid, names: Names = SIDES) -> tuple[Note, ...]:
    """Say when a photo was probably face down, of the same side twice, or the sides swapped."""
    both = names.sides and _wrong_hand(pair.port) and _wrong_hand(pair.mirrored)
    found = (_swapped(),) if both else ()
    gap = np.abs(best.gap_mm[np.isfinite(best.gap_mm)])
    as_mirrored = float(np.median(gap)) if len(gap) else np.inf
    if as_mirrored <= WORTH_A_LOOK_MM:
        return found
    fits = turned_fits(pair, first=_FLIP)
    unmirrored = min((f.median_mm for f in fits), default=np.inf)
    if unmirrored * CLEARLY > as_mirrored:
        return found
    return (*found, _unmirrored(unmirrored, as_mirrored, names))


def _wrong_hand(pattern: RegisteredPattern) -> bool:
    return any(note.code == "wrong-hand" for note in pattern.notes)


def _swapped() -> Note:
    return Note(
        code="sides-swapped",
        severity="warn",
        text="Both patterns have their outer corner inboard of their line: most likely port and "
        "starboard were swapped, or forward was given at the wrong end of both.",
    )


def _unmirrored(unmirrored: float, as_mirrored: float, names: Names) -> Note:
    apart = f"({unmirrored:.2f} mm apart typically, against {as_mirrored:.1f} mm)"
    fits = f"Starboard fits port far better without being mirrored {apart}"
    if not names.sides:
        text = f"{names.other} fits {names.one} far better turned over {apart}: say --hand other."
    elif unmirrored < SAME_PIECE_MM:
        text = (
            f"{fits}, so closely that both photos may show the same pattern. If they do not, one "
            "of the two was photographed face down: say --face starboard:down or port:down."
        )
    else:
        text = (
            f"{fits}: one of the two was photographed face down, or both patterns are of the same "
            "side. Look at the pictures; say --face starboard:down or port:down if that is so."
        )
    return Note(code=NOT_A_PAIR, severity="warn", text=text, value=unmirrored, unit="mm")
