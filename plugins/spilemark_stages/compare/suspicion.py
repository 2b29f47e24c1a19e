"""Signs that a photo is not of what it was said to be."""

from __future__ import annotations

import numpy as np

from spilemark.records import JobFacts, Note, RegisteredPattern, RigidDifference, RigidMap
from spilemark_stages.compare.layings import turned_fits
from spilemark_stages.compare.pair import Laid, Pair
from spilemark_stages.compare.words import SIDES, Names, size

NOT_A_PAIR = "face-or-side"
"""Code of the note that says that two patterns are not a port and a starboard one."""

OTHER_PART = "other-part"
"""Code of the note that says that two outlines are hardly of one part."""

TURNED_APART = "turned-apart"
"""Code of the note that says that two drawn lines cannot both be what they were taken for."""

MOST_TURN_DEG = 10.0
"""No hull that floats turns two patterns so far against each other: a transom 5 degrees out of
square stands 100 mm askew on a breadth of 1.2 m."""

_APART_SHARE, _APART_LEAST_MM = 0.006, 3.0
"""Half the edge farther apart than this share of the size (as a corner 3 degrees wider makes it)..."""
_WIDE_SHARE, _WIDE_LEAST_MM = 0.03, 8.0
"""... or a tenth of it farther than this: more than one notch or one longer arm does."""

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


def no_pair(
    pair: Pair, best: Laid, rigid: RigidDifference, job: JobFacts, names: Names = SIDES
) -> tuple[Note, ...]:
    """Say when the two are hardly two sides of one part, or a drawn line was taken wrongly.

    Judged by what most of the edge does where the two fit best: a notch or a
    longer arm on one side is a difference, not another part.
    """
    gap = np.abs(best.gap_mm[np.isfinite(best.gap_mm)])
    extent = float(np.linalg.norm(np.ptp(pair.ring.points_mm, axis=0)))
    half, wide = np.percentile(gap, [50, 90]) if len(gap) else (np.inf, np.inf)
    apart = half > max(_APART_LEAST_MM, _APART_SHARE * extent)
    if apart or wide > max(_WIDE_LEAST_MM, _WIDE_SHARE * extent):
        return (_other_part(float(half), float(gap.max()) if len(gap) else np.inf, job, names),)
    lines = pair.port.datum == pair.mirrored.datum == "centreline"
    return (_turned_apart(rigid, names),) if lines and abs(rigid.turn_deg) > MOST_TURN_DEG else ()


def _other_part(half_mm: float, most_mm: float, job: JobFacts, names: Names) -> Note:
    what = "the two sides of one part" if names.sides else "two of the same part"
    far = "they meet nowhere"
    if np.isfinite(most_mm):
        far = (
            f"even laid as they fit best, half of the edge lies more than {size(half_mm, job.units)}"
            f" apart, {size(most_mm, job.units)} at most"
        )
    look = (
        "Look at the pictures: is one photo of another part, or of another boat?"
        if names.sides
        else "Look at both outlines: is one of another part?"
    )
    return Note(
        code=OTHER_PART,
        severity="warn",
        text=f"These are probably not {what}: {far}. {look}",
        value=most_mm,
        unit="mm",
    )


def _turned_apart(rigid: RigidDifference, names: Names) -> Note:
    return Note(
        code=TURNED_APART,
        severity="warn",
        text=f"By their pencil lines {names.both} are turned against each other by "
        f"{abs(rigid.turn_deg):.0f}°, though their outlines fit: no hull does that. Most likely "
        "forward was told wrongly on one of them (--forward), or another line was taken for the "
        "pencil line (--centreline). Look at the pictures.",
        value=rigid.turn_deg,
        unit="deg",
    )


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
        text = (
            f"{names.other} fits {names.one} far better turned over {apart}: compare them with the "
            "other --hand (same or other)."
        )
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
