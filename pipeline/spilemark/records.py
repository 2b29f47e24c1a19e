"""Records that pass between rooms.

Frozen, with arrays copied (or, for the photo itself, taken over) and made
read-only at construction.  Units stand in the names: ``_px``, ``_mm``,
``_rad``.  Each record points *backwards* to what it came from.

Two kinds of doubt, never mixed
-------------------------------
``sigma_mm``
    random error of a point across its edge, one standard deviation; it is
    independent from point to point (after the tracer's own smoothing).
``sensitivity_mm`` (N, K)
    change of each point, along its outward (rings) or left (lines) normal,
    per one standard deviation of each of K shared ``causes``.

Causes are the *inputs* of the measurement (the noise of the crossings, what is
believed of the lens, the taped distance, the caliper reading ...).  They are
independent of one another by construction, each has variance one, and each has
an identity: the same ``Cause.id`` in two patterns is the same error, so that a
comparison cancels it.  The covariance of two points is the product of their
sensitivity rows plus, for the same point, ``sigma_mm`` squared.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field, fields
from enum import StrEnum
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Pixels = NDArray[np.uint8] | NDArray[np.uint16]


class Side(StrEnum):
    """Which pattern of the boat this is."""

    PORT = "port"
    STARBOARD = "starboard"
    SINGLE = "single"
    """A part that straddles the centreline, such as a breasthook."""


class Verdict(StrEnum):
    """What a comparison can say of one stretch of edge."""

    SAME = "SAME"
    DIFFERENT = "DIFFERENT"
    CANNOT_TELL = "CANNOT_TELL"


class ScaleBasis(StrEnum):
    """Where absolute size comes from, most trusted first."""

    BATTEN = "batten"
    TAPED = "taped"
    BAR = "bar"
    NOMINAL = "nominal"


Severity = Literal["info", "warn"]
Role = Literal["edge", "hole", "centreline", "mark"]
TagSays = Literal["line", "port", "starboard", "forward", "face up", "face down"]


def _freeze(record: object, **dtypes: Any) -> None:
    """Copy the named array fields of a frozen record and make them read-only."""
    for name, dtype in dtypes.items():
        value = getattr(record, name)
        if value is None:
            continue
        array = np.array(value, dtype=dtype, copy=True)
        array.setflags(write=False)
        object.__setattr__(record, name, array)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Note:
    """A finding that does not stop the work, said where it was found."""

    code: str
    """Short stable name such as ``scale-nominal``."""
    severity: Severity
    text: str
    """Plain words: what was found and what to do."""
    value: float | None = None
    unit: str = ""
    at_mm: tuple[float, float] | None = None
    """Place in the frame of the record that carries the note, mm."""
    at_px: tuple[float, float] | None = None
    """Place in the photo, upright px."""
    photo: str = ""
    """File name of the photo that the note is about, if one."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CameraFacts:
    """What the file says of the camera.  Claims, not measurements."""

    make: str = ""
    model: str = ""
    focal_mm: float | None = None
    focal_35mm: float | None = None
    """Focal length as a 35 mm equivalent, mm."""
    taken: str = ""
    """EXIF date as written, or empty."""
    digital_zoom: float | None = None
    """EXIF digital zoom ratio, 1 where there was none."""
    size_px: tuple[int, int] | None = None
    """Width and height that the camera says it stored; others mean a cropped or shrunk photo."""

    @property
    def tells_lens(self) -> bool:
        """Whether anything is said of a lens: then no scanner made the file."""
        return self.focal_mm is not None or self.focal_35mm is not None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Photo:
    """One photo or scan as it was stored.

    ``pixels`` are (H, W, 3) RGB or (H, W) grey, uint8 or uint16, in *stored*
    orientation; the array is taken over, not copied, and made read-only.
    """

    path: Path
    sha256: str
    pixels: Pixels
    orientation: int = 1
    """EXIF orientation, 1 to 8; 1 where the file says nothing."""
    is_scan: bool = False
    camera: CameraFacts = field(default_factory=CameraFacts)
    claimed_dpi: tuple[float, float] | None = None
    """What the file claims, across and down; never used as scale by itself."""
    notes: tuple[Note, ...] = ()

    def __post_init__(self) -> None:
        self.pixels.setflags(write=False)

    @property
    def width_px(self) -> int:
        """Width of the stored matrix."""
        return int(self.pixels.shape[1])

    @property
    def height_px(self) -> int:
        """Height of the stored matrix."""
        return int(self.pixels.shape[0])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lens:
    """Nine lens numbers in ``spilemark.lens.LENS_NAMES`` order, with what is known of them.

    f (px), aspect (fy / f), cx (px), cy (px), k1, k2, p1, p2, k3: pinhole with
    Brown's distortion as in OpenCV's ``projectPoints``.
    """

    values: Floats
    """(9,)"""
    covariance: Floats
    """(9, 9)"""
    basis: str
    """In words: "EXIF 26 mm", "profile shop-phone", "no EXIF, wide guess"."""

    def __post_init__(self) -> None:
        _freeze(self, values=np.float64, covariance=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StraightPhoto:
    """A photo with a proposed lens: a map for points, not new pixels."""

    photo: Photo
    lens: Lens
    """The prior that the survey starts from."""
    lens_group: str
    """Photos of one group share a lens: same camera, size and focal length."""
    arm: str
    """Which set of photos this belongs to: "port", "starboard", "single" or "both"."""
    notes: tuple[Note, ...] = ()
    otherwise: StraightPhoto | None = None
    """The same photo proposed without what was stored of its lens, for a survey that finds that
    another lens took it."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cause:
    """One independent input of the measurement, of unit variance."""

    id: str
    """Identity across patterns: ``print-scale-x``, ``tape:A-H``, ``crossings:IMG_1:7``."""
    kind: str
    """Budget group in plain words: "card print scale", "lens", "taped distance", "face height"."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CardSighting:
    """One scale card as seen in one photo."""

    name: str
    crossings_px: Floats
    """(M, 2) measured crossings, stored px."""
    residuals_px: Floats
    """(M, 2) measured minus modelled, px."""
    kept: Bools
    """(M,) False where the crossing was gated out as bad."""
    outline_px: Floats
    """(4, 2) the chessboard's corners in the photo, stored px, clockwise from its top-left."""
    outline_mm: Floats
    """(4, 2) the same on the bench, plane frame."""
    cross_mm: Floats
    """(2,) the tape cross, plane frame."""
    lift_mm: float
    bow_mm: float
    edge_shift_px: float | None = None
    """How far its black edges are seen towards the white from where its crossings put them; None where
    that cannot be told."""
    edge_shift_mm: float | None = None
    """The same on the card."""

    def __post_init__(self) -> None:
        _freeze(
            self,
            crossings_px=np.float64,
            residuals_px=np.float64,
            kept=np.bool_,
            outline_px=np.float64,
            outline_mm=np.float64,
            cross_mm=np.float64,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TagSighting:
    """One printed tag as seen in one photo; see ``spilemark.tags``."""

    name: str
    says: TagSays
    axis_px: Floats
    """(2, 2) its centre, and a point of its axis towards its arrow, stored px."""
    sigma_px: float
    """Random error of its centre, one sigma an axis."""
    outline_px: Floats
    """(4, 2) the board's corners in the photo, stored px, clockwise from its top-left."""

    def __post_init__(self) -> None:
        _freeze(self, axis_px=np.float64, outline_px=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlaneMap:
    """The map between a photo's stored pixels and millimetres on the pattern's face.

    World frame: x right, y up, z towards the camera, mm; cards near z = 0, face
    at ``height_mm``.  The sixteen *view numbers* are the nine lens numbers, the
    rotation vector (3, rad), the translation (3, mm) and the height (1, mm).
    Use the functions of ``spilemark.lens`` to map points and sensitivities.
    """

    lens: Floats
    """(9,) as refined for this photo."""
    rotation_rad: Floats
    """(3,) rotation vector, world to camera (camera: x right, y down, z forward)."""
    translation_mm: Floats
    """(3,)"""
    height_mm: float
    """Face of the pattern above the plane in which the cards lie."""
    gain: Floats
    """(16, K) change of the view numbers per one sigma of each cause."""

    def __post_init__(self) -> None:
        _freeze(
            self,
            lens=np.float64,
            rotation_rad=np.float64,
            translation_mm=np.float64,
            gain=np.float64,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class View:
    """One photo, placed."""

    straight: StraightPhoto
    plane: PlaneMap
    cards: tuple[CardSighting, ...]
    residual_rms_px: float
    card_hull_mm: Floats
    """(H, 2) convex hull of all crossings that were kept, plane frame, anticlockwise."""
    tags: tuple[TagSighting, ...] = ()

    def __post_init__(self) -> None:
        _freeze(self, card_hull_mm=np.float64)

    @property
    def papers(self) -> tuple[CardSighting | TagSighting, ...]:
        """All printed boards that hide what lies under them."""
        return (*self.cards, *self.tags)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ScaleStatement:
    """How absolute size is known."""

    basis: ScaleBasis
    words: str
    """"taped A-H 742.5 mm", "check bars measured 99.6 x 99.8 mm" ..."""
    sigma_relative: float
    """One sigma of absolute size over the length of a pattern, as a fraction."""
    print_scale: tuple[float, float]
    """What the solve found the cards were printed at, across and along the sheet."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Survey:
    """The whole job solved once: every photo that shares lens, cards or reference."""

    views: tuple[View, ...]
    causes: tuple[Cause, ...]
    """K causes; the columns of every ``gain`` and ``sensitivity_mm``."""
    scale: ScaleStatement
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Polyline:
    """A measured line, closed (edge, hole) or open (centreline, mark).

    A closed line does not repeat its first point; the outer edge runs
    anticlockwise, holes clockwise (x right, y up), so wood is on the left.
    """

    role: Role
    points_mm: Floats
    """(N, 2)"""
    sigma_mm: Floats
    """(N,) random, across the line."""
    sensitivity_mm: Floats
    """(N, K) along the outward normal (closed) or left normal (open), per sigma of each cause."""
    seen: Bools
    """(N,) False where bridged or guessed."""
    name: str = ""
    by_hand: Bools = field(default_factory=lambda: np.zeros(0, dtype=bool))
    """(N,) True where a person moved or drew it; all False where nothing is given."""

    def __post_init__(self) -> None:
        if len(self.by_hand) != len(self.points_mm) and not np.any(self.by_hand):
            object.__setattr__(self, "by_hand", np.zeros(len(self.points_mm), dtype=bool))
        _freeze(
            self,
            points_mm=np.float64,
            sigma_mm=np.float64,
            sensitivity_mm=np.float64,
            seen=np.bool_,
            by_hand=np.bool_,
        )

    @property
    def closed(self) -> bool:
        """Whether the last point joins the first."""
        return self.role in ("edge", "hole")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Corner:
    """A true corner of the outer ring."""

    index: int
    """Which point of the ring it is."""
    angle_deg: float
    """Inside angle of the wood, 0..360, as traced next to the point: good enough to tell an inside
    corner (notch, over 180), not to be shown; see ``spilemark.corner_angles``."""
    name: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Edge:
    """A stretch of the outer ring between two corners, in ring order."""

    name: str
    start: int
    """Index of its first point."""
    stop: int
    """Index of its last point, which is the next edge's first; below ``start`` where it wraps."""
    length_mm: float
    straight: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outline:
    """What was traced of one pattern.

    In the plane frame as it leaves ``trace``, in the boat frame as part of a
    ``RegisteredPattern``.
    """

    polylines: tuple[Polyline, ...]
    """Exactly one of role "edge"; any number of holes, centrelines, marks."""
    corners: tuple[Corner, ...]
    edges: tuple[Edge, ...]
    causes: tuple[Cause, ...]
    views: tuple[View, ...]
    """The photos it was traced in."""
    whole: bool = True
    """False where the pattern runs out of the photo: its length, area and corners are not known."""
    drawn_width_mm: float | None = None
    """Width of the pencil line whose middle the outer edge is; None where the edge is a cut one."""
    notes: tuple[Note, ...] = ()

    @property
    def ring(self) -> Polyline:
        """The outer edge."""
        return next(p for p in self.polylines if p.role == "edge")

    def of_role(self, role: Role) -> tuple[Polyline, ...]:
        """All polylines of one role."""
        return tuple(p for p in self.polylines if p.role == role)

    @property
    def seen_fraction(self) -> float:
        """Share of the ring's length that was seen, 0..1."""
        ring = self.ring
        step = np.linalg.norm(np.roll(ring.points_mm, -1, 0) - ring.points_mm, axis=1)
        both = ring.seen & np.roll(ring.seen, -1)
        return float(step[both].sum() / step.sum())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RigidMap:
    """Plane frame to boat frame: optional flip of x, then turn, then shift."""

    turn_rad: float
    shift_mm: tuple[float, float]
    flipped: bool = False
    """True when the pattern was photographed face down."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RegisteredPattern:
    """A pattern in the boat frame, on its reference line.

    ``outline`` has its points in the boat frame; its ``sensitivity_mm`` still
    describe shape only (no datum).  ``datum_sensitivity_mm`` (N, K + 3) is the
    ring's change along its normal with the registration included: the K causes
    of the outline, then the line's own turn, its own sideways doubt and the
    origin's doubt along it, whose identities are ``datum_causes``.
    """

    outline: Outline
    side: Side
    face: Literal["up", "down"]
    datum: Literal["centreline", "corner and edge"]
    """"centreline" where a line was found or given; else the longest straight edge and its corner."""
    frame: Literal["boat", "pattern"]
    map: RigidMap
    covariance: Floats
    """(3, 3) of turn (rad), x shift (mm), y shift (mm) from the line's own doubt."""
    datum_causes: tuple[Cause, ...]
    """K + 3 causes."""
    datum_sensitivity_mm: Floats
    """(N, K + 3) of the ring's points."""
    origin_corner: int | None
    """Index into ``outline.corners`` of the outer corner."""
    centreline_offset_mm: float | None = None
    """x of the drawn line in the boat frame, when stated."""
    forward_known: bool = True
    """False where nothing told which end is forward and it was laid one way for the time being."""
    measured: bool = True
    """False for a mirrored copy."""
    notes: tuple[Note, ...] = ()
    called: str = ""
    """What words call it where two patterns are compared that are not the two sides of a job;
    empty: by its side."""

    def __post_init__(self) -> None:
        _freeze(self, covariance=np.float64, datum_sensitivity_mm=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Station:
    """One stretch of port's edge and how starboard's mirror lies against it."""

    edge: str
    s_mm: float
    """Middle of the stretch, measured along the edge from its start (the outer corner where it has one)."""
    at_mm: tuple[float, float]
    """On port's outline, boat frame."""
    normal: tuple[float, float]
    """Port's outward normal there."""
    gap_mm: float
    """Positive: the mirrored starboard outline lies outside port's. Largest |gap| within the stretch,
    signed; NaN where nothing of it was seen on both sides."""
    u95_mm: float
    """Half-width of the *simultaneous* 95 % band here."""
    verdict: Verdict


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RigidDifference:
    """How starboard's mirror is turned and shifted as a whole against port.

    As both lie on their pencil lines; without lines, on corner and edge.
    """

    turn_deg: float
    """Positive: anticlockwise seen from above."""
    turn_u95_deg: float
    shift_mm: tuple[float, float]
    """Of the outer corner: to starboard and forward, boat frame of port's."""
    shift_u95_mm: tuple[float, float]
    rack_named: bool
    """True only when the turn is beyond measurement and the drawn lines' own doubt."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgeComparison:
    """Datum-free numbers of one pair of edges."""

    name: str
    port_length_mm: float
    starboard_length_mm: float
    u95_mm: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CornerComparison:
    """Datum-free numbers of one pair of corners."""

    name: str
    port_deg: float
    starboard_deg: float
    u95_deg: float
    through_toes_deg: float | None = None
    """Of the outer corner: starboard less port, by straight lines from it to the toes; else None.
    A bump of an edge next to the corner opens the angle there, and not this one."""

    @property
    def opened_deg(self) -> float:
        """How much wider it is on starboard, next to the corner."""
        return self.starboard_deg - self.port_deg

    @property
    def is_local(self) -> bool:
        """Whether the edges part next to the corner only: the toes show less than half of it."""
        if self.through_toes_deg is None or abs(self.opened_deg) <= self.u95_deg:
            return False
        sign = 1.0 if self.opened_deg > 0 else -1.0
        return sign * self.through_toes_deg < 0.5 * abs(self.opened_deg)

    @property
    def whole_deg(self) -> float:
        """How much wider it is for the arms as a whole."""
        if self.is_local and self.through_toes_deg is not None:
            return self.through_toes_deg
        return self.opened_deg


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TakeOff:
    """Where one part made to serve both sides loses wood to fit a side."""

    side: Side
    edge: str
    from_mm: float
    to_mm: float
    most_mm: float
    """Deepest cut within the stretch."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Alignment:
    """The gap everywhere, for one way of laying the two on each other."""

    datum: Literal["centreline", "corner and edge", "best fit"]
    turn_rad: float
    """Applied to mirrored starboard, about port's origin, after the datum frames were laid together."""
    shift_mm: tuple[float, float]
    gap_mm: Floats
    """(N,) at each point of port's ring; NaN where either side was not seen."""
    u95_mm: Floats
    """(N,) simultaneous band."""
    stations: tuple[Station, ...]

    def __post_init__(self) -> None:
        _freeze(self, gap_mm=np.float64, u95_mm=np.float64)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SideComparison:
    """Port against mirrored starboard."""

    port: RegisteredPattern
    starboard_mirrored: RegisteredPattern
    tolerance_mm: float
    alignments: tuple[Alignment, ...]
    """The first is the one that the verdict is about; "best fit" is always among them."""
    rigid: RigidDifference
    edges: tuple[EdgeComparison, ...]
    corners: tuple[CornerComparison, ...]
    area_mm2: tuple[float, float]
    """Port, starboard."""
    verdict: str
    """One sentence."""
    one_part_serves_both: bool | None
    """None: cannot tell."""
    take_off: tuple[TakeOff, ...]
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stroke:
    """One drawn line of a template, mm, y up.

    ``segments`` is a tuple of (M, 2) arrays: 2 points are a straight line, 4 a
    cubic Bezier; each begins where the one before ended.
    """

    style: Literal[
        "outline", "hole", "centreline", "mark", "guessed", "check", "label", "other",
        "finished", "second-face", "cutting",
    ]  # fmt: skip
    """"outline" is the pattern as measured; the last three are what bevels and allowances make of it."""
    segments: tuple[Floats, ...]
    closed: bool
    name: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Label:
    """Words on a template."""

    text: str
    at_mm: tuple[float, float]
    """Left end of the baseline (or its middle/right end, by ``anchor``)."""
    height_mm: float
    turn_deg: float = 0.0
    anchor: Literal["start", "middle", "end"] = "start"
    bold: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Template:
    """One true-size drawing in millimetres, y up; writers only transcribe it."""

    name: str
    """File stem: "port", "starboard", "single"."""
    title: str
    left_mm: float
    bottom_mm: float
    width_mm: float
    height_mm: float
    strokes: tuple[Stroke, ...]
    labels: tuple[Label, ...]
    curve_tolerance_mm: float
    """Largest distance between drawn curves and measured points."""
    provenance: dict[str, str]
    pattern: RegisteredPattern
    facts: JobFacts | None = None
    """What the person told us: names, date, units and paper, for files of several sheets."""
    scale: ScaleStatement | None = None
    """How absolute size is known, to be said on each sheet."""
    block_top_mm: float | None = None
    """Strokes and labels below this belong to the page, not to the part; None: there are none."""
    legend: tuple[tuple[str, str], ...] = ()
    """(style, what it is) of each outline where there are several to tell apart; for files that
    leave the page's own block out."""
    allowed: tuple[str, ...] = ()
    """What was allowed for and how bevels read, with such lines."""


@dataclass(frozen=True, slots=True)
class EdgeRule:
    """How a reference line lies to an edge of its pattern."""

    square: bool
    """At right angles to it; else along it."""
    edge: str
    """The edge's name."""

    def __str__(self) -> str:
        """In the words of a job file."""
        return f"{'square to' if self.square else 'along'} {self.edge}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JobFacts:
    """What the person told us: names, stock and how the patterns were laid."""

    boat: str = ""
    part: str = ""
    date: dt.date | None = None
    """The job's own date; outputs never read the clock."""
    thickness_mm: float | None = None
    thickness_sigma_mm: float = 0.1
    thickness_of_arm: dict[str, tuple[float, float]] = field(default_factory=dict)
    """By arm: mm and sigma mm, where a side's pattern was measured for itself."""
    cards_on: Literal["bench", "pattern"] = "bench"
    printed_bar_mm: tuple[float, float] | None = None
    """Measured lengths of the nominal 100 mm bars, across and along the sheet."""
    distances: tuple[tuple[str, str, float, float], ...] = ()
    """(card, card, mm, sigma mm) between tape crosses."""
    tolerance_mm: float = 1.5
    line_doubt_mm: float = 0.15
    """One sigma of the drawn line's place at each of its ends."""
    centreline_offset_mm: float | None = None
    centreline_px: dict[str, tuple[float, float, float, float]] = field(default_factory=dict)
    """By arm: x1, y1, x2, y2 in upright px of its first photo."""
    forward_px: dict[str, tuple[float, float]] = field(default_factory=dict)
    """By arm: a point towards the bow, upright px of its first photo."""
    face: dict[str, Literal["up", "down"]] = field(default_factory=dict)
    """By side; absent: not stated (taken as up, and said)."""
    tags: Literal["read", "ignore"] = "read"
    """Whether printed tags on the patterns count."""
    edge: dict[str, Literal["cut", "scribed"]] = field(default_factory=dict)
    """By arm: whether the sheet's cut edge or a line drawn on it is the outline; absent: found."""
    line_from_edge: dict[str, EdgeRule] = field(default_factory=dict)
    """By side or arm: the edge that tells which way the reference line runs, where it is but a tick."""
    edge_names: dict[str, str] = field(default_factory=dict)
    """Renames: geometric name -> the builder's."""
    corrections: dict[str, tuple[Any, ...]] = field(default_factory=dict)
    """By arm: what was put right by hand, ``spilemark.corrections.Correction``, as it was done."""
    units: Literal["mm", "in"] = "mm"
    paper: str = "a4"
    printer: str = ""
    """Name of a stored printer that sheets of true size make up for; empty: none."""
    lens: str = ""
    """Name of a stored lens that photos start from; empty: none."""

    def thickness_for(self, arm: str) -> tuple[float | None, float]:
        """Thickness of the patterns of an arm as told, or None, and its sigma, mm."""
        return self.thickness_of_arm.get(arm, (self.thickness_mm, self.thickness_sigma_mm))


RECORDS: tuple[type, ...] = (
    Note, CameraFacts, Photo, Lens, StraightPhoto, Cause, CardSighting, TagSighting, PlaneMap, View,
    ScaleStatement, Survey, Polyline, Corner, Edge, Outline, RigidMap, RegisteredPattern,
    Station, RigidDifference, EdgeComparison, CornerComparison, TakeOff, Alignment,
    SideComparison, Stroke, Label, Template, JobFacts,
)  # fmt: skip
"""Every record, in pipeline order; the contributor page's table is tested against it."""


def field_names(record: type) -> tuple[str, ...]:
    """Names of a record's fields, in order."""
    return tuple(f.name for f in fields(record))
