"""What holds for the repository as a whole."""

from __future__ import annotations

import ast
import re
import subprocess
from io import StringIO
from pathlib import Path

import pytest
import yaml
from django.apps import apps
from django.conf import settings
from django.core.management import call_command
from django.db import connection, models

from registry.models import Record

ROOT = Path(settings.BASE_DIR)
OURS = ("registry", "procedures", "analytics")
OUR_MODELS = [model for app in OURS for model in apps.get_app_config(app).get_models()]


def tracked(*patterns: str) -> list[Path]:
    """Return the files under version control."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", *patterns], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout
    return [path for name in listed.split("\0") if name and (path := ROOT / name).is_file()]


def test_every_model_change_has_its_migration(db: None) -> None:
    out = StringIO()
    call_command("makemigrations", "--check", "--dry-run", stdout=out, stderr=out)
    assert "No changes detected" in out.getvalue()


def test_compose_and_these_tests_use_the_same_postgresql(on_postgresql: bool) -> None:
    image = yaml.safe_load((ROOT / "docker-compose.yml").read_text())["services"]["database"]["image"]
    major = int(image.split(":")[1].split("-")[0].split(".")[0])
    if on_postgresql:
        assert connection.pg_version // 10000 == major  # type: ignore[attr-defined] # of this kind of database
    assert major >= 15, "older ones lack what the constraints use"


def test_no_file_carries_a_registry_address() -> None:
    # In two parts, so that this file does not match itself.
    address = re.compile(
        r"https?://[\w.-]*(?:py"
        r"pi\.|python"
        r"hosted\.|registry\.np"
        r"mjs|npm"
        r"mirror)|--(?:extra-)?index-"
        r"url "
    )
    found = []
    for path in tracked():
        try:
            text = path.read_text()
        except UnicodeDecodeError:
            continue
        found += [f"{path.relative_to(ROOT)}: {match.group()}" for match in address.finditer(text)]
    assert found == []


def test_no_private_module_of_a_library_is_imported() -> None:
    found = []
    for path in tracked("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            named = node.names if isinstance(node, ast.Import) else []
            modules = [one.name for one in named] or [getattr(node, "module", None) or ""]
            if isinstance(node, ast.ImportFrom) and not node.level:
                modules += [f"{node.module}.{one.name}" for one in node.names]
            for module in modules if isinstance(node, ast.Import | ast.ImportFrom) else []:
                parts = module.split(".")
                private = [part for part in parts if part == "internal" or re.match(r"_(?!_)", part)]
                if private and parts[0] not in {"config", "fixtures", "tests", *OURS}:
                    found.append(f"{path.relative_to(ROOT)}: {module}")
    assert found == []


def test_lock_files_carry_a_hash_for_every_package_and_agree() -> None:
    versions: list[dict[str, str]] = []
    for name in ("requirements.lock", "requirements-dev.lock"):
        text = (ROOT / name).read_text()
        entries = re.split(r"\n(?=[a-zA-Z0-9])", text)[1:]
        assert entries
        assert [entry.splitlines()[0] for entry in entries if "--hash=sha256:" not in entry] == []
        versions.append(dict(re.findall(r"^([\w.-]+)==([\w.!+]+)", text, re.MULTILINE)))
    production, development = versions
    assert {name: development.get(name) for name in production} == production


def test_top_level_is_the_agreed_one() -> None:
    allowed = {
        *("README.md", "DEVELOPERS.md", "manage.py", "docker-compose.yml", "Dockerfile", "Makefile", "pyproject.toml"),
        *("requirements.lock", "requirements-dev.lock", "config", "registry", "procedures", "analytics", "tests"),
        *("fixtures", "docs"),
        *("package.json", "package-lock.json", "tsconfig.json", "eslint.config.js"),  # for checking the scripts
    }
    found = {path.relative_to(ROOT).parts[0] for path in tracked()}
    assert {name for name in found if not name.startswith(".")} <= allowed


def test_every_path_named_for_developers_exists() -> None:
    pages = [ROOT / "DEVELOPERS.md", *(ROOT / "docs").rglob("*.md")]
    rooms = "config|registry|procedures|analytics|fixtures|tests"
    named = {
        (page.name, path) for page in pages for path in re.findall(rf"`((?:{rooms})/[\w./*-]*)`", page.read_text())
    }
    assert len(named) > 50
    assert sorted(pair for pair in named if not any(ROOT.glob(pair[1].rstrip("/")))) == []


def test_every_requirement_of_security_names_tests_that_exist() -> None:
    met, _, _ = (ROOT / "docs" / "security.md").read_text().partition("## Not met")
    rows = [line for line in met.splitlines() if re.match(r"\| [0-9]", line)]
    assert len(rows) > 20
    for row in rows:
        named = re.findall(r"`(tests/[^`]+)`", row)
        assert named, row
        for path in named:
            files = sorted((ROOT / path).rglob("test_*.py")) if path.endswith("/") else [ROOT / path]
            assert files
            assert all("def test_" in one.read_text() for one in files), path


def test_the_developers_page_stays_short_and_the_index_lists_every_decision() -> None:
    assert len((ROOT / "DEVELOPERS.md").read_text().splitlines()) <= 150
    folder = ROOT / "docs" / "decisions"
    listed = set(re.findall(r"\]\(([\w-]+\.md)\)", (folder / "README.md").read_text()))
    assert listed == {path.name for path in folder.glob("*.md")} - {"README.md"}


def test_every_make_target_is_explained_and_every_one_named_exists() -> None:
    explained = (ROOT / "README.md").read_text() + (ROOT / "DEVELOPERS.md").read_text()
    made = set(re.findall(r"^([a-z-]+):.*##", (ROOT / "Makefile").read_text(), re.MULTILINE))
    assert set(re.findall(r"\bmake ([a-z-]+)  ", explained)) == made - {"help"}


def test_every_variable_explained_is_one_the_settings_read() -> None:
    read = set(re.findall(r'"((?:TRIBUTARY|DATABASE|CELERY)_[A-Z_]+)"', (ROOT / "config" / "settings.py").read_text()))
    rows = [line for line in (ROOT / "README.md").read_text().splitlines() if line.startswith("| `")]
    explained = {name for row in rows for name in re.findall(r"`((?:TRIBUTARY|DATABASE|CELERY)_[A-Z_]+)`", row)}
    assert explained
    assert explained <= read


@pytest.mark.parametrize("model", OUR_MODELS, ids=lambda model: model._meta.label)
def test_model_names_and_keys_suit_both_databases(model: type[models.Model]) -> None:
    names = [constraint.name for constraint in model._meta.constraints]
    names += [index.name for index in model._meta.indexes]
    assert [name for name in names if len(name) > 63] == [], "PostgreSQL cuts names after 63 bytes"
    assert len(names) == len(set(names))
    if issubclass(model, Record):
        assert isinstance(model._meta.pk, models.UUIDField)
        assert model._meta.pk.default is not None
    vague = [
        field.name
        for field in model._meta.local_fields
        if isinstance(field, models.FloatField | models.DecimalField)
        and not re.search(r"_(ml|v|ms|mv|ohm|ohm_cm|s|m|mmhg|percent|per_\w+|min|cm2|mm|cm|kg|l|degrees)$", field.name)
        and field.name not in {"mean", "sd", "standard_error"}  # of a metric whose key carries the unit
        and not field.name.endswith("_score")  # of an instrument that is named beside it
        and not field.name.startswith(("probability_", "alpha"))
    ]
    assert vague == [], "a physical quantity names its unit"


def test_every_foreign_key_says_what_a_deletion_does() -> None:
    refused = {models.PROTECT, models.CASCADE}
    lax = [
        f"{model._meta.label}.{field.name}"
        for model in OUR_MODELS
        for field in model._meta.local_fields
        if isinstance(field, models.ForeignKey) and field.remote_field.on_delete not in refused
    ]
    assert lax == []


def test_a_lock_never_holds_up_the_check_of_a_link() -> None:
    """FOR UPDATE stands in the way of rows that point at the locked one; at commit that made a deadlock."""
    room = [path for name in OURS for path in (ROOT / name).rglob("*.py")]
    found = [
        path for path in room if re.search(r"select_for_update\((?!no_key=True)", path.read_text(encoding="utf-8"))
    ]
    assert found == []
