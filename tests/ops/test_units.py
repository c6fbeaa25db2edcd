"""The systemd units start what the compose file starts, which is what the tests start; the proxy's example fits."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
import yaml
from django.conf import settings
from django.core.management import get_commands

ROOT = Path(settings.BASE_DIR)
UNITS = ROOT / "config" / "ops" / "systemd"
PROGRAMS = "/opt/tributary/venv/bin/"
COMPOSE = yaml.safe_load((ROOT / "docker-compose.yml").read_text())["services"]
STAYING = ("web", "analyses", "comparisons", "imports", "clock", "beat")


def lines(name: str, key: str) -> list[str]:
    """Return the values of a key in a unit, which may stand several times."""
    return re.findall(rf"^{key}=(.*)$", (UNITS / f"tributary-{name}.service").read_text(), re.MULTILINE)


def command(name: str, key: str = "ExecStart") -> list[str]:
    (line,) = lines(name, key)
    assert line.startswith(PROGRAMS)
    return shlex.split(line.removeprefix(PROGRAMS))


@pytest.mark.parametrize("name", STAYING)
def test_unit_starts_what_the_service_of_the_compose_file_starts(name: str) -> None:
    assert command(name) == COMPOSE[name]["command"]
    assert lines(name, "Restart") == ["always"]


def test_migrations_are_those_of_the_compose_file() -> None:
    (_, _, line) = COMPOSE["migrate"]["command"]
    steps = [command("migrate", key) for key in ("ExecStartPre", "ExecStart", "ExecStartPost")]
    assert steps == [shlex.split(part) for part in line.split("&&")]
    assert "EnvironmentFile=/etc/tributary/environment.migrate" in (UNITS / "tributary-migrate.service").read_text()
    others = [path for path in UNITS.glob("*.service") if "environment.migrate" in path.read_text()]
    assert [path.name for path in others] == ["tributary-migrate.service"], "only migrating knows the owner's address"


@pytest.mark.parametrize("name", [path.stem.removeprefix("tributary-") for path in sorted(UNITS.glob("*.service"))])
def test_unit_reads_its_secrets_from_files_and_may_do_little(name: str) -> None:
    text = (UNITS / f"tributary-{name}.service").read_text()
    for secret in ("secret_key", "identity_keys", "export_key"):
        assert f"LoadCredential={secret}:/etc/tributary/{secret}" in text
        assert f"Environment=TRIBUTARY_{secret.upper()}_FILE=%d/{secret}" in text
    for guard in ("NoNewPrivileges=yes", "ProtectSystem=strict", "ProtectHome=yes", "CapabilityBoundingSet=\n"):
        assert guard in text
    assert lines(name, "User") == ["tributary"]
    words = command(name)
    if words[0] == "python":
        assert words[2] in get_commands()


def test_proxy_sets_what_the_service_believes_and_hides_the_metrics() -> None:
    text = (ROOT / "config" / "ops" / "nginx.conf").read_text()
    for line in (
        "proxy_set_header X-Forwarded-For $remote_addr;",
        "proxy_set_header X-Forwarded-Proto https;",
        "location = /metrics { deny all; }",
        f"proxy_pass http://{lines('web', 'Environment')[-1].partition('=')[2]};",
    ):
        assert line in text
    (size,) = re.findall(r"client_max_body_size (\d+)m;", text)
    assert int(size) * 1024**2 > settings.RECORDING_MAX_BYTES
