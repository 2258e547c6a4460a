"""Mutation score of the physics: python tests/benchmarks/mutation.py [MODULE ...] [--own] --seconds 600

Changes one operator, comparison, number or branch of a module at a time, in memory, and runs a quick part
of the tests against it in a process of its own; a mutant that no test notices survives. Mutants are drawn
at random, evenly over the modules, so that a run cut short still gives an estimate.
"""

from __future__ import annotations

import argparse
import ast
import copy
import importlib.abc
import importlib.util
import os
import random
import resource
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from itertools import chain
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SOURCE = ROOT / "src" / "bronzeward"

NO_PHYSICS = ("__init__", "compiled", "problem", "slots")

MODULES = (
    *(f"growth.{path.stem}" for path in sorted((SOURCE / "growth").glob("*.py")) if path.stem not in NO_PHYSICS),
    "model.volume_account", "model.boundary_tables", "model.layers", "materials.plane_couple", "materials.kinetics",
    "materials.composition", "materials.properties",
)  # fmt: skip

BESIDE = {
    "growth.balance": ("growth/test_geometry.py",),
    "growth.profile": ("growth/test_balance.py",),
    "growth.geometry": ("growth/test_balance.py",),
    "growth.cells": ("growth/test_changes.py",),
    "growth.cell_grid": ("growth/test_profile.py", "model/test_layers.py"),
    "model.boundary_tables": ("model/test_layers.py",), "materials.composition": ("inputs/test_any_input.py",),
    "materials.properties": ("model/test_volume_account.py",),
}  # fmt: skip
"""Tests that check a module function by function, beside those that are called as it is; with `--own` only these are
run, about a second a mutant, so that every mutant can be tried. What they miss other tests may still notice."""


def tests_of(module: str) -> list[str]:
    """The tests of a module, those of its own name first."""
    room, name = module.split(".")
    names = (f"{room}/test_{name}.py", *BESIDE.get(module, ()))
    return [f"tests/{name}" for name in names if (ROOT / "tests" / name).exists()]


QUICK = list(dict.fromkeys(
    [name for module in MODULES for name in tests_of(module)]
    + [f"tests/{name}.py" for name in (
        "model/test_main_job", "model/test_conservation", "growth/test_against_scipy", "growth/test_trust"
    )]
))  # fmt: skip
"""Tests in the order they are run; the first that fails ends the mutant."""

SLOW = (
    "published or simulated_couple or erfc or longer_holds or in_cells or differential or whole_schedule or noticed "
    "or compiled or hundredth or totals_at or every_kind or simulated_melting"
)
"""Left out of them."""

LONGEST = 60
"""Processor time after which a mutant counts as noticed: it hangs [s]."""

SWAPS: dict[type, tuple[type, ...]] = {
    ast.Add: (ast.Sub,), ast.Sub: (ast.Add,), ast.Mult: (ast.Div,), ast.Div: (ast.Mult,), ast.Pow: (ast.Mult,),
    ast.FloorDiv: (ast.Mult,), ast.Mod: (ast.Mult,),
    ast.Lt: (ast.GtE,), ast.LtE: (ast.Gt,), ast.Gt: (ast.LtE,), ast.GtE: (ast.Lt,), ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,), ast.And: (ast.Or,), ast.Or: (ast.And,), ast.In: (ast.NotIn,), ast.NotIn: (ast.In,),
    ast.Is: (ast.IsNot,), ast.IsNot: (ast.Is,),
}  # fmt: skip


def text_of(module: str) -> str:
    """Source of a module."""
    return (SOURCE / f"{module.replace('.', '/')}.py").read_text(encoding="utf-8")


def places(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Every change there is: number of the node in `ast.walk`, and what is done to it."""
    skip = {id(n) for d in ast.walk(tree) for n in _words(d)}
    for k, node in enumerate(ast.walk(tree)):
        if id(node) in skip:
            continue
        if isinstance(node, ast.BinOp | ast.AugAssign | ast.BoolOp) and type(node.op) in SWAPS:
            yield k, "operator"
        elif isinstance(node, ast.Compare) and type(node.ops[0]) in SWAPS:
            yield k, "comparison"
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub | ast.Not):
            yield k, "sign"
        elif isinstance(node, ast.Constant) and type(node.value) in (int, float):
            yield k, "number"
        elif isinstance(node, ast.Call) and getattr(node.func, "id", "") in ("min", "max"):
            yield k, "min or max"
        elif isinstance(node, ast.Break | ast.Continue):
            yield k, "jump"


def _words(node: ast.AST) -> Iterator[ast.AST]:
    """Annotations and what is raised: changes there are no changes of the physics."""
    for part in ("annotation", "returns"):
        if getattr(node, part, None) is not None:
            yield from ast.walk(getattr(node, part))
    if isinstance(node, ast.Raise):
        yield from ast.walk(node)


def mutant(tree: ast.Module, place: int, kind: str) -> tuple[ast.Module, str]:
    """The changed tree, and the changed line in words."""
    tree = copy.deepcopy(tree)
    node = next(n for k, n in enumerate(ast.walk(tree)) if k == place)
    before = ast.unparse(node)
    if kind == "operator":
        node.op = SWAPS[type(node.op)][0]()  # type: ignore[attr-defined]
    elif kind == "comparison":
        node.ops[0] = SWAPS[type(node.ops[0])][0]()  # type: ignore[attr-defined]
    elif kind == "sign":
        if isinstance(node.op, ast.Not):  # type: ignore[attr-defined]
            node.operand = ast.UnaryOp(ast.Not(), node.operand)  # type: ignore[attr-defined]
        else:
            node.op = ast.UAdd()  # type: ignore[attr-defined]
    elif kind == "number":
        node.value = node.value + 1 if isinstance(node.value, int) else (2.0 * node.value or 1.0)  # type: ignore[attr-defined]
    elif kind == "min or max":
        node.func.id = "max" if node.func.id == "min" else "min"  # type: ignore[attr-defined]
    else:
        for parent in ast.walk(tree):
            for _, own in ast.iter_fields(parent):
                if isinstance(own, list) and node in own:
                    own[own.index(node)] = ast.copy_location(ast.Pass(), node)
    after = "pass" if kind == "jump" else ast.unparse(node)
    return ast.fix_missing_locations(tree), f"line {node.lineno}: {before}  ->  {after}"  # type: ignore[attr-defined]


class Replaced(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Gives one module a changed tree when it is imported."""

    def __init__(self, name: str, tree: ast.Module) -> None:
        self.name, self.tree = name, tree

    def find_spec(self, name: str, path: object = None, target: object = None) -> object:
        if name != self.name:
            return None
        file = SOURCE / f"{name.removeprefix('bronzeward.').replace('.', '/')}.py"
        return importlib.util.spec_from_file_location(name, file, loader=self)  # type: ignore[arg-type]

    def exec_module(self, module: object) -> None:
        exec(compile(self.tree, module.__file__, "exec"), vars(module))  # type: ignore[attr-defined]


def survives(module: str, tree: ast.Module, tests: list[str]) -> bool:
    """Whether all quick tests pass on a mutant; run in a forked process, whose files go with it."""
    with tempfile.TemporaryDirectory(prefix="bronzeward-mutant-") as work:
        return _survives(module, tree, tests, work)


def _survives(module: str, tree: ast.Module, tests: list[str], work: str) -> bool:
    child = os.fork()
    if child == 0:
        code = 1
        try:
            resource.setrlimit(resource.RLIMIT_CPU, (LONGEST, LONGEST + 1))
            hole = os.open(os.devnull, os.O_WRONLY)
            os.dup2(hole, 1)
            os.dup2(hole, 2)
            tempfile.tempdir = work
            sys.meta_path.insert(0, Replaced(f"bronzeward.{module}", tree))
            import pytest

            words = ["-x", "-q", "-n", "0", "-p", "no:cacheprovider", "--no-header", "--tb=no", "-k", f"not ({SLOW})"]
            code = int(pytest.main([*words, *tests]))
        except BaseException:
            code = 1
        finally:
            os._exit(code)
    began = time.monotonic()
    while True:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return status == 0
        if time.monotonic() - began > 8 * LONGEST:
            os.kill(child, signal.SIGKILL)
        time.sleep(0.02)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("modules", nargs="*", default=list(MODULES))
    parser.add_argument("--seconds", type=float, default=600.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--own", action="store_true", help="only each module's own tests")
    parser.add_argument("--tests", nargs="*", default=QUICK)
    options = parser.parse_args()
    os.chdir(ROOT)
    # loaded once here, shared by every forked process
    import netCDF4  # noqa: F401
    import numpy as np  # noqa: F401
    import pytest  # noqa: F401
    import scipy.integrate
    import scipy.interpolate
    import scipy.optimize  # noqa: F401
    import xarray  # noqa: F401

    rng = random.Random(options.seed)
    trees = {module: ast.parse(text_of(module)) for module in options.modules}
    waiting = {module: list(places(tree)) for module, tree in trees.items()}
    number = {module: len(all_of) for module, all_of in waiting.items()}
    for every in waiting.values():
        rng.shuffle(every)
    chosen = {module: tests_of(module) if options.own else options.tests for module in options.modules}
    if not survives("nothing", ast.Module([], []), list(dict.fromkeys(chain(*chosen.values())))):
        sys.exit("the quick tests do not pass on the code as it stands")
    killed = dict.fromkeys(options.modules, 0)
    lived: dict[str, list[str]] = {module: [] for module in options.modules}
    began = time.monotonic()
    while any(waiting.values()) and time.monotonic() - began < options.seconds:
        for module in options.modules:
            if not waiting[module] or time.monotonic() - began >= options.seconds:
                continue
            tree, words = mutant(trees[module], *waiting[module].pop())
            if survives(module, tree, chosen[module]):
                lived[module].append(words)
                print(f"survived {module} {words[:150]}", flush=True)
            else:
                killed[module] += 1
    tried = 0
    weighted = 0.0
    for module in options.modules:
        n = killed[module] + len(lived[module])
        tried += n
        weighted += number[module] * killed[module] / max(n, 1)
        share = 100 * killed[module] / n if n else 0.0
        print(f"{module:<18} {killed[module]:>4} of {n:>4} noticed, {share:5.1f} %  ({number[module]} possible)")
    print(
        f"all: {sum(killed.values())} of {tried}, {100 * sum(killed.values()) / max(tried, 1):.1f} %; "
        f"weighted by what is possible {100 * weighted / sum(number.values()):.1f} %"
    )


if __name__ == "__main__":
    main()
