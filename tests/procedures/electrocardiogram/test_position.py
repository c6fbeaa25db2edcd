import pytest

from procedures.electrocardiogram import ElectrocardiogramError, LeadQrs, position_findings

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


def test_finding_names_what_is_expected_and_what_was_found():
    (finding,) = position_findings("anterolateral", {"I": R})
    assert (finding.expected, finding.found) == ("an initial negative deflection in I", "R in I")


def test_missing_or_flat_leads_contradict_nothing():
    flat = {"I": LeadQrs(""), "V1": LeadQrs("")}
    assert {f.agrees for f in position_findings("lateral", flat)} == {None}
    assert {f.agrees for f in position_findings("lateral", {})} == {None}


def test_unknown_wall_is_refused():
    with pytest.raises(ElectrocardiogramError, match="septal"):
        position_findings("septal", {})
