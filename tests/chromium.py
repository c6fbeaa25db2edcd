"""A real Chromium that looks at a real server of this project."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Iterator

import pytest
from django.conf import settings
from django.test import Client
from django.utils.crypto import get_random_string
from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page, expect, sync_playwright

from registry.models import User

_ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
# The browser's own word on a broken policy reaches the console only for some kinds; the event covers all.
_REPORT_POLICY = """
document.addEventListener("securitypolicyviolation", (event) =>
  console.error(`content-security policy: ${event.effectiveDirective} refused ${event.blockedURI || "inline"}`));
"""
TABLET = {"width": 1024, "height": 768}
# For what is waited for at most. A wait ends when its condition holds, so this costs nothing but on a fault, and a busy
# machine must not look like one.
PATIENCE_S = 90


class Complaints(list[str]):
    """What the browser complained about; a test that provokes a complaint names it with :meth:`allow`."""

    def __init__(self) -> None:
        super().__init__()
        self._allowed: list[str] = []

    def heard(self, line: ConsoleMessage) -> None:
        """Keep a line of the console if it is an error."""
        if line.type == "error":
            self.append(f"{line.text} ({line.location.get('url', '')})")

    def allow(self, pattern: str) -> None:
        """Expect complaints that match the regular expression, for instance the log line of a 422."""
        self._allowed.append(pattern)

    def unexpected(self) -> list[str]:
        """Return the complaints nobody expected."""
        return [text for text in self if not any(re.search(pattern, text) for pattern in self._allowed)]


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Start Chromium once per process."""
    executable = shutil.which("chromium")
    if executable is None:
        pytest.fail("Chromium is not installed: run 'make test', which installs it, or install the package 'chromium'.")
    with sync_playwright() as playwright, pytest.MonkeyPatch.context() as patch:
        # Playwright's blocking interface keeps an event loop on this thread; Django takes that for asynchronous code.
        patch.setenv("DJANGO_ALLOW_ASYNC_UNSAFE", "1")
        expect.set_options(timeout=1000 * PATIENCE_S)
        chromium = playwright.chromium.launch(executable_path=executable, args=_ARGUMENTS, timeout=1000 * PATIENCE_S)
        yield chromium
        chromium.close()


@pytest.fixture
def context(browser: Browser, live_server: object) -> Iterator[BrowserContext]:
    """Open a fresh profile on a tablet's screen."""
    context = browser.new_context(viewport=TABLET, base_url=str(live_server), locale="en-GB", timezone_id="UTC")
    context.set_default_timeout(1000 * PATIENCE_S)
    context.add_init_script(_REPORT_POLICY)
    yield context
    context.close()


@pytest.fixture
def complaints() -> Complaints:
    """Collect what the browser complains about in this test."""
    return Complaints()


@pytest.fixture
def page(context: BrowserContext, complaints: Complaints) -> Iterator[Page]:
    """Open a tab; errors on its console, uncaught exceptions and broken policy fail the test."""
    page = context.new_page()
    page.on("console", lambda line: complaints.heard(line))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    yield page
    assert complaints.unexpected() == []


@pytest.fixture
def log_in(context: BrowserContext, live_server: object) -> Callable[[User], None]:
    """Return a function that logs a user in without going through the form."""

    def log_in(user: User) -> None:
        client = Client()
        client.force_login(user)
        # The form would have set both; without the second, two pages opened at once each make one of their own.
        values = {
            settings.SESSION_COOKIE_NAME: client.cookies[settings.SESSION_COOKIE_NAME].value,
            settings.CSRF_COOKIE_NAME: get_random_string(32),
        }
        context.add_cookies([{"name": name, "value": value, "url": str(live_server)} for name, value in values.items()])

    return log_in


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what drives the browser, so that it can be left out with ``-m 'not browser'``."""
    for item in items:
        if "browser" in getattr(item, "fixturenames", ()):
            item.add_marker(pytest.mark.browser)
