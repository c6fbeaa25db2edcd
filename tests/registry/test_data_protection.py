"""docs/data-protection.md says what the declarations and commands say, and names nothing that is not there."""

import re

from django.conf import settings
from django.core.management import get_commands

from tests.registry.data_protection_table import table

PAGE = settings.BASE_DIR / "docs" / "data-protection.md"
#: Words after manage.py on the page.
_COMMAND = re.compile(r"`manage\.py ([a-z_]+)")
_PATH = re.compile(r"`((?:tests|registry|config|docs)/[\w/.]+)`")


def test_the_table_of_categories_is_what_the_fields_declare():
    """When it fails, put what ``table()`` returns into the page."""
    written = [
        line
        for line in PAGE.read_text().splitlines()
        if line.startswith(("| analytics.", "| procedures.", "| registry."))
    ]
    assert written == table().splitlines()[2:]
    assert len(written) > 40


def test_every_command_and_path_it_names_exists():
    text = PAGE.read_text()
    commands, paths = set(_COMMAND.findall(text)), set(_PATH.findall(text))

    assert commands >= {"person_copy", "breach_report", "erase_patient"}
    assert commands - get_commands().keys() == set()
    assert len(paths) > 10
    assert [path for path in sorted(paths) if not (settings.BASE_DIR / path).exists()] == []
    links = re.findall(r"\]\(([^)#:]+)\)", text)
    assert [link for link in links if not (PAGE.parent / link).exists()] == []
