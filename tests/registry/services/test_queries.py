"""Queries on the data: raised, answered, closed, reopened; by role and centre; each step in the trail."""

from __future__ import annotations

import pytest

from registry.errors import AccessDenied, RuleBroken
from registry.models import Change, DataQuery, QueryState, Role, new_key
from registry.selectors.queries import beside, queries_for
from registry.services.queries import LONGEST, answer_query, close_query, raise_query, reopen_query
from registry.trail.verify import faults
from tests import factories as make

pytestmark = pytest.mark.django_db
RAISERS = {Role.PHYSICIAN, Role.CLINICAL_LEAD}
ANSWERERS = RAISERS | {Role.LAB_STAFF}


@pytest.fixture
def patient():
    return make.make_patient()


@pytest.fixture
def physician(patient):
    return make.writer_of(patient.centre)


@pytest.fixture
def query(patient, physician):
    record = make.make_assessment(patient, lvef_percent=30.0)
    return raise_query(
        by=physician, record_type="registry.assessment", record=record, field="lvef_percent", text=" From which echo? "
    )


def test_from_raised_to_closed_and_back(query, patient, physician):
    nurse = make.make_user(Role.LAB_STAFF, patient.centre)
    assert (query.state, query.patient, query.centre) == (QueryState.OPEN, patient, patient.centre)

    assert answer_query(by=nurse, query=query, text="From March.").state == QueryState.ANSWERED
    assert close_query(by=physician, query=query).state == QueryState.CLOSED
    assert reopen_query(by=physician, query=query, text="There are two of March.").state == QueryState.OPEN

    said = [(turn.kind, turn.text, turn.author) for turn in query.turns.all()]
    assert said == [
        ("raised", "From which echo?", physician),
        ("answered", "From March.", nurse),
        ("closed", "", physician),
        ("reopened", "There are two of March.", physician),
    ]
    lines = Change.objects.filter(record_type__in=("registry.dataquery", "registry.queryturn"))
    assert list(lines.order_by("sequence").values_list("record_type", "action")) == [
        ("registry.dataquery", "created"),
        ("registry.queryturn", "created"),
        *[("registry.queryturn", "created"), ("registry.dataquery", "changed")] * 3,
    ]
    assert list(faults()) == []


@pytest.mark.parametrize(
    ("act", "states"),
    [(answer_query, {"open"}), (close_query, {"open", "answered"}), (reopen_query, {"answered", "closed"})],
)
def test_what_can_be_done_in_which_state(query, physician, act, states):
    for state in QueryState.values:
        DataQuery.objects.filter(pk=query.pk).update(state=state)
        turns = query.turns.count()
        if state in states:
            act(by=physician, query=query, text="words")
            assert query.turns.count() == turns + 1
        else:
            with pytest.raises(RuleBroken, match="cannot be"):
                act(by=physician, query=query, text="words")
            assert query.turns.count() == turns


@pytest.mark.parametrize("role", Role.values)
def test_by_role_and_centre(query, patient, role):
    record = make.make_assessment(patient)
    own, other = make.make_user(role, patient.centre), make.make_user(role)

    def may(by, act):
        try:
            act(by)
        except AccessDenied:
            return False
        return True

    acts = {
        "raise": lambda by: raise_query(
            by=by, record_type="registry.assessment", record=record, field="", text="Whose is it?"
        ),
        "answer": lambda by: answer_query(by=by, query=query, text="words"),
        "close": lambda by: close_query(by=by, query=query),
        "reopen": lambda by: reopen_query(by=by, query=query, text="words"),
    }
    for name, act in acts.items():
        assert may(own, act) == (role in (ANSWERERS if name == "answer" else RAISERS)), name
        assert not may(other, act)
    assert queries_for(own).exists() == (role in ANSWERERS)
    assert not queries_for(other).exists()


def test_nothing_is_asked_of_nothing(query, patient, physician):
    about = {"by": physician, "record_type": "registry.patient", "record": patient}
    with pytest.raises(RuleBroken, match="Write the question"):
        raise_query(**about, field="sex", text="  ")
    with pytest.raises(RuleBroken, match="not a field of this record"):
        raise_query(**about, field="ghost", text="?")
    with pytest.raises(RuleBroken, match="Write the answer"):
        answer_query(by=physician, query=query, text="")
    assert DataQuery.objects.count() == 1


def test_one_standing_query_a_field_and_the_same_key_is_a_replay(patient, physician):
    key = new_key()
    about = {"by": physician, "record_type": "registry.patient", "record": patient, "field": "sex"}
    first = raise_query(**about, text="Is it right?", key=key)
    assert raise_query(**about, text="Is it right?", key=key) == first
    with pytest.raises(RuleBroken, match="There is already an open query about Sex"):
        raise_query(**about, text="Is it?")
    close_query(by=physician, query=first)
    raise_query(**about, text="And now?")
    assert DataQuery.objects.count() == 2


def test_beside_the_record_it_is_about(query, patient, physician, django_assert_num_queries):
    record = patient.assessments.get()
    with django_assert_num_queries(3):
        (shown,) = beside(physician, patient, record)
    assert (shown.what, shown.field, shown.first.text) == ("Assessment", "LVEF", "From which echo?")
    assert beside(physician, patient, patient) == []
    assert len(beside(physician, patient)) == 1
    close_query(by=physician, query=query)
    assert beside(physician, patient) == []


def test_a_text_may_be_as_long_as_it_is_kept_and_no_longer(query, physician):
    with pytest.raises(RuleBroken, match=f"longer than {LONGEST}"):
        answer_query(by=physician, query=query, text="x" * (LONGEST + 1))
    query.refresh_from_db()
    assert query.state == QueryState.OPEN
    answer_query(by=physician, query=query, text="x" * LONGEST)
    assert query.turns.last().text == "x" * LONGEST
