"""Putting right on the page in a real browser: by mouse, by finger, with the keys alone."""

from __future__ import annotations

import re
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from bench_server import KNEE, Page
from playwright.sync_api import Browser, Route, expect
from playwright.sync_api import Page as Tab
from tabs import box_of, broken_rules, context, on_screen, ready, ring_of, touch, watched
from test_serve_put_right import hidden_edge, measured, rows

pytestmark = pytest.mark.usefixtures("browser")


@pytest.fixture(scope="module")
def once(page: Page) -> str:
    made = page.port_alone(boat="Whimbrel")
    page.until(made, lambda s: s["photos"][0]["thumb"])
    return made


@pytest.fixture
def job(page: Page, once: str, tmp_path: Path) -> str:
    return page.copy_of(once, tmp_path.name)


def look(tab: Tab, page: Page, job: str) -> None:
    tab.goto(f"{page.address}/jobs/{job}/look")
    expect(tab.locator("#view .seen").first).to_be_attached()
    ready(tab)
    show(tab)


def show(tab: Tab) -> None:
    tab.evaluate("document.getElementById('view').scrollIntoView({ block: 'center' })")


def tool(tab: Tab, words: str) -> None:
    tab.get_by_label(words).check()
    show(tab)


def click(tab: Tab, at: list[float]) -> None:
    tab.mouse.click(*on_screen(tab, at))


def done(tab: Tab, words: str) -> None:
    """Wait until the page says so, and shows it."""
    expect(tab.locator("#hint")).to_contain_text(words, timeout=30_000)
    ready(tab)


def kept_anew(page: Page, job: str, before: list[float]) -> list[float]:
    """The line's ends once they differ from those before: the page says no other words of it."""
    until = time.monotonic() + 30.0
    while time.monotonic() < until:
        now: list[float] = page.shelf.find(job).table["port"]["centreline"]
        if now != before:
            return now
        time.sleep(0.05)
    raise AssertionError("nothing was kept within 30 s")


def drawn(tab: Tab, kind: str) -> list[list[float]]:
    """Places of all lines of a kind on the photo."""
    paths = tab.eval_on_selector_all(
        f"#view path.{kind}", "all => all.map((p) => p.getAttribute('d'))"
    )
    return [
        [float(x), float(y)]
        for d in paths
        for x, y in re.findall(r"(-?[\d.]+) (-?[\d.]+)", d.replace("L", " ").replace("M", " "))
    ]


def off(points: Any, ring: Any) -> np.ndarray:
    return shapely.distance(shapely.LinearRing(ring), shapely.points(np.array(points)))


def spoil(page: Page, job: str, ring: list[list[float]], k: int, by: float = 60) -> None:
    """A stretch drawn far beside the edge, as a tracer gone astray would leave it."""
    photo = page.ask(f"/api/jobs/{job}/drawing").json["photos"][0]["photo"]
    aside = [ring[k][0] + by, ring[k][1] + by / 2]
    points = [ring[k - 50], aside, ring[k + 50]]
    form = {"arm": "port", "photo": photo, "do": "redraw", "points": points}
    assert page.post(f"/api/jobs/{job}/edits/add", form).status == 200


def test_an_edge_is_followed_between_two_clicks(tab: Tab, page: Page, job: str) -> None:
    ring = ring_of(page, job)
    spoil(page, job, ring, 1500)
    look(tab, page, job)
    # What waits is drawn as it will be, from the first moment.
    expect(tab.locator("#view path.hand")).to_have_count(1)
    assert off(drawn(tab, "hand"), ring).max() > 40
    tool(tab, "follows the edge")
    for k in (1440, 1560):
        click(tab, ring[k])
    done(tab, "followed anew")
    assert off(drawn(tab, "hand"), ring).max() < 1.0
    last = rows(page, job)[-1]
    assert last["do"] == "follow"
    assert len(last["points"]) == 2
    expect(tab.locator("#pending")).to_contain_text("drawn as it will be")
    tab.get_by_role("button", name="Measure with this").click()
    expect(tab.locator("#pending")).to_be_hidden(timeout=60_000)
    assert off(drawn(tab, "hand"), ring).max() < 1.0
    notes = [n["text"] for n in page.bench.report(page.shelf.find(job))["notes"]]
    assert any("followed anew" in text for text in notes)
    # Taken back, the stretch that was drawn beside it stands there again: at once.
    tab.get_by_role("button", name="Undo").click()
    done(tab, "Taken back")
    assert off(drawn(tab, "hand"), ring).max() > 40
    tab.keyboard.press("Control+y")
    done(tab, "Done again")
    assert off(drawn(tab, "hand"), ring).max() < 1.0
    tab.get_by_role("button", name="Back to what was traced").click()
    done(tab, "Back to what was traced")
    expect(tab.locator("#view path.hand")).to_have_count(0)
    assert rows(page, job) == []


def test_fingers_follow_an_edge_past_a_place_on_the_way(
    browser: Browser, page: Page, job: str
) -> None:
    ring = ring_of(page, job)
    spoil(page, job, ring, 1500, by=400)
    phone = context(browser, viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True)
    with watched(phone) as tab:
        look(tab, page, job)
        tool(tab, "follows the edge")
        # Two fingers come nearer first; that is no touch of the tool.
        frame = tab.locator("#view").bounding_box()
        assert frame is not None
        x, y = on_screen(tab, ring[1500])
        at = touch(tab)
        at("touchStart", (x - 15, y), (x + 15, y))
        for far in (30, 50, 70):
            at("touchMove", (x - far, y), (x + far, y))
        at("touchEnd")
        assert box_of(tab)[2] < 1600
        expect(tab.get_by_role("button", name="Leave it")).to_be_hidden()
        for k in (1420, 1500, 1580):
            tab.touchscreen.tap(*on_screen(tab, ring[k]))
            if k == 1500:
                done(tab, "A place on the way. Go on")
        done(tab, "followed anew")
        row = rows(page, job)[-1]
        assert row["do"] == "follow"
        assert len(row["points"]) == 3
        assert off(drawn(tab, "hand"), ring).max() < 1.0


def test_where_no_edge_shows_a_straight_line_is_offered(
    tab: Tab, page: Page, tmp_path: Path
) -> None:
    job = page.new_job(boat="Dotterel", **KNEE)
    picture, box = hidden_edge()
    (tmp_path / "hidden.jpg").write_bytes(picture)
    page.send(job, tmp_path / "hidden.jpg", "port")
    measured(page, job)
    ring = ring_of(page, job)
    within = [k for k, (x, y) in enumerate(ring) if box[0] < x < box[2] and box[1] < y < box[3]]
    look(tab, page, job)
    tool(tab, "follows the edge")
    for k in (within[8], within[-8]):
        click(tab, ring[k])
    done(tab, "No edge can be told")
    assert rows(page, job) == []
    instead = tab.get_by_role("button", name="Draw it straight instead")
    expect(instead).to_be_focused()
    tab.keyboard.press("Enter")
    expect(instead).to_be_hidden()
    expect(tab.locator("#view path.hand").first).to_be_attached()
    assert [row["do"] for row in rows(page, job)] == ["redraw"]


def test_corners_are_set_and_taken_by_clicks(tab: Tab, page: Page, job: str) -> None:
    ring = ring_of(page, job)
    look(tab, page, job)
    count = tab.locator("#view rect.corner").count()
    tool(tab, "sets a corner")
    click(tab, ring[900])
    done(tab, "A corner was set")
    expect(tab.locator("#view rect.corner")).to_have_count(count + 1)
    expect(tab.locator("#edges")).to_contain_text("new corner")
    click(tab, ring[900])
    done(tab, "There is a corner already")
    assert len(rows(page, job)) == 1
    tab.get_by_role("button", name="Measure with this").click()
    expect(tab.locator("#pending")).to_be_hidden(timeout=60_000)
    # Corners and edges have names of their own again.
    expect(tab.locator("#edges")).not_to_contain_text("new corner")
    expect(tab.locator("#edges input")).to_have_count(count + 1)
    tool(tab, "takes one away")
    click(tab, ring[700])
    done(tab, "There is no corner near")
    click(tab, ring[900])
    done(tab, "A corner was taken away")
    expect(tab.locator("#view rect.corner")).to_have_count(count)
    tab.get_by_role("button", name="Undo").click()
    expect(tab.locator("#view rect.corner")).to_have_count(count + 1)


def test_all_of_it_with_keys_alone(tab: Tab, page: Page, job: str) -> None:
    ring = ring_of(page, job)
    spoil(page, job, ring, 1500)
    look(tab, page, job)
    view = tab.locator("#view")
    # Reading: a walk along the edge tells each place.
    view.focus()
    tab.keyboard.press("PageDown")
    first = tab.locator("#under").inner_text()
    assert "Port" in first
    tab.keyboard.press("PageDown")
    assert tab.locator("#under").inner_text() != first
    # A corner: to the next one, and away with it.
    tab.get_by_label("reads").focus()
    for _ in range(7):
        tab.keyboard.press("ArrowDown")
    expect(tab.get_by_label("takes one away")).to_be_checked()
    view.focus()
    tab.keyboard.press("c")
    tab.keyboard.press("Enter")
    done(tab, "A corner was taken away")
    tab.keyboard.press("Control+z")
    done(tab, "Taken back")
    # Following, from one place of the outline to another, the outline walked.
    tab.get_by_label("follows the edge").check()
    view.focus()
    tab.keyboard.press("c")
    tab.keyboard.press("PageUp")
    tab.keyboard.press("Enter")
    done(tab, "1 set")
    for _ in range(6):
        tab.keyboard.press("PageUp")
    tab.keyboard.press(".")
    tab.keyboard.press("Enter")
    done(tab, "followed anew")
    assert [row["do"] for row in rows(page, job)] == ["redraw", "follow"]
    # Moving a point: nearer, to the point, and on by single steps.
    tab.get_by_label("moves a point").check()
    view.focus()
    for _ in range(4):
        tab.keyboard.press("+")
    tab.keyboard.press("PageDown")
    tab.keyboard.press("Enter")
    done(tab, "1 set")
    for _ in range(5):
        tab.keyboard.press("Shift+ArrowLeft")
    tab.keyboard.press("Enter")
    done(tab, "moved")
    last = rows(page, job)[-1]
    assert last["do"] == "move"
    assert 1 < last["points"][0][0] - last["points"][1][0] < 30
    tab.keyboard.press("Enter")
    tab.keyboard.press("Escape")
    expect(tab.get_by_role("button", name="Leave it")).to_be_hidden()


def test_an_end_of_the_line_is_dragged_or_set_by_two_touches_and_found_again(
    tab: Tab, page: Page, job: str
) -> None:
    line = page.ask(f"/api/jobs/{job}/drawing").json["photos"][0]["patterns"][0]["line"]
    look(tab, page, job)
    tool(tab, "sets the pencil line")
    expect(tab.locator("#view circle.handle")).to_have_count(2)
    x, y = on_screen(tab, line[0])
    tab.mouse.move(x, y)
    tab.mouse.down()
    tab.mouse.move(x + 12, y + 3, steps=4)
    tab.mouse.up()
    again = tab.get_by_role("button", name="Find the pencil line again")
    expect(again).to_be_visible()
    told = page.shelf.find(job).table["port"]["centreline"]
    unit = box_of(tab)[2] / 800
    assert told[:2] == pytest.approx([line[0][0] + 12 * unit * 0.9, line[0][1]], abs=25)
    assert told[0] > line[0][0] + 20
    assert told[2:] == pytest.approx(line[-1], abs=0.02)
    # Without dragging: the end, then where it belongs.
    click(tab, told[2:])
    done(tab, "Now touch where this end")
    click(tab, [told[2] - 150, told[3] + 20])
    moved = kept_anew(page, job, told)
    done(tab, "Touch both ends")
    assert moved[:2] == told[:2]
    assert moved[2:] == pytest.approx([told[2] - 150, told[3] + 20], abs=6)
    tab.get_by_role("button", name="Undo").click()
    done(tab, "Taken back")
    assert page.shelf.find(job).table["port"]["centreline"] == told
    again.click()
    expect(again).to_be_hidden()
    assert "centreline" not in page.shelf.find(job).table["port"]


def test_a_corner_is_taken_hold_of_before_a_point_that_lies_nearer(
    tab: Tab, page: Page, job: str
) -> None:
    pattern = page.ask(f"/api/jobs/{job}/drawing").json["photos"][0]["patterns"][0]
    corner = next(c for c in pattern["corners"] if c["name"] == "outer")["at"]
    look(tab, page, job)
    tool(tab, "moves a point")
    expect(tab.locator("#view circle.handle")).to_have_count(len(pattern["corners"]))
    x, y = on_screen(tab, pattern["ring"][12])  # some screen pixels along the edge
    tab.mouse.move(x, y)
    tab.mouse.down()
    tab.mouse.move(x - 25, y + 18, steps=5)
    tab.mouse.up()
    done(tab, "moved")
    (row,) = rows(page, job)
    assert row["points"][0] == pytest.approx(corner, abs=0.02)
    moved = tab.eval_on_selector_all(
        "#view rect.corner", "all => all.map((r) => [Number(r.dataset.x), Number(r.dataset.y)])"
    )
    assert row["points"][1] == pytest.approx(
        min(moved, key=lambda p: np.hypot(p[0] - corner[0], p[1] - corner[1])), abs=0.3
    )


def test_no_handle_is_hidden_under_another(tab: Tab, page: Page) -> None:
    """Corners nearer to each other than a thumb: the one that is nearest is meant, and before a plain point."""
    tab.goto(page.address)
    found = tab.evaluate(
        """async () => {
            const { meant } = await import("/static/correct.js");
            const ring = Array.from({ length: 400 }, (_, k) => [k, 0]);
            const corner = (k) => ({ name: String(k), k, at: ring[k] });
            const patterns = [{ ring, corners: [corner(100), corner(110), corner(200)] }];
            const k = (at, unit, corners) => meant(patterns, at, unit, corners)?.k ?? null;
            return [k([104, 3], 1), k([106, 3], 1), k([190, 8], 1), k([150, 2], 1), k([106, 3], 1, false),
                    k([150, 40], 1), k([150, 40], 2), k([106, 0], 0.1)];
        }"""
    )
    # Zoomed in far enough, points beside a corner can be had too.
    assert found == [100, 110, 200, 150, 106, None, 150, 106]


def test_a_tool_takes_one_touch_at_a_time(tab: Tab, page: Page, job: str) -> None:
    """While the worker follows, touches are not taken for others."""
    ring = ring_of(page, job)
    look(tab, page, job)
    held: list[Route] = []
    tab.route("**/edits/add", lambda route: held.append(route))  # noqa: PLW0108 - it marks its handler
    tool(tab, "follows the edge")
    for k in (200, 260, 300, 320):
        click(tab, ring[k])
    expect(tab.locator("#view")).to_have_attribute("aria-busy", "true")
    tab.wait_for_timeout(200)
    assert len(held) == 1
    held[0].continue_()
    done(tab, "followed anew")
    assert len(rows(page, job)) == 1


def test_the_page_with_edits_breaks_no_rule_and_fits(tab: Tab, page: Page, job: str) -> None:
    spoil(page, job, ring_of(page, job), 1500)
    for width in (360, 820, 1440):
        for light in ("light", "dark"):
            tab.set_viewport_size({"width": width, "height": 800})
            tab.emulate_media(color_scheme=light)  # type: ignore[arg-type]
            look(tab, page, job)
            tool(tab, "sets the pencil line")
            tab.locator("summary").first.click()
            assert broken_rules(tab) == [], (width, light)
            assert tab.evaluate("document.documentElement.scrollWidth") <= width
            # The chosen tool is shown, also where the tools stand in one row.
            assert tab.evaluate(
                """() => { const row = document.querySelector(".kit").getBoundingClientRect();
                           const at = document.querySelector("[name=tool]:checked").closest("label")
                               .getBoundingClientRect();
                           return at.left >= row.left && at.right <= row.right; }"""
            )
