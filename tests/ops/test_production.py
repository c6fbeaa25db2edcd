"""The production service without containers: the tree of the image, the commands of the compose file, real services.

What the Dockerfile copies is copied, what it runs at build is run, and the commands of the compose file are started
with its environment on PostgreSQL and Redis.
"""

from __future__ import annotations

import http.client
import json
import os
import re
import secrets
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest
import yaml
from cryptography.fernet import Fernet
from django.conf import settings

from tests.ops.processes import ROOT, Running, environment, free_port, on_postgresql_only, run, running, wait_for

pytestmark = [
    pytest.mark.slow,
    pytest.mark.xdist_group("production"),  # one image and one database for all
    on_postgresql_only,
]
HOST = "registry.example"
PASSWORD = secrets.token_hex(12)
COMPOSE = yaml.safe_load((ROOT / "docker-compose.yml").read_text())["services"]
TOKEN = "only-for-this-test"
PROXY = {"Host": HOST, "X-Forwarded-Proto": "https"}


@pytest.fixture(scope="module")
def image(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Lay down the tree of the image and collect its static files, as the Dockerfile does."""
    tree = tmp_path_factory.mktemp("image")
    lines = re.sub(r"\\\n", " ", (ROOT / "Dockerfile").read_text()).splitlines()
    last_stage = lines[max(i for i, line in enumerate(lines) if line.startswith("FROM")) :]
    for line in last_stage:
        if line.startswith("COPY") and "--from" not in line:
            source = ROOT / line.split()[1]
            if source.is_dir():
                shutil.copytree(source, tree / source.name, ignore=shutil.ignore_patterns("__pycache__"))
            else:
                shutil.copy(source, tree)
    (collect,) = (line for line in last_stage if "collectstatic" in line)
    env = environment(TRIBUTARY_PRODUCTION="1")
    run(["sh", "-c", collect.removeprefix("RUN ").replace("/tmp", str(tree.parent))], env, tree)  # noqa: S108
    return tree


@pytest.fixture(scope="module")
def database() -> Iterator[str]:
    """Make an empty database."""
    name = f"test_production_{secrets.token_hex(6)}"
    with psycopg.connect(settings.DATABASE_URL, autocommit=True) as server:
        server.execute(f"CREATE DATABASE {name}")
    yield re.sub(r"/[^/]*$", f"/{name}", settings.DATABASE_URL)
    with psycopg.connect(settings.DATABASE_URL, autocommit=True) as server:
        server.execute(f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture(scope="module")
def serving(database: str, role: str) -> str:
    """Return the database's address for the serving role."""
    return re.sub(r"//[^@/]*@", f"//{role}:{PASSWORD}@", database)


@pytest.fixture(scope="module")
def role(database: str) -> Iterator[str]:
    """Name a serving role of this run; the command of the migrate service makes it."""
    name = f"test_service_{secrets.token_hex(6)}"
    yield name
    with psycopg.connect(database, autocommit=True) as server:
        if server.execute("SELECT 1 FROM pg_roles WHERE rolname = %s", [name]).fetchone():
            server.execute(f"DROP OWNED BY {name}")
            server.execute(f"DROP ROLE {name}")


@pytest.fixture(scope="module")
def env(image: Path, serving: str, queue_url: str, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Return the environment of the compose file, filled in."""
    ours = {
        "TRIBUTARY_PRODUCTION": "1",
        "TRIBUTARY_HOSTS": HOST,
        "TRIBUTARY_ORIGINS": f"https://{HOST}",
        "TRIBUTARY_SECRET_KEY": secrets.token_urlsafe(64),
        "TRIBUTARY_IDENTITY_KEYS": Fernet.generate_key().decode(),
        "TRIBUTARY_EXPORT_KEY": secrets.token_hex(32),
        "TRIBUTARY_WATCH_TOKEN": TOKEN,
        "TRIBUTARY_OIDC_URL": "",
        "TRIBUTARY_OIDC_CLIENT": "tributary",
        "TRIBUTARY_OIDC_SECRET": "",
        "TRIBUTARY_OIDC_NAME": "the hospital",
        "TRIBUTARY_OIDC_USERNAME_CLAIM": "",
        "TRIBUTARY_TIME_ZONE": "UTC",
        "TRIBUTARY_WORKER_PROCESSES": "2",
        "TRIBUTARY_WEB_PROCESSES": "2",
        "TRIBUTARY_WEB_THREADS": "4",
        "DATABASE_URL": serving,
        "CELERY_BROKER_URL": queue_url,
    }
    assert set(ours) == set(COMPOSE["web"]["environment"]), "the compose file sets what this test sets"
    return environment(**ours, TRIBUTARY_VAR=str(tmp_path_factory.mktemp("data")))


@pytest.fixture(scope="module")
def migrated(image: Path, env: dict[str, str], database: str, role: str) -> None:
    """Run the migrate service, as the owner."""
    command = [word.replace("tributary_service", role) for word in COMPOSE["migrate"]["command"]]
    run(command, env | {"DATABASE_URL": database, "TRIBUTARY_SERVICE_PASSWORD": PASSWORD}, image)


def ask(port: int, path: str, headers: dict[str, str]) -> tuple[http.client.HTTPResponse, str]:
    """Send a request to the web process and return the answer and its text."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    connection.request("GET", path, headers=headers)
    answer = connection.getresponse()
    text = answer.read().decode()
    connection.close()
    return answer, text


@pytest.fixture(scope="module")
def server(
    image: Path, env: dict[str, str], migrated: None, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Running, int]]:
    """Start the web service with two processes; return it and its port."""
    port = free_port()
    words = [*COMPOSE["web"]["command"], "--bind", f"127.0.0.1:{port}"]

    def ready(_: Running) -> bool:
        probe = [sys.executable, "config/ops/probe.py", str(port)]
        return subprocess.run(probe, cwd=image, env=env, capture_output=True, check=False).returncode == 0

    with running(words, env, tmp_path_factory.mktemp("web") / "log", ready, image) as started:
        yield started, port


@pytest.fixture(scope="module")
def web(server: tuple[Running, int]) -> int:
    """Return the port of the web service."""
    return server[1]


def test_page_answers_behind_a_tls_proxy_with_its_guards_up(web: int) -> None:
    answer, text = ask(web, "/log-in/", PROXY)
    assert answer.status == 200
    assert "<form" in text
    assert answer.headers["Strict-Transport-Security"] == "max-age=31536000; includeSubDomains; preload"
    assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    assert answer.headers["X-Frame-Options"] == "DENY"
    cookie = answer.headers["Set-Cookie"]
    assert cookie.startswith("__Host-csrftoken=")
    assert "Secure" in cookie


def test_static_files_are_served_under_hashed_names_to_keep(web: int) -> None:
    _, text = ask(web, "/log-in/", PROXY)
    files = set(re.findall(r'(?:href|src)="(/static/[^"]+)"', text))
    assert files
    for path in files:
        assert re.search(r"\.[0-9a-f]{12}\.\w+$", path), f"{path} carries no hash"
        answer, _ = ask(web, path, PROXY)
        assert answer.status == 200
        assert "immutable" in answer.headers["Cache-Control"]


def test_every_file_that_the_bedside_worker_keeps_is_served(web: int) -> None:
    answer, text = ask(web, "/sw.js", PROXY)
    assert answer.status == 200
    assert answer.headers["Content-Type"].startswith("text/javascript")
    assert "Set-Cookie" not in answer.headers
    files = re.findall(r'"(/static/[^"]+)"', text)
    assert {"/static/procedures/bedside/store.js", "/static/procedures/bedside/page.js"} <= set(files)
    assert [path for path in [*files, "/bedside/shell/"] if ask(web, path, PROXY)[0].status != 200] == []
    _, shell = ask(web, "/bedside/shell/", PROXY)
    assert set(re.findall(r'(?:href|src)="(/static/[^"]+\.(?:js|css))"', shell)) <= set(files)


def logged_in_pages(port: int) -> float:
    """Return how many requests for the page of the log-in the metrics count, over all processes."""
    _, text = ask(port, "/metrics", {"Host": HOST, "Authorization": f"Bearer {TOKEN}"})
    counts = re.findall(r'^tributary_requests_total\{[^}]*route="login"[^}]*\} (\S+)$', text, re.MULTILINE)
    return sum(map(float, counts))


def test_metrics_add_up_over_processes_and_outlive_one(server: tuple[Running, int]) -> None:
    started, port = server
    before = logged_in_pages(port)
    for _ in range(12):
        assert ask(port, "/log-in/", PROXY)[0].status == 200
    assert {logged_in_pages(port) for _ in range(8)} == {before + 12}, "every process says the same"
    children = Path(f"/proc/{started.process.pid}/task/{started.process.pid}/children")
    first = children.read_text().split()[0]
    os.kill(int(first), signal.SIGKILL)
    wait_for(
        lambda: first not in children.read_text().split() and len(children.read_text().split()) == 2, "another one"
    )
    ask(port, "/log-in/", PROXY)
    assert logged_in_pages(port) == before + 13


def test_metrics_are_closed_to_strangers(web: int) -> None:
    assert ask(web, "/metrics", PROXY)[0].status == 404


def test_each_line_of_the_log_is_an_object_with_its_time(server: tuple[Running, int]) -> None:
    started, port = server
    ask(port, "/log-in/?next=/patients/Markername", PROXY | {"X-Request-ID": "asked-by-a-test"})
    lines = [json.loads(line) for line in started.said().splitlines()]
    (line,) = (line for line in lines if line.get("request") == "asked-by-a-test")
    assert (line["route"], line["status"], line["level"]) == ("login", 200, "INFO")
    assert all({"time", "level", "message"} <= set(line) for line in lines)
    assert "Markername" not in started.said()


def test_plain_http_is_sent_to_https(web: int) -> None:
    answer, _ = ask(web, "/log-in/", {"Host": HOST})
    assert answer.status == 301
    assert answer.headers["Location"] == f"https://{HOST}/log-in/"


def test_foreign_host_name_is_refused(web: int) -> None:
    answer, _ = ask(web, "/log-in/", PROXY | {"Host": "elsewhere.example"})
    assert answer.status == 400


def test_pages_and_api_are_closed_to_strangers(web: int) -> None:
    assert ask(web, "/api/v1/sessions", PROXY)[0].status == 403
    page, _ = ask(web, "/", PROXY)
    assert page.status == 302
    assert page.headers["Location"].startswith("/log-in/")


def test_probe_fails_where_nothing_answers(image: Path, env: dict[str, str]) -> None:
    probe = [sys.executable, "config/ops/probe.py", str(free_port())]
    done = subprocess.run(probe, cwd=image, env=env, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "no answer" in done.stderr


def test_worker_starts_and_answers_its_health_check(
    image: Path, env: dict[str, str], migrated: None, tmp_path: Path
) -> None:
    words = [*COMPOSE["analyses"]["command"], "--hostname", "celery@tested"]
    with running(words, env, tmp_path / "log", lambda worker: " ready." in worker.said(), image) as worker:
        assert "registry.tasks.carry_out_job" in worker.said()
        probe = COMPOSE["analyses"]["healthcheck"]["test"][1].replace("$$HOSTNAME", "tested")
        assert "pong" in run(["sh", "-c", probe], env, image)


def test_beat_starts_with_the_sweep(image: Path, env: dict[str, str], migrated: None, tmp_path: Path) -> None:
    words = [word.replace("/tmp", str(tmp_path)) for word in COMPOSE["beat"]["command"]]  # noqa: S108
    with running(words, env, tmp_path / "log", lambda beat: "beat: Starting" in beat.said(), image):
        pass


def test_web_does_not_start_on_an_incomplete_set_up(image: Path, env: dict[str, str]) -> None:
    incomplete = {name: value for name, value in env.items() if name != "DATABASE_URL"}
    words = [*COMPOSE["web"]["command"], "--bind", f"127.0.0.1:{free_port()}"]
    done = subprocess.run(words, cwd=image, env=incomplete, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode != 0
    assert "Set DATABASE_URL" in done.stderr


def test_first_administrator_is_let_in_by_the_serving_role(image: Path, env: dict[str, str], web: int) -> None:
    words = ["--centre", "north", "--name", "North Centre", "--username", "alex", "--full-name", "Alex Admin"]
    link = run(["python", "manage.py", "first_administrator", *words], env, image).strip()
    assert link.startswith(f"https://{HOST}/join/")
    answer, _ = ask(web, link.removeprefix(f"https://{HOST}"), PROXY)
    assert answer.status == 302
    assert answer.headers["Location"].endswith("/set-password/"), "the link opens the form"
