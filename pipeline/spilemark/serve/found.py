"""What the measurement found of each photo, in the place of what was said before it."""

from __future__ import annotations

from typing import Any

from spilemark.serve.page_words import plain_words

_TOLD = frozenset({"outside-cards", "faint-edge"})
"""Told though they are no fault, as in the verdict before the measurement."""
_COUNTS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


def cards_words(names: list[str]) -> str:
    """How many cards were seen, and which."""
    count = _COUNTS[len(names)] if len(names) < len(_COUNTS) else str(len(names))
    listed = f" ({', '.join(names)})" if names else ""
    return f"{count} card{'' if len(names) == 1 else 's'} seen{listed}"


def found_in(report: dict[str, Any]) -> dict[tuple[str, str], dict[str, Any]]:
    """By arm and file name: ``good``, ``words`` and ``more``, as a verdict has them.

    Parameters
    ----------
    report : dict
        ``report.json``, schema 1.
    """
    photos = report["provenance"]["photos"]
    told: dict[tuple[str, str], dict[str, Any]] = {}
    for photo, cards in zip(photos, report["cards"], strict=True):
        arm, name = photo["arm"], photo["name"]
        about = [n for n in report["notes"] if _is_about(n, name)]
        warned = [n for n in about if n["severity"] == "warn"]
        names = sorted(card["name"] for card in cards["cards"])
        words = f"Measured: {cards_words(names)}"
        if cards.get("residual_rms_px") is not None and names:
            words += f", they fit to {cards['residual_rms_px']:.2f} pixels"
        kept = [*warned, *(n for n in about if n["code"] in _TOLD)]
        told[arm, name] = {
            "good": "mind" if warned else "yes",
            "words": f"{words}{'; see what is said below' if kept else ''}.",
            "more": [plain_words(n["text"]).replace(name, "this photo") for n in kept],
        }
    return told


def _is_about(note: dict[str, Any], name: str) -> bool:
    return note["photo"] == name or (note["photo"] is None and name in note["text"])
