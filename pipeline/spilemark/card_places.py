"""Whether the cards lie where the job says: on the bench, or on the pattern.

The pattern's face stands above the bench by its thickness, so a card on the
wrong one of the two makes everything too large or too small by about a tenth
of a per cent for each millimetre; nothing in the photo shows it but where the
cards lie.
"""

from __future__ import annotations

import shapely

from spilemark.errors import UsageError
from spilemark.records import JobFacts, Note, Outline, Survey


def check_card_places(
    survey: Survey, outlines: dict[str, tuple[Outline, ...]], facts: JobFacts
) -> list[Note]:
    """What is to be said of cards that lie elsewhere than stated.

    Raises
    ------
    UsageError
        All cards of a photo lie on the pattern though the bench was stated, or
        none of them does though the pattern was.
    """
    notes = []
    for view in survey.views:
        if view.straight.photo.is_scan:
            continue  # Height does not count on the glass, and taped cards are right there.
        arm = view.straight.arm
        faces = [shapely.Polygon(o.ring.points_mm) for o in outlines.get(arm, ())]
        face = shapely.union_all([f for f in faces if f.is_valid])
        # Half of it is enough: a card over the edge lies on the pattern with one end.
        on = [
            card.name
            for card in view.cards
            if face.contains(shapely.Point(card.outline_mm.mean(axis=0)))
        ]
        if not view.cards:
            continue
        name = view.straight.photo.path.name
        stated_on = facts.cards_on == "pattern"
        if len(on) == len(view.cards) and not stated_on:
            raise UsageError(
                f"{name}: every card lies on the pattern, but cards on the bench were assumed.",
                "Say --cards-on pattern (the pattern's thickness makes the difference), or lay the "
                "cards beside it and photograph it again.",
            )
        if not on and stated_on and outlines.get(arm):
            raise UsageError(
                f"{name}: cards on the pattern were stated, but every card lies beside it.",
                "Leave --cards-on away, or say --cards-on bench.",
            )
        wrong = [c.name for c in view.cards if (c.name in on) != stated_on]
        if wrong:
            notes.append(_mixed(name, wrong, stated_on=stated_on))
    return notes


def _mixed(photo: str, wrong: list[str], *, stated_on: bool) -> Note:
    cards = ("card " if len(wrong) == 1 else "cards ") + ", ".join(wrong)
    where = "beside the pattern" if stated_on else "on the pattern"
    others = "on it" if stated_on else "on the bench"
    return Note(
        code="cards-mixed",
        severity="warn",
        text=f"{photo}: {cards} {'lies' if len(wrong) == 1 else 'lie'} {where}, the others {others}."
        " All cards are taken to lie at one height: lay them all on the same surface and take the "
        "photo again.",
        value=float(len(wrong)),
        unit="cards",
        photo=photo,
    )
