"""Wherever the trail is tampered with, it is found and the place named; with exported heads, a new end as well."""

import datetime as dt
import json
import random
import re

import pytest
from django.core.management import CommandError, call_command
from django.db import Error, connection, transaction

from registry.models import Change, TrailHead
from registry.services.course import put_assessment
from registry.trail import record as trail
from registry.trail.canonical import link
from registry.trail.chain import START
from registry.trail.heads import exported_heads, public_key, read_heads
from registry.trail.verify import chain_faults, faults
from tests import factories as make
from tests.registry.trail.tampering import COLUMNS, ROWS, copy_of, tamper, without_triggers

pytestmark = pytest.mark.django_db
PLACES = 50


@pytest.fixture
def links():
    """Return a chain of some length, with a second centre beside it."""
    make.make_assessment(make.make_patient())
    patient = make.make_patient()
    by = make.writer_of(patient.centre)
    for number in range(20):
        put_assessment(by=by, patient=patient, kind="before", assessed_on=make.DAY, lvef_percent=20.0 + number)
    for one in patient.assessments.all()[:8]:
        put_assessment(
            by=by, patient=patient, key=one.pk, version=1, kind="before", assessed_on=make.DAY, lvef_percent=60.5
        )
    return list(Change.objects.filter(centre_id=patient.centre_id).order_by("sequence"))


def rolled_back(act):
    """Do something and undo it."""
    with transaction.atomic():
        answer = act()
        transaction.set_rollback(True)
    return answer


def test_tampering_at_fifty_random_places_is_found_each_time(links):
    draw = random.Random(20240302)  # noqa: S311 - the same places in every run
    without_triggers()
    # Every column and every way once, the rest drawn.
    ways = (COLUMNS + ROWS + draw.choices(COLUMNS + ROWS, k=PLACES))[:PLACES]
    assert list(faults()) == []

    for what in ways:
        place = draw.choice(links[:-1])

        def find(place=place, what=what):
            tamper(place, what, draw)
            return list(faults())

        found = rolled_back(find)
        number = len(links) + 1 if what == "copied" else place.sequence
        assert found, f"{what} of link {place.sequence}"
        assert re.search(rf"\b{number}\b", found[0]), (what, place.sequence, found[0])
    assert list(faults()) == []


def test_a_column_that_holds_no_value_of_its_kind_is_named(links):
    without_triggers()
    if connection.vendor != "sqlite":
        pytest.skip("PostgreSQL refuses such a value itself")
    with connection.cursor() as cursor:
        cursor.execute("UPDATE registry_change SET record_id = 'nothing' WHERE id = %s", [links[4].pk.hex])

    assert "link 5: has been altered, its columns cannot be read." in next(faults())


def test_the_database_refuses_to_replace_a_link(links):
    if connection.vendor != "sqlite":
        pytest.skip("only SQLite replaces rows without asking the triggers on deletion")
    head = TrailHead.objects.get(centre_id=links[0].centre_id)
    forged = copy_of(links[4], reason="forged", sequence=head.sequence + 1, previous_digest=head.digest)
    forged.digest = link(head.digest, trail.parts_of(forged))
    row = [field.get_db_prep_save(getattr(forged, field.attname), connection) for field in Change._meta.concrete_fields]
    names = ", ".join(f'"{name}"' for name in COLUMNS)

    places = ", ".join(["%s"] * len(row))
    with pytest.raises(Error, match="must follow the last link"), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(f"INSERT OR REPLACE INTO registry_change ({names}) VALUES ({places})", row)  # noqa: S608 - ours
    assert list(Change.objects.filter(centre_id=head.centre_id).order_by("sequence")) == links


@pytest.mark.parametrize(
    "values", [{"sequence": 7}, {"previous_digest": START}, {"sequence": 900}], ids=["taken", "loose", "far away"]
)
def test_the_database_refuses_a_link_that_does_not_follow(links, values):
    head = TrailHead.objects.get(centre_id=links[0].centre_id)
    following = {"id": make.Patient().pk, "sequence": head.sequence + 1, "previous_digest": head.digest}

    with pytest.raises(Error), transaction.atomic():
        Change.objects.bulk_create([copy_of(links[3], **following | values)])


def test_links_written_together_move_the_head_to_the_last(links):
    head = TrailHead.objects.get(centre_id=links[0].centre_id)
    batch, digest = [], head.digest
    member = next(one for one in links if one.record_type == "registry.member")  # one that no patient's key seals
    for number in range(1, 6):
        one = copy_of(member, id=make.Patient().pk, sequence=head.sequence + number, previous_digest=digest)
        one.digest = digest = link(digest, trail.parts_of(one))
        batch.append(one)
    Change.objects.bulk_create(batch)

    head.refresh_from_db()
    assert (head.sequence, head.digest) == (len(links) + 5, digest)
    head.save()  # the same again is no rewriting
    assert list(faults()) == []


def test_the_database_refuses_to_move_the_head_by_hand(links):
    heads = TrailHead.objects.filter(centre_id=links[0].centre_id)
    for act in (
        lambda: heads.update(sequence=3, digest=links[2].digest),
        lambda: heads.update(digest=START),
        lambda: heads.update(sequence=len(links) + 1),
        heads.delete,
    ):
        with pytest.raises(Error, match="head of the change trail"), transaction.atomic():
            act()
    assert heads.get().digest == links[-1].digest


def rewrite_from(links, start):
    """Recompute a chain, as a forger would, head and all."""
    digest = links[start - 1].previous_digest
    for one in links[start - 1 :]:
        one.values = one.values.replace("0", "1")
        one.previous_digest = digest
        one.digest = digest = link(digest, trail.parts_of(one))
        Change.objects.filter(pk=one.pk).update(values=one.values, previous_digest=one.previous_digest, digest=digest)
    TrailHead.objects.filter(centre_id=links[0].centre_id).update(digest=digest)


def cut_off(links, start):
    """Take the end away, head and all."""
    Change.objects.filter(centre_id=links[0].centre_id, sequence__gte=start).delete()
    TrailHead.objects.filter(centre_id=links[0].centre_id).update(sequence=start - 1, digest=links[start - 2].digest)


def drop_all(links, _):
    Change.objects.filter(centre_id=links[0].centre_id).delete()
    TrailHead.objects.filter(centre_id=links[0].centre_id).delete()


@pytest.mark.parametrize(
    ("forge", "said"),
    [
        (rewrite_from, "is not the link that was exported on"),
        (cut_off, "is no longer there; the trail ends at link 9"),
        (drop_all, "is no longer there; the trail ends at link 0"),
    ],
    ids=["rewritten", "cut off", "all gone"],
)
def test_what_holds_by_itself_is_found_against_the_exported_heads(links, tmp_path, forge, said):
    path = tmp_path / "heads.json"
    call_command("export_trail_heads", str(path))
    without_triggers()
    forge(links, 10)

    assert list(chain_faults()) == []  # a chain alone cannot tell
    with pytest.raises(CommandError, match=said) as failed:
        call_command("verify_trail", against=[path])
    assert failed.value.returncode == 1


def test_the_trail_may_have_grown_since_the_heads_were_exported(links, tmp_path, capsys):
    path = tmp_path / "heads.json"
    call_command("export_trail_heads", str(path))
    make.make_assessment(make.Patient.objects.get(centre_id=links[0].centre_id))

    call_command("verify_trail", against=[path])

    out = capsys.readouterr().out
    assert f"{Change.objects.count()} links, all in order, and 2 exported heads are among them." in out


def test_a_file_of_heads_that_was_altered_is_refused(links):
    content = json.loads(exported_heads())
    content["heads"][0]["links"] = "1"

    with pytest.raises(Exception, match="signature of the file is not valid"):
        read_heads(json.dumps(content))


def test_heads_signed_elsewhere_need_the_public_key(links, settings):
    text, key = exported_heads(), public_key()
    settings.EXPORT_KEY = "another service's key of more than 32 letters"

    with pytest.raises(Exception, match="signature of the file is not valid"):
        read_heads(text)
    assert {head.sequence for head in read_heads(text, signed_by=key)} >= {len(links)}


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"signature": 3}', '{"signature": "zz"}', "\x00", "[" * 100_000])
def test_another_file_is_refused_in_a_sentence(db, tmp_path, text):
    path = tmp_path / "heads.json"
    path.write_text(text, encoding="utf-8")

    with pytest.raises(CommandError, match=r"heads\.json: This is not a file of trail heads\.") as failed:
        call_command("verify_trail", against=[path])
    assert failed.value.returncode == 2


def test_a_file_of_heads_is_never_overwritten(db, tmp_path):
    path = tmp_path / "heads.json"
    path.write_text("kept", encoding="utf-8")

    with pytest.raises(CommandError, match="already exists"):
        call_command("export_trail_heads", str(path))
    with pytest.raises(CommandError, match="cannot be written"):
        call_command("export_trail_heads", str(tmp_path / "missing" / "heads.json"))
    with pytest.raises(CommandError, match="cannot be read"):
        call_command("verify_trail", against=[tmp_path / "none.json"])
    assert path.read_text(encoding="utf-8") == "kept"


def test_the_first_broken_link_is_named_at_the_end(links):
    without_triggers()
    Change.objects.filter(centre_id=links[0].centre_id, sequence__in=[6, 12]).update(at=dt.datetime.now(dt.UTC))

    with pytest.raises(
        CommandError, match=r"2 fault\(s\) in the change trail; the first: centre .*, link 6: has been altered"
    ):
        call_command("verify_trail")
