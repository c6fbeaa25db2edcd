"""Days are written in one way for people."""

import datetime as dt
import re
from pathlib import Path

from registry.days import in_words

ROOT = Path(__file__).parents[2]
# The month in three letters only where a table is narrow.
ONE_WAY = {"j F Y", "j M Y", "j F Y, H:i", "j F Y, H:i:s", "H:i", "H:i:s", "F", "c"}


def test_day_in_words():
    assert in_words(dt.date(2026, 5, 3)) == "3 May 2026"


def test_templates_write_dates_in_one_way():
    found = {}
    for room in ("config", "registry", "procedures", "analytics"):
        for page in (ROOT / room).rglob("templates/**/*.html"):
            for written in re.findall(r"\|date:[\"']([^\"']*)[\"']", page.read_text()):
                found.setdefault(written, page.name)
    assert "j F Y" in found
    assert {written: name for written, name in found.items() if written not in ONE_WAY} == {}
