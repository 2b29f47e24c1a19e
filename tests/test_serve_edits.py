"""Putting right by hand, as the page asks for it: kept in the job file, undone, done again, never lost."""

from __future__ import annotations

from pathlib import Path

import pytest
from bench_server import SAMPLES

from spilemark.errors import UsageError
from spilemark.jobfile import read_order
from spilemark.serve import edits
from spilemark.serve.entries import Entry
from spilemark.serve.shelf import Shelf


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    made = Shelf(tmp_path / "shop")
    entry = made.create({"boat": "Curlew"})
    for arm in ("port", "port", "starboard"):
        with made.incoming(made.find(entry.id)) as path:
            path.write_bytes(b"\xff\xd8\xff a photo")
            made.keep(made.find(entry.id), arm, path)
    return made


def entry_of(shelf: Shelf) -> Entry:
    return shelf.entries()[0]


def form(shelf: Shelf, **more: object) -> dict:
    photo = entry_of(shelf).photos[0]
    given = {"arm": "port", "do": "move", "photo": photo.id, "points": [[10, 20], [11.126, 22]]}
    return given | more


def test_an_edit_stands_in_the_job_file_as_the_command_line_reads_it(shelf: Shelf) -> None:
    edits.add_correction(shelf, entry_of(shelf), form(shelf))
    edits.add_correction(shelf, entry_of(shelf), form(shelf, do="guess"))
    order = read_order(entry_of(shelf).job.file, {})
    (first, second) = order.facts.corrections["port"]
    assert (first.do, first.photo, first.points) == (
        "move",
        "port_1.jpg",
        ((10.0, 20.0), (11.13, 22.0)),
    )
    assert second.do == "guess"
    assert len(order.photos["port"]) == 2


def test_undo_and_redo_survive_the_program(shelf: Shelf) -> None:
    for do in ("move", "guess"):
        edits.add_correction(shelf, entry_of(shelf), form(shelf, do=do))
    edits.undo(shelf, entry_of(shelf), "port")
    again = Shelf(shelf.root)
    assert [r["do"] for r in edits.corrections_of(entry_of(again))["port"]] == ["move"]
    edits.redo(again, entry_of(again), "port")
    assert [r["do"] for r in edits.corrections_of(entry_of(again))["port"]] == ["move", "guess"]
    with pytest.raises(UsageError):
        edits.redo(again, entry_of(again), "port")


def test_back_to_what_was_traced_and_forth_again(shelf: Shelf) -> None:
    for do in ("move", "guess"):
        edits.add_correction(shelf, entry_of(shelf), form(shelf, do=do))
    edits.back_to_traced(shelf, entry_of(shelf), "port")
    assert edits.corrections_of(entry_of(shelf)) == {}
    for _ in range(2):
        edits.redo(shelf, entry_of(shelf), "port")
    assert [r["do"] for r in edits.corrections_of(entry_of(shelf))["port"]] == ["move", "guess"]


def test_a_new_edit_ends_what_could_be_done_again(shelf: Shelf) -> None:
    edits.add_correction(shelf, entry_of(shelf), form(shelf))
    edits.undo(shelf, entry_of(shelf), "port")
    edits.add_correction(shelf, entry_of(shelf), form(shelf, do="guess"))
    with pytest.raises(UsageError):
        edits.redo(shelf, entry_of(shelf), "port")


def test_edits_are_kept_when_photos_are_added_and_go_with_their_own(shelf: Shelf) -> None:
    entry = entry_of(shelf)
    edits.add_correction(shelf, entry, form(shelf))
    second = entry.photos[1]
    edits.add_correction(shelf, entry_of(shelf), form(shelf, photo=second.id, do="guess"))
    edits.set_mark(shelf, entry_of(shelf), {"arm": "port", "key": "forward", "value": [5, 6]})
    with shelf.incoming(entry_of(shelf)) as path:
        path.write_bytes(b"\xff\xd8\xff another")
        shelf.keep(entry_of(shelf), "port", path)
    assert len(edits.corrections_of(entry_of(shelf))["port"]) == 2
    shelf.set_aside(entry_of(shelf), entry_of(shelf).photos[0])
    left = edits.corrections_of(entry_of(shelf))["port"]
    assert [row["photo"] for row in left] == ["port_2.jpg"]
    # What was told of the pixels of the first photo is of no other.
    assert "forward" not in entry_of(shelf).table["port"]


@pytest.mark.parametrize(
    "wrong",
    [
        {"do": "erase"},
        {"points": [[1, 2]]},
        {"points": [[1, 2], [3]]},
        {"points": [[1, 2], [3, "4"]]},
        {"points": [[1, 2], [3, 1e9]]},
        {"points": "all"},
        {"points": [[1, 2], [True, 3]]},
        {"arm": "starboard"},
        {"arm": "hull"},
        {"photo": "../job.toml"},
        {"photo": None},
    ],
)
def test_what_is_no_edit_changes_nothing(shelf: Shelf, wrong: dict) -> None:
    before = entry_of(shelf).job.file.read_bytes()
    with pytest.raises(UsageError):
        edits.add_correction(shelf, entry_of(shelf), form(shelf, **wrong))
    assert entry_of(shelf).job.file.read_bytes() == before


def test_line_bow_and_face_are_those_of_the_job_file(shelf: Shelf) -> None:
    for key, value in (("centreline", [1, 2, 300, 4]), ("forward", [5, 6]), ("face", "down")):
        edits.set_mark(shelf, entry_of(shelf), {"arm": "port", "key": key, "value": value})
    facts = read_order(entry_of(shelf).job.file, {}).facts
    assert facts.centreline_px["port"] == (1.0, 2.0, 300.0, 4.0)
    assert facts.forward_px["port"] == (5.0, 6.0)
    assert facts.face["port"] == "down"
    edits.set_mark(shelf, entry_of(shelf), {"arm": "port", "key": "centreline", "value": None})
    assert read_order(entry_of(shelf).job.file, {}).facts.centreline_px == {}
    with pytest.raises(UsageError):
        edits.set_mark(shelf, entry_of(shelf), {"arm": "port", "key": "photos", "value": ["x"]})
    with pytest.raises(UsageError, match="on each other"):
        edits.set_mark(
            shelf, entry_of(shelf), {"arm": "port", "key": "centreline", "value": [1, 1, 2, 2]}
        )


def test_an_edge_is_renamed_and_gets_its_own_name_back(shelf: Shelf) -> None:
    edits.rename_edge(shelf, entry_of(shelf), {"name": "hull edge", "to": "plank"})
    assert entry_of(shelf).table["edge_names"] == {"hull edge": "plank"}
    edits.rename_edge(shelf, entry_of(shelf), {"name": "plank", "to": "planking"})
    assert entry_of(shelf).table["edge_names"] == {"hull edge": "planking"}
    edits.rename_edge(shelf, entry_of(shelf), {"name": "planking", "to": ""})
    assert "edge_names" not in entry_of(shelf).table
    with pytest.raises(UsageError):
        edits.rename_edge(shelf, entry_of(shelf), {"name": "hull edge", "to": "x" * 61})


def test_comments_of_the_job_file_stay(tmp_path: Path) -> None:
    import shutil

    shelf = Shelf(tmp_path / "shop")
    shutil.copytree(SAMPLES, shelf.root / "knee")
    entry = entry_of(shelf)
    before = entry.job.file.read_text()
    edits.add_correction(shelf, entry, form(shelf))
    after = entry.job.file.read_text()
    assert [line for line in before.splitlines() if line not in after.splitlines()] == []
    edits.undo(shelf, entry_of(shelf), "port")
    assert read_order(entry.job.file, {}).facts.corrections == {}
