"""Compiled Gibbs energies against a second hand-written model, pycalphad's own values and differences."""

import numpy as np
import pytest

import thermo_reference as reference
from bronzeward.thermo import description, tdb
from thermo_systems import phases, solution, table, written

TEMPERATURES = np.array([260.0, 300.0, 420.0, 505.2, 700.0, 799.0, 860.0, 1000.0, 1300.0, 1390.0])


def points(label):
    """Temperatures and tin fractions, crossed, where a phase may be asked for."""
    x = np.array([1e-6, 1e-3, 0.02, 0.1, 0.15, 0.21, 0.249, 0.2505, 0.28, 0.4])
    if label not in ("gamma",):
        x = np.append(x, [0.6, 0.9, 0.999, 1 - 1e-6])
    return (grid.ravel() for grid in np.meshgrid(TEMPERATURES, x))


@pytest.mark.parametrize("label", [*reference.SOLUTIONS, *reference.COMPOUNDS])
def test_energy_equals_hand_written_model(label):
    """shim1996, dinsdale1991, nist1999 typed twice; 1e-6 J/mol is rounding of sums of 1e5 J/mol."""
    t, x = points(label)
    ours = phases()[label].energy(t, x)
    np.testing.assert_allclose(ours, reference.energy(label, t, x), rtol=0, atol=1e-6)


def test_second_alpha_equals_hand_written_model():
    """nist1999 values of alpha, the only difference between the two descriptions."""
    t, x = points("alpha")
    ours = phases("cu-sn-nist1999-alpha")["alpha"].energy(t, x)
    np.testing.assert_allclose(ours, reference.alpha_nist1999(t, x), rtol=0, atol=1e-6)


@pytest.mark.parametrize("label", [*reference.SOLUTIONS, *reference.COMPOUNDS])
def test_energy_equals_pycalphad(label):
    """pycalphad.calculate at the very site fractions, to 1e-6 J/mol, within its temperature range."""
    from pycalphad import calculate

    phase = phases()[label]
    database = tdb.open_database(description.find())
    t, x = np.array([300.0, 500.0, 800.0, 1200.0]), np.array([0.01, 0.12, 0.2, 0.3])
    state = phase.at(t, x)
    for k in range(t.size):
        if label in reference.COMPOUNDS:
            sites = [1.0, 1.0]
        elif label == "gamma":
            y1, y2 = state.inner[k]
            sites = [1 - y1, y1, 1 - y2, y2]
        else:
            sites = [1 - x[k], x[k]] + ([1.0] if label in ("alpha", "beta") else [])
        computed = calculate(database, ["CU", "SN", "VA"], phase.name, T=t[k], P=101325, points=np.array([sites]))
        assert float(computed.GM.values.ravel()[0]) == pytest.approx(state.energy[k], abs=1e-6)


@pytest.mark.parametrize("label", reference.SOLUTIONS)
def test_derivatives_equal_differences(label):
    """Central differences of G and of its slope; tolerances are the rounding of the differences."""
    t, x = (values[(0.01 < tin) & (tin < 0.95)] for values, tin in [(v, list(points(label))[1]) for v in points(label)])
    phase, h, k = phases()[label], 1e-6, 1e-3
    state = phase.at(t, x)
    up, down = phase.at(t, x + h), phase.at(t, x - h)
    hot, cold = phase.at(t + k, x), phase.at(t - k, x)
    np.testing.assert_allclose(state.slope, (up.energy - down.energy) / (2 * h), rtol=1e-5, atol=1e-2)
    np.testing.assert_allclose(state.curvature, (up.slope - down.slope) / (2 * h), rtol=2e-4, atol=1.0)
    np.testing.assert_allclose(state.energy_t, (hot.energy - cold.energy) / (2 * k), atol=1e-5)
    np.testing.assert_allclose(state.slope_t, (hot.slope - cold.slope) / (2 * k), rtol=1e-5, atol=1e-2)


def test_gamma_is_at_its_lowest_energy():
    """No other distribution of tin over the two sublattices has less energy."""
    phase = phases()["gamma"]
    t, x = points("gamma")
    state = phase.at(t, x)
    for share in (1e-6, 1e-3, 0.1, 0.5, 0.9):
        y1 = np.maximum((x - 0.25) / 0.75, 0) * (1 - share) + np.minimum(x / 0.75, 1.0) * share
        y2 = np.clip((x - 0.75 * y1) / 0.25, 0, 1)
        assert np.all(reference.gamma_on_sites(t, y1, y2) >= state.energy - 1e-6)


def test_vacancies_on_a_mixed_sublattice(tmp_path):
    """(Cu,Sn)(Sn,Va): per mole of atoms, tin fraction not linear in the site fractions."""
    mixed = """PHASE MIXED % 2 1 1 !
    CONSTITUENT MIXED :CU,SN:SN,VA: !
    PARAMETER G(MIXED,CU:VA;0) 1 -100; 6000 N !
    PARAMETER G(MIXED,SN:VA;0) 1 -200; 6000 N !
    PARAMETER G(MIXED,CU:SN;0) 1 -300; 6000 N !
    PARAMETER G(MIXED,SN:SN;0) 1 +400; 6000 N !
    """
    path = written(tmp_path, solution("LIQUID", "0", "0"), mixed)
    phase = next(p for p in tdb.read(description.find(path))[0] if p.name == "MIXED")
    t, x = np.array([600.0, 600.0, 900.0]), np.array([0.1, 0.4, 0.7])
    y = np.linspace(1e-9, 1 - 1e-9, 200001)
    for k in range(3):
        atoms = 1 + y
        first = x[k] * atoms - y
        ok = (first > 0) & (first < 1)
        a, b = first[ok], y[ok]
        ends = -100 * (1 - a) * (1 - b) - 200 * a * (1 - b) - 300 * (1 - a) * b + 400 * a * b
        g = (ends + reference.R * t[k] * (reference.mixing(a) + reference.mixing(b))) / (1 + b)
        assert phase.energy(t[k : k + 1], x[k : k + 1])[0] == pytest.approx(g.min(), abs=1e-4)


def test_compiled_phases_cover_the_table():
    """Every phase of the table has a compiled energy."""
    labels = {label for k in range(len(table().stacks)) for label in table().regions(k)}
    assert labels <= set(phases())
