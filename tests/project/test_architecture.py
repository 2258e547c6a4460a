"""The house: arrows go one way, heavy libraries are imported only in their own room and only when needed."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import bronzeward

SOURCE = Path(bronzeward.__file__).parent
FILES = {path.relative_to(SOURCE): ast.parse(path.read_text(encoding="utf-8")) for path in SOURCE.rglob("*.py")}


def test_arrows_between_rooms_go_one_way() -> None:
    """The contracts of import-linter in pyproject.toml, over every file."""
    root = SOURCE.parents[1]
    if not (root / "pyproject.toml").is_file():
        pytest.skip("needs a checkout")
    code = "from importlinter.cli import lint_imports; raise SystemExit(lint_imports(no_cache=True))"
    done = subprocess.run([sys.executable, "-c", code], cwd=root, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr


def test_rooms_take_nothing_through_the_front_door() -> None:
    """What `bronzeward` itself offers is loaded by name, so no contract sees where it comes from."""
    for path, tree in FILES.items():
        for node in ast.walk(tree) if path.name != "__init__.py" else ():
            taken = {alias.name for alias in node.names} if isinstance(node, ast.ImportFrom) else set()
            if isinstance(node, ast.Attribute) and ast.unparse(node.value) == "bronzeward":
                taken = {node.attr}
            elif not isinstance(node, ast.ImportFrom) or node.module != "bronzeward":
                continue
            assert not taken & set(bronzeward.__all__), f"{path} line {node.lineno}"


def test_every_command_imports_what_is_heavy_only_when_it_runs() -> None:
    """Seen by the parts of a module that run when it is imported, in every file of the command line."""
    for path, tree in FILES.items():
        for node in tree.body if path.parts[0] == "cli" else ():
            names = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            names += [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            for name in names:
                assert name.split(".")[0] in {*sys.stdlib_module_names, "typer"} or name.startswith("bronzeward.cli")


def loaded_after(code: str) -> set[str]:
    probe = f"{code}\nimport sys; print(' '.join(sys.modules))"
    done = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True, check=True)
    return set(done.stdout.split())


def test_help_loads_nothing_heavy() -> None:
    loaded = loaded_after("import bronzeward.cli.app")
    assert not loaded & {"numpy", "xarray", "matplotlib", "pycalphad", "netCDF4", "numba", "scipy", "pandas"}


def test_a_cached_run_loads_neither_pycalphad_nor_xarray(table: object, tmp_path: Path) -> None:
    # `table` makes sure the cache holds the phase table
    code = (
        "from bronzeward.inputs.case import load_case; from bronzeward.model.simulation import run_case\n"
        "from bronzeward.model import result; from bronzeward.inputs import starter\n"
        f"result.write_netcdf(run_case(load_case(starter.STARTER)), {str(tmp_path / 'a.nc')!r})"
    )
    heavy = {"xarray", "matplotlib", "pycalphad", "numba", "scipy", "pandas", "typer"}
    assert not loaded_after(code) & heavy


def test_a_band_waits_for_no_library_of_tables(table: object, tmp_path: Path) -> None:
    """xarray loads whatever arrays are installed, dask, distributed and pint among them: a second of processor time.

    Nor for numba, where the engine has been compiled before.
    """
    from bronzeward.model.ready_engine import warm_engine

    warm_engine()
    case, target = tmp_path / "case.toml", tmp_path / "band.nc"
    words = ["bronzeward", "band", str(case), "--members", "3", "-o", str(target)]
    code = (
        "import sys; from pathlib import Path; from bronzeward.inputs import starter\n"
        f"Path({str(case)!r}).write_text(starter.text(), encoding='utf-8')\n"
        "from bronzeward.cli import app\n"
        f"sys.argv, sys.stdout = {words!r}, open({str(tmp_path / 'said')!r}, 'w', encoding='utf-8')\n"
        "try:\n    app.main()\nexcept SystemExit as end:\n    assert not end.code, end.code\n"
        "sys.stdout = sys.__stdout__"
    )
    heavy = {"xarray", "matplotlib", "pycalphad", "pandas", "numba", "dask", "distributed", "pint"}
    assert not loaded_after(code) & heavy
    assert target.is_file()
