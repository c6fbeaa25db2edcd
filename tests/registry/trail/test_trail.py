"""The change trail: written with every change, refused any rewriting, and found out when tampered with."""

import datetime as dt
from decimal import Decimal
from uuid import UUID

import pytest
from django.core.management import CommandError, call_command
from django.db import Error, connection, transaction

from registry.models import Change, TrailHead
from registry.services.course import put_assessment
from registry.services.patients import record_death
from registry.trail import record as trail
from registry.trail.canonical import link, text_of
from registry.trail.verify import faults
from tests import factories as make
from tests.registry.trail.tampering import without_triggers
from tests.revealing import revealed

pytestmark = pytest.mark.django_db


@pytest.fixture
def chain():
    """Return the links of a centre in which a few things happened."""
    patient = make.make_patient()
    assessment = make.make_assessment(patient, lvef_percent=30)
    by = make.writer_of(patient.centre)
    put_assessment(by=by, patient=patient, key=assessment.pk, version=1, kind="before", lvef_percent=33)
    record_death(by=by, patient=patient, died_on=dt.date(2024, 10, 1))
    return list(Change.objects.filter(centre_id=patient.centre_id))


@pytest.fixture
def unguarded(chain):
    """Take the triggers away, as somebody with full access to the database could."""
    without_triggers()
    return chain


def test_a_change_tells_who_when_what_old_and_new(chain):
    changed = next(one for one in chain if one.action == "changed")

    assert changed.record_type == "registry.assessment"
    assert changed.actor_name.startswith("Member ")
    assert revealed(changed) == {"new": {"lvef_percent": "33.0"}, "old": {"lvef_percent": "30.0"}, "reason": ""}
    assert changed.at.tzinfo is not None


def test_links_are_numbered_without_gaps_and_the_head_is_the_last(chain):
    head = TrailHead.objects.get(centre_id=chain[0].centre_id)

    assert [one.sequence for one in chain] == list(range(1, len(chain) + 1))
    assert (head.sequence, head.digest) == (chain[-1].sequence, chain[-1].digest)
    assert list(faults()) == []


def test_a_replay_leaves_no_link(chain):
    assessment = next(one for one in chain if one.record_type == "registry.assessment")
    patient = make.Patient.objects.get(centre_id=chain[0].centre_id)
    by = make.writer_of(patient.centre)

    put_assessment(by=by, patient=patient, key=assessment.record_id, lvef_percent=33)

    assert Change.objects.filter(centre_id=chain[0].centre_id).count() == len(chain)


@pytest.mark.django_db(transaction=True)
def test_outside_a_transaction_nothing_is_written():
    patient = make.make_patient()

    with pytest.raises(RuntimeError, match="inside the transaction"):
        trail.write(centre_id=patient.centre_id, by=None, action="created", record=patient)


@pytest.mark.parametrize(
    "rewrite",
    [
        lambda links: links.update(reason="none"),
        lambda links: links.filter(sequence=2).update(values="{}"),
        lambda links: links.filter(sequence=2).delete(),
        lambda links: links.delete(),
    ],
    ids=["update all", "update one", "delete one", "delete all"],
)
def test_the_database_refuses_to_rewrite_the_trail(chain, rewrite):
    links = Change.objects.filter(centre_id=chain[0].centre_id)

    with pytest.raises(Error, match="append-only"), transaction.atomic():
        rewrite(links)

    assert list(links) == chain


def test_the_database_refuses_raw_sql_too(chain):
    for statement in ("UPDATE registry_change SET reason = 'x'", "DELETE FROM registry_change"):
        with pytest.raises(Error, match="append-only"), transaction.atomic(), connection.cursor() as cursor:
            cursor.execute(statement)


@pytest.mark.parametrize(
    ("tamper", "found"),
    [
        (lambda links: links.filter(sequence=3).update(values='{"new":{},"old":{}}'), "link 3: has been altered."),
        (lambda links: links.filter(sequence=3).update(actor_name="Somebody else"), "link 3: has been altered."),
        (lambda links: links.filter(sequence=2).update(reason="because"), "link 2: has been altered."),
        (lambda links: links.filter(sequence=2).delete(), "link 3: link 2 is missing."),
        (lambda links: links.filter(sequence=1).delete(), "link 2: link 1 is missing."),
        (lambda links: links.filter(sequence__gte=4).delete(), "the chain ends at link 3, its head says"),
        (lambda links: links.delete(), "the chain ends at link 0, its head says"),
    ],
    ids=["values", "actor", "reason", "one cut out", "first cut off", "tail cut off", "all gone"],
)
def test_tampering_is_found_and_named(unguarded, tamper, found):
    tamper(Change.objects.filter(centre_id=unguarded[0].centre_id))

    assert any(found in fault for fault in faults())


def test_two_links_exchanged_are_found(unguarded):
    links = Change.objects.filter(centre_id=unguarded[0].centre_id)
    links.filter(sequence=2).update(sequence=1000)
    links.filter(sequence=3).update(sequence=2)
    links.filter(sequence=1000).update(sequence=3)

    assert any("does not follow from the link before it" in fault for fault in faults())


def test_a_link_redone_with_a_right_digest_breaks_the_next(unguarded):
    third = unguarded[2]
    third.values = '{"new":{},"old":{}}'
    digest = link(third.previous_digest, trail.parts_of(third))
    Change.objects.filter(pk=third.pk).update(values=third.values, digest=digest)

    assert [fault for fault in faults() if "link 4: does not follow" in fault]


def test_a_removed_head_is_found(unguarded):
    TrailHead.objects.filter(centre_id=unguarded[0].centre_id).delete()

    assert any("centre whose head is missing" in fault for fault in faults())


def test_the_command_tells_how_many_links_hold(chain, capsys):
    call_command("verify_trail")

    assert capsys.readouterr().out == f"{len(chain)} links, all in order.\n"


def test_the_command_fails_on_a_broken_chain(unguarded):
    Change.objects.filter(sequence=2).update(reason="because")

    with pytest.raises(CommandError, match="1 fault") as failed:
        call_command("verify_trail")

    assert failed.value.returncode == 1


def test_canonical_text_is_the_same_for_equal_values():
    moment = dt.datetime(2024, 3, 2, 10, 0, tzinfo=dt.timezone(dt.timedelta(hours=1)))

    assert text_of({"b": 1.5, "a": moment}) == '{"a":"2024-03-02T09:00:00+00:00","b":"1.5"}'
    assert text_of([Decimal("1.50"), 0.1, True, None, UUID(int=1), dt.date(2024, 3, 2), "é"]) == (
        '["1.50","0.1",true,null,"00000000-0000-0000-0000-000000000001","2024-03-02","é"]'
    )
