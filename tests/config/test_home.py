"""The first page after logging in is one the role may see."""

from __future__ import annotations

import pytest
from django.test import Client

from registry.models import Role
from tests.factories import make_user

LOG_IN = {"username": "", "password": "an-invented-centre"}


@pytest.mark.parametrize("role", [Role.LAB_STAFF, Role.PHYSICIAN, Role.CLINICAL_LEAD, Role.RESEARCHER])
def test_log_in_leads_to_a_page_the_role_may_see(db: None, role: str) -> None:
    user = make_user(role, password="an-invented-centre")
    answer = Client().post("/log-in/", LOG_IN | {"username": user.username}, follow=True)
    assert answer.status_code == 200
    assert answer.request["PATH_INFO"] == ("/audit/" if role == Role.RESEARCHER else "/sessions/")


def test_home_asks_for_log_in(db: None) -> None:
    assert Client().get("/").url == "/log-in/?next=/"
