"""What the bench page says plainly: units, sizes that cannot be, what was refused, who answers."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator

import pytest
from bench_server import SAMPLES, Page
from playwright.sync_api import Browser, expect
from playwright.sync_api import Page as Tab
from test_serve_browser import CHROMIUM, browser, context, watched

__all__ = ["browser"]
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here")


@pytest.fixture
def tab(browser: Browser) -> Iterator[Tab]:
    with watched(context(browser)) as made:
        yield made


@pytest.fixture(scope="module")
def job(page: Page) -> str:
    """Port alone, measured as a pattern of a stock that no pattern is made of."""
    made = page.new_job(thickness="31", distances="A-H = 767.5 ± 0.2")
    page.send(made, SAMPLES / "port.jpg")
    page.post(f"/api/jobs/{made}/measure")
    page.until(made, lambda s: s["status"] == "measured")
    return made


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
