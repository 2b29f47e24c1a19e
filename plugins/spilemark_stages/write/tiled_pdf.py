"""Plug-in "tiled-pdf": a template at true size over as few sheets of office paper as will do.

The first page is a map that says how the sheets go together.  Every sheet says
where it belongs, has check bars both ways, and shares crosses, a letter and
straight check lines with its neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from spilemark import wording
from spilemark.card_papers import PAPERS
from spilemark.errors import CannotWrite, UsageError
from spilemark.hookspecs import hookimpl
from spilemark.ink import Sheet
from spilemark.ink_files import pdf_bytes
from spilemark.printers import PrinterProfile, made_up_for, printer_for
from spilemark.records import JobFacts, ScaleBasis, Template
from spilemark.tiling import plan_layout
from spilemark_stages.write import styles
from spilemark_stages.write.tiled_band import SheetWords, pages
from spilemark_stages.write.tiled_map import map_sheet
from spilemark_stages.write.tiled_part import legible, part_of
from spilemark_stages.write.tiled_sheet import Job, tile_sheet

CLEARANCE_MM = 4.0
"""Lines keep so far from the outer edge of the sheets laid together."""


@dataclass(frozen=True)
class Options(styles.Options):
    """How the sheets are made."""

    paper: Literal["", "a4", "letter", "a3", "tabloid"] = field(
        default="",
        metadata={"help": "Paper of the sheets; empty takes the job's own.", "unit": ""},
    )
    overlap_mm: float = field(
        default=10.0,
        metadata={"help": "How far neighbouring sheets overlap, 9 to 40.", "unit": "mm"},
    )
    margin_mm: float = field(
        default=10.0,
        metadata={"help": "Edge of the paper that stays blank, 4 to 30.", "unit": "mm"},
    )
    turn: Literal["any", "none"] = field(
        default="any",
        metadata={
            "help": '"none" keeps forward up the sheets even if that takes more.',
            "unit": "",
        },
    )
    printer: str = field(
        default="",
        metadata={
            "help": "A printer measured before, to be made up for; empty takes the job's.",
            "unit": "",
        },
    )
    printers_file: str = field(
        default="",
        metadata={"help": "Where printers are kept, if not among your settings.", "unit": ""},
    )

    def __post_init__(self) -> None:
        styles.Options.__post_init__(self)
        if not 9 <= self.overlap_mm <= 40:
            raise ValueError("overlap_mm is 9 to 40: the joining crosses need 8 of it")
        if not 4 <= self.margin_mm <= 30:
            raise ValueError("margin_mm is 4 to 30: printers leave an edge of about 4 blank")


@hookimpl
def declare_options() -> type:
    """Hand over the options."""
    return Options


@hookimpl
def write_template(template: Template, folder: Path, options: Options) -> tuple[Path, ...]:
    """Write ``<name>_tiled.pdf``."""
    path = folder / f"{template.name}_tiled.pdf"
    content = pdf_bytes(tiled_sheets(template, options), template.title)
    try:
        path.write_bytes(content)
    except OSError as error:
        raise CannotWrite.because(path, error) from error
    return (path,)


def tiled_sheets(template: Template, options: Options) -> tuple[Sheet, ...]:
    """The map (where there is more than one sheet) and the sheets, row by row.

    Raises
    ------
    UsageError
        The printer is not known, or was measured with another paper.
    """
    facts = template.facts or JobFacts()
    paper = options.paper or facts.paper
    if paper not in PAPERS:
        raise UsageError(f'There is no paper "{paper}".', f"Choose {', '.join(PAPERS)}.")
    file = Path(options.printers_file) if options.printers_file else None
    printer = printer_for(options.printer or facts.printer, paper, file)
    part = part_of(template)
    ways = pages(paper, options.margin_mm, options.overlap_mm)
    layout = plan_layout(
        part.outline_mm,
        windows=[way.window for way in ways],
        overlap_mm=options.overlap_mm,
        clearance_mm=CLEARANCE_MM,
        lines_mm=part.lines_mm,
        turn=options.turn,
    )
    job = Job(
        part=part,
        layout=layout,
        page=next(way for way in ways if way.lying == layout.window.lying),
        words=sheet_words(template, printer),
        title=legible(template.title, bold=True),
        pens=styles.pens(options),
        forward_known=template.pattern.forward_known,
        units="mm" if template.facts is None else template.facts.units,
    )
    sheets = [tile_sheet(job, place) for place in layout.places]
    if len(sheets) > 1:
        sheets.insert(0, map_sheet(job, template))
    return tuple(sheets if printer is None else map(printer.corrected, sheets))


_LINE_NAMES = {
    "outline": "solid: the pattern",
    "finished": "dashes: FINISHED LINE",
    "second-face": "short dashes: far face",
    "cutting": "dash and two dots: CUTTING LINE",
}


def _line_names(template: Template) -> list[str]:
    """Which line is which, on every sheet: nobody saws with the map in hand."""
    names = [_LINE_NAMES[style] for style, _ in template.legend if style != "cutting"]
    return [f"LINES: {'; '.join(names)}."] if names else []


def _saw_to(template: Template) -> str:
    """The one line that matters most, in the largest letters there is room for."""
    styles_drawn = [style for style, _ in template.legend]
    if not styles_drawn:
        return ""
    # Without a line of its own it lies on the pattern: all bevels are under, nothing is allowed.
    own = "cutting" in styles_drawn
    return f"; {_LINE_NAMES['cutting'] if own else 'solid: CUTTING LINE as well'}"


def sheet_words(template: Template, printer: PrinterProfile | None) -> SheetWords:
    """What every sheet says of the part."""
    facts = template.facts or JobFacts()
    lines = [*_line_names(template), wording.face_words(template.pattern)]
    if template.facts is not None:
        lines.append(f"{wording.date_words(facts).capitalize()}.")
    scale = template.scale
    if scale is not None and scale.basis is ScaleBasis.NOMINAL:
        # The map has the whole of it; here it must be seen at a glance.
        claim = wording.NO_SIZE.partition(":")[0]
        lines = [f"{claim} ({scale.words}).", *lines]
    else:
        shape_mm = wording.doubt_of(template.pattern).shape_mm
        lines.append(wording.fixed_words(shape_mm, template.pattern, facts))
        lines += [] if scale is None else [wording.scale_words(scale)]
    stock = wording.stock_words(template.pattern.outline.views, facts)
    lines += [stock] if stock and template.facts is not None else []
    lines.append(made_up_for(printer))
    return SheetWords(
        title=legible(f"{template.title}{_saw_to(template)}", bold=True),
        lines=tuple(legible(line) for line in lines),
    )
