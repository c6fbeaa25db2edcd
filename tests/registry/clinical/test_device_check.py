"""What stands out in a device check."""

import pytest

from registry.clinical.device_check import lead_remarks, pacing_remark
from registry.clinical.event_definitions import DEFINITIONS
from registry.clinical.quantities import unusual


@pytest.mark.parametrize(
    ("percent", "words"),
    [
        (None, None),
        (99, None),
        (98, None),
        (97.9, "below the usual aim"),
        (92.1, "usual aim"),
        (92, "at or below 92 %"),
    ],
)
def test_pacing(percent, words):
    told = pacing_remark(percent)
    assert told is None if words is None else words in told


def test_lead_changes_that_stand_out():
    before = {"pulse_width_ms": 0.4, "lv_threshold_v": 1.0, "rv_impedance_ohm": 600.0, "ra_threshold_v": 0.5}
    now = {"pulse_width_ms": 0.4, "lv_threshold_v": 2.0, "rv_impedance_ohm": 350.0, "ra_threshold_v": 0.9}

    assert lead_remarks(before, now) == [
        "Impedance of the right ventricle: 600 to 350 Ohm.",
        "Threshold of the left ventricle: 1 to 2 V.",
    ]


@pytest.mark.parametrize(("first", "second"), [(0.4, 1.0), (None, None), (0.4, None)])
def test_thresholds_at_different_or_unknown_pulse_widths_are_not_compared(first, second):
    before, now = {"pulse_width_ms": first, "lv_threshold_v": 1.0}, {"pulse_width_ms": second, "lv_threshold_v": 3.0}

    assert lead_remarks(before, now) == []


def test_unusual_values_are_told_and_impossible_ones_left_to_the_constraints():
    told = unusual(
        {"weight_kg": 190.0, "height_cm": 170.0, "lvef_percent": 95.0, "rhythm": "sinus", "bnp_pg_per_ml": None}
    )

    assert told == {"weight_kg": ["Weight 190 kg is unusual: 40 to 180 kg is usual. Confirm it if it is correct."]}


def test_every_definition_names_its_source():
    assert all(one.text and one.source for one in DEFINITIONS.values())
