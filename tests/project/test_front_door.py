"""What a notebook needs comes from `bronzeward` itself, and a Dataset answers for itself."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

import bronzeward
from bronzeward.inputs.starter import STARTER
from bronzeward.model.result import write_netcdf
from bronzeward.model.simulation import run_case


@pytest.fixture(scope="module")
def stored(tmp_path_factory):
    path = tmp_path_factory.mktemp("stored") / "run.nc"
    return write_netcdf(run_case(bronzeward.load_case(STARTER)), path)


def test_a_star_brings_every_name_and_each_exists():
    names: dict[str, object] = {}
    exec("from bronzeward import *", names)
    assert set(bronzeward.__all__) <= set(names)
    assert {"Case", "load_case", "run", "sweep", "band", "fit", "margins", "shorten"} <= set(names)


@pytest.mark.parametrize("engine", [None, "bronzeward"])
def test_an_opened_file_answers_whatever_is_imported_first(stored, engine, tmp_path):
    code = f"""
        import bronzeward, xarray
        history = xarray.open_dataset({str(stored)!r}, engine={engine!r})
        assert history.bronzeward.answers()["first_liquid"]["time_h"] > 1
        assert any("Tin first melts" in line for line in history.bronzeward.sentences())
        assert history.bronzeward.layers("first liquid")[-1].phase == "alpha"
        assert float(history.bronzeward.at("first liquid").liquid_mole_fraction) > 0
        assert history.bronzeward.plot().axes and history.bronzeward.section("first liquid").axes
        history.bronzeward.report({str(tmp_path / "page.html")!r})
    """
    lines = "\n".join(line.strip() for line in code.splitlines())
    done = subprocess.run([sys.executable, "-c", lines], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert "Tin first melts" in (tmp_path / "page.html").read_text(encoding="utf-8")


def test_a_damaged_file_is_refused_by_its_own_engine(stored, tmp_path):
    import netCDF4
    import xarray as xr

    damaged = Path(tmp_path / "damaged.nc")
    damaged.write_bytes(stored.read_bytes())
    with netCDF4.Dataset(damaged, "a") as file:
        file["time"][3] = -1.0
    with pytest.raises(bronzeward.InputError, match="its times do not increase"):
        xr.open_dataset(damaged, engine="bronzeward")


def test_examples_use_nothing_but_the_front_door():
    folder = Path(__file__).resolve().parents[2] / "examples"
    for path in [*folder.glob("*.py"), *folder.glob("*.ipynb")]:
        assert "from bronzeward." not in path.read_text(encoding="utf-8"), path.name
