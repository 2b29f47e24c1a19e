"""Tabs of a real browser on the bench page: how they are opened, watched, looked at and touched."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from typing import Any

import pytest
from bench_server import Page
from playwright.sync_api import Browser, BrowserContext, expect, sync_playwright
from playwright.sync_api import Page as Tab

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


@contextmanager
def chromium() -> Iterator[Browser]:
    """A browser; where there is none, or what drives it does not start, the test is skipped."""
    if CHROMIUM is None:
        pytest.skip("no Chromium here (on Debian: apt-get install chromium libatomic1)")
    with ExitStack() as stack:
        try:
            play = stack.enter_context(sync_playwright())
        except Exception as error:  # its driver is a program of its own, which may not start
            pytest.skip(f"what drives the browser does not start (Debian: libatomic1): {error}")
        made = play.chromium.launch(
            executable_path=CHROMIUM,
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking"],
        )
        yield made
        made.close()


def context(browser: Browser, **more: Any) -> BrowserContext:
    given: dict[str, Any] = {"viewport": {"width": 1440, "height": 900}} | more
    return browser.new_context(**given)


class watched:  # noqa: N801 - reads as a word
    """A tab whose every complaint is a failure: errors of scripts, refusals by the policy.

    Chromium itself complains of a request that was refused: ``expected`` is part of its words.
    """

    def __init__(self, about: BrowserContext, expected: str = "") -> None:
        self.about, self.expected = about, expected
        self.complaints: list[str] = []

    def __enter__(self) -> Tab:
        made = self.about.new_page()
        made.on("pageerror", lambda error: self.complaints.append(str(error)))
        made.on("console", lambda m: self.complain(m.text) if m.type == "error" else None)
        return made

    def complain(self, words: str) -> None:
        if not self.expected or self.expected not in words:
            self.complaints.append(words)

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        self.about.close()
        assert kind is not None or self.complaints == []


def box_of(tab: Tab) -> list[float]:
    return [float(v) for v in (tab.locator("#view").get_attribute("viewBox") or "").split()]


def on_screen(tab: Tab, at: list[float]) -> list[float]:
    """Where a place on the photo is on the screen."""
    found: list[float] = tab.evaluate(
        """([x, y]) => { const p = new DOMPoint(x, y).matrixTransform(document.getElementById("view").getScreenCTM());
                         return [p.x, p.y]; }""",
        at,
    )
    return found


def ready(tab: Tab) -> None:
    """Wait until what is drawn is what a touch would be of."""
    expect(tab.locator("#view")).to_have_attribute("aria-busy", "false", timeout=30_000)


def ring_of(page: Page, job: str) -> list[list[float]]:
    ring: list[list[float]] = page.ask(f"/api/jobs/{job}/drawing").json["photos"][0]["patterns"][0][
        "ring"
    ]
    return ring


def touch(tab: Tab) -> Any:
    session = tab.context.new_cdp_session(tab)

    def at(kind: str, *points: tuple[float, float]) -> None:
        given = [{"x": x, "y": y, "id": k} for k, (x, y) in enumerate(points)]
        session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": given})

    return at


def broken_rules(tab: Tab) -> list[str]:
    """axe-core's rules for WCAG 2.2 AA, and its contrast of 7:1 (SC 1.4.6) beside them."""
    from axe_playwright_python.sync_playwright import Axe

    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "wcag2aaa", "best-practice"]
    options = {"runOnly": tags, "rules": {"color-contrast-enhanced": {"enabled": True}}}
    found = Axe().run(tab, options=options).response["violations"]
    return [
        f"{v['id']}: {n['html'][:120]} {n['failureSummary']}" for v in found for n in v["nodes"]
    ]
