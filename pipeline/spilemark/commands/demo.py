"""``spilemark demo``: the main job on the sample photos."""

from __future__ import annotations

from pathlib import Path

import click

from spilemark.commands import Examples

SAMPLE = Path("sample_images") / "quarter_knee" / "job.toml"


@click.command(
    cls=Examples,
    examples=(
        "spilemark demo",
        "spilemark demo --out my_demo/",
        "spilemark demo --out my_demo/ --units in",
    ),
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("demo_output"),
    show_default=True,
    metavar="DIR",
    help="Folder for the results; an earlier demo's are replaced.",
)
@click.option(
    "--units",
    type=click.Choice(("mm", "in")),
    default="mm",
    show_default=True,
    help="How lengths are shown.",
)
def demo(out: Path, units: str) -> int:
    """Run the main job on the sample photos of a quarter knee."""
    from spilemark.commands.make import run
    from spilemark.errors import UnreadableInput

    # The samples lie beside the source, not in the installed package.
    homes = (Path(), Path(__file__).resolve().parents[3])
    job_file = next((home / SAMPLE for home in homes if (home / SAMPLE).is_file()), None)
    if job_file is None:
        raise UnreadableInput(
            f"The sample photos ({SAMPLE.parent}) are not here.",
            "Run the demo in the folder that holds the project's source.",
        )
    return run(job_file, {"out": str(out), "units": units}, force=True)
