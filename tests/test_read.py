"""Stage read_source: every kind of photo, and every kind of file that is none."""

from __future__ import annotations

import hashlib
import io
import struct
import sys
import zlib
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import tifffile
from PIL import Image, TiffImagePlugin

from spilemark.errors import MissingLibrary, UnreadableInput
from spilemark.frames import upright_pixels
from spilemark.records import Photo
from spilemark_stages.read import file
from spilemark_stages.read.file import Options

HEIGHT, WIDTH = 96, 128


def scene() -> np.ndarray[Any, Any]:
    """Smooth colours with a marked top-left corner, so that turning and channel order show."""
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    rgb = np.stack([40 + x, 60 + y, 200 - x], axis=-1).astype(np.uint8)
    rgb[:16, :16] = (250, 10, 10)
    return rgb


def deep_scene() -> np.ndarray[Any, Any]:
    return np.random.default_rng(7).integers(0, 65536, (HEIGHT, WIDTH, 3), dtype=np.uint16)


def save(path: Path, image: Image.Image, **how: Any) -> Path:
    image.save(path, **how)
    return path


def read(path: Path, **options: float) -> Photo:
    return file.read_source(path=path, is_scan=False, options=Options(**options))


def codes(photo: Photo) -> list[str]:
    return [note.code for note in photo.notes]


def refused(path: Path, **options: float) -> str:
    before = path.read_bytes() if path.is_file() else b""
    with pytest.raises(UnreadableInput) as caught:
        read(path, **options)
    assert caught.value.exit_code == 3
    assert caught.value.todo
    assert (path.read_bytes() if path.is_file() else b"") == before
    return caught.value.what


@pytest.mark.parametrize(
    ("suffix", "how"), [(".png", {}), (".tif", {}), (".webp", {"lossless": True})]
)
def test_lossless_kinds_come_in_exactly(tmp_path: Path, suffix: str, how: Any) -> None:
    path = save(tmp_path / f"port{suffix}", Image.fromarray(scene()), **how)
    photo = read(path)
    assert np.array_equal(photo.pixels, scene())
    assert photo.pixels.dtype == np.uint8
    assert not photo.pixels.flags.writeable
    assert photo.notes == ()
    assert photo.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_jpeg_comes_in_as_its_decoder_says(tmp_path: Path) -> None:
    path = save(tmp_path / "port.jpg", Image.fromarray(scene()), quality=95, subsampling=0)
    photo = read(path)
    assert np.abs(photo.pixels.astype(int) - scene()).max() < 20
    assert (photo.width_px, photo.height_px, photo.orientation) == (WIDTH, HEIGHT, 1)


def test_grey_stays_grey(tmp_path: Path) -> None:
    grey = scene()[:, :, 0]
    photo = read(save(tmp_path / "port.png", Image.fromarray(grey)))
    assert np.array_equal(photo.pixels, grey)


def test_progressive_jpeg_is_read(tmp_path: Path) -> None:
    path = save(tmp_path / "port.jpg", Image.fromarray(scene()), progressive=True, quality=95)
    assert read(path).pixels.shape == (HEIGHT, WIDTH, 3)


# Written by encoders other than the reader's: tifffile and OpenCV.
@pytest.mark.parametrize(
    "how",
    [
        {"byteorder": "<"},
        {"byteorder": ">"},
        {"compression": "zlib"},
        {"compression": "zlib", "byteorder": ">"},
        {"rowsperstrip": 8},
    ],
)
def test_sixteen_bits_of_colour_are_kept(tmp_path: Path, how: Any) -> None:
    path = tmp_path / "port.tif"
    tifffile.imwrite(path, deep_scene(), photometric="rgb", **how)
    photo = read(path)
    assert photo.pixels.dtype == np.uint16
    assert np.array_equal(photo.pixels, deep_scene())


@pytest.mark.parametrize("suffix", [".png", ".tiff"])
def test_sixteen_bits_of_colour_by_another_encoder(tmp_path: Path, suffix: str) -> None:
    _, encoded = cv2.imencode(suffix, deep_scene()[:, :, ::-1])
    path = tmp_path / f"port{suffix}"
    path.write_bytes(encoded.tobytes())
    assert np.array_equal(read(path).pixels, deep_scene())


@pytest.mark.parametrize("byteorder", ["<", ">"])
def test_sixteen_bits_of_grey_are_kept(tmp_path: Path, byteorder: Any) -> None:
    path = tmp_path / "port.tif"
    tifffile.imwrite(path, deep_scene()[:, :, 0], byteorder=byteorder)
    photo = read(path)
    assert photo.pixels.dtype == np.uint16
    assert photo.pixels.dtype.isnative
    assert np.array_equal(photo.pixels, deep_scene()[:, :, 0])


@pytest.mark.parametrize("orientation", range(1, 9))
def test_pixels_stay_as_stored_beside_their_orientation(tmp_path: Path, orientation: int) -> None:
    exif = Image.Exif()
    exif[274] = orientation
    path = save(tmp_path / "port.png", Image.fromarray(scene()), exif=exif)
    photo = read(path)
    assert photo.orientation == orientation
    assert np.array_equal(photo.pixels, scene())


def heic(path: Path, **exif: Any) -> Path:
    pillow_heif = pytest.importorskip("pillow_heif", reason="HEIC has no wheel here")
    pillow_heif.register_heif_opener(thumbnails=False)
    return save(path, Image.fromarray(scene()), format="HEIF", quality=-1, chroma=444, **exif)


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_heic_is_turned_back_to_the_sensors_frame(tmp_path: Path, orientation: int) -> None:
    exif = Image.Exif()
    exif[274] = orientation
    photo = read(heic(tmp_path / "port.heic", exif=exif))
    # A decoder shows the photo upright; stored pixels turned upright must be the same picture.
    shown = np.asarray(Image.open(tmp_path / "port.heic"))
    upright = upright_pixels(photo.pixels, photo.orientation)
    assert upright.shape == shown.shape
    assert np.array_equal(upright, shown)
    assert photo.pixels.flags.c_contiguous


def test_heic_without_its_package_says_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "port.heic"
    path.write_bytes(b"\0\0\0\x18ftypheic\0\0\0\0mif1heic")
    monkeypatch.setitem(sys.modules, "pillow_heif", None)
    with pytest.raises(MissingLibrary, match="HEIC") as caught:
        read(path)
    assert caught.value.exit_code == 7
    assert "most compatible" in caught.value.todo


def test_a_second_page_without_a_size_is_damage(tmp_path: Path) -> None:
    """TIFF 6.0, section 2: the four bytes behind a directory say where the next one begins."""
    path = tmp_path / "photo.tif"
    Image.new("RGB", (200, 150), "grey").save(path)
    data = bytearray(path.read_bytes())
    first = int.from_bytes(data[4:8], "little")
    behind = first + 2 + 12 * int.from_bytes(data[first : first + 2], "little")
    data[behind : behind + 4] = len(data).to_bytes(4, "little")
    path.write_bytes(bytes(data) + bytes(6))  # a directory of no entries, and none after it
    with pytest.raises(UnreadableInput, match="damaged"):
        read(path)


def test_damaged_heic_is_refused(tmp_path: Path) -> None:
    path = heic(tmp_path / "port.heic")
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    assert "port.heic" in refused(path)


def camera_exif(**tags: Any) -> Image.Exif:
    exif = Image.Exif()
    exif[271], exif[272] = "Dunlin", "D-1"
    inner = exif.get_ifd(0x8769)
    inner |= {37386: 4.25, 41989: 26, 36867: "2026:05:14 10:37:07", 40962: WIDTH, 40963: HEIGHT}
    for tag, value in tags.items():
        inner[int(tag.removeprefix("t"))] = value
    return exif


def test_camera_facts(tmp_path: Path) -> None:
    exif = camera_exif(t41988=2.0)
    path = save(tmp_path / "p.jpg", Image.fromarray(scene()), exif=exif, dpi=(300, 150))
    photo = read(path)
    camera = photo.camera
    assert (camera.make, camera.model, camera.taken) == ("Dunlin", "D-1", "2026:05:14 10:37:07")
    assert (camera.focal_mm, camera.focal_35mm, camera.digital_zoom) == (4.25, 26.0, 2.0)
    assert camera.size_px == (WIDTH, HEIGHT)
    assert photo.claimed_dpi == (300.0, 150.0)


def test_focal_length_from_the_sensors_resolution(tmp_path: Path) -> None:
    # EXIF 2.32: FocalPlaneXResolution in pixels per unit; unit 3 is the centimetre. A sensor of
    # 36 x 27 mm has a diagonal of 45 mm: 50 mm on it is 50 * 43.267 / 45 mm on 36 x 24 film.
    exif = camera_exif(t37386=50.0, t41486=WIDTH / 3.6, t41488=3)
    del exif.get_ifd(0x8769)[41989]
    photo = read(save(tmp_path / "p.jpg", Image.fromarray(scene()), exif=exif))
    assert photo.camera.focal_35mm == pytest.approx(48.07, abs=0.01)


def test_exif_that_is_nonsense_is_let_pass(tmp_path: Path) -> None:
    exif = camera_exif(
        t37386=TiffImagePlugin.IFDRational(0, 0), t41989=0, t40962=0, t41988=float("nan")
    )
    exif[274] = 99
    exif[271] = "Dun\0lin\x07"
    photo = read(save(tmp_path / "p.jpg", Image.fromarray(scene()), exif=exif))
    assert (photo.camera.focal_mm, photo.camera.focal_35mm) == (None, None)
    assert (photo.camera.digital_zoom, photo.camera.size_px) == (None, None)
    assert photo.orientation == 1
    assert codes(photo) == ["orientation-unknown"]


def test_exif_that_is_rubbish_bytes_is_let_pass(tmp_path: Path) -> None:
    path = save(tmp_path / "p.jpg", Image.fromarray(scene()), exif=b"Exif\0\0" + b"\xff" * 40)
    photo = read(path)
    assert photo.camera.model == ""
    assert photo.orientation == 1


def test_dpi_of_nothing_is_no_claim(tmp_path: Path) -> None:
    assert read(save(tmp_path / "p.png", Image.fromarray(scene()), dpi=(0, 0))).claimed_dpi is None
    assert read(save(tmp_path / "q.png", Image.fromarray(scene()))).claimed_dpi is None


def test_a_lying_extension_is_seen_through_and_said(tmp_path: Path) -> None:
    path = save(tmp_path / "port.jpg", Image.fromarray(scene()), format="PNG")
    photo = read(path)
    assert np.array_equal(photo.pixels, scene())
    assert codes(photo) == ["lying-extension"]
    assert "PNG" in photo.notes[0].text


def test_palette_cmyk_and_see_through_are_converted_and_said(tmp_path: Path) -> None:
    rgb = Image.fromarray(scene())
    palette = read(save(tmp_path / "p.png", rgb.convert("P", palette=Image.Palette.ADAPTIVE)))
    assert codes(palette) == ["converted"]
    assert palette.pixels.shape == scene().shape
    cmyk = read(save(tmp_path / "c.jpg", rgb.convert("CMYK"), quality=95))
    assert codes(cmyk) == ["converted"]
    assert np.abs(cmyk.pixels.astype(int) - scene()).mean() < 12
    clear = rgb.convert("RGBA")
    clear.putalpha(0)
    assert (read(save(tmp_path / "a.png", clear)).pixels == 255).all()
    solid = read(save(tmp_path / "s.png", rgb.convert("RGBA")))
    assert (codes(solid), np.array_equal(solid.pixels, scene())) == ([], True)


def test_of_an_animation_the_first_picture_is_read_and_said(tmp_path: Path) -> None:
    first, second = Image.fromarray(scene()), Image.fromarray(255 - scene())
    for name, how in (
        ("a.webp", {"lossless": True}),
        ("a.png", {}),
        ("a.tif", {}),
    ):
        path = save(tmp_path / name, first, save_all=True, append_images=[second], **how)
        photo = read(path)
        assert codes(photo) == ["first-of-several"], name
        assert np.array_equal(photo.pixels, scene()), name


def test_a_phones_jpeg_with_more_pictures_behind_it_is_one_photo(tmp_path: Path) -> None:
    first, second = Image.fromarray(scene()), Image.fromarray(255 - scene())
    path = save(tmp_path / "p.jpg", first, format="MPO", save_all=True, append_images=[second])
    photo = read(path)
    assert photo.notes == ()
    assert photo.pixels[0, 0, 0] > 200


def test_files_that_are_no_photo(tmp_path: Path) -> None:
    for name, content, words in (
        ("a.jpg", b"", "is empty"),
        ("b.jpg", b"just some words about a boat", "not a photo"),
        ("c.jpg", b"%PDF-1.7 ...", "PDF"),
        ("d.jpg", b"<svg xmlns='...'>", "drawing"),
        ("e.gif", b"GIF89a....", "GIF"),
        ("f.jpg", bytes(5000), "not a photo"),
        ("g.cr2", b"II*\0\x10\0\0\0CR", "raw file"),
        ("h.jpg", b"\0\0\0\x1cftypavif", "AVIF"),
        ("i.jpg", b"\xff\xd8\xff", "damaged|not a photo"),
    ):
        (tmp_path / name).write_bytes(content)
        what = refused(tmp_path / name)
        assert any(word in what for word in words.split("|")), what


def test_files_that_are_not_there(tmp_path: Path) -> None:
    assert "No such file" in refused(tmp_path / "none.jpg")
    assert "not a file" in refused(tmp_path)
    assert "cannot be read" in refused(Path("nul\0byte.jpg"))


def test_a_dng_in_disguise_is_refused(tmp_path: Path) -> None:
    tags = TiffImagePlugin.ImageFileDirectory_v2()
    tags[50706] = b"\x01\x04\x00\x00"
    tags.tagtype[50706] = 1
    path = save(tmp_path / "p.tif", Image.fromarray(scene()), tiffinfo=tags)
    assert "raw file" in refused(path)


def test_pixels_in_which_nothing_can_be_measured(tmp_path: Path) -> None:
    bilevel = Image.fromarray(scene()).convert("1")
    assert "black and white" in refused(save(tmp_path / "b.png", bilevel))
    tifffile.imwrite(tmp_path / "f.tif", scene()[:, :, 0].astype(np.float32))
    assert "32 bit" in refused(tmp_path / "f.tif")
    assert "only 20 x 15" in refused(save(tmp_path / "t.png", Image.new("RGB", (20, 15))))


@pytest.mark.parametrize("suffix", [".jpg", ".png", ".tif", ".webp"])
def test_a_truncated_photo_is_refused(tmp_path: Path, suffix: str) -> None:
    noisy = Image.fromarray(
        np.random.default_rng(1).integers(0, 255, (200, 200, 3), dtype=np.uint8)
    )
    whole = save(tmp_path / f"whole{suffix}", noisy).read_bytes()
    for share in (0.1, 0.5, 0.9):
        path = tmp_path / f"cut{suffix}"
        path.write_bytes(whole[: int(len(whole) * share)])
        assert path.name in refused(path)


def png_of_claimed_size(width: int, height: int) -> bytes:
    """A PNG (ISO/IEC 15948, clause 11.2.2) that claims a size and holds next to nothing."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        check = struct.pack(">I", zlib.crc32(kind + body))
        return struct.pack(">I", len(body)) + kind + body + check

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", header)
        + chunk(b"IDAT", zlib.compress(bytes(1000)))
        + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize("size", [(14_000, 10_000), (20_000, 10_000), (60_000, 60_000)])
def test_a_giant_is_refused_before_it_is_unpacked(tmp_path: Path, size: tuple[int, int]) -> None:
    (tmp_path / "bomb.png").write_bytes(png_of_claimed_size(*size))
    with pytest.raises(UnreadableInput, match="12 to 50 megapixels") as caught:
        read(tmp_path / "bomb.png")
    # Not in the words of the library that unpacks it.
    for foreign in ("bomb DOS", "attack", "exceeds"):
        assert foreign not in str(caught.value)


def test_limits_are_options(tmp_path: Path) -> None:
    path = save(tmp_path / "p.png", Image.fromarray(scene()))
    assert "0 megapixels" in refused(path, largest_megapixels=0.001)
    assert "MB large" in refused(path, largest_megabytes=1e-4)


def test_a_name_with_spaces_and_umlauts(tmp_path: Path) -> None:
    path = save(tmp_path / "Möwe – Backbord (1).png", Image.fromarray(scene()))
    assert read(path).path == path


def test_damage_of_any_kind_ends_in_one_kind_of_error(tmp_path: Path) -> None:
    rng = np.random.default_rng(11)
    wholes = []
    for suffix in (".jpg", ".png", ".tif", ".webp"):
        buffer = io.BytesIO()
        Image.fromarray(scene()).save(
            buffer, Image.registered_extensions()[suffix], exif=camera_exif()
        )
        wholes.append((suffix, buffer.getvalue()))
    path = tmp_path / "damaged"
    for turn in range(160):
        suffix, whole = wholes[turn % 4]
        content = bytearray(whole)
        for at in rng.integers(0, len(content), 1 + turn % 8):
            content[at] ^= 1 << int(rng.integers(8))
        path.with_suffix(suffix).write_bytes(bytes(content))
        try:
            photo = read(path.with_suffix(suffix))
        except UnreadableInput:
            continue
        assert photo.pixels.ndim in (2, 3)
