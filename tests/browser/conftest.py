"""A nurse and a session for the tests of the bedside page."""

from __future__ import annotations

import pytest

from procedures.models import Session
from registry.models import Role, User
from tests import factories as make


@pytest.fixture
def nurse() -> User:
    """Make somebody of the lab staff."""
    return make.make_user(Role.LAB_STAFF, password=make.PASSWORD)


@pytest.fixture
def session(nurse: User) -> Session:
    """Open a session in the nurse's centre."""
    return make.make_session(make.make_patient(nurse.memberships.get().centre))
