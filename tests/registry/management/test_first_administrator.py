"""From an empty database to a log-in: one command, one link."""

from __future__ import annotations

import io

import pytest
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse

from registry.models import Centre, Member, Role, User
from registry.trail.verify import faults

pytestmark = pytest.mark.django_db
WORDS = {"centre": "North", "name": "North Centre", "username": "alex", "full_name": "Alex Admin"}


def run(**changes: str) -> str:
    """Run the command and return what it prints."""
    out = io.StringIO()
    call_command("first_administrator", **(WORDS | changes), stdout=out, stderr=io.StringIO())
    return out.getvalue().strip()


def test_from_an_empty_database_to_a_log_in_by_one_time_link() -> None:
    assert not User.objects.exists()
    link = run(address="https://registry.example/")
    assert link.startswith("https://registry.example/join/")
    client = Client()
    form = client.get(link.removeprefix("https://registry.example"), follow=True).redirect_chain[-1][0]
    password = "four words not seen before"
    client.post(form, {"new_password1": password, "new_password2": password})
    assert client.post(reverse("login"), {"username": "alex", "password": password}).status_code == 302
    page = client.get("/", follow=True)
    assert page.status_code == 200
    assert "North Centre" in page.content.decode()
    assert list(faults()) == []


def test_run_again_before_the_link_is_used_gives_a_new_link_and_nobody_else() -> None:
    first, second = run(), run()
    assert first.startswith("http://localhost:8000/join/")
    assert second.startswith("http://localhost:8000/join/")
    assert Member.objects.get().role == Role.ADMINISTRATOR


def test_centre_with_an_administrator_gets_no_other_this_way() -> None:
    run()
    user = User.objects.get()
    user.set_password("four words not seen before")
    user.save()
    with pytest.raises(CommandError, match="has an administrator already"):
        run()
    with pytest.raises(CommandError, match="has an administrator already"):
        run(username="second")
    with pytest.raises(CommandError, match="is taken"):
        run(centre="south")
    assert Centre.objects.count() == 1


@pytest.mark.parametrize("changes", [{"centre": "two words"}, {"username": "two words"}, {"username": ""}])
def test_wrong_words_are_refused_and_nothing_is_made(changes: dict[str, str]) -> None:
    with pytest.raises(CommandError) as refused:
        run(**changes)
    assert refused.value.returncode == 2
    assert not Centre.objects.exists()
