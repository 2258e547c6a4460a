"""Equilibrium solved point by point: never empty, never above the hull; also where pycalphad fails."""

import numpy as np
import pytest

import thermo_reference as reference
from bronzeward.errors import InputError
from bronzeward.thermo import equilibrium as exact
from thermo_systems import solution, written


def test_grid_of_80_000_points_has_no_hole_and_lies_on_the_hull():
    """100 to 1100 °C, 400 by 200 points: no NaN, nothing above an independent hull by 0.01 J/mol.

    The independent hull is scipy's over the hand-written model, sampled every 5e-4 of tin
    fraction; being made of points of the energies it can only lie above the true one.
    """
    t = np.linspace(373.15, 1373.15, 400)
    x = np.linspace(0.0, 1.0, 200)
    grid_t, grid_x = np.meshgrid(t, x, indexing="ij")
    solved = exact.solve(grid_t, grid_x)
    assert solved.energy.shape == (400, 200)
    for values in (solved.energy, solved.x_copper_side, solved.x_tin_side, solved.tin_side_fraction):
        assert np.all(np.isfinite(values))
    assert np.all((solved.tin_side_fraction >= 0) & (solved.tin_side_fraction <= 1))
    share = solved.tin_side_fraction
    balance = (1 - share) * solved.x_copper_side + share * solved.x_tin_side
    np.testing.assert_allclose(balance, grid_x, atol=1e-12)
    for k in range(3, 400, 12):
        hull_x, hull_g, _ = reference.sample(t[k], also=x)
        kept = reference.hull_of(hull_x, hull_g)
        hull = np.interp(x, hull_x[kept], hull_g[kept])
        assert np.max(solved.energy[k] - hull) < 0.01
        assert np.min(solved.energy[k] - hull) > -0.02  # the sampled hull's own chords


@pytest.mark.parametrize("celsius", [590.0, 590.9, 592.9, 640.2, 641.0, 643.0])
def test_just_above_the_reactions_where_the_minimiser_fails(celsius):
    """pycalphad 0.11.2 gives no phase at points within 3 K above the 590 and 640 °C reactions."""
    x = np.linspace(0.14, 0.30, 321)
    solved = exact.solve(celsius + 273.15, x)
    hull_x, hull_g, _ = reference.sample(celsius + 273.15, also=x)
    kept = reference.hull_of(hull_x, hull_g)
    assert np.all(np.isfinite(solved.energy))
    assert np.max(solved.energy - np.interp(x, hull_x[kept], hull_g[kept])) < 0.01


def test_agrees_with_pycalphad_equilibrium():
    """Energies at a spread of points where the minimiser succeeds, to 0.01 J/mol."""
    from pycalphad import equilibrium
    from pycalphad import variables as v

    from bronzeward.thermo import description, tdb

    database = tdb.open_database(description.find())
    names = [phase.name for phase in tdb.read(description.find())[0]]
    for t in (480.0, 700.0, 950.0, 1150.0):
        result = equilibrium(
            database, ["CU", "SN", "VA"], names, {v.T: t, v.P: 101325, v.N: 1, v.X("SN"): (0.05, 0.96, 0.1)}
        )
        x = result.X_SN.values
        theirs = result.GM.values.ravel()
        ok = np.isfinite(theirs)
        assert ok.sum() >= 8
        np.testing.assert_allclose(exact.solve(t, x).energy[ok], theirs[ok], rtol=0, atol=0.01)


def test_shapes_and_labels():
    one = exact.solve(500.0, 0.1)
    assert one.energy.shape == ()
    many = exact.solve(np.full((3, 1), 500.0), np.array([0.1, 0.3]))
    assert many.energy.shape == (3, 2)
    assert float(many.fraction("epsilon")[0, 0]) == float(one.fraction("epsilon"))
    with pytest.raises(InputError, match="expected one of"):
        one.fraction("grey")


@pytest.mark.parametrize(("t", "x"), [(20.0, 0.1), (np.nan, 0.1), (500.0, -0.1), (500.0, np.nan)])
def test_bad_points(t, x):
    with pytest.raises(InputError, match="must lie between"):
        exact.solve(t, x)


def test_a_description_of_one_phase(tmp_path):
    path = written(tmp_path, solution("LIQUID", "0", "0"))
    solved = exact.solve(np.array([300.0, 900.0]), 0.4, path)
    assert np.all(solved.fraction("liquid") == 1)
    expected = reference.R * np.array([300.0, 900.0]) * reference.mixing(np.array(0.4))
    np.testing.assert_allclose(solved.energy, expected)
