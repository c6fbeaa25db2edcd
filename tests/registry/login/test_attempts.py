"""Counters of attempts are in the database, and the clock clears what no longer counts."""

from __future__ import annotations

import datetime as dt

import pytest
from django.contrib.sessions.models import Session
from django.core.cache import cache
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from registry.models import Attempt
from registry.tasks import clear_expired

pytestmark = pytest.mark.django_db


def test_wrong_log_in_is_counted_in_the_database(client: Client) -> None:
    client.post(reverse("login"), {"username": "nobody", "password": "wrong"})
    assert Attempt.objects.filter(expires__gt=timezone.now()).count() >= 1


def test_clock_clears_what_has_expired_and_nothing_else() -> None:
    now = timezone.now()
    for key, hours in (("gone", -1), ("kept", 1)):
        cache.set(key, 1, 3600)
        Attempt.objects.filter(cache_key__endswith=key).update(expires=now + dt.timedelta(hours=hours))
        Session.objects.create(session_key=key, session_data="", expire_date=now + dt.timedelta(hours=hours))
    assert clear_expired() == 1
    assert cache.get("kept") == 1
    assert list(Session.objects.values_list("session_key", flat=True)) == ["kept"]
