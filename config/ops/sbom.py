"""Write the bill of materials of a release, in CycloneDX: ``python config/ops/sbom.py FILE``.

cyclonedx-bom turns the lock of the service into components with version and hashes. Added are their licences, as the
installed packages state them; the scripts that are served from ``config/static/vendor``; and, as not part of the
service, the tools that check the scripts. The file repeats the locks, so it is made for a release and not kept here.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
import subprocess
import sys
from importlib import metadata
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
VENDOR = ROOT / "config" / "static" / "vendor"
_TOOL = Path(sys.executable).parent / "cyclonedx-py"
_SERVED = re.compile(
    r"^\| `(?P<file>[^`]+)` \| `(?P<name>[^`]+)` [^|]*\| (?P<version>\S+) \| (?P<licence>[^ ,]+),", re.MULTILINE
)
_MOST_WORDS = 5  # of a licence's name; longer texts are the licence itself


def bill() -> dict[str, Any]:
    """Return the bill as CycloneDX JSON."""
    words = [str(_TOOL), "requirements", "requirements.lock", "--pyproject", "pyproject.toml"]
    words += ["--mc-type", "application", "--short-PURLs", "--output-reproducible", "-o", "-"]
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, check=True)
    made: dict[str, Any] = json.loads(done.stdout)
    for component in made["components"]:
        component.pop("description", None)  # the line of the lock once more
        if licences := _licences(component["name"]):
            component["licenses"] = licences
    made["components"] += [*_served(), *_tools()]
    return made


def _licences(name: str) -> list[dict[str, Any]]:
    """Return what an installed package says of its licence; nothing where it is not installed here."""
    try:
        about = metadata.metadata(name)
    except metadata.PackageNotFoundError:
        return []
    if expression := (about.get_all("License-Expression") or [""])[0]:
        return [{"expression": expression}]
    said = [one.rpartition(" :: ")[2] for one in about.get_all("Classifier") or [] if one.startswith("License :: ")]
    short = (about.get_all("License") or [""])[0].strip()
    if short and len(short.split()) <= _MOST_WORDS:
        said = [short]
    return [{"license": {"name": one}} for one in said]


def _served() -> list[dict[str, Any]]:
    found = []
    for row in _SERVED.finditer((VENDOR / "README.md").read_text()):
        content = (VENDOR / row["file"]).read_bytes()
        found.append(
            {
                "type": "library",
                "bom-ref": f"served-{row['file']}",
                "name": row["name"],
                "version": row["version"],
                "purl": f"pkg:npm/{row['name']}@{row['version']}",
                "hashes": [{"alg": "SHA-256", "content": hashlib.sha256(content).hexdigest()}],
                "licenses": [{"license": {"id": row["licence"]}}],
            }
        )
    return found


def _tools() -> list[dict[str, Any]]:
    found = []
    for place, about in json.loads((ROOT / "package-lock.json").read_text())["packages"].items():
        if not place:
            continue
        name = place.rpartition("node_modules/")[2]
        kind, _, digest = about["integrity"].partition("-")
        component: dict[str, Any] = {
            "type": "library",
            "scope": "excluded",
            "bom-ref": f"tool-{place}",
            "name": name,
            "version": about["version"],
            "purl": f"pkg:npm/{name.replace('@', '%40')}@{about['version']}",
            "hashes": [{"alg": kind.upper().replace("SHA", "SHA-"), "content": base64.b64decode(digest).hex()}],
        }
        if "license" in about:
            component["licenses"] = [{"expression": about["license"]}]
        found.append(component)
    return found


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("Name the file to write: python config/ops/sbom.py FILE")
    target = Path(sys.argv[1])
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_text(json.dumps(bill(), indent=1, sort_keys=True) + "\n")
    print(target)
