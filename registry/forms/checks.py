"""The form of a device check."""

from __future__ import annotations

from django import forms

from registry.clinical.quantities import CHECK
from registry.forms.base import MeasuredForm
from registry.forms.fields import CountField, DayField, NumberField

_THRESHOLDS = ("pulse_width_ms", "ra_threshold_v", "rv_threshold_v", "lv_threshold_v")
_LEADS = ("ra_sensing_mv", "rv_sensing_mv", "ra_impedance_ohm", "rv_impedance_ohm", "lv_impedance_ohm")
_NUMBERS = {one.field: NumberField(one.label, one.unit, required=False) for one in CHECK}


class DeviceCheckForm(MeasuredForm):
    """What the implanted system told on one day; what is left empty is stored as not read."""

    checked_on = DayField("Date of check")
    biventricular_pacing_percent = _NUMBERS["biventricular_pacing_percent"]
    battery_months = CountField("Battery remaining", "months", required=False)
    pulse_width_ms = NumberField("Pulse width of the thresholds", "ms", required=False)
    ra_threshold_v = _NUMBERS["ra_threshold_v"]
    rv_threshold_v = _NUMBERS["rv_threshold_v"]
    lv_threshold_v = _NUMBERS["lv_threshold_v"]
    ra_sensing_mv = _NUMBERS["ra_sensing_mv"]
    rv_sensing_mv = _NUMBERS["rv_sensing_mv"]
    ra_impedance_ohm = _NUMBERS["ra_impedance_ohm"]
    rv_impedance_ohm = _NUMBERS["rv_impedance_ohm"]
    lv_impedance_ohm = _NUMBERS["lv_impedance_ohm"]
    atrial_arrhythmia_percent = _NUMBERS["atrial_arrhythmia_percent"]
    ventricular_episodes = CountField("Ventricular episodes since the previous check", required=False)
    shocks = CountField("Shocks since the previous check", required=False)
    changes = forms.CharField(
        label="Programming changes",
        required=False,
        max_length=2000,
        widget=forms.Textarea(attrs={"rows": 3}),
    )

    groups = (
        ("Day", ("checked_on", "biventricular_pacing_percent", "battery_months")),
        ("Capture thresholds", _THRESHOLDS),
        ("Sensing and impedance", _LEADS),
        ("Arrhythmia", ("atrial_arrhythmia_percent", "ventricular_episodes", "shocks")),
        ("Programming", ("changes",)),
    )
