"""The two pictures of the bench page that stand in the README, taken from the running page.

    python tests/page_pictures.py

Wants Chromium.  The job is that of ``sample_images/quarter_knee``; the phone sends its port photo.
"""

from __future__ import annotations

import io
import shutil
import sys
import tempfile
from pathlib import Path

from bench_server import SAMPLES, Page, running
from PIL import Image
from playwright.sync_api import Browser, sync_playwright

HERE = SAMPLES.parent
LOOK, PHONE = HERE / "bench_page_look.jpg", HERE / "bench_page_phone.png"
LOOK_PX, PHONE_PX = (1100, 800), (390, 760)


def look(browser: Browser, page: Page, job: str) -> None:
    """The page where the traced edge lies on the photo."""
    tab = browser.new_page(viewport={"width": LOOK_PX[0], "height": LOOK_PX[1]})
    tab.goto(f"{page.address}/jobs/{job}/look")
    tab.locator("#view .seen").first.wait_for(state="attached")
    tab.wait_for_load_state("networkidle")
    picture = Image.open(io.BytesIO(tab.screenshot())).convert("RGB")
    picture.save(LOOK, quality=82, optimize=True, progressive=True)
    tab.close()


def phone(browser: Browser, page: Page, job: str) -> None:
    """The phone after it sent a photo that is good."""
    link = page.post(f"/api/jobs/{job}/door").json["link"]
    about = browser.new_context(
        viewport={"width": PHONE_PX[0], "height": PHONE_PX[1]}, has_touch=True, is_mobile=True
    )
    tab = about.new_page()
    tab.goto(link)
    tab.get_by_role("button", name="Let this phone in").tap()
    tab.locator("#take input").set_input_files(SAMPLES / "port.jpg")
    tab.locator("#verdict[data-good=yes]").wait_for(timeout=300_000)
    picture = Image.open(io.BytesIO(tab.screenshot())).convert("RGB")
    picture.quantize(64).save(PHONE, optimize=True)
    about.close()


def main() -> None:
    """Take both."""
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as play:
        shutil.copytree(SAMPLES, Path(folder) / "pepperwort")
        with running(Path(folder)) as page:
            (entry,) = page.shelf.entries()
            page.post(f"/api/jobs/{entry.id}/measure")
            page.until(entry.id, lambda s: s["status"] == "measured", seconds=600)
            sent = page.new_job(boat="Pepperwort", thickness="3.07", distances="A-H = 767.5")
            found = shutil.which("chromium") or shutil.which("chromium-browser")
            browser = play.chromium.launch(executable_path=found, args=["--no-sandbox"])
            look(browser, page, entry.id)
            phone(browser, page, sent)
            browser.close()
    for path in (LOOK, PHONE):
        print(f"{path}: {path.stat().st_size / 1000:.0f} kB")


if __name__ == "__main__":
    sys.exit(main())
