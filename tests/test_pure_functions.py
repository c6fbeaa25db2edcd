"""Public functions of the pure packages say what they take and give: shapes, units, NaN, errors, and the source.

Public is what a package exports in ``__all__`` and what another room imports from it; the test reads both off the code.
"""

from __future__ import annotations

import ast
import re
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
_SOURCE = re.compile(r"\d{4};\d+|from memory|own definition|common practice, no source|guideline", re.IGNORECASE)


def folder(package: str) -> Path:
    return ROOT.joinpath(*package.split("."))


def functions(package: str) -> dict[str, list[ast.FunctionDef]]:
    """Return the module-level functions of a package by name."""
    found: dict[str, list[ast.FunctionDef]] = {}
    for path in sorted(folder(package).rglob("*.py")):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
                found.setdefault(node.name, []).append(node)
    return found


def exported(package: str) -> set[str]:
    names: set[str] = set()
    for node in ast.parse((folder(package) / "__init__.py").read_text(encoding="utf-8")).body:
        if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "__all__":
            names |= set(ast.literal_eval(node.value))
    return names


def imported_elsewhere(package: str) -> set[str]:
    names: set[str] = set()
    for room in ROOMS:
        for path in (ROOT / room).rglob("*.py"):
            if path.is_relative_to(folder(package)):
                continue
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                module = node.module or "" if isinstance(node, ast.ImportFrom) else ""
                if isinstance(node, ast.ImportFrom) and f"{module}.".startswith(f"{package}."):
                    names |= {alias.name for alias in node.names}
    return names


def public() -> list[tuple[str, ast.FunctionDef]]:
    found = []
    for package in PACKAGES:
        known = functions(package)
        for name in sorted(exported(package) | imported_elsewhere(package)):
            found += [(f"{package}.{name}", node) for node in known.get(name, [])]
    return found


PUBLIC = public()


def wanting(node: ast.FunctionDef) -> list[str]:
    """Return what the docstring of a function leaves unsaid."""
    text = ast.get_docstring(node) or ""
    arguments = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
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
def test_public_function_says_what_it_takes_and_gives(name: str, node: ast.FunctionDef) -> None:
    assert wanting(node) == []


def test_every_package_has_public_functions() -> None:
    for package in PACKAGES:
        assert any(name.startswith(f"{package}.") for name, _ in PUBLIC), package


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
