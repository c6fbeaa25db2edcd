"""Using a page by keyboard only: reaching a control with Tab, and answering it with keys."""

from __future__ import annotations

from playwright.sync_api import Locator, Page

MOST_STEPS = 150


def reach(page: Page, wanted: Locator) -> None:
    """Press Tab until the control has the focus, and see that the focus is shown and not covered."""
    handle = wanted.element_handle()
    for _ in range(MOST_STEPS):
        if page.evaluate("node => node === document.activeElement", handle):
            assert page.evaluate("() => getComputedStyle(document.activeElement).outlineStyle !== 'none'"), (
                "the focus is not shown"
            )
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"{wanted} was not reached with {MOST_STEPS} steps of the Tab key.")


def type_into(page: Page, label: str, text: str) -> None:
    """Reach the field of that label and type."""
    reach(page, page.get_by_label(label).first)
    page.keyboard.press("Control+A")
    page.keyboard.type(text)


def choose(page: Page, label: str, option: str) -> None:
    """Reach the list of that label and choose by typing the option's beginning."""
    wanted = page.locator("select").and_(page.get_by_label(label, exact=False)).first
    reach(page, wanted)
    page.keyboard.type(option)
    assert wanted.evaluate("node => node.selectedOptions[0].textContent").startswith(option)


def tick(page: Page, group: str, option: str) -> None:
    """Reach a group of radio buttons and move to an option."""
    radios = page.get_by_role("group", name=group).get_by_role("radio")
    reach(page, radios.first)
    page.keyboard.press("Space")
    wanted = page.get_by_role("group", name=group).get_by_role("radio", name=option, exact=True)
    for _ in range(radios.count()):
        if wanted.is_checked():
            return
        page.keyboard.press("ArrowDown")
    raise AssertionError(f"{option} was not reached in {group}.")


def press(page: Page, name: str, role: str = "button") -> None:
    """Reach a button or link and press Enter."""
    with page.expect_navigation():
        reach(page, page.get_by_role(role, name=name, exact=True).first)  # type: ignore[arg-type] # roles come as plain text
        page.keyboard.press("Enter")
