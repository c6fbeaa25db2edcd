"""The bill of materials: everything locked and everything served, with version, hash and licence."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from cyclonedx.schema import SchemaVersion
from cyclonedx.validation.json import JsonStrictValidator
from django.conf import settings

from config.ops import sbom

ROOT = Path(settings.BASE_DIR)


@pytest.fixture(scope="module")
def bill() -> dict[str, Any]:
    return sbom.bill()


def test_every_locked_package_is_in_it_with_all_its_hashes(bill):
    locked = {}
    for part in re.split(r"\n(?=[a-z0-9])", (ROOT / "requirements.lock").read_text()):
        if found := re.match(r"([a-z0-9._-]+)==(\S+)", part):
            locked[found[1], found[2]] = set(re.findall(r"sha256:([0-9a-f]{64})", part))
    stated = {
        (one["name"], one["version"]): {
            digest["content"] for where in one["externalReferences"] for digest in where.get("hashes", [])
        }
        for one in bill["components"]
        if one["purl"].startswith("pkg:pypi/")
    }
    assert len(locked) > 60
    assert stated == locked


def test_served_scripts_and_tools_are_in_it(bill):
    served = {path.name for path in sbom.VENDOR.glob("*.js")}
    assert {
        one["bom-ref"].removeprefix("served-") for one in bill["components"] if "served-" in one["bom-ref"]
    } == served
    tools = json.loads((ROOT / "package-lock.json").read_text())["packages"].keys() - {""}
    assert {one["bom-ref"].removeprefix("tool-") for one in bill["components"] if "tool-" in one["bom-ref"]} == tools
    assert all("hashes" in one for one in bill["components"] if not one["purl"].startswith("pkg:pypi/"))


def test_licences_are_said(bill):
    silent = [one["name"] for one in bill["components"] if not one.get("licenses")]
    # Locked for other systems or Python versions, so not installed here.
    assert len(silent) <= 5, silent


def test_it_is_cyclonedx(bill):
    version = SchemaVersion.from_version(bill["specVersion"])
    assert JsonStrictValidator(version).validate_str(json.dumps(bill)) is None
