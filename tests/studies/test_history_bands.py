"""Results with bands: they hold the run, grow with the spread, and survive a file."""

from __future__ import annotations

import json

import numpy as np
import pytest

from bronzeward.errors import InputError
from bronzeward.model.answer_bands import bands_of
from bronzeward.model.answers import numbers
from bronzeward.model.result import read_netcdf, write_netcdf
from bronzeward.plots import panels
from bronzeward.studies.ensemble import Spread
from bronzeward.studies.history_bands import BANDED, with_bands
from bronzeward.studies.uncertainty import band
from closeness import close
from drawing_cases import result


@pytest.fixture(scope="module")
def banded():
    return with_bands(result("lean"), Spread(size=40, seed=3))


def test_bands_hold_the_run_and_keep_their_order(banded):
    for name in BANDED:
        low, high = banded[f"{name}_low"], banded[f"{name}_high"]
        assert low.shape == high.shape == banded[name].shape
        assert (low <= high + 1e-15).all()
    # a single run with the middle constants lies inside nearly everywhere; events shift it out at steps
    shell = banded["shell_thickness"]
    inside = (shell >= banded["shell_thickness_low"] - 1e-9) & (shell <= banded["shell_thickness_high"] + 1e-9)
    assert inside.mean() > 0.95


def test_answers_are_those_of_the_ensemble(banded):
    from bronzeward.inputs.case import case_from_json

    case = case_from_json(banded.attributes["inputs"])
    data = band(case, Spread(size=40, seed=3))
    for name in ("shell_at_first_liquid", "overfill_at_first_liquid", "eta_at_peritectic", "peak_liquid"):
        np.testing.assert_allclose(bands_of(banded)[name], data[name].values, rtol=1e-12)


def test_bands_survive_a_file_and_are_drawn(banded, tmp_path):
    path = write_netcdf(banded, tmp_path / "banded.nc")
    back = read_netcdf(path)
    assert bands_of(back) == bands_of(banded)
    np.testing.assert_array_equal(back["thickness_low"], banded["thickness_low"])
    assert len(panels.plot_thickness(back).collections) > len(panels.plot_thickness(result("lean")).collections)
    top = panels.plot_liquid(back).get_ylim()[1]
    assert top > 100 * back["liquid_tin_fraction_high"].max()
    assert json.loads(back.attributes["bands_of"])["size"] == 40


def test_without_spread_the_band_is_the_run():
    run = result("cold")
    narrow = with_bands(run, Spread(size=20, constants=False))
    for name in ("shell_thickness", "overfill"):
        np.testing.assert_allclose(narrow[f"{name}_low"], narrow[f"{name}_high"], atol=1e-15)
    middle = bands_of(narrow)["shell_at_end"][1]
    # quick batches agree with single runs to 5e-4 (`batch.QUICK_TOLERANCE`); this run is itself a coarse one
    assert middle == close(numbers(run)["shell_at_end"], rel=5e-3)


def test_small_ensembles_are_refused():
    with pytest.raises(InputError, match="too small"):
        with_bands(result("cold"), Spread(size=10))
