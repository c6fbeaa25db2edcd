"""A patient with a row in every table that tells of patients, and marks in every field that can hold one."""

import io
import json
from contextlib import suppress
from pathlib import Path

from django.conf import settings
from django.db import IntegrityError, connection, models, transaction

from procedures.models import (
    AcuteResponse,
    AnalysisRun,
    BeatOverride,
    BedsideEntry,
    Calibration,
    EcgBeat,
    EcgMeasurement,
    EpochBeats,
    ResponseSummary,
)
from procedures.services.decisions import record_decision
from procedures.services.difficulties import note_difficulty
from procedures.services.ecgs import put_reading
from procedures.services.epochs import put_pacing
from procedures.services.parts import implant_part
from procedures.services.recordings import store_recording
from procedures.services.scanning import put_scanned_part
from procedures.services.sessions import describe_session, log, sign_session
from procedures.services.thresholds import put_threshold_test
from procedures.services.uploads import append, begin_upload
from registry.models import Change, new_key
from registry.selectors.erasing import models_of_patients, rows_of
from registry.services.merging import keep_apart, merge_patients
from registry.services.queries import raise_query
from registry.trail.content import contents, keys_for
from tests import factories as make
from tests.signals import Uploaded, pressure_volume_csv

# What a field may hold differs; one of these fits almost everywhere, and no other value looks like them.
NUMBERS = (31.7731, 3.17731, 317.731, 0.317731, 131.7731, 61.7731)


def everything_of(patient, *, lead, mark, apart_from, number):
    """Write something of every kind for a patient; names, texts and many numbers hold the mark or the number."""
    by, start = lead, make.START
    make.make_assessment(patient, by=by, lvef_percent=number)
    make.make_consent(patient, by=by, document_version=mark)
    make.make_device(patient, by=by, manufacturer=mark, model_name=mark, serial_number=mark)
    make.make_device_check(patient, by=by, changes=mark)
    make.make_adverse_event(patient, by=by, description=mark)
    session = make.make_session(patient, by=by, notes=mark)
    tributary = make.make_tributary(session, by=by, notes=mark)
    site = make.make_site(tributary, label=mark, notes=mark, by=by)
    make.make_measurement(site, by=by, qrs_notes=mark, impedance_ohm=number * 10)
    put_threshold_test(
        by=by, site=site, pulse_width_ms=0.5,
        steps=[{"amplitude_v": 2.0, "captured": True}, {"amplitude_v": 1.5, "captured": False}],
    )  # fmt: skip
    note_difficulty(by=by, session=session, reason="other", text=mark, site=site)
    put_scanned_part(by=by, session=session, part="other", scanned_text=mark)
    implant_part(by=by, session=session, kind="generator", model_name=mark, serial_number=mark)
    log(by=by, session=session, kind="note", text=mark)
    pacing = put_pacing(by=by, session=session, chambers="biv", rate_per_min=number * 2)
    epoch = make.make_epoch(site=site, by=by, excluded_reason=mark, pacing=pacing)
    make.enter(epoch, by=by)
    put_reading(by=by, session=session, site=site, kind="qlv", duration_ms=120.5, notes=mark, read_at=start)
    record_decision(by=by, session=session, site=site, reason=mark)
    content = pressure_volume_csv(6, change_at_s=3.0, factor=1 + len(patient.code + mark) / 100)
    store_recording(
        by=by, session=session, upload=Uploaded(content),
        original_name="a.csv", started_at=start,
    )  # fmt: skip
    upload = begin_upload(by=by, session=session, original_name="b.csv", size_bytes=1000)
    append(upload, offset=0, source=io.BytesIO(f"time_s,P_LV [mmHg]\n{mark}".encode()))
    raise_query(by=by, record_type="registry.assessment", record=patient.assessments.get(), field="", text=mark)
    keep_apart(by=by, first=patient, second=apart_from, reason=mark)
    second = make.make_patient(patient.centre, by=by, family_name=mark)
    merge_patients(by=by, kept=patient, merged=second, reason=mark)
    make.end_session(session, by=by)
    session.refresh_from_db()
    sign_session(by=by, session=session)
    describe_session(by=by, session=session, version=None, reason=mark, notes=f"{mark} again")
    return session


def derived_of(session, *, by, mark, number):
    """Write what services work out or note by themselves, in place of what they did."""
    site, recording = session.sites.get(), session.recordings.get()
    epoch = session.epochs.get()
    run = AnalysisRun.objects.create(recording=recording, failure=mark, quality=[mark])
    BeatOverride.objects.create(recording=recording, time_s=1.5, counts=False, reason=mark, judged_by=by)
    Calibration.objects.create(recording=recording, valid_from_s=0.0)
    ecg = EcgMeasurement.objects.create(
        recording=recording, site=site, start_s=0, end_s=1, measured_at=make.START, algorithm_version="1",
        qrs_duration_ms=150, qrs_duration_sd_ms=number, beats=1, result={"note": mark}, excluded_reason=mark,
    )  # fmt: skip
    EcgBeat.objects.create(ecg=ecg, samples={"note": mark})
    EpochBeats.objects.create(epoch=epoch, run=run, columns={"note": mark}, loop={"note": mark})
    AcuteResponse.objects.create(
        session=session, site=site, metric=mark, rank=1, change_percent=number, low_percent=1, high_percent=90,
        epochs=1, beats=1, flags=[mark],
    )  # fmt: skip
    ResponseSummary.objects.filter(session=session).delete()
    ResponseSummary.objects.create(
        session=session, metric=mark, advice=[mark], drawing={"note": mark}, refusal=mark, algorithm_version="1",
        computed_at=make.START,
    )  # fmt: skip
    BedsideEntry.objects.create(
        centre=session.centre, session=session, device=new_key(), client_uuid=new_key(), sequence=1, kind="log",
        record_key=mark, payload_sha256="0" * 64, captured_by=by, sent_by=by, captured_at=make.START,
        received_at=make.START, clock_skew_s=0, answer={"text": mark},
    )  # fmt: skip


def mark_everything(patients, mark):
    """Put the mark into every text and number that takes it; returns the fields that no row took it in."""
    missed = set()
    for model in models_of_patients():
        for field in model._meta.concrete_fields:
            if not _holds_words_or_numbers(field):
                continue
            taken = False
            for key in rows_of(model, patients).values_list("pk", flat=True):
                for value in _marks(field, mark):
                    with suppress(IntegrityError), transaction.atomic():
                        model._base_manager.filter(pk=key).update(**{field.name: value})
                        taken = True
                        break
            if not taken:
                missed.add(f"{model._meta.model_name}.{field.name}")
    return missed


def _holds_words_or_numbers(field):
    if field.is_relation or field.primary_key or field.choices or isinstance(field, models.FileField):
        return False
    if field.name in {"sha256", "place", "payload_sha256", "local_identifier_digest", "state", "code"}:
        return False  # made of hashes, or the names of files that must be found; the code is searched for by itself
    return isinstance(field, models.CharField | models.TextField | models.JSONField | models.FloatField)


def _marks(field, mark):
    if isinstance(field, models.FloatField):
        return NUMBERS
    if isinstance(field, models.JSONField):
        return ({"mark": mark},)
    return (mark[: field.max_length] if field.max_length else mark,)


def all_words():
    """Yield every cell of every table as it is stored, and again as the service reads it: decrypted, links opened."""
    with connection.cursor() as cursor:
        for table in connection.introspection.table_names():
            cursor.execute(f"SELECT * FROM {connection.ops.quote_name(table)}")  # noqa: S608 - table names of our own
            for row in cursor.fetchall():
                for cell in row:
                    yield table, str(cell)
    from django.apps import apps

    for model in apps.get_models():
        if hasattr(model, "handling"):
            for row in model._base_manager.values():
                yield model._meta.db_table, json.dumps(row, default=str)
    links = list(Change.objects.all())
    keys = keys_for(links)
    for change in links:
        with suppress(ValueError):
            yield "the trail, opened", json.dumps(contents(change, keys))


def found_in(words, *needles):
    """Return where one of the words stands, by table."""
    return {table for table, text in words if any(needle.lower() in text.lower() for needle in needles)}


def all_files():
    """Return every file below the store of recordings with its content."""
    root = Path(settings.MEDIA_ROOT)
    return {path.relative_to(root).as_posix(): path.read_bytes() for path in root.rglob("*") if path.is_file()}


def rows_in_words(patients):
    """Return every row of these patients, to compare before and after."""
    return {
        (model._meta.label_lower, str(row["pk"])): json.dumps(row, default=str, sort_keys=True)
        for model in models_of_patients()
        for row in rows_of(model, patients).annotate(pk_=models.F("pk")).values("pk", *_names(model))
    }


def _names(model):
    return [field.attname for field in model._meta.concrete_fields if not field.primary_key]
