"""A lamination in a builder's words: for terminal, sheet, report and job sheet alike."""

from __future__ import annotations

from collections.abc import Sequence

from spilemark.blank.bending import Bend
from spilemark.blank.form_body import WALL_MM
from spilemark.blank.knee import LaminatedKnee
from spilemark.blank.lamination import wood_kinds
from spilemark.blank.springback import ShopFactor
from spilemark.blank.trial import TrialBend, TrialFinding
from spilemark.shop.lengths import Show, show_degrees, show_doubt, show_length
from spilemark.shop.part_words import amount_words
from spilemark.units import INCH_MM

TRIAL = (
    "Springback and bend limits are estimates from average clear wood: expect them, and make a trial "
    "bend before you commit stock."
)
STRIPS = "Thin strips on a table saw are a known hazard: use a jig or a band saw."
RELEASE = (
    "A stack sprung on a form holds energy: stand clear of its ends when you release the clamps."
)
OPEN_TIME = (
    "Every 10 °C warmer about halves a glue's working time. Dry-run the clamps; count strips, brushes "
    "and clamps first."
)
CURE = (
    "Leave it on the form 24 hours before release, longer in the cold (common practice, no source); "
    "the glue's label goes first."
)
MOISTURE = "Strips of one moisture, within what the glue's label allows."
DEADWOOD = "Corner block (deadwood): its grain runs with the arrow. It fills the corner, and carries little."
THROAT = "The stack's inside face is the finished throat: what you plane off it comes off the first strip."
_NARROW_DEG = 45.0
FILM = (
    "Wax the form, or cover it with plastic film, face and edges, and the cauls too: glue must not stick the "
    "blank to it."
)
LAMINATION_CAUTIONS = (TRIAL, STRIPS, RELEASE, OPEN_TIME)


def lamination_lines(knee: LaminatedKnee, units: Show = "mm") -> list[str]:
    """All that is said of a lamination, the finding first."""
    return [
        *form_lines(knee, units),
        THROAT,
        *bend_lines(knee.lamination.tightest, units),
        *strip_lines(knee, units),
        *block_lines(knee, units),
    ]


def form_lines(knee: LaminatedKnee, units: Show = "mm") -> list[str]:
    """Say the form and what comes off it."""
    found, order = knee.lamination, knee.order
    spring = found.springback
    more, less = found.toe_range_mm()
    low, high = (found.form_bend_deg * kept for kept in spring.kept_range)
    shop = (
        "by the sum for its strips alone"
        if spring.factor.bends == 0
        else f"with this shop's own factor {spring.factor.factor:.2f} ± {spring.factor.factor_sigma:.2f} "
        f"of {_bends(spring.factor.bends)}"
    )
    radius, _ = knee.form.face.tightest()
    return [
        (
            f"FORM, {order.form.kind}: it turns through {show_degrees(found.form_bend_deg, 2)} for a knee of "
            f"{show_degrees(found.bend_deg, 2)} (corner {show_degrees(found.form_corner_deg, 2)} for "
            f"{show_degrees(found.corner_deg, 2)}): the bend is scaled, not the corner. Tightest radius of its "
            f"face {show_length(radius, units)}."
        ),
        (
            f"Expect the stack to lose {100 * spring.lost:.1f} % of its bend, {shop}: it opens "
            f"{show_degrees(found.opens_deg, 2)}. On a form of the wanted shape its toe would come out "
            f"{show_length(found.toe_without_overbend_mm(), units)} wide."
        ),
        (
            f"Honest range: {show_degrees(low, 1)} to {show_degrees(high, 1)} off the form; with one arm held in "
            f"its place the other toe lies {show_doubt(more, units)} wide to {show_doubt(less, units)} tight. "
            f"{range_words(spring.factor)} {TRIAL}"
        ),
        (
            f"Make the form, and its cauls, at least {show_length(knee.order.cutting.stack_width_mm, units)} thick from "
            f"side to side, as wide as the strips are glued, its face square to its sides. {FILM}"
        ),
        *hole_lines(knee, units),
        *narrow_lines(knee),
        (
            f"Length is kept at mid-thickness, {show_length(found.form.length_mm, units)} with arms; the drawn "
            f"throat is faired within {_thin(max(knee.throat.off_mm, 0.1), units)} of the points given."
        ),
    ]


def range_words(factor: ShopFactor) -> str:
    """Say what "95 of 100" stands on."""
    if factor.bends == 0:
        return "That range is 95 of 100 by our judgement, set from two published shop results: no statistics."
    return (
        f"That range is 95 of 100 by this shop's {_bends(factor.bends)} and our judgement, which was set from two "
        "published shop results."
    )


def strip_words(knee: LaminatedKnee, units: Show = "mm") -> str:
    """The stack in short: ``9 strips, 18.0 mm``."""
    strips = knee.lamination.strips
    return f"{strips.count} strips, {show_length(strips.stack_mm, units)}"


def warning_lines(bends: Sequence[Bend], units: Show = "mm") -> list[str]:
    """What must stand out wherever these strips are to be bent: they may break."""
    return [words for bend in bends if (words := _warning(bend, units))]


def danger_lines(knee: LaminatedKnee, units: Show = "mm") -> list[str]:
    """What of :func:`lamination_lines` must stand beside its finding: strips that break, glue that sets."""
    told = knee.strips
    late = told.working_time_min is not None and not told.in_time
    return [
        *warning_lines(knee.lamination.tightest, units),
        *narrow_lines(knee),
        *([_time_words(knee)] if late else []),
    ]


def brief_lines(knee: LaminatedKnee, units: Show = "mm") -> list[str]:
    """A form in two lines, and that its strips may break: for every sheet of paper."""
    found = knee.lamination
    more, less = found.toe_range_mm()
    lines = [
        (
            f"Form bend {show_degrees(found.form_bend_deg, 2)} for a knee of {show_degrees(found.bend_deg, 2)}. One arm "
            f"held, expect the other toe {show_doubt(more, units)} wide to {show_doubt(less, units)} tight (our "
            "judgement): trial bend first."
        )
    ]
    for bend in found.tightest:
        if bend.below_every_limit:
            lines.insert(
                0, f"WARNING: EXPECT IT TO BREAK DRY, {bend.species.name} at R/t {bend.ratio:.1f}."
            )
        elif bend.stress_share > 1.0:
            lines.insert(
                0,
                f"WARNING: STRIPS MAY BREAK, {bend.species.name} at {bend.stress_share:.2f} of its strength.",
            )
    return lines


def scribe_line(knee: LaminatedKnee, units: Show = "mm") -> str:
    """Why the block is not sawn to its drawn face against the lamination."""
    off = max(knee.lamination.toe_range_mm())
    return (
        f"SCRIBE the block's face against the lamination to the RELEASED lamination before you saw it: a toe of that "
        f"may lie {show_doubt(off, units)} off its drawn place either way. The line drawn there is where it is expected."
    )


def hole_lines(knee: LaminatedKnee, units: Show = "mm") -> list[str]:
    """Say it where clamp holes were left out."""
    form = knee.form
    if not form.narrowed:
        return []
    holes, clamps = len(form.holes_mm), len(form.clamps_mm)
    drawn = "No clamp hole has" if not holes else f"Only {holes} of {clamps} clamp holes have"
    return [
        (
            f"{drawn} room in this form with {show_length(WALL_MM, units)} of wood left round each (common practice, no "
            f"source); {clamps} clamps are wanted: reach over the form's back with the others, or make holes "
            "smaller, arms longer or the form deeper."
        )
    ]


def narrow_lines(knee: LaminatedKnee) -> list[str]:
    """Say it where the arms on the form stand so close that clamps may not get in."""
    corner = knee.lamination.form_corner_deg
    if corner >= _NARROW_DEG:
        return []
    return [
        (
            f"TIGHT: on the form the arms stand only {show_degrees(corner, 1)} open. Try every clamp in its place, dry, "
            "before you mix glue."
        )
    ]


def bend_lines(bends: Sequence[Bend], units: Show = "mm") -> list[str]:
    """Say how tight each kind of strip is bent, and every published rule beside it."""
    lines = []
    for bend in bends:
        wood = bend.species
        number = f" (number {bend.strip} from the inside)" if bend.strip > 1 else ""
        lines.append(
            f"{wood.name}, strip {_thin(bend.thickness_mm, units)}{number} on {show_length(bend.inside_radius_mm, units)} "
            f"inside radius: R/t {bend.ratio:.1f}, strain {100 * bend.strain:.2f} %, nominal stress "
            f"{bend.stress_share:.2f} of clear wood's strength ({wood.source})."
        )
        lines += [
            f"{'kept' if rule.kept else 'NOT KEPT'}: {rule.name}: {rule.rule}; here up to "
            f"{_thin(rule.thickest_mm, units)}"
            + (f", strength share {rule.factor:.2f}." if rule.factor is not None else ".")
            for rule in bend.limits
        ]
        lines += warning_lines([bend], units)
    return lines


def _warning(bend: Bend, units: Show) -> str:
    """What may break; empty where nothing will."""
    if bend.below_every_limit:
        return (
            f"WARNING: {bend.ratio:.1f} thicknesses of {bend.species.name} are tighter than every published rule: "
            f"expect it to break dry. Strips of {_thin(_safe_mm(bend), units)} would stay within clear "
            "wood's strength."
        )
    if bend.stress_share > 1.0:
        return (
            f"WARNING: nominal stress is {bend.stress_share:.2f} of clear {bend.species.name}'s strength: strips with "
            f"any run-out may break. Strips of {_thin(_safe_mm(bend), units)} would not reach it."
        )
    return ""


def strip_lines(knee: LaminatedKnee, units: Show = "mm") -> list[str]:
    """Say what to cut and to have ready."""
    told, cutting = knee.strips, knee.order.cutting
    sizes = " and ".join(f"{n} of {_thin(t, units)}" for n, t in told.sawn_mm)
    woods = ", ".join(wood.name for wood in wood_kinds(knee.order.strips.woods))
    planed = (
        f", {_thin(cutting.strip_planing_mm, units)} of it to plane off"
        if cutting.strip_planing_mm
        else ""
    )
    lines = [
        (
            f"STRIPS ({woods}): {sizes} off the saw{planed}, each {show_length(told.length_mm, units, 0)} long "
            f"(outside face and {show_length(cutting.trim_mm, units, 0)} trim) and {show_length(told.width_mm, units)} "
            f"wide ({_width_words(knee, units)})."
        )
    ]
    board = (
        f"Ripped from one edge they take {show_length(told.board_width_needed_mm, units, 0)} of width at a kerf "
        f"of {amount_words(cutting.kerf_mm, units)}."
    )
    if told.boards is not None and cutting.board_mm is not None:
        board += (
            f" A board {show_length(cutting.board_mm, units, 0)} wide gives {told.per_board} of the thickest: "
            f"{told.boards} board{'s' if told.boards > 1 else ''}."
        )
    lines.append(board)
    lines.append(
        "Number the strips 1 to "
        f"{told.count} from the inside, and draw one slanted line over the whole stack: it shows any strip "
        "that is turned end for end or out of order."
    )
    lines.append(
        f"GLUE: {told.glue_lines} glue lines, {told.glue_area_mm2 / 1e6:.3f} m², about {told.glue_g:.0f} g at "
        f"{cutting.glue_g_per_m2:.0f} g for a square metre (common practice, no source: the label knows better). "
        f"{told.clamps} clamps, no farther apart than {show_length(cutting.clamp_spacing_mm, units, 0)}."
    )
    lines.append(_time_words(knee))
    lines.append(f"{CURE} {MOISTURE}")
    return lines


def block_lines(knee: LaminatedKnee, units: Show = "mm") -> list[str]:
    """Say the corner block; nothing where there is none."""
    block = knee.block
    if block is None:
        if knee.outline is None:
            return []
        return ["No corner block: the lamination fills the corner."]
    low, high = block.cut_mm.min(axis=0), block.cut_mm.max(axis=0)
    size = f"{show_length(float(high[0] - low[0]), units, 0)} by {show_length(float(high[1] - low[1]), units, 0)}"
    more = (
        f" {block.left_over} more piece(s) of the gap are left unfilled." if block.left_over else ""
    )
    return [
        (
            f"{DEADWOOD} It comes out of {size}, {show_length(knee.order.block_mm, units)} left on past the corner "
            f"points for fitting.{more}"
        ),
        scribe_line(knee, units),
    ]


def trial_lines(found: TrialFinding) -> list[str]:
    """Say what a released blank showed, and what to do next."""
    bend, after = found.bend, found.after
    way = "opened more" if bend.bend_deg < found.expected_bend_deg else "opened less"
    lines = [
        f"Measured {show_degrees(bend.bend_deg, 2)} off a form of {show_degrees(bend.form_bend_deg, 2)}; "
        f"expected {show_degrees(found.expected_bend_deg, 2)} ± {show_degrees(found.expected_u95_deg, 2)}: "
        + ("within the range." if found.within else f"it {way} than the range allows."),
        f"It lost {bend.ratio:.2f} times what the sum for {bend.strips} strips says.",
        (
            f"This shop's factor is now {after.factor:.2f} ± {after.factor_sigma:.2f} from {_bends(after.bends)}, "
            f"with a scatter of {100 * after.scatter:.1f} % of the bend from one to the next."
        ),
        (
            f"NEXT FORM, for a knee of {show_degrees(found.wanted_bend_deg, 2)} of bend: "
            f"{show_degrees(found.next_form_bend_deg, 2)}, corner "
            f"{show_degrees(180.0 - found.next_form_bend_deg, 2)}."
        ),
    ]
    if found.wanted_from == "an earlier bend":
        lines.append("The knee's own bend is that of an earlier trial: give --wanted for another.")
    elif found.wanted_from == "the form":
        lines.append(
            "THE KNEE'S OWN BEND WAS NOT TOLD: that figure is what the form must have aimed at. Give --wanted "
            "before you saw a form by it."
        )
    if not found.within:
        lines.append(
            "Look for a cause before you trust it: moisture, glue not yet hard, slip before it gelled, a strip "
            "too many or too few, the other angle written down."
        )
    return lines


def trial_rows(bends: Sequence[TrialBend]) -> list[tuple[str, ...]]:
    """The shop's bends as cells, their head first."""
    head = ("date", "wood", "strips", "on form", "off form", "lost / sum")
    return [
        head,
        *(
            (
                b.date.isoformat() if b.date else "",
                b.wood,
                str(b.strips),
                show_degrees(b.form_bend_deg, 2),
                show_degrees(b.bend_deg, 2),
                f"{b.ratio:.2f}",
            )
            for b in bends
        ),
    ]


def _time_words(knee: LaminatedKnee) -> str:
    told = knee.strips
    rate = (
        f"about {told.assembly_min:.0f} minutes to spread, stack and clamp, at {knee.order.cutting.seconds_per_m2 / 60:.0f} "
        f"minutes a square metre and {knee.order.cutting.seconds_per_clamp:.0f} seconds a clamp (common practice, no "
        "source: time your own dry run)"
    )
    if told.working_time_min is None:
        return f"TIME: {rate}. Read the glue's working time off its label and have them done within it. {OPEN_TIME}"
    if told.in_time:
        return f"TIME: {rate}; the glue's {told.working_time_min:.0f} minutes allow it. {OPEN_TIME}"
    return (
        f"TOO SLOW FOR THIS GLUE: {rate}; its label allows {told.working_time_min:.0f}. Take a slower hardener, a "
        f"cooler hour, a second pair of hands, or glue it in two goes. {OPEN_TIME}"
    )


def _width_words(knee: LaminatedKnee, units: Show) -> str:
    cutting = knee.order.cutting
    width = show_length(cutting.width_mm, units)
    planing = show_length(cutting.edge_planing_mm, units)
    if cutting.pair:
        kerf = amount_words(cutting.kerf_mm, units)
        return f"two of {width}, ripped apart with a kerf of {kerf}, and {planing} to plane"
    return f"{width} and {planing} to plane"


def _safe_mm(bend: Bend) -> float:
    """Thickest strip within clear wood's strength, rounded down to a tenth."""
    rule = next(rule for rule in bend.limits if rule.name == "clear wood's strength")
    return max(0.1, int(10.0 * rule.thickest_mm) / 10.0)


def _thin(mm: float, units: Show) -> str:
    """A strip's thickness; in inches as a decimal, as a caliper reads it: a sixteenth is half of a strip."""
    return show_length(mm, "mm") if units == "mm" else f'{mm / INCH_MM:.3f}"'


def _bends(count: int) -> str:
    return "1 bend" if count == 1 else f"{count} bends"
