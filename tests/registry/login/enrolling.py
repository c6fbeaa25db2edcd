"""Confirming and setting up a second factor on the pages, as a person does."""

from __future__ import annotations

import base64
import hashlib
import hmac
import re
import time

from allauth.mfa.models import Authenticator
from django.http import HttpResponse
from django.test import Client
from django.urls import reverse

from registry.models import User
from tests import factories as make


def code_of(secret: str) -> str:
    """Return what an authenticator app shows now (RFC 6238: HMAC-SHA-1, steps of 30 s, six digits)."""
    step = int(time.time() // 30).to_bytes(8, "big")
    digest = hmac.digest(base64.b32decode(secret), step, hashlib.sha1)
    start = digest[-1] & 0xF
    return f"{(int.from_bytes(digest[start : start + 4], 'big') & 0x7FFFFFFF) % 10**6:06}"


def confirm(client: Client, password: str = make.PASSWORD) -> HttpResponse:
    """Confirm with the password."""
    return client.post(reverse("account_reauthenticate"), {"password": password})


def enrol(client: Client) -> str:
    """Set up an authenticator app and return its secret."""
    confirm(client)
    page = client.get(reverse("mfa_activate_totp")).content.decode()
    secret = re.search(r'<code class="secret">(\w+)</code>', page)[1]
    answer = client.post(reverse("mfa_activate_totp"), {"code": code_of(secret)})
    assert answer.url == reverse("mfa_view_recovery_codes")
    return secret


def recovery_codes(user: User) -> list[str]:
    """Return the unused recovery codes of somebody."""
    return Authenticator.objects.get(user=user, type="recovery_codes").wrap().get_unused_codes()
