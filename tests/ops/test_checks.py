"""What a production service lacks stops it with a sentence."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from cryptography.fernet import Fernet
from django.conf import settings
from django.core.checks import run_checks

KEY = Fernet.generate_key().decode()
COMPLETE = {
    "TRIBUTARY_PRODUCTION": "1",
    "TRIBUTARY_SECRET_KEY": "k3" * 40,
    "TRIBUTARY_IDENTITY_KEYS": KEY,
    "TRIBUTARY_EXPORT_KEY": "e5" * 32,
    "TRIBUTARY_HOSTS": "registry.example",
    "DATABASE_URL": "postgresql://user@db.example/tributary",
    "CELERY_BROKER_URL": "redis://queue.example/0",
}


def check(tmp_path: Path, **changes: str | None) -> subprocess.CompletedProcess[str]:
    """Run the system checks in a fresh process, with a complete production environment but for the changes."""
    clean = {name: value for name, value in os.environ.items() if not name.startswith(("TRIBUTARY_", "DATABASE_"))}
    clean |= {"DJANGO_SETTINGS_MODULE": "config.settings", "TRIBUTARY_VAR": str(tmp_path)}
    wanted = {name: value for name, value in (COMPLETE | changes).items() if value is not None}
    return subprocess.run(
        [sys.executable, "manage.py", "check"],
        cwd=settings.BASE_DIR,
        env=clean | wanted,
        capture_output=True,
        text=True,
        check=False,
    )


def test_complete_production_passes(tmp_path: Path) -> None:
    done = check(tmp_path)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("name", ["TRIBUTARY_SECRET_KEY", "TRIBUTARY_IDENTITY_KEYS", "TRIBUTARY_EXPORT_KEY"])
def test_production_without_a_secret_is_refused_in_words(tmp_path: Path, name: str) -> None:
    done = check(tmp_path, **{name: None})
    assert done.returncode != 0
    assert f"Set the environment variable {name} " in done.stderr
    assert list(tmp_path.iterdir()) == [], "no secret is made up in production"


def test_embedded_edition_needs_nothing_set(tmp_path: Path) -> None:
    done = check(tmp_path, **dict.fromkeys(COMPLETE))
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "secret_key").stat().st_mode & 0o777 == 0o600


@pytest.fixture
def production(settings: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Any:
    """Return the settings of a complete production service."""
    monkeypatch.setitem(settings.DATABASES["default"], "ENGINE", "django.db.backends.postgresql")
    settings.PRODUCTION = True
    settings.JOBS_BY = "queue"
    settings.ALLOWED_HOSTS = ["registry.example"]
    settings.MEDIA_ROOT = tmp_path / "recordings"
    return settings


def faults() -> list[str]:
    """Return the identifiers and hints of what the checks find."""
    return [f"{fault.id} {fault.hint}" for fault in run_checks(tags=["tributary"])]


def test_complete_settings_pass(production: Any) -> None:
    assert faults() == []


@pytest.mark.parametrize(
    ("name", "value", "fault"),
    [
        ("IDENTITY_KEYS", [KEY, "short"], "tributary.E001 Generate one with"),
        ("JOBS_BY", "threads", "tributary.E003 Set CELERY_BROKER_URL"),
        ("ALLOWED_HOSTS", ["localhost", "127.0.0.1"], "tributary.E004 Set TRIBUTARY_HOSTS"),
        ("ALLOWED_HOSTS", ["registry.example", "*"], "tributary.E004 Set TRIBUTARY_HOSTS"),
        ("MEDIA_ROOT", "/dev/null/recordings", "tributary.E005 Set TRIBUTARY_RECORDINGS"),
    ],
)
def test_incomplete_settings_are_refused_in_words(production: Any, name: str, value: Any, fault: str) -> None:
    setattr(production, name, value)
    (found,) = faults()
    assert found.startswith(fault)


def test_production_on_the_embedded_database_is_refused(production: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(production.DATABASES["default"], "ENGINE", "django.db.backends.sqlite3")
    (found,) = faults()
    assert found.startswith("tributary.E002 Set DATABASE_URL")
