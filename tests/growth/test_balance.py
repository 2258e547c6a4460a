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


ROUND, PLANE = made_up(), made_up(1)


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


@pytest.mark.parametrize("sequence", STACKS)
def test_amounts_follow_the_speeds_on_both_sides(sequence: tuple[int, ...]) -> None:
    w, count = stack(ROUND, sequence), len(sequence)
    assert balance.set_amounts(ROUND, w, count, GH)
    inside, outside = at_sides(w.s, count)
    np.testing.assert_allclose(w.n[list(sequence)], w.n_star[list(sequence)] + GH * (outside - inside), rtol=1e-14)
    assert [balance.speed_inside(w, k) for k in range(count)] == list(inside)
    assert [balance.speed_outside(w, k, count) for k in range(count)] == list(outside)


@pytest.mark.parametrize(
    ("sequence", "thin", "needed"),
    [
        ((CORE, ETA, ALPHA), CORE, False),
        ((CORE, ETA, ALPHA), ETA, True),
        ((CORE, ETA, ALPHA), ALPHA, True),
        ((CORE, ETA, EPSILON, ALPHA), EPSILON, True),
        ((CORE, ETA, EPSILON), EPSILON, False),
        ((GAMMA, EPSILON), GAMMA, True),
    ],
)
def test_next_to_nothing_is_a_millionth_of_a_new_layer(sequence: tuple[int, ...], thin: int, needed: bool) -> None:
    # all powers of two but the millionth: the threshold of 4e-6 is met to the bit
    p = ROUND._replace(seed=0.5, perimeter=2.0, volume=np.full(N_SLOTS, 0.25))
    w = stack(p, sequence)
    w.s[: len(sequence) - 1] = 0.0
    w.n_star[thin] = np.nextafter(4e-6, 1.0)
    assert balance.set_amounts(p, w, len(sequence), GH)
    w.n_star[thin] = 4e-6
    assert balance.set_amounts(p, w, len(sequence), GH) is not needed
    w.n_star[thin] = -1.0
    assert balance.set_amounts(p, w, len(sequence), GH) is not needed
    assert w.n[thin] == -1.0
    assert w.n[sequence[-1]] == w.n_star[sequence[-1]]


@pytest.mark.parametrize("sequence", STACKS)
def test_areas_end_at_the_barrier(sequence: tuple[int, ...]) -> None:
    w, slots = stack(ROUND, sequence), list(sequence)
    balance.set_amounts(ROUND, w, len(slots), GH)
    w.tin[slots] = w.n[slots] * 0.1
    balance.lay_out(ROUND, w, len(slots))
    sizes = w.n[slots] * (ROUND.volume[slots] + 0.1 * ROUND.volume_slope[slots])
    outside = BARRIER - np.array([sizes[k + 1 :].sum() for k in range(len(slots))])
    np.testing.assert_allclose(w.area_out[slots], outside, rtol=1e-14)
    np.testing.assert_allclose(w.area_in[slots], outside - sizes, rtol=1e-14)


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


@pytest.mark.parametrize("p", [ROUND, PLANE], ids=["round", "plane"])
@pytest.mark.parametrize(("sequence", "k"), COMPOUNDS)
def test_slopes_of_a_compound_with_its_copper_side_held(sequence: tuple[int, ...], k: int, p: Problem) -> None:
    w, slot, count = stack(p, sequence), sequence[k], len(sequence)
    move(p, w, count)
    outer = w.area_out[slot]

    def flows() -> np.ndarray:
        balance.set_amounts(p, w, count, GH)
        w.area_in[slot] = outer - w.n[slot] * p.volume[slot]
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


@pytest.mark.parametrize("slot", [GAMMA, ALPHA])
def test_faces_of_an_iterate_beyond_what_can_be(slot: int) -> None:
    """More than all tin counts as tin, less than none as copper."""
    w = stack(ROUND, (EPSILON, slot))
    move(ROUND, w, 2)
    start, base = int(ROUND.cell_start[slot]), int(ROUND.cell_start[slot]) + slot
    w.x[start : start + 3] = 1.5, -0.3, 0.4
    profile.lay_faces(ROUND, w, slot, w.n[slot], w.area_in[slot])
    rho = faces_by_hand(ROUND, w, slot, w.n[slot], w.area_in[slot])
    np.testing.assert_allclose(w.face[base : base + len(rho)], rho, rtol=1e-5)


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
    # a one-sided difference of a thousandth of the face's own speed
    if k > 0:
        np.testing.assert_allclose(
            slopes[[IN_BY_IN, OUT_BY_IN]], differences(w, k, flows, -1, 1e-5), rtol=1e-3, atol=1e-6
        )
    if k < count - 1:
        np.testing.assert_allclose(
            slopes[[IN_BY_OUT, OUT_BY_OUT]], differences(w, k, flows, 0, 1e-5), rtol=1e-3, atol=1e-6
        )
    # where there is no interface there is nothing to know
    assert (slopes[[IN_BY_IN, OUT_BY_IN]] == 7.0).all() == (k == 0)
    assert (slopes[[IN_BY_OUT, OUT_BY_OUT]] == 7.0).all() == (k == count - 1)


@pytest.mark.parametrize(
    ("rho", "speed", "amount", "nudge"),
    [
        (10.0, 0.0, 1e9, 1e-4),
        (10.0, -500.0, 1e9, 5e-4),
        (10.0, 500.0, 1e9, 5e-4),
        (10.0, -500.0, 30.0, 1.5e-5),
        (1e-9, 1.0, 30.0, 1e-3),
        (1e-12, 1.0, 30.0, 0.15),
    ],
)
def test_nudge(rho: float, speed: float, amount: float, nudge: float) -> None:
    """A thousandth of the face's speed, a millionth of the interface's or what changes the layer by a millionth.

    Where the face exchanges so fast that rounding would drown it, 1e-12 of the face's speed up to 1 % of the layer.
    """
    assert balance.nudge_of(rho, speed, amount, 2.0) == close(nudge, rel=1e-12)


def test_nudges_look_at_the_end_faces(monkeypatch: pytest.MonkeyPatch) -> None:
    w = stack(ROUND, (EPSILON, GAMMA, ALPHA))
    move(ROUND, w, 3)
    seen = []
    monkeypatch.setattr(balance, "nudge_of", lambda *about: seen.append(about) or 1e-6)
    balance.wide_flows(ROUND, w, 1, 3, GH, True)
    rho = faces_by_hand(ROUND, w, GAMMA, w.n[GAMMA], w.area_in[GAMMA])
    np.testing.assert_allclose(seen, [(rho[0], w.s[0], w.n[GAMMA], GH), (rho[-1], w.s[1], w.n[GAMMA], GH)], rtol=1e-10)


def flat(p: Problem, sequence: tuple[int, ...], speed: float) -> Any:
    """An outermost profile of one composition, met by its interface at some speed."""
    w, count = stack(p, sequence), len(sequence)
    move(p, w, count)
    w.x[cells_of(p, sequence[-1])] = 0.03
    w.s[count - 2] = speed
    return w


def test_flows_of_a_profile_into_which_nothing_diffuses() -> None:
    w = stack(ROUND, (EPSILON, GAMMA, ALPHA))
    here, beyond = cells_of(ROUND, GAMMA), cells_of(ROUND, ALPHA)
    w.x[here] = [0.21, 0.2, 0.2, 0.2]  # the first counts
    w.held[:], w.flow[:] = -1.0, 7.0
    balance.flat_flows(ROUND, w, 1, 3)
    flow = w.flow.reshape(N_SLOTS, 6)
    assert list(flow[GAMMA]) == [-0.21 * w.s[0], -0.21 * w.s[1], -0.21, 0.0, 0.0, -0.21]
    assert (np.delete(flow, GAMMA, axis=0) == 7.0).all()
    assert (w.held[here] == 0.21).all()
    assert (w.held[beyond] == -1.0).all()


@pytest.mark.parametrize(("sequence", "k"), [((EPSILON, GAMMA, ALPHA), 2), ((EPSILON, ALPHA), 1)])
def test_a_thin_skin_leaves_the_profile_alone(sequence: tuple[int, ...], k: int) -> None:
    # the skin is 600 times thinner than half the first cell: by how fast diffusion is at its richest
    p, slot, count = ROUND, ALPHA, len(sequence)
    w = flat(p, sequence, 0.0)
    w.rate[slot] *= 1e-3
    half = 0.5 * w.n[slot] * 0.05 * (0.7 + 0.6 * 0.03)
    distance = between(p, w.area_in[slot], w.area_in[slot] + half)
    limit = 600.0 * w.rate[slot] * np.exp(9.0 * RICH[slot]) / (distance * (0.7 + 0.6 * 0.03))
    for speed, alone in ((-2.0 * limit, False), (0.0, False), (0.999 * limit, False), (1.001 * limit, True)):
        w.s[k - 1] = speed
        w.held[:] = -1.0
        balance.wide_flows(p, w, k, count, 1e-9, False)
        assert (w.held[cells_of(p, slot)] == 0.03).all() == alone
    for richer, alone in ((0, False), (2, False), (4, False)):
        w.x[cells_of(p, slot)] = 0.03
        w.x[int(p.cell_start[slot]) + richer] = 0.031
        balance.wide_flows(p, w, k, count, 1e-9, False)
        assert (w.held[cells_of(p, slot)] == w.x[int(p.cell_start[slot])]).all() == alone
    # where diffusion is slower in what is rich, that in pure copper counts
    slower = p._replace(exponent=-p.exponent)
    w.x[cells_of(p, slot)] = 0.03
    limit *= np.exp(-9.0 * RICH[slot])
    for speed in (0.999 * limit, 1.001 * limit):
        assert profile.skin_is_thin(slower, w, slot, w.n[slot], w.area_in[slot], speed) == (speed > limit)


def test_a_flat_profile_between_two_others_is_still_solved() -> None:
    w = stack(ROUND, (EPSILON, GAMMA, ALPHA))
    w.x[cells_of(ROUND, GAMMA)] = 0.2
    move(ROUND, w, 3)
    w.s[0] = 1e9
    w.n[GAMMA] = 0.6
    balance.wide_flows(ROUND, w, 1, 3, 1e-12, False)
    assert not (w.held[cells_of(ROUND, GAMMA)] == 0.2).all()


def test_take_cells() -> None:
    w = stack(ROUND, (ETA, GAMMA))
    here = cells_of(ROUND, GAMMA)
    w.n[GAMMA] = 2.0
    w.x[here], w.held[here] = [0.2, 0.2, 0.2, 0.2], [0.25, 0.2, 0.18, 0.17]
    before = w.x.copy()
    # atoms of the cells 0.8, 0.3, 0.3, 0.6: moved tin 0.04 + 0.006 + 0.018, then holding 0.2 + 0.06 + 0.054 + 0.102
    assert balance.take_cells(ROUND, w, GAMMA) == close(0.064 / (0.416 + 0.01 * 2.0), rel=1e-12)
    np.testing.assert_array_equal(w.x[here], w.held[here])
    np.testing.assert_allclose(w.u[here], [0.2, 0.06, 0.054, 0.102], rtol=1e-13)
    assert w.tin[GAMMA] == close(0.416, rel=1e-13)
    w.x[here] = before[here]
    np.testing.assert_array_equal(w.x, before)


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


@pytest.mark.parametrize(("jump", "solvable"), [(1.1e-12, True), (-1.1e-12, True), (0.9e-12, False), (0.0, False)])
def test_newton_step_asks_for_a_pivot(jump: float, solvable: bool) -> None:
    w, _, _ = random_flows((CORE, ETA), 0)
    flow = w.flow.reshape(N_SLOTS, 6)
    flow[CORE, OUT_BY_OUT], flow[ETA, IN_BY_IN] = jump, 0.0
    assert balance.newton_step(w, 2) is solvable


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


@pytest.mark.parametrize(
    ("sequence", "k", "watched"),
    [
        ((CORE, ETA, ALPHA), 0, False),
        ((CORE, ETA, ALPHA), 1, True),
        ((CORE, ETA, ALPHA), 2, True),
        ((CORE, ETA, EPSILON, ZETA), 2, True),
        ((CORE, ETA, EPSILON), 2, False),
        ((GAMMA, EPSILON), 0, True),
    ],
)
@pytest.mark.parametrize(("lost", "small"), [(0.499, True), (0.501, False)])
def test_a_last_correction_halves_no_layer(
    sequence: tuple[int, ...], k: int, watched: bool, lost: float, small: bool
) -> None:
    w, count = at_rest(sequence), len(sequence)
    w.tin[:] = 0.0  # so that only amounts count
    w.right[k if k < count - 1 else k - 1] = (-1.0 if k < count - 1 else 1.0) * lost * w.n[sequence[k]] / GH
    for slot in sequence:
        w.n_star[slot] = w.n[slot] = AMOUNT[slot] * (1.0 if slot == sequence[k] else 100.0)
    assert balance.rest_is_small(ROUND, w, count, GH, False) is (small or not watched)
    # the same taken from both sides
    w.right[:] *= 0.5
    if 0 < k < count - 1:
        w.right[k - 1] = -w.right[k]
        assert balance.rest_is_small(ROUND, w, count, GH, False) is (small or not watched)


@pytest.mark.parametrize("sequence", [(EPSILON, GAMMA, ALPHA), (GAMMA, EPSILON), (EPSILON, ALPHA)])
@pytest.mark.parametrize("shrinks", [0.0, 0.3])
@pytest.mark.parametrize(
    ("composition", "rest", "small"),
    [
        (0.1, 0.0099, True), (0.1, -0.0099, True), (0.1, 0.0101, False), (0.1, -0.0101, False),
        (0.0101, 0.02, False), (0.0099, 0.5, True),
    ],
)  # fmt: skip
def test_a_last_correction_fills_up_by_one_percent(
    sequence: tuple[int, ...], shrinks: float, composition: float, rest: float, small: bool
) -> None:
    """Unless a profile is dilute: below one in a hundred atoms nothing is asked."""
    w, count = at_rest(sequence), len(sequence)
    k = next(k for k, slot in enumerate(sequence) if ROUND.wide[slot])
    slot = sequence[k]
    w.n[:] = 100.0
    w.n[slot] = 2.0
    w.tin[:] = 0.0
    w.right[k if k < count - 1 else k - 1] = (-1.0 if k < count - 1 else 1.0) * shrinks * 2.0 / GH
    w.tin[slot] = composition * 2.0
    kept = w.tin[slot] * (1.0 - shrinks)
    if kept <= 0.01 * 2.0:  # what will be there counts, against the atoms that are
        small = True
    w.tin_star[slot] = kept * (1.0 + rest)
    assert balance.rest_is_small(ROUND, w, count, GH, False) is small


@pytest.mark.parametrize(("rest", "followed"), [(0.0099, True), (-0.0099, True), (0.0101, False), (-0.0101, False)])
@pytest.mark.parametrize("slot", [GAMMA, ALPHA])
def test_fill_up_keeps_the_shape(slot: int, rest: float, followed: bool) -> None:
    w = stack(ROUND, (ETA, slot))
    here, shares = cells_of(ROUND, slot), shares_of(ROUND, slot)
    before, w.n[slot] = 1.5, 1.2
    shape = w.x.copy()
    w.tin[slot] = before * shares @ shape[here]
    kept = 1.2 * shares @ shape[here]
    w.corrected[:] = 3.0, 4.0
    balance.fill_up(ROUND, w, slot, before, kept * (1.0 + rest))
    more = rest if followed else 0.0
    np.testing.assert_allclose(w.x[here], shape[here] * (1.0 + more), rtol=1e-12)
    np.testing.assert_allclose(w.u[here], 1.2 * shares * w.x[here], rtol=1e-12)
    assert w.tin[slot] == close(kept * (1.0 + more), rel=1e-13)
    assert w.corrected[1] - 4.0 == pytest.approx(kept * more, abs=1e-14)
    assert w.corrected[0] == 3.0
    shape[here] = w.x[here]
    np.testing.assert_array_equal(w.x, shape)


def test_an_empty_profile_stays_empty() -> None:
    w = stack(ROUND, (ETA, ALPHA))
    here = cells_of(ROUND, ALPHA)
    w.n[ALPHA], w.tin[ALPHA], w.x[here] = 2.0, 0.0, 0.0
    balance.fill_up(ROUND, w, ALPHA, 1.0, 1e-3)
    assert not w.x[here].any()
    assert w.tin[ALPHA] == w.corrected[1] == 0.0


@pytest.mark.parametrize(
    ("sequence", "k", "watched"),
    [
        ((CORE, ETA, ALPHA), 0, False),
        ((CORE, ETA, ALPHA), 1, True),
        ((CORE, ETA, ALPHA), 2, True),
        ((CORE, ETA, EPSILON), 2, False),
        ((CORE, ETA, EPSILON, ZETA), 2, True),
        ((GAMMA, EPSILON), 0, True),
    ],
)
def test_damping_leaves_a_tenth(sequence: tuple[int, ...], k: int, watched: bool) -> None:
    w, count, slot = at_rest(sequence), len(sequence), sequence[k]
    w.n[:] = 1000.0
    w.n[slot] = 2.0
    w.right[: count - 1] = 0.0
    side, sign = (k, -1.0) if k < count - 1 else (k - 1, 1.0)
    for lost in (1.79, 1.81, 7.0):
        w.right[side] = sign * lost / GH
        share = balance.damping(ROUND, w, count, GH)
        assert share == close(1.8 / lost if watched and lost > 1.8 else 1.0, rel=1e-13)
    if 0 < k < count - 1:
        w.right[k - 1] = 5.0 / GH
        assert balance.damping(ROUND, w, count, GH) == close(1.8 / 12.0, rel=1e-13)


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


@pytest.mark.parametrize("count", [2, 3, 5])
def test_stands_still(count: int) -> None:
    w = stack(ROUND, (CORE, ETA, EPSILON, GAMMA, ALPHA))
    w.s[:4] = 0.0
    w.s[count - 1 :] = 1.0  # beyond the last interface
    assert balance.stands_still(w, count)
    for k in range(count - 1):
        w.s[: count - 1] = 0.0
        w.s[k] = -1e-300
        assert not balance.stands_still(w, count)


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


@pytest.mark.parametrize("first_stage", [True, False])
@pytest.mark.parametrize(
    "sequence", [(CORE, ETA), (CORE, ETA, EPSILON), (ETA, EPSILON, ZETA), (CORE, ETA, EPSILON, ZETA)]
)
@pytest.mark.parametrize("p", [ROUND, PLANE], ids=["round", "plane"])
def test_stage_of_compounds_by_a_general_solver(sequence: tuple[int, ...], p: Problem, first_stage: bool) -> None:
    p = p._replace(tolerance=1e-8)
    w, slots, count = stack(p, sequence), list(sequence), len(sequence)
    expected = stage_by_hand(p, w, sequence)
    assert 0 < balance.solve_stage(p, w, count, GH, first_stage) <= 8
    np.testing.assert_allclose(w.s[: count - 1], expected, rtol=1e-8)
    inside, outside = at_sides(expected, count)
    np.testing.assert_allclose(w.n[slots], w.n_star[slots] + GH * (outside - inside), rtol=1e-9)
    assert w.tin[slots].sum() == close(w.tin_star[slots].sum(), rel=1e-14)


@pytest.mark.parametrize("first_stage", [True, False])
@pytest.mark.parametrize("sequence", [s for s in STACKS if any(ROUND.wide[slot] for slot in s)])
@pytest.mark.parametrize("p", [ROUND, PLANE], ids=["round", "plane"])
def test_stage_with_profiles_balances_at_every_interface(
    sequence: tuple[int, ...], p: Problem, first_stage: bool
) -> None:
    p = p._replace(tolerance=1e-8)
    w, slots, count = stack(p, sequence), list(sequence), len(sequence)
    if first_stage:
        w.s[: count - 1] = 0.0
    else:  # which is left the slopes of the first
        move(p, w, count)
        for k in range(count):
            flows_of(p, w, k, count, fresh=True)
    assert 0 < balance.solve_stage(p, w, count, GH, first_stage) <= 12
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
        used.append(balance.solve_stage(ROUND, w, count, GH, True))
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
    assert balance.solve_stage(ROUND, rest, 5, GH, True) == balance.solve_stage(ROUND, wild, 5, GH, True) > 0
    np.testing.assert_array_equal(rest.n, wild.n)
    np.testing.assert_array_equal(rest.s, wild.s)
    assert (rest.s[4:] == 77.0).all()


@pytest.mark.parametrize("slot", [ETA, GAMMA, ALPHA])
def test_a_layer_that_is_used_up_even_at_rest_fails(slot: int) -> None:
    w = stack(ROUND, (CORE, ETA, EPSILON, GAMMA, ALPHA))
    w.n_star[slot] = -1e-3
    w.s[:4] = 0.0
    assert balance.solve_stage(ROUND, w, 5, GH, True) == 0


def test_a_layer_that_is_used_up_on_the_way_fails() -> None:
    """A tenth of what little there is would be less than a layer can be."""
    w = stack(ROUND, (CORE, ETA, EPSILON))
    w.s[:2], w.rate[ETA] = 0.0, 0.0
    w.n_star[ETA] = 3e-8 / ROUND.volume[ETA]  # half as much again as is needed
    for slot, x in ((CORE, POOR[CORE]), (ETA, RICH[ETA]), (EPSILON, RICH[EPSILON])):
        w.tin_star[slot] = w.n_star[slot] * x
    settled_at = w.tin_star[EPSILON]
    for lacking, solvable in ((0.0, True), (1e-2, False)):
        w.s[:2] = 0.0
        w.tin_star[EPSILON] = settled_at - lacking
        assert (balance.solve_stage(ROUND, w, 3, GH, True) > 0) is solvable


def test_no_jump_in_composition_fails() -> None:
    w = stack(ROUND, (CORE, ETA))
    w.x_out[CORE] = w.x_in[ETA]
    assert balance.solve_stage(ROUND, w, 2, GH, True) == 0


@pytest.mark.parametrize(("off", "iterations"), [(0.0, 1), (4.8e-5, 1), (-4.8e-5, 1), (5.2e-5, 2), (-5.2e-5, 2)])
@pytest.mark.parametrize("thinner", [CORE, ETA])
def test_stage_ends_when_no_layer_changes_by_a_twentieth_of_the_tolerance(
    thinner: int, off: float, iterations: int
) -> None:
    """Two compounds have flows that are straight lines: the first correction is the whole error of the guess."""
    w, sequence = stack(ROUND, (CORE, ETA)), (CORE, ETA)
    w.n_star[thinner] = 0.05
    w.tin_star[thinner] = 0.05 * RICH[thinner]
    exact = stage_by_hand(ROUND, w, sequence)[0]
    amount = 0.05 + GH * exact * (1.0 if thinner == CORE else -1.0)
    # layers thinner than 1e-2 count as such a layer round the core, of perimeter 2
    w.s[0] = exact + off * (amount + 1e-2 * 2.0 / ROUND.volume[thinner]) / GH
    assert balance.solve_stage(ROUND, w, 2, GH, True) == iterations
    assert w.s[0] == close(exact, rel=1e-10)


@pytest.mark.parametrize(("off", "iterations"), [((4.0, 4.0), 1), ((4.0, -4.0), 2), ((-1.5, 1.5), 1)])
def test_a_layer_counts_by_what_it_gains_between_its_interfaces(off: tuple[float, float], iterations: int) -> None:
    sequence = (CORE, ETA, EPSILON)
    w = stack(PLANE, sequence)
    w.n_star[ETA], w.tin_star[ETA] = 0.02, 0.02 * RICH[ETA]
    w.n_star[CORE], w.n_star[EPSILON] = 50.0, 50.0
    w.tin_star[CORE], w.tin_star[EPSILON] = 50.0 * POOR[CORE], 50.0 * RICH[EPSILON]
    p = PLANE._replace(area=200.0)
    exact = stage_by_hand(p, w, sequence)
    amount = w.n_star[ETA] + GH * (exact[1] - exact[0])
    unit = 1e-5 * (amount + 1e-2 * 2.0 / p.volume[ETA]) / GH
    w.s[:2] = exact + unit * np.array(off)
    assert balance.solve_stage(p, w, 3, GH, True) == iterations
    np.testing.assert_allclose(w.s[:2], exact, rtol=1e-6)


def test_standing_still_is_no_guess() -> None:
    w = stack(ROUND, (CORE, ETA))
    w.s[0] = 0.0
    w.tin_star[CORE], w.tin_star[ETA] = w.n_star[CORE] * POOR[CORE], w.n_star[ETA] * RICH[ETA]
    # nothing has to move, but that is only known after having looked twice
    assert balance.solve_stage(ROUND, w, 2, GH, True) == 2
    assert w.s[0] == 0.0


@pytest.mark.parametrize("sequence", [(CORE, ETA, EPSILON, GAMMA, ALPHA), (GAMMA, ALPHA)])
def test_stage_goes_on_until_profiles_stand(sequence: tuple[int, ...]) -> None:
    """Right speeds are not enough when a guessed profile has still to find its shape."""
    w, count = stack(ROUND, sequence), len(sequence)
    assert balance.solve_stage(ROUND._replace(tolerance=1e-9), w, count, GH, True) > 0
    assert balance.solve_stage(ROUND, w, count, GH, False) == 1
    for slot in (sequence[-1], GAMMA):
        start = int(ROUND.cell_start[slot])
        w.x[start + 1] *= 1.05
        w.x[start + 2] *= 0.95
        assert balance.solve_stage(ROUND, w, count, GH, False) > 1


@pytest.mark.parametrize(
    ("first_stage", "moving", "expected"),
    [(True, True, [1, 0, 0, 1, 1]), (True, False, [1, 1, 0, 1, 1]), (False, True, [0, 0, 0, 1, 1])],
)
def test_slopes_of_profiles_are_kept_until_convergence_is_slow(
    first_stage: bool, moving: bool, expected: list[int], monkeypatch: pytest.MonkeyPatch
) -> None:
    p = ROUND._replace(tolerance=0.0)  # never good enough
    w = settled(p, (CORE, ETA, ALPHA))
    if not moving:
        w.s[:2] = 0.0
    seen = []

    def spy(p: Problem, w: Any, k: int, count: int, gh: float, fresh: bool) -> None:
        seen.append(int(fresh))
        flows(p, w, k, count, gh, fresh)

    flows = balance.wide_flows
    monkeypatch.setattr(balance, "wide_flows", spy)
    assert balance.solve_stage(p, w, 3, GH, first_stage) == 0
    assert seen[:5] == expected
    assert all(seen[5:])


# --- a phase that is alone


@pytest.mark.parametrize("slot", [GAMMA, ALPHA])
@pytest.mark.parametrize("gh", [0.5, 1e4])
def test_a_profile_alone_levels_and_keeps_its_tin(slot: int, gh: float) -> None:
    p = ROUND._replace(tolerance=1e-8)
    w, here = stack(p, (slot,)), cells_of(p, slot)
    w.tin[slot] = w.n[slot] = 0.0
    w.sequence[1], w.n[ETA] = ETA, 1.0  # left from when it was not alone
    assert balance.solve_stage(p, w, 1, gh, True) == 1
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
    assert balance.solve_stage(ROUND._replace(tolerance=0.0), w, 1, GH, True) == 0


def test_a_compound_alone_stays() -> None:
    w = stack(ROUND, (EPSILON,))
    assert balance.solve_stage(ROUND, w, 1, GH, True) == 1
    assert (w.n[EPSILON], w.tin[EPSILON]) == (w.n_star[EPSILON], w.tin_star[EPSILON])
