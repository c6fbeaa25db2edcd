"""A centre and its clinical lead, who oversees the identifiers."""

import pytest

from registry.models import Role
from tests import factories as make


@pytest.fixture
def centre():
    return make.make_centre()


@pytest.fixture
def lead(centre):
    return make.make_user(Role.CLINICAL_LEAD, centre)
