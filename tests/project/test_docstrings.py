"""Docstrings and signatures agree: every public function and class has a docstring, and names no parameter it lacks."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import bronzeward

SOURCE = Path(bronzeward.__file__).parent
FILES = sorted(SOURCE.rglob("*.py"))

Def = ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef


def public(tree: ast.AST, inside: str = "") -> list[tuple[str, Def]]:
    """Functions, classes and methods whose name and whose owners' names do not start with an underscore."""
    found: list[tuple[str, Def]] = []
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, Def) and not node.name.startswith("_"):
            name = f"{inside}{node.name}"
            found.append((name, node))
            if isinstance(node, ast.ClassDef):
                found += public(node, f"{name}.")
    return found


def parameters(node: Def, tree: ast.AST) -> set[str]:
    """Names of the parameters of a function, or of the fields and properties of a class."""
    if isinstance(node, ast.ClassDef):
        own = {
            part.target.id
            for part in node.body
            if isinstance(part, ast.AnnAssign) and isinstance(part.target, ast.Name)
        }
        own |= {part.name for part in node.body if isinstance(part, ast.FunctionDef)}
        for base in node.bases:
            other = next(
                (n for n in ast.walk(tree) if isinstance(n, ast.ClassDef) and n.name == getattr(base, "id", "")), None
            )
            own |= parameters(other, tree) if other else set()
        return own
    a = node.args
    named = [*a.posonlyargs, *a.args, *a.kwonlyargs, *(x for x in (a.vararg, a.kwarg) if x)]
    return {x.arg for x in named} - {"self", "cls"}


def section(text: str, title: str) -> list[str]:
    """Names before the colons of a section underlined with dashes."""
    lines = text.splitlines()
    for k, line in enumerate(lines[:-1]):
        if line.strip() == title and set(lines[k + 1].strip()) == {"-"}:
            depth = len(line) - len(line.lstrip())
            names: list[str] = []
            for later, after in zip(lines[k + 2 :], [*lines[k + 3 :], ""], strict=True):
                if set(after.strip()) == {"-"} and after.strip():
                    break
                if " : " in later and len(later) - len(later.lstrip()) == depth:
                    names += [part.strip(" *") for part in later.split(" : ")[0].split(",")]
            return names
    return []


CASES = [
    pytest.param(node, tree, id=f"{path.relative_to(SOURCE)}:{name}")
    for path in FILES
    for tree in [ast.parse(path.read_text(encoding="utf-8"))]
    for name, node in public(tree)
]


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(SOURCE)))
def test_module_says_what_it_is(path):
    text = path.read_text(encoding="utf-8")
    assert ast.get_docstring(ast.parse(text)) or not text.strip()


@pytest.mark.parametrize(("node", "tree"), CASES)
def test_public_thing_has_a_docstring_that_fits(node, tree):
    text = ast.get_docstring(node)
    overridden = {"__call__"}
    assert text or node.name in overridden, f"{node.name} has no docstring"
    have = parameters(node, tree)
    for title in ("Parameters", "Attributes"):
        for name in section(text or "", title):
            assert name in have, f"{node.name}: {title} names {name}; there are {', '.join(sorted(have))}"


@pytest.mark.parametrize(("node", "tree"), CASES)
def test_sections_are_known(node, tree):
    text = ast.get_docstring(node) or ""
    for title in re.findall(r"^ *(\w[\w ]*)\n *-{3,} *$", text, re.MULTILINE):
        assert title in {"Parameters", "Attributes", "Returns", "Raises", "Yields", "Examples", "Notes", "References"}


def test_the_reader_of_sections_itself():
    text = "A.\n\nParameters\n----------\na, b : float, [m]\n    Both: with a colon.\n*more : int\n\n"
    text += "Returns\n-------\nfloat\n"
    assert section(text, "Parameters") == ["a", "b", "more"]
    assert section(text, "Attributes") == []
