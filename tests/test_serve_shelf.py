"""Jobs on the shelf: the folders of the command line, changed in one step, never lost."""

from __future__ import annotations

import os
import re
import shutil
from pathlib import Path

import pytest
from bench_server import SAMPLES

from spilemark.errors import UnreadableInput, UsageError
from spilemark.jobfile import order_from, read_order
from spilemark.serve.entries import NotThere, id_of
from spilemark.serve.form_errors import FormWrong
from spilemark.serve.sheet import arms_open, form_of, lay_in, table_from
from spilemark.serve.shelf import ASIDE, Shelf, aside_of

JPEG = b"\xff\xd8\xff\xe0 a photo"


def shelf_at(path: Path) -> Shelf:
    return Shelf(path / "shop")


def put_photo(shelf: Shelf, job_id: str, arm: str = "port", content: bytes = JPEG) -> None:
    entry = shelf.find(job_id)
    with shelf.incoming(entry) as path:
        path.write_bytes(content)
        shelf.keep(entry, arm, path)


def test_a_job_of_the_page_is_one_of_the_command_line(tmp_path: Path) -> None:
    shelf = shelf_at(tmp_path)
    form = {"boat": "Dunlin 14", "part": "knee", "thickness": "3.1", "distances": "A-H = 742.5 ± 0.2",
            "units": "mm", "paper": "letter", "edge": "scribed", "date": "2026-05-14", "tolerance": ""}  # fmt: skip
    entry = shelf.create(table_from(form))
    put_photo(shelf, entry.id)
    order = read_order(entry.job.file, {})
    assert order.facts.boat == "Dunlin 14"
    assert order.facts.thickness_mm == 3.1
    assert order.facts.distances == (("A", "H", 742.5, 0.2),)
    assert order.facts.tolerance_mm == 1.5
    assert order.facts.edge["port"] == "scribed"
    assert str(order.facts.date) == "2026-05-14"
    assert order.photos["port"] == (entry.folder / "port_1.jpg",)


def test_a_job_of_the_command_line_is_one_of_the_page(tmp_path: Path) -> None:
    shelf = shelf_at(tmp_path)
    shutil.copytree(SAMPLES, shelf.root / "knee")
    (entry,) = shelf.entries()
    assert entry.title == "Pepperwort, quarter knee"
    assert [(p.arm, p.path.name) for p in entry.photos] == [
        ("port", "port.jpg"),
        ("starboard", "starboard.jpg"),
    ]
    before = entry.job.file.read_text()
    shelf.change(entry, lambda d: lay_in(d, table_from({**form_of(entry.table), "boat": "Teal"})))
    after = entry.job.file.read_text()
    # The person's comments stay, and nothing but what was changed is different.
    assert after == before.replace('boat = "Pepperwort"', 'boat = "Teal"')


def test_bare_numbers_are_in_the_unit_that_the_form_shows() -> None:
    table = table_from({"units": "in", "thickness": "1/8", "distances": "A-H = 29 1/4; B-C = 400 mm",
                        "tolerance": "1.5 mm"})  # fmt: skip
    assert table["thickness"] == "1/8 in"
    assert table["distances"] == ["A-H = 29 1/4 in", "B-C = 400 mm"]
    assert table["tolerance"] == "1.5 mm"


@pytest.mark.parametrize(
    ("typed", "pairs"),
    [
        ("C-E 481.1", ["C-E = 481.1"]),
        ("C-E = 481.1, B-C = 311.5", ["C-E = 481.1", "B-C = 311.5"]),
        ("C-E 481,1\nB – C: 311,5 ± 0,3", ["C-E = 481,1", "B-C = 311,5 ± 0,3"]),
        ("C to E is 19 in; B-C=311.5 mm,", ["C-E = 19 in", "B-C = 311.5 mm"]),
    ],
)
def test_distances_are_understood_as_people_write_them(typed: str, pairs: list[str]) -> None:
    assert table_from({"distances": typed})["distances"] == pairs
    assert len(order_from(table_from({"distances": typed}), "The form").facts.distances) == len(
        pairs
    )


@pytest.mark.parametrize(
    ("typed", "bars"),
    [
        ("100.4 across 99.9 along", (100.4, 99.9)),
        ("99.9 along, 100.4 across", (100.4, 99.9)),
        ("along: 99,9 across: 100,4", (100.4, 99.9)),
        ("100.4 and 99.9", (100.4, 99.9)),
        ("100.4 99.9", (100.4, 99.9)),
        ("99.6,99.8", (99.6, 99.8)),
        ("99,6 x 99,8", (99.6, 99.8)),
        ("100.2", (100.2, 100.2)),
    ],
)
def test_check_bars_are_understood_as_people_write_them(
    typed: str, bars: tuple[float, float]
) -> None:
    table = table_from({"printed_bar": typed})
    assert order_from(table, "The form").facts.printed_bar_mm == pytest.approx(bars)


def test_bare_numbers_of_a_job_in_inches_are_shown_as_the_millimetres_that_they_are() -> None:
    table = {"units": "in", "thickness": 3.1, "tolerance": "1/16 in", "port": {"thickness": "6.18"},
             "distances": ["A-H = 742.5", "port:C-E = 19 1/2 in", "starboard:B-C=312.3"]}  # fmt: skip
    form = form_of(table)
    assert (form["thickness"], form["tolerance"]) == ("3.1 mm", "1/16 in")
    assert (form["port_thickness"], form["port_distances"]) == ("6.18 mm", "C-E = 19 1/2 in")
    assert (form["distances"], form["starboard_distances"]) == ("A-H = 742.5 mm", "B-C = 312.3 mm")
    # Kept unchanged, it says the same.
    again = order_from(table_from(form), "The form").facts
    before = order_from(table, "The job").facts
    assert again.thickness_mm == before.thickness_mm == 3.1
    assert [d[2] for d in again.distances] == [d[2] for d in before.distances]


def test_what_is_not_understood_is_told_at_each_field_in_its_own_words() -> None:
    form = {"boat": "Wren", "thickness": "about three", "distances": "C-E 48l; B-C 311",
            "starboard_thickness": "900", "printed_bar": "30 x 40", "port_distances": "C-C 300",
            "date": "soon"}  # fmt: skip
    with pytest.raises(FormWrong) as told:
        table_from(form)
    words = {f.field: f.words for f in told.value.fields}
    assert set(words) == {*form} - {"boat"}
    assert words["thickness"].startswith('"about three" is not a length. Write for example 3.1')
    assert words["starboard_thickness"].startswith("900 is not between 0.1 and 150 mm.")
    assert "48l" in words["distances"]
    assert "names the card C twice" in words["port_distances"]
    assert words["date"].startswith("soon is not a date")
    for said in words.values():  # no key of a job file, no option of the command line
        assert not re.search(r"--|printed_bar|This job|§|port:", said)


def test_sides_that_differ_are_those_of_the_command_line(tmp_path: Path) -> None:
    shelf = shelf_at(tmp_path)
    form = {"boat": "Wren", "thickness": "6", "port_thickness": "6.18", "distances": "A-B 300",
            "port_distances": "C-E 481.1, B-C 311.5", "starboard_distances": "C-E 481.0"}  # fmt: skip
    entry = shelf.create(table_from(form))
    put_photo(shelf, entry.id)
    put_photo(shelf, entry.id, "starboard", JPEG + b"2")
    facts = read_order(entry.job.file, {}).facts
    assert facts.thickness_for("port")[0] == 6.18
    assert facts.thickness_for("starboard")[0] == 6.0
    assert [(d[0], d[1], d[2]) for d in facts.distances] == [
        ("A", "B", 300.0), ("port:C", "E", 481.1), ("port:B", "C", 311.5), ("starboard:C", "E", 481.0),
    ]  # fmt: skip
    shown = form_of(shelf.find(entry.id).table)
    assert shown["distances"] == "A-B = 300"
    assert shown["port_distances"] == "C-E = 481.1; B-C = 311.5"
    assert (shown["port_thickness"], shown["starboard_thickness"]) == ("6.18", "")
    # Taken out again, the photos stay.
    shelf.change(shelf.find(entry.id), lambda d: lay_in(d, table_from({"boat": "Wren"})))
    facts = read_order(entry.job.file, {}).facts
    assert facts.thickness_for("port")[0] is None
    assert len(shelf.find(entry.id).photos) == 2


def test_the_side_that_has_no_photo_yet_may_be_told(tmp_path: Path) -> None:
    shelf = shelf_at(tmp_path)
    entry = shelf.create(table_from({"boat": "Wren", "starboard_thickness": "6.03"}))
    put_photo(shelf, entry.id)
    put_photo(shelf, entry.id, "starboard", JPEG + b"2")
    assert read_order(entry.job.file, {}).facts.thickness_for("starboard")[0] == 6.03


def test_new_answers_stand_above_the_tables(tmp_path: Path) -> None:
    shelf = shelf_at(tmp_path)
    entry = shelf.create({"boat": "Curlew"})
    put_photo(shelf, entry.id)
    shelf.change(shelf.find(entry.id), lambda d: lay_in(d, {"boat": "Curlew", "units": "in"}))
    order = read_order(entry.job.file, {})
    assert order.facts.units == "in"
    assert len(order.photos["port"]) == 1


def test_what_would_be_no_job_is_refused_and_the_file_stays(tmp_path: Path) -> None:
    shelf = shelf_at(tmp_path)
    entry = shelf.create({"boat": "Curlew"})
    before = entry.job.file.read_bytes()
    with pytest.raises(UsageError, match="thickness"):
        shelf.change(entry, lambda d: lay_in(d, {"thickness": "9 m"}))
    put_photo(shelf, entry.id, "single")
    with pytest.raises(UsageError, match="single part"):
        put_photo(shelf, entry.id, "port")
    assert [p.name for p in entry.folder.glob("*.jpg")] == ["single_1.jpg"]
    assert entry.job.file.read_bytes() != before


def test_which_photos_may_come_next() -> None:
    assert arms_open({}) == ["port", "starboard", "single", "both"]
    assert arms_open({"port": {"photos": ["a"]}}) == ["port", "starboard"]
    assert arms_open({"both": {"photos": ["a"]}}) == ["both"]
    assert arms_open({"single": {"photos": ["a"]}}) == ["single"]


def test_a_photo_set_aside_is_kept_and_its_name_is_not_given_again(tmp_path: Path) -> None:
    shelf = shelf_at(tmp_path)
    entry = shelf.create({"boat": "Curlew"})
    put_photo(shelf, entry.id)
    put_photo(shelf, entry.id, content=JPEG + b"2")
    entry = shelf.find(entry.id)
    shelf.set_aside(entry, entry.photos[0])
    assert (entry.folder / "set_aside" / "port_1.jpg").read_bytes() == JPEG
    assert [p.path.name for p in shelf.find(entry.id).photos] == ["port_2.jpg"]
    put_photo(shelf, entry.id, content=JPEG + b"3")
    assert [p.path.name for p in shelf.find(entry.id).photos] == ["port_2.jpg", "port_3.jpg"]


def test_a_photo_set_aside_is_brought_back_where_there_is_a_place_for_it(tmp_path: Path) -> None:
    shelf = shelf_at(tmp_path)
    entry = shelf.create({"boat": "Curlew"})
    put_photo(shelf, entry.id)
    entry = shelf.find(entry.id)
    shelf.set_aside(entry, entry.photos[0])
    put_photo(shelf, entry.id, "single")
    ((arm, path),) = aside_of(shelf.find(entry.id))
    assert (arm, path.name) == ("port", "port_1.jpg")
    entry = shelf.find(entry.id)
    # Beside a part on the centreline there is no port: it stays where it is.
    with pytest.raises(UsageError, match="single part"):
        shelf.bring_back(entry, id_of(f"{ASIDE}/{path.name}"))
    assert path.is_file()
    shelf.set_aside(entry, entry.photos[0])
    entry = shelf.find(entry.id)
    photo = shelf.bring_back(entry, id_of(f"{ASIDE}/{path.name}"))
    assert photo.path.read_bytes() == JPEG
    assert [p.path.name for p in shelf.find(entry.id).photos] == ["port_1.jpg"]
    for strange in ("", "../job.toml", "port_1.jpg"):
        with pytest.raises(NotThere):
            shelf.bring_back(entry, strange)


def test_after_a_crash_a_photo_that_came_in_is_taken_up_and_half_ones_go(tmp_path: Path) -> None:
    shelf = shelf_at(tmp_path)
    entry = shelf.create({"boat": "Curlew"})
    put_photo(shelf, entry.id)
    # Killed between the photo's name and the job file's change; and while one was coming in.
    (entry.folder / "port_2.jpg").write_bytes(JPEG)
    (entry.folder / "my own.jpg").write_bytes(JPEG)
    entry.bench.mkdir(parents=True, exist_ok=True)
    (entry.bench / "incoming-0123").write_bytes(b"\xff\xd8")
    again = Shelf(shelf.root)
    again.mend()
    assert [p.path.name for p in again.find(entry.id).photos] == ["port_1.jpg", "port_2.jpg"]
    assert not [*entry.bench.glob("incoming-*")]


def test_killed_while_writing_leaves_the_old_job_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shelf = shelf_at(tmp_path)
    entry = shelf.create({"boat": "Curlew"})
    before = entry.job.file.read_bytes()

    def cut_off(_: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", cut_off)
    with pytest.raises(KeyboardInterrupt):
        shelf.change(entry, lambda d: lay_in(d, {"boat": "Teal"}))
    assert entry.job.file.read_bytes() == before


def test_a_file_of_several_parts_is_shown_part_by_part_and_not_changed(tmp_path: Path) -> None:
    shelf = shelf_at(tmp_path)
    folder = shelf.root / "spring"
    folder.mkdir()
    (folder / "job.toml").write_text(
        'out = "spring"\n[[parts]]\npart = "knee"\nport.photos = ["a.jpg"]\n'
        '[[parts]]\npart = "hook"\nsingle.photos = ["b.jpg"]\n'
    )
    entries = shelf.entries()
    assert {e.title for e in entries} == {"knee", "hook"}
    assert {e.results for e in entries} == {folder / "spring" / "knee", folder / "spring" / "hook"}
    with pytest.raises(UsageError, match="several parts"):
        shelf.change(entries[0], lambda d: lay_in(d, {"boat": "Teal"}))


def test_a_damaged_job_file_is_told_and_the_others_are_shown(tmp_path: Path) -> None:
    shelf = shelf_at(tmp_path)
    good = shelf.create({"boat": "Curlew"})
    bad = shelf.root / "bad"
    bad.mkdir()
    (bad / "job.toml").write_text("boat = ")
    problems = {e.folder.name: bool(e.problem) for e in shelf.entries()}
    assert problems == {"curlew": False, "bad": True}
    assert shelf.find(good.id).title == "Curlew"


def test_ids_are_of_places_and_nothing_else_is_an_id(tmp_path: Path) -> None:
    shelf = shelf_at(tmp_path)
    entry = shelf.create({"boat": "Curlew"})
    assert Shelf(shelf.root).find(entry.id).folder == entry.folder
    for wrong in ("", "..", entry.folder.name, str(entry.folder), entry.id.upper() + "0"):
        with pytest.raises(NotThere):
            shelf.find(wrong)


def test_what_is_changed_beside_the_page_is_seen_at_once(tmp_path: Path) -> None:
    shelf = shelf_at(tmp_path)
    entry = shelf.create({"boat": "Curlew"})
    for boat in ("Teal", "Wren", "Knot"):
        # Names of one length, within the same moment: as hard to tell apart as a file gets.
        entry.job.file.write_text(f'boat = "{boat}"\n[port]\nphotos = []\n')
        assert shelf.find(entry.id).title == boat
    shutil.rmtree(entry.folder)
    with pytest.raises(NotThere):
        shelf.find(entry.id)


def test_names_make_folders_that_every_system_takes(tmp_path: Path) -> None:
    shelf = shelf_at(tmp_path)
    names = [shelf.create({"boat": b}).folder.name for b in ("../../x", "CON:", "Käpt'n", "", "")]
    assert names == ["x", "con", "käpt_n", "job", "job_2"]


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    from spilemark.errors import CannotWrite

    (tmp_path / "shop").write_text("a file")
    with pytest.raises(CannotWrite, match="--jobs"):
        Shelf(tmp_path / "shop")


def test_a_file_that_is_no_photo_is_not_kept(tmp_path: Path) -> None:
    shelf = shelf_at(tmp_path)
    entry = shelf.create({"boat": "Curlew"})
    with pytest.raises(UnreadableInput):
        put_photo(shelf, entry.id, content=b"hello")
    assert not [*entry.folder.glob("port*")]
