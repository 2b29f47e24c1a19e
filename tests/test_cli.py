"""The command line: what it imports, what it says where, and its exit codes."""

from __future__ import annotations

import json
import os
import re
import shlex
import subprocess
import sys
from pathlib import Path
from typing import Any

import click
import pytest
from stand_ins import Stage, kitchen_of

import spilemark.conductor
import spilemark.job
from spilemark import cli, errors
from spilemark.commands import Examples, make
from spilemark.errors import SpilemarkError
from spilemark.hookspecs import hookimpl
from spilemark.records import Photo, ScaleBasis

HEAVY = ("numpy", "cv2", "shapely", "scipy", "skimage", "PIL", "reportlab", "svgwrite", "ezdxf",
         "pluggy", "msgspec", "starlette", "uvicorn", "tomlkit", "segno", "spilemark_stages")  # fmt: skip
COMMANDS = {
    " ".join((name, *inner)): command
    for name, given in cli.spilemark.commands.items()
    for inner, command in (
        [((n,), c) for n, c in given.commands.items()]
        if isinstance(given, click.Group)
        else [((), given)]
    )
}
"""Every command by the words that call it, those of groups among them."""


def run(*words: str) -> int:
    return cli.main(list(words))


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with two photos, in which a stand-in does every stage."""
    monkeypatch.chdir(tmp_path)
    for name in ("p.jpg", "s.jpg"):
        Path(name).write_text(name)
    equip_with(monkeypatch, Stage())
    return tmp_path


def equip_with(monkeypatch: pytest.MonkeyPatch, plugin: Stage) -> None:
    monkeypatch.setattr(spilemark.job, "prepare", lambda _: kitchen_of(plugin))


@pytest.mark.parametrize(
    "words", [["--help"], ["--version"], *[[*c.split(), "--help"] for c in COMMANDS]]
)
def test_help_imports_nothing_heavy(words: list[str]) -> None:
    code = (
        f"import sys; from spilemark.cli import main; main({words!r}); "
        f"print([m for m in {HEAVY!r} if m in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr.strip() == "[]"
    assert done.stdout


def test_the_module_runs_as_a_program() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "spilemark", "--version"], check=True, capture_output=True
    )
    assert done.stdout.startswith(b"spilemark")


@pytest.mark.parametrize("called", COMMANDS)
def test_each_command_has_three_examples_that_its_own_parser_takes(called: str) -> None:
    command = COMMANDS[called]
    assert isinstance(command, Examples)
    assert len(command.examples) >= 3
    for line in command.examples:
        words = shlex.split(line)
        name = ["spilemark", *called.split()]
        assert words[: len(name)] == name
        command.make_context(called, words[len(name) :])


def test_each_option_of_make_tells_its_unit_and_default() -> None:
    flags = {"force", "dry_run", "as_json"}
    texts = {"port", "starboard", "single", "both", "out", "boat", "part", "date", "recipe",
             "distances", "printed_bar"}  # fmt: skip
    for option in make.make.params:
        if not isinstance(option, click.Option) or option.name in flags:
            continue
        assert option.help
        if option.name not in texts:
            assert "[default:" in option.help, option.name
        if option.metavar and "LENGTH" in option.metavar:
            assert "mm" in option.help, option.name
        if option.name in ("centreline", "forward"):
            assert "pixels" in option.help


@pytest.mark.parametrize(
    ("words", "spread"),
    [
        (["--port", "a", "b"], ["--port", "a", "--port", "b"]),
        (
            ["--port", "a", "b", "--out", "d", "j.toml"],
            ["--port", "a", "--port", "b", "--out", "d", "j.toml"],
        ),
        (["--port", "a", "j.toml"], ["--port", "a", "j.toml"]),
        (["j.toml", "--both", "a", "b"], ["j.toml", "--both", "a", "--both", "b"]),
        (["--port"], ["--port"]),
        (["--force", "j.toml"], ["--force", "j.toml"]),
    ],
)
def test_several_photos_may_follow_one_option(words: list[str], spread: list[str]) -> None:
    assert make._one_option_each(words) == spread


def planned(monkeypatch: pytest.MonkeyPatch, *words: str) -> Any:
    """What the command line says, in the words of the job file."""
    heard: dict[str, Any] = {}

    def listen(job_file: Path | None, said: dict[str, Any], only: str = "", **_: Any) -> int:
        heard.update(said)
        return 0

    monkeypatch.setattr(make, "run", listen)
    assert run("make", *words) == 0
    return heard


def test_the_command_line_in_the_words_of_the_job_file(monkeypatch: pytest.MonkeyPatch) -> None:
    said = planned(
        monkeypatch,
        *shlex.split(
            "--port a.jpg b.jpg --starboard s.jpg --out knee --thickness 3.1mm±0.1 "
            "--distance A-H=742.5mm±0.2 --distance B-C=600 --printed-bar 99.6,99.8 "
            "--batten D-E=800.2mm "
            "--centreline port:1,2,30,40 --centreline starboard:5,6,70,80 --forward port:9,10 "
            "--face up --face starboard:down --edge starboard:scribed --tolerance 2mm --units in --date 2026-05-14"
        ),
    )
    assert said == {
        "port": {
            "photos": ["a.jpg", "b.jpg"],
            "centreline": [1, 2, 30, 40],
            "forward": [9, 10],
            "face": "up",
        },
        "starboard": {
            "photos": ["s.jpg"],
            "centreline": [5, 6, 70, 80],
            "face": "down",
            "edge": "scribed",
        },
        "out": "knee",
        "thickness": "3.1mm±0.1",
        "battens": ["D-E=800.2mm"],
        "distances": ["A-H=742.5mm±0.2", "B-C=600"],
        "printed_bar": "99.6,99.8",
        "tolerance": "2mm",
        "units": "in",
        "date": __import__("datetime").date(2026, 5, 14),
    }


def test_a_side_need_not_be_named_where_there_is_one(monkeypatch: pytest.MonkeyPatch) -> None:
    said = planned(monkeypatch, *shlex.split("--port a.jpg --forward 1,2 --centreline 1,2,3,40"))
    assert said["port"] == {"photos": ["a.jpg"], "centreline": [1, 2, 3, 40], "forward": [1, 2]}
    said = planned(monkeypatch, *shlex.split("--both a.jpg --forward 1,2 --face down"))
    assert said["both"] == {"photos": ["a.jpg"], "forward": [1, 2], "face": "down"}


def test_thickness_is_of_all_patterns_or_of_a_side(monkeypatch: pytest.MonkeyPatch) -> None:
    words = "--port a --starboard b --thickness 3 --thickness starboard:3.3mm"
    said = planned(monkeypatch, *shlex.split(words))
    assert said["thickness"] == "3"
    assert said["starboard"] == {"photos": ["b"], "thickness": "3.3mm"}
    assert "thickness" not in said["port"]


def test_the_sides_of_a_job_file_count(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "j.toml").write_text('[starboard]\nphotos = ["s.jpg"]')
    said = planned(monkeypatch, str(tmp_path / "j.toml"), "--forward", "1,2")
    assert said["starboard"] == {"forward": [1, 2]}


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ("--port a --starboard b --forward 1,2", "of which side"),
        ("--port a --forward aft:1,2", '"aft" is no side'),
        ("--port a --forward 1;2", "not a row of numbers"),
        ("--port a --date soon", "not a date"),
        ("--port a --thickness 3 --thickness 4", "--thickness was given 2 times"),
        ("--port a --thickness aft:3", '"aft" is no side'),
        ("--port a --out k --distance aft:A-H=700", '"aft" is no side'),
        ("--port a --units cubits", "cubits"),
        ("--prt a", "No such option"),
        ("--out knee", "No photo was given"),
        ("--port a", "No place for the results"),
        ("--port a --out k --thickness 3.1furlongs", "is not a length"),
        ("--port p.jpg --out k --distance A-Q9=700", 'names a card "Q9"'),
        ("--port p.jpg --out k --batten A-Q9=700", 'batten A-Q9 names a card "Q9"'),
        ("--port p.jpg --out k --batten A-B=700 --batten B-A=701", "batten A-B was given 2 times"),
    ],
)
@pytest.mark.usefixtures("shop")
def test_wrong_words_are_code_2_and_told(
    words: str, told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("make", *shlex.split(words)) == 2
    out, err = capsys.readouterr()
    assert told in err
    assert out == ""


def test_every_error_has_its_documented_exit_code() -> None:
    # The numbers of the README's table; 0, 1, 5, 70 and 130 are not errors of their own kind.
    kinds = {kind.__name__: kind.exit_code for kind in SpilemarkError.__subclasses__()}
    assert kinds == {
        "UsageError": 2,
        "UnreadableInput": 3,
        "NoScale": 4,
        "WouldOverwrite": 6,
        "MissingLibrary": 7,
        "PluginError": 8,
        "CannotWrite": 9,
        "NoOutline": 10,
    }


class Failing(Stage):
    def __init__(self, error: BaseException) -> None:
        super().__init__()
        self.error = error

    @hookimpl
    def read_source(self, path: Path) -> Photo:
        raise self.error


@pytest.mark.parametrize("kind", SpilemarkError.__subclasses__())
def test_errors_become_exit_codes_and_leave_nothing(
    shop: Path,
    kind: type[SpilemarkError],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    equip_with(monkeypatch, Failing(kind("What happened.", "What to do.")))
    assert run("make", "--port", "p.jpg", "--out", "knee") == kind.exit_code
    out, err = capsys.readouterr()
    assert "What happened." in err
    assert "What to do." in err
    assert out == ""
    assert sorted(p.name for p in shop.iterdir()) == ["p.jpg", "s.jpg"]


def test_a_plugin_that_breaks_is_code_8(
    shop: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    equip_with(monkeypatch, Failing(ZeroDivisionError("by nothing")))
    assert run("make", "--port", "p.jpg", "--out", "knee") == 8
    assert 'plug-in "stand-in" version 1.2' in capsys.readouterr().err


def test_ctrl_c_is_code_130_and_leaves_nothing(
    shop: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    equip_with(monkeypatch, Failing(KeyboardInterrupt()))
    assert run("make", "--port", "p.jpg", "--out", "knee") == errors.EXIT_INTERRUPTED
    assert "Stopped by you" in capsys.readouterr().err
    assert sorted(p.name for p in shop.iterdir()) == ["p.jpg", "s.jpg"]


@pytest.mark.usefixtures("shop")
def test_our_own_bug_is_code_70_with_its_trace(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def slip(*_: Any) -> None:
        raise IndexError("off by one")

    monkeypatch.setattr(spilemark.job, "run_job", slip)
    assert run("make", "--port", "p.jpg", "--out", "knee") == errors.EXIT_OUR_BUG
    err = capsys.readouterr().err
    assert "our mistake" in err
    assert "Traceback" in err


@pytest.mark.usefixtures("shop")
def test_errors_as_json_stand_on_stdout(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("make", "--port", "p.jpg", "--out", "k", "--json", "--thickness", "thin") == 2
    out, err = capsys.readouterr()
    told = json.loads(out)
    assert told["error"]["exit_code"] == 2
    assert told["error"]["what"] in err


def test_results_that_stand_there_are_code_6(
    shop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (shop / "knee").mkdir()
    (shop / "knee" / "report.json").write_text("old")
    assert run("make", "--port", "p.jpg", "--out", "knee") == 6
    assert "--force" in capsys.readouterr().err
    assert (shop / "knee" / "report.json").read_text() == "old"


def test_a_folder_that_cannot_be_written_is_code_9(
    shop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (shop / "knee").write_text("a file")
    assert run("make", "--port", "p.jpg", "--out", "knee/deep") == 9
    assert "cannot be written" in capsys.readouterr().err


def test_a_misspelt_key_in_a_job_file_is_code_2(
    shop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (shop / "job.toml").write_text('thikness = "3mm"\n[port]\nphotos = ["p.jpg"]')
    assert run("make", "job.toml", "--out", "knee") == 2
    assert 'Did you mean "thickness"' in capsys.readouterr().err


@pytest.mark.usefixtures("shop")
def test_the_same_photo_for_both_sides_is_code_2(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("make", "--port", "p.jpg", "--starboard", "p.jpg", "--out", "knee") == 2
    assert "--both" in capsys.readouterr().err


def test_a_dry_run_says_what_would_be_done(shop: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = "make --port p.jpg --out knee --distance A-H=742.5 --dry-run"
    assert run(*words.split()) == 0
    out = capsys.readouterr().out
    for said in ("p.jpg (400 x 300 px", "A-H 742.5 mm", "trace: stand-in", "Nothing was written"):
        assert said in out
    assert sorted(p.name for p in shop.iterdir()) == ["p.jpg", "s.jpg"]


def make_knee(*more: str) -> int:
    return run("make", "--port", "p.jpg", "--starboard", "s.jpg", "--out", "knee", *more)


def test_a_job_talks_on_stderr_and_tells_its_results_on_stdout(
    shop: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    photos = {name: (shop / name).read_bytes() for name in ("p.jpg", "s.jpg")}
    assert make_knee("--part", "quarter knee", "--thickness", "3.1mm") == 0
    out, err = capsys.readouterr()
    assert "reading p.jpg" in err
    assert "reading p.jpg" not in out
    for name in ("drawn.txt", "report.json", "log.txt"):
        assert name in out
        assert (shop / "knee" / name).is_file()
    log = (shop / "knee" / "log.txt").read_text(encoding="utf-8")
    assert "thickness: 3.1 mm" in log
    assert "trace: stand-in: somebody 1.2" in log
    assert {name: (shop / name).read_bytes() for name in photos} == photos


def test_equal_jobs_write_equal_bytes(shop: Path) -> None:
    assert make_knee() == 0
    first = {p.name: p.read_bytes() for p in (shop / "knee").iterdir()}
    assert make_knee("--force") == 0
    assert {p.name: p.read_bytes() for p in (shop / "knee").iterdir()} == first


@pytest.mark.usefixtures("shop")
def test_nominal_scale_is_code_5_and_files_are_written(monkeypatch: pytest.MonkeyPatch) -> None:
    equip_with(monkeypatch, Stage(basis=ScaleBasis.NOMINAL))
    assert make_knee() == errors.EXIT_BELOW_LIMIT
    assert Path("knee/report.json").is_file()


@pytest.mark.usefixtures("shop")
def test_json_on_stdout_is_the_report_and_nothing_else(capsys: pytest.CaptureFixture[str]) -> None:
    assert make_knee("--json") == 0
    out, err = capsys.readouterr()
    assert json.loads(out) == json.loads(Path("knee/report.json").read_text(encoding="utf-8"))
    assert "Files in" in err


def test_an_old_code_page_stops_nothing() -> None:
    code = "import click; from spilemark import cli; cli.main(['--version']); click.echo('A–H')"
    environment = {**os.environ, "PYTHONIOENCODING": "cp437"}
    words = [sys.executable, "-c", code]
    done = subprocess.run(words, env=environment, check=True, capture_output=True)
    assert done.stdout.splitlines()[-1] == b"A-H"


def test_no_colour_where_none_is_wanted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NO_COLOR", "1")
    assert cli._colour() is False
    monkeypatch.delenv("NO_COLOR")
    assert cli._colour() is None


@pytest.mark.skipif(os.name == "nt", reason="no pipes of this kind there")
def test_a_reader_that_has_had_enough_is_no_error() -> None:
    code = f"{shlex.quote(sys.executable)} -m spilemark make --help; echo $? >&2"
    done = subprocess.run(
        f"({code}) | true", shell=True, check=False, capture_output=True, text=True
    )
    assert done.stderr.strip() == "0"


def test_plugins_are_listed_with_who_made_them(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("plugins") == 0
    out = capsys.readouterr().out
    assert re.search(r"^file +read_source +spilemark", out, re.MULTILINE)
    lines = out.splitlines()
    named = [k for k, line in enumerate(lines) if re.match(r"\S+ +\w+ +spilemark ", line)]
    assert len(named) >= 13
    for k in named:
        assert re.match(r"    [a-zA-Z].{20,}\.$", lines[k + 1]), lines[k]
    assert "trace follows the edge" in out


def test_a_plugin_is_shown_with_its_options_as_a_recipe_takes_them(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    from spilemark.plugins import load_plugins
    from spilemark.recipe import equip, read_recipe

    assert run("plugins", "exif-prior") == 0
    out = capsys.readouterr().out
    assert "(px)" in out
    recipe = tmp_path / "recipe.toml"
    recipe.write_text(out[out.index("[undistort.exif-prior]") :], encoding="utf-8")
    assert (
        equip(read_recipe(recipe), load_plugins()).options["undistort", "exif-prior"].centre_px
        == 30
    )


def test_an_unknown_plugin_is_code_2(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("plugins", "exif-piror") == 2
    assert 'Did you mean "exif-prior"' in capsys.readouterr().err


def test_check_looks_at_everything(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("check", "--out", str(tmp_path)) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line.split()[1] for line in lines] == [
        "program", "libraries", "plug-ins", "photos", "folder", "scratch",
    ]  # fmt: skip


def test_check_tells_what_is_bad_by_its_code(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("")
    assert run("check", "--out", str(tmp_path / "file")) == 9
    assert "BAD   folder" in capsys.readouterr().out
    monkeypatch.setitem(sys.modules, "shapely", None)
    assert run("check", "--out", str(tmp_path)) == 7
    assert "BAD   libraries" in capsys.readouterr().out


def test_cards_are_written_where_they_should(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    target = tmp_path / "cards.pdf"
    assert run("cards", "--count", "2", "--out", str(target)) == 0
    assert capsys.readouterr().out.strip() == str(target)
    assert target.read_bytes().startswith(b"%PDF")
    assert run("cards", "--count", "2", "--out", str(target)) == 6
    assert run("cards", "--count", "2", "--out", str(target), "--force") == 0


def test_the_demo_needs_its_samples(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from spilemark.commands import demo

    monkeypatch.setattr(demo, "SAMPLE", Path("nowhere") / "job.toml")
    assert run("demo", "--out", str(tmp_path / "out")) == 3
    assert "are not here" in capsys.readouterr().err
