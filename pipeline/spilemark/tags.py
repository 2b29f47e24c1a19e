"""Printed tags that are laid on a pattern and say what it is.

Two *line tags* lie on the pencil line and tell where it runs and which end is
forward; others say port, starboard, which way the bow is, and which face is up.
They are cut from the sheet that ``spilemark cards`` adds to the scale cards.

Each carries a board of 3 x 3 squares: four coded squares say which tag it is,
and only the four crossings between them are measured from.  The board's centre
lies on the tag's axis, the line between its two ticks.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Literal, TypeVar

import numpy as np

from spilemark.cards import SHOP_DICTIONARY, Card, shop_cards
from spilemark.errors import UsageError
from spilemark.lens import pixels_to_plane
from spilemark.records import Floats, JobFacts, Outline, Side, TagSays, TagSighting, View

Face = Literal["up", "down"]
_Meaning = TypeVar("_Meaning", Side, Face)

TAG_DICTIONARY = SHOP_DICTIONARY
TAG_SQUARES = 3
TAG_SQUARE_MM, TAG_MARKER_MM = 14.0, 10.5
TAG_WIDTH_MM, TAG_HEIGHT_MM = 48.0, 55.5
"""Of the paper that is cut out; the board stands in its middle."""

TICK_REACH_MM = TAG_HEIGHT_MM / 2
"""From a tag's centre to the end of each of its ticks, at the paper's edge."""

CENTRE_PER_CROSSING = 0.5**0.5
"""Random error of a tag's centre, in that of one of its four crossings, an axis: a homography takes
both their mean and their skew to be the place (own derivation, to first order)."""
TICK_PER_CENTRE = TAG_HEIGHT_MM / TAG_SQUARE_MM
"""Random error of each tick's end, in the centre's, as if the two were independent.

The crossings, half a square to either side of the centre, turn the axis by one's error over a square;
carried out to the ticks, at the paper's edges, that is much more than the centre's own."""

TAG_LAID_MM = 0.3
"""How far beside the pencil line a person lays each tick, one sigma.  Assumed: no source; twice the
doubt of the drawn line, since the paper hides the line between its ticks."""

TAGS_LINE, ONE_TAG_LINE = "line tags", "one line tag"
"""Names of a reference line that tags tell."""

_ARROWS_AGREE = 0.5
"""Cosine between two arrows on one pattern from which on they point the same way."""

LINE_TAGS = 4
_SAYS: tuple[tuple[str, TagSays], ...] = (
    *((f"line {k + 1}", "line") for k in range(LINE_TAGS)),
    ("forward 1", "forward"),
    ("forward 2", "forward"),
    ("port", "port"),
    ("starboard", "starboard"),
    ("this face up 1", "face up"),
    ("this face up 2", "face up"),
    ("this face down 1", "face down"),
    ("this face down 2", "face down"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tag:
    """One printed tag."""

    board: Card
    """Its squares, found and measured like a card's; its name is the tag's."""
    says: TagSays

    @property
    def name(self) -> str:
        """What it is called on the sheet and in what the program says."""
        return self.board.name


def _tags() -> tuple[Tag, ...]:
    per_tag = TAG_SQUARES * TAG_SQUARES // 2
    first = max(card.marker_ids[-1] for card in shop_cards().cards) + 1
    return tuple(
        Tag(
            board=Card(
                name=name,
                columns=TAG_SQUARES,
                rows=TAG_SQUARES,
                square_mm=TAG_SQUARE_MM,
                marker_mm=TAG_MARKER_MM,
                first_id=first + k * per_tag,
            ),
            says=says,
        )
        for k, (name, says) in enumerate(_SAYS)
    )


TAGS = _tags()
"""All tags; each is printed once."""


def tags_free_of(dictionary: str, cards: Iterable[Card]) -> tuple[Tag, ...]:
    """The tags that cannot be taken for a card of somebody else's set."""
    if dictionary != TAG_DICTIONARY:
        return TAGS
    taken = {number for card in cards for number in card.marker_ids}
    return tuple(tag for tag in TAGS if taken.isdisjoint(tag.board.marker_ids))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LaidTag:
    """One tag where it lies on a pattern's face, from all photos that show it."""

    name: str
    says: TagSays
    at_mm: Floats
    """(2,) its centre, plane frame."""
    ahead: Floats
    """(2,) unit, the way its arrow points."""
    seen: tuple[tuple[TagSighting, View], ...]


def tags_about(outline: Outline) -> tuple[LaidTag, ...]:
    """All tags in the photos of a pattern, laid on the height of its face, by name."""
    found: list[LaidTag] = []
    for view in outline.views:
        for tag in view.tags:
            one = _laid(((tag, view),))
            same = [k for k, other in enumerate(found) if _same(one, other)]
            if same:
                found[same[0]] = _laid((*found[same[0]].seen, (tag, view)))
            else:
                found.append(one)
    return tuple(sorted(found, key=lambda tag: tag.name))


def tags_on(outline: Outline) -> tuple[LaidTag, ...]:
    """The tags that lie on a pattern's face, by name."""
    about = tags_about(outline)
    if not about:
        return ()
    from shapely import Point, Polygon

    face = Polygon(outline.ring.points_mm).buffer(0)
    return tuple(tag for tag in about if face.contains(Point(tag.at_mm)))


def _same(one: LaidTag, other: LaidTag) -> bool:
    """Whether two photos show one tag: a sheet may have been printed twice."""
    near = float(np.linalg.norm(one.at_mm - other.at_mm)) < TICK_REACH_MM
    return one.name == other.name and near


def _laid(seen: tuple[tuple[TagSighting, View], ...]) -> LaidTag:
    axes = np.array([pixels_to_plane(tag.axis_px, view.plane) for tag, view in seen])
    centre, ahead = axes.mean(axis=0)
    way = ahead - centre
    return LaidTag(
        name=seen[0][0].name,
        says=seen[0][0].says,
        at_mm=centre,
        ahead=way / np.linalg.norm(way),
        seen=seen,
    )


SIDE_TAGS: dict[TagSays, Side] = {"port": Side.PORT, "starboard": Side.STARBOARD}
_FACES: dict[TagSays, Face] = {"face up": "up", "face down": "down"}
_LEFT_OUT = (
    "If the tag is wrong, take it away and photograph again, or leave all tags out: --tags ignore."
)


def read_tags(outline: Outline, job: JobFacts) -> tuple[LaidTag, ...]:
    """The tags on a pattern's face that count, none where the person said to ignore them."""
    return () if job.tags == "ignore" else tags_on(outline)


def side_told(tags: Iterable[LaidTag]) -> tuple[Side, LaidTag] | None:
    """The side that the tags on one pattern say, and the tag.

    Raises
    ------
    UsageError
        They say both sides.
    """
    return _told(tags, SIDE_TAGS, "A PORT and a STARBOARD tag lie on one pattern.")


def face_told(tags: Iterable[LaidTag]) -> tuple[Face, LaidTag] | None:
    """Which face the tags on one pattern say is in the photo, and the tag; raises alike."""
    return _told(tags, _FACES, "Tags THIS FACE UP and THIS FACE DOWN lie on one face.")


def _told(
    tags: Iterable[LaidTag], meanings: Mapping[TagSays, _Meaning], both: str
) -> tuple[_Meaning, LaidTag] | None:
    """What the first of the tags with a meaning says; refuses with ``both`` where they differ."""
    said = [(meanings[tag.says], tag) for tag in tags if tag.says in meanings]
    if len({meaning for meaning, _ in said}) > 1:
        raise UsageError(
            both,
            "Leave the right one on it and photograph again, or leave all tags out: --tags ignore.",
        )
    return said[0] if said else None


def forward_told(tags: Iterable[LaidTag]) -> Floats | None:
    """The way (2,) to the bow that the arrows on one pattern tell, in its plane frame.

    Raises
    ------
    UsageError
        Two arrows point to different ends.
    """
    arrows = [tag for tag in tags if tag.says in ("forward", "line")]
    for one, other in combinations(arrows, 2):
        if float(one.ahead @ other.ahead) < _ARROWS_AGREE:
            raise UsageError(
                f"The arrows of the tags {one.name} and {other.name} point different ways, "
                f"{_apart_deg(one.ahead, other.ahead):.0f} degrees apart.",
                "Turn the wrong one and photograph again, or leave all tags out: --tags ignore.",
            )
    if not arrows:
        return None
    mean = np.sum([tag.ahead for tag in arrows], axis=0)
    return np.asarray(mean / np.linalg.norm(mean))


def face_of(outline: Outline, side: str, job: JobFacts) -> Face | None:
    """Which face of a side's pattern is in the photo, as told by the person or a tag on it.

    Raises
    ------
    UsageError
        The two contradict each other, or the tags each other.
    """
    stated = job.face.get(side)
    told = face_told(read_tags(outline, job))
    if told is None:
        return stated
    face, tag = told
    if stated is not None and stated != face:
        raise UsageError(
            f"You said --face {side}:{stated}, but the tag on the {side} pattern says "
            f"{tag.says.upper()}.",
            f"Leave --face away if the tag is right. {_LEFT_OUT}",
        )
    return face


def check_side(outline: Outline, side: Side, job: JobFacts) -> None:
    """Refuse a pattern whose tag says another side than the person did.

    Raises
    ------
    UsageError
    """
    told = side_told(read_tags(outline, job))
    if told is None or told[0] is side:
        return
    said, tag = told
    if side is Side.SINGLE:
        raise UsageError(
            f"The photo was given as of one part on the centreline (--single), but the tag "
            f"{tag.name.upper()} lies on it.",
            f"Give it with --{said} if it is the {said} pattern. {_LEFT_OUT}",
        )
    raise UsageError(
        f"The photo was given with --{side}, but the tag on the pattern says {said.upper()}.",
        f"Give it with --{said} if the tag is right: cut by this, the part would be of the wrong "
        f"hand. {_LEFT_OUT}",
    )


def _apart_deg(one: Floats, other: Floats) -> float:
    return float(np.degrees(np.arccos(np.clip(float(one @ other), -1.0, 1.0))))
