"""The plane couple: closed form both ways, and what the engine makes of it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from bronzeward.errors import InputError
from bronzeward.growth.slots import EPSILON, ETA
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.kinetics import KineticSet, load_set, plain_set, set_from_data
from bronzeward.materials.plane_couple import growth_from_integrated, integrated_from_growth
from bronzeward.materials.properties import load_properties
from bronzeward.units import GAS_CONSTANT
from closeness import close
from growth_cases import Run, problem_of, run_fast

X = (0.455, 0.25)
ENDS = (1.0, 0.0)


def volumes() -> list[float]:
    molar = load_properties().molar_volume
    return [molar["eta"], molar["epsilon"]]


def constants(kinetics: KineticSet, celsius: float) -> list[float]:
    return [float(kinetics.constant(phase).at(celsius + 273.15)) for phase in ("eta", "epsilon")]


def hold(kinetics: KineticSet, celsius: float, hours: float, **settings: float) -> Run:
    """A couple of thick tin and copper at one temperature."""
    strand = Strand.couple(1000, 1000)
    return run_fast(problem_of(strand, Schedule.start(celsius).hold(hours), kinetics, **settings))


@pytest.mark.parametrize(
    ("count", "m"), [(1, 0.0), (2, 0.0), (3, 0.0), (5, 0.0), (1, 1.0), (2, 0.5), (3, 1.0), (5, 3.0)]
)
def test_round_trip(count: int, m: float) -> None:
    rng = np.random.default_rng(count)
    for _ in range(50):
        x = np.sort(rng.uniform(0.05, 0.95, count))[::-1]
        growth, volume = 10.0 ** rng.uniform(-20, -12, count), rng.uniform(7e-6, 12e-6, count)
        # growth as measured can ask for a tin flow that runs backwards, K < 0, when a layer is far thinner
        # than its neighbours; such a couple has no constants
        integrated = integrated_from_growth(growth, volume, x, ENDS, m)
        if (integrated > 0).all():
            back = growth_from_integrated(integrated, volume, x, ENDS, m)
            # rounding, times the condition of the linear system (fluxes that nearly cancel)
            np.testing.assert_allclose(back, growth, rtol=1e-9)
        integrated = 10.0 ** rng.uniform(-20, -12, count)
        back = integrated_from_growth(growth_from_integrated(integrated, volume, x, ENDS, m), volume, x, ENDS, m)
        np.testing.assert_allclose(back, integrated, rtol=1e-9)


def test_one_layer_by_hand() -> None:
    # all tin that crosses makes layer at both sides: w^2 = 2 K t (1/(1-N) + 1/N)
    k = growth_from_integrated([1e-16], [1e-5], [0.4], ENDS)
    assert k[0] == close(2e-16 * (1 / 0.6 + 1 / 0.4), rel=1e-14)


def test_one_slowing_layer_by_hand() -> None:
    # dw/dt = K w_ref^m / w^(1+m) (1/(1-N) + 1/N), so w^(2+m) = (2+m) K w_ref^m t (1/(1-N) + 1/N)
    k = growth_from_integrated([1e-16], [1e-5], [0.4], ENDS, 1.0)
    assert k[0] == close(3e-16 * (1 / 0.6 + 1 / 0.4), rel=1e-14)


@pytest.mark.parametrize("exponent", [-0.7, -0.4, 0.5, 1.0])
def test_simulated_couple_that_slows_grows_by_its_power(exponent: float) -> None:
    """Both layers slow alike: w^(2+m) = k w_ref^m t, with the reference at 5 um; w^3 ~ t for m = 1."""
    kinetics, celsius = load_set().slowed({"eta": exponent, "epsilon": exponent}), 180.0
    expected = growth_from_integrated(constants(kinetics, celsius), volumes(), X, ENDS, exponent) * 5e-6**exponent
    run = hold(kinetics, celsius, 48.0, tolerance=1e-7, seed=1e-11)
    half = int(np.searchsorted(run.time, 24 * 3600.0))
    power = (run.amount[:, [ETA, EPSILON]] * volumes()) ** (2.0 + exponent)
    growth = (power[-1] - power[half]) / (run.time[-1] - run.time[half])
    # steps are controlled to 1e-7; layers of 1e-11 m to start with leave less than 1e-12 of the power
    np.testing.assert_allclose(growth, expected, rtol=3e-6)


def test_growth_constants_that_slow_convert_to_laws_and_back(tmp_path: Path) -> None:
    """A file of kind growth with w^3 ~ t: the sum of laws is the conversion at every temperature."""
    rows = "".join(
        f'[[constant]]\nphase = "{phase}"\nkind = "growth"\nprefactor = {a}\nactivation_energy_kJ_per_mol = {e}\n'
        "slowing_exponent = 1\nreference_thickness_um = 2\nt_min_C = 100\nt_max_C = 220\nfactor_1sigma = 2\n"
        for phase, a, e in (("eta", 1e-9, 60.0), ("epsilon", 1e-10, 70.0))
    )
    path = tmp_path / "own.toml"
    path.write_text('inherits = "default"\n' + rows)
    kinetics = load_set(path)
    assert kinetics.constant("eta").reference == close(2e-6)
    for celsius in (120.0, 200.0):
        k = [a * np.exp(-e * 1e3 / (GAS_CONSTANT * (celsius + 273.15))) for a, e in ((1e-9, 60.0), (1e-10, 70.0))]
        np.testing.assert_allclose(
            constants(kinetics, celsius), integrated_from_growth(k, volumes(), X, ENDS, 1.0), rtol=1e-12
        )
    again = set_from_data(plain_set(kinetics), "again")
    assert again.constant("epsilon").slowing == 1.0
    assert again.constant("epsilon").reference == kinetics.constant("epsilon").reference


@pytest.mark.parametrize(
    ("growth", "volume", "x"),
    [([1e-16], [1e-5, 1e-5], [0.4]), ([0.0], [1e-5], [0.4]), ([1e-16, 1e-16], [1e-5, 1e-5], [0.2, 0.4]), ([], [], [])],
)
def test_what_is_no_couple_is_refused(growth: list[float], volume: list[float], x: list[float]) -> None:
    with pytest.raises(InputError, match="plane couple"):
        integrated_from_growth(growth, volume, x, ENDS)


@pytest.mark.parametrize(("name", "celsius"), [("default", 180.0), ("mei1992", 215.0), ("onishi1975", 215.0)])
def test_simulated_couple_gives_back_its_growth_constants(name: str, celsius: float) -> None:
    kinetics = load_set(name)
    expected = growth_from_integrated(constants(kinetics, celsius), volumes(), X, ENDS)
    run = hold(kinetics, celsius, 48.0, tolerance=1e-8, seed=1e-11)
    half = int(np.searchsorted(run.time, 24 * 3600.0))
    width = run.amount[:, [ETA, EPSILON]] * volumes()
    growth = (width[-1] ** 2 - width[half] ** 2) / (run.time[-1] - run.time[half])
    # physics asks for 1e-6; steps are controlled to 1e-8 and layers of 1e-11 m to start with leave 1e-12 of w^2
    np.testing.assert_allclose(growth, expected, rtol=1e-6)


def test_closed_form_against_the_differential_equation() -> None:
    """dn/dt from the balance in physics, integrated by scipy from thin layers: no line of the package in it."""
    big_k, v = np.array([3e-17, 5e-18]), np.array([1.07e-5, 8.6e-6])

    def rate(_t: float, w: np.ndarray) -> np.ndarray:
        j = big_k / (v * w)
        s = [(0.0 - j[0]) / (1.0 - X[0]), (j[0] - j[1]) / (X[0] - X[1]), (j[1] - 0.0) / X[1]]
        return v * np.array([s[1] - s[0], s[2] - s[1]])

    end = 1e6
    found = solve_ivp(rate, (0.0, end), [1e-11, 1e-11], method="LSODA", rtol=1e-10, atol=1e-20).y[:, -1]
    expected = np.sqrt(growth_from_integrated(big_k, v, X, ENDS) * end)
    # the integration's own 1e-10 a step over some thousand steps
    np.testing.assert_allclose(found, expected, rtol=1e-6)
