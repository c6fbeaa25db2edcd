"""Published steps for left ventricular capture, rules for the lead's position, and limits of acceptance, case by case.

Capture: Ammann et al., Ann Intern Med 2005;142:968: R/S in V1 of 1 or more, else R/S in I of 1 or less. With the q in I
asked first: Cao et al., J Cardiovasc Electrophysiol 2015 (the place of that step is from memory). Position: QS in V1,
polarity of V1, V2 and V6 with both ventricles paced, Pacing Clin Electrophysiol 2009, PMID 19250094 (abstract); the
negative beginning in I of lateral sites is common practice, no source. Acceptance: threshold up to 2.5 V at 0.5 ms and
phrenic over capture threshold of 2 or more, Klein et al., Europace 2012;14:826 (authors from memory; abstract).
"""

import pytest

from procedures.electrocardiogram import LeadQrs, capture_by_ratio, capture_with_q, position_findings
from procedures.limits import phrenic_ok, threshold_ok


def qrs(waves, r=0.0, s=0.0, q=0.0):
    return LeadQrs(waves, q_mv=q, r_mv=r, s_mv=s)


@pytest.mark.parametrize(
    ("v1", "lead_i", "by_ratio", "with_q"),
    [
        (qrs("+-", 1.0, 1.0), qrs("+", 1.0), "captured", "captured"),  # R/S in V1 of exactly 1
        (qrs("+-", 0.2, 1.0), qrs("+-", 1.0, 0.2), "lost", "lost"),
        (qrs("+-", 0.2, 1.0), qrs("+-", 0.5, 0.5), "captured", "captured"),  # R/S in I of exactly 1
        (qrs("-", 0.0, 1.0), qrs("-", 0.0, 1.0), "captured", "captured"),
        # a qR in I has no S: its ratio is infinite, and only the added step sees the q
        (qrs("-", 0.0, 1.0), qrs("-+", 1.0, 0.0, q=0.3), "lost", "captured"),
        (qrs("+", 1.0), None, "captured", None),
        (None, qrs("+-", 1.0, 0.2), None, None),
        (LeadQrs(""), qrs("+-", 1.0, 0.2), None, None),
        (qrs("-", 0.0, 1.0), None, None, None),
    ],
)
def test_steps_of_capture(v1, lead_i, by_ratio, with_q):
    assert capture_by_ratio(v1, lead_i).verdict == by_ratio
    assert capture_with_q(v1, lead_i).verdict == with_q


QS, R, RS, QR = (
    LeadQrs("-", s_mv=1.0),
    LeadQrs("+", r_mv=1.0),
    LeadQrs("+-", r_mv=0.2, s_mv=1.0),
    LeadQrs("-+", q_mv=0.6, r_mv=1.0),
)
AGREEING = {
    "anterior": {"V1": QS},
    "anterolateral": {"I": QS},
    "lateral": {"I": QR, "V1": R, "V2": RS},
    "posterolateral": {"I": QS, "V1": R},
    "posterior": {"V1": R, "V2": R},
    "inferior": {"V6": QS},
}
OPPOSITE = {
    "anterior": {"V1": R, "V6": QS},
    "anterolateral": {"I": R},
    "lateral": {"I": R, "V1": QS, "V2": R},
    "posterolateral": {"I": R, "V1": QS},
    "posterior": {"V1": QS, "V2": QS},
    "inferior": {"V6": R},
}


@pytest.mark.parametrize("wall", AGREEING)
def test_expected_patterns_agree_and_opposite_ones_contradict(wall):
    assert {f.agrees for f in position_findings(wall, AGREEING[wall])} == {True}
    found = position_findings(wall, OPPOSITE[wall])
    assert {f.agrees for f in found} == {False}


@pytest.mark.parametrize(
    ("leads", "agrees"),
    [
        ({"V1": QS}, True),
        ({"V1": R, "V6": R}, True),
        ({"V1": R, "V6": QS}, False),
        ({"V1": R}, None),
        ({"V1": RS, "V6": QS}, None),  # a QS is specific to anterior leads; its absence says nothing
    ],
)
def test_an_anterior_wall_is_doubted_only_where_v1_and_v6_speak_against_it(leads, agrees):
    assert [finding.agrees for finding in position_findings("anterior", leads)] == [agrees]


@pytest.mark.parametrize(
    ("threshold_v", "width_ms", "accepted"),
    [
        (2.5, 0.5, True),
        (2.6, 0.5, False),
        # Above the limit at a wider pulse it is above it at 0.5 ms too: Geddes, IEEE Trans Biomed Eng 2004;51:176.
        (2.6, 1.0, False),
        (2.4, 1.0, None),
        (2.6, 0.4, None),
        (2.0, None, None),
        (None, 0.5, None),
    ],
)
def test_acceptance_of_a_threshold(threshold_v, width_ms, accepted):
    assert threshold_ok(threshold_v, width_ms) is accepted


@pytest.mark.parametrize(
    ("ratio", "at_least", "accepted"),
    [(2.0, False, True), (1.9, False, False), (2.0, True, True), (1.9, True, None), (None, False, None)],
)
def test_acceptance_of_the_phrenic_margin(ratio, at_least, accepted):
    assert phrenic_ok(ratio, at_least) is accepted
