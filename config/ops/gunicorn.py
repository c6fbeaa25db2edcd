"""How gunicorn runs the web process in production; command-line options win over what stands here."""

from typing import Any

bind = "0.0.0.0:8000"
workers = 2
# Threads, so that one person's large upload does not hold up another's page.
threads = 4
timeout = 120
graceful_timeout = 30
# A worker is replaced after a while, so that a slow leak never becomes an outage.
max_requests = 5000
max_requests_jitter = 500
errorlog = "-"
# Nothing in the container may steer the server.
control_socket_disable = True


def on_starting(server: Any) -> None:
    """Check the set-up before a request is taken; what is wrong is said and the start fails."""
    import os
    import sys

    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    import django
    from django.core.exceptions import ImproperlyConfigured
    from django.core.management import call_command
    from django.core.management.base import SystemCheckError

    try:
        django.setup()
        call_command("check", deploy=True, fail_level="ERROR")
    except (SystemCheckError, ImproperlyConfigured) as error:
        sys.exit(str(error))
