"""The rhythm of epochs on the comparison page, the report and in the values of the command."""

from __future__ import annotations

import pytest
from django.test import Client
from django.urls import reverse

from procedures.models import Epoch, EpochBeats
from procedures.selectors.comparison import compare_session
from procedures.selectors.comparison_export import as_values
from registry.models import Role
from tests.factories import make_user
from tests.procedures.comparing import recorded_session

pytestmark = pytest.mark.django_db
REMARK = "Trigeminy: every third beat is ectopic in a part of the epoch."


def test_rhythm_is_told_where_it_limits_the_numbers() -> None:
    session = recorded_session({"A": 1.1, "B": 1.2})
    first, *others = EpochBeats.objects.filter(epoch__session=session).order_by("epoch__started_at")
    EpochBeats.objects.filter(pk=others[0].pk).update(rhythm="ectopic", rhythm_remark="2 ectopic beats.")
    EpochBeats.objects.filter(pk=first.pk).update(rhythm="trigeminy", rhythm_remark=REMARK, rhythm_limits=True)
    client = Client()
    client.force_login(make_user(Role.PHYSICIAN, session.centre))
    for page in ("comparison", "report"):
        text = client.get(reverse(f"procedures:{page}", args=[session.pk])).content.decode()
        assert REMARK in text
        assert "2 ectopic beats." not in text  # limits nothing
    text = client.get(reverse("procedures:comparison", args=[session.pk])).content.decode()
    assert '<span class="mark alert">trigeminy</span>' in text
    assert "single ectopic beats" in text
    assert "not judged" in text  # epochs of an older analysis
    (told,) = as_values(compare_session(session), "")["rhythms"]
    assert (told["kind"], told["remark"]) == ("trigeminy", REMARK)
    Epoch.objects.filter(pk=first.pk).update(excluded_reason="not steady")
    text = client.get(reverse("procedures:report", args=[session.pk])).content.decode()
    assert REMARK not in text
