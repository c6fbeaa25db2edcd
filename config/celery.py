"""The Celery application."""

import os
from typing import Any

from celery import Celery
from celery.signals import setup_logging, worker_process_init

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
app = Celery("tributary")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()


def _log(**_: object) -> None:
    """Write the log as the web process does."""
    from logging.config import dictConfig

    from django.conf import settings

    dictConfig(settings.LOGGING)


setup_logging.connect(_log, weak=False)


@worker_process_init.connect
def give_way(**_: Any) -> None:
    """Let the web processes of the same machine go first: somebody waits for them."""
    os.nice(5)
