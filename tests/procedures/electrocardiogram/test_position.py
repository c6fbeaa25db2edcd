import pytest

from procedures.electrocardiogram import ElectrocardiogramError, LeadQrs, position_findings

R = LeadQrs("+", r_mv=1.0)


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
