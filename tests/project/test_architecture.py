"""The house: arrows go one way, heavy libraries are imported only in their own room and only when needed."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import bronzeward

SOURCE = Path(bronzeward.__file__).parent


def test_every_command_imports_what_is_heavy_only_when_it_runs():
    """Seen by the parts of a module that run when it is imported, in every file of the command line."""
    for path in sorted((SOURCE / "cli").rglob("*.py")):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            names = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            names += [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            for name in names:
                assert name.split(".")[0] in {*sys.stdlib_module_names, "typer"} or name.startswith("bronzeward.cli")


def test_arrows_between_rooms_go_one_way():
    """The contracts of import-linter in pyproject.toml, over every file."""
    root = SOURCE.parents[1]
    if not (root / "pyproject.toml").is_file():
        pytest.skip("needs a checkout")
    done = subprocess.run(
        [sys.executable, "-c", "from importlinter.cli import lint_imports; raise SystemExit(lint_imports())"],
        cwd=root, capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr


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
        "from bronzeward.inputs.case import load_case; from bronzeward.model.simulation import run_case\n"
        "from bronzeward.model import result; from bronzeward.inputs import starter\n"
        f"result.write_netcdf(run_case(load_case(starter.STARTER)), {str(tmp_path / 'a.nc')!r})"
    )
    loaded = loaded_after(code)
    heavy = {"xarray", "matplotlib", "pycalphad", "numba", "scipy.interpolate", "scipy.optimize", "pandas", "typer"}
    assert not loaded & heavy
