"""What stands at the foot of the shop page."""

from __future__ import annotations

from collections.abc import Sequence

from spilemark import wording
from spilemark.records import RegisteredPattern, ScaleBasis, Side, SideComparison
from spilemark.results import JobResult
from spilemark.shop import horning_words
from spilemark.shop.part_words import allowance_lines, planed_lines
from spilemark.shop_job import PartShop, ShopResult
from spilemark.units import INCH_MM, Units, format_length, format_mm
from spilemark_stages.write.shop_rows import Stretch, thirty_seconds

TEXT_MM, SMALL_MM = 3.5, 2.75
_MOST_STRETCHES = 4
_MOST_HULL = 2
"""Sentences of the hull's finding; all of them, and what to do, stand in the report."""

Text = tuple[str, float, bool]
"""Words, their size in mm, and whether they are bold."""


def footer_texts(
    result: JobResult,
    pattern: RegisteredPattern,
    stretches: Sequence[Stretch],
    *,
    short: bool = False,
) -> list[Text]:
    """Paragraphs at the foot of the page, what matters most first.

    With ``short``, what differs between the sides is left to their templates.
    """
    facts, scale = result.facts, result.survey.scale
    texts: list[Text]
    if result.comparison is not None:
        texts = _take_off(result.comparison, stretches, facts.units, drawn=_drawn(result.shop))
    else:
        texts = [(_offsets(pattern, facts.units), SMALL_MM, False)]
    texts += _hull_and_lines(result, short=short)
    texts.append((wording.TRUER, TEXT_MM - 0.3, True))
    whole = all(p.outline.whole for p in result.patterns.values())
    if whole and not result.scale_is_nominal:
        worst = max(result.patterns.values(), key=lambda p: wording.doubt_of(p).shape_mm)
        texts.append((wording.doubt_words(worst, facts, scale), SMALL_MM, False))
    scaled = "" if scale.basis is ScaleBasis.NOMINAL else wording.scale_words(scale)
    stock = wording.stock_words(result.survey.views, facts)
    if scaled or stock:
        texts.append((f"{scaled} {stock}".strip(), SMALL_MM, False))
    cautions = [wording.HULL, wording.STRUCTURE, wording.DUST]
    if any(part.order.glue for part in result.shop.parts.values()):
        cautions.append(wording.GLUE)
    texts.append((" ".join(cautions), SMALL_MM, False))
    return texts


def _hull_and_lines(result: JobResult, *, short: bool) -> list[Text]:
    """What the hull's tapes say, and what was allowed."""
    shop, units = result.shop, result.facts.units
    texts: list[Text] = []
    if shop.hull is not None:
        horned = shop.hull.horning
        found = horning_words.finding(horned, units)[: 1 if short else _MOST_HULL]
        told = [*found, horning_words.NOT_SEEN]
        if shop.hull.order.fixed and horned.after is not None:
            told.append(horning_words.OWN_PATTERN)
        texts.append((f"HULL: {' '.join(told)}", SMALL_MM, False))
    texts += [(words, SMALL_MM, False) for words in _allowed(shop, units, short=short)]
    if shop.left_out:
        sides = " and ".join(wording.SIDE_WORDS[side] for side in shop.left_out)
        texts.append((_NOT_DRAWN.format(sides), SMALL_MM, True))
    return texts


_NOT_DRAWN = (
    "NO CUTTING LINE for {}: it could not be drawn (report.html says why), so nothing of what you asked"
    " is allowed for there. Do not saw to the pattern."
)


def _drawn(shop: ShopResult) -> bool:
    """Whether some template has a line of its own to saw to."""
    return any(part.card or _lines_of(part, "mm") for part in shop.parts.values())


def _lines_of(part: PartShop, units: Units) -> list[str]:
    """What was allowed on one side, in words that do not depend on the side where the order is one."""
    side = str(part.part.outline.side)
    lines = [*planed_lines(part.order.planed, units), *allowance_lines(part.allowances, units)]
    # A compass is held outboard on either side: one way in words, two in the boat.
    return [line.replace(f", to {side} ", ", outboard ") for line in lines]


def _allowed(shop: ShopResult, units: Units, *, short: bool) -> list[str]:
    """What both sides have in common once, then what each has of its own."""
    told = {side: _lines_of(part, units) for side, part in shop.parts.items()}
    if not any(told.values()):
        return []
    first, *others = told.values()
    common = [line for line in first if all(line in lines for lines in others)]
    alone = len(told) == 1 and bool(shop.left_out)
    head = "CUTTING LINE on the template" if len(told) == 1 else "CUTTING LINES on the templates"
    texts = [f"{head}. {' '.join(common)}".strip()] if not alone else [f"{head}."]
    if short and any(len(lines) > len(common) for lines in told.values()):
        names = " and ".join(wording.SIDE_WORDS[side] for side in told)
        texts[0] += f" What else is allowed differs: {names} each on its template."
        return texts
    for side, lines in told.items():
        own = lines if alone else [line for line in lines if line not in common]
        if own:
            texts.append(f"{wording.SIDE_WORDS[side]}: {' '.join(own)}")
    return texts


def _take_off(
    comparison: SideComparison, stretches: Sequence[Stretch], units: Units, *, drawn: bool
) -> list[Text]:
    tolerance = f"{round(comparison.tolerance_mm, 2):g} mm"
    rounded = "Millimetres to a tenth."
    if units == "in":
        tolerance = f'{comparison.tolerance_mm / INCH_MM:.2f}"'
        rounded = 'Inches to a thirty-second (< 1/32": less than half of one).'
    saw = (
        "of one part as large as both patterns, so much comes off to fit that side"
        if drawn
        else "saw each blank to the outer of the two lines, then take off so much to fit that side"
    )
    words = f"OFF: {saw} (– : none, or less than can be seen). {rounded} Tolerance {tolerance}."
    texts: list[Text] = [
        *([(_PATTERNS_ONLY, TEXT_MM - 0.3, True)] if drawn else []),
        (words, SMALL_MM, False),
        *((_cannot_put_back(s, units), TEXT_MM - 0.3, True) for s in stretches[:_MOST_STRETCHES]),
    ]
    if len(stretches) > _MOST_STRETCHES:
        more = ", ".join(s.letter for s in stretches[_MOST_STRETCHES:])
        texts.append((f"{more}: alike; how much stands in the table.", SMALL_MM, True))
    return texts


_PATTERNS_ONLY = (
    "Drawn here: the patterns as measured. Saw each side to the CUTTING LINE of its template."
)
"""Scribe gap, glue and bevels stand between the pattern and the saw: sawn to the pattern, a part is short."""


def _cannot_put_back(stretch: Stretch, units: Units) -> str:
    cut = stretch.cut
    start, stop = (format_length(v, units, 0) for v in (cut.from_mm, cut.to_mm))
    short = format_mm(cut.most_mm) if units == "mm" else thirty_seconds(cut.most_mm)
    return (
        f"{stretch.letter}  WOOD CANNOT BE PUT BACK: {cut.edge}, {start} to {stop}. Sawn to"
        f" {cut.side}'s pattern, {stretch.fuller}'s part comes out {short} short."
    )


def _offsets(pattern: RegisteredPattern, units: Units) -> str:
    if pattern.datum != "centreline":
        about = "across and forward from the outer corner, forward along the hull edge"
    elif pattern.side is Side.SINGLE:
        about = "across from the centreline, starboard +; forward from the part's corner"
    else:
        about = "across from the pencil line, outboard +; forward from the outer corner"
    rounded = "Millimetres to a tenth." if units == "mm" else "Inches to the nearest sixteenth."
    return f"Stations along each edge; {about}. {rounded}"
