"""The demo: make the database, load the invented scenario, print the comparison of the worked session, then serve it.

``SERVE=0`` stops after the tables; ``PORT`` chooses the port. How far it is goes to standard error, what was asked for
to standard output.
"""

import io
import os
import re
import socket
import sys
from pathlib import Path
from typing import NoReturn

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

# The embedded edition, regardless of the shell's variables.
for _name in ("TRIBUTARY_PRODUCTION", "DATABASE_URL", "CELERY_BROKER_URL"):
    os.environ.pop(_name, None)
os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

from fixtures.demo.progress import Progress  # noqa: E402


def say(line: str) -> None:
    """Tell the person who waits."""
    print(line, file=sys.stderr, flush=True)


def free(port: int) -> bool:
    """Say whether nobody listens there."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            return False
    return True


def port_for(asked: str) -> int:
    """Return the port asked for, or the first free one from 8000 on; a bad or taken one ends with a sentence."""
    if not asked:
        return next(port for port in range(8000, 8100) if free(port))
    if not re.fullmatch(r"[0-9]{1,5}", asked) or not 0 < int(asked) < 65536:
        stop(f"PORT must be a number from 1 to 65535, not '{asked}'.")
    if not free(int(asked)):
        stop(f"Port {asked} is in use; choose another with PORT=...")
    return int(asked)


def stop(sentence: str) -> NoReturn:
    """End as wrong input does."""
    say(sentence)
    sys.exit(2)


def start() -> None:
    """Read the program, which on a busy machine takes as long as a step."""
    import django

    django.setup()
    from django.urls import get_resolver

    import fixtures.demo.loading  # noqa: F401

    _ = get_resolver().url_patterns


def migrate(progress: Progress) -> None:
    """Bring the database up to date, with a counter."""
    from django.core.management import call_command
    from django.core.management.commands.migrate import Command
    from django.db import connection
    from django.db.migrations.executor import MigrationExecutor

    done = 0

    class Counting(Command):
        def migration_progress_callback(self, action: str, migration: object = None, fake: bool = False) -> None:
            nonlocal done
            done += action == "apply_success"
            progress.at(f"{done} of {total}")

    with progress.step("Migrations"):
        executor = MigrationExecutor(connection)
        total = len(executor.migration_plan(executor.loader.graph.leaf_nodes()))
        call_command(Counting(), interactive=False, verbosity=0)


def load() -> str:
    """Load the scenario and print what was loaded; return the lines that say how to log in."""
    from django.core.management import call_command

    told = io.StringIO()
    call_command("load_demo", stdout=told)
    loaded, _, log_ins = told.getvalue().partition("Log-ins")
    print(loaded, end="")
    return f"Log-ins{log_ins}"


def main() -> None:
    """Go through the steps."""
    serving = os.environ.get("SERVE", "1") != "0"
    steps = 5 if serving else 4
    say(f"[1 of {steps}] Making the database")
    port = port_for(os.environ.get("PORT", "")) if serving else 0
    (ROOT / "staticfiles").mkdir(exist_ok=True)  # nothing is collected here; its absence would only be warned about
    progress = Progress(sys.stderr)
    with progress.step("Starting"):
        start()

    from django.core.management import call_command

    migrate(progress)
    say(f"[2 of {steps}] Loading the invented scenario; its recording is generated and analysed")
    log_ins = load()

    from fixtures.demo.scenario import scenario

    say(f"[3 of {steps}] Comparing the sites of the worked session")
    call_command("compare_sites", scenario().worked_session)
    say(f"[4 of {steps}] Holding the comparison against the truth that the recording was made from")
    call_command("check_demo")
    print(log_ins, end="", flush=True)
    if serving:
        say(f"[5 of {steps}] Serving")
        print(f"Tributary is at http://localhost:{port}/ (Ctrl-C stops it).", flush=True)
        gunicorn = str(Path(sys.executable).with_name("gunicorn"))
        options = ["--threads", "4", "--log-level", "warning", "--no-control-socket"]
        os.execv(gunicorn, [gunicorn, "config.wsgi", "--bind", f"127.0.0.1:{port}", *options])  # noqa: S606


if __name__ == "__main__":
    main()
