"""What the first opening of the bedside page costs on a bad line: at most 200 kB, as the page was asked for."""

from __future__ import annotations

import gzip

import pytest
from playwright.sync_api import Page, Response

from procedures.models import Session
from procedures.services.sessions import log
from registry.models import Role
from tests import factories as make
from tests.browser.hand import Hand, wait_until

pytestmark = pytest.mark.django_db(transaction=True)
MOST_BYTES = 200_000
# Script, style and picture files leave production compressed (whitenoise); answers of the application do not.
_COMPRESSED = (".js", ".css", ".svg", ".webmanifest")


@pytest.fixture
def session() -> Session:
    session = make.make_session()
    by = make.writer_of(session.centre)
    for number in range(60):
        log(by=by, session=session, kind="note", text=f"note {number}", occurred_at=make.START)
    return session


def test_first_opening_with_an_empty_cache_is_small(page: Page, log_in, session: Session) -> None:
    answers: list[Response] = []
    page.on("response", lambda answer: answers.append(answer))
    log_in(make.make_user(Role.PHYSICIAN, session.centre))
    Hand(page).open(session)
    wait_until(page, "!!navigator.serviceWorker.controller || performance.now() > 3000")
    sizes = {}
    for answer in answers:
        if answer.request.service_worker or answer.status == 304:
            continue
        path = answer.url.split("?")[0]
        body = answer.body()
        sizes[path] = len(gzip.compress(body)) if path.endswith(_COMPRESSED) else len(body)
    print({path.rsplit("/", 1)[-1] or path: size for path, size in sizes.items()}, sum(sizes.values()))
    assert not [path for path in sizes if "plotly" in path or "htmx" in path]
    assert any(path.endswith("page.js") for path in sizes)
    assert sum(sizes.values()) <= MOST_BYTES
