"""The frame of every page: policy, log-in, log-out, what the menu offers."""

import re
from pathlib import Path

import pytest
from django.conf import settings
from django.urls import reverse

from registry.models import Role
from tests import factories as make

TEMPLATES = [
    path
    for room in ("config", "registry", "procedures", "analytics")
    for path in Path(room).rglob("templates/**/*.html")
]


@pytest.mark.parametrize("path", TEMPLATES, ids=str)
def test_template_holds_nothing_the_policy_refuses(path):
    text = path.read_text()
    assert not re.search(r"<style|\sstyle=|\son[a-z]+=\"|javascript:|hx-on|hx-vals=.js", text)
    assert not re.search(r"<script(?![^>]*\bsrc=)", text)
    assert not re.search(r"type=.number", text)


def test_log_in_page_says_what_is_wrong(client, db):
    answer = client.post(reverse("login"), {"username": "nobody", "password": "nothing"})
    assert "Not accepted yet" in answer.content.decode()


def test_log_in_leads_to_the_sessions_and_log_out_is_a_post(client, centre):
    user = make.make_user(Role.LAB_STAFF, centre, password=make.PASSWORD)
    answer = client.post(reverse("login"), {"username": user.username, "password": make.PASSWORD}, follow=True)
    assert answer.redirect_chain[-1][0] == reverse("procedures:sessions")
    assert client.get(reverse("logout")).status_code == 405
    assert client.post(reverse("logout")).url == reverse("login")


@pytest.mark.parametrize(
    ("role", "seen"),
    [
        (Role.LAB_STAFF, {"Sessions", "Patients", "Quality"}),
        (Role.CLINICAL_LEAD, {"Sessions", "Patients", "Quality", "Audit"}),
        (Role.ADMINISTRATOR, {"Centres"}),
    ],
)
def test_menu_offers_what_the_role_may_enter(client, centre, role, seen):
    client.force_login(make.make_user(role, centre))
    text = client.get("/nowhere/").content.decode()
    nav = re.search(r"<nav.*?</nav>", text, re.DOTALL)[0]
    assert set(re.findall(r">(\w+)</a>", nav)) == seen


def test_address_that_does_not_exist_is_a_page_of_ours(doctor):
    answer = doctor.get("/nowhere/")
    assert answer.status_code == 404
    assert "There is nothing at this address" in answer.content.decode()


def test_policy_is_strict(doctor):
    policy = doctor.get(reverse("procedures:sessions"))["Content-Security-Policy"]
    assert "unsafe" not in policy
    assert "default-src 'none'" in policy


def test_vendored_script_is_the_one_described():
    import hashlib

    folder = settings.BASE_DIR / "config" / "static" / "vendor"
    digest = hashlib.sha256((folder / "plotly-basic.min.js").read_bytes()).hexdigest()
    assert digest in (folder / "README.md").read_text()
