"""Printers as measured: diagnosis, the file they are kept in, the test sheet, the commands."""

from __future__ import annotations

import datetime as dt
import errno
import math
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pikepdf
import pypdfium2
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from spilemark import config
from spilemark.commands.printer import printer
from spilemark.config import config_folder
from spilemark.errors import CannotWrite, UnreadableInput, UsageError, WouldOverwrite
from spilemark.ink import Sheet, Words
from spilemark.ink import Stroke as InkStroke
from spilemark.printer_sheet import trial_sheet, write_test_sheet
from spilemark.printers import (
    PrinterProfile,
    diagnose,
    find_printer,
    out_of_square_deg,
    read_printers,
    square_words,
    store_printer,
)

DPI = 600
PX_MM = 25.4 / DPI
# ISO 216:2007 and ASME Y14.1-2020, upright.
PAPER_MM = {
    "a4": (210.0, 297.0),
    "letter": (215.9, 279.4),
    "a3": (297.0, 420.0),
    "tabloid": (279.4, 431.8),
}
SHOP = PrinterProfile(
    name="shop laser",
    paper="a4",
    across_mm=99.5,
    along_mm=100.4,
    out_of_square_deg=0.05,
    measured=dt.date(2026, 5, 1),
)


@pytest.mark.parametrize(
    ("measured", "paper", "words"),
    [
        # Derived: a page shrunk into the paper less edges of 4 mm: 202 / 210 and 271.4 / 297 of 100.
        ((96.19, 96.19), "a4", "A4 on A4 paper comes out as about 96.19"),
        ((91.38, 91.38), "a4", "A4 on Letter paper comes out as about 91.38"),
        ((96.0, 96.3), "a4", "was shrunk to fit"),
        ((93.56, 93.5), "letter", "Letter on A4 paper comes out as about 93.56"),
        ((98.2, 98.3), "a4", "probably shrunk to fit"),
        ((104.0, 104.1), "a4", "enlarged"),
    ],
)
def test_a_page_that_was_made_to_fit_is_told(measured, paper, words):
    found = diagnose(paper, *measured)
    assert found.kind == "fit-to-page"
    assert words in found.words


@pytest.mark.parametrize(
    ("measured", "kind"),
    [
        ((100.0, 100.0), "printer"),
        ((99.5, 100.4), "printer"),
        ((99.0, 97.2), "printer"),  # one direction alone is no viewer's doing
        ((100.0, 96.2), "far-off"),
        ((101.6, 101.6), "wrong-bar"),  # 4 in
        ((101.6, 100.1), "printer"),
    ],
)
def test_a_printer_s_own_error_is_no_shrunk_page(measured, kind):
    assert diagnose("a4", *measured).kind == kind


def test_diagonals_tell_how_far_out_of_square():
    """Derived: 180 x 240 mm sheared by 0.2 degrees; a 200 mm square so sheared differs by 0.987 mm."""
    lean = math.tan(math.radians(0.2))
    one, other = (math.hypot(180 + sign * 240 * lean, 240) for sign in (1, -1))
    assert out_of_square_deg("a4", one, other) == pytest.approx(0.2, abs=0.002)
    assert out_of_square_deg("a4", other, one) == pytest.approx(-0.2, abs=0.002)
    assert out_of_square_deg("tabloid", 400.0, 400.0) == 0
    assert "1.0 mm over 300 mm" in square_words(0.2)
    assert "not corrected" in square_words(0.2)
    assert "good enough" in square_words(-0.04)


def test_scaled_sides_do_not_pass_for_a_shear():
    size = (180 * 0.99, 240 * 1.004)
    assert out_of_square_deg("a4", *2 * [math.hypot(*size)], 99.0, 100.4) == pytest.approx(0)


def test_diagonals_of_something_else_are_refused():
    with pytest.raises(UsageError, match="near 300"):
        out_of_square_deg("a4", 141.4, 141.5)


def test_a_page_is_stretched_the_other_way_about_its_middle():
    """Paper upright and lying: the short edge is across, the long edge along."""
    for width, height in ((210.0, 297.0), (297.0, 210.0)):
        cx, cy = width / 2, height / 2
        line = InkStroke(points=((cx, cy), (cx + 50.0, cy + 50.0)), width_mm=0.3)
        word = Words(text="x", at=(cx, cy), size_mm=3.0)
        sheet = Sheet(title="", width_mm=width, height_mm=height, marks=(line, word))
        moved, same = SHOP.corrected(sheet).marks
        (x0, y0), (x1, y1) = moved.points
        printed = [0.995, 1.004] if width < height else [1.004, 0.995]
        assert np.multiply([x1 - x0, y1 - y0], printed) == pytest.approx([50, 50])
        assert (x0, y0) == (cx, cy)
        assert moved.width_mm == 0.3
        assert same == word


def test_what_was_stored_is_found_again(tmp_path):
    path = tmp_path / "settings of mine" / "printers.toml"
    assert read_printers(path) == ()
    assert store_printer(SHOP, path) == path
    other = replace(SHOP, name="office", paper="letter", out_of_square_deg=None, measured=None)
    store_printer(other, path)
    assert read_printers(path) == (other, SHOP)
    assert find_printer("shop laser", path) == SHOP
    assert [p.name for p in path.parent.iterdir()] == ["printers.toml"]


@settings(deadline=None)
@given(
    name=st.from_regex(r"[A-Za-z0-9Äé][A-Za-z0-9 .+\-_é]{0,20}[A-Za-z0-9é]", fullmatch=True),
    across=st.floats(95.0, 105.0),
    along=st.floats(95.0, 105.0),
)
def test_any_profile_survives_its_file(tmp_path_factory, name, across, along):
    path = tmp_path_factory.mktemp("p") / "printers.toml"
    profile = PrinterProfile(name=name, paper="a3", across_mm=across, along_mm=along)
    store_printer(profile, path)
    assert read_printers(path) == (profile,)


def test_one_of_the_name_is_not_replaced_unasked(tmp_path):
    path = tmp_path / "printers.toml"
    store_printer(SHOP, path)
    changed = replace(SHOP, across_mm=99.9)
    with pytest.raises(WouldOverwrite, match="shop laser"):
        store_printer(changed, path)
    assert read_printers(path) == (SHOP,)
    store_printer(changed, path, force=True)
    assert read_printers(path) == (changed,)


def test_a_full_disk_leaves_the_old_file(tmp_path, monkeypatch):
    path = tmp_path / "printers.toml"
    store_printer(SHOP, path)

    def full(descriptor: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(CannotWrite, match="No space left"):
        store_printer(replace(SHOP, name="other"), path)
    assert read_printers(path) == (SHOP,)
    assert [p.name for p in tmp_path.iterdir()] == ["printers.toml"]


@pytest.mark.parametrize(
    ("text", "error", "word"),
    [
        ("[[printer]\n", UnreadableInput, "slip of the pen"),
        ("printer = 3\n", UsageError, "no list of printers"),
        ("[[printers]]\n", UsageError, "printers"),
        ('[[printer]]\nname = "x"\npaper = "a4"\nacros_mm = 1\n', UsageError, "across_mm"),
        (
            '[[printer]]\nname = "x"\npaper = "a4"\nacross_mm = 80\nalong_mm = 100\n',
            UsageError,
            "80 mm",
        ),
        (
            '[[printer]]\nname = "x"\npaper = "a5"\nacross_mm = 100\nalong_mm = 100\n',
            UsageError,
            "a4, letter",
        ),
    ],
)
def test_a_spoilt_file_is_said(tmp_path, text, error, word):
    path = tmp_path / "printers.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(error, match=word):
        read_printers(path)


def test_an_unknown_name_is_answered_with_the_known_ones(tmp_path):
    path = tmp_path / "printers.toml"
    with pytest.raises(UsageError, match="none yet"):
        find_printer("shop", path)
    store_printer(SHOP, path)
    with pytest.raises(UsageError, match='Did you mean "shop laser"'):
        find_printer("shop lazer", path)


@pytest.mark.parametrize("name", ["", " ", 'a"b', "a\nb", "a\\b", "x" * 41])
def test_names_that_a_file_or_a_command_would_choke_on_are_refused(name):
    with pytest.raises(ValueError, match="name"):
        replace(SHOP, name=name)


@pytest.mark.parametrize(
    ("system", "variables", "folder"),
    [
        ("linux", {"XDG_CONFIG_HOME": "{root}/conf"}, "{root}/conf/spilemark"),
        ("linux", {}, "{root}/.config/spilemark"),
        # XDG Base Directory Specification: relative paths are invalid and to be ignored.
        ("linux", {"XDG_CONFIG_HOME": "conf"}, "{root}/.config/spilemark"),
        ("darwin", {}, "{root}/Library/Application Support/spilemark"),
        ("win32", {"APPDATA": "{root}/Roaming"}, "{root}/Roaming/spilemark"),
        ("win32", {}, "{root}/AppData/Roaming/spilemark"),
        ("linux", {"SPILEMARK_CONFIG": "{root}/shared"}, "{root}/shared"),
    ],
)
def test_settings_stand_where_each_system_keeps_them(
    monkeypatch, tmp_path, system, variables, folder
):
    for name in ("XDG_CONFIG_HOME", "APPDATA", "SPILEMARK_CONFIG"):
        monkeypatch.delenv(name, raising=False)
    for name, value in variables.items():
        monkeypatch.setenv(name, value.format(root=tmp_path))
    monkeypatch.setattr(config.sys, "platform", system)
    monkeypatch.setattr(Path, "home", lambda: tmp_path)
    assert config_folder() == Path(folder.format(root=tmp_path))


def picture(path: Path) -> tuple[np.ndarray, np.ndarray]:
    """Ink of the page, and its dots a millimetre (x, y)."""
    document = pypdfium2.PdfDocument(str(path))
    size = np.array(document[0].get_size()) * 25.4 / 72
    ink = 255 - document[0].render(scale=DPI / 72, grayscale=True).to_numpy().squeeze()
    document.close()
    return ink.astype(float), np.array(ink.shape[::-1]) / size


def middles(ink: np.ndarray) -> np.ndarray:
    dark = np.flatnonzero(ink > 60)
    runs = np.split(dark, np.flatnonzero(np.diff(dark) > 1) + 1)
    return np.array([np.average(run + 0.5, weights=ink[run]) for run in runs])


def corner_cross(ink: np.ndarray, scale: np.ndarray, near: tuple[float, float]) -> np.ndarray:
    """Middle of a cross, from its arms outside the frame, mm."""
    x, y = near
    out_x = x + math.copysign(3.0, x - ink.shape[1] / scale[0] / 2)
    out_y = y + math.copysign(3.0, y - ink.shape[0] / scale[1] / 2)
    x0, y0 = int((x - 1.5) * scale[0]), int((y - 1.5) * scale[1])
    wide, high = (3.0 * scale).astype(int)
    (across,) = middles(ink[int(out_y * scale[1]), x0 : x0 + wide])
    (down,) = middles(ink[y0 : y0 + high, int(out_x * scale[0])])
    return np.array([x0 + across, y0 + down]) / scale


@pytest.mark.parametrize("paper", PAPER_MM)
def test_the_test_sheet_measures_true(paper, tmp_path):
    """Sides and diagonals of a 3-4-5 rectangle cross to cross, bars both ways; 2 dots of 600 an inch."""
    path = write_test_sheet(tmp_path / "test.pdf", paper)
    ink, scale = picture(path)
    width, height = PAPER_MM[paper]
    across, along, diagonal = (180, 240, 300) if width < 220 else (240, 320, 400)
    corners = {
        (sx, sy): corner_cross(
            ink, scale, (width / 2 + sx * across / 2, height / 2 + sy * along / 2)
        )
        for sx in (-1, 1)
        for sy in (-1, 1)
    }
    assert np.ptp([c[0] for c in corners.values()]) == pytest.approx(across, abs=2 * PX_MM)
    assert np.ptp([c[1] for c in corners.values()]) == pytest.approx(along, abs=2 * PX_MM)
    for one, other in (((-1, -1), (1, 1)), ((-1, 1), (1, -1))):
        assert math.dist(corners[one], corners[other]) == pytest.approx(diagonal, abs=2 * PX_MM)
    left, top = width / 2 - across / 2, height / 2 - along / 2
    for y, length in ((47.2, 100.0), (59.2, 101.6)):
        row = ink[int((top + y) * scale[1])]
        begin = int((left + 21.0) * scale[0])
        ends = middles(row[begin : begin + int(106 * scale[0])])
        assert np.ptp(ends[[0, -1]]) / scale[0] == pytest.approx(length, abs=2 * PX_MM)
    for x, length in ((9.2, 100.0), (18.2, 101.6)):
        column = ink[:, int((left + x) * scale[0])]
        begin = int((top + 45.0) * scale[1])
        ends = middles(column[begin : begin + int(106 * scale[1])])
        assert np.ptp(ends[[0, -1]]) / scale[1] == pytest.approx(length, abs=2 * PX_MM)


def test_a_corrected_test_sheet_comes_out_true_on_that_printer(tmp_path):
    path = write_test_sheet(tmp_path / "test.pdf", "a4", profile=SHOP)
    ink, scale = picture(path)
    size = np.array([180 / 0.995, 240 / 1.004])
    low, high = (
        corner_cross(ink, scale, tuple(np.array([105.0, 148.5]) + sign * size / 2))
        for sign in (-1, 1)
    )
    assert (high - low) * [0.995, 1.004] == pytest.approx([180.0, 240.0], abs=2 * PX_MM)
    text = pypdfium2.PdfDocument(str(path))[0].get_textpage().get_text_bounded()
    assert 'Corrected for printer "shop laser"' in text


def test_the_test_sheet_asks_not_to_be_scaled_and_tells_what_to_type(tmp_path):
    """/PrintScaling: ISO 32000-1:2008, table 150."""
    path = write_test_sheet(tmp_path / "test.pdf", "letter")
    with pikepdf.open(path) as pdf:
        assert pdf.Root.ViewerPreferences.PrintScaling == "/None"
        assert len(pdf.pages) == 1
        assert [float(v) for v in pdf.pages[0].MediaBox] == pytest.approx(
            [0, 0, 612, 792], abs=0.01
        )
    text = pypdfium2.PdfDocument(str(path))[0].get_textpage().get_text_bounded()
    text = " ".join(text.replace("\xa0", " ").split())
    for words in (
        "the paper Letter, and across and along as you read them",
        "ACROSS 180 mm",
        "ALONG 240 mm",
        "96.29 or 93.56",
        "Print at 100 %",
    ):
        assert words in text


def test_test_sheets_that_cannot_be_are_refused(tmp_path):
    path = tmp_path / "test.pdf"
    with pytest.raises(UsageError, match="end in"):
        write_test_sheet(tmp_path / "test.png")
    with pytest.raises(UsageError, match="no paper"):
        write_test_sheet(path, "a5")
    with pytest.raises(UsageError, match="measured on a4"):
        trial_sheet("letter", profile=SHOP)
    with pytest.raises(CannotWrite, match="folder"):
        write_test_sheet(tmp_path / "none" / "test.pdf")
    path.write_bytes(b"mine")
    with pytest.raises(WouldOverwrite):
        write_test_sheet(path)
    assert path.read_bytes() == b"mine"
    assert write_test_sheet(path, force=True) == path


@pytest.fixture
def shop(tmp_path, monkeypatch):
    monkeypatch.setenv("SPILEMARK_CONFIG", str(tmp_path / "settings"))

    def run(*arguments: str):
        return CliRunner().invoke(printer, list(arguments))

    return run


def test_a_printer_is_measured_listed_and_used(shop, tmp_path):
    assert "None yet" in shop("list").output
    told = shop("measure", "shop", "--across", "99.8mm", "--along", "100,2", "--date", "2026-05-01")
    assert told.exit_code == 0, told.output
    (kept,) = read_printers()
    assert (kept.across_mm, kept.along_mm) == pytest.approx((99.8, 100.2))
    assert kept.measured == dt.date(2026, 5, 1)
    assert "across 99.80  along 100.20  2026-05-01" in shop("list").output
    path = tmp_path / "test.pdf"
    assert shop("test-sheet", "--printer", "shop", "--out", str(path)).exit_code == 0
    assert path.exists()


def test_long_lengths_and_diagonals_are_taken(shop):
    told = shop(
        "measure", "big", "--paper", "a3", "--long", "--across", "239.4", "--along", "320.8",
        "--diagonals", "400.9,399.7",
    )  # fmt: skip
    assert told.exit_code == 0, told.output
    (kept,) = read_printers()
    assert (kept.across_mm, kept.along_mm) == pytest.approx((99.75, 100.25))
    assert kept.out_of_square_deg == pytest.approx(
        math.degrees((400.9**2 - 399.7**2) / (4 * 239.4 * 320.8)), abs=1e-3
    )
    assert "out of square" in told.output


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--across", "96.2", "--along", "96.2"), "shrunk to fit"),
        (("--across", "101.6", "--along", "101.6", "--as-measured"), "bar of 4 in"),
        (("--across", "9.98", "--along", "10.02"), "is that in centimetres?"),
        (("--across", "9.98", "--along", "10.02", "--as-measured"), "such as 9.98cm"),
        (("--long", "--across", "17.96", "--along", "24.05"), "is that in centimetres?"),
        (("--across", "93", "--along", "99", "--as-measured"), "93 mm"),
        (("--across", "lots", "--along", "99"), "not a length"),
        (("--across", "99.9", "--along", "99.9", "--diagonals", "300"), "two lengths"),
    ],
)
def test_measurements_that_cannot_be_kept_are_refused(shop, arguments, words):
    told = shop("measure", "shop", *arguments)
    assert isinstance(told.exception, UsageError)
    assert words in str(told.exception)
    assert read_printers() == ()


def test_a_copier_that_really_shrinks_can_be_kept(shop):
    assert (
        shop("measure", "copier", "--across", "98.4", "--along", "98.4", "--as-measured").exit_code
        == 0
    )
    assert find_printer("copier").across_mm == pytest.approx(98.4)
    again = shop("measure", "copier", "--across", "99.9", "--along", "99.9")
    assert isinstance(again.exception, WouldOverwrite)


def test_help_of_the_commands_loads_nothing_heavy():
    heavy = ("numpy", "cv2", "shapely", "scipy", "reportlab", "ezdxf", "PIL", "msgspec")
    code = (
        "import sys\nimport spilemark.commands.printer\n"
        f"print([name for name in {heavy!r} if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_printer_that_is_stored_is_told_in_one_sentence(shop):
    assert shop("measure", "laser", "--across", "99.8", "--along", "9.99cm").exit_code == 0
    again = shop("measure", "laser", "--across", "99.7", "--along", "99.9")
    said = str(again.exception)
    assert (
        'A printer "laser" is stored already (100 mm came out as 99.80 across, 99.90 along' in said
    )
    assert ".)" not in said
    assert ".." not in said
    assert "Corrected" not in said
