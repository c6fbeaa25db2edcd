"""Every page of the site is accessible: WCAG 2.2 AA as far as axe-core can tell, in both themes, and fits a tablet."""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser

from tests.pages import UNREACHABLE, World, address, cookie_of, make_world, routes

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
# The places of the bedside page are behind one address.
BEDSIDE = ("", "site", "test", "difficulty", "scan", "decision", "ended", "total/contrast_ml", "check")


def pages_of(world: World) -> tuple[dict[str, tuple[str, str]], list[str]]:
    """Return address and viewer of every page, and what is wrong with addresses that lead nowhere."""
    pages, lost = {}, []
    for name, pattern in routes():
        try:
            values = world.values
            if "calibrations/<" in pattern:
                values = values | {"recording": values["calibration's recording"]}
            if "sessions/<uuid:session>/epochs/" in pattern:
                values = values | {"epochs/epoch": values["typed epoch"]}
            where = address(pattern, values)
        except KeyError as missing:
            if name not in UNREACHABLE:
                lost.append(f"{name}: tests/pages.py knows no {missing} for {pattern}")
            continue
        answers = {who: client.get(where) for who, client in world.clients.items()}
        shown = [who for who, answer in answers.items() if answer.status_code == 200]
        if any("text/html" in answers[who]["Content-Type"] and b"<html" in answers[who].content for who in shown):
            # Of those who see it the last: somebody logged in before nobody, the clinical lead before all.
            pages[pattern] = (where, shown[-1])
            continue
        statuses = {answer.status_code for answer in answers.values()}
        if not shown and not statuses & {405, 422} and statuses & {400, 403, 404, 500} and name not in UNREACHABLE:
            lost.append(f"{name}: {where} answers {sorted(statuses)}")
    return pages, lost


@pytest.fixture
def world(settings, tmp_path) -> World:
    settings.MEDIA_ROOT = tmp_path
    return make_world()


@pytest.mark.parametrize("theme", ["bright", "dark"])
def test_every_page_is_accessible(browser: Browser, live_server, world: World, theme: str) -> None:
    pages, lost = pages_of(world)
    assert lost == [], "\n".join(lost)
    contexts = {}
    for who, client in world.clients.items():
        contexts[who] = browser.new_context(base_url=str(live_server), viewport={"width": 1024, "height": 768})
        contexts[who].add_init_script(f"localStorage.setItem('tributary-theme', '{theme}')")
        if cookie := cookie_of(client):
            contexts[who].add_cookies([{"name": "sessionid", "value": cookie, "url": str(live_server)}])
    faults = []
    for where, who in pages.values():
        page = contexts[who].new_page()
        page.goto(where)
        places = BEDSIDE if where.endswith("/bedside/") else ("",)
        for place in places:
            if len(places) > 1:
                page.wait_for_selector("#main h2")
                page.evaluate("place => (location.hash = place)", place)
                page.wait_for_timeout(150)
            page.evaluate("document.querySelectorAll('details').forEach((one) => (one.open = true))")
            found = Axe().run(page, options={"runOnly": {"type": "tag", "values": TAGS}})
            if found.violations_count:
                faults.append(f"{where}#{place}\n{found.generate_report()}")
            if page.evaluate("document.documentElement.scrollWidth > document.documentElement.clientWidth"):
                faults.append(f"{where}#{place} is wider than the screen")
            assert page.evaluate("document.documentElement.dataset.theme") == theme
        page.close()
    for context in contexts.values():
        context.close()
    print(f"{theme}: {len(pages)} pages looked at")
    assert faults == [], "\n\n".join(faults)
