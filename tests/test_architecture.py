"""The house: arrows go one way, heavy libraries are imported only in their own room and only when needed."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import bronzeward

SOURCE = Path(bronzeward.__file__).parent

#: Rooms from the bottom up; a module imports only from rooms below its own, or from its own package.
ROOMS = (
    ("errors", "exact", "phases"),
    ("composition", "databases", "couple", "whole_file"),
    ("properties", "schedule", "thermo", "growth", "thermocouple", "result", "style"),
    ("strand", "kinetics", "volume", "regimes", "diagram"),
    ("layers", "case", "assemble", "answers"),
    ("provenance",),
    ("simulation", "summary", "starter"),
)

MAY_IMPORT = {"pycalphad": {"thermo"}, "typer": {"cli"}, "numba": {"growth"}}


def module_files() -> list[Path]:
    return sorted(SOURCE.rglob("*.py"))


def imported(path: Path, everywhere: bool = True) -> set[str]:
    """Names of modules a file imports; with `everywhere` also those inside functions."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    nodes = ast.walk(tree) if everywhere else tree.body  # what stands under TYPE_CHECKING is not in the body itself
    names: set[str] = set()
    for node in nodes:
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    return names


def room_of(name: str) -> int | None:
    return next((k for k, room in enumerate(ROOMS) if name in room), None)


def top(path: Path) -> str:
    return path.relative_to(SOURCE).parts[0].removesuffix(".py")


@pytest.mark.parametrize("path", module_files(), ids=lambda p: str(p.relative_to(SOURCE)))
def test_arrows_go_one_way(path):
    if path == SOURCE / "__init__.py":
        pytest.skip("the front door names what lies in every room and loads it when asked")
    here = room_of(top(path))
    for name in imported(path):
        if name.startswith("bronzeward."):
            other = name.split(".")[1]
            there = room_of(other)
            if here is not None and other != top(path):
                assert there is not None, f"{path.name} imports {name} from above"
                assert there < here, f"{path.name} imports {name}, which is not below it"


@pytest.mark.parametrize("path", module_files(), ids=lambda p: str(p.relative_to(SOURCE)))
def test_heavy_libraries_stay_in_their_rooms(path):
    for name in imported(path):
        library = name.split(".")[0]
        if library in MAY_IMPORT:
            assert top(path) in MAY_IMPORT[library], f"{path.name} imports {library}"
    if top(path) == "cli":
        standard = ("typing", "pathlib", "__future__", "gc", "json", "math", "os", "sys", "time", "collections")
        allowed = ("bronzeward.cli", "typer", *standard)
        for name in imported(path, everywhere=False):
            assert name.startswith(allowed), f"{path.name} imports {name} before a command is known"


def loaded_after(code: str) -> set[str]:
    probe = f"{code}\nimport sys; print(' '.join(sys.modules))"
    found = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True, check=True)
    return set(found.stdout.split())


def test_help_loads_nothing_heavy():
    loaded = loaded_after("import bronzeward.cli.app")
    assert not loaded & {"numpy", "xarray", "matplotlib", "pycalphad", "netCDF4", "numba", "scipy", "pandas"}


def test_a_cached_run_loads_neither_pycalphad_nor_xarray(table, tmp_path):
    # `table` makes sure the cache holds the phase table
    code = (
        "from bronzeward.case import load_case; from bronzeward.simulation import run_case\n"
        "from bronzeward import result, starter\n"
        f"result.write_netcdf(run_case(load_case(starter.STARTER)), {str(tmp_path / 'a.nc')!r})"
    )
    loaded = loaded_after(code)
    assert not loaded & {"xarray", "matplotlib", "pycalphad", "numba", "scipy", "pandas", "typer"}
