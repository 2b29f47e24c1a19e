"""Flatbed scans and scanned PDFs: drawn with exact truth, read and measured by the built-in stages."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pikepdf
import pytest
import shapely
from flat_benches import laid, misses, proposed, surveyed, within_doubt
from PIL import Image, TiffImagePlugin
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas

from spilemark import cli
from spilemark.card_places import check_card_places
from spilemark.cards import shop_cards
from spilemark.errors import NoScale, UnreadableInput, UsageError
from spilemark.jobfile import order_from
from spilemark.lens import rotation_matrix
from spilemark.records import Floats, JobFacts, Photo, PlaneMap, Survey
from spilemark.testing.bench import look_at
from spilemark.testing.scenes import Look, draw_scene, scan_plane
from spilemark_stages.read import file
from spilemark_stages.rectify.layout import lay_out
from spilemark_stages.rectify.measure import measure_photo
from spilemark_stages.rectify.model import photo_rows, pose_of
from spilemark_stages.rectify.observations import Beliefs
from spilemark_stages.trace.cut_edge import Options as TraceOptions
from spilemark_stages.trace.cut_edge import trace

A4_PX = (2339, 1654)
"""A4 lying, 200 dots per inch."""
TRUE_DPI = (199.4, 200.9)
PRINTED = (0.998, 1.001)
BARS = (99.8, 100.1)
FACTS = JobFacts(printed_bar_mm=BARS, thickness_mm=3.0)


def knee() -> Floats:
    """A small quarter knee that fits beside two cards on A4, mm, anticlockwise."""
    t = np.linspace(0, 1, 40)[:, None]
    p0, p1, p2 = np.array([-85.0, 85.0]), np.array([-35.0, 30.0]), np.array([67.0, 5.0])
    throat = (1 - t) ** 2 * p0 + 2 * t * (1 - t) * p1 + t * t * p2
    return np.vstack([throat, [[86.0, 6.0], [83.0, 87.0], [-84.0, 96.0]]])


@pytest.fixture(scope="module")
def drawn() -> np.ndarray[Any, Any]:
    """A scan's pixels: ply-brown knee, two cards, white lid."""
    plane = scan_plane(width_px=A4_PX[0], height_px=A4_PX[1], dpi=TRUE_DPI, turn_rad=0.01)
    cards = [
        laid("A", (-73, -55), 3, print_scale=PRINTED),
        laid("B", (72, -62), -2, print_scale=PRINTED),
    ]
    look = Look(bench=0.75, pattern=0.4, noise=1.0, blur_px=0.7)
    return draw_scene([knee()], plane, A4_PX, cards=cards, look=look).photo.pixels


@pytest.fixture(scope="module")
def png(drawn: np.ndarray[Any, Any], tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("scan") / "port.png"
    Image.fromarray(drawn).save(path, dpi=(200, 200))
    return path


def read(path: Path, *, is_scan: bool = True) -> Photo:
    return file.read_source(path=path, is_scan=is_scan, options=file.Options())


def codes(survey: Survey) -> set[str]:
    return {note.code for note in survey.notes}


def test_the_cards_say_how_many_dots_an_inch_has_each_way(png: Path) -> None:
    survey = surveyed(read(png), facts=FACTS)
    numbers = survey.views[0].plane.lens
    across = numbers[0] / 1e6 * 25.4
    assert (across, across * numbers[1]) == pytest.approx(TRUE_DPI, rel=2e-4)
    note = next(n for n in survey.notes if n.code == "scan-dpi")
    assert re.search(r"199\.[34]\d dots per inch across and 200\.[89]\d along", note.text)
    assert "claims 200," in note.text
    assert survey.scale.sigma_relative < 1.2e-3


def test_an_outline_is_traced_in_a_scan_to_a_twentieth_of_a_millimetre(png: Path) -> None:
    survey = surveyed(read(png), facts=FACTS)
    outline = trace(survey=survey, arm="single", job=FACTS, options=TraceOptions())[0]
    off = misses(outline, knee())
    assert outline.whole
    assert len(outline.corners) == 5
    assert np.percentile(np.abs(off), 95) < 0.05
    assert within_doubt(outline, off) > 0.95


def test_height_does_not_matter_on_the_glass(png: Path) -> None:
    """A camera would make a face 20 mm nearer to it 2 % larger."""
    thick = JobFacts(printed_bar_mm=BARS, thickness_mm=20.0, thickness_sigma_mm=1.0)
    photo = read(png)
    areas = [
        shapely.Polygon(
            trace(survey=surveyed(photo, facts=facts), arm="single", job=facts,
                  options=TraceOptions())[0].ring.points_mm
        ).area
        for facts in (FACTS, thick)
    ]  # fmt: skip
    assert areas[1] == pytest.approx(areas[0], rel=2e-4)


def test_a_scan_that_was_resized_is_told_and_still_right(
    drawn: np.ndarray[Any, Any], tmp_path: Path
) -> None:
    path = tmp_path / "resized.tif"
    Image.fromarray(drawn).save(path, dpi=(300, 300))
    survey = surveyed(read(path), facts=FACTS)
    note = next(n for n in survey.notes if n.code == "scan-dpi-wrong")
    assert "says 300 dots per inch, the cards say 200:" in note.text
    assert survey.views[0].plane.lens[0] / 1e6 * 25.4 == pytest.approx(TRUE_DPI[0], rel=2e-4)


@pytest.mark.parametrize("claim", [(72, 72), (150, 150), (209, 209), (30, 30), (200, 100)])
@pytest.mark.parametrize("given", ["check bars", "tape"])
def test_what_a_file_claims_of_its_dots_moves_nothing(
    claim: tuple[int, int], given: str, png: Path, drawn: np.ndarray[Any, Any], tmp_path: Path
) -> None:
    """The very size and doubt that the same pixels have with a true claim."""
    # A short tape is loose: whatever else is believed of the size pulls at it.
    tape = float(np.hypot(145.0, 7.0))
    facts = FACTS if given == "check bars" else JobFacts(distances=(("A", "B", tape, 0.3),))
    path = tmp_path / "lies.png"
    Image.fromarray(drawn).save(path, dpi=claim)
    lies, true = surveyed(read(path), facts=facts), surveyed(read(png), facts=facts)
    found, right = (survey.views[0].plane.lens[:2] for survey in (lies, true))
    assert found == pytest.approx(right, rel=2e-5)
    assert lies.scale.sigma_relative == pytest.approx(true.scale.sigma_relative, rel=0.02)
    told = next(n.text for n in lies.notes if n.code == "scan-dpi-wrong")
    assert "the file is wrong and was not used" in told
    assert f"says {claim[0]} " in told
    # What was given already is not asked for.
    assert "--printed-bar" not in told


def test_nothing_measured_says_what_the_size_rests_on(
    png: Path, drawn: np.ndarray[Any, Any], tmp_path: Path
) -> None:
    nothing = JobFacts()
    agree = surveyed(read(png), facts=nothing)
    note = next(n for n in agree.notes if n.code == "scan-dpi")
    assert "no more than that the page with the cards was not shrunk to fit" in note.text
    far, near = tmp_path / "far.png", tmp_path / "near.png"
    Image.fromarray(drawn).save(far, dpi=(72, 72))
    Image.fromarray(drawn).save(near, dpi=(209, 209))
    wrong = surveyed(read(far), facts=nothing)
    text = next(n.text for n in wrong.notes if n.code == "scan-dpi-wrong")
    assert "was not used. The size rests on the cards as if printed at 100 %" in text
    assert wrong.scale.sigma_relative == pytest.approx(agree.scale.sigma_relative, rel=0.01)
    # 200 by the cards for 209 claimed: a page printed at 96 %, or a wrong file.
    either = surveyed(read(near), facts=nothing)
    text = next(n.text for n in either.notes if n.code == "scan-dpi-wrong")
    assert "printed at 96 % of their size, or the file is wrong" in text
    assert either.scale.sigma_relative > 0.04
    assert agree.scale.sigma_relative < 0.01


def test_a_scan_without_a_claim_is_measured_by_its_cards_alone(
    drawn: np.ndarray[Any, Any], tmp_path: Path
) -> None:
    path = tmp_path / "bare.png"
    Image.fromarray(drawn).save(path)
    survey = surveyed(read(path), facts=FACTS)
    assert survey.views[0].plane.lens[0] / 1e6 * 25.4 == pytest.approx(TRUE_DPI[0], rel=2e-4)
    assert "the file claims nothing" in next(n for n in survey.notes if n.code == "scan-dpi").text


def test_a_deep_scan_is_measured_alike(drawn: np.ndarray[Any, Any], tmp_path: Path) -> None:
    path = tmp_path / "deep.tif"
    Image.fromarray(drawn.astype(np.uint16) * 257).save(path, dpi=(200, 200))
    photo = read(path)
    assert photo.pixels.dtype == np.uint16
    numbers = surveyed(photo, facts=FACTS).views[0].plane.lens
    assert numbers[0] / 1e6 * 25.4 == pytest.approx(TRUE_DPI[0], rel=2e-4)


def test_a_scanner_out_of_square_is_noticed_and_widens_the_doubt(
    drawn: np.ndarray[Any, Any], png: Path, tmp_path: Path
) -> None:
    """2 milliradian: 0.6 mm over 300 mm."""
    lean = np.array([[1.0, 2e-3, 0.0], [0.0, 1.0, 0.0]])
    path = tmp_path / "lean.png"
    leaning = cv2.warpAffine(drawn, lean, A4_PX, flags=cv2.INTER_CUBIC, borderValue=225)
    Image.fromarray(leaning).save(path, dpi=(200, 200))
    survey, straight = surveyed(read(path), facts=FACTS), surveyed(read(png), facts=FACTS)
    note = next(n for n in survey.notes if n.code == "scan-skewed")
    assert note.value == pytest.approx(0.6, abs=0.1)
    assert "scan-skewed" not in codes(straight)
    sums = []
    for found in (survey, straight):
        column = [c.kind for c in found.causes].index("scanner out of square")
        sums.append(np.abs(found.views[0].plane.gain[1, column]))
    assert sums[0] == pytest.approx(2e-3, rel=0.15)
    assert sums[1] < 2e-4


def test_a_photo_said_to_be_a_scan_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "phone.jpg"
    exif = Image.Exif()
    exif[272] = "Phone 9"
    exif.get_ifd(0x8769)[37386] = TiffImagePlugin.IFDRational(5, 1)
    Image.fromarray(np.full((200, 300, 3), 90, np.uint8)).save(path, exif=exif)
    with pytest.raises(UsageError, match=r"a camera took it \(Phone 9\).*Leave out --scan"):
        proposed(read(path), FACTS)


@pytest.mark.parametrize("tilt_deg", [3.0, 20.0])
def test_a_photo_without_a_word_of_its_camera_is_no_scan_either(
    tilt_deg: float, tmp_path: Path
) -> None:
    """Messengers strip what the camera wrote; the cards still show the slant."""
    rotation, translation = look_at(np.zeros(3), 900.0, tilt_deg, 40.0, 3.0)
    plane = PlaneMap(
        lens=np.array([1600.0, 1.0, 1023.5, 767.5, 0.02, 0.0, 0.0, 0.0, 0.0]),
        rotation_rad=rotation, translation_mm=translation, height_mm=0.0, gain=np.zeros((16, 0)),
    )  # fmt: skip
    cards = [laid("A", (-250, -90), 3), laid("B", (240, 100), -40), laid("C", (-220, 160), 12)]
    look = Look(bench=0.75, noise=1.0)
    path = tmp_path / "stripped.png"
    Image.fromarray(draw_scene([], plane, (2048, 1536), cards=cards, look=look).photo.pixels).save(
        path
    )
    with pytest.raises(UsageError, match=r"seen at a slant.*Leave out --scan"):
        surveyed(read(path), facts=FACTS)
    as_photo = surveyed(read(path, is_scan=False), facts=FACTS)
    assert "looks-like-scan" not in codes(as_photo)


def test_a_scan_without_the_word_is_asked_for(png: Path) -> None:
    survey = surveyed(read(png, is_scan=False), facts=FACTS)
    note = next(n for n in survey.notes if n.code == "looks-like-scan")
    assert "is it a flatbed scan? Then add --scan" in note.text
    assert "looks-like-scan" not in codes(surveyed(read(png), facts=FACTS))


def test_a_stored_lens_is_none_of_a_scans_and_that_is_said(png: Path) -> None:
    notes = proposed(read(png), JobFacts(lens="shop-phone")).notes
    assert [n.code == "lens-not-for-scan" for n in notes] == [True]
    assert "shop-phone was not used for the scan port.png" in notes[0].text
    assert not proposed(read(png), FACTS).notes


def three_cards(*, third: float) -> np.ndarray[Any, Any]:
    """Three cards on the glass, the last printed at another scale."""
    plane = scan_plane(width_px=A4_PX[0], height_px=A4_PX[1], dpi=TRUE_DPI, turn_rad=0.01)
    cards = [
        laid("A", (-73, -55), 3, print_scale=PRINTED),
        laid("B", (72, -62), -2, print_scale=PRINTED),
        laid("C", (-60, 50), 88, print_scale=(third * PRINTED[0], third * PRINTED[1])),
    ]
    return draw_scene([], plane, A4_PX, cards=cards, look=Look(noise=1.0)).photo.pixels


def test_a_card_of_another_print_is_left_out_of_a_scan(tmp_path: Path) -> None:
    path = tmp_path / "three.png"
    for third in (1.0, 0.96):
        Image.fromarray(three_cards(third=third)).save(path, dpi=(200, 200))
        survey = surveyed(read(path), facts=FACTS)
        told = [n.text for n in survey.notes if n.code == "card-of-another-print"]
        assert bool(told) == (third != 1.0)
        assert survey.views[0].plane.lens[0] / 1e6 * 25.4 == pytest.approx(TRUE_DPI[0], rel=2e-4)
    assert "Card C in three.png is 4.0 % smaller than the others" in told[0]


def test_of_two_cards_of_different_prints_neither_is_believed(tmp_path: Path) -> None:
    pixels = three_cards(third=0.96)
    # The left half holds A and C.
    path = tmp_path / "two.png"
    Image.fromarray(pixels[:, : A4_PX[0] // 2]).save(path, dpi=(200, 200))
    with pytest.raises(NoScale, match=r"Cards A and C in two.png are not of one print.*4\.\d %"):
        surveyed(read(path), facts=FACTS)


def _few_shades(drawn: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """Dithered, as scanning programs save "text"."""
    rough = drawn + np.random.default_rng(3).normal(0, 28, drawn.shape)
    return np.asarray(np.clip(rough, 0, 255).astype(np.uint8))


def _jerked(drawn: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    """Rows pulled to and fro by 3 px while the lamp travels."""
    rows, columns = np.mgrid[: drawn.shape[0], : drawn.shape[1]].astype(np.float32)
    pulled = (columns + 3.0 * np.sin(rows / 90.0)).astype(np.float32)
    return np.asarray(cv2.remap(drawn, pulled, rows, cv2.INTER_CUBIC, borderValue=225))


@pytest.mark.parametrize(
    ("spoil", "words"), [(_few_shades, "The scan is grainy"), (_jerked, "flat prints on one glass")]
)
def test_a_scan_that_fits_badly_is_not_told_of_heights_and_lenses(
    spoil: Any, words: str, drawn: np.ndarray[Any, Any], tmp_path: Path
) -> None:
    path = tmp_path / "poor.png"
    Image.fromarray(spoil(drawn)).save(path, dpi=(200, 200))
    said = " ".join(n.text for n in surveyed(read(path), facts=FACTS).notes)
    assert words in said
    for word in ("lifted", "higher", "lens", "bench", "stand", "phone"):
        assert word not in said, said


def test_cards_taped_to_a_pattern_on_the_glass_need_no_word(png: Path) -> None:
    survey = surveyed(read(png), facts=FACTS)
    outline = trace(survey=survey, arm="single", job=FACTS, options=TraceOptions())[0]
    points = outline.ring.points_mm
    ring = replace(outline.ring, points_mm=6.0 * (points - points.mean(axis=0)))
    wide = replace(outline, polylines=(ring,))
    face = shapely.Polygon(ring.points_mm)
    assert any(face.contains(shapely.Point(c.cross_mm)) for c in survey.views[0].cards)
    assert check_card_places(survey, {"single": (wide,)}, FACTS) == []


def test_a_scanned_job_speaks_of_glass_and_scans(
    png: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    assert cli.main(
        ["make", "--port", str(png), "--scan", "--printed-bar", "99.8,100.1", "--out", str(out)]
    ) in (0, 5)
    said = " ".join(capsys.readouterr().out.split())
    assert "for the pattern as it lay on the glass" in said
    assert "of the outline seen, in 1 scan." in said
    for word in ("bench", "light", "lens"):
        assert word not in said, said
    assert "lay on the bench" not in (out / "report.html").read_text()


def test_no_card_on_the_glass_says_where_to_put_one(tmp_path: Path) -> None:
    path = tmp_path / "empty.png"
    Image.fromarray(np.full((1200, 1600), 250, np.uint8)).save(path)
    with pytest.raises(NoScale, match="face down") as refused:
        surveyed(read(path), facts=FACTS)
    assert "washed out" not in str(refused.value)


@pytest.mark.parametrize("is_scan", [True, False])
def test_a_mirrored_picture_is_called_so(
    is_scan: bool, drawn: np.ndarray[Any, Any], tmp_path: Path
) -> None:
    for flipped in (drawn[:, ::-1], drawn[::-1]):
        path = tmp_path / "flipped.png"
        Image.fromarray(flipped).save(path)
        with pytest.raises(NoScale, match=r"flipped\.png is mirrored.*other hand") as refused:
            surveyed(read(path, is_scan=is_scan), facts=FACTS)
        assert "mirror it back" in refused.value.todo


def test_a_scans_pose_has_true_derivatives(png: Path) -> None:
    """Against central differences."""
    straight = proposed(read(png), FACTS)
    seen = (measure_photo(straight, shop_cards(), "single:port.png"),)
    layout = lay_out(seen, Beliefs())
    x = np.zeros(layout.size)
    x[layout.lens[seen[0].lens_group]] = seen[0].lens.values
    x[layout.print_scale] = 1.0
    x[layout.pose[0]] = [0.3, 0.0, 0.0, 12.0, -7.0, 1e6]
    _, rows = photo_rows(x, layout, seen, 0)
    held = set(range(layout.size)) - set(layout.free)
    for k, step in ((0, 1e-6), (3, 1e-3), (4, 1e-3)):
        index = layout.pose[0].start + k
        assert index not in held
        moved = np.zeros(layout.size)
        moved[index] = step
        ahead, behind = (photo_rows(x + s * moved, layout, seen, 0)[0] for s in (1, -1))
        by_steps = (ahead - behind) / (2 * step)
        assert rows[:, index] == pytest.approx(by_steps, abs=1e-4 * np.abs(by_steps).max())
    assert {layout.pose[0].start + k for k in (1, 2, 5)} <= held


def test_a_scans_pose_looks_straight_down(png: Path) -> None:
    seen = (measure_photo(proposed(read(png), FACTS), shop_cards(), "single:port.png"),)
    layout = lay_out(seen, Beliefs())
    x = np.zeros(layout.size)
    x[layout.pose[0]] = [0.3, 0.0, 0.0, 12.0, -7.0, 1e6]
    turned = rotation_matrix(pose_of(x, layout, seen, 0)[0][:3])
    c, s = np.cos(0.3), np.sin(0.3)
    expected = np.diag([1.0, -1.0, -1.0]) @ np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    assert turned == pytest.approx(expected, abs=1e-12)


def scanned_pdf(
    image: Image.Image, dpi: float, *, pages: int = 1, part: float = 1.0, how: str = "jpeg"
) -> bytes:
    """As scanners write it: one picture as large as the page."""
    width, height = (n / dpi * 72 for n in image.size)
    out = io.BytesIO()
    canvas = Canvas(out, pagesize=(width, height))
    for _ in range(pages):
        picture: Any = ImageReader(image)
        if how == "jpeg":
            coded = io.BytesIO()
            image.save(coded, "JPEG", quality=92)
            picture = ImageReader(coded)
        canvas.drawImage(picture, 0, 0, part * width, part * height)
        canvas.showPage()
    canvas.save()
    return out.getvalue()


def changed(content: bytes, *, turn: int = 0, prefix: bytes = b"") -> bytes:
    """The same PDF with its page turned, and a transformation before its drawing."""
    out = io.BytesIO()
    with pikepdf.open(io.BytesIO(content)) as pdf:
        page = pdf.pages[0]
        if turn:
            page.Rotate = turn
        if prefix:
            page.contents_add(prefix, prepend=True)
        pdf.save(out)
    return out.getvalue()


def test_a_pdf_scan_gives_the_very_pixels_that_the_scanner_stored(
    drawn: np.ndarray[Any, Any], tmp_path: Path
) -> None:
    path = tmp_path / "scan.pdf"
    path.write_bytes(scanned_pdf(Image.fromarray(drawn), 200.0, how="lossless"))
    photo = read(path)
    grey = photo.pixels if photo.pixels.ndim == 2 else photo.pixels[:, :, 0]
    assert (grey == drawn).all()
    assert photo.claimed_dpi == pytest.approx((200.0, 200.0), rel=1e-4)
    assert photo.is_scan
    assert photo.orientation == 1


def test_a_pdf_scan_is_measured(drawn: np.ndarray[Any, Any], tmp_path: Path) -> None:
    path = tmp_path / "scan.pdf"
    path.write_bytes(scanned_pdf(Image.fromarray(drawn), 200.0))
    survey = surveyed(read(path), facts=FACTS)
    assert survey.views[0].plane.lens[0] / 1e6 * 25.4 == pytest.approx(TRUE_DPI[0], rel=2e-4)


def test_colours_of_a_pdf_scan_keep_their_order(tmp_path: Path) -> None:
    picture = np.zeros((100, 140, 3), np.uint8)
    picture[..., 0], picture[..., 2] = 200, 20
    path = tmp_path / "red.pdf"
    path.write_bytes(scanned_pdf(Image.fromarray(picture), 100.0, how="lossless"))
    assert read(path).pixels[50, 70].tolist() == [200, 0, 20]


@pytest.mark.parametrize(("turn", "orientation"), [(90, 6), (180, 3), (270, 8)])
def test_a_turned_page_is_an_orientation(turn: int, orientation: int, tmp_path: Path) -> None:
    """The page's own turn is clockwise (ISO 32000-1, 7.7.3.3), as is EXIF orientation 6."""
    picture = np.tile(np.arange(140, dtype=np.uint8), (100, 1))
    picture[:20, :20] = 255
    path = tmp_path / "turned.pdf"
    pdf = scanned_pdf(Image.fromarray(picture), 100.0, how="lossless")
    path.write_bytes(changed(pdf, turn=turn))
    photo = read(path)
    assert photo.orientation == orientation
    assert photo.pixels[10, 10].max() == 255


def test_a_picture_placed_upside_down_by_the_pdf_is_not_read_mirrored(tmp_path: Path) -> None:
    picture = np.tile(np.arange(140, dtype=np.uint8), (100, 1))
    picture[:20, :20] = 255
    path = tmp_path / "flipped.pdf"
    pdf = scanned_pdf(Image.fromarray(picture), 72.0, how="lossless")
    path.write_bytes(changed(pdf, prefix=b"1 0 0 -1 0 100 cm"))
    photo = read(path)
    assert photo.pixels[90, 10].max() == 255
    assert photo.pixels[10, 10].max() == 10


def in_a_form(
    content: bytes,
    size: tuple[float, float],
    *,
    turned: bool = False,
    part: float = 1.0,
    deep: bool = False,
) -> bytes:
    """The page's drawing put into a form object at a tenth of its size, drawn ten times as large."""
    out = io.BytesIO()
    with pikepdf.open(io.BytesIO(content)) as pdf:
        page = pdf.pages[0]
        small = b"q 0.1 0 0 0.1 0 0 cm " + page.Contents.read_bytes() + b" Q"
        if turned:
            small = b"0 1 -1 0 %f 0 cm " % (size[1] / 10) + small
        form = pdf.make_stream(small)
        form.Type, form.Subtype = pikepdf.Name.XObject, pikepdf.Name.Form
        form.BBox = [0, 0, *size]
        form.Matrix = [2, 0, 0, 2, 0, 0]
        form.Resources = page.Resources
        if deep:
            outer = pdf.make_stream(b"q 0.5 0 0 0.5 0 0 cm /Inner Do Q")
            outer.Type, outer.Subtype = pikepdf.Name.XObject, pikepdf.Name.Form
            outer.BBox = [0, 0, *size]
            outer.Resources = pikepdf.Dictionary(XObject=pikepdf.Dictionary(Inner=form))
            form, part = outer, 2 * part
        page.Resources = pikepdf.Dictionary(XObject=pikepdf.Dictionary(Scan=form))
        page.Contents = pdf.make_stream(b"q %f 0 0 %f 0 0 cm /Scan Do Q" % (5 * part, 5 * part))
        pdf.save(out)
    return out.getvalue()


@pytest.mark.parametrize("deep", [False, True])
def test_a_scan_within_a_form_object_is_read_at_the_size_it_has_on_the_page(
    deep: bool, tmp_path: Path
) -> None:
    picture = Image.fromarray(np.tile(np.arange(140, dtype=np.uint8), (100, 1)))
    plain = scanned_pdf(picture, 100.0, how="lossless")
    size = (140 / 100 * 72, 72.0)
    path = tmp_path / "form.pdf"
    path.write_bytes(in_a_form(plain, size, deep=deep))
    photo = read(path)
    assert photo.claimed_dpi == pytest.approx((100.0, 100.0), rel=1e-4)
    assert photo.orientation == 1
    path.write_bytes(in_a_form(plain, size, deep=deep, part=0.5))
    with pytest.raises(UnreadableInput, match="only a part"):
        read(path)


def test_a_form_object_may_turn_its_scan(tmp_path: Path) -> None:
    picture = Image.fromarray(np.tile(np.arange(100, dtype=np.uint8), (100, 1)))
    plain = scanned_pdf(picture, 100.0, how="lossless")
    path = tmp_path / "form.pdf"
    path.write_bytes(in_a_form(plain, (72.0, 72.0), turned=True))
    photo = read(path)
    assert photo.claimed_dpi == pytest.approx((100.0, 100.0), rel=1e-4)
    assert photo.orientation == 8


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda i: scanned_pdf(i, 200.0, pages=3), "3 pages"),
        (lambda i: scanned_pdf(i, 200.0, part=0.5), "only a part"),
        (lambda i: scanned_pdf(i.convert("1"), 200.0, how="lossless"), "black and white"),
        (lambda i: scanned_pdf(i.resize((20, 20)), 200.0), "only 20 x 20"),
        (lambda i: scanned_pdf(i, 200.0)[:900], "cannot be opened|damaged"),
        (lambda _: _blank(), "no picture"),
    ],
)
def test_a_pdf_that_is_no_plain_scan_is_refused_with_what_to_do(
    make: Any, words: str, drawn: np.ndarray[Any, Any], tmp_path: Path
) -> None:
    path = tmp_path / "scan.pdf"
    path.write_bytes(make(Image.fromarray(drawn)))
    with pytest.raises(UnreadableInput, match=words) as refused:
        read(path)
    assert refused.value.todo


def _blank() -> bytes:
    out = io.BytesIO()
    canvas = Canvas(out)
    canvas.drawString(100, 100, "no scan")
    canvas.save()
    return out.getvalue()


def test_a_locked_pdf_is_refused(drawn: np.ndarray[Any, Any], tmp_path: Path) -> None:
    path = tmp_path / "locked.pdf"
    with pikepdf.open(io.BytesIO(scanned_pdf(Image.fromarray(drawn), 200.0))) as pdf:
        pdf.save(path, encryption=pikepdf.Encryption(owner="o", user="u"))
    with pytest.raises(UnreadableInput, match="password"):
        read(path)


def test_a_giant_picture_in_a_pdf_is_refused_before_it_is_decoded(tmp_path: Path) -> None:
    path = tmp_path / "giant.pdf"
    path.write_bytes(scanned_pdf(Image.new("L", (4000, 3000)), 200.0))
    with pytest.raises(UnreadableInput, match="4000 x 3000"):
        file.read_source(path=path, is_scan=True, options=file.Options(largest_megapixels=10.0))


def test_a_pdf_without_the_word_scan_says_how_to_go_on(tmp_path: Path) -> None:
    path = tmp_path / "scan.pdf"
    path.write_bytes(scanned_pdf(Image.new("L", (400, 300)), 200.0))
    with pytest.raises(UnreadableInput, match="--scan"):
        read(path, is_scan=False)


def test_a_job_says_which_files_are_scans() -> None:
    table = {"port": {"photos": ["p.png"]}, "starboard": {"photos": ["s.png"]}}
    assert order_from(table, "here").scans == frozenset()
    assert order_from({**table, "scan": True}, "here").scans == {"port", "starboard"}
    mixed = {**table, "scan": True, "port": {"photos": ["p.png"], "scan": False}}
    assert order_from(mixed, "here").scans == {"starboard"}
