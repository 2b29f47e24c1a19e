"""Every file of one job, written into a scratch folder.

Templates go through the ``write_template`` plug-ins; the report, the overlays
and the difference figure are the program's own.  Nothing here reads the clock:
the same result gives the same bytes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

from spilemark.records import Template
from spilemark.results import JobResult

TemplateWriter = Callable[[Template, Path], Iterable[Path]]
"""Runs every writer that the recipe names on one template."""


def write_outputs(
    result: JobResult, folder: Path, write_template: TemplateWriter
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

    Returns
    -------
    tuple of Path
        The files, templates first.

    Raises
    ------
    CannotWrite
        A file could not be written.
    """
    from spilemark.difference_figure import write_difference_figure
    from spilemark.overlay import write_overlays
    from spilemark.report import write_report
    from spilemark.template import build_templates

    files: list[Path] = []
    for template in build_templates(result):
        files += write_template(template, folder)
    if result.comparison is not None:
        files.append(write_difference_figure(result.comparison, result.facts, folder))
    files += write_overlays(result, folder)
    files.append(write_report(result, folder))
    return tuple(files)
