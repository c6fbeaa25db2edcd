"""Functions of the pure packages are documented in full, or internal: those have an underscore.

A name without an underscore says shapes, units, what becomes of NaN, errors and the source of its definition. A name
with one may be used by other modules of its own package, and by tests, but by no other package.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from django.conf import settings

ROOT = Path(settings.BASE_DIR)
PACKAGES = (
    "procedures.haemodynamics",
    "procedures.electrocardiogram",
    "procedures.acute_response",
    "procedures.recordings",
    "analytics.statistics",
    "registry.clinical",
    "registry.response",
)
ROOMS = ("registry", "procedures", "analytics", "config", "fixtures")
_ARRAY = re.compile(r"FloatArray|IntArray|NDArray|Floats|Mask")
# A paper with volume and page, a year in words, or the plain statement that there is none.
_SOURCE = re.compile(
    r"\d{4};\d+|PMID \d+|from memory|own definition|common practice, no source|guideline", re.IGNORECASE
)


def folder(package: str) -> Path:
    return ROOT.joinpath(*package.split("."))


def public(package: str) -> Iterator[tuple[str, ast.FunctionDef]]:
    """Yield the functions of a package that have no underscore, with their dotted names."""
    for path in sorted(folder(package).rglob("*.py")):
        module = ".".join(path.relative_to(ROOT).with_suffix("").parts)
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
                yield f"{module}.{node.name}", node


def internal_imports(path: Path) -> list[str]:
    """Return the names with an underscore that a file imports from a pure package it does not belong to."""
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        module = (node.module or "") if isinstance(node, ast.ImportFrom) and not node.level else ""
        package = next((one for one in PACKAGES if f"{module}.".startswith(f"{one}.")), None)
        if isinstance(node, ast.ImportFrom) and package and not path.is_relative_to(folder(package)):
            found += [f"{module}.{alias.name}" for alias in node.names if alias.name.startswith("_")]
    return found


PUBLIC = [each for package in PACKAGES for each in public(package)]


def wanting(node: ast.FunctionDef) -> list[str]:
    """Return what the docstring of a function leaves unsaid."""
    text = ast.get_docstring(node) or ""
    arguments = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
    arguments += [one for one in (node.args.vararg, node.args.kwarg) if one]
    taken = " ".join(ast.unparse(one.annotation) for one in arguments if one.annotation)
    given = ast.unparse(node.returns) if node.returns else "None"
    found = []
    if arguments:
        section = text.partition("Parameters\n----------\n")[2].partition("\n\n")[0]
        missing = [one.arg for one in arguments if not re.search(rf"\b{one.arg}\b", section)]
        found += [f"parameter {name}" for name in missing]
    if given != "None" and not re.search(r"(Returns\n-------|Yields\n------)\n", text):
        found.append("what it returns")
    if any(isinstance(one, ast.Raise) for one in ast.walk(node)) and "Raises\n------\n" not in text:
        found.append("what it raises")
    if _ARRAY.search(taken + given) and not re.search(r"[Ss]hape|: \(|\((n|m|k|rows|f|points),", text):
        found.append("shapes")
    if re.search(r"\bfloat\b", taken) or _ARRAY.search(taken):
        if "NaN" not in text:
            found.append("what becomes of NaN")
        if not _SOURCE.search(text):
            found.append("the source of its definition, or that there is none")
    return found


@pytest.mark.parametrize(("name", "node"), PUBLIC, ids=[name for name, _ in PUBLIC])
def test_function_without_underscore_says_what_it_takes_and_gives(name: str, node: ast.FunctionDef) -> None:
    assert wanting(node) == [], "document it in full, or put an underscore before its name"


def test_function_with_underscore_stays_in_its_package() -> None:
    taken = {
        str(path.relative_to(ROOT)): found
        for room in ROOMS
        for path in (ROOT / room).rglob("*.py")
        if (found := internal_imports(path))
    }
    assert taken == {}


def test_every_package_has_public_functions() -> None:
    for package in PACKAGES:
        assert any(name.startswith(f"{package}.") for name, _ in PUBLIC), package


def test_an_internal_import_is_seen(tmp_path: Path) -> None:
    path = tmp_path / "elsewhere.py"
    path.write_text("from procedures.haemodynamics.windows import _gather, IntArray\n", encoding="utf-8")
    assert internal_imports(path) == ["procedures.haemodynamics.windows._gather"]


def test_the_test_sees_what_is_left_unsaid() -> None:
    source = "def twice(x: FloatArray, factor: float) -> FloatArray:\n    '''Twice.'''\n    raise ValueError\n"
    node = ast.parse(source).body[0]
    assert isinstance(node, ast.FunctionDef)
    assert wanting(node) == [
        "parameter x",
        "parameter factor",
        "what it returns",
        "what it raises",
        "shapes",
        "what becomes of NaN",
        "the source of its definition, or that there is none",
    ]
