"""A stranger's package, really built, really installed beside spilemark, and chosen by a recipe."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import sysconfig
import venv
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
EXAMPLE = Path(__file__).resolve().parent / "example_plugin"


def run(*words: str | Path, folder: Path) -> subprocess.CompletedProcess[str]:
    clean = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "PYTHONHOME")}
    return subprocess.run(
        [str(w) for w in words], capture_output=True, text=True, cwd=folder, env=clean, check=False
    )


@pytest.fixture(scope="module")
def stranger(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An environment's Python with both wheels in it; numpy and the like are lent by ours."""
    folder = tmp_path_factory.mktemp("stranger")
    wheels = folder / "wheels"
    pip = [sys.executable, "-m", "pip", "--disable-pip-version-check"]
    alone = ["--no-deps", "--no-build-isolation", "--no-index", "--quiet"]
    made = run(*pip, "wheel", *alone, "-w", wheels, ROOT, EXAMPLE, folder=folder)
    assert made.returncode == 0, made.stderr
    home = folder / "env"
    venv.create(home, with_pip=False)
    python = home / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    put = run(
        *pip, "--python", python, "install", "--no-deps", "--no-index", "--quiet",
        *wheels.glob("*.whl"), folder=folder,
    )  # fmt: skip
    assert put.returncode == 0, put.stderr
    where = run(
        python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))", folder=folder
    )
    lent = {sysconfig.get_path("purelib"), sysconfig.get_path("platlib")}
    (Path(where.stdout.strip()) / "lent.pth").write_text("\n".join(sorted(lent)) + "\n")
    return python


def test_its_plugins_are_listed_and_change_nothing(stranger: Path, tmp_path: Path) -> None:
    listed = run(stranger, "-m", "spilemark", "plugins", folder=tmp_path)
    assert listed.returncode == 0, listed.stderr
    assert "plain-threshold" in listed.stdout
    assert "shop-floor-stages 0.3" in listed.stdout
    # It runs from the wheel that was installed, not from this checkout.
    where = run(stranger, "-c", "import spilemark; print(spilemark.__file__)", folder=tmp_path)
    assert str(stranger.parents[1]) in where.stdout


def test_its_options_are_shown_with_their_units(stranger: Path, tmp_path: Path) -> None:
    shown = run(stranger, "-m", "spilemark", "plugins", "plain-threshold", folder=tmp_path)
    assert shown.returncode == 0, shown.stderr
    assert "sigma_mm" in shown.stdout
    assert "mm" in shown.stdout


@pytest.mark.parametrize(
    ("stage", "name"), [("trace", "plain-threshold"), ("write_template", "points-csv")]
)
def test_it_passes_the_conformance_check(
    stranger: Path, tmp_path: Path, stage: str, name: str
) -> None:
    code = (
        "from pathlib import Path; from spilemark.testing.conformance import check_plugin;"
        f"check_plugin({stage!r}, {name!r}, folder=Path('.'))"
    )
    done = run(stranger, "-c", code, folder=tmp_path)
    assert done.returncode == 0, done.stderr


def test_a_recipe_chooses_it(stranger: Path, tmp_path: Path) -> None:
    draw = (
        "from pathlib import Path; from spilemark.testing.conformance import draw_bench;"
        "f = draw_bench(Path('.')).facts; import json;"
        "print(json.dumps([f.centreline_px['starboard'], f.forward_px['starboard']]))"
    )
    line, ahead = json.loads(run(stranger, "-c", draw, folder=tmp_path).stdout)
    (tmp_path / "ours.toml").write_text(
        '[stages]\ntrace = "plain-threshold"\nwrite_template = ["svg", "points-csv"]\n'
        "[trace.plain-threshold]\nlevel = 0.5\n"
    )
    made = run(
        stranger, "-m", "spilemark", "make", "--starboard", "drawn_starboard.png",
        "--thickness", "0.5", "--printed-bar", "100,100", "--recipe", "ours.toml",
        "--centreline", ",".join(map(str, line)), "--forward", ",".join(map(str, ahead)),
        "--out", "out", folder=tmp_path,
    )  # fmt: skip
    assert made.returncode == 0, made.stderr
    rows = (tmp_path / "out" / "starboard_points.csv").read_text().splitlines()
    assert rows[0] == "x_mm,y_mm"
    assert len(rows) > 300
    report = json.loads((tmp_path / "out" / "report.json").read_text())
    assert report["provenance"]["versions"]["trace: plain-threshold"] == "shop-floor-stages 0.3"
