"""Every function of one implicit stage, against sums written out with numpy and matrices solved in full."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from scipy.optimize import root
from scipy.special import exprel

from bronzeward.growth import balance, profile
from bronzeward.growth.balance import IN, IN_BY_IN, IN_BY_OUT, OUT, OUT_BY_IN, OUT_BY_OUT
from bronzeward.growth.geometry import holds_border
from bronzeward.growth.problem import Problem
from bronzeward.growth.slots import ALPHA, BETA, CORE, EPSILON, ETA, GAMMA, N_SLOTS, ZETA
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from closeness import close
from growth_cases import problem_of
from growth_pieces import cells_of, shares_of, work

GH = 0.5
BARRIER = 30.0
BORDERS, SHARES = np.array([0.0, 3.02, 3.09, 6.0]), np.array([1.0, 0.85, 0.95])
ROOMS = np.pi * np.concatenate([[0.0], np.cumsum(SHARES * np.diff(BORDERS**2))])
AMOUNT = {CORE: 0.6, ETA: 0.4, EPSILON: 0.5, ZETA: 0.7, GAMMA: 0.6, BETA: 0.3, ALPHA: 1.0}
RICH = {CORE: 0.99, ETA: 0.45, EPSILON: 0.26, ZETA: 0.2, GAMMA: 0.22, BETA: 0.17, ALPHA: 0.09}
POOR = {CORE: 0.95, ETA: 0.44, EPSILON: 0.25, ZETA: 0.19, GAMMA: 0.18, BETA: 0.14, ALPHA: 0.01}
RATE = {CORE: 0.0, ETA: 0.03, EPSILON: 0.02, ZETA: 0.01, GAMMA: 0.05, BETA: 0.03, ALPHA: 0.02}
EDGES = {GAMMA: [0.0, 0.4, 0.55, 0.7, 1.0], BETA: [0.0, 0.2, 0.5, 0.8, 1.0], ALPHA: [0.0, 0.05, 0.2, 0.45, 0.7, 1.0]}

STACKS = [
    (CORE, ETA),
    (CORE, ETA, EPSILON),
    (CORE, ETA, EPSILON, ALPHA),
    (CORE, ETA, EPSILON, GAMMA, ALPHA),
    (GAMMA, BETA, ALPHA),
    (GAMMA, ALPHA),
    (BETA, ALPHA),
    (ETA, EPSILON, ZETA),
]
"""Compounds and profiles, each of them innermost, between others and outermost."""


def made_up(plane: int = 0, **changes: Any) -> Problem:
    """A strand of three zones in which everything is of the order of one; or a plane couple."""
    start = problem_of(Strand.round(24, 44), Schedule.start(200).hold(1), alpha_cells=5, inner_cells=4)
    factor = 1.0 / (4.0 * np.pi * SHARES)
    shift = SHARES * np.pi * BORDERS[:-1] ** 2 - ROOMS[:-1]
    offset = [0.0, 0.0, 0.0]
    for k in (1, 2):
        offset[k] = offset[k - 1] + factor[k - 1] * np.log(ROOMS[k] + shift[k - 1])
        offset[k] -= factor[k] * np.log(ROOMS[k] + shift[k])
    edge = np.array(start.edge)
    for slot, own in EDGES.items():
        first = int(start.cell_start[slot]) + slot
        edge[first : first + len(own)] = own
    slope, exponent = np.zeros(N_SLOTS), np.zeros(N_SLOTS)
    slope[[GAMMA, ALPHA]], exponent[[BETA, ALPHA]] = (0.2, 0.6), (1.0, 9.0)
    own = {
        "zone_area": ROOMS[:-1], "zone_offset": np.array(offset), "zone_factor": factor, "zone_shift": shift,
        "area": BARRIER, "perimeter": 2.0, "seed": 1e-2, "floor": 1e-2, "tolerance": 1e-3, "exponent": exponent,
        "volume": np.array([1.6, 1.1, 0.82, 0.86, 0.85, 0.84, 0.83, 0.8, 0.7]), "volume_slope": slope, "edge": edge,
    }  # fmt: skip
    return start._replace(plane=plane, **{**own, **changes})


ROUND, PLANE, BEHIND = made_up(), made_up(1), made_up(void_outside=1)


def stack(p: Problem, sequence: tuple[int, ...], seed: int = 3) -> Any:
    """Work space of some layers whose known tin is a little off their composition, moving at random speeds."""
    rng = np.random.default_rng(seed)
    w = work(p, *sequence)
    for slot in sequence:
        w.n_star[slot], w.x_in[slot], w.x_out[slot] = AMOUNT[slot], RICH[slot], POOR[slot]
        # as fast in a strand of radius 3 as over a width of 1
        w.rate[slot] = RATE[slot] if p.plane else RATE[slot] / (6.0 * np.pi) ** 2
        w.tin_star[slot] = AMOUNT[slot] * RICH[slot] * rng.uniform(0.97, 1.03)
        if p.wide[slot]:
            here, shares = cells_of(p, slot), shares_of(p, slot)
            middle = np.cumsum(shares) - 0.5 * shares
            w.x[here] = RICH[slot] + (POOR[slot] - RICH[slot]) * middle + rng.uniform(-2e-3, 2e-3, len(shares))
            w.u_star[here] = AMOUNT[slot] * shares * (w.x[here] + rng.uniform(-2e-3, 2e-3, len(shares)))
            w.tin[slot], w.tin_star[slot] = AMOUNT[slot] * shares @ w.x[here], w.u_star[here].sum()
    w.s[: len(sequence) - 1] = rng.uniform(-0.05, 0.05, len(sequence) - 1)
    # no interface there: nothing to look at, whatever an earlier stack or the cells have left
    w.s[len(sequence) - 1 :] = w.right[len(sequence) - 1 :] = 77.0
    return w


def at_sides(values: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray]:
    """What belongs to the interfaces, inside and outside each layer: nothing at the centre and at the barrier."""
    padded = np.concatenate([[0.0], values[: count - 1], [0.0]])
    return padded[:-1], padded[1:]


def between(p: Problem, a: float, b: float) -> float:
    """Integral of dr / (2 pi r phi) from where a area lies inside to where b does."""
    if p.plane:
        return b - a
    cuts = np.clip(BORDERS, *np.sqrt(np.interp([a, b], ROOMS, BORDERS**2)))
    return float((np.diff(np.log(cuts)) / (2.0 * np.pi * SHARES)).sum())


def move(p: Problem, w: Any, count: int) -> None:
    """Amounts and areas at the present speeds."""
    assert balance.set_amounts(p, w, count, GH)
    balance.lay_out(p, w, count)


def flows_of(p: Problem, w: Any, k: int, count: int, fresh: bool = False) -> np.ndarray:
    """The six flows and slopes of the k-th layer."""
    if p.wide[w.sequence[k]]:
        balance.wide_flows(p, w, k, count, GH, fresh)
    else:
        balance.compound_flows(p, w, k, count, GH)
    return w.flow.reshape(N_SLOTS, 6)[w.sequence[k]].copy()


def differences(w: Any, k: int, flows: Callable[[], np.ndarray], side: int, step: float) -> np.ndarray:
    """Central differences of flow in and out in the speed inside (side -1) or outside (side 0) the k-th layer."""
    here = w.s[k + side]
    w.s[k + side] = here + step
    more = flows()
    w.s[k + side] = here - step
    less = flows()
    w.s[k + side] = here
    return (more - less)[[IN, OUT]] / (2.0 * step)


# --- amounts and areas


# --- layers without a profile

COMPOUNDS = [(s, k) for s in STACKS for k in range(len(s)) if s[k] in (CORE, ETA, EPSILON, ZETA)]


@pytest.mark.parametrize("p", [ROUND, PLANE], ids=["round", "plane"])
@pytest.mark.parametrize(("sequence", "k"), COMPOUNDS)
def test_a_compound_takes_in_what_it_comes_to_hold(sequence: tuple[int, ...], k: int, p: Problem) -> None:
    w, slot, count = stack(p, sequence), sequence[k], len(sequence)
    move(p, w, count)
    flow = flows_of(p, w, k, count)
    x = POOR[slot] if k == 0 else RICH[slot]
    assert w.tin[slot] == close(x * w.n[slot], rel=1e-14)
    into, out = flow[IN] if k > 0 else 0.0, flow[OUT] if k < count - 1 else 0.0
    assert GH * (into - out) == pytest.approx(w.tin[slot] - w.tin_star[slot], abs=1e-14)
    if 0 < k < count - 1:
        through = w.rate[slot] / (p.volume[slot] * between(p, w.area_in[slot], w.area_out[slot]))
        assert into == close(through - x * w.s[k - 1], rel=1e-11)


@pytest.mark.parametrize("p", [ROUND, PLANE, BEHIND], ids=["round", "plane", "void outside"])
@pytest.mark.parametrize(("sequence", "k"), COMPOUNDS)
def test_slopes_of_a_compound_as_its_interfaces_move_it(sequence: tuple[int, ...], k: int, p: Problem) -> None:
    """With both its sides, each in a zone of its own where borders lie between."""
    w, count = stack(p, sequence), len(sequence)

    def flows() -> np.ndarray:
        move(p, w, count)
        return flows_of(p, w, k, count)

    slopes = flows()
    # flows of layers at an end are straight lines, so that a wide difference is exact too
    if k > 0:
        expected = differences(w, k, flows, -1, 1e-4)
        assert slopes[IN_BY_IN] == close(expected[0], rel=1e-6)
        assert slopes[OUT_BY_IN] == close(expected[1] if k < count - 1 else 0.0, rel=1e-6)
    if k < count - 1:
        expected = differences(w, k, flows, 0, 1e-4)
        assert slopes[OUT_BY_OUT] == close(expected[1], rel=1e-6)
        assert slopes[IN_BY_OUT] == close(expected[0] if k > 0 else 0.0, rel=1e-6)


# --- layers with a profile

PROFILES = [(s, k) for s in STACKS for k in range(len(s)) if s[k] in (GAMMA, BETA, ALPHA)]


def faces_by_hand(p: Problem, w: Any, slot: int, amount: float, inner: float) -> np.ndarray:
    """V dS / D between interface, cell centres and interface; the mean of D by Gauss's rule."""
    x, shares = np.clip(w.x[cells_of(p, slot)], 0.0, 1.0), shares_of(p, slot)
    sizes = amount * shares * (p.volume[slot] + p.volume_slope[slot] * x)
    ends = inner + np.concatenate([[0.0], np.cumsum(sizes)])
    points = np.concatenate([[inner], 0.5 * (ends[1:] + ends[:-1]), ends[-1:]])
    values = np.concatenate([[w.x_in[slot]], x, [w.x_out[slot]]])
    nodes, weights = np.polynomial.legendre.leggauss(12)
    result = []
    for k in range(len(values) - 1):
        left, right = values[k : k + 2]
        mean = 0.5 * weights @ np.exp(p.exponent[slot] * (left + 0.5 * (nodes + 1.0) * (right - left)))
        volume = p.volume[slot] + p.volume_slope[slot] * 0.5 * (left + right)
        result.append(volume * between(p, points[k], points[k + 1]) / (w.rate[slot] * mean))
    return np.array(result)


def cells_by_hand(
    p: Problem, w: Any, slot: int, rho: np.ndarray, speeds: tuple[float, float], ends: tuple[bool, bool], gh: float = GH
) -> tuple[np.ndarray, float, float]:
    """Compositions and the flows at both sides from the full matrix of the implicit balance."""
    shares = shares_of(p, slot)
    size = len(shares)
    place = np.concatenate([[0.0], np.cumsum(shares)])
    peclet = -((1.0 - place) * speeds[0] + place * speeds[1]) * rho
    give, take = 1.0 / exprel(-peclet) / rho, 1.0 / exprel(peclet) / rho
    through = np.zeros((size + 1, size + 2))  # from values at interface, cells, interface to flows
    for k in range(size + 1):
        through[k, k : k + 2] = give[k], -take[k]
    through[0] *= ends[0]
    through[-1] *= ends[1]
    gain = gh * (through[:-1] - through[1:])
    known = w.u_star[cells_of(p, slot)] + gain[:, 0] * w.x_in[slot] + gain[:, -1] * w.x_out[slot]
    x = np.linalg.solve(np.diag(w.n[slot] * shares) - gain[:, 1:-1], known)
    flow = through @ np.concatenate([[w.x_in[slot]], x, [w.x_out[slot]]])
    return x, float(flow[0]), float(flow[-1])


@pytest.mark.parametrize("p", [ROUND, PLANE], ids=["round", "plane"])
@pytest.mark.parametrize(("sequence", "k"), PROFILES)
def test_flows_of_a_profile_by_the_full_matrix(sequence: tuple[int, ...], k: int, p: Problem) -> None:
    w, slot, count = stack(p, sequence), sequence[k], len(sequence)
    move(p, w, count)
    w.flow[:] = 7.0
    flow = flows_of(p, w, k, count)
    base = int(p.cell_start[slot]) + slot
    rho = faces_by_hand(p, w, slot, w.n[slot], w.area_in[slot])
    np.testing.assert_allclose(w.face[base : base + len(rho)], rho, rtol=1e-10)
    inside, outside = at_sides(w.s, count)
    x, into, out = cells_by_hand(p, w, slot, rho, (inside[k], outside[k]), (k > 0, k < count - 1))
    np.testing.assert_allclose(w.held[cells_of(p, slot)], x, rtol=1e-9)
    assert flow[[IN, OUT]] == close([into, out], rel=1e-8)
    # old slopes serve as they are
    assert list(flow[2:]) == [7.0] * 4
    # and the cells are not taken yet
    assert not w.u.any()


@pytest.mark.parametrize("fast", [1e10, 1e16, 1e22])
@pytest.mark.parametrize("slot", [GAMMA, ALPHA])
def test_cells_that_share_their_tin_at_once_keep_it(slot: int, fast: float) -> None:
    """Far more tin passes between cells than they hold, to the last digit: what they hold must not be lost in it."""
    w, here = stack(ROUND, (slot,)), cells_of(ROUND, slot)
    w.n[slot], w.area_in[slot] = w.n_star[slot], 1.0
    w.rate[slot] *= fast
    profile.lay_faces(ROUND, w, slot, w.n[slot], 1.0)
    profile.solve_cells(ROUND, w, slot, w.n[slot], 1.0, 0.0, 0.0, GH, False, False)
    solved = w.right[here.start + slot : here.stop + slot]
    np.testing.assert_allclose(solved, w.tin_star[slot] / w.n[slot], rtol=1e-6)
    assert w.n[slot] * shares_of(ROUND, slot) @ solved == close(w.tin_star[slot], rel=1e-13)


def test_short_forms_are_as_good_as_said() -> None:
    """Series are used only where they are exact to some 1e-12, and nothing overflows."""
    z = np.linspace(-1.0, 1.0, 401)
    np.testing.assert_allclose([profile.bernoulli(value) for value in z], 1.0 / exprel(z), rtol=3e-12)
    assert profile.bernoulli(800.0) == 0.0
    assert profile.bernoulli(-800.0) == 800.0
    rises = np.geomspace(1e-6, 1.0, 401)
    np.testing.assert_allclose([profile.log_of_rise(rise) for rise in rises], np.log1p(rises), rtol=6e-13)
    means = [profile.mean_growth(10.0, 0.02, 0.02 + 0.1 * value) for value in z]
    np.testing.assert_allclose(means, np.exp(0.2) * exprel(z), rtol=2e-12)


def assert_slopes_of_profile(
    slopes: np.ndarray, w: Any, k: int, count: int, flows: Callable[[], np.ndarray], step: float
) -> None:
    """Against central differences: they are one-sided ones of a thousandth of the face's own speed."""
    for side, by, there in ((-1, [IN_BY_IN, OUT_BY_IN], k > 0), (0, [IN_BY_OUT, OUT_BY_OUT], k < count - 1)):
        if there:
            np.testing.assert_allclose(slopes[by], differences(w, k, flows, side, step), rtol=1e-3, atol=1e-6)


@pytest.mark.parametrize("fast", [1.0, 30.0])
@pytest.mark.parametrize(("sequence", "k"), PROFILES)
def test_slopes_of_a_profile_in_a_plane(sequence: tuple[int, ...], k: int, fast: float) -> None:
    w, slot, count = stack(PLANE, sequence), sequence[k], len(sequence)
    w.rate[slot] /= fast
    w.flow[:] = 7.0

    def flows() -> np.ndarray:
        move(PLANE, w, count)
        return flows_of(PLANE, w, k, count)

    move(PLANE, w, count)
    slopes = flows_of(PLANE, w, k, count, fresh=True)
    again = flows()
    np.testing.assert_array_equal(again, slopes)
    assert_slopes_of_profile(slopes, w, k, count, flows, 1e-5)
    # where there is no interface there is nothing to know
    assert (slopes[[IN_BY_IN, OUT_BY_IN]] == 7.0).all() == (k == 0)
    assert (slopes[[IN_BY_OUT, OUT_BY_OUT]] == 7.0).all() == (k == count - 1)


@pytest.mark.parametrize("p", [ROUND, BEHIND], ids=["round", "void outside"])
@pytest.mark.parametrize(("sequence", "k"), PROFILES)
def test_slopes_of_a_profile_across_a_border(sequence: tuple[int, ...], k: int, p: Problem) -> None:
    """Its ways are laid anew as its interfaces move it."""
    w, slot, count = stack(p, sequence), sequence[k], len(sequence)
    move(p, w, count)
    middle = 0.5 * (w.area_in[slot] + w.area_out[slot])
    p = moved_borders(p, middle - ROOMS[1])
    assert holds_border(p, w.area_in[slot], w.area_out[slot])

    def flows() -> np.ndarray:
        move(p, w, count)
        return flows_of(p, w, k, count)

    slopes = flows_of(p, w, k, count, fresh=True)
    np.testing.assert_array_equal(flows()[[IN, OUT]], slopes[[IN, OUT]])
    assert_slopes_of_profile(slopes, w, k, count, flows, 1e-6)


def moved_borders(p: Problem, by: float) -> Problem:
    """The problem with its first border elsewhere, five times as dense behind it and without the others."""
    border = ROOMS[1] + by
    factor = np.array([1.0, 5.0]) / (4.0 * np.pi)
    offset = np.array([0.0, (factor[0] - factor[1]) * np.log(border)])
    zones = {"zone_area": np.array([0.0, border]), "zone_offset": offset, "zone_factor": factor}
    return p._replace(**zones, zone_shift=np.zeros(2))


# --- the correction of the speeds


def random_flows(sequence: tuple[int, ...], seed: int) -> tuple[Any, np.ndarray, np.ndarray]:
    """Work space with flows at random, the mismatch at every interface and its matrix of slopes."""
    rng = np.random.default_rng(seed)
    w, last = stack(ROUND, sequence), len(sequence) - 1
    flow = w.flow.reshape(N_SLOTS, 6)
    flow[:] = rng.normal(size=flow.shape)
    inner, outer = flow[list(sequence[:-1])], flow[list(sequence[1:])]
    matrix = np.diag(inner[:, OUT_BY_OUT] - outer[:, IN_BY_IN])
    matrix += np.diag(inner[1:, OUT_BY_IN], -1) - np.diag(outer[:-1, IN_BY_OUT], 1)
    assert matrix.shape == (last, last)
    return w, inner[:, OUT] - outer[:, IN], matrix


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("sequence", [*STACKS, (CORE, ETA, EPSILON, GAMMA, BETA, ALPHA)])
def test_newton_step_by_the_full_matrix(sequence: tuple[int, ...], seed: int) -> None:
    w, mismatch, matrix = random_flows(sequence, seed)
    w.right[:] = w.diagonal[:] = 5.0
    assert balance.newton_step(w, len(sequence))
    np.testing.assert_allclose(w.right[: len(mismatch)], -np.linalg.solve(matrix, mismatch), rtol=1e-9)
    assert (w.right[len(mismatch) :] == 5.0).all()


def test_newton_step_refuses_a_singular_matrix_and_what_is_no_number() -> None:
    w, _, _ = random_flows((CORE, ETA, EPSILON), 0)
    flow = w.flow.reshape(N_SLOTS, 6)
    flow[:] = 0.0
    flow[CORE, OUT_BY_OUT], flow[ETA, IN_BY_OUT], flow[ETA, OUT_BY_IN], flow[ETA, OUT_BY_OUT] = 2.0, -1.0, 4.0, 3.0
    assert balance.newton_step(w, 3)
    flow[ETA, OUT_BY_OUT] = 2.0  # second row twice the first
    assert not balance.newton_step(w, 3)
    flow[CORE, OUT_BY_OUT] = np.nan
    assert not balance.newton_step(w, 3)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("sequence", STACKS)
def test_corrected_flows_close_the_tin_of_a_profile(sequence: tuple[int, ...], seed: int) -> None:
    """What a layer gains is what comes from the layer inside less what goes to the layer outside."""
    w, _, _ = random_flows(sequence, seed)
    count = len(sequence)
    assert balance.newton_step(w, count)
    flow = w.flow.reshape(N_SLOTS, 6)[list(sequence)]
    inside, outside = at_sides(w.right, count)
    leaving = flow[:-1, OUT] + (flow[:-1, OUT_BY_IN] * inside[:-1] + flow[:-1, OUT_BY_OUT] * outside[:-1])
    before, after = at_sides(leaving, count)
    expected = w.tin_star[list(sequence)] + GH * (before - after)
    result = [balance.wide_tin(w, k, count, GH) for k in range(count)]
    np.testing.assert_allclose(result, expected, rtol=1e-8, atol=1e-10)


def settled(p: Problem, sequence: tuple[int, ...]) -> Any:
    """A stack after some corrections, its flows with fresh slopes and the next correction at hand."""
    w, count = stack(p, sequence), len(sequence)

    def correct() -> None:
        move(p, w, count)
        for k in range(count):
            flows_of(p, w, k, count, fresh=True)
            if p.wide[sequence[k]]:
                balance.take_cells(p, w, sequence[k])
        assert balance.newton_step(w, count)

    for _ in range(6):
        correct()
        w.s[: count - 1] += w.right[: count - 1]
    w.s[: count - 1] *= 1.001
    correct()
    return w


@pytest.mark.parametrize("sequence", STACKS)
def test_last_correction_keeps_the_tin(sequence: tuple[int, ...]) -> None:
    w, slots, count = settled(ROUND, sequence), list(sequence), len(sequence)
    amount, speed = w.n.copy(), w.s.copy()
    inside, outside = at_sides(w.right, count)
    assert np.abs(w.right[: count - 1]).max() > 1e-8
    balance.apply_last(ROUND, w, count, GH)
    np.testing.assert_allclose(w.n[slots], amount[slots] + GH * (outside - inside), rtol=1e-14)
    np.testing.assert_array_equal(w.s[: count - 1], speed[: count - 1] + outside[:-1])
    np.testing.assert_array_equal(w.s[count - 1 :], speed[count - 1 :])
    assert w.tin[slots].sum() == close(w.tin_star[slots].sum(), rel=1e-13)
    for k, slot in enumerate(slots):
        if ROUND.wide[slot]:
            assert w.u[cells_of(ROUND, slot)].sum() == close(w.tin[slot], rel=1e-12)
        else:
            assert w.tin[slot] == close((POOR[slot] if k == 0 else RICH[slot]) * w.n[slot], rel=1e-14)


def at_rest(sequence: tuple[int, ...]) -> Any:
    """A stack with its known amounts and tin, without flows, whose correction is nothing."""
    w = stack(ROUND, sequence)
    w.n[:], w.tin[:] = w.n_star, w.tin_star
    return w


@pytest.mark.parametrize(("rest", "followed"), [(0.0099, True), (-0.0099, True), (0.0101, False), (-0.0101, False)])
@pytest.mark.parametrize("slot", [GAMMA, ALPHA])
def test_fill_up_keeps_the_shape(slot: int, rest: float, followed: bool) -> None:
    w = stack(ROUND, (ETA, slot))
    here, shares = cells_of(ROUND, slot), shares_of(ROUND, slot)
    before, w.n[slot] = 1.5, 1.2
    shape = w.x.copy()
    w.tin[slot] = before * shares @ shape[here]
    kept = 1.2 * shares @ shape[here]
    w.corrected[:] = 3.0, 4.0, 0.0
    balance.fill_up(ROUND, w, slot, before, kept * (1.0 + rest))
    more = rest if followed else 0.0
    np.testing.assert_allclose(w.x[here], shape[here] * (1.0 + more), rtol=1e-12)
    np.testing.assert_allclose(w.u[here], 1.2 * shares * w.x[here], rtol=1e-12)
    assert w.tin[slot] == close(kept * (1.0 + more), rel=1e-13)
    assert w.corrected[1] - 4.0 == pytest.approx(kept * more, abs=1e-14)
    assert w.corrected[0] == 3.0
    shape[here] = w.x[here]
    np.testing.assert_array_equal(w.x, shape)


@pytest.mark.parametrize("seed", range(4))
def test_damping_follows_the_layer_that_would_vanish_first(seed: int) -> None:
    w, slots = at_rest((CORE, ETA, EPSILON, GAMMA, ALPHA)), [ETA, EPSILON, GAMMA, ALPHA]
    w.right[:4] = np.random.default_rng(seed).normal(size=4) * 5.0
    share = balance.damping(ROUND, w, 5, GH)
    inside, outside = at_sides(share * w.right, 5)
    assert share < 1.0
    left = 1.0 + GH * (outside - inside)[1:] / w.n[slots]
    assert left.min() == close(0.1, rel=1e-12)


# --- the whole stage


def stage_by_hand(p: Problem, w: Any, sequence: tuple[int, ...]) -> np.ndarray:
    """Speeds of a stage of compounds: tin of every layer is its composition times its atoms."""
    slots, count = list(sequence), len(sequence)
    x = w.x_in[slots]
    x[0] = w.x_out[slots[0]]

    def mismatch(speeds: np.ndarray) -> np.ndarray:
        inside, outside = at_sides(speeds, count)
        amount = w.n_star[slots] + GH * (outside - inside)
        sizes = amount * p.volume[slots]
        gain = (x * amount - w.tin_star[slots]) / GH
        flow = np.empty(count - 1)  # tin over each interface
        flow[0] = -gain[0]
        result = []
        for k in range(1, count - 1):
            outer = p.area - sizes[k + 1 :].sum()
            through = w.rate[slots[k]] / (p.volume[slots[k]] * between(p, outer - sizes[k], outer))
            result.append(flow[k - 1] - (through - x[k] * inside[k]))
            flow[k] = flow[k - 1] - gain[k]
        return np.array([*result, flow[-1] - gain[-1]])

    speeds = root(mismatch, np.zeros(count - 1), tol=1e-13).x
    assert np.abs(mismatch(speeds)).max() < 1e-12
    return np.asarray(speeds)


@pytest.mark.parametrize("stage", [0, 1, 2, 3, 4])
@pytest.mark.parametrize(
    "sequence", [(CORE, ETA), (CORE, ETA, EPSILON), (ETA, EPSILON, ZETA), (CORE, ETA, EPSILON, ZETA)]
)
@pytest.mark.parametrize("p", [ROUND, PLANE], ids=["round", "plane"])
def test_stage_of_compounds_by_a_general_solver(sequence: tuple[int, ...], p: Problem, stage: int) -> None:
    p = p._replace(tolerance=1e-9)
    w, slots, count = stack(p, sequence), list(sequence), len(sequence)
    expected = stage_by_hand(p, w, sequence)
    assert 0 < balance.solve_stage(p, w, count, GH, stage) <= 8
    np.testing.assert_allclose(w.s[: count - 1], expected, rtol=1e-8)
    inside, outside = at_sides(expected, count)
    np.testing.assert_allclose(w.n[slots], w.n_star[slots] + GH * (outside - inside), rtol=1e-9)
    assert w.tin[slots].sum() == close(w.tin_star[slots].sum(), rel=1e-14)


@pytest.mark.parametrize("stage", [0, 3])
@pytest.mark.parametrize("sequence", [s for s in STACKS if any(ROUND.wide[slot] for slot in s)])
@pytest.mark.parametrize("p", [ROUND, PLANE], ids=["round", "plane"])
def test_stage_with_profiles_balances_at_every_interface(sequence: tuple[int, ...], p: Problem, stage: int) -> None:
    p = p._replace(tolerance=1e-8)
    w, slots, count = stack(p, sequence), list(sequence), len(sequence)
    if stage == 0:
        w.s[: count - 1] = 0.0
    else:  # which is left the slopes of the first
        move(p, w, count)
        for k in range(count):
            flows_of(p, w, k, count, fresh=True)
    assert 0 < balance.solve_stage(p, w, count, GH, stage) <= 12
    inside, outside = at_sides(w.s, count)
    np.testing.assert_allclose(w.n[slots], w.n_star[slots] + GH * (outside - inside), rtol=1e-13)
    sizes = w.n[slots] * p.volume[slots] + p.volume_slope[slots] * w.tin[slots]
    into, out = np.zeros(count), np.zeros(count)
    for k, slot in enumerate(slots):
        outer = p.area - sizes[k + 1 :].sum()
        if p.wide[slot]:
            rho = faces_by_hand(p, w, slot, w.n[slot], outer - sizes[k])
            x, into[k], out[k] = cells_by_hand(p, w, slot, rho, (inside[k], outside[k]), (k > 0, k < count - 1))
            np.testing.assert_allclose(w.x[cells_of(p, slot)], x, rtol=1e-7)
            np.testing.assert_allclose(w.u[cells_of(p, slot)], w.n[slot] * shares_of(p, slot) * x, rtol=1e-7)
        else:
            through = w.rate[slot] / (p.volume[slot] * between(p, outer - sizes[k], outer)) if k > 0 else 0.0
            into[k] = through - RICH[slot] * inside[k]
            held = (POOR[slot] if k == 0 else RICH[slot]) * w.n[slot]
            out[k] = (into[k] if k > 0 else 0.0) - (held - w.tin_star[slot]) / GH
    np.testing.assert_allclose(out[:-1], into[1:], rtol=1e-6)
    assert w.tin[slots].sum() == close(w.tin_star[slots].sum(), rel=1e-13)


@pytest.mark.parametrize("sequence", [(CORE, ETA, EPSILON, GAMMA, ALPHA), (GAMMA, BETA, ALPHA)])
def test_stage_forgets_its_guess(sequence: tuple[int, ...]) -> None:
    results, used = [], []
    for seed in range(4):
        w, count = stack(ROUND, sequence), len(sequence)
        draw = np.random.default_rng(seed)
        w.s[: count - 1] = draw.uniform(-0.2, 0.2, count - 1)
        for slot in sequence:
            if ROUND.wide[slot]:
                w.x[cells_of(ROUND, slot)] *= draw.uniform(0.8, 1.2)
        used.append(balance.solve_stage(ROUND, w, count, GH, 0))
        results.append(w.n[list(sequence)].copy())
    assert 0 < min(used)
    assert max(used) <= 8
    # each was ended at 5e-5 of a layer
    np.testing.assert_allclose(results, np.tile(results[0], (4, 1)), rtol=1e-4)


@pytest.mark.parametrize("slot", [ETA, EPSILON, GAMMA, ALPHA])
def test_an_impossible_guess_starts_from_rest(slot: int) -> None:
    sequence = (CORE, ETA, EPSILON, GAMMA, ALPHA)
    rest, wild = stack(ROUND, sequence), stack(ROUND, sequence)
    rest.s[:4] = 0.0
    wild.s[:4] = 0.0
    wild.s[sequence.index(slot) - 1] = 5.0
    assert balance.solve_stage(ROUND, rest, 5, GH, 0) == balance.solve_stage(ROUND, wild, 5, GH, 0) > 0
    np.testing.assert_array_equal(rest.n, wild.n)
    np.testing.assert_array_equal(rest.s, wild.s)
    assert (rest.s[4:] == 77.0).all()


@pytest.mark.parametrize("slot", [ETA, GAMMA, ALPHA])
def test_a_layer_that_is_used_up_even_at_rest_fails(slot: int) -> None:
    w = stack(ROUND, (CORE, ETA, EPSILON, GAMMA, ALPHA))
    w.n_star[slot] = -1e-3
    w.s[:4] = 0.0
    assert balance.solve_stage(ROUND, w, 5, GH, 0) == 0


def test_no_jump_in_composition_fails() -> None:
    w = stack(ROUND, (CORE, ETA))
    w.x_out[CORE] = w.x_in[ETA]
    assert balance.solve_stage(ROUND, w, 2, GH, 0) == 0


@pytest.mark.parametrize("sequence", [(CORE, ETA, EPSILON, GAMMA, ALPHA), (GAMMA, ALPHA)])
def test_stage_goes_on_until_profiles_stand(sequence: tuple[int, ...]) -> None:
    """Right speeds are not enough when a guessed profile has still to find its shape."""
    w, count = stack(ROUND, sequence), len(sequence)
    assert balance.solve_stage(ROUND._replace(tolerance=1e-9), w, count, GH, 0) > 0
    assert balance.solve_stage(ROUND, w, count, GH, 4) == 1
    for slot in (sequence[-1], GAMMA):
        start = int(ROUND.cell_start[slot])
        w.x[start + 1] *= 1.05
        w.x[start + 2] *= 0.95
        assert balance.solve_stage(ROUND, w, count, GH, 4) > 1


# --- a phase that is alone


@pytest.mark.parametrize("slot", [GAMMA, ALPHA])
@pytest.mark.parametrize("gh", [0.5, 1e4])
def test_a_profile_alone_levels_and_keeps_its_tin(slot: int, gh: float) -> None:
    p = ROUND._replace(tolerance=1e-8)
    w, here = stack(p, (slot,)), cells_of(p, slot)
    w.tin[slot] = w.n[slot] = 0.0
    w.sequence[1], w.n[ETA] = ETA, 1.0  # left from when it was not alone
    assert balance.solve_stage(p, w, 1, gh, 0) == 1
    assert w.n[slot] == w.n_star[slot]
    assert w.tin[slot] == close(w.tin_star[slot], rel=1e-10)
    inner = p.area - w.n[slot] * p.volume[slot] - p.volume_slope[slot] * w.tin[slot]
    rho = faces_by_hand(p, w, slot, w.n[slot], inner)
    x, _, _ = cells_by_hand(p, w, slot, rho, (0.0, 0.0), (False, False), gh)
    np.testing.assert_allclose(w.x[here], x, rtol=1e-6)
    # the more so the longer it lasts
    assert (np.ptp(w.x[here]) < 1e-4) == (gh > 1.0)


def test_a_profile_alone_that_never_settles_fails() -> None:
    w = stack(ROUND, (ALPHA,))
    assert balance.solve_stage(ROUND._replace(tolerance=0.0), w, 1, GH, 0) == 0


def test_a_compound_alone_stays() -> None:
    w = stack(ROUND, (EPSILON,))
    assert balance.solve_stage(ROUND, w, 1, GH, 0) == 1
    assert (w.n[EPSILON], w.tin[EPSILON]) == (w.n_star[EPSILON], w.tin_star[EPSILON])


@pytest.mark.parametrize(
    ("sequence", "thin", "fine"),
    [
        ((CORE, ETA, EPSILON), 0, True), ((CORE, ETA, EPSILON), 1, False), ((CORE, ETA, EPSILON), 2, True),
        ((CORE, ETA, ALPHA), 2, False), ((ALPHA,), 0, False),
    ],
)  # fmt: skip
def test_only_compounds_at_the_edges_may_run_out(sequence: tuple[int, ...], thin: int, fine: bool) -> None:
    p, w = ROUND, work(ROUND, *sequence)
    for place, slot in enumerate(sequence):
        least = balance.LEAST_LAYER * p.seed * p.perimeter / p.volume[slot]
        w.n_star[slot] = 0.9 * least if place == thin else 1.1 * least
    assert balance.set_amounts(p, w, len(sequence), GH) is fine
