"""WSGI entry for gunicorn."""

import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
application = get_wsgi_application()

from procedures.selectors.signals import load_libraries  # noqa: E402 - only after the applications are set up
from registry.jobs import beside  # noqa: E402

load_libraries()
beside.start()
