"""Take the steps of the Dockerfile without Docker: each stage in a folder that stands for its image.

    python3 config/ops/dockerfile_steps.py CONTEXT BASE FOLDER

``CONTEXT`` is a checkout, ``BASE`` the root of a Debian that stands for the image named by ``FROM``, and ``FOLDER``
takes one root a stage. Commands run by ``chroot``, so this needs root. ``FOLDER/image.json`` says at the end where the
last stage is and how a container of it would start. An instruction that is not known here ends the run, so that the two
cannot drift apart unnoticed. Only Python's own library is used: it runs before anything is installed.
"""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import subprocess
import sys
from dataclasses import asdict, dataclass, field
from pathlib import Path

# Where packages come from is this machine's own matter: its settings reach every command and stay in no stage.
_OF_THE_MACHINE = re.compile(r"(PIP|UV|SSL_CERT|NPM_CONFIG)_\w+|\w+_proxy", re.IGNORECASE)
_START = ("PATH", "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin")


@dataclass
class Stage:
    """The root of one stage, and what its instructions have set."""

    root: str
    env: dict[str, str] = field(default_factory=lambda: dict([_START]))
    folder: str = "/"
    user: str = "root"
    command: list[str] = field(default_factory=list)
    health: list[str] = field(default_factory=list)


def instructions(text: str) -> list[tuple[str, str]]:
    """Return the instructions of a Dockerfile in order, each as its word and the rest of its line."""
    kept = [line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")]
    joined = re.sub(r"\\\n", " ", "\n".join(kept))
    return [(word.upper(), rest.strip()) for word, _, rest in (line.partition(" ") for line in joined.splitlines())]


def sent(ignored: str, source: str) -> bool:
    """Say whether a .dockerignore that leaves out everything lets this name through."""
    lines = [line.strip() for line in ignored.splitlines()]
    return "*" in lines and f"!{source.split('/')[0]}" in lines


class Build:
    """Stages by name, made one after the other."""

    def __init__(self, context: Path, base: Path, folder: Path) -> None:
        self.context, self.base, self.folder = context, base, folder
        self.stages: dict[str, Stage] = {}
        self.stage = Stage("")

    def take(self, word: str, rest: str) -> None:
        """Do one instruction."""
        step = getattr(self, f"_{word.lower()}", None)
        if step is None:
            sys.exit(f"The instruction {word} of the Dockerfile is not known to {Path(__file__).name}; add it there.")
        step(rest)

    def _from(self, rest: str) -> None:
        name = rest.split()[2] if " AS " in rest.upper() else str(len(self.stages))
        root = self.folder / name
        subprocess.run(["cp", "-a", "--one-file-system", self.base, root], check=True)
        subprocess.run(["mount", "-t", "proc", "proc", root / "proc"], check=True)
        subprocess.run(["mount", "--rbind", "/dev", root / "dev"], check=True)
        self.stage = self.stages[name] = Stage(str(root))

    def _env(self, rest: str) -> None:
        for pair in shlex.split(rest):
            name, _, value = pair.partition("=")
            self.stage.env[name] = re.sub(r"\$(\w+)", lambda match: self.stage.env.get(match[1], ""), value)

    def _workdir(self, rest: str) -> None:
        self.stage.folder = rest
        self._inside(rest).mkdir(parents=True, exist_ok=True)

    def _copy(self, rest: str) -> None:
        *options, source, target = shlex.split(rest)
        if options:
            (option,) = options
            start = Path(self.stages[option.removeprefix("--from=")].root) / source.lstrip("/")
        else:
            if not sent((self.context / ".dockerignore").read_text(encoding="utf-8"), source):
                sys.exit(f"COPY {source}: .dockerignore leaves it out.")
            start = self.context / source
        goal = self._inside(str(Path(self.stage.folder) / target))
        if start.is_dir():
            shutil.copytree(start, goal, symlinks=True, dirs_exist_ok=True)
        else:
            shutil.copy2(start, goal / start.name if target.endswith("/") else goal)

    def _run(self, rest: str) -> None:
        subprocess.run(in_stage(self.stage, ["/bin/sh", "-c", rest]), check=True)

    def _user(self, rest: str) -> None:
        self.stage.user = rest

    def _cmd(self, rest: str) -> None:
        self.stage.command = json.loads(rest)

    def _healthcheck(self, rest: str) -> None:
        self.stage.health = json.loads(rest.partition("CMD ")[2])

    def _volume(self, rest: str) -> None:
        if not self._inside(rest).is_dir():
            sys.exit(f"VOLUME {rest}: no earlier step made this folder, so only root could write there.")

    def _expose(self, rest: str) -> None:
        int(rest)

    def _inside(self, path: str) -> Path:
        return Path(self.stage.root) / path.lstrip("/")


def in_stage(stage: Stage, words: list[str], **more: str) -> list[str]:
    """Return the words that run a command in the stage as its user, in its folder and with its environment."""
    passed = {name: value for name, value in os.environ.items() if _OF_THE_MACHINE.fullmatch(name)}
    pairs = [f"{name}={value}" for name, value in (passed | stage.env | more).items()]
    there = ["/bin/sh", "-c", 'cd "$0" && exec "$@"', stage.folder, *words]
    return ["chroot", f"--userspec={stage.user}", stage.root, "/usr/bin/env", "-i", *pairs, *there]


def main() -> None:
    """Take every step, saying which."""
    if len(sys.argv) != 4:
        sys.exit("Usage: dockerfile_steps.py CONTEXT BASE FOLDER")
    context, base, folder = (Path(word).resolve() for word in sys.argv[1:])
    folder.mkdir(parents=True, exist_ok=True)
    build = Build(context, base, folder)
    for word, rest in instructions((context / "Dockerfile").read_text(encoding="utf-8")):
        print(f"  {word} {' '.join(rest.split())[:100]}", file=sys.stderr, flush=True)
        try:
            build.take(word, rest)
        except subprocess.CalledProcessError as error:
            sys.exit(f"{word} ended with {error.returncode}: {rest}")
    (folder / "image.json").write_text(json.dumps(asdict(build.stage)), encoding="utf-8")


if __name__ == "__main__":
    main()
