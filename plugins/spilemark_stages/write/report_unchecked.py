"""What no photo tells, and what a single one does not: the list at the end of the report."""

from __future__ import annotations

from spilemark import wording
from spilemark.results import JobResult


def unchecked(result: JobResult) -> tuple[str, ...]:
    """Each a sentence or two for the builder."""
    hull = result.shop.hull is not None
    return (
        f"How true the pattern was scribed: often off by {wording.scribing_words(result.facts)}.",
        "Whether the hull was straight, level and free of twist when it was scribed."
        if not hull
        else "Twist of the hull, and a transom that is also shifted: three tapes do not see them.",
        *_by_one_photo(result),
        "Bevels: the photo shows one face. Take them with a sliding bevel.",
        "Your printer and its paper: measure the bars of every sheet.",
        "The wood: grain, knots, moisture, glue; and whether the part is strong enough.",
        "What moved between the photo and the saw.",
    )


def _by_one_photo(result: JobResult) -> tuple[str, ...]:
    """What only a second photo shows; how far a toe is off is what ``picture_attacks.py --drawn`` prints."""
    seen_once = [
        side
        for side, pattern in result.patterns.items()
        if len(pattern.outline.views) == 1 and not pattern.outline.views[0].straight.photo.is_scan
    ]
    if not seen_once:
        return ()
    every = len(seen_once) == len(result.patterns)
    whose = "" if every else f" ({seen_once[0].value})"
    toe, off = ('1/8"', '1/16"') if result.facts.units == "in" else ("3 mm", "1 to 1.5 mm")
    told = (
        f"Whether the pattern lay flat, and was as thick as told{whose}: one photo cannot show it. A"
        f" toe that stands {toe} up comes out about {off} off. One more photo, tilted by about 20"
        " degrees from any side while all lies still, shows it, and it is made up for."
    )
    return (told,)
