"""A centre with a physician and an open session, and a client logged in as the physician."""

import pytest

from registry.models import Role
from tests import factories


@pytest.fixture
def centre(db):
    return factories.make_centre()


@pytest.fixture
def physician(centre):
    return factories.make_user(Role.PHYSICIAN, centre)


@pytest.fixture
def session(centre, physician):
    return factories.make_session(factories.make_patient(centre, by=physician), by=physician)


@pytest.fixture
def doctor(client, physician):
    client.force_login(physician)
    return client


@pytest.fixture
def nurse(centre, client):
    client.force_login(factories.make_user(Role.LAB_STAFF, centre))
    return client
