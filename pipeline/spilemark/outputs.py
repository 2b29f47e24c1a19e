"""Every file of one job, written into a scratch folder.

Templates go through the ``write_template`` plug-ins, pages about the whole job
through the ``write_job`` ones; ``report.json``, the overlays and the difference
figure are the program's own, and stand in the folder when ``write_job`` runs.  Nothing here reads the clock:
the same result gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

from spilemark.records import Template
from spilemark.results import JobResult

TemplateWriter = Callable[[Template, Path], Iterable[Path]]
"""Runs every writer that the recipe names on one template."""

JobWriter = Callable[[JobResult, Path], Iterable[Path]]
"""Runs every writer that the recipe names on the whole job."""


def _nothing(_result: JobResult, _folder: Path) -> tuple[Path, ...]:
    return ()


def write_outputs(
    result: JobResult,
    folder: Path,
    write_template: TemplateWriter,
    write_job: JobWriter = _nothing,
) -> tuple[Path, ...]:
    """Write all result files of one job.

    Parameters
    ----------
    result : JobResult
    folder : Path
        A scratch folder that exists; whoever runs the pipeline moves the
        finished files to their place.
    write_template : callable
        Takes a template and the folder, hands back the files it wrote there.
    write_job : callable
        Takes the result and the folder; default: no files about the whole job.

    Returns
    -------
    tuple of Path
        The files, templates first.

    Raises
    ------
    CannotWrite
        A file could not be written.
    """
    from spilemark.blank_parts import write_blank
    from spilemark.difference_figure import write_difference_figure
    from spilemark.fairness_figure import write_fairness
    from spilemark.overlay import write_overlays
    from spilemark.report import write_report
    from spilemark.template import build_templates

    files: list[Path] = []
    for template in build_templates(result):
        files += write_template(template, folder)
    if result.comparison is not None:
        files.append(write_difference_figure(result.comparison, result.facts, folder))
    if result.halves is not None:
        halves = result.halves.comparison
        files.append(write_difference_figure(halves, result.facts, folder, "halves.svg"))
    for pattern in result.patterns.values():
        path = write_fairness(pattern, result.facts, folder)
        files += [] if path is None else [path]
    files += write_overlays(result, folder)
    files += write_blank(result.blank, result.facts, folder)
    files.append(write_report(result, folder))
    files += write_job(result, folder)
    return tuple(files)
