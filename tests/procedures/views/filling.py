"""Filling a form in as a browser would: what the page holds already, and what is typed over it."""

import datetime as dt


def fill(response, **typed):
    """Return what the form of a page would send; ``None`` leaves a field empty."""
    data = {}
    for field in response.context["form"]:
        value = field.value()
        if isinstance(value, dt.datetime):
            value = f"{value:%Y-%m-%dT%H:%M:%S}"
        if value not in (None, False):
            data[field.html_name] = value
    return {name: value for name, value in (data | typed).items() if value is not None}


def messages_of(response):
    """Return every message of the form of a page."""
    form = response.context["form"]
    return [message for messages in form.errors.values() for message in messages]
