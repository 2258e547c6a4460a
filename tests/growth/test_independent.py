"""The moving-boundary problem solved a second time, another way.

Liquid, eta, epsilon and alpha with its profile, round, at one temperature. Here the profile is followed in real
space: copper does not move relative to the barrier as long as alpha's molar volume does not depend on tin, so plain
diffusion in r holds between a moving front R(t) and the barrier, dx/dt = (1/r) d/dr (r D(x) dx/dr), with the front
fixed by xi = (r - R)/(b - R) on nodes that crowd at the front (finite differences, one-sided at the front), the whole
left to scipy's BDF. The engine counts atoms, fits exponentials and steps by its own method: no line is shared.
"""

from __future__ import annotations

import numpy as np
from scipy.integrate import solve_ivp

from bronzeward.growth.problem import Problem
from bronzeward.growth.slots import ALPHA, CORE, EPSILON, ETA
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.kinetics import load_set
from closeness import close
from growth_cases import problem_of, run_fast

CELSIUS, HOURS = 300.0, 1.0
GAS = 8.314462618


def problem(**settings: float) -> Problem:
    """Alpha's diffusion raised so far that its profile matters; thick layers to begin with."""
    strand = Strand.round(24, 44, initial_eta=0.5e-6, initial_epsilon=0.4e-6)
    kinetics = load_set().scaled({"alpha": 2e5})
    made = problem_of(strand, Schedule.start(CELSIUS).hold(HOURS), kinetics, **settings)
    return made._replace(volume_slope=made.volume_slope * 0.0)


def independent(
    p: Problem, start: np.ndarray, x_liquid: float, x_alpha: float, nodes: int, rtol: float = 1e-7
) -> np.ndarray:
    """Atoms of liquid, eta, epsilon and alpha [mol/m], and tin in alpha, after the hold."""
    kelvin = CELSIUS + 273.15
    k_eta, k_eps, d_alpha = (p.rate0[s] * np.exp(-p.activation[s] / (GAS * kelvin)) for s in (ETA, EPSILON, ALPHA))
    growth = p.exponent[ALPHA]
    v_eta, v_eps, v_alpha = p.volume[ETA], p.volume[EPSILON], p.volume[ALPHA]
    b = np.sqrt(p.area / np.pi)
    xi = np.linspace(0.0, 1.0, nodes + 1) ** 2

    def rates(_t: float, y: np.ndarray) -> np.ndarray:
        eta, eps, front = y[1:4]
        x = np.concatenate([[x_alpha], y[4:]])
        r2 = front**2 - eps * v_eps / np.pi
        r1 = r2 - eta * v_eta / np.pi
        radius2, radius1 = np.sqrt(r2), np.sqrt(r1)
        j_eta = 2 * np.pi * k_eta / (v_eta * np.log(radius2 / radius1))
        j_eps = 2 * np.pi * k_eps / (v_eps * np.log(front / radius2))
        length = b - front
        h1, h2 = xi[1], xi[2]
        # derivative at the front from three nodes
        slope = (-(h1 + h2) / (h1 * h2) * x[0] + h2 / (h1 * (h2 - h1)) * x[1] - h1 / (h2 * (h2 - h1)) * x[2]) / length
        j_alpha = -2 * np.pi * front * d_alpha * np.exp(growth * x_alpha) * slope / v_alpha
        s_liquid = (0.0 - j_eta) / (x_liquid - 0.455)
        s_eta = (j_eta - j_eps) / (0.455 - 0.25)
        s_eps = (j_eps - j_alpha) / (0.25 - x_alpha)
        front_speed = s_eps * v_alpha / (2 * np.pi * front)
        r = front + xi * length
        middle = 0.5 * (r[1:] + r[:-1])
        flow = middle * d_alpha * np.exp(growth * 0.5 * (x[1:] + x[:-1])) * np.diff(x) / np.diff(r)
        change = np.empty(nodes)
        change[:-1] = np.diff(flow) / (0.5 * (r[2:] - r[:-2])) / r[1:-1]
        change[-1] = -flow[-1] / (0.5 * (r[-1] - r[-2])) / b
        gradient = np.zeros(nodes)
        down, up = np.diff(r)[:-1], np.diff(r)[1:]
        gradient[:-1] = (
            x[2:] * down / (up * (up + down)) + x[1:-1] * (up - down) / (up * down) - x[:-2] * up / (down * (up + down))
        )
        change += (1.0 - xi[1:]) * front_speed * gradient
        return np.concatenate([[s_liquid, s_eta - s_liquid, s_eps - s_eta, front_speed], change])

    front = np.sqrt(b**2 - start[ALPHA] * v_alpha / np.pi)
    y0 = np.concatenate([start[[CORE, ETA, EPSILON]], [front], np.zeros(nodes)])
    scale = np.concatenate([np.full(3, 1e-12 * start.sum()), [1e-14], np.full(nodes, 1e-9)])
    y = solve_ivp(rates, (0.0, HOURS * 3600.0), y0, method="BDF", rtol=rtol, atol=scale).y[:, -1]
    alpha = np.pi * (b**2 - y[3] ** 2) / v_alpha
    return np.array([y[0], y[1], y[2], alpha])


def test_engine_agrees_with_an_independent_solution() -> None:
    own = [run_fast(problem(alpha_cells=cells, tolerance=1e-6)) for cells in (40, 80, 160)]
    assert all(run.complaints() == [] for run in own)
    names = [CORE, ETA, EPSILON, ALPHA]
    first = own[0]
    # after the melt: row 1; both begin from the same amounts
    p, start = first.problem, first.amount[1]
    x_liquid = float(first.tin[1, CORE] / first.amount[1, CORE])
    x_alpha = float(first.work.x_in[ALPHA])
    other = [independent(p, start, x_liquid, x_alpha, nodes) for nodes in (60, 120, 240)]
    ends = [run.amount[-1, names] for run in own]
    # second order in both: the finest pair tells what is left, a third of its difference, taken whole here
    left = np.abs(other[2] - other[1]) + np.abs(ends[2] - ends[1])
    assert (np.abs(other[2] - other[1]) < 0.5 * np.abs(other[1] - other[0])).all()
    assert (np.abs(ends[2] - other[2]) <= left + 1e-6 * start.sum()).all(), (ends, other)
    # and that is little: a thousandth of every layer, where alpha holds a good part of the tin
    np.testing.assert_allclose(ends[2], other[2], rtol=1e-3)
    assert own[2].tin[-1, ALPHA] > 0.02 * own[2].tin[-1].sum()
    assert ends[2][1] == close(other[2][1], rel=1e-3)
