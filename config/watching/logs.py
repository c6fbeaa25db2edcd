"""The log: one JSON object a line, with time, level, request, account and centre, and never an identifier.

Only the fields named here leave. Three things that a library may put into a message are left out, because they hold
what somebody typed or what stands in a record: the path of an address, the message of an exception (a database quotes
the row), and arguments of a traceback. What kind of exception it was, and where, stays.

gunicorn loads this module before Django is set up, so it imports nothing that needs settings.
"""

from __future__ import annotations

import datetime as dt
import json
import logging
import traceback
from collections.abc import Mapping
from types import TracebackType
from typing import Any

from registry.log_context import noted

#: Loggers whose messages quote an address or a header after the first colon.
_QUOTING = ("django.request", "django.security", "django.server")
_ABOUT = ("request", "run", "address", "account", "centre")


class JsonLines(logging.Formatter):
    """One JSON object a line; ``extra={"fields": {...}}`` adds to it."""

    def format(self, record: logging.LogRecord) -> str:
        """Write one line."""
        about = noted()
        line: dict[str, Any] = {
            "time": dt.datetime.fromtimestamp(record.created, dt.UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname,
            "logger": record.name,
            "message": _message(record),
        }
        line |= {name: about[name] for name in _ABOUT if name in about}
        line |= getattr(record, "fields", {})
        if record.exc_info and record.exc_info[0] is not None:
            line["fault"] = _fault(record.exc_info[0], record.exc_info[2])
        return json.dumps(line, ensure_ascii=False, default=str)


def _message(record: logging.LogRecord) -> str:
    text = record.getMessage()
    if record.name.startswith(_QUOTING):
        return text.split(":")[0]
    if isinstance(record.args, tuple) and any(isinstance(one, BaseException) for one in record.args):
        # An exception's own words may quote a row.
        kinds = tuple(type(one).__name__ if isinstance(one, BaseException) else one for one in record.args)
        return str(record.msg) % kinds
    if isinstance(record.args, Mapping) and "exc" in record.args:  # Celery, of a task that failed
        return str(record.msg) % {**record.args, "exc": "a fault", "traceback": "", "args": "", "kwargs": ""}
    return text


def _fault(kind: type[BaseException], place: TracebackType | None) -> dict[str, Any]:
    frames = [f"{one.filename}:{one.lineno} {one.name}" for one in traceback.extract_tb(place)]
    return {"kind": f"{kind.__module__}.{kind.__qualname__}", "at": frames}


def configuration(level: str, *, as_json: bool) -> dict[str, Any]:
    """Return the configuration of the log; as JSON, every request has its line too."""
    return {
        "version": 1,
        "disable_existing_loggers": False,
        "formatters": {
            "json": {"()": "config.watching.logs.JsonLines"},
            "text": {"format": "%(levelname)s %(name)s: %(message)s"},
        },
        "handlers": {
            "console": {"class": "logging.StreamHandler", "formatter": "json" if as_json else "text"},
            "nowhere": {"class": "logging.NullHandler"},
        },
        "root": {"handlers": ["console"], "level": level},
        "loggers": {
            "tributary": {"level": "INFO" if as_json else level},
            "celery": {"level": "INFO"},
            "gunicorn.error": {"level": "INFO", "handlers": ["console"], "propagate": False},
            # Django gives these handlers of their own; every line goes one way.
            "django": {"handlers": [], "propagate": True},
            "django.server": {"handlers": ["console"], "level": "INFO", "propagate": False},
            # It quotes what stands in an odd element, such as a name; what is wrong with a file is said to its sender.
            "pydicom": {"handlers": ["nowhere"], "propagate": False},
        },
    }
