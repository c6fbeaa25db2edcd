"""The compose file and the image, held against what exists; no engine is needed."""

from __future__ import annotations

import re
import shlex
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest
import yaml
from django.conf import settings
from django.core.management import get_commands

ROOT = Path(settings.BASE_DIR)
WORKERS = ("analyses", "comparisons", "imports", "clock")
OURS = ("migrate", "web", *WORKERS, "beat")


@pytest.fixture(scope="module")
def compose() -> dict[str, Any]:
    """Return the compose file."""
    return yaml.safe_load((ROOT / "docker-compose.yml").read_text())


@pytest.fixture(scope="module")
def dockerfile() -> list[str]:
    """Return the instructions of the image, continued lines joined, comments left out."""
    text = re.sub(r"\\\n", " ", (ROOT / "Dockerfile").read_text())
    return [line for line in text.splitlines() if line.strip() and not line.startswith("#")]


def test_services_are_all_there(compose: dict[str, Any]) -> None:
    assert set(compose["services"]) == {*OURS, "database", "queue"}


def test_every_service_that_stays_up_is_watched_and_restarted(compose: dict[str, Any]) -> None:
    for name, service in compose["services"].items():
        if name == "migrate":
            continue
        assert service["restart"] == "unless-stopped", name
        # beat answers nobody; it is watched by what it starts, the sweep of background runs.
        assert ("test" in service["healthcheck"]) == (name != "beat"), name


def test_nothing_starts_before_the_database_is_migrated(compose: dict[str, Any]) -> None:
    services = compose["services"]
    assert services["migrate"]["depends_on"] == {"database": {"condition": "service_healthy"}}
    for name in ("web", *WORKERS, "beat"):
        assert services[name]["depends_on"] == {
            "migrate": {"condition": "service_completed_successfully"},
            "queue": {"condition": "service_healthy"},
        }


def test_secrets_come_from_outside_and_are_required(compose: dict[str, Any]) -> None:
    for name, service in compose["services"].items():
        for variable, value in service.get("environment", {}).items():
            if re.search(r"KEY|PASSWORD|DATABASE_URL|BROKER_URL", variable):
                assert re.search(r"\$\{\w+:\?[^}]+\}", value), f"{name}: {variable} is not required from outside"
    text = (ROOT / "docker-compose.yml").read_text() + (ROOT / "Dockerfile").read_text()
    assert not re.search(r"[A-Za-z0-9_-]{43}=", text), "something that looks like a key stands in the file"


def test_one_database_role_migrates_and_another_serves(compose: dict[str, Any]) -> None:
    roles = {
        name: re.search(r"//(\w+):", compose["services"][name]["environment"]["DATABASE_URL"]).group(1)  # type: ignore[union-attr] # no role fails the test
        for name in OURS
    }
    assert roles.pop("migrate") == compose["services"]["database"]["environment"]["POSTGRES_USER"]
    assert set(roles.values()) == {"tributary_service"}
    assert _words(compose["services"]["migrate"]["command"])[-1][-2:] == ["grant_service_role", "tributary_service"]


def test_queue_asks_for_a_password_that_stands_in_no_command(compose: dict[str, Any]) -> None:
    queue = compose["services"]["queue"]
    secret = "${REDIS_PASSWORD:?set a password}"
    assert queue["environment"] == {"REDIS_PASSWORD": secret}
    script = queue["command"][-1]
    assert "requirepass" in script
    assert "$$REDIS_PASSWORD" in script
    assert secret not in str(queue["command"]), "a list of processes would show it"
    assert "REDISCLI_AUTH=$$REDIS_PASSWORD" in queue["healthcheck"]["test"][1]
    for name in OURS:
        assert compose["services"][name]["environment"]["CELERY_BROKER_URL"] == f"redis://:{secret}@queue:6379/0"


def test_every_variable_set_is_one_the_settings_read(compose: dict[str, Any]) -> None:
    read = "".join((ROOT / "config" / name).read_text() for name in ("settings.py", "ops/gunicorn.py"))
    for variable in compose["services"]["web"]["environment"]:
        assert f'"{variable}"' in read, variable


def test_every_secret_of_the_settings_is_set(compose: dict[str, Any]) -> None:
    needed = set(re.findall(r'env\.secret\(\s*"(\w+)"', (ROOT / "config" / "settings.py").read_text()))
    assert needed <= set(compose["services"]["web"]["environment"])


def _words(command: list[str]) -> list[list[str]]:
    """Return the commands of a command list, those of a shell one by one."""
    if command[:2] == ["sh", "-c"]:
        return [shlex.split(part) for part in command[2].split("&&")]
    return [command]


def test_commands_name_what_exists(compose: dict[str, Any]) -> None:
    for name in OURS:
        for words in _words(compose["services"][name]["command"]):
            match words:
                case ["python", "manage.py", command, *_]:
                    assert command in get_commands()
                case ["gunicorn", "--config", path, application]:
                    assert (ROOT / path).is_file()
                    assert callable(import_module(application).application)
                case ["celery", "--app", application, "worker" | "beat", *_]:
                    assert import_module(application).celery_app.main == "tributary"
                case _:
                    pytest.fail(f"{name} runs {words}")
    probe = compose["services"]["web"]["healthcheck"]["test"]
    assert (ROOT / probe[-1]).is_file()


def test_every_queue_has_a_worker_of_its_own(compose: dict[str, Any]) -> None:
    served = [
        words[words.index("--queues") + 1] for words in (compose["services"][name]["command"] for name in WORKERS)
    ]
    assert sorted(served) == sorted([*settings.JOB_QUEUES, settings.CLOCK_QUEUE])
    assert {queue.name for queue in settings.CELERY_TASK_QUEUES} == set(served)


def test_tasks_of_the_clock_wait_in_their_own_queue_and_expire() -> None:
    for entry in settings.CELERY_BEAT_SCHEDULE.values():
        assert entry["options"]["queue"] == settings.CLOCK_QUEUE
        assert entry["options"]["expires"] <= entry["schedule"]


def test_no_run_is_handed_out_again_while_a_worker_may_be_at_it() -> None:
    longest = settings.CELERY_TASK_TIME_LIMIT
    places = (settings.CELERY_BROKER_TRANSPORT_OPTIONS, settings.CELERY_RESULT_BACKEND_TRANSPORT_OPTIONS)
    for seconds in (*(place["visibility_timeout"] for place in places), settings.CELERY_VISIBILITY_TIMEOUT):
        assert seconds > longest > settings.CELERY_TASK_SOFT_TIME_LIMIT


def test_volumes_are_declared_and_recordings_shared(compose: dict[str, Any]) -> None:
    named = {
        volume.split(":")[0]
        for service in compose["services"].values()
        for volume in service.get("volumes", [])
        if ":" in volume
    }
    assert named == set(compose["volumes"])
    for name in ("web", *WORKERS):
        assert "recordings:/data" in compose["services"][name]["volumes"]


def test_only_the_web_is_published_and_only_on_this_machine(compose: dict[str, Any]) -> None:
    published = {name: service["ports"] for name, service in compose["services"].items() if "ports" in service}
    assert list(published) == ["web"]
    assert all(port.startswith("127.0.0.1:") for port in published["web"])


def test_images_are_pinned(compose: dict[str, Any], dockerfile: list[str]) -> None:
    images = [service["image"] for service in compose["services"].values() if "build" not in service]
    images += [line.split()[1] for line in dockerfile if line.startswith("FROM")]
    for image in images:
        assert re.fullmatch(r"[a-z]+:\d[\w.-]*", image), f"{image} has no version"


def test_image_copies_what_exists_and_all_rooms(dockerfile: list[str]) -> None:
    copied = {line.split()[1] for line in dockerfile if line.startswith("COPY") and "--from" not in line}
    for path in copied:
        assert (ROOT / path).exists(), path
    assert {"config", "registry", "procedures", "analytics", "manage.py", "requirements.lock"} <= copied
    sent = {line.removeprefix("!") for line in (ROOT / ".dockerignore").read_text().splitlines() if line[:1] == "!"}
    assert copied == sent


def test_image_runs_as_nobody_in_particular_on_locked_packages(dockerfile: list[str]) -> None:
    assert [line for line in dockerfile if line.startswith("USER")] == ["USER tributary"]
    assert dockerfile.index("USER tributary") < next(i for i, line in enumerate(dockerfile) if line[:3] == "CMD")
    assert any("--require-hashes" in line and "requirements.lock" in line for line in dockerfile)
    assert any("collectstatic" in line for line in dockerfile)
    assert any(line.startswith("HEALTHCHECK") for line in dockerfile)


def test_image_has_a_python_the_project_supports(dockerfile: list[str]) -> None:
    versions = {re.search(r"python:3\.(\d+)", line).group(1) for line in dockerfile if line.startswith("FROM")}  # type: ignore[union-attr] # a line without a version fails the test
    assert versions <= {"11", "12", "13"}
    assert len(versions) == 1
