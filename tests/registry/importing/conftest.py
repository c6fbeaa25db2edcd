"""A centre, and the clinical lead who imports into it."""

from __future__ import annotations

import pytest

from registry.models import Role
from tests import factories as make


@pytest.fixture
def centre():
    return make.make_centre()


@pytest.fixture
def lead(centre):
    return make.make_user(Role.CLINICAL_LEAD, centre)
