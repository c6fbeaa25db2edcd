"""The records of a procedure that queries can be about, and what is usual in them."""

from __future__ import annotations

from django.urls import reverse

from procedures.forms.sessions import NewSessionForm, SessionDetailsForm
from procedures.forms.sites import MeasurementForm
from procedures.limits import LEAD_QUANTITIES
from procedures.models import LeadMeasurement, Session
from registry.subjects import Subject, register

register(
    Subject(
        "procedures.session",
        "Session",
        Session,
        "patient",
        lambda one: reverse("procedures:session", args=[one.pk]),
        (NewSessionForm, SessionDetailsForm),
        # What would be read twice after an implant; it refuses nothing. Project choice, no source.
        usual={
            "contrast_ml": (0.0, 300.0),
            "fluoroscopy_min": (0.5, 120.0),
            "dose_area_product_gy_cm2": (0.1, 300.0),
        },
        may_be_empty=frozenset({"status", "signed_at"}),
    )
)
register(
    Subject(
        "procedures.leadmeasurement",
        "Lead measurement",
        LeadMeasurement,
        "site__session__patient",
        lambda one: reverse("procedures:measurement", args=[one.site.session_id, one.site_id, one.pk]),
        (MeasurementForm,),
        usual={name: (one.usual_low, one.usual_high) for name, one in LEAD_QUANTITIES.items()},
        # Whether the nerve was stimulated is one of the two; output is programmed at one site only.
        may_be_empty=frozenset({"phrenic_threshold_v", "phrenic_none_up_to_v", "output_v", "output_width_ms"}),
    )
)
