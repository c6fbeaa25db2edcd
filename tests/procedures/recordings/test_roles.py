import pytest

from procedures.recordings import ChannelInfo, RecordingError, assign_roles, parse_mapping


def infos(*pairs):
    return [ChannelInfo(label, unit, 1000.0) for label, unit in pairs]


def roles_of(*pairs, mapping=None):
    return assign_roles(infos(*pairs), mapping).roles


def refusal(*pairs, mapping=None):
    with pytest.raises(RecordingError) as caught:
        assign_roles(infos(*pairs), mapping)
    return str(caught.value)


def test_labels_of_the_contract_are_their_own_roles():
    pairs = [
        ("P_LV", "mmHg"),
        *((f"V_{n}", "mL") for n in range(1, 8)),
        ("V_LV", "mL"),
        ("G_1", "mS"),
        ("G_7", "mS"),
        ("ECG_I", "mV"),
        ("ECG_aVR", "mV"),
        ("ECG_V6", "mV"),
        ("P_AO", "mmHg"),
        ("RESP", ""),
    ]
    assert roles_of(*pairs) == tuple(label for label, _ in pairs)


@pytest.mark.parametrize(
    ("label", "unit", "role"),
    [
        ("p_lv", "mmHg", "P_LV"),
        ("LVP", "mm[Hg]", "P_LV"),
        ("LV pressure", "mmHg", "P_LV"),
        ("LV volume", "ml", "V_LV"),
        ("Volume 3", "mL", "V_3"),
        ("ECG II", "mV", "ECG_II"),
        ("Lead I (Einthoven)", "mV", "ECG_I"),
        ("MDC_ECG_LEAD_V2", "mV", "ECG_V2"),
        ("aVF", "mV", "ECG_aVF"),
        ("ECG", "mV", "ECG"),
        ("Resp", "", "RESP"),
        ("AoP", "mmHg", "P_AO"),
        ("Marker", "V", None),
        ("Pressure", "mmHg", None),
        ("V_8", "mL", None),
    ],
)
def test_other_spellings_are_recognised_or_left_alone(label, unit, role):
    assert roles_of((label, unit)) == (role,)


def test_chest_lead_and_segment_of_one_name_are_told_apart_by_unit():
    assert roles_of(("V1", "mL"), ("V2", "mV"), ("V3", "")) == ("V_1", "ECG_V2", None)


def test_mapping_goes_before_labels():
    pairs = (("P_LV", "mmHg"), ("Pressure 2", "mmHg"))
    assert roles_of(*pairs, mapping={"P_LV": "Pressure 2"}) == (None, "P_LV")
    assert roles_of(*pairs, mapping={"p_lv": "pressure 2 [mmHg]"}) == (None, "P_LV")
    assert roles_of(*pairs, mapping={"P_AO": "P_LV"}) == ("P_AO", None)


def test_two_candidates_are_asked_about():
    message = refusal(("P_LV", "mmHg"), ("LVP", "mmHg"))
    assert "'P_LV' and 'LVP' could both be P_LV" in message
    assert "--map P_LV=LABEL" in message


@pytest.mark.parametrize(
    ("mapping", "words"),
    [
        ({"P_LV": "nothing"}, "no channel 'nothing'"),
        ({"P_LV": "a", "P_AO": "a"}, "mapped to both"),
        ({"P_LV": "twin"}, "2 channels called 'twin'"),
        ({"PRESSURE": "a"}, "not a role"),
    ],
)
def test_wrong_mapping_is_refused(mapping, words):
    assert words in refusal(("a", "mmHg"), ("twin", "mmHg"), ("twin", "mmHg"), mapping=mapping)


@pytest.mark.parametrize(
    ("label", "unit", "words"),
    [
        ("P_LV", "kPa", "is in kPa; mmHg is expected (1 kPa = 7.50062 mmHg)"),
        ("P_LV", "V", "is in V; mmHg is expected"),
        ("P_LV", "", "has no unit; mmHg is expected"),
        ("V_LV", "L", "is in L; mL is expected (1 L = 1000 mL)"),
        ("V_1", "V", "is in V; mL is expected"),
        ("V_1", "mV", "is in mV; mL is expected"),
        ("G_1", "S", "is in S; mS is expected"),
    ],
)
def test_other_unit_is_asked_about_not_converted(label, unit, words):
    message = refusal((label, unit))
    assert words in message
    assert "not converted automatically" in message


def test_unit_of_the_same_size_is_used_and_said():
    assignment = assign_roles(infos(("V_LV", "cm3"), ("V_1", "cc")))
    assert assignment.roles == ("V_LV", "V_1")
    assert assignment.factors == (1.0, 1.0)
    assert "the same size" in assignment.remarks[0][1]


def test_microvolts_of_leads_are_scaled_and_said_once():
    assignment = assign_roles(infos(("ECG_I", "uV"), ("ECG_II", "µV")))
    assert assignment.factors == (0.001, 0.001)
    assert [labels for labels, _ in assignment.remarks] == [("ECG_I",), ("ECG_II",)]


def test_auxiliary_channel_in_another_unit_is_left_out_and_said():
    assignment = assign_roles(infos(("P_LV", "mmHg"), ("ECG_I", "V"), ("P_AO", "kPa")))
    assert assignment.roles == ("P_LV", None, None)
    assert all("left out" in sentence for _, sentence in assignment.remarks)


def test_mapping_texts_are_parsed():
    assert parse_mapping(["P_LV=a=b", " ecg_avr = Lead 4 "]) == {"P_LV": "a=b", "ECG_aVR": "Lead 4"}


@pytest.mark.parametrize(
    ("items", "words"),
    [
        (["P_LV"], "not a channel mapping"),
        (["P_LV="], "not a channel mapping"),
        (["=x"], "not a role"),
        (["PLV2=x"], "not a role"),
        (["P_LV=x", "P_LV=y"], "mapped twice"),
    ],
)
def test_wrong_mapping_texts_are_refused(items, words):
    with pytest.raises(RecordingError, match=words):
        parse_mapping(items)
