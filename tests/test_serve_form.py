"""What the page takes and says in a browser: forms as people write them, photos that will not do."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from bench_server import SAMPLES, Page
from PIL import Image
from playwright.sync_api import Browser, expect
from playwright.sync_api import Page as Tab
from tabs import broken_rules, context, watched

pytestmark = pytest.mark.usefixtures("browser")


@pytest.fixture
def plain(tmp_path: Path) -> Path:
    """A photo with nothing in it."""
    path = tmp_path / "IMG_2040.jpg"
    Image.new("RGB", (800, 600), (90, 90, 90)).save(path)
    return path


def test_all_that_is_wrong_is_told_at_once_beside_its_field(browser: Browser, page: Page) -> None:
    with watched(context(browser), expected="status of 400") as tab:
        tab.goto(f"{page.address}/new")
        tab.get_by_label("Boat", exact=True).fill("Wren")
        tab.get_by_label("Thickness of the pattern's stock").fill("about three")
        tab.get_by_label("Taped distance between two cards").fill("C-E 481.1")
        row = tab.get_by_label("Taped distance 2", exact=True)
        assert row.count() == 0
        tab.locator("[data-more=distances]").click()
        expect(row).to_be_focused()
        row.fill("B-C 31l.5")
        tab.get_by_label("The printed 100 mm bars").fill("30 across 40 along")
        tab.get_by_role("button", name="Make the job").click()
        expect(tab.get_by_role("alert")).to_contain_text("These 3 answers are not understood")
        said = tab.locator(".wrong")
        expect(said).to_have_count(3)
        expect(said.nth(0)).to_contain_text('"about three" is not a length')
        expect(said.nth(1)).to_contain_text("31l.5")
        expect(said.nth(2)).to_contain_text("100 mm bars")
        first = tab.get_by_label("Thickness of the pattern's stock")
        expect(first).to_be_focused()
        expect(first).to_be_in_viewport()
        described = (first.get_attribute("aria-describedby") or "").split()
        assert "about three" in tab.locator(f"#{described[0]}").inner_text()
        # The row that is meant is marked, not the one that is right.
        expect(row).to_have_attribute("aria-invalid", "true")
        assert broken_rules(tab) == []
        first.fill("6")
        row.fill("B-C 311.5")
        tab.get_by_label("The printed 100 mm bars").fill("100.4 across 99.9 along")
        tab.get_by_text("The sides differ").click()
        tab.get_by_label("Thickness, starboard").fill("6.03")
        tab.get_by_label("Taped distance, starboard", exact=True).fill("C-E 481.0, B-C 312.3")
        tab.get_by_role("button", name="Make the job").click()
        tab.wait_for_url("**/jobs/*")
        job = tab.url.rsplit("/", 1)[1]
        tab.goto(f"{page.address}/jobs/{job}/sheet")
        assert tab.get_by_label("Taped distance 2", exact=True).input_value() == "B-C = 311.5"
        expect(tab.get_by_label("Thickness, starboard")).to_be_visible()
    table = page.shelf.find(job).table
    assert table["thickness"] == "6"
    assert table["starboard"]["thickness"] == "6.03"
    assert table["printed_bar"] == "100.4 x 99.9"
    assert table["distances"] == [
        "C-E = 481.1", "B-C = 311.5", "starboard:C-E = 481.0", "starboard:B-C = 312.3",
    ]  # fmt: skip


def test_a_photo_keeps_its_name_and_is_set_aside_and_brought_back(
    tab: Tab, page: Page, plain: Path
) -> None:
    job = page.new_job(boat="Siskin")
    tab.goto(f"{page.address}/jobs/{job}")
    tab.locator("[data-arm=port] input").set_input_files(plain)
    line = tab.locator("[data-arm=port] .photos li")
    expect(line).to_contain_text("IMG_2040.jpg (here port_1.jpg)", timeout=60_000)
    expect(line).to_contain_text("✕", timeout=60_000)
    line.get_by_role("button", name="Set IMG_2040.jpg (here port_1.jpg) aside").click()
    expect(line).to_have_count(0)
    expect(tab.locator("#done")).to_contain_text("IMG_2040.jpg (here port_1.jpg) was set aside")
    expect(tab.locator("#aside")).to_contain_text("set_aside")
    # It is still told after the page was loaded again.
    tab.reload()
    back = tab.get_by_role("button", name="Bring IMG_2040.jpg (here port_1.jpg) back")
    assert broken_rules(tab) == []
    back.click()
    expect(line).to_contain_text("IMG_2040.jpg")
    expect(tab.locator("#aside")).to_be_hidden()
    entry = page.shelf.find(job)
    assert [p.path.name for p in entry.photos] == ["port_1.jpg"]
    assert entry.photos[0].path.is_file()


def test_before_measuring_a_photo_that_will_not_do_is_named_and_may_be_left_out(
    tab: Tab, page: Page, plain: Path
) -> None:
    job = page.new_job(boat="Dunnock")
    page.send(job, plain, "port")
    page.send(job, SAMPLES / "port.jpg", "port")
    page.until(job, lambda s: s["photos"][0]["check"] is not None)
    tab.goto(f"{page.address}/jobs/{job}")
    expect(tab.locator("[data-arm=port] .photos li").first).to_contain_text("✕")
    tab.get_by_role("button", name="Measure", exact=True).click()
    asked = tab.locator("#asked")
    expect(asked).to_contain_text("This photo will not do")
    expect(asked).to_contain_text("port_1.jpg: This photo is only 800 x 600 pixels")
    expect(asked.get_by_role("heading")).to_be_focused()
    assert broken_rules(tab) == []
    tab.get_by_role("button", name="Not now").click()
    expect(asked).to_be_hidden()
    assert page.state(job)["work"] is None
    tab.get_by_role("button", name="Measure", exact=True).click()
    tab.get_by_role("button", name="Leave it out and measure").click()
    expect(tab.locator("#aside")).to_contain_text("port_1.jpg")
    page.until(job, lambda s: [p["name"] for p in s["photos"]] == ["port_2.jpg"])
    page.post(f"/api/jobs/{job}/stop")


def test_what_was_measured_stands_in_place_of_what_was_said_before(tab: Tab, page: Page) -> None:
    from drawn_jobs import result

    from spilemark.report import report as report_of
    from spilemark.serve.entries import put_slip

    job = page.new_job(boat="Linnet")
    entry = page.shelf.find(job)
    report = json.loads(json.dumps(report_of(result(sides=("port",)))))
    name = report["provenance"]["photos"][0]["name"]
    report["notes"] = [
        {"code": code, "severity": severity, "text": text, "photo": photo, "at_px": None}
        for code, severity, text, photo in (
            ("card-disagrees", "warn", f"Card B in {name} is creased (--cards b.toml).", name),
            ("outside-cards", "info", "The pattern reaches 88 mm outside of the cards.", name),
            ("face-assumed", "info", f"The face in {name} was taken as the upper one.", name),
            ("card-disagrees", "warn", "Card D in another.jpg is creased.", "another.jpg"),
        )
    ]
    table = entry.job.file.read_text().replace("photos = []", f'photos = ["{name}"]')
    (entry.folder / name).write_bytes((SAMPLES / "port.jpg").read_bytes())
    entry.job.file.write_text(table)
    (photo,) = page.shelf.find(job).photos
    before = {"good": "mind", "words": "Card C has lifted.", "more": [], "cards": ["A"]}
    put_slip(entry.bench / f"{photo.id}.check.json", before)
    tab.goto(f"{page.address}/jobs/{job}")
    expect(tab.locator("[data-arm=port] .photos")).to_contain_text("Card C has lifted")
    entry.results.mkdir()
    (entry.results / "report.json").write_text(json.dumps(report))
    tab.reload()
    expect(tab.locator("[data-arm=port] .photos")).to_contain_text("Measured:")
    expect(tab.locator("[data-arm=port] .photos")).not_to_contain_text("Card C has lifted")
    told = tab.locator("[data-arm=port] .photos li p").all_inner_texts()
    assert told[0].startswith("△ Measured: ")
    assert told[1:3] == [
        "Card B in this photo is creased.",
        "The pattern reaches 88 mm outside of the cards.",
    ]
    assert len(told) == 4  # and its name: nothing of the other photo, nothing that is no fault


def test_a_phone_before_a_shut_door_keeps_its_photo_and_sends_it_when_let_in_again(
    browser: Browser, page: Page, plain: Path
) -> None:
    job = page.new_job(boat="Whinchat")
    phone_like = context(
        browser, viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True
    )
    with watched(phone_like, expected="Failed to load resource") as phone:

        def let_in() -> None:
            phone.goto(page.post(f"/api/jobs/{job}/door").json["link"])
            phone.get_by_role("button", name="Let this phone in").tap()
            expect(phone.get_by_role("heading", level=1)).to_have_text("Whinchat, quarter knee")
            phone.wait_for_load_state("networkidle")  # its scripts, before the door is shut

        let_in()
        page.post("/api/door/shut")
        phone.wait_for_timeout(1500)
        phone.locator("#take input").set_input_files(plain)
        expect(phone.get_by_role("alert")).to_contain_text("its door for phones is shut")
        expect(phone.get_by_role("alert")).to_contain_text('press "Let a phone in"')
        expect(phone.locator("#verdict")).to_contain_text("It waits on this phone")
        expect(phone.locator("#waits li")).to_have_count(1)
        assert broken_rules(phone) == []
        # A new code opens the page anew: the photo waits there too.
        let_in()
        expect(phone.locator("#waits li")).to_contain_text("Port: IMG_2040.jpg")
        phone.get_by_role("button", name="Send IMG_2040.jpg again").tap()
        expect(phone.locator("#sent li")).to_contain_text("IMG_2040.jpg", timeout=60_000)
        expect(phone.locator("#waits")).to_be_hidden()
        expect(phone.locator("[data-arm=port] [data-count]")).to_have_text("1 photo will not do")
        # What was sent stands there after a reload, and a bad one is taken out here.
        phone.reload()
        expect(phone.locator("#sent li")).to_contain_text("Port: IMG_2040.jpg")
        assert broken_rules(phone) == []
        phone.get_by_role("button", name="Take IMG_2040.jpg out").tap()
        expect(phone.locator("#sent li")).to_have_count(0)
        expect(phone.locator("#verdict")).to_contain_text("can be brought back on the laptop")
    assert page.state(job)["photos"] == []
    assert re.fullmatch(r"port_1\.jpg", page.state(job)["aside"][0]["name"])
    page.post("/api/door/shut")
