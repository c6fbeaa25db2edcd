"""How gunicorn runs the web process in production; command-line options win over what stands here.

Counts come from the environment: ``TRIBUTARY_WEB_PROCESSES``, ``TRIBUTARY_WEB_THREADS``, ``TRIBUTARY_WEB_BIND``.
"""

import os
import shutil
import tempfile
from typing import Any

from config import environment as env
from config.watching.logs import configuration

bind = os.environ.get("TRIBUTARY_WEB_BIND", "0.0.0.0:8000")
workers = env.number("TRIBUTARY_WEB_PROCESSES", 2)
# Threads, so that one person's large upload does not hold up another's page.
threads = env.number("TRIBUTARY_WEB_THREADS", 4)
# Loaded once, before the processes are made: a replaced one answers at once (docs/production.md).
preload_app = True
timeout = 120
graceful_timeout = 30
# A worker is replaced after a while, so that a slow leak never becomes an outage.
max_requests = 5000
max_requests_jitter = 500
errorlog = "-"
logconfig_dict = configuration("INFO", as_json=True)
# Nothing in the container may steer the server.
control_socket_disable = True

# Metrics are added up over the processes through files in a folder of this server's own.
os.environ["PROMETHEUS_MULTIPROC_DIR"] = tempfile.mkdtemp(prefix="tributary-metrics-")


def pre_fork(server: Any, worker: Any) -> None:
    """Give the new process the first free place: its counts go on where those of the one before it ended."""
    taken = {other.tributary_place for other in server.WORKERS.values()}
    worker.tributary_place = next(place for place in range(1, 1000) if place not in taken)


def post_fork(server: Any, worker: Any) -> None:
    """Say in the new process which place it has."""
    os.environ["TRIBUTARY_PLACE"] = str(worker.tributary_place)


def on_exit(server: Any) -> None:
    """Remove the counts; they start from zero with the server."""
    shutil.rmtree(os.environ["PROMETHEUS_MULTIPROC_DIR"], ignore_errors=True)


def on_starting(server: Any) -> None:
    """Check the set-up before a request is taken; what is wrong is said and the start fails."""
    import io
    import sys

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    import django
    from django.core.exceptions import ImproperlyConfigured
    from django.core.management import call_command
    from django.core.management.base import SystemCheckError

    try:
        django.setup()
        call_command("check", deploy=True, fail_level="ERROR", stdout=io.StringIO())
    except (SystemCheckError, ImproperlyConfigured) as error:
        sys.exit(str(error))
