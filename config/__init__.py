"""Settings, addresses and processes of the service."""

from config import checks
from config.celery import app as celery_app

__all__ = ["celery_app", "checks"]
