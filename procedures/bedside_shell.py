"""Which files make up the bedside page, and a name for exactly these: its build."""

from __future__ import annotations

import hashlib
import json
from functools import lru_cache
from pathlib import Path

from django.conf import settings
from django.contrib.staticfiles import finders
from django.templatetags.static import static

_FOLDER = Path(__file__).parent / "static" / "procedures" / "bedside"
_WORKER = _FOLDER.parent / "bedside_worker.js"
_TEMPLATE = Path(__file__).parent / "templates" / "procedures" / "bedside.html"
# Modules of the site that the page's scripts import, so that their addresses bear no hash.
_IMPORTED = ("registry/lock_screen.js", "tributary/numbers.js", "tributary/current_token.js")
# Files of the site that the page uses too.
_SHARED = (
    *("tributary/theme.js", "tributary/page.js", "tributary/mark.svg", "tributary/tokens.css", "tributary/base.css"),
    *("tributary/forms.css", "tributary/tables.css", "tributary/components.css", "registry/lock.js"),
    *_IMPORTED,
)
# Fetched by the page itself once the log stands, or by another page.
_LATER = (
    *("/page.js", "/logged_in.js", "/sitepad.js", "/polar.js", "/sitedetails.js", "/veinkey.js", "/stepdown.js"),
    *("/correct.js", "/difficulty.js", "/decision.js", "/ending.js", "/check.js"),
)


def names() -> list[str]:
    """Return the names of the files, as the templates give them."""
    own = sorted(path.name for path in _FOLDER.iterdir() if path.suffix in {".js", ".css", ".webmanifest"})
    return [*_SHARED, *(f"procedures/bedside/{name}" for name in own)]


@lru_cache(maxsize=1)
def modules() -> list[str]:
    """Return the addresses that the page's first module leads to, to be fetched at once rather than one by one."""
    own = (name for name in names() if name.startswith("procedures/bedside/") and name.endswith(".js"))
    return [settings.STATIC_URL + name for name in (*_IMPORTED, *own) if not name.endswith(_LATER)]


@lru_cache(maxsize=1)
def files() -> list[str]:
    """Return every address the page loads: hashed where a template names the file, plain where a module imports it."""
    return sorted({address for name in names() for address in (static(name), settings.STATIC_URL + name)})


@lru_cache(maxsize=1)
def build() -> str:
    """Return a digest of the content of all of them; a different one makes every tablet fetch them again."""
    digest = hashlib.sha256(_TEMPLATE.read_bytes())
    for name in names():
        digest.update(name.encode())
        digest.update(_content(name))
    return digest.hexdigest()[:16]


def worker_script(named: str) -> str:
    """Return the service worker, which keeps the files of the build of this name."""
    first = f"const BUILD = {json.dumps(named)};\nconst FILES = {json.dumps(files())};\n"
    return first + _worker()


@lru_cache(maxsize=1)
def _worker() -> str:
    return _WORKER.read_text(encoding="utf-8")


def _content(name: str) -> bytes:
    own = _FOLDER.parent.parent / name
    path = own if own.is_file() else Path(_found(name))
    return path.read_bytes()


def _found(name: str) -> str:
    return str(finders.find(name))
