"""The records of a procedure that queries can be about, and what is usual in them."""

from __future__ import annotations

from django.urls import reverse

from procedures.forms.sessions import NewSessionForm, SessionDetailsForm
from procedures.models import Session
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
    )
)
