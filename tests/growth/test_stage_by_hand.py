"""Geometry, profiles and whole stages of the engine against quadrature, dense linear algebra and the balances.

The single functions of a stage are in `test_balance_by_hand.py`.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from scipy.integrate import quad

from bronzeward.growth import balance, geometry, profile
from bronzeward.growth.problem import Problem
from bronzeward.growth.slots import ALPHA, BETA, CORE, DELTA, EPSILON, GAMMA, N_SLOTS
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Ring, Strand
from closeness import close
from growth_cases import problem_of
from growth_pieces import cells_of, edges_of, fill, shares_of, work

CELLS = 6
PACKED = Strand(12e-6, (Ring(15e-6, 1.0), Ring(20e-6, 0.4)))
THREE = Strand(12e-6, (Ring(16e-6, 0.4), Ring(20e-6, 0.8), Ring(24e-6, 0.3)))


def problem(strand: Strand = PACKED, **more: Any) -> Problem:
    p = problem_of(strand, Schedule.start(450).hold(1), alpha_cells=CELLS, inner_cells=4)
    return p._replace(**more)


def solved_of(p: Problem, w: Any, slot: int) -> np.ndarray:
    """What stands in `w.right` for a profile."""
    here = cells_of(p, slot)
    return np.array(w.right[here.start + slot : here.stop + slot])


def layers(p: Problem, *contents: tuple[int, float, Any]) -> Any:
    """Layers from the core outwards, a share of the area inside the barrier and a composition each, at rest.

    They fill that area; boundary compositions are a little off what the layers hold.
    """
    w = work(p, *(slot for slot, _, _ in contents))
    for slot, share, composition in contents:
        x = float(np.mean(composition))
        fill(p, w, slot, share * p.area / (p.volume[slot] + p.volume_slope[slot] * x), composition)
        w.x_in[slot] = w.x_out[slot] = x
        if p.wide[slot]:
            ends = w.x[cells_of(p, slot)]
            w.x_in[slot], w.x_out[slot] = ends[0] + 0.01, max(ends[-1] - 0.01, 0.0)
        w.rate[slot] = 1e-17
    w.n_star[:], w.tin_star[:], w.u_star[:] = w.n, w.tin, w.u
    return w


def usual(p: Problem) -> Any:
    """Liquid, two compounds and a profile; the boundaries have moved a little since the layers formed."""
    copper = [0.05, 0.03, 0.02, 0.01, 0.005, 0.001]
    w = layers(p, (CORE, 0.2, 0.97), (EPSILON, 0.1, 0.25), (DELTA, 0.1, 0.2), (ALPHA, 0.6, copper))
    w.x_out[CORE] = 0.96
    w.x_in[EPSILON] = w.x_out[EPSILON] = 0.2501
    balance.lay_out(p, w, 4)
    return w


# --- geometry of the layers


def test_layers_fill_the_area_from_the_barrier_inwards() -> None:
    p = problem()
    w = usual(p)
    area = p.area
    for slot in (ALPHA, DELTA, EPSILON, CORE):
        assert w.area_out[slot] == close(area, rel=1e-12)
        area -= w.n[slot] * p.volume[slot] + w.tin[slot] * p.volume_slope[slot]
        assert w.area_in[slot] == pytest.approx(area, rel=1e-12, abs=1e-12 * p.area)
    assert p.volume_slope[ALPHA] > 0.0


@pytest.mark.parametrize("strand", [PACKED, THREE, Strand.couple(20, 40)])
def test_paths_are_integrals_of_the_slope(strand: Strand) -> None:
    p = problem(strand)
    for begin, width in ((0.05, 0.01), (0.05, 0.9), (0.35, 0.2), (0.5, 0.1), (0.6, 1e-9), (0.7, 0.1), (0.9, 0.05)):
        a, b = begin * p.area, (begin + width) * p.area
        knots = [edge for edge in p.zone_area if a < edge < b]
        ends = [a, *knots, b]
        whole = sum(
            quad(lambda area: geometry.resistance_slope(p, area), low, high, epsrel=1e-12)[0]
            for low, high in pairwise(ends)
        )
        assert geometry.path(p, a, b - a) == close(whole, rel=1e-7)
        if width > 1e-6:
            assert geometry.resistance(p, b) - geometry.resistance(p, a) == close(whole, rel=1e-7)


# --- profiles


def textbook_bernoulli(z: float) -> float:
    return 1.0 if z == 0.0 else float(z / np.expm1(z))


def dense_profile(
    p: Problem, w: Any, slot: int, s_in: float, s_out: float, gh: float, open_in: bool, open_out: bool
) -> tuple[np.ndarray, float, float]:
    """Cells and end flows by one dense solve, with the fitted flow of Scharfetter and Gummel written out."""
    here, edges, amount = cells_of(p, slot), edges_of(p, slot), w.n[slot]
    cells = len(edges) - 1
    rho = np.asarray(w.face[here.start + slot : here.stop + slot + 1])
    give, take = np.zeros(cells + 1), np.zeros(cells + 1)
    for k in range(cells + 1):
        if (k > 0 or open_in) and (k < cells or open_out):
            peclet = -((1.0 - edges[k]) * s_in + edges[k] * s_out) * rho[k]
            give[k], take[k] = textbook_bernoulli(-peclet) / rho[k], textbook_bernoulli(peclet) / rho[k]
    matrix = np.diag(amount * np.diff(edges))
    known = np.array(w.u_star[here])
    for k in range(cells):
        matrix[k, k] += gh * (take[k] + give[k + 1])
        if k > 0:
            matrix[k, k - 1] -= gh * give[k]
        if k < cells - 1:
            matrix[k, k + 1] -= gh * take[k + 1]
    known[0] += gh * give[0] * w.x_in[slot]
    known[-1] += gh * take[-1] * w.x_out[slot]
    x = np.linalg.solve(matrix, known)
    return x, give[0] * w.x_in[slot] - take[0] * x[0], give[-1] * x[-1] - take[-1] * w.x_out[slot]


@pytest.mark.parametrize("exponent", [0.0, 25.0])
@pytest.mark.parametrize("strand", [PACKED, THREE, Strand.couple(20, 40)])
def test_resistance_of_faces(strand: Strand, exponent: float) -> None:
    """V dS / D between the centres, D averaged over the composition between them."""
    p = problem(strand, exponent=[exponent] * N_SLOTS)
    w = usual(p)
    profile.lay_faces(p, w, ALPHA, w.n[ALPHA], w.area_in[ALPHA])
    here = cells_of(p, ALPHA)
    x = np.array([w.x_in[ALPHA], *w.x[here], w.x_out[ALPHA]])
    widths = w.n[ALPHA] * shares_of(p, ALPHA) * (p.volume[ALPHA] + p.volume_slope[ALPHA] * w.x[here])
    edges = w.area_in[ALPHA] + np.concatenate([[0.0], np.cumsum(widths)])
    places = np.array([edges[0], *(edges[:-1] + 0.5 * widths), edges[-1]])
    for k in range(CELLS + 1):
        low, high = x[k], x[k + 1]
        mean = quad(lambda n: np.exp(exponent * n), low, high)[0] / (high - low) if low != high else 1.0
        volume = p.volume[ALPHA] + p.volume_slope[ALPHA] * 0.5 * (low + high)
        distance = geometry.path(p, places[k], places[k + 1] - places[k])
        expected = volume * distance / (w.rate[ALPHA] * mean)
        assert w.face[here.start + ALPHA + k] == close(expected, rel=1e-9)


@pytest.mark.parametrize("open_in", [True, False])
@pytest.mark.parametrize("open_out", [True, False])
@pytest.mark.parametrize(("slot", "s_in", "s_out"), [(ALPHA, 3e-9, 0.0), (GAMMA, -2e-8, 4e-9), (BETA, 0.0, 0.0)])
def test_cells_against_a_dense_solution(slot: int, s_in: float, s_out: float, open_in: bool, open_out: bool) -> None:
    p, gh = problem(), 900.0
    composition = np.linspace(0.05, 0.01, int(p.cells[slot]))
    w = layers(p, (EPSILON, 0.3, 0.25), (slot, 0.4, composition), (ALPHA, 0.3, 0.0)) if slot != ALPHA else layers(
        p, (EPSILON, 0.3, 0.25), (ALPHA, 0.7, composition)
    )  # fmt: skip
    balance.lay_out(p, w, 2 if slot == ALPHA else 3)
    profile.lay_faces(p, w, slot, w.n[slot], w.area_in[slot])
    x, flow_in, flow_out = dense_profile(p, w, slot, s_in, s_out, gh, open_in, open_out)
    ours = profile.solve_cells(p, w, slot, w.n[slot], 1.0, s_in, s_out, gh, open_in, open_out)
    np.testing.assert_allclose(solved_of(p, w, slot), x, rtol=1e-10)
    np.testing.assert_allclose(ours, (flow_in, flow_out), rtol=1e-6)
    # nothing is lost between the cells
    gained = float((w.n[slot] * shares_of(p, slot) * x).sum() - w.u_star[cells_of(p, slot)].sum())
    assert gh * (flow_in - flow_out) == pytest.approx(gained, rel=1e-8, abs=1e-20)


def test_thinner_resistances_scale_all_faces() -> None:
    p, gh = problem(), 900.0
    w = usual(p)
    profile.lay_faces(p, w, ALPHA, w.n[ALPHA], w.area_in[ALPHA])
    thin = profile.solve_cells(p, w, ALPHA, w.n[ALPHA], 0.5, 1e-9, 0.0, gh, True, False)
    w.face[:] *= 0.5
    np.testing.assert_allclose(thin, profile.solve_cells(p, w, ALPHA, w.n[ALPHA], 1.0, 1e-9, 0.0, gh, True, False))


# --- whole stages


def stage(p: Problem, w: Any, count: int, gh: float) -> int:
    slots = list(w.sequence[:count])
    w.n_star[slots], w.tin_star[slots] = w.n[slots], w.tin[slots]
    w.u_star[:] = w.u
    return balance.solve_stage(p, w, count, gh, True)


def test_a_phase_alone_levels_out_and_keeps_its_tin() -> None:
    p = problem()
    w = layers(p, (ALPHA, 1.0, [0.05, 0.03, 0.02, 0.01, 0.005, 0.001]))
    tin = w.tin[ALPHA]
    w.rate[ALPHA] = 1e-12
    assert stage(p, w, 1, 1e6) > 0
    here = cells_of(p, ALPHA)
    assert w.u[here].sum() == close(tin, rel=1e-10)
    np.testing.assert_allclose(w.x[here], tin / w.n[ALPHA], rtol=1e-3)
    w = layers(p, (EPSILON, 1.0, 0.25))
    w.n[EPSILON] = w.tin[EPSILON] = -1.0  # the guess is of no matter
    assert balance.solve_stage(p, w, 1, 10.0, True) == 1
    assert (w.n[EPSILON], w.tin[EPSILON]) == (w.n_star[EPSILON], w.tin_star[EPSILON])


@pytest.mark.parametrize("gh", [1.0, 100.0, 3000.0])
def test_a_solved_stage_balances_every_layer(gh: float) -> None:
    """Backward Euler from the state before: independent residuals of atoms and tin, layer by layer."""
    p = problem()._replace(tolerance=1e-9)
    w = usual(p)
    slots = [CORE, EPSILON, DELTA, ALPHA]
    n, tin = w.n[slots].copy(), w.tin[slots].copy()
    assert 0 < stage(p, w, 4, gh) <= 25
    speeds = np.array([0.0, *w.s[:3], 0.0])
    np.testing.assert_allclose(w.n[slots], n + gh * np.diff(speeds), rtol=1e-12)
    assert w.tin[slots].sum() == close(tin.sum(), rel=1e-13)
    np.testing.assert_allclose(w.tin[slots][:3] / w.n[slots][:3], [0.96, 0.2501, 0.2], rtol=1e-13)
    # tin that passes each interface by the balance of what lies inside it, and by diffusion
    inner = np.cumsum(tin - w.tin[slots])[:3] / gh
    for k, slot in ((1, EPSILON), (2, DELTA)):
        through = w.rate[slot] / (p.volume[slot] * geometry.path(p, w.area_in[slot], w.n[slot] * p.volume[slot]))
        assert inner[k - 1] == close(through - w.x_in[slot] * w.s[k - 1], rel=1e-6)
    profile.lay_faces(p, w, ALPHA, w.n[ALPHA], w.area_in[ALPHA])
    x, flow_in, _ = dense_profile(p, w, ALPHA, w.s[2], 0.0, gh, True, False)
    assert inner[2] == close(flow_in, rel=1e-6)
    np.testing.assert_allclose(w.x[cells_of(p, ALPHA)], x, rtol=1e-6)


@pytest.mark.parametrize("factor", [0.0, 0.5, 2.0, -3.0])
def test_the_guess_changes_nothing_but_the_iterations(factor: float) -> None:
    p = problem()._replace(tolerance=1e-9)
    best = usual(p)
    assert stage(p, best, 4, 500.0)
    w = usual(p)
    w.s[:3] = factor * best.s[:3]
    w.x[cells_of(p, ALPHA)] *= 1.0 + 0.1 * factor
    assert stage(p, w, 4, 500.0)
    np.testing.assert_allclose(w.n, best.n, rtol=1e-9)
    np.testing.assert_allclose(w.u, best.u, rtol=1e-7, atol=1e-12 * best.tin[ALPHA])


@pytest.mark.parametrize("factor", [0.0, 0.5, 0.9, 1.1, 2.0, -3.0])
@pytest.mark.parametrize("with_profile", [True, False])
def test_iteration_goes_on_until_nothing_moves(with_profile: bool, factor: float) -> None:
    """To a twentieth of the step's tolerance, in amounts as in what is misplaced within a profile."""

    def begin(p: Problem) -> tuple[Any, int]:
        if with_profile:
            return usual(p), 4
        w = layers(p, (CORE, 0.2, 0.97), (EPSILON, 0.02, 0.25), (DELTA, 0.02, 0.2), (BETA, 0.76, 0.15))
        w.sequence[3] = 0
        w.n[BETA] = 0.0
        w.n[DELTA] *= 30.0
        w.tin[DELTA] *= 30.0
        return w, 3

    exact, count = begin(problem())
    assert stage(problem()._replace(tolerance=1e-10), exact, count, 100.0)
    w, _ = begin(problem())
    w.s[:3] = factor * exact.s[:3]
    w.x[cells_of(problem(), ALPHA)] *= 1.0 + 0.1 * factor
    p = problem()._replace(tolerance=1e-3)
    assert stage(p, w, count, 100.0)
    slots = list(w.sequence[:count])
    assert (w.s[: count - 1] != exact.s[: count - 1]).any()
    np.testing.assert_allclose(w.n[slots], exact.n[slots], rtol=5e-5)
    assert np.abs(w.u - exact.u).sum() <= 5e-5 * exact.tin.sum()
    if with_profile:
        assert np.abs(w.u - exact.u).sum() <= 5e-5 * exact.tin[ALPHA]


def test_an_impossible_guess_is_dropped_and_a_hopeless_stage_given_up() -> None:
    p = problem()
    best = usual(p)
    assert stage(p, best, 4, 500.0)
    w = usual(p)
    w.s[:3] = 0.0, -1.0, 0.0  # epsilon below zero
    assert stage(p, w, 4, 500.0)
    np.testing.assert_allclose(w.n, best.n, rtol=1e-4)
    w = usual(p)
    w.n[EPSILON] = 0.0
    assert stage(p, w, 4, 500.0) == 0
    w = usual(p)
    w.rate[EPSILON] = float("nan")
    assert stage(p, w, 4, 500.0) == 0


def test_a_good_guess_needs_one_iteration_and_rest_at_least_two() -> None:
    p = problem()
    w = usual(p)
    from_rest = stage(p, w, 4, 500.0)
    assert 2 <= from_rest <= 8
    again = usual(p)
    again.s[:3], again.x[:] = w.s[:3], w.x
    assert stage(p, again, 4, 500.0) == 1
