"""Every part of an implicit stage against dense linear algebra, differences and sums done by hand."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from scipy.integrate import quad

from bronzeward.growth import balance, geometry, profile
from bronzeward.growth.balance import IN, IN_BY_IN, IN_BY_OUT, OUT, OUT_BY_IN, OUT_BY_OUT
from bronzeward.growth.problem import Problem
from bronzeward.growth.slots import ALPHA, BETA, CORE, DELTA, EPSILON, ETA, GAMMA, N_SLOTS
from bronzeward.schedule import Schedule
from bronzeward.strand import Ring, Strand
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
        assert w.area_out[slot] == pytest.approx(area, rel=1e-12)
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
        assert geometry.path(p, a, b - a) == pytest.approx(whole, rel=1e-7)
        if width > 1e-6:
            assert geometry.resistance(p, b) - geometry.resistance(p, a) == pytest.approx(whole, rel=1e-7)


# --- amounts and speeds


def test_interfaces_that_move_change_amounts() -> None:
    p = problem()
    w = usual(p)
    slots, gh = [CORE, EPSILON, DELTA, ALPHA], 7.0
    w.s[:3] = -2e-9, 3e-9, 5e-9
    inside, outside = np.array([0.0, *w.s[:3]]), np.array([*w.s[:3], 0.0])
    assert [balance.speed_inside(w, k) for k in range(4)] == list(inside)
    assert [balance.speed_outside(w, k, 4) for k in range(4)] == list(outside)
    assert balance.set_amounts(p, w, 4, gh)
    np.testing.assert_allclose(w.n[slots], w.n_star[slots] + gh * (outside - inside), rtol=1e-14)
    assert balance.stands_still(w, 1)
    assert not balance.stands_still(w, 2)
    w.s[:2] = 0.0
    assert balance.stands_still(w, 3)
    assert not balance.stands_still(w, 4)


@pytest.mark.parametrize("k", range(4))
@pytest.mark.parametrize(("left", "fine"), [(1.01, True), (0.99, False), (-1.0, False)])
def test_a_layer_that_must_have_atoms_has_more_than_a_trace(k: int, left: float, fine: bool) -> None:
    p = problem()
    w = usual(p)
    slot = w.sequence[k]
    w.n_star[slot] = left * 1e-6 * p.seed * p.perimeter / p.volume[slot]
    # a core may run out
    assert balance.set_amounts(p, w, 4, 1.0) is (fine or k == 0)
    if k < 3:  # and so may a compound at the barrier
        assert balance.set_amounts(p, w, k + 1, 1.0)


# --- compounds


def flows(w: Any, *slots: int) -> np.ndarray:
    return np.array([[w.flow[slot * 6 + which] for which in (IN, OUT)] for slot in slots])


def compounds(p: Problem, w: Any, speeds: Any, gh: float) -> Any:
    w.s[:3] = speeds
    balance.set_amounts(p, w, 4, gh)
    balance.lay_out(p, w, 4)
    for k in range(3):
        balance.compound_flows(p, w, k, 4, gh)
    return w


def test_flows_of_compounds() -> None:
    """Through a layer goes rate / (V dS); at each side what the interface sweeps up is added."""
    p, gh = problem(), 50.0
    w = usual(p)
    speeds = np.array([-2e-9, 3e-9, 5e-9])
    compounds(p, w, speeds, gh)
    for k, slot in ((1, EPSILON), (2, DELTA)):
        x = w.x_in[slot]
        through = w.rate[slot] / (p.volume[slot] * geometry.path(p, w.area_in[slot], w.n[slot] * p.volume[slot]))
        stored = (x * w.n_star[slot] - w.tin_star[slot]) / gh
        ours = flows(w, slot)[0]
        np.testing.assert_allclose(ours, [through - x * speeds[k - 1], through - x * speeds[k] - stored], rtol=1e-12)
        assert w.tin[slot] == pytest.approx(x * w.n[slot], rel=1e-14)
        # what came in less what went out is what it gained
        assert gh * (ours[0] - ours[1]) == pytest.approx(w.tin[slot] - w.tin_star[slot], rel=1e-9)
    assert stored == 0.0
    assert w.tin[EPSILON] - 0.2501 * w.n[EPSILON] == pytest.approx(0.0, abs=1e-25)
    assert -gh * flows(w, CORE)[0, 1] == pytest.approx(0.96 * w.n[CORE] - w.tin_star[CORE], rel=1e-12)
    assert w.tin[CORE] == pytest.approx(0.96 * w.n[CORE], rel=1e-14)


@pytest.mark.parametrize(
    ("strand", "thin", "close"), [(Strand.couple(20, 40), 0.1, 1e-5), (PACKED, 0.002, 0.01)]
)
@pytest.mark.parametrize("side", range(3))
def test_slopes_of_compounds_are_those_of_their_flows(side: int, strand: Strand, thin: float, close: float) -> None:
    """By differences: exact in a plane, where round in layers so thin that the radius is the same at both sides."""
    p, gh = problem(strand), 50.0
    w = layers(p, (CORE, 0.3, 0.97), (EPSILON, thin, 0.25), (DELTA, thin, 0.2), (ALPHA, 0.7 - 2 * thin, 0.0))
    start, base = w.n.copy(), np.array([-2e-4, 3e-4, 5e-4]) * w.n[EPSILON]

    def moved(by: float) -> Any:
        w.n[:] = start
        return np.array(compounds(p, w, base + by * np.eye(3)[side], gh).flow)

    step = 1e-6 * start[EPSILON]
    own = moved(0.0)
    slope = ((moved(step) - moved(-step)) / (2 * step)).reshape(N_SLOTS, 6)[:, [IN, OUT]]
    outer, inner = (CORE, EPSILON, DELTA)[side], (EPSILON, DELTA, ALPHA)[side]
    assert own[outer * 6 + OUT_BY_OUT] == pytest.approx(slope[outer, 1], rel=close)
    if side > 0:
        assert own[outer * 6 + IN_BY_OUT] == pytest.approx(slope[outer, 0], rel=close)
    if side < 2:
        assert own[inner * 6 + IN_BY_IN] == pytest.approx(slope[inner, 0], rel=close)
        assert own[inner * 6 + OUT_BY_IN] == pytest.approx(slope[inner, 1], rel=close)


def test_a_compound_at_the_barrier_takes_what_its_atoms_need() -> None:
    p, gh = problem(), 50.0
    w = layers(p, (CORE, 0.5, 0.97), (EPSILON, 0.5, 0.25))
    balance.lay_out(p, w, 2)
    w.s[0], w.x_in[EPSILON] = 4e-9, 0.251
    balance.set_amounts(p, w, 2, gh)
    balance.compound_flows(p, w, 1, 2, gh)
    assert w.tin[EPSILON] == pytest.approx(0.251 * w.n[EPSILON], rel=1e-14)
    assert gh * flows(w, EPSILON)[0, 0] == pytest.approx(w.tin[EPSILON] - w.tin_star[EPSILON], rel=1e-12)
    assert w.flow[EPSILON * 6 + IN_BY_IN] == -0.251


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
        assert w.face[here.start + ALPHA + k] == pytest.approx(expected, rel=1e-9)


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


@pytest.mark.parametrize("k", [1, 2])
def test_flows_and_slopes_of_a_profile(k: int) -> None:
    """Against differences of the dense solution in the speed at each side, with the faces kept."""
    p, gh = problem(), 900.0
    w = layers(p, (EPSILON, 0.2, 0.25), (GAMMA, 0.3, [0.2, 0.19, 0.18, 0.17]), (ALPHA, 0.5, np.linspace(0.05, 0.0, 6)))
    slot, count = (GAMMA, ALPHA)[k - 1], 3
    w.s[:2] = 2e-9, 3e-9
    balance.set_amounts(p, w, count, gh)
    balance.lay_out(p, w, count)
    balance.wide_flows(p, w, k, count, gh, True)
    own = np.array(w.flow[slot * 6 : slot * 6 + 6])
    held = np.array(w.held[cells_of(p, slot)])
    open_out, s_in, s_out = k < 2, w.s[k - 1], w.s[k] if k < 2 else 0.0
    x, flow_in, flow_out = dense_profile(p, w, slot, s_in, s_out, gh, True, open_out)
    np.testing.assert_allclose(held, x, rtol=1e-10, atol=1e-15)
    np.testing.assert_allclose(own[[IN, OUT]], [flow_in, flow_out], rtol=1e-9, atol=1e-25)
    amount, faces = w.n[slot], np.array(w.face)

    def at(more_in: float, more_out: float) -> np.ndarray:
        # the layer grows with its interfaces, and its faces with it
        w.n[slot] = amount + gh * (more_out - more_in)
        w.face[:] = faces * (w.n[slot] / amount)
        _, a, b = dense_profile(p, w, slot, s_in + more_in, s_out + more_out, gh, True, open_out)
        return np.array([a, b])

    step = 1e-4 * amount / gh
    by_in = (at(step, 0.0) - at(-step, 0.0)) / (2 * step)
    np.testing.assert_allclose(own[[IN_BY_IN, OUT_BY_IN]], by_in, rtol=2e-3, atol=1e-4 * abs(by_in[0]))
    if open_out:
        by_out = (at(0.0, step) - at(0.0, -step)) / (2 * step)
        np.testing.assert_allclose(own[[IN_BY_OUT, OUT_BY_OUT]], by_out, rtol=2e-3, atol=1e-4 * abs(by_out[1]))
    # stale slopes are kept when they are not asked for anew
    w.n[slot] = amount
    w.flow[slot * 6 : slot * 6 + 6] = 7.0
    balance.wide_flows(p, w, k, count, gh, False)
    np.testing.assert_allclose(w.flow[slot * 6 : slot * 6 + 6], [own[IN], own[OUT], 7.0, 7.0, 7.0, 7.0], rtol=1e-12)


def test_untouched_copper_is_consumed_at_its_own_composition() -> None:
    p, gh = problem(), 900.0
    w = layers(p, (EPSILON, 0.3, 0.25), (ALPHA, 0.7, [0.02] * 6))
    balance.lay_out(p, w, 2)
    w.rate[ALPHA] = 1e-40
    w.s[0] = 3e-9
    w.flow[:] = 9.0
    balance.wide_flows(p, w, 1, 2, gh, True)
    at = ALPHA * 6
    assert [w.flow[at + which] for which in (IN, OUT)] == [-0.02 * 3e-9, 0.0]
    assert [w.flow[at + which] for which in (IN_BY_IN, IN_BY_OUT, OUT_BY_IN, OUT_BY_OUT)] == [-0.02, 0.0, 0.0, -0.02]
    assert (w.held[cells_of(p, ALPHA)] == 0.02).all()


@pytest.mark.parametrize(
    ("rho", "speed", "amount", "gh", "expected"),
    [(1e9, 1e-12, 1.0, 1.0, 1e-12), (1e9, 1e-3, 1.0, 1.0, 1e-9), (1e2, 1e-3, 1.0, 10.0, 1e-7)],
)
def test_nudges_are_small_against_whatever_counts(
    rho: float, speed: float, amount: float, gh: float, expected: float
) -> None:
    assert balance.nudge_of(rho, speed, amount, gh) == pytest.approx(expected, rel=1e-12)
    assert balance.nudge_of(rho, -speed, amount, gh) == pytest.approx(expected, rel=1e-12)


def test_how_much_of_a_layers_tin_an_iteration_moved() -> None:
    p = problem()
    w = usual(p)
    here, atoms = cells_of(p, ALPHA), w.n[ALPHA] * shares_of(p, ALPHA)
    before = w.x[here].copy()
    after = before[::-1].copy()
    w.held[here] = after
    moved = balance.take_cells(p, w, ALPHA)
    tin = float((atoms * after).sum())
    assert moved == pytest.approx(float((atoms * np.abs(after - before)).sum()) / (tin + 0.01 * w.n[ALPHA]), rel=1e-12)
    np.testing.assert_array_equal(w.x[here], after)
    np.testing.assert_allclose(w.u[here], atoms * after, rtol=1e-14)
    assert w.tin[ALPHA] == pytest.approx(tin, rel=1e-14)


# --- Newton's method


@pytest.mark.parametrize("count", [2, 3, 4, 6])
@pytest.mark.parametrize("seed", range(3))
def test_newton_steps_against_a_dense_solution(count: int, seed: int) -> None:
    """Flows out of a phase and into the next must match after it, with all their slopes."""
    rng = np.random.default_rng(seed)
    p = problem()
    w = work(p, *range(count))
    w.flow[:] = rng.normal(size=w.flow.size)
    table = w.flow.reshape(N_SLOTS, 6)
    table[:, OUT_BY_OUT] -= 6.0  # diagonally dominant
    matrix, mismatch = np.zeros((count - 1, count - 1)), np.zeros(count - 1)
    for k in range(count - 1):
        here, there = table[k], table[k + 1]
        mismatch[k] = here[OUT] - there[IN]
        matrix[k, k] = here[OUT_BY_OUT] - there[IN_BY_IN]
        if k > 0:
            matrix[k, k - 1] = here[OUT_BY_IN]
        if k < count - 2:
            matrix[k, k + 1] = -there[IN_BY_OUT]
    assert balance.newton_step(w, count)
    np.testing.assert_allclose(w.right[: count - 1], np.linalg.solve(matrix, -mismatch), rtol=1e-9)


@pytest.mark.parametrize(("pivot", "fine"), [(2e-12, True), (0.5e-12, False), (-2e-12, True), (np.nan, False)])
def test_a_matrix_without_inverse_is_not_used(pivot: float, fine: bool) -> None:
    p = problem()
    w = work(p, CORE, ETA)
    w.flow[CORE * 6 + OUT_BY_OUT] = pivot
    assert balance.newton_step(w, 2) is fine


def corrected(p: Problem) -> Any:
    """The usual layers with a correction at hand that is not small, but that a profile can follow."""
    w = usual(p)
    gh = 50.0
    for _ in range(3):
        balance.set_amounts(p, w, 4, gh)
        balance.lay_out(p, w, 4)
        for k in range(3):
            balance.compound_flows(p, w, k, 4, gh)
        balance.wide_flows(p, w, 3, 4, gh, True)
        balance.take_cells(p, w, ALPHA)
        assert balance.newton_step(w, 4)
        w.s[:3] += w.right[:3]
    w.s[:3] -= w.right[:3]
    return w


def test_the_last_correction_keeps_the_sum_of_tin() -> None:
    p, gh = problem(), 50.0
    w = corrected(p)
    slots = [CORE, EPSILON, DELTA, ALPHA]
    right, speeds, shape = w.right[:3].copy(), w.s[:3].copy(), w.x[cells_of(p, ALPHA)].copy()
    expected_n = w.n_star[slots] + gh * np.diff([0.0, *(speeds + right), 0.0])
    balance.apply_last(p, w, 4, gh)
    np.testing.assert_allclose(w.n[slots], expected_n, rtol=1e-13)
    np.testing.assert_allclose(w.s[:3], speeds + right, rtol=1e-14)
    assert w.tin[slots].sum() == pytest.approx(w.tin_star[slots].sum(), rel=1e-13)
    assert w.u[cells_of(p, ALPHA)].sum() == pytest.approx(w.tin[ALPHA], rel=1e-13)
    for slot, x in ((CORE, 0.96), (EPSILON, 0.2501), (DELTA, 0.2)):
        assert w.tin[slot] / w.n[slot] == pytest.approx(x, rel=1e-14)
    ratio = w.x[cells_of(p, ALPHA)] / shape
    np.testing.assert_allclose(ratio, ratio[0], rtol=1e-13)


def test_tin_that_a_profile_will_hold() -> None:
    p, gh = problem(), 50.0
    w = layers(p, (EPSILON, 0.2, 0.25), (GAMMA, 0.3, 0.2), (ALPHA, 0.5, 0.02))
    rng = np.random.default_rng(3)
    w.flow[:] = rng.normal(size=w.flow.size)
    w.right[:2] = rng.normal(size=2)
    table, (first, second) = w.flow.reshape(N_SLOTS, 6), w.right[:2]
    gamma, alpha = table[GAMMA], table[ALPHA]
    into = gamma[IN] + gamma[IN_BY_IN] * first + gamma[IN_BY_OUT] * second
    out = gamma[OUT] + gamma[OUT_BY_IN] * first + gamma[OUT_BY_OUT] * second
    assert balance.wide_tin(w, 1, 3, gh) == pytest.approx(w.tin_star[GAMMA] + gh * (into - out), rel=1e-13)
    into = alpha[IN] + alpha[IN_BY_IN] * second
    assert balance.wide_tin(w, 2, 3, gh) == pytest.approx(w.tin_star[ALPHA] + gh * into, rel=1e-13)
    w.sequence[:2] = [GAMMA, ALPHA]
    out = gamma[OUT] + gamma[OUT_BY_OUT] * first
    assert balance.wide_tin(w, 0, 2, gh) == pytest.approx(w.tin_star[GAMMA] - gh * out, rel=1e-13)


@pytest.mark.parametrize(
    ("beyond", "followed"), [(0.99e-2, True), (-0.99e-2, True), (1.01e-2, False), (-1.01e-2, False)]
)
def test_a_profile_follows_its_flows_only_so_far(beyond: float, followed: bool) -> None:
    p = problem()
    w = usual(p)
    here, tin, amount = cells_of(p, ALPHA), w.tin[ALPHA], w.n[ALPHA]
    shape = w.x[here].copy()
    w.n[ALPHA] = 1.5 * amount
    held = 1.5 * tin
    w.corrected[1] = 1.0
    balance.fill_up(p, w, ALPHA, amount, held * (1.0 + beyond))
    given = beyond if followed else 0.0
    assert w.tin[ALPHA] == pytest.approx(held * (1.0 + given), rel=1e-13)
    assert w.corrected[1] == pytest.approx(1.0 + held * given, rel=1e-13)
    np.testing.assert_allclose(w.x[here], shape * (1.0 + given), rtol=1e-13)
    np.testing.assert_allclose(w.u[here], w.n[ALPHA] * shares_of(p, ALPHA) * w.x[here], rtol=1e-13)


def test_a_profile_without_tin_is_left_without() -> None:
    p = problem()
    w = layers(p, (EPSILON, 0.3, 0.25), (ALPHA, 0.7, 0.0))
    balance.fill_up(p, w, ALPHA, w.n[ALPHA], 1e-9)
    assert w.tin[ALPHA] == 0.0
    assert not w.u.any()


def resting(p: Problem, alpha: float) -> tuple[Any, float]:
    """Two compounds and copper of one composition whose flows change nothing; the time weight of the stage."""
    w = layers(p, (CORE, 0.3, 0.97), (EPSILON, 0.2, 0.25), (ALPHA, 0.5, alpha))
    w.flow[:] = 0.0
    return w, 50.0


@pytest.mark.parametrize(("share", "small"), [(-0.49, True), (-0.51, False), (0.9, True)])
@pytest.mark.parametrize("slot", [EPSILON, ALPHA, CORE])
def test_a_rest_is_small_while_every_layer_keeps_half(slot: int, share: float, small: bool) -> None:
    p = problem()
    w, gh = resting(p, 0.0)
    change = share * w.n[slot] / gh
    w.right[:2] = {CORE: (change, 0.0), EPSILON: (0.0, change), ALPHA: (0.0, -change)}[slot]
    for other in (CORE, EPSILON, ALPHA):
        if other != slot:
            w.n[other] *= 1e6
    # a core may go
    assert balance.rest_is_small(p, w, 3, gh) is (small or slot == CORE)


@pytest.mark.parametrize(("beyond", "small"), [(0.99e-2, True), (-0.99e-2, True), (1.01e-2, False), (-1.01e-2, False)])
@pytest.mark.parametrize("moving", [0.0, 0.2])
def test_a_rest_is_small_while_profiles_can_follow(beyond: float, small: bool, moving: float) -> None:
    p = problem()
    w, gh = resting(p, 0.02)
    w.right[:2] = 0.0, -moving * w.n[ALPHA] / gh
    w.n[EPSILON] *= 1e6
    w.tin_star[ALPHA] = w.tin[ALPHA] * (1.0 + moving) * (1.0 + beyond)
    assert balance.rest_is_small(p, w, 3, gh) is small
    # copper with next to no tin does not count
    w.tin[ALPHA] = 0.9 * 0.01 * w.n[ALPHA] / (1.0 + moving)
    w.tin_star[ALPHA] = 5.0 * w.tin[ALPHA]
    assert balance.rest_is_small(p, w, 3, gh)
    w.tin[ALPHA] = 1.1 * 0.01 * w.n[ALPHA] / (1.0 + moving)
    assert not balance.rest_is_small(p, w, 3, gh)


@pytest.mark.parametrize("slot", [EPSILON, ALPHA])
@pytest.mark.parametrize("share", [-0.5, -0.89, -0.95, -3.0, 3.0])
def test_a_tenth_of_every_layer_is_left(slot: int, share: float) -> None:
    p = problem()
    w, gh = resting(p, 0.0)
    change = share * w.n[slot] / gh
    w.right[:2] = (-0.5 * change, 0.5 * change) if slot == EPSILON else (0.0, -change)
    for other in (CORE, EPSILON, ALPHA):
        if other != slot:
            w.n[other] *= 1e6
    taken = balance.damping(p, w, 3, gh)
    assert taken == pytest.approx(1.0 if share > -0.9 else -0.9 / share, rel=1e-12)


def test_the_scarcest_layer_decides_and_a_core_may_run_out() -> None:
    p = problem()
    w, gh = resting(p, 0.0)
    w.right[:2] = -4.0 * w.n[CORE] / gh, 0.0
    w.n[EPSILON] *= 1e6
    assert balance.damping(p, w, 3, gh) == 1.0
    w.n[EPSILON], w.n[ALPHA] = 1.0, 1.0
    w.right[:2] = 3.0 / gh, 1.0 / gh  # of epsilon twice what it has goes, of copper as much as there is
    assert balance.damping(p, w, 3, gh) == pytest.approx(0.45)
    w.right[:2] = 0.0, 4.0 / gh
    assert balance.damping(p, w, 3, gh) == pytest.approx(0.225)


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
    assert w.u[here].sum() == pytest.approx(tin, rel=1e-10)
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
    assert w.tin[slots].sum() == pytest.approx(tin.sum(), rel=1e-13)
    np.testing.assert_allclose(w.tin[slots][:3] / w.n[slots][:3], [0.96, 0.2501, 0.2], rtol=1e-13)
    # tin that passes each interface by the balance of what lies inside it, and by diffusion
    inner = np.cumsum(tin - w.tin[slots])[:3] / gh
    for k, slot in ((1, EPSILON), (2, DELTA)):
        through = w.rate[slot] / (p.volume[slot] * geometry.path(p, w.area_in[slot], w.n[slot] * p.volume[slot]))
        assert inner[k - 1] == pytest.approx(through - w.x_in[slot] * w.s[k - 1], rel=1e-6)
    profile.lay_faces(p, w, ALPHA, w.n[ALPHA], w.area_in[ALPHA])
    x, flow_in, _ = dense_profile(p, w, ALPHA, w.s[2], 0.0, gh, True, False)
    assert inner[2] == pytest.approx(flow_in, rel=1e-6)
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
