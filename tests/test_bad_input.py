"""What goes wrong in a shop, one thing at a time, through the real command on drawn photos.

Each is either refused in words that say what to do, with nothing written, or
measured with a note that cannot be missed.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from spilemark import cli
from spilemark.lens import plane_to_pixels
from spilemark.records import Floats, Side
from spilemark.testing import shapes
from spilemark.testing.conformance import scene_cards
from spilemark.testing.scenes import DrawnScene, Look, draw_scene, simple_plane

SIZE = (1800, 1350)
LIES_AT = np.array([65.0, -198.0])
KNEE = shapes.quarter_knee()
"""Starboard's, its pencil line x = 0."""

Pixels = np.ndarray[Any, Any]


def scene(*rings: Floats, seed: int = 1, azimuth_deg: float = 120.0) -> DrawnScene:
    plane = simple_plane(
        width_px=SIZE[0],
        height_px=SIZE[1],
        mm_per_px=0.53,
        height_mm=0.5,
        azimuth_deg=azimuth_deg,
    )
    return draw_scene(
        rings, plane, SIZE, cards=scene_cards(Side.STARBOARD), look=Look(noise=1.0, seed=seed)
    )


def at(ring: Floats, *, port: bool) -> Floats:
    """A pattern where it lies on the bench."""
    return ring + LIES_AT * ([-1.0, 1.0] if port else [1.0, 1.0])


@pytest.fixture(scope="module")
def starboard() -> DrawnScene:
    return scene(at(KNEE, port=False))


@pytest.fixture(scope="module")
def port() -> DrawnScene:
    return scene(at(shapes.mirror(KNEE), port=True), seed=2, azimuth_deg=-70.0)


def saved(folder: Path, name: str, pixels: Pixels, **how: Any) -> str:
    path = folder / name
    Image.fromarray(pixels).save(path, **how)
    return str(path)


def make(*words: str, folder: Path) -> tuple[int, dict[str, Any] | None]:
    """Run ``spilemark make``; its exit code, and its report if it wrote one."""
    out = folder / "out"
    before = sorted(folder.rglob("*"))
    code = cli.main(
        ["make", *words, "--out", str(out), "--thickness", "0.5mm", "--printed-bar", "100 x 100"]
    )
    if not (out / "report.json").exists():
        assert sorted(folder.rglob("*")) == before, "something half written was left"
        return code, None
    assert not [path for path in folder.rglob("*") if ".part" in path.name]
    return code, json.loads((out / "report.json").read_text(encoding="utf-8"))


def codes(report: dict[str, Any] | None) -> set[str]:
    assert report is not None
    return {note["code"] for note in report["notes"]}


def line_of(drawn: DrawnScene, *, is_port: bool) -> str:
    """The pencil line's ends in the photo."""
    ends = at(np.array([[0.0, 5.0], [0.0, 110.0]]), port=is_port)
    return ",".join(f"{v:.1f}" for v in plane_to_pixels(ends, drawn.plane).ravel())


def test_a_card_half_covered_does_no_harm(starboard: DrawnScene, tmp_path: Path) -> None:
    pixels = starboard.photo.pixels.copy()
    places = starboard.crossings_px(starboard.cards[2])
    left, top = places.min(axis=0).astype(int) - 40
    right, bottom = places.max(axis=0).astype(int) + 40
    pixels[top : (top + bottom) // 2, left:right] = 60
    code, report = make("--starboard", saved(tmp_path, "s.png", pixels), folder=tmp_path)
    assert code == 0
    (pattern,) = report["patterns"].values()
    longest = max(edge["length_mm"] for edge in pattern["edges"])
    (tmp_path / "w").mkdir()
    path = saved(tmp_path / "w", "whole.png", starboard.photo.pixels)
    _, whole = make("--starboard", path, folder=tmp_path / "w")
    assert whole is not None
    assert longest == pytest.approx(
        max(edge["length_mm"] for edge in whole["patterns"]["starboard"]["edges"]), abs=0.2
    )
    used = {card["name"]: card["kept"] for card in report["cards"][0]["cards"]}
    assert used["A"] == 21
    assert 6 <= used["C"] < 15


def test_a_pattern_cut_by_the_frame_claims_no_figure(
    starboard: DrawnScene, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ring = plane_to_pixels(at(KNEE, port=False), starboard.plane)
    cut = int(ring[:, 0].max() - 60)
    pixels = np.ascontiguousarray(starboard.photo.pixels[:, :cut])
    code, report = make("--starboard", saved(tmp_path, "s.png", pixels), folder=tmp_path)
    assert code == 5
    assert "cut-by-frame" in codes(report)
    assert "NOT THE WHOLE PATTERN" in capsys.readouterr().out


def test_two_outlines_and_no_way_to_tell(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    small = 0.55 * KNEE
    both = scene(small + [120.0, -190.0], small + [-120.0, -120.0])
    path = saved(tmp_path, "s.png", both.photo.pixels)
    code, report = make("--starboard", path, folder=tmp_path)
    assert (code, report) == (2, None)
    said = capsys.readouterr().err
    assert "Two patterns lie" in said
    assert "--both" in said


def test_port_and_starboard_swapped_are_told(
    port: DrawnScene, starboard: DrawnScene, tmp_path: Path
) -> None:
    words = ["--port", saved(tmp_path, "p.png", starboard.photo.pixels)]
    words += ["--starboard", saved(tmp_path, "s.png", port.photo.pixels)]
    words += ["--centreline", f"port:{line_of(starboard, is_port=False)}"]
    words += ["--centreline", f"starboard:{line_of(port, is_port=True)}"]
    _, report = make(*words, folder=tmp_path)
    assert report is not None
    told = next(n for n in report["notes"] if n["code"] == "aft-of-transom")
    assert "port and starboard are swapped" in told["text"]


def test_the_same_side_twice_is_told(starboard: DrawnScene, tmp_path: Path) -> None:
    again = scene(at(KNEE, port=False), seed=9, azimuth_deg=40.0)
    words = ["--port", saved(tmp_path, "p.png", again.photo.pixels)]
    words += ["--starboard", saved(tmp_path, "s.png", starboard.photo.pixels)]
    _, report = make(*words, folder=tmp_path)
    assert "face-or-side" in codes(report)


def test_one_face_down_is_told(port: DrawnScene, tmp_path: Path) -> None:
    """Starboard's pattern turned over: seen from its lower face it has port's shape."""
    over = scene(at(shapes.mirror(KNEE), port=True), seed=5, azimuth_deg=30.0)
    words = ["--port", saved(tmp_path, "p.png", port.photo.pixels)]
    words += ["--starboard", saved(tmp_path, "s.png", over.photo.pixels)]
    _, report = make(*words, folder=tmp_path)
    assert "face-or-side" in codes(report)
    told = [*words, "--face", "starboard:down"]
    (tmp_path / "told").mkdir()
    _, report = make(*told, folder=tmp_path / "told")
    assert "face-or-side" not in codes(report)


def test_no_reference_line_and_forward_unknown_are_told_and_the_shape_is_measured(
    starboard: DrawnScene, tmp_path: Path
) -> None:
    path = saved(tmp_path, "s.png", starboard.photo.pixels)
    code, report = make("--single", path, folder=tmp_path)
    assert code == 0
    assert {"no-reference-line", "forward-unknown"} <= codes(report)
    drawing = (tmp_path / "out" / "single.svg").read_text(encoding="utf-8")
    assert ">FWD<" not in drawing


def test_a_bomb_of_200_megapixels_is_refused_at_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = saved(tmp_path, "bomb.png", np.zeros((10_000, 20_000), np.uint8))
    begun = time.monotonic()
    code, report = make("--port", path, folder=tmp_path)
    assert (code, report) == (3, None)
    assert time.monotonic() - begun < 10.0
    assert "megapixels" in capsys.readouterr().err


def test_a_lying_extension_is_read_as_what_it_is(starboard: DrawnScene, tmp_path: Path) -> None:
    path = saved(tmp_path, "photo.jpg", starboard.photo.pixels, format="PNG")
    code, report = make("--starboard", path, folder=tmp_path)
    assert code == 0
    assert "lying-extension" in codes(report)


def _animated(picture: Image.Image, path: Path) -> None:
    picture.save(path, save_all=True, append_images=[picture.rotate(180)], duration=100)


def _cmyk(picture: Image.Image, path: Path) -> None:
    picture.convert("RGB").convert("CMYK").save(path, quality=95)


def _palette(picture: Image.Image, path: Path) -> None:
    picture.convert("RGB").quantize(256).save(path)


@pytest.mark.parametrize(
    ("name", "save", "note"),
    [
        ("moving.png", _animated, "first-of-several"),
        ("press.jpg", _cmyk, "converted"),
        ("palette.png", _palette, "converted"),
    ],
)
def test_unusual_pictures_are_measured_with_a_note(
    name: str,
    save: Callable[[Image.Image, Path], None],
    note: str,
    starboard: DrawnScene,
    tmp_path: Path,
) -> None:
    save(Image.fromarray(starboard.photo.pixels), tmp_path / name)
    code, report = make("--starboard", str(tmp_path / name), folder=tmp_path)
    assert code == 0
    assert note in codes(report)


def test_exif_nonsense_does_no_harm(starboard: DrawnScene, tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[274] = 77
    exif[272] = "\x00\x01<script>alert(1)</script>"
    tags = exif.get_ifd(0x8769)
    tags[41989] = 65535
    tags[40962], tags[40963] = 3, 999_999
    path = saved(tmp_path, "s.jpg", starboard.photo.pixels, quality=96, exif=exif)
    code, report = make("--starboard", path, folder=tmp_path)
    assert code == 0
    assert "orientation-unknown" in codes(report)
    assert "<script>" not in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")


@pytest.mark.skipif(
    not Path("/dev/full").exists() or os.name == "nt", reason="no device that is always full"
)
def test_a_full_disk_is_told_and_nothing_is_left(
    starboard: DrawnScene, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    """The system's own "no space left", raised by a real device, in the middle of the writing."""
    path = saved(tmp_path, "s.png", starboard.photo.pixels)
    write = Path.write_text

    def full(self: Path, *given: Any, **more: Any) -> int:
        if self.name == "log.txt":
            with Path("/dev/full").open("w") as device:
                device.write("x")
        return write(self, *given, **more)

    monkeypatch.setattr(Path, "write_text", full)
    code, report = make("--starboard", path, folder=tmp_path)
    assert (code, report) == (9, None)
    assert "the disk is full" in capsys.readouterr().err


@pytest.mark.skipif(os.name == "nt", reason="folders are locked otherwise there")
def test_a_read_only_folder_is_told_before_a_photo_is_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    if os.geteuid() == 0:
        # Whoever may write anywhere meets a place where nobody may.
        target = Path("/proc/nowhere/knee")
    else:
        locked = tmp_path / "locked"
        locked.mkdir(mode=0o555)
        target = locked / "knee"
    (tmp_path / "p.jpg").write_bytes(b"never read")
    assert cli.main(["make", "--port", str(tmp_path / "p.jpg"), "--out", str(target)]) == 9
    said = capsys.readouterr().err
    assert "cannot be written" in said
    assert "reading" not in said


@pytest.mark.skipif(os.name == "nt", reason="no SIGINT to another process there")
def test_ctrl_c_stops_a_real_run_and_leaves_nothing(starboard: DrawnScene, tmp_path: Path) -> None:
    path = saved(tmp_path, "s.png", starboard.photo.pixels)
    # Where tests run in the background, SIGINT is ignored from the start.
    listen = "import signal, runpy; signal.signal(signal.SIGINT, signal.default_int_handler); "
    listen += "runpy.run_module('spilemark', run_name='__main__')"
    words = ["make", "--starboard", path, "--out", str(tmp_path / "out")]
    for wanted in ("finding the scale cards", "tracing", "writing"):
        process = subprocess.Popen(
            [sys.executable, "-c", listen, *words],
            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        with process:
            assert process.stderr is not None
            for line in process.stderr:
                if line.startswith(wanted):
                    break
            process.send_signal(signal.SIGINT)
            rest = process.stderr.read()
        assert process.returncode == 130, rest
        assert "nothing was written" in rest
        assert "Traceback" not in rest
        assert [p.name for p in tmp_path.iterdir()] == ["s.png"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--thickness", "0"), "thickness"),
        (("--thickness", "-3mm"), "thickness"),
        (("--thickness", "9999"), "thickness"),
        (("--thickness", "3 parsec"), "thickness"),
        (("--thickness", "nan"), "thickness"),
        (("--tolerance", "0"), "tolerance"),
        (("--line-doubt", "-1"), "line_doubt"),
        (("--distance", "A-A=742"), "card A twice"),
        (("--distance", "A-H=1mm"), "A-H"),
        (("--distance", "A-Ω=700mm"), "Ω"),
        (("--printed-bar", "50,50"), "printed_bar"),
        (("--centreline", "1,2,3"), "4 numbers"),
        (("--centreline", "1,1,1,1"), "lie on each other"),
        (("--centreline", "inf,1,2,3"), "4 numbers"),
        (("--face", "sideways"), "face"),
        (("--date", "14.5.26"), "date"),
        (("--centreline-offset", "-410"), "centreline_offset"),
    ],
)
def test_impossible_values_are_named_before_a_photo_is_read(
    words: tuple[str, str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "p.jpg").write_bytes(b"never read")
    out = tmp_path / "o"
    code = cli.main(["make", "--port", str(tmp_path / "p.jpg"), *words, "--out", str(out)])
    heard = capsys.readouterr().err
    assert code == 2
    assert said in heard
    assert "reading" not in heard
    assert not out.exists()


@pytest.mark.skipif(os.name == "nt", reason="260 characters are the limit there")
def test_paths_with_spaces_umlauts_and_more_than_260_characters(
    starboard: DrawnScene, tmp_path: Path
) -> None:
    deep = tmp_path
    for k in range(6):
        deep = deep / f"Boots-Werkstatt Möwe № {k} übermäßig langer Ordner"
    deep.mkdir(parents=True)
    path = saved(deep, "Knie an Steuerbord, größer (2).png", starboard.photo.pixels)
    assert len(path) > 260
    code, report = make("--starboard", path, folder=deep)
    assert code == 0
    assert report is not None
    names = {path.name for path in (deep / "out").iterdir()}
    assert {"starboard.svg", "shop.pdf", "report.html", "starboard.dxf"} <= names
