"""Results by what somebody wants of them: paper to print, the wood, other programs, to read."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

_SIDES = {"port": "Port", "starboard": "Starboard", "single": "Part"}
_WOOD = {
    "form": ("Form", "Saw the form to this, and bend the strips round it."),
    "corner_block": ("Corner block", "Its grain and its face to scribe; saw it to this."),
    "lamination": ("Lamination", "The strips, and the knee in them; nothing is sawn to it."),
    "layout": ("Layout", "Knee, form and block over each other, to set out by."),
    "board": ("Board", "How the part lies in its wood, to chalk it out."),
}
"""By what a file's name begins with: what it is called, and what it is for."""
_KINDS = {".svg": "SVG", ".dxf": "DXF"}


@dataclass(frozen=True, slots=True)
class Paper:
    """Something to print."""

    title: str
    words: str
    opens: tuple[tuple[str, str], ...]
    """(what the button says, id of the file)."""
    leaf: str
    """Id of the file whose first page is shown."""
    mapped: bool = False
    """Whether the first of several sheets is a map of the others."""


@dataclass(frozen=True, slots=True)
class Row:
    """One drawing for other programs."""

    title: str
    files: tuple[tuple[str, str], ...]
    """(kind, id of the file)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outputs:
    """Results in groups; ids by which they are asked for."""

    prints: tuple[Paper, ...]
    wood: tuple[Paper, ...]
    drawings: tuple[Row, ...]
    rest: tuple[tuple[str, str], ...]
    """(name, id) of what belongs nowhere else."""
    report: str
    """Id of the report, or empty."""


def outputs_of(files: Mapping[str, str]) -> Outputs:
    """Group results; parameters: their ids by name."""
    left = dict(files)
    sides = sum(f"{side}.pdf" in files for side in _SIDES)
    prints = [*_templates(left), *_shop(left, sides)]
    wood = [paper for kind in _WOOD for paper in _wood(left, kind)]
    report = left.pop("report.html", "")
    return Outputs(
        prints=tuple(prints),
        wood=tuple(wood),
        drawings=tuple(_drawings(left)),
        rest=tuple(sorted(left.items())),
        report=report,
    )


def _templates(left: dict[str, str]) -> Iterable[Paper]:
    for side, title in _SIDES.items():
        yield from _paper(left, side, title, "The template at true size.", whole="One large page")


def _shop(left: dict[str, str], sides: int) -> Iterable[Paper]:
    page = left.pop("shop.pdf", "")
    if page:
        words = "Both outlines on each other, what to take off and where: one sheet for the saw."
        if sides < 2:
            words = (
                "The outline with its sizes and angles, not at true size: one sheet for the saw."
            )
        yield Paper("Page for the saw", words, (("Open it", page),), page)


def _wood(left: dict[str, str], kind: str) -> Iterable[Paper]:
    name, words = _WOOD[kind]
    for side, title in _SIDES.items():
        called = name if side == "single" else f"{name}, {title.lower()}"
        yield from _paper(left, f"{kind}_{side}", called, words, whole="One page")


def _paper(
    left: dict[str, str], stem: str, title: str, words: str, *, whole: str
) -> Iterable[Paper]:
    sheets, page = left.pop(f"{stem}_tiled.pdf", ""), left.pop(f"{stem}.pdf", "")
    opens = [(label, file) for label, file in (("Sheets of paper", sheets), (whole, page)) if file]
    if opens:
        yield Paper(title, words, tuple(opens), sheets or page, mapped=bool(sheets))


def _drawings(left: dict[str, str]) -> Iterable[Row]:
    stems = [name.rsplit(".", 1)[0] for name in left if name.endswith(tuple(_KINDS))]
    for stem in sorted(dict.fromkeys(stems), key=_order):
        found = [
            (kind, left.pop(f"{stem}{end}"))
            for end, kind in _KINDS.items()
            if f"{stem}{end}" in left
        ]
        yield Row(_called(stem), tuple(found))


def _order(stem: str) -> tuple[int, str]:
    """The templates first, then what both sides share, then the wood."""
    return (0 if stem in _SIDES else 2 if stem.rpartition("_")[2] in _SIDES else 1, stem)


def _called(stem: str) -> str:
    kind, _, side = stem.rpartition("_")
    if stem in _SIDES:
        return f"{_SIDES[stem]}, template"
    if kind in _WOOD and side in _SIDES:
        return _WOOD[kind][0] if side == "single" else f"{_WOOD[kind][0]}, {side}"
    return stem.replace("_", " ").capitalize()
