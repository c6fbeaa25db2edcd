"""Threshold tests, difficulties, scanned parts, corrected times and undo."""

import datetime as dt

import pytest

from procedures.models import LogEntry, Site, ThresholdTest, Tributary
from procedures.services.difficulties import note_difficulty
from procedures.services.guard import SessionSigned
from procedures.services.scanning import put_scanned_part
from procedures.services.sessions import log, sign_session
from procedures.services.thresholds import put_threshold_test
from procedures.services.undo import undo
from registry.errors import AccessDenied, Conflict, RuleBroken
from registry.models import Change, Role, new_key
from registry.trail.verify import faults
from tests import factories as make
from tests.revealing import clear_text

pytestmark = pytest.mark.django_db
AT = make.START + dt.timedelta(minutes=20)


def run(*steps, lost=True):
    return [{"amplitude_v": v, "captured": not (lost and v == steps[-1])} for v in steps]


@pytest.fixture
def site():
    return make.make_site(label="PL mid")


@pytest.fixture
def by(site):
    return make.writer_of(site.session.centre)


def test_threshold_is_the_lowest_amplitude_before_the_loss(site, by):
    test = put_threshold_test(by=by, site=site, pulse_width_ms=0.5, steps=run(3, 2, 1.5, 1.25))
    assert (test.capture_threshold_v, test.lost_at_v) == (1.5, 1.25)
    assert test.result == "threshold 1.5 V at 0.5 ms, capture lost at 1.25 V"


def test_run_without_loss_has_no_threshold(site, by):
    test = put_threshold_test(by=by, site=site, pulse_width_ms=0.5, steps=run(1, 0.5, 0.25, lost=False))
    assert (test.capture_threshold_v, test.lost_at_v) == (None, None)
    assert test.result == "captured down to 0.25 V at 0.5 ms, no loss"


def test_loss_at_once_has_no_threshold(site, by):
    test = put_threshold_test(by=by, site=site, pulse_width_ms=1.0, steps=run(5))
    assert (test.capture_threshold_v, test.lost_at_v) == (None, 5)
    assert test.result == "no capture at 5 V at 1 ms"


@pytest.mark.parametrize(
    ("steps", "said"),
    [
        ([], "1 to 60 steps"),
        (run(2, 2, 1), "lower amplitude than the one before"),
        (run(1, 2), "lower amplitude than the one before"),
        (run(20, 1), "amplitudes from 0.05 to 12 V"),
        ([{"amplitude_v": float("nan"), "captured": True}], "amplitudes from 0.05 to 12 V"),
        ([{"amplitude_v": 2, "captured": False}, {"amplitude_v": 1, "captured": True}], "ends with loss"),
        (run(*[12 - n / 10 for n in range(61)]), "1 to 60 steps"),
    ],
)
def test_run_that_is_none_is_refused(site, by, steps, said):
    with pytest.raises(RuleBroken) as refusal:
        put_threshold_test(by=by, site=site, pulse_width_ms=0.5, steps=steps)
    assert said in refusal.value.fields["steps"][0]
    assert not ThresholdTest.objects.exists()


def test_no_threshold_where_the_lead_never_was(by, site):
    far = make.make_site(site.tributary, reached=False, not_reached_reason="tortuosity")
    with pytest.raises(RuleBroken, match="not reached"):
        put_threshold_test(by=by, site=far, pulse_width_ms=0.5, steps=run(2, 1))


def test_difficulty_is_about_a_vein_a_site_or_the_session(site, by):
    session = site.session
    for about in ({"tributary": site.tributary}, {"site": site}, {}):
        note_difficulty(by=by, session=session, reason="tortuosity", **about)
    assert session.difficulties.count() == 3


def test_other_difficulty_needs_words(site, by):
    with pytest.raises(RuleBroken) as refusal:
        note_difficulty(by=by, session=site.session, reason="other", text="  ")
    assert refusal.value.fields == {"text": ["Describe the difficulty."]}


def test_difficulty_with_a_vein_of_another_session_is_not_found(site, by):
    with pytest.raises(Tributary.DoesNotExist):
        note_difficulty(by=by, session=site.session, reason="stenosis", tributary=make.make_tributary())


def test_scanned_label_is_read_and_its_serial_number_is_not_in_the_trail(site, by):
    text = "]d20109501101530003172909301042ABC7\x1d21DEMO-4242"
    part = put_scanned_part(by=by, session=site.session, part="lv_lead", scanned_text=text)
    part.refresh_from_db()
    assert (part.device_identifier, part.lot, part.serial_number) == ("09501101530003", "42ABC7", "DEMO-4242")
    assert part.expires_on == dt.date(2029, 9, 30)
    assert "DEMO-4242" not in clear_text(Change.objects.get(record_id=part.pk))


def test_scanned_serial_number_is_kept_out_of_a_conflict(site, by):
    key = new_key()
    put_scanned_part(by=by, session=site.session, part="lv_lead", scanned_text="DEMO-1", key=key)
    with pytest.raises(Conflict) as conflict:
        put_scanned_part(by=by, session=site.session, part="lv_lead", scanned_text="DEMO-2", key=key)
    assert "DEMO" not in str(conflict.value.yours) + str(conflict.value.stored)


@pytest.mark.parametrize("text", ["", " ", "x" * 201, "0109501101530004"])
def test_misread_or_boundless_scan_is_refused(site, by, text):
    with pytest.raises(RuleBroken) as refusal:
        put_scanned_part(by=by, session=site.session, part="lv_lead", scanned_text=text)
    assert "scanned_text" in refusal.value.fields


def test_corrected_time_keeps_the_one_first_logged(site, by):
    key = new_key()
    entry = log(by=by, session=site.session, kind="venogram", occurred_at=AT, key=key)
    assert entry.first_logged_at is None
    for version, minutes in ((1, 3), (2, 5)):
        moved = AT - dt.timedelta(minutes=minutes)
        entry = log(by=by, session=site.session, kind="venogram", occurred_at=moved, key=key, version=version)
    assert (entry.occurred_at, entry.first_logged_at) == (moved, AT)
    again = log(by=by, session=site.session, kind="venogram", occurred_at=moved, key=key, version=2)
    assert again.version == 3, "the same correction again is a replay"


def test_words_added_to_an_entry_are_no_correction_of_its_time(site, by):
    key = new_key()
    log(by=by, session=site.session, kind="contrast", occurred_at=AT, key=key)
    entry = log(by=by, session=site.session, kind="contrast", occurred_at=AT, key=key, version=1, text="20 mL")
    assert entry.first_logged_at is None


def test_undo_removes_within_a_minute_and_keeps_the_trail(site, by):
    entry = log(by=by, session=site.session, kind="venogram")
    key = entry.pk
    undo(by=by, record=entry)
    assert not LogEntry.objects.exists()
    assert [change.action for change in Change.objects.filter(record_id=key)] == ["created", "deleted"]
    assert not list(faults())


def test_undo_goes_by_the_clock_of_the_tablet_that_sends_late(site, by):
    entry = log(by=by, session=site.session, kind="venogram")
    with pytest.raises(RuleBroken, match="older than a minute"):
        undo(by=by, record=entry, entered_at=AT, undone_at=AT + dt.timedelta(seconds=90))
    undo(by=by, record=entry, entered_at=AT, undone_at=AT + dt.timedelta(seconds=50))
    assert not LogEntry.objects.exists()


def test_site_with_something_measured_at_it_is_not_undone(site, by):
    make.make_measurement(site)
    with pytest.raises(RuleBroken, match="there is already a lead measurement about it"):
        undo(by=by, record=site)
    assert Site.objects.filter(pk=site.pk).exists()


def test_nothing_is_undone_in_a_signed_session(site, by):
    entry = log(by=by, session=site.session, kind="venogram")
    make.end_session(site.session)
    sign_session(by=by, session=site.session)
    with pytest.raises(SessionSigned):
        undo(by=by, record=entry)
    assert LogEntry.objects.exists()


def test_researcher_writes_none_of_it(site):
    researcher = make.make_user(Role.RESEARCHER, site.session.centre)
    entry = log(by=make.writer_of(site.session.centre), session=site.session, kind="venogram")
    for act in (
        lambda: put_threshold_test(by=researcher, site=site, pulse_width_ms=0.5, steps=run(2, 1)),
        lambda: note_difficulty(by=researcher, session=site.session, reason="stenosis"),
        lambda: put_scanned_part(by=researcher, session=site.session, part="lv_lead", scanned_text="DEMO-1"),
        lambda: undo(by=researcher, record=entry),
    ):
        with pytest.raises(AccessDenied):
            act()
