"""The steps of the Dockerfile as the trial without Docker reads them: all known, in order, and nothing left out."""

from __future__ import annotations

from pathlib import Path

import pytest
from django.conf import settings

from config.ops import dockerfile_steps as steps

ROOT = Path(settings.BASE_DIR)
DOCKERFILE = (ROOT / "Dockerfile").read_text(encoding="utf-8")


def build(tmp_path: Path) -> steps.Build:
    made = steps.Build(ROOT, tmp_path, tmp_path)
    made.stage = made.stages["one"] = steps.Stage(str(tmp_path / "one"))
    (tmp_path / "one").mkdir()
    return made


def test_every_instruction_of_the_dockerfile_is_known():
    words = [word for word, _ in steps.instructions(DOCKERFILE)]
    assert words[0] == "FROM"
    assert words.count("FROM") == 2
    assert words[-1] == "CMD"
    assert [word for word in words if not hasattr(steps.Build, f"_{word.lower()}")] == []


def test_lines_that_go_on_are_one_instruction_and_comments_none():
    text = "# why\nRUN one \\\n && two\n\nENV A=1 \\\n    B=2\n"
    assert [(word, rest.split()) for word, rest in steps.instructions(text)] == [
        ("RUN", ["one", "&&", "two"]),
        ("ENV", ["A=1", "B=2"]),
    ]


def test_what_the_dockerfile_copies_is_sent_and_nothing_else():
    ignored = (ROOT / ".dockerignore").read_text(encoding="utf-8")
    copied = [rest.split()[0] for word, rest in steps.instructions(DOCKERFILE) if word == "COPY" and "--" not in rest]
    assert copied
    assert [name for name in copied if not steps.sent(ignored, name)] == []
    assert not steps.sent(ignored, "var")
    assert not steps.sent("!tests", "tests")  # a list that lets everything through


def test_an_unknown_instruction_ends_the_run(tmp_path):
    with pytest.raises(SystemExit, match="ONBUILD of the Dockerfile is not known"):
        build(tmp_path).take("ONBUILD", "RUN true")


def test_environment_folder_user_and_start_are_kept_as_they_are_set(tmp_path):
    made = build(tmp_path)
    for word, rest in (
        ("ENV", "PATH=/venv/bin:$PATH A='two words'"),
        ("WORKDIR", "/app"),
        ("USER", "tributary"),
        ("HEALTHCHECK", '--interval=30s CMD ["python", "probe.py"]'),
        ("CMD", '["gunicorn"]'),
    ):
        made.take(word, rest)
    stage = made.stage
    assert stage.env["PATH"].startswith("/venv/bin:/usr/local/sbin")
    assert (stage.env["A"], stage.folder, stage.user) == ("two words", "/app", "tributary")
    assert (stage.health, stage.command) == (["python", "probe.py"], ["gunicorn"])
    assert (tmp_path / "one" / "app").is_dir()
    assert steps.in_stage(stage, ["true"])[:3] == ["chroot", "--userspec=tributary", str(tmp_path / "one")]


def test_copying_keeps_files_and_folders_where_docker_puts_them(tmp_path):
    made = build(tmp_path)
    made.take("WORKDIR", "/app")
    made.take("COPY", "manage.py ./")
    made.take("COPY", "config ./config")
    assert (tmp_path / "one/app/manage.py").is_file()
    assert (tmp_path / "one/app/config/settings.py").is_file()
    with pytest.raises(SystemExit, match="leaves it out"):
        made.take("COPY", "tests ./tests")


def test_a_volume_that_no_step_made_is_refused(tmp_path):
    with pytest.raises(SystemExit, match="no earlier step made this folder"):
        build(tmp_path).take("VOLUME", "/data")
