"""``spilemark check``: whether everything that is needed works on this machine."""

from __future__ import annotations

import platform
import shutil
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import click

from spilemark.commands import Examples
from spilemark.errors import CannotWrite, MissingLibrary, SpilemarkError

_LIBRARIES = ("numpy", "scipy", "shapely", "cv2", "PIL", "reportlab", "svgwrite", "msgspec")


@click.command(
    cls=Examples,
    examples=(
        "spilemark check",
        "spilemark check --out knee/",
        "spilemark check --out /media/stick/",
    ),
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path(),
    metavar="DIR",
    help="A folder that results shall be written to. [default: this one]",
)
def check(out: Path) -> int:
    """Check libraries, plug-ins, photo formats, and room for results."""
    worst = 0
    for label, look in (
        ("program", _program),
        ("libraries", _libraries),
        ("plug-ins", _plugins),
        ("photos", _photos),
        ("folder", lambda: _folder(out)),
        ("scratch", lambda: _folder(Path(tempfile.gettempdir()))),
    ):
        code = _say(label, look)
        worst = worst or code
    return worst


def _say(label: str, look: Callable[[], str]) -> int:
    try:
        words = look()
    except SpilemarkError as error:
        click.echo(f"BAD   {label:10} {error}")
        return error.exit_code
    click.echo(f"ok    {label:10} {words}")
    return 0


def _program() -> str:
    from spilemark import __version__

    system = f"{platform.system()} {platform.release()}"
    return f"spilemark {__version__}, Python {platform.python_version()}, {system}"


def _libraries() -> str:
    import importlib

    found = []
    for name in _LIBRARIES:
        try:
            module = importlib.import_module(name)
        except ImportError as error:
            raise MissingLibrary(
                f"{name} cannot be loaded: {error}.",
                f"Install it again in {sys.prefix}, or start afresh with: python3 run.py test.",
            ) from error
        found.append(f"{name} {getattr(module, '__version__', '')}".strip())
    return ", ".join(found)


def _plugins() -> str:
    from spilemark.hookspecs import PROJECT
    from spilemark.plugins import load_plugins
    from spilemark.recipe import equip, standard_recipe

    loaded = load_plugins()
    equip(standard_recipe(), loaded)
    strangers = [item for item in loaded.facts if item.distribution != PROJECT]
    broken = [item.name for item in strangers if item.problem is not None]
    words = f"{len(loaded.facts) - len(strangers)} of ours, {len(strangers)} of others"
    return f"{words}; cannot be used: {', '.join(broken)}" if broken else words


def _photos() -> str:
    try:
        import pillow_heif
    except ImportError:
        return "JPEG, PNG, TIFF, WebP; no HEIC (pip install pillow-heif, or set the phone to JPEG)"
    return f"JPEG, PNG, TIFF, WebP, HEIC (pillow-heif {pillow_heif.__version__})"


def _folder(folder: Path) -> str:
    from spilemark.storage import check_target, existing_results

    check_target(folder, force=True)
    where = folder if folder.is_dir() else folder.parent
    if not where.is_dir():
        raise CannotWrite(f"{where} is not a folder.", "Make it first, or name another.")
    free = shutil.disk_usage(where).free / 1e9
    held = ", holds results already" if existing_results(folder) else ""
    return f"{folder.absolute()} can be written, {free:.1f} GB free{held}"
