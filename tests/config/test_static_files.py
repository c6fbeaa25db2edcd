"""What collectstatic ships: nothing that no page uses."""

from __future__ import annotations

import re

from django.contrib.staticfiles.finders import get_finders


def shipped() -> set[str]:
    """Return the path of every static file that collectstatic takes."""
    return {path for finder in get_finders() for path, _ in finder.list(None)}


def test_no_script_or_style_of_an_unused_page_is_shipped() -> None:
    files = shipped()
    assert [path for path in files if re.search(r"jquery|bootstrap|fontawesome|glyphicons|^admin/", path, re.I)] == []
    tops = {path.split("/")[0] for path in files}
    assert tops <= {"tributary", "vendor", "registry", "procedures", "analytics", "mfa", "account", "django_htmx"}


def test_what_the_pages_use_is_shipped() -> None:
    files = shipped()
    assert {"mfa/js/webauthn.js", "mfa/js/webauthn-json.js", "registry/passkey.js", "registry/lock.js"} <= files
