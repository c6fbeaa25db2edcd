"""An amendment is what this act wrote: others who write to the centre at the same moment make none."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from itertools import cycle, islice
from threading import Barrier

import pytest
from django.db import connection, transaction

from procedures.models import LogEntry, Session
from procedures.services.guard import SessionSigned, writing
from procedures.services.sessions import log, sign_session
from registry.errors import RuleBroken
from registry.models import User, new_key
from registry.services.records import put
from tests.factories import START, end_session, make_patient, make_session, writer_of

CLIENTS, ENTRIES = 3, 20


@pytest.fixture
def signed() -> Session:
    session = end_session(make_session())
    return sign_session(by=writer_of(session.centre), session=session)


def in_another_thread(act: Callable[[], object]) -> None:
    """Do something on another connection, and wait until it is committed."""

    def run() -> None:
        try:
            act()
        finally:
            connection.close()

    with ThreadPoolExecutor(1) as pool:
        pool.submit(run).result()


@pytest.mark.django_db(transaction=True)
def test_what_somebody_else_writes_meanwhile_is_no_amendment(on_postgresql: bool, signed: Session) -> None:
    if not on_postgresql:
        pytest.skip("SQLite lets one transaction write at a time")
    by = writer_of(signed.centre)
    other = make_session(make_patient(signed.centre), by=by)

    with writing(signed, by=by, summary="An entry sent again"):
        in_another_thread(lambda: log(by=by, session=other, kind="note", text="meanwhile", occurred_at=START))

    assert not signed.amendments.exists()
    assert not other.amendments.exists()


@pytest.mark.django_db(transaction=True)
def test_replays_to_a_signed_session_pass_while_three_clients_write(on_postgresql: bool) -> None:
    if not on_postgresql:
        pytest.skip("SQLite lets one transaction write at a time")
    session = make_session()
    by = writer_of(session.centre)
    keys = [new_key() for _ in range(ENTRIES)]
    for key in keys:
        log(by=by, session=session, kind="note", text="once", key=key, occurred_at=START)
    sign_session(by=by, session=end_session(session))
    others = [make_session(make_patient(session.centre), by=by) for _ in range(CLIENTS)]
    start = Barrier(CLIENTS + 1)

    def busy(other: Session) -> None:
        try:
            start.wait()
            for number in range(ENTRIES):
                log(by=by, session=other, kind="note", text=f"entry {number}", occurred_at=START)
        finally:
            connection.close()

    def replays(user: User) -> int:
        refused = 0
        try:
            start.wait()
            for key in islice(cycle(keys), 3 * ENTRIES):
                try:
                    log(by=user, session=session, kind="note", text="once", key=key, occurred_at=START)
                    # With a reason at hand a false amendment would not even be refused.
                    log(by=user, session=session, kind="note", text="once", key=key, occurred_at=START, reason="late")
                except SessionSigned:
                    refused += 1
        finally:
            connection.close()
        return refused

    with ThreadPoolExecutor(CLIENTS + 1) as pool:
        writers = [pool.submit(busy, other) for other in others]
        refused = pool.submit(replays, by).result()
        for writer in writers:
            writer.result()

    assert (refused, session.amendments.count()) == (0, 0)
    assert LogEntry.objects.filter(session__in=others).count() == CLIENTS * ENTRIES


@pytest.mark.django_db
def test_what_a_savepoint_took_back_is_no_amendment(signed: Session) -> None:
    by = writer_of(signed.centre)
    values = {"kind": "note", "text": "taken back", "author": by, "occurred_at": START}

    with writing(signed, by=by, summary="Tried and given up"):
        try:
            with transaction.atomic():
                put(LogEntry, by=by, centre_id=signed.centre_id, scope={"session": signed}, values=values)
                raise RuleBroken("No.")
        except RuleBroken:
            pass

    assert not signed.log_entries.exists()
    assert not signed.amendments.exists()


@pytest.mark.django_db
def test_what_the_act_writes_in_an_act_within_it_counts(signed: Session) -> None:
    by = writer_of(signed.centre)

    with pytest.raises(SessionSigned), writing(signed, by=by, summary="Outer"):
        log(by=by, session=signed, kind="note", text="late", occurred_at=START)
    assert not signed.log_entries.exists()
