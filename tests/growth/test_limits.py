"""Limits with a known answer: ramps of one Arrhenius constant, a very large core, a couple that never ends."""

from __future__ import annotations

import csv
import re

import numpy as np
import pytest
from scipy.integrate import quad

from bronzeward.growth.problem import Problem
from bronzeward.growth.slots import CORE, EPSILON, ETA, N_SLOTS
from bronzeward.growth.state import GAS_CONSTANT
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Ring, Strand
from bronzeward.materials import literature
from bronzeward.materials.kinetics import load_set
from bronzeward.materials.plane_couple import growth_from_integrated
from bronzeward.materials.properties import load_properties
from growth_cases import Run, problem_of, run_fast

X = (0.455, 0.25)


def one_activation(problem: Problem, energy: float) -> Problem:
    """The same energy [J/mol] for all layers and solid tin at every temperature: w^2 then follows one integral."""
    x_out = problem.x_out.copy().reshape(-1, N_SLOTS, problem.nodes)
    x_out[:, CORE] = 1.0
    energies = problem.activation.copy()
    energies[[ETA, EPSILON]] = energy
    return problem._replace(
        activation=energies, activation_liquid=energies, x_out=x_out.ravel(), liquid_core=problem.liquid_core * 0
    )


def volumes() -> list[float]:
    molar = load_properties().molar_volume
    return [molar["eta"], molar["epsilon"]]


def widths(run: Run) -> np.ndarray:
    return run.amount[:, [ETA, EPSILON]] * volumes()


def growth_at(celsius: float, energy: float) -> np.ndarray:
    factors = np.exp(-energy / (GAS_CONSTANT * (celsius + 273.15)))
    integrated = [load_set().constant(phase).prefactor * factors for phase in ("eta", "epsilon")]
    return growth_from_integrated(integrated, volumes(), X, (1.0, 0.0))


def integral(schedule: Schedule, energy: float, reference: float) -> float:
    """Integral of k(T(t)) / k(reference) dt [s] by quadrature, straight piece by straight piece."""
    total = 0.0
    for start, end in zip(schedule.time[:-1], schedule.time[1:], strict=True):
        total += quad(
            lambda t: np.exp(
                -energy / GAS_CONSTANT * (1.0 / float(schedule.temperature_at(t)) - 1.0 / (reference + 273.15))
            ),
            start, end, epsrel=1e-12, epsabs=0.0,
        )[0]  # fmt: skip
    return total


SCHEDULES = {
    "ramp": Schedule.start(20).ramp(25, to=226),
    "up and down": Schedule.start(20).ramp(60, to=210).hold(5).ramp(10, to=120).ramp(200, to=220),
}


@pytest.mark.parametrize("name", SCHEDULES)
@pytest.mark.parametrize("energy", [45e3, 90e3])
def test_ramp_of_one_arrhenius_constant(name: str, energy: float) -> None:
    """w_i^2 = k_i(T0) integral of k(T(t))/k(T0): scipy.integrate.quad."""
    schedule = SCHEDULES[name]
    problem = one_activation(problem_of(Strand.couple(1000, 1000), schedule, tolerance=1e-9, seed=1e-12), energy)
    expected = growth_at(200.0, energy) * integral(schedule, energy, 200.0)
    # physics asks for 1e-6; steps are controlled to 1e-9, seeds of 1e-12 m are 1e-12 of w^2
    np.testing.assert_allclose(widths(run_fast(problem, rows=40000))[-1] ** 2, expected, rtol=1e-6)


def test_equivalent_hold_of_a_ramp() -> None:
    """The hold at 231 C that does what 25 C/h from 20 to 231 C does; the row `equivalent_hold` of checks.csv."""
    with (literature.folder() / "checks.csv").open(encoding="utf-8") as file:
        row = next(row for row in csv.DictReader(file) if row["id"] == "equivalent_hold")
    energy = 1e3 * float(re.search(r"activation_energy_kJ_per_mol=([\d.]+);", row["condition"])[1])
    schedule = Schedule.start(20).ramp(25, to=231)
    problem = one_activation(problem_of(Strand.couple(1000, 1000), schedule, tolerance=1e-7, seed=1e-11), energy)
    hours = widths(run_fast(problem, rows=40000))[-1] ** 2 / growth_at(231.0, energy) / 3600.0
    for value in hours:
        assert abs(value - float(row["value"])) <= float(row["tolerance"])


def test_very_large_core_is_a_plane_couple() -> None:
    schedule = Schedule.start(20).ramp(50, to=215).hold(24)
    plane = widths(run_fast(problem_of(Strand.couple(1000, 1000), schedule, tolerance=1e-8)))[-1]
    errors = []
    for radius in (1e-3, 1e-2, 1e-1):
        strand = Strand(radius, (Ring(radius + 5e-4, 1.0),))
        run = run_fast(problem_of(strand, schedule, tolerance=1e-8))
        thickness = run.amount[-1, [ETA, EPSILON]] * volumes() / (2.0 * np.pi * radius)
        errors.append(np.abs(thickness / plane - 1.0))
    # curvature enters in the first order of thickness over radius, at 0.1 m 4e-5: ten times the radius, a tenth
    # of the difference, to the next order at the smallest radius, one part in a hundred
    np.testing.assert_allclose(errors[0] / errors[1], 10.0, rtol=0.02)
    np.testing.assert_allclose(errors[1] / errors[2], 10.0, rtol=0.02)
    assert errors[2].max() < 5e-5
