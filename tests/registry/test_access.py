"""Which role may do what, and that the right ends at the centre's door."""

import pytest

from registry.access import RIGHTS, Right, allowed, centres_for, require, require_somewhere, rights_anywhere, roles_with
from registry.errors import AccessDenied
from registry.models import Role
from registry.services.people import add_member
from tests import factories as make

pytestmark = pytest.mark.django_db

# Written out by hand on purpose: a right that a role gains or loses must be seen here.
_BEDSIDE = "SEE_SESSIONS WRITE_SESSIONS SEE_IDENTITY WRITE_REGISTRY SEE_QUALITY ANSWER_QUERIES"
EXPECTED = {
    Role.LAB_STAFF: _BEDSIDE,
    Role.PHYSICIAN: f"{_BEDSIDE} DECIDE SIGN RAISE_QUERIES RECALL",
    Role.CLINICAL_LEAD: (
        f"{_BEDSIDE} DECIDE SIGN RAISE_QUERIES RECALL SEE_AUDIT EXPORT_COHORT IMPORT_TABLES PLAN_FOLLOW_UP "
        "OVERSEE_IDENTITY ERASE_PATIENTS COPY_PATIENTS"
    ),
    Role.RESEARCHER: "SEE_AUDIT EXPORT_COHORT",
    Role.ADMINISTRATOR: "MANAGE_MEMBERS WATCH_SERVICE",
}


@pytest.mark.parametrize("role", Role.values)
def test_each_role_holds_its_rights_in_its_own_centre_only(role):
    ours, theirs = make.make_centre(), make.make_centre()
    user = make.make_user(role, ours)
    expected = {Right[name] for name in EXPECTED[role].split()}

    assert {right for right in Right if allowed(user, ours.pk, right)} == expected
    assert not any(allowed(user, theirs.pk, right) for right in Right)
    assert rights_anywhere(user) == expected
    for right in Right:
        assert list(centres_for(user, right)) == ([ours] if right in expected else [])


@pytest.mark.parametrize("right", list(Right))
def test_a_refusal_is_a_sentence(right):
    user = make.make_user(None)
    centre = make.make_centre()

    with pytest.raises(AccessDenied, match=r"^[A-Z].*\.$"):
        require(user, centre.pk, right)
    with pytest.raises(AccessDenied, match=r"^[A-Z].*\.$"):
        require_somewhere(user, right)


def test_a_person_with_two_roles_holds_the_rights_of_both_and_each_centre_once():
    centre = make.make_centre()
    user = make.make_user(Role.PHYSICIAN, centre)
    add_member(by=None, centre=centre, user=user, role=Role.CLINICAL_LEAD)

    assert require_somewhere(user, Right.SEE_SESSIONS) == [centre]
    assert rights_anywhere(user) == RIGHTS[Role.PHYSICIAN] | RIGHTS[Role.CLINICAL_LEAD]


def test_only_an_administrator_of_the_centre_adds_members():
    centre = make.make_centre()
    newcomer = make.make_user(None)
    for role in Role.values:
        if role not in roles_with(Right.MANAGE_MEMBERS):
            with pytest.raises(AccessDenied):
                add_member(by=make.make_user(role, centre), centre=centre, user=newcomer, role=Role.PHYSICIAN)
    with pytest.raises(AccessDenied):
        add_member(by=make.make_user(Role.ADMINISTRATOR), centre=centre, user=newcomer, role=Role.PHYSICIAN)

    add_member(by=make.make_user(Role.ADMINISTRATOR, centre), centre=centre, user=newcomer, role=Role.PHYSICIAN)

    assert allowed(newcomer, centre.pk, Right.SIGN)
