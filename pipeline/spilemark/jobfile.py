"""What the person says of a job: a ``job.toml``, the command line, or both.

The command line is put into the words of the job file first, and laid over it;
so both have one meaning and one check.  The whole of a job file::

    boat = "Dunlin 14"                     # any text
    part = "quarter knee"
    date = 2026-05-14                      # stands on the templates; no date is made up
    out = "knee"                           # folder for the results
    units = "mm"                           # or "in": how lengths are shown
    paper = "a4"                           # or "letter", "a3", "tabloid"; the printer's if one is named
    printer = "shop"                       # as measured with "spilemark printer measure"
    lens = "shop-phone"                    # as measured with "spilemark lens measure"
    thickness = "3.1 mm ± 0.1"             # of the pattern's stock
    cards = "mycards.toml"                 # another card set than the shop's own
    cards_on = "bench"                     # or "pattern"
    printed_bar = [99.6, 99.8]             # the cards' 100 mm bars, across and along
    battens = ["A-B = 800.2 mm ± 0.1"]     # two cards glued to one stiff strip
    distances = ["A-H = 742.5 mm ± 0.2"]   # taped between crosses
    centreline_offset = "410 mm"           # drawn line to the boat's centreline
    tolerance = "1.5 mm"                   # what still counts as the same
    line_doubt = "0.15 mm"                 # of the drawn line, each end
    scan = true                            # the files are flatbed scans, not photos
    tags = "read"                          # or "ignore": printed tags that lie on the patterns
    edge = "scribed"                       # or "cut": which line is the outline; else it is found
    recipe = "recipe.toml"                 # other plug-ins than the shipped ones

    [port]                                 # [starboard], [single], [both] alike
    photos = ["port.jpg"]
    centreline = [410, 2210, 3550, 2190]   # upright px of its first photo: x1, y1, x2, y2
    forward = [2000, 300]                  # a point towards the bow, upright px
    face = "up"                            # or "down": which face was photographed
    scan = true                            # for these files alone
    thickness = "3.2 mm"                   # of this pattern, where the sides differ
    edge = "cut"                           # likewise
    line_from_edge = "square to transom edge"   # or "along ...": where the line is but a short tick

    [[port.corrections]]                   # what was put right by hand: spilemark.corrections
    do = "move"
    photo = "port.jpg"
    points = [[1020, 840], [1031, 838]]

    [edge_names]                           # call an edge by the builder's name
    "edge 1" = "hull edge"

A file of several parts is told in ``spilemark.jobparts``.
The table ``[hull]`` (three tapes of the hull) is told in
``spilemark.shop.hull_orders``, ``[shop]`` (stock, bevels, allowances) in
``spilemark.shop.orders``, ``[lamination]`` in ``spilemark.blank.orders`` and
``[board]`` in ``spilemark.blank.board``.

Paths are relative to the job file.  A length is a number in mm or a text with
its unit.  What follows ± is one standard deviation.  With [both], the tables
[port] and [starboard] may hold a line, a forward point and a face, in px of the
photos of [both], but no photos.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

import msgspec

from spilemark.blank_job import TABLES as BLANK_TABLES
from spilemark.blank_job import BlankRequest, blank_request
from spilemark.blank_job import rooted as rooted_blank
from spilemark.cards import Batten
from spilemark.corrections import Correction, check_correction
from spilemark.errors import UsageError
from spilemark.jobparts import PARTS, JobPart, dropped_points, laid_over, part_called, parts_of
from spilemark.jobvalues import (
    THICKNESS_SIGMA_MM,
    Length,
    batten,
    distance,
    edge_rule,
    line_px,
    measured,
    point_px,
    printed_bar,
    sigma_of,
)
from spilemark.lenses import find_lens
from spilemark.printers import paper_for
from spilemark.records import JobFacts, Note
from spilemark.results import ARMS
from spilemark.shop_job import ShopRequest, shop_request
from spilemark.strict import check_keys, convert

_THICKNESS_MM = (0.1, 150.0)


class _Sheet(msgspec.Struct, kw_only=True):
    """A job file without its tables."""

    boat: str = ""
    part: str = ""
    date: dt.date | None = None
    out: str | None = None
    units: Literal["mm", "in"] = "mm"
    paper: Literal["a4", "letter", "a3", "tabloid"] | None = None
    printer: str | None = None
    lens: str | None = None
    thickness: Length | None = None
    cards: str | None = None
    cards_on: Literal["bench", "pattern"] = "bench"
    printed_bar: str | float | list[float] | None = None
    battens: list[str] = []
    distances: list[str] = []
    centreline_offset: Length | None = None
    tolerance: Length = 1.5
    line_doubt: Length = 0.15
    recipe: str | None = None
    scan: bool = False
    tags: Literal["read", "ignore"] = "read"
    edge: Literal["cut", "scribed"] | None = None


class _Arm(msgspec.Struct, kw_only=True):
    """The table of one side or set of photos."""

    photos: list[str] = []
    centreline: list[float] | None = None
    forward: list[float] | None = None
    face: Literal["up", "down"] | None = None
    scan: bool | None = None
    thickness: Length | None = None
    edge: Literal["cut", "scribed"] | None = None
    line_from_edge: str | None = None
    corrections: list[Correction] = []


@dataclass(frozen=True, slots=True, kw_only=True)
class JobOrder:
    """A job as ordered, checked as far as words can be."""

    facts: JobFacts
    photos: dict[str, tuple[Path, ...]]
    """Only arms with photos, in working order."""
    cards: Path | None
    recipe: Path | None
    out: Path | None
    battens: tuple[Batten, ...] = ()
    shop: ShopRequest = field(default_factory=ShopRequest)
    blank: BlankRequest = field(default_factory=BlankRequest)
    scans: frozenset[str] = frozenset()
    """Arms whose files are flatbed scans."""
    notes: tuple[Note, ...] = ()
    """What was told and does not count, for the report."""


def read_order(job_file: Path | None, said: dict[str, Any], only: str = "") -> JobOrder:
    """Join a job file and what the command line says, and check both.

    Parameters
    ----------
    job_file : Path or None
    said : dict
        The command line in the words of the job file, paths relative to the
        current folder; wins over the file.
    only : str
        Which part of a job file of several is meant; its folder lies in the
        one that is said.

    Raises
    ------
    UnreadableInput
        The job file cannot be read.
    UsageError
        A key is misspelt, or a value is impossible; the message names it.
    """
    if job_file is None:
        return order_from(said, "The command")
    part = part_called(job_file, only) if only else _only_part(job_file)
    table = _rooted(part.table, job_file.parent)
    if part.folder:
        out = said.get("out", table.get("out"))
        said = {**said, "out": str(Path(out) / part.folder)} if out else said
    where = f"The job file {job_file}{f' (part {part.name})' if part.name else ''}"
    if "thickness" in said:
        # Said anew of all patterns, it does not leave one of them with what the file held.
        table = {
            key: {k: v for k, v in value.items() if k != "thickness"} if key in ARMS else value
            for key, value in table.items()
            if key not in ARMS or isinstance(value, dict)
        }
    order = order_from(laid_over(table, said), where)
    dropped = (*part.dropped, *dropped_points(table, said))
    return replace(order, notes=tuple(_not_used(words) for words in dropped))


def _not_used(words: str) -> Note:
    return Note(code="points-not-used", severity="warn", text=words)


def _only_part(job_file: Path) -> JobPart:
    parts = parts_of(job_file)
    if len(parts) == 1:
        return parts[0]
    raise UsageError(
        f"The job file {job_file} is of {len(parts)} parts.",
        f"Name one with --only: {', '.join(part.name for part in parts)}.",
    )


def order_from(table: dict[str, Any], where: str) -> JobOrder:
    """Check a job given as a table; see the module for its keys, and raises as :func:`read_order`."""
    tables = (*ARMS, "edge_names", "hull", "shop", *BLANK_TABLES)
    check_keys(table, (*_Sheet.__struct_fields__, *tables, PARTS), where)
    if PARTS in table:
        raise UsageError(
            f"{where}: {PARTS} is no list of tables, or stands within a part.",
            "Begin each part with [[parts]], all of them one after another.",
        )
    sheet = convert({k: v for k, v in table.items() if k not in tables}, _Sheet, where)
    arms = {a: convert(_table(table, a, where), _Arm, f"{where}, [{a}],") for a in ARMS}
    photos = {a: tuple(Path(p) for p in arm.photos) for a, arm in arms.items() if arm.photos}
    _check_arms(photos, arms, where)
    return JobOrder(
        facts=_facts(sheet, arms, _edge_names(table, where), where),
        photos=photos,
        cards=_path(sheet.cards),
        recipe=_path(sheet.recipe),
        out=_path(sheet.out),
        battens=tuple(batten(text, where) for text in sheet.battens),
        scans=frozenset(
            arm for arm in photos if (sheet.scan if arms[arm].scan is None else arms[arm].scan)
        ),
        shop=shop_request(
            _table(table, "hull", where), _table(table, "shop", where), photos.keys(), where
        ),
        blank=blank_request(
            _table(table, "lamination", where),
            _table(table, "board", where),
            _table(table, "shop", where).get("stock"),
            where,
        ),
    )


def _path(text: str | None) -> Path | None:
    return Path(text) if text else None


def _table(table: dict[str, Any], key: str, where: str) -> dict[str, Any]:
    value = table.get(key, {})
    if isinstance(value, dict):
        return value
    raise UsageError(f"{where}: {key} is a table.", f"Write it as [{key}].")


def _edge_names(table: dict[str, Any], where: str) -> dict[str, str]:
    names = _table(table, "edge_names", where)
    if all(isinstance(v, str) for v in names.values()):
        return dict(names)
    raise UsageError(f"{where}: edge_names holds texts only.", '"edge 1" = "hull edge"')


def _rooted(table: dict[str, Any], folder: Path) -> dict[str, Any]:
    """Make the paths of a job file relative to the current folder."""
    rooted = dict(table)
    for key in ("out", "cards", "recipe"):
        if isinstance(rooted.get(key), str):
            rooted[key] = str(folder / rooted[key])
    for arm in ARMS:
        inner = rooted.get(arm)
        if isinstance(inner, dict) and isinstance(inner.get("photos"), list):
            photos = [str(folder / p) if isinstance(p, str) else p for p in inner["photos"]]
            rooted[arm] = {**inner, "photos": photos}
    if isinstance(rooted.get("shop"), dict):
        rooted["shop"] = rooted_shop(rooted["shop"], folder)
    for key in BLANK_TABLES:
        if isinstance(rooted.get(key), dict):
            rooted[key] = rooted_blank(rooted[key], key, folder)
    return rooted


def rooted_shop(table: dict[str, Any], folder: Path) -> dict[str, Any]:
    """The table ``[shop]`` with its paths, which are relative to its file, as seen from here."""
    found = {k: rooted_shop(v, folder) if isinstance(v, dict) else v for k, v in table.items()}
    path = table.get("fitted")
    return {**found, "fitted": str(folder / path)} if isinstance(path, str) else found


def _check_arms(photos: dict[str, tuple[Path, ...]], arms: dict[str, _Arm], where: str) -> None:
    if "both" in photos and len(photos) > 1:
        other = next(a for a in photos if a != "both")
        raise UsageError(
            f"{where} gives photos of both patterns together and photos of {other} alone.",
            "Take one of the two ways.",
        )
    if "single" in photos and len(photos) > 1:
        raise UsageError(
            f"{where} gives a single part together with a port or starboard one.",
            "A part on the centreline is a job of its own: run it by itself.",
        )
    sided = any(arms[a].thickness is not None for a in ("port", "starboard"))
    if sided and ("both" in photos or "single" in photos):
        one = (
            "both patterns lie in the same photo, where" if "both" in photos else "of a single part"
        )
        raise UsageError(
            f"{where} tells a thickness of one side, but {one} one thickness counts.",
            "Photograph each side by itself, or tell one thickness for both.",
        )
    served = {"port", "starboard", "both"} if "both" in photos else set(photos)
    for arm, sheet in arms.items():
        said = (sheet.centreline, sheet.forward, sheet.face, sheet.edge, sheet.line_from_edge)
        told = any(v is not None for v in said)
        if told and arm not in served and photos:
            raise UsageError(
                f"{where} tells of the {arm} pattern, but gives no photo of it.",
                f"Add its photos, or leave out what is told of {arm}.",
            )


def _facts(
    sheet: _Sheet, arms: dict[str, _Arm], edge_names: dict[str, str], where: str
) -> JobFacts:
    thickness = measured(sheet.thickness, "thickness", _THICKNESS_MM, where)
    offset = measured(sheet.centreline_offset, "centreline_offset", (0.0, 20_000.0), where)
    tolerance = measured(sheet.tolerance, "tolerance", (0.05, 100.0), where)
    doubt = measured(sheet.line_doubt, "line_doubt", (0.0, 10.0), where)
    assert tolerance is not None
    assert doubt is not None
    return JobFacts(
        boat=sheet.boat,
        part=sheet.part,
        date=sheet.date,
        thickness_mm=thickness.mm if thickness else None,
        thickness_sigma_mm=sigma_of(thickness, THICKNESS_SIGMA_MM),
        thickness_of_arm=_own_thickness(arms, where),
        cards_on=sheet.cards_on,
        printed_bar_mm=printed_bar(sheet.printed_bar, where),
        distances=tuple(distance(text, where) for text in sheet.distances),
        tolerance_mm=tolerance.mm,
        line_doubt_mm=doubt.mm,
        centreline_offset_mm=offset.mm if offset else None,
        centreline_px={a: line_px(v.centreline, a, where) for a, v in arms.items() if v.centreline},
        forward_px={a: point_px(v.forward, a, where) for a, v in arms.items() if v.forward},
        face=_faces(arms),
        tags=sheet.tags,
        edge={a: edge for a, v in arms.items() if (edge := v.edge or sheet.edge)},
        line_from_edge={
            a: edge_rule(v.line_from_edge, a, where) for a, v in arms.items() if v.line_from_edge
        },
        edge_names=edge_names,
        corrections={
            a: tuple(check_correction(c, a, where) for c in v.corrections)
            for a, v in arms.items()
            if v.corrections
        },
        units=sheet.units,
        paper=paper_for(sheet.printer, sheet.paper, where),
        printer=sheet.printer or "",
        lens=find_lens(sheet.lens).name if sheet.lens else "",
    )


def _own_thickness(arms: dict[str, _Arm], where: str) -> dict[str, tuple[float, float]]:
    own: dict[str, tuple[float, float]] = {}
    for arm, sheet in arms.items():
        place = f"{where}, [{arm}],"
        read = measured(sheet.thickness, "thickness", _THICKNESS_MM, place)
        if read is not None:
            own[arm] = (read.mm, sigma_of(read, THICKNESS_SIGMA_MM))
    return own


def _faces(arms: dict[str, _Arm]) -> dict[str, Literal["up", "down"]]:
    """Stated faces by side; what is said of both counts for each that is silent."""
    told = {arm: sheet.face for arm, sheet in arms.items() if sheet.face}
    common = told.pop("both", None)
    return {"port": common, "starboard": common, **told} if common else told
