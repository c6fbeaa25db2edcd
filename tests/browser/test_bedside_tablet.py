"""What the bedside page leaves on a tablet: sealed entries and a frame without data, and nothing after a log-out."""

from __future__ import annotations

from contextlib import suppress
from typing import Any

import pytest
from django.urls import reverse
from playwright.sync_api import Error, Page, Route, expect

from procedures.models import LogEntry
from procedures.views import bedside as views
from tests import factories as make
from tests.browser.bedside import eventually, note, open_page, texts, wait_for_drained, wait_until

pytestmark = pytest.mark.django_db(transaction=True)
# Everything that the browser keeps for this site, as text; sealed content as the bytes it is.
READ_OUT = """
async () => {
  const asked = (request) => new Promise((resolve, reject) => {
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
  const bytes = (value) => new TextDecoder("latin1").decode(value);
  const plain = (value) => JSON.stringify(value, (_, one) => {
    if (one instanceof ArrayBuffer || ArrayBuffer.isView(one)) return bytes(one);
    if (one instanceof CryptoKey) return `key, extractable: ${one.extractable}`;
    return one;
  });
  const found = { local: plain({ ...localStorage }), tab: plain({ ...sessionStorage }), databases: {}, caches: {} };
  for (const { name } of await indexedDB.databases()) {
    const db = await asked(indexedDB.open(name));
    for (const store of db.objectStoreNames) {
      const opened = db.transaction(store).objectStore(store);
      const [rows, keys] = [await asked(opened.getAll()), await asked(opened.getAllKeys())];
      found.databases[`${name}/${store}`] = [plain(rows), plain(keys)];
    }
    db.close();
  }
  for (const name of await caches.keys()) {
    const cache = await caches.open(name);
    for (const request of await cache.keys()) {
      found.caches[`${name} ${new URL(request.url).pathname}`] = await (await cache.match(request)).text();
    }
  }
  return found;
}
"""


def with_worker(page: Page, session: Any) -> None:
    """Open the page and wait until its worker rules it."""
    open_page(page, session)
    page.evaluate("navigator.serviceWorker.ready.then(() => null)")
    wait_until(page, "navigator.serviceWorker.controller !== null")


def test_page_opens_without_a_line_and_goes_on(page: Page, context, complaints, log_in, nurse, session) -> None:
    complaints.allow("ERR_INTERNET_DISCONNECTED|Failed to fetch")
    log_in(nurse)
    with_worker(page, session)
    note(page, "before")
    wait_for_drained(page)
    context.set_offline(True)
    note(page, "without a line")
    page.reload()
    wait_until(page, "Boolean(globalThis.bedside?.store.state)")
    assert sorted(texts(page)) == ["before", "without a line"]
    # The start page of the installed page leads to the session that was open last.
    page.goto(reverse("procedures:sessions"))
    wait_until(page, "Boolean(globalThis.bedside?.store.state)")
    assert page.url.endswith(reverse("procedures:bedside", args=[session.pk]))
    expect(page.locator("#bedside-line")).to_contain_text("1 entry on this tablet only")
    context.set_offline(False)
    wait_for_drained(page)
    assert LogEntry.objects.count() == 2


def test_worker_keeps_the_frame_and_static_files_only(page: Page, log_in, nurse, session) -> None:
    log_in(nurse)
    with_worker(page, session)
    page.goto(reverse("procedures:session", args=[session.pk]))
    page.goto(reverse("procedures:bedside", args=[session.pk]))
    kept = page.evaluate(READ_OUT)["caches"]
    paths = {name.split(" ")[1] for name in kept}
    assert "/bedside/shell/" in paths
    assert {path for path in paths if not path.startswith("/static/")} == {"/bedside/shell/"}
    shell = next(text for name, text in kept.items() if name.endswith("/bedside/shell/"))
    for word in ("csrf", str(nurse), nurse.username, session.code, str(session.pk)):
        assert word not in shell.lower()
    assert len({name.split(" ")[0] for name in kept}) == 1


def test_new_build_replaces_the_old_one_while_the_old_page_goes_on(
    page: Page, log_in, nurse, session, monkeypatch
) -> None:
    log_in(nurse)
    with_worker(page, session)
    (old,) = page.evaluate("caches.keys()")
    monkeypatch.setattr(views, "build", lambda: "another")
    page.evaluate("navigator.serviceWorker.getRegistration().then((one) => one.update()).then(() => null)")
    note(page, "by the old page to the new server")
    wait_for_drained(page)
    wait_until(page, f"caches.keys().then((names) => names.length === 1 && names[0] !== '{old}')")
    page.reload()
    wait_until(page, "Boolean(globalThis.bedside?.store.state)")
    assert page.evaluate("document.documentElement.dataset.build") == "another"
    assert texts(page) == ["by the old page to the new server"]


def test_no_identifier_is_kept_and_nothing_is_left_after_log_out(
    page: Page, context, complaints, log_in, nurse, session
) -> None:
    complaints.allow("ERR_INTERNET_DISCONNECTED")
    identity = session.patient.identity
    words = [identity.family_name, identity.given_name, str(identity.birth_date), identity.local_identifier]
    words += [str(session.patient.pk), session.patient.code, nurse.username, str(nurse)]
    log_in(nurse)
    page.goto(reverse("procedures:session", args=[session.pk]))
    assert identity.family_name in page.content()
    with_worker(page, session)
    note(page, "Sealed words.")
    wait_for_drained(page)
    context.set_offline(True)
    note(page, "More sealed words.")
    kept = page.evaluate(READ_OUT)
    assert set(kept["databases"]) == {f"tributary-bedside/{name}" for name in ("entries", "keys", "sessions")}
    everything = str(kept)
    assert "extractable: false" in everything
    for word in [*words, "ealed words", session.code]:
        assert word not in everything, word
    refused = page.evaluate(
        "crypto.subtle.exportKey('raw', bedside.store.outbox.key).then(() => 'given out', (error) => error.name)"
    )
    assert refused == "InvalidAccessError"
    context.set_offline(False)
    wait_for_drained(page)
    page.goto(reverse("procedures:sessions"))
    page.get_by_role("button", name="Log out").click()
    page.wait_for_url("**/log-in/**")
    left = page.evaluate(READ_OUT)
    assert left["databases"] == {}
    for word in [*words, "ealed words", session.code, str(session.pk)]:
        assert word not in str(left), word


@pytest.mark.parametrize("choice", ["keep here", "delete", "Stay"])
def test_log_out_with_unsent_entries_asks(page: Page, context, complaints, log_in, nurse, session, choice: str) -> None:
    complaints.allow("503")
    log_in(nurse)
    context.route("**/api/v1/bedside/entries", lambda route: route.fulfill(status=503))
    open_page(page, session)
    note(page, "unsent")
    other = context.new_page()
    other.goto(reverse("procedures:sessions"))
    other.get_by_role("button", name="Log out").click()
    dialog = other.get_by_role("dialog", name="1 entry is on this tablet only")
    expect(dialog).to_be_visible()
    dialog.get_by_role("button", name=choice).click()
    if choice == "Stay":
        other.wait_for_url("**/bedside/")
        wait_until(other, "globalThis.bedside?.store.pending.length === 1")
        return
    other.wait_for_url("**/log-in/**")
    # The open page of the session is emptied too.
    page.wait_for_url("**/log-in/**")
    left = other.evaluate(READ_OUT)
    assert session.code not in str(left)
    if choice == "delete":
        assert left["databases"] == {}
        return
    assert left["databases"]["tributary-bedside/sessions"] == ["[]", "[]"]
    context.unroute("**/api/v1/bedside/entries")
    log_in(nurse)
    open_page(page, session)
    wait_for_drained(page)
    assert LogEntry.objects.get().text == "unsent"


def test_what_an_open_page_asks_for_is_broken_off_before_the_log_out(
    page: Page, context, log_in, nurse, session
) -> None:
    log_in(nurse)
    open_page(page, session)
    held: list[Route] = []
    # An answer that is a long time coming.
    page.route("**/api/v1/bedside/sessions/**", lambda route: held.append(route))
    eventually(page, lambda: held, "the page's next look at the server")
    other = context.new_page()
    other.goto(reverse("procedures:sessions"))
    other.get_by_role("button", name="Log out").click()
    other.wait_for_url("**/log-in/**")
    page.unroute("**/api/v1/bedside/sessions/**")
    for route in held:
        with suppress(Error):  # broken off, as it has to be; let through, the server would refuse it aloud
            route.continue_()
    page.wait_for_url("**/log-in/**")


def test_an_open_page_waits_for_a_slow_log_out(page: Page, context, log_in, nurse, session) -> None:
    log_in(nurse)
    open_page(page, session)
    looks: list[str] = []
    other = context.new_page()
    other.goto(reverse("procedures:sessions"))
    held: list[Route] = []
    other.route("**/log-out/", lambda route: held.append(route))
    other.get_by_role("button", name="Log out").click(no_wait_after=True)
    page.on("request", lambda request: looks.append(request.url))
    eventually(other, lambda: held, "the log-out")
    eventually(page, lambda: len([url for url in looks if url.endswith("/token")]) > 8, "looks at who is logged in")
    assert page.url.endswith("/bedside/")
    assert page.evaluate("document.body.childElementCount") == 0
    held.pop().continue_()
    page.wait_for_url("**/log-in/**")


def test_log_out_works_after_a_log_in_elsewhere_renewed_the_token(page: Page, log_in, nurse, session) -> None:
    log_in(nurse)
    page.goto(reverse("procedures:sessions"))
    log_in(nurse)  # as in another tab: this page's form still holds the old token
    page.get_by_role("button", name="Log out").click()
    page.wait_for_url("**/log-in/**")


def test_leaving_with_unsent_entries_warns(page: Page, context, complaints, log_in, nurse, session) -> None:
    complaints.allow("503")
    context.route("**/api/v1/bedside/entries", lambda route: route.fulfill(status=503))
    log_in(nurse)
    open_page(page, session)
    page.locator("body").click()
    note(page, "unsent")
    asked: list[str] = []

    def stay(dialog: Any) -> None:
        asked.append(dialog.type)
        dialog.dismiss()

    page.on("dialog", stay)
    page.close(run_before_unload=True)
    eventually(page, lambda: asked, "the question before leaving")
    assert asked == ["beforeunload"]
    assert not page.is_closed()


def test_session_never_opened_here_says_so_without_a_line(
    page: Page, context, complaints, log_in, nurse, session
) -> None:
    complaints.allow("ERR_INTERNET_DISCONNECTED")
    other = make.make_session(make.make_patient(session.centre))
    log_in(nurse)
    with_worker(page, session)
    context.set_offline(True)
    page.goto(reverse("procedures:bedside", args=[other.pk]))
    wait_until(page, "Boolean(globalThis.bedside)")
    refused = page.evaluate("bedside.store.put('log_entry', { kind: 'note' }).then(() => '', (error) => error.message)")
    assert "Connect once to load it" in refused
