"""Take the pictures of README.md from a running demo: ``.venv/bin/python config/ops/screenshots.py http://127.0.0.1:8000``."""

import shutil
import sys
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

FOLDER = Path(__file__).resolve().parents[2] / "fixtures" / "screenshots"
USER, PASSWORD, SESSION = "clinicallead", "an-invented-centre", "S-0022"


def settled(page: Page) -> None:
    """Wait until every figure on the page is drawn."""
    page.wait_for_load_state("load")
    page.wait_for_timeout(2500)


def main(base: str) -> None:
    """Log in to the demo and take each page."""
    FOLDER.mkdir(exist_ok=True)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu", "--no-first-run"]
        )
        page = browser.new_context(viewport={"width": 1440, "height": 900}).new_page()
        page.goto(f"{base}/log-in/")
        page.fill("[name=username]", USER)
        page.fill("[name=password]", PASSWORD)
        page.keyboard.press("Enter")
        page.wait_for_url(lambda url: "log-in" not in url)
        page.goto(f"{base}/sessions/")
        page.get_by_role("link", name=SESSION).click()
        settled(page)
        page.screenshot(path=FOLDER / "session.png")
        page.get_by_role("link", name="Compare sites").click()
        settled(page)
        page.screenshot(path=FOLDER / "comparison.png")
        page.get_by_text("Loops and segments").click()
        settled(page)
        page.get_by_text("Loops and segments").scroll_into_view_if_needed()
        page.get_by_text("Loops and segments").evaluate("element => element.scrollIntoView({block: 'start'})")
        page.wait_for_timeout(500)
        page.screenshot(path=FOLDER / "loops.png")
        page.goto(f"{base}/audit/")
        settled(page)
        page.screenshot(path=FOLDER / "audit.png")
        browser.close()


main(sys.argv[1].rstrip("/"))
