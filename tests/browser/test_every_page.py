"""Every page of the site is accessible: WCAG 2.2 AA as far as axe-core can tell, in both themes, and fits a tablet."""

from __future__ import annotations

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, expect

from tests.pages import UNREACHABLE, World, address, cookie_of, make_world, routes

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.slow]
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
SCREEN = {"width": 1024, "height": 768}
# The themes differ in nothing but colours.
LOOKED_FOR = {
    "bright": {"type": "tag", "values": TAGS},
    "dark": {"type": "rule", "values": ["color-contrast", "link-in-text-block"]},
}
# The places of the bedside page are behind one address.
BEDSIDE = ("", "site", "test", "difficulty", "scan", "decision", "ended", "total/contrast_ml", "check")


# In parts, so that workers share them; a page is in the part of its place in the list.
PARTS = 5


def pages_of(world: World, part: int) -> tuple[dict[str, tuple[str, str]], list[str]]:
    """Return address and viewer of every page of a part, and what is wrong with addresses that lead nowhere."""
    pages, lost = {}, []
    for name, pattern in list(routes())[part::PARTS]:
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


@pytest.mark.parametrize("part", range(PARTS))
def test_every_page_is_accessible_in_both_themes(browser: Browser, live_server, world: World, part: int) -> None:
    pages, lost = pages_of(world, part)
    assert lost == [], "\n".join(lost)
    assert len(pages) >= 10
    contexts = {}
    for who, client in world.clients.items():
        contexts[who] = browser.new_context(base_url=str(live_server), viewport=SCREEN, reduced_motion="reduce")
        contexts[who].add_init_script("localStorage.setItem('tributary-theme', 'bright')")
        if cookie := cookie_of(client):
            contexts[who].add_cookies([{"name": "sessionid", "value": cookie, "url": str(live_server)}])
    faults = []
    axe = Axe()
    shown = {who: context.new_page() for who, context in contexts.items()}
    for where, who in pages.values():
        page = shown[who]
        page.goto(where)
        places = BEDSIDE if where.endswith("/bedside/") else ("",)
        for place in places:
            if len(places) > 1:
                page.wait_for_selector("#main h2")
                page.evaluate("place => (location.hash = place)", place)
                expect(page.locator("body")).to_have_attribute("data-place", place.split("/")[0] or "home")
            page.evaluate("document.querySelectorAll('details').forEach((one) => (one.open = true))")
            for theme, rules in LOOKED_FOR.items():
                page.evaluate("theme => (document.documentElement.dataset.theme = theme)", theme)
                found = axe.run(page, options={"runOnly": rules, "resultTypes": ["violations"]})
                if found.violations_count:
                    faults.append(f"{where}#{place} {theme}\n{found.generate_report()}")
            if page.evaluate("document.documentElement.scrollWidth > document.documentElement.clientWidth"):
                faults.append(f"{where}#{place} is wider than the screen")
        page.goto("about:blank")  # what a page still asks for belongs to no other
    for context in contexts.values():
        context.close()
    print(f"{len(pages)} pages looked at")
    assert faults == [], "\n\n".join(faults)


@pytest.mark.parametrize("theme", ["bright", "dark"])
def test_the_theme_chosen_is_the_one_shown(browser: Browser, live_server, world: World, theme: str) -> None:
    page = browser.new_page(base_url=str(live_server))
    page.add_init_script(f"localStorage.setItem('tributary-theme', '{theme}')")
    page.goto("/log-in/")
    assert page.evaluate("document.documentElement.dataset.theme") == theme
    page.close()
