"""What the bench page says plainly: units, sizes that cannot be, what was refused, who answers."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pikepdf
import pytest
from bench_server import SAMPLES, Page, running
from playwright.sync_api import Browser, expect
from playwright.sync_api import Page as Tab
from shapely import LineString
from tabs import context, watched

pytestmark = pytest.mark.usefixtures("browser")


@pytest.fixture(scope="module")
def job(page: Page) -> str:
    """Port alone, measured as a pattern of a stock that no pattern is made of."""
    return page.port_alone(thickness="31")


def table_of(page: Page, job: str) -> dict[str, object]:
    return tomllib.loads(page.shelf.find(job).job.file.read_text())


def test_a_unit_that_is_switched_leaves_what_is_written_its_meaning(tab: Tab, page: Page) -> None:
    made = page.new_job(
        thickness="3.1 ± 0.1", tolerance="1/16", distances="C-E = 481.1; B-C = 311.5 ± 0.3"
    )
    tab.goto(f"{page.address}/jobs/{made}/sheet")
    expect(tab.locator("#units-hint")).to_contain_text("means millimetres")
    tab.get_by_label("inches").check()
    expect(tab.locator("#units-hint")).to_contain_text("now means inches")
    thickness = tab.locator("input[name=thickness]")
    expect(thickness).to_have_value("3.1 mm ± 0.1 mm")
    tab.get_by_label("millimetres").check()
    tab.get_by_label("inches").check()
    expect(thickness).to_have_value("3.1 mm ± 0.1 mm")
    tab.get_by_role("button", name="Keep this").click()
    tab.wait_for_url(f"**/jobs/{made}")
    kept = table_of(page, made)
    assert kept["units"] == "in"
    assert kept["thickness"] == "3.1 mm ± 0.1 mm"
    assert kept["tolerance"] == "1/16 in"
    assert kept["distances"] == ["C-E = 481.1 mm", "B-C = 311.5 mm ± 0.3 mm"]


def test_a_new_job_says_its_unit_and_asks_about_a_thickness_that_no_pattern_has(
    tab: Tab, page: Page
) -> None:
    page.new_job(boat="Teal", units="in", thickness="1/8")
    tab.goto(f"{page.address}/new")
    expect(tab.locator("#units-hint")).to_contain_text("This job starts in inches")
    tab.get_by_label("Boat", exact=True).fill("Dory")
    thickness = tab.locator("input[name=thickness]")
    thickness.fill("3.1")
    tab.get_by_role("button", name="Make the job").click()
    asked = tab.locator("#thick")
    expect(asked).to_contain_text("78.7 mm (3.10 in)")
    expect(tab).to_have_url(f"{page.address}/new")
    asked.get_by_role("button", name="No, I change it").click()
    expect(thickness).to_be_focused()
    thickness.fill("3.1 mm")
    tab.get_by_role("button", name="Make the job").click()
    tab.wait_for_url("**/jobs/*")
    made = tab.url.rsplit("/", 1)[1]
    assert table_of(page, made)["thickness"] == "3.1 mm"
    # Whoever means it is let through.
    tab.goto(f"{page.address}/jobs/{made}/sheet")
    thickness = tab.locator("input[name=thickness]")
    thickness.fill("20 mm")
    tab.get_by_role("button", name="Keep this").click()
    tab.get_by_role("button", name="Yes, that is right").click()
    tab.get_by_role("button", name="Keep this").click()
    tab.wait_for_url(f"**/jobs/{made}")
    assert table_of(page, made)["thickness"] == "20 mm"
    page.new_job(boat="Last")


def test_the_print_page_asks_about_it_before_the_sheets(page: Page, job: str) -> None:
    text = page.ask(f"/jobs/{job}/print").text
    assert "31 mm (1.22 in) thick" in text
    assert text.index("1.22 in") < text.index("Print these first")


def test_a_file_that_is_no_photo_is_told_by_its_name_where_it_was_put(
    browser: Browser, page: Page, tmp_path: Path
) -> None:
    made = page.new_job()
    note = tmp_path / "note.txt"
    note.write_text("Bring the tape.\n")
    with watched(context(browser), expected="status of 400") as tab:
        tab.goto(f"{page.address}/jobs/{made}")
        tab.get_by_label("Starboard: choose photos").set_input_files(note)
        refused = tab.locator("[data-arm=starboard] .refused")
        expect(refused).to_contain_text("note.txt did not come in: That file is not a photo.")
        # Still there when the page has asked for the job's state again.
        tab.wait_for_timeout(500)
        expect(refused).to_be_visible()
        expect(tab.locator("[data-arm=port] .refused")).to_be_empty()


def test_each_file_field_says_its_side(tab: Tab, page: Page) -> None:
    made = page.new_job()
    tab.goto(f"{page.address}/jobs/{made}")
    for name in ("Port", "Starboard", "Part on the centreline", "Both sides in one photo"):
        expect(tab.get_by_label(f"{name}: choose photos")).to_have_count(1)


def test_a_program_that_ended_is_told_within_seconds_and_the_page_goes_on_by_itself(
    browser: Browser, tmp_path: Path
) -> None:
    root = tmp_path / "shop"
    about = watched(context(browser), expected="ERR_")
    with running(root) as first:
        port, made = first.port, first.new_job()
        tab = about.__enter__()
        tab.goto(f"{first.address}/jobs/{made}/sums")
        expect(tab.locator("#silent")).to_be_hidden()
    expect(tab.locator("#silent")).to_contain_text("does not answer", timeout=6_000)
    with running(root, port=port):
        expect(tab.locator("#silent")).to_be_hidden(timeout=8_000)
        about.__exit__(None)


def test_measuring_is_seen_and_stopped_from_every_page_and_the_keys_go_on(
    tab: Tab, page: Page
) -> None:
    made = page.new_job()
    page.send(made, SAMPLES / "port.jpg")
    tab.goto(f"{page.address}/jobs/{made}")
    tab.get_by_role("button", name="Measure").focus()
    tab.keyboard.press("Enter")
    expect(tab.get_by_role("button", name="Stop")).to_be_focused()
    for where in ("look", "compare", "sums", "print", "sheet"):
        tab.goto(f"{page.address}/jobs/{made}/{where}")
        expect(tab.get_by_role("button", name="Stop")).to_be_visible()
    tab.get_by_role("button", name="Stop").focus()
    tab.keyboard.press("Enter")
    page.until(made, lambda s: s["status"] == "stopped")
    expect(tab.locator("#working-state")).to_contain_text("stopped by you")
    expect(tab.locator("#working-state")).to_be_focused()


@pytest.mark.parametrize(("inset", "over"), [(-12.0, 0), (30.0, 0), (30.0, 8)])
def test_gaps_drawn_larger_end_where_edges_meet_and_do_not_cross(
    tab: Tab, page: Page, inset: float, over: int
) -> None:
    """An arm 40 wide and 100 long, whose end is drawn further in by ``inset``, ``over`` too long."""
    y = 100.0 - inset
    lines = [
        [[x, y] for x in range(38 + over, -over, -2)],
        [[1.0, y] for y in range(99, 1, -2)],
        [[39.0, y] for y in range(1, 100, 2)],
    ]
    tab.goto(f"{page.address}/help")
    script = """async ([lines, joined]) =>
        (await import("/static/mitre.js")).mitred(lines, joined)"""
    got = tab.evaluate(script, [lines, [True, False, True]])
    end, left, right = (LineString(line["points"]) for line in got)
    # By hand: an arm between x = 1 and x = 39 that ends at y.
    assert got[0]["points"][0] == pytest.approx([39.0, y])
    assert got[0]["points"][-1] == pytest.approx([1.0, y])
    assert left.coords[0] == pytest.approx((1.0, y))
    assert right.coords[-1] == pytest.approx((39.0, y))
    assert not any(a.crosses(b) for a, b in ((end, left), (end, right), (left, right)))
    # And as they were given they cross, or do not meet.
    end, left = LineString(lines[0]), LineString(lines[1])
    assert end.crosses(left) if over else end.disjoint(left)


def test_what_a_job_of_one_side_shows_is_of_one_side(page: Page, job: str) -> None:
    text = page.ask(f"/jobs/{job}/print").text
    assert "Both outlines on each other" not in text
    assert "The outline with its sizes and angles" in text
    words = page.state(job)["end"]["words"]
    assert "One pattern was measured (port), and its template made." in words
    assert "photograph the other side" in words


def test_the_sheets_are_counted_without_their_map(tab: Tab, page: Page, job: str) -> None:
    path = page.shelf.find(job).results / "port_tiled.pdf"
    with pikepdf.open(path) as pdf:
        pages = len(pdf.pages)
    tab.goto(f"{page.address}/jobs/{job}/print")
    expect(tab.locator(".papers .pages").first).to_have_text(
        f"{pages - 1} sheets, and a map of how they lie as the first page."
    )


def test_help_says_the_words_plainly_with_drawings(page: Page) -> None:
    text = page.ask("/help").text
    for word in ("Under, standing", "toe, throat", "fuller", "Stretch", "NOT KEPT"):
        assert word in text
    assert text.count('<svg class="told"') == 2
