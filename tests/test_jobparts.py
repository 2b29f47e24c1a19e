"""Job files of several parts."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from spilemark import cli
from spilemark.errors import UsageError
from spilemark.jobfile import read_order
from spilemark.jobparts import part_called, parts_of
from spilemark.many import Job, find_jobs, places
from spilemark.testing.conformance import draw_bench

TWO = """
boat = "Curlew"
thickness = "3 mm"
out = "spring"

[[parts]]
part = "quarter knee"
port.photos = ["a.jpg"]

[[parts]]
part = "Breast hook, fwd"
thickness = "4 mm"
single.photos = ["b.jpg"]
single.face = "down"
"""


def written(folder: Path, text: str) -> Path:
    path = folder / "job.toml"
    path.write_text(text)
    return path


def test_what_stands_at_the_top_holds_for_each_part_unless_it_says_otherwise(
    tmp_path: Path,
) -> None:
    path = written(tmp_path, TWO)
    knee, hook = (read_order(path, {}, part.name) for part in parts_of(path))
    assert (knee.facts.boat, hook.facts.boat) == ("Curlew", "Curlew")
    assert (knee.facts.part, hook.facts.part) == ("quarter knee", "Breast hook, fwd")
    assert (knee.facts.thickness_mm, hook.facts.thickness_mm) == (3.0, 4.0)
    assert knee.photos == {"port": (tmp_path / "a.jpg",)}
    assert hook.photos == {"single": (tmp_path / "b.jpg",)}
    assert knee.out == tmp_path / "spring" / "quarter_knee"
    assert hook.out == tmp_path / "spring" / "Breast_hook_fwd"


def test_the_command_line_wins_for_every_part(tmp_path: Path) -> None:
    path = written(tmp_path, TWO)
    order = read_order(path, {"out": "here", "units": "in"}, "quarter knee")
    assert order.out == Path("here/quarter_knee")
    assert order.facts.units == "in"


def test_a_part_is_found_by_its_name_or_its_folder(tmp_path: Path) -> None:
    path = written(tmp_path, TWO)
    assert part_called(path, "QUARTER KNEE").name == "quarter knee"
    assert part_called(path, "breast_hook_fwd").name == "Breast hook, fwd"
    with pytest.raises(UsageError, match='Did you mean "quarter knee"'):
        part_called(path, "quater knee")
    with pytest.raises(UsageError, match="is of 2 parts"):
        read_order(path, {})


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('parts = "two"', "list of tables"),
        ("parts = []", "list of tables"),
        ("[[parts]]\nport.photos = []", "part number 1, has no name|part number 1 has no name"),
        ('[[parts]]\npart = "a b"\n[[parts]]\npart = "A_b"', "share the folder"),
        (
            '[[parts]]\npart = "knee!"\n[[parts]]\npart = "knee?"',
            'parts "knee!" and "knee[?]" would',
        ),
        ('[[parts]]\npart = "knee"\n[[parts]]\npart = "Knee"', "two parts are called"),
        ('[[part]]\npart = "x"\nport.photos = ["a.jpg"]', "part is a name"),
    ],
)
def test_parts_that_cannot_be_told_apart(text: str, words: str, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=words):
        parts_of(written(tmp_path, text))


def test_a_file_of_one_part_is_as_before(tmp_path: Path) -> None:
    path = written(tmp_path, 'out = "knee"\n[port]\nphotos = ["a.jpg"]\n')
    assert read_order(path, {}).out == tmp_path / "knee"
    with pytest.raises(UsageError, match="of one part only"):
        part_called(path, "knee")


def test_names_become_folders_that_any_file_system_takes(tmp_path: Path) -> None:
    text = '[[parts]]\npart = "knie für: Möwe/2"\n[[parts]]\npart = "../../etc"\n'
    text += '[[parts]]\npart = "???"\n'
    folders = [part.folder for part in parts_of(written(tmp_path, text))]
    assert folders == ["knie_für_Möwe_2", "etc", "part"]


def test_names_that_windows_keeps_for_its_devices_are_no_folders(tmp_path: Path) -> None:
    # Microsoft, "Naming Files, Paths, and Namespaces": CON, PRN, AUX, NUL, COM1..9, LPT1..9, also
    # followed by an extension.
    kept = ("aux", "Con", "NUL", "prn", "com1", "lpt9", "con.old")
    text = "".join(f'[[parts]]\npart = "{name}"\n' for name in (*kept, "con1", "console"))
    folders = [part.folder for part in parts_of(written(tmp_path, text))]
    assert folders[:-2] == [f"{name}_part" for name in kept]
    assert folders[-2:] == ["con1", "console"]


POINTS = """
[port]
photos = ["old.jpg"]
centreline = [10, 10, 500, 20]
forward = [900, 20]
face = "up"
"""


def test_points_of_an_old_photo_do_not_hold_for_a_new_one(tmp_path: Path) -> None:
    path = written(tmp_path, POINTS)
    order = read_order(path, {"port": {"photos": ["new.jpg"]}})
    assert order.facts.centreline_px == {}
    assert order.facts.forward_px == {}
    assert order.facts.face == {"port": "up"}
    (note,) = order.notes
    assert "centreline and forward point told for port in pixels of another photo" in note.text
    # The same photo, or none on the command: they hold, and nothing is said.
    for said in ({}, {"port": {"photos": [str(tmp_path / "old.jpg"), "more.jpg"]}}):
        order = read_order(path, said)
        assert set(order.facts.forward_px) == {"port"}
        assert order.notes == ()


def test_points_told_anew_for_a_new_photo_hold(tmp_path: Path) -> None:
    said = {"port": {"photos": ["new.jpg"], "forward": [1.0, 2.0]}}
    order = read_order(written(tmp_path, POINTS), said)
    assert order.facts.forward_px == {"port": (1.0, 2.0)}
    assert order.facts.centreline_px == {}
    assert "The centreline told for port" in order.notes[0].text


def test_points_of_the_tops_photo_do_not_hold_for_a_parts_own(tmp_path: Path) -> None:
    text = POINTS + '[[parts]]\npart = "a"\nport.photos = ["a.jpg"]\n[[parts]]\npart = "b"\n'
    path = written(tmp_path, text)
    assert read_order(path, {"out": "o"}, "a").facts.forward_px == {}
    assert len(read_order(path, {"out": "o"}, "a").notes) == 1
    assert set(read_order(path, {"out": "o"}, "b").facts.forward_px) == {"port"}


def test_points_in_a_photo_of_both_go_with_it(tmp_path: Path) -> None:
    text = 'both.photos = ["old.jpg"]\nport.forward = [1, 2]\nstarboard.forward = [3, 4]\n'
    path = written(tmp_path, text)
    order = read_order(path, {"both": {"photos": ["new.jpg"]}})
    assert order.facts.forward_px == {}
    assert len(order.notes) == 2


def test_a_slip_in_a_part_reads_as_a_sentence(tmp_path: Path) -> None:
    path = written(tmp_path, '[[parts]]\npart = "y"\nport.photos = "a.jpg"\n')
    with pytest.raises(UsageError, match=r"[(]part y[)], \[port\]: photos must be a list"):
        read_order(path, {"out": "o"}, "y")
    with pytest.raises(UsageError, match=r"edge_names, .*parts"):
        read_order(written(tmp_path, "nonsense = 1\n"), {})


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A file of three parts: one good, one of a damaged photo, one of another good."""
    folder = tmp_path_factory.mktemp("several")
    facts = draw_bench(folder).facts
    (folder / "damaged.jpg").write_bytes(b"\xff\xd8\xff\xe0 no photo")
    text = 'thickness = "0.5 mm"\nprinted_bar = "100 x 100"\nout = "out"\n'
    for name, side, photo in (
        ("first", "port", "drawn_port.png"),
        ("second", "port", "damaged.jpg"),
        ("third", "starboard", "drawn_starboard.png"),
    ):
        line = list(facts.centreline_px[side])
        text += f'[[parts]]\npart = "{name}"\n{side}.photos = ["{photo}"]\n'
        text += f'{side}.centreline = {line}\n{side}.face = "up"\n'
    (folder / "several.toml").write_text(text)
    return folder


def test_one_bad_part_stops_no_other(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code = cli.main(["make", str(bench / "several.toml"), "--force"])
    said = capsys.readouterr()
    assert code == 1
    assert "first: done" in said.out
    assert "second: FAILED" in said.out
    assert "third: done" in said.out
    assert "damaged.jpg" in said.err
    assert sorted(p.name for p in (bench / "out").iterdir()) == ["first", "third"]
    assert '--only "second"' in said.out
    # The same command again would only stop at what stands there: it says how to go on.
    assert cli.main(["make", str(bench / "several.toml")]) == 6
    assert '--only "second" to make what is missing' in capsys.readouterr().err
    report = json.loads((bench / "out" / "third" / "report.json").read_text())
    assert set(report["patterns"]) == {"starboard"}


def test_one_part_alone(bench: Path, tmp_path: Path) -> None:
    out = tmp_path / "o"
    code = cli.main(["make", str(bench / "several.toml"), "--only", "first", "--out", str(out)])
    assert code == 0
    assert [p.name for p in out.iterdir()] == ["first"]


def test_a_slip_in_the_last_part_is_told_before_the_first_is_measured(
    bench: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (bench / "several.toml").read_text() + 'tolerance = "-1 mm"\n'
    path = bench / "slip.toml"
    path.write_text(text)
    assert cli.main(["make", str(path), "--out", str(tmp_path / "o")]) == 2
    assert "part third" in capsys.readouterr().err
    assert not (tmp_path / "o").exists()


@pytest.mark.parametrize("more", [["--port", "x.jpg"], ["--json"]])
def test_what_is_of_one_part_only_asks_which(
    bench: Path, more: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["make", str(bench / "several.toml"), *more]) == 2
    assert "--only" in capsys.readouterr().err


def test_only_needs_a_job_file(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["make", "--port", "a.jpg", "--only", "x"]) == 2
    assert "no job file" in capsys.readouterr().err


def test_parts_are_jobs_of_their_own_in_a_folder_of_jobs(bench: Path) -> None:
    jobs = [job for job in find_jobs(bench) if job.file.name == "several.toml"]
    assert [job.part for job in jobs] == ["first", "second", "third"]
    assert {places(jobs, bench, Path("o"))[0][job] for job in jobs} == {Path("o/several")}
    assert Job(bench / "several.toml", "first").named_from(bench) == "several.toml: first"
