"""A check of the implanted system: pacing share, thresholds, battery, arrhythmia."""

from __future__ import annotations

from django.db import models

from registry.clinical import quantities
from registry.days import in_words
from registry.models.base import Record
from registry.models.constraints import within
from registry.models.declared import FREE_TEXT, UPKEEP, as_is, declare, pseudonym, shifted, withheld
from registry.models.patient import Patient


def _number(words: str) -> models.FloatField[float | None, float | None]:
    return models.FloatField(words, null=True, blank=True)


class DeviceCheck(Record):
    """What the implanted system told on one day. Anything not read stays empty, never zero."""

    patient = models.ForeignKey(Patient, models.CASCADE, related_name="device_checks")
    checked_on = models.DateField()
    biventricular_pacing_percent = _number("Biventricular pacing")
    # One width for all three leads, as thresholds are usually taken; a lead taken at another is told in the words.
    pulse_width_ms = _number("Pulse width of the thresholds")
    ra_threshold_v = _number("Threshold, right atrium")
    rv_threshold_v = _number("Threshold, right ventricle")
    lv_threshold_v = _number("Threshold, left ventricle")
    ra_impedance_ohm = _number("Impedance, right atrium")
    rv_impedance_ohm = _number("Impedance, right ventricle")
    lv_impedance_ohm = _number("Impedance, left ventricle")
    ra_sensing_mv = _number("Sensed P wave")
    rv_sensing_mv = _number("Sensed R wave")
    battery_months = models.PositiveSmallIntegerField("Battery, months remaining", null=True, blank=True)
    atrial_arrhythmia_percent = _number("Time in atrial arrhythmia")
    ventricular_episodes = models.PositiveSmallIntegerField(
        "Ventricular episodes since the previous check", null=True, blank=True
    )
    shocks = models.PositiveSmallIntegerField("Shocks since the previous check", null=True, blank=True)
    changes = models.TextField("Programming changes", blank=True)
    # Names of the fields whose value lay outside the usual range and was confirmed.
    confirmed_unusual = models.JSONField(default=list, blank=True)

    handling = declare(
        pseudonym("patient"),
        as_is("biventricular_pacing_percent pulse_width_ms ra_threshold_v rv_threshold_v lv_threshold_v"),
        as_is("ra_impedance_ohm rv_impedance_ohm lv_impedance_ohm ra_sensing_mv rv_sensing_mv battery_months"),
        as_is("atrial_arrhythmia_percent ventricular_episodes shocks"),
        shifted("checked_on"),
        withheld("changes", FREE_TEXT),
        withheld("confirmed_unusual", UPKEEP),
    )

    class Meta:
        ordering = ("checked_on", "id")
        indexes = [models.Index(fields=("patient", "checked_on"))]
        constraints = [
            *(within("devicecheck", one.field, *one.hard) for one in quantities.CHECK),
            within("devicecheck", "pulse_width_ms", 0.02, 3),
            within("devicecheck", "ventricular_episodes", 0, 10000),
            within("devicecheck", "shocks", 0, 1000),
        ]

    def __str__(self) -> str:
        return f"Device check {in_words(self.checked_on)}"
