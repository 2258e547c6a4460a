"""Docstrings name no parameter or attribute that is not there; what ruff can say of them, its D rules say."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import bronzeward

SOURCE = Path(bronzeward.__file__).parent
SECTIONS = {"Parameters", "Attributes", "Returns", "Raises", "Yields", "Examples", "Notes", "References"}


def sections(text: str) -> dict[str, list[str]]:
    """Names before the colons of each section, which is what a line of dashes underlines."""
    found: dict[str, list[str]] = {}
    names: list[str] = []
    for line, after in pairwise([*text.splitlines(), ""]):
        if line and len(after) > 2 and set(after) == {"-"}:
            names = found.setdefault(line, [])
        elif " : " in line and not line.startswith(" "):
            names += [part.strip(" *") for part in line.split(" : ")[0].split(",")]
    return found


def parts(tree: ast.Module) -> Iterator[tuple[str, str, set[str]]]:
    """Name, docstring, and parameters or attributes of all functions and classes, with those of base classes."""
    classes = {node.name: node for node in ast.walk(tree) if isinstance(node, ast.ClassDef)}

    def attributes(node: ast.ClassDef) -> set[str]:
        here = {part.target.id for part in node.body if isinstance(part, ast.AnnAssign)}  # type: ignore[union-attr]
        here |= {part.name for part in node.body if isinstance(part, ast.FunctionDef)}
        bases = [classes[base.id] for base in node.bases if isinstance(base, ast.Name) and base.id in classes]
        return here.union(*map(attributes, bases))

    for node in ast.walk(tree):
        if isinstance(node, ast.ClassDef):
            yield node.name, ast.get_docstring(node) or "", attributes(node)
        elif isinstance(node, ast.FunctionDef):
            have = {part.arg for part in ast.walk(node.args) if isinstance(part, ast.arg)}
            yield node.name, ast.get_docstring(node) or "", have


def complaints(tree: ast.Module) -> Iterator[str]:
    for name, text, have in parts(tree):
        for title, names in sections(text).items():
            if title not in SECTIONS:
                yield f"{name}: no section is called {title}"
            if title in ("Parameters", "Attributes"):
                yield from (f"{name}: {title} names {wrong}" for wrong in set(names) - have)


def test_docstrings_name_what_is_there() -> None:
    files = sorted(SOURCE.rglob("*.py"))
    found = [f"{path}: {wrong}" for path in files for wrong in complaints(ast.parse(path.read_text(encoding="utf-8")))]
    assert found == []
    assert len(files) > 50
