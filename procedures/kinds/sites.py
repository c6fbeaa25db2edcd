"""Tributaries, sites and what was measured at them, described."""

from __future__ import annotations

from typing import Any

from django.urls import reverse

from procedures.described import Bedside, SessionKind
from procedures.forms.sites import MeasurementForm, SiteForm
from procedures.kinds.serializers import ThresholdStepSerializer, ThresholdStepWriteSerializer
from procedures.kinds.sessions import BY_SESSION, OF_SESSION
from procedures.limits import LEAD_QUANTITIES
from procedures.models import LeadMeasurement, Site, ThresholdTest, Tributary
from procedures.services.sites import put_measurement, put_site, put_tributary
from procedures.services.thresholds import put_threshold_test
from registry.described.kind import Api

OF_SITE: dict[str, Any] = {"centre": "site__session__centre", "patient": "site__session__patient", "amends": True}
BY_SITE = {"session": "site__session", "site": "site"}

TRIBUTARY = SessionKind(
    Tributary,
    "Tributary",
    **OF_SESSION,
    fields=("session", "vein", "ordinal", "notes"),
    put=put_tributary,
    api=Api(
        "tributaries",
        words="Tributaries of the coronary sinus.",
        reads="A tributary of the coronary sinus that was looked at.",
        takes="A tributary; ``ordinal`` tells two of the same name apart.",
        filters=BY_SESSION,
    ),
    signed_as="tributaries",
    bedside=Bedside("tributary", "tributaries", once=("vein", "ordinal"), undo=True),
)

SITE = SessionKind(
    Site,
    "Site",
    **OF_SESSION,
    fields=(
        "session",
        "tributary",
        "label",
        "long_axis",
        "aha_segment",
        "cathode",
        "anode",
        "reached",
        "not_reached_reason",
        "stability",
        "notes",
    ),
    put=put_site,
    forms=(SiteForm,),
    api=Api(
        "sites",
        words="Tested lead positions.",
        reads="A lead position: tributary, segment, electrode configuration.",
        takes="A lead position. One that was not reached says why.",
        filters=BY_SESSION | {"tributary": "tributary"},
    ),
    signed_as="sites",
    bedside=Bedside("site", "sites", once=("label",), undo=True),
)

LEAD_MEASUREMENT = SessionKind(
    LeadMeasurement,
    "Lead measurement",
    **OF_SITE,
    fields=(
        "site",
        "measured_at",
        "cathode",
        "anode",
        "capture_threshold_v",
        "pulse_width_ms",
        "sensed_r_wave_mv",
        "impedance_ohm",
        "phrenic_threshold_v",
        "phrenic_none_up_to_v",
        "output_v",
        "output_width_ms",
        "qrs_duration_ms",
        "qrs_notes",
    ),
    put=put_measurement,
    forms=(MeasurementForm,),
    confirms=True,
    api=Api(
        "lead-measurements",
        words="Electrical measurements at a site.",
        reads="What was measured electrically at a site; null is 'not measured'.",
        takes=("What was measured at a site; leave out what was not. Unusual values are taken once ``confirmed``."),
        answered=("confirmed_unusual",),
        filters=BY_SITE,
    ),
    signed_as="measurements",
    bedside=Bedside("lead_measurement", "measurements", undo=True),
    address=lambda one: reverse("procedures:measurement", args=[one.site.session_id, one.site_id, one.pk]),
    usual={name: (one.usual_low, one.usual_high) for name, one in LEAD_QUANTITIES.items()},
    # Whether the nerve was stimulated is one of the two; output is programmed at one site only.
    may_be_empty=frozenset({"phrenic_threshold_v", "phrenic_none_up_to_v", "output_v", "output_width_ms"}),
)

THRESHOLD_TEST = SessionKind(
    ThresholdTest,
    "Threshold test",
    **OF_SITE,
    fields=("site", "tested_at", "pulse_width_ms", "steps"),
    put=put_threshold_test,
    api=Api(
        "threshold-tests",
        words="Step-down runs for the capture threshold.",
        reads=(
            "A step-down run; the threshold is the lowest amplitude that captured before the loss, null without one."
        ),
        takes="A step-down run: falling amplitudes, at most the last one without capture.",
        answered=("capture_threshold_v", "lost_at_v"),
        filters=BY_SITE,
        answered_as={"steps": ThresholdStepSerializer(many=True)},
        taken_as={"steps": ThresholdStepWriteSerializer(many=True, allow_empty=False)},
    ),
    signed_as="threshold_tests",
    bedside=Bedside("threshold_test", "threshold_tests", undo=True),
)

KINDS = (TRIBUTARY, SITE, LEAD_MEASUREMENT, THRESHOLD_TEST)
