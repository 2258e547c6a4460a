"""One step in time: a five-stage, fourth-order, L-stable method with an embedded third-order error.

The method is the SDIRK method of Hairer and Wanner, Solving Ordinary Differential Equations II
(Springer 1996), table IV.6.5; its order conditions are checked in the tests. What is stepped are the
conserved amounts (atoms and tin of every phase, tin of every cell), so that each stage, and with it
the step, keeps their totals.
"""

from __future__ import annotations

from math import pi, sqrt

from bronzeward.growth.balance import IN, IN_BY_OUT, OUT, OUT_BY_IN, newton_step, solve_stage
from bronzeward.growth.changes import settle
from bronzeward.growth.geometry import path
from bronzeward.growth.predict import HALF_WAY, START, guess_stage, keep_stage
from bronzeward.growth.problem import Numbers, Problem, Work
from bronzeward.growth.reach import find_reached
from bronzeward.growth.slots import CORE, N_SLOTS
from bronzeward.growth.state import set_temperature

STAGES = 5
GAMMA = 0.25
NODES = (1 / 4, 3 / 4, 11 / 20, 1 / 2, 1.0)
WEIGHTS = (
    1 / 4, 0.0, 0.0, 0.0, 0.0,
    1 / 2, 1 / 4, 0.0, 0.0, 0.0,
    17 / 50, -1 / 25, 1 / 4, 0.0, 0.0,
    371 / 1360, -137 / 2720, 15 / 544, 1 / 4, 0.0,
    25 / 24, -49 / 48, 125 / 16, -85 / 12, 1 / 4,
)  # fmt: skip
LOWER_ORDER = (59 / 48, -17 / 96, 225 / 32, -85 / 12, 0.0)


MOST_AGES = 24.0
"""A step is bent as if it were at most this many times as long as its layers are old."""

LEAST_GROWTH = 0.02
"""Growth of layers in half a step, as a share of themselves, below which it does not tell their age."""

MISPLACED = 0.04
"""Tin estimated at the wrong place within a profile counts against its tin plus this share of its atoms (of all tin,
where that is less)."""

TIMES_DAMPED = 2
"""The speeds of the interfaces err by the order of the step within a stage, and a layer that follows them at once errs
with them; it forgets that as fast, so that once is not enough where layers are thin and flows are large. Once takes 3 %
more steps in the starter case."""

AGAIN = 0.1
"""What the second time leaves of an error at least. Where a layer is fed through a thin one, a step of hours that errs
by 7 % would otherwise be taken for a good one."""

GOING = 0.5
"""The error of a core of which less than this share is left counts undamped. As the last of it goes at the centre its
flow changes without bound, and a matrix of that moment would damp away whatever went wrong before."""

LEAST_ERROR = 2e-12
"""An error below this is none [m]: less than a hundredth of an atom's diameter, and without effect at a tolerance of
1e-3 for cores of more than 0.4 um in radius, whose floor is above it."""


def remember(p: Problem, w: Work) -> None:
    """Keep the state at the start of a step."""
    for slot in range(N_SLOTS):
        w.n_start[slot] = w.n[slot]
        w.tin_start[slot] = w.tin[slot]
        w.s_start[slot] = w.s[slot]
    for c in range(p.n_cells):
        w.u_start[c] = w.u[c]


def restore(p: Problem, w: Work, count: int) -> None:
    """Go back to the state at the start of the step."""
    for slot in range(N_SLOTS):
        w.n[slot] = w.n_start[slot]
        w.tin[slot] = w.tin_start[slot]
        w.s[slot] = w.s_start[slot]
    for c in range(p.n_cells):
        w.u[c] = w.u_start[c]
    refresh_cells(p, w, count)


def refresh_cells(p: Problem, w: Work, count: int) -> None:
    """Cell compositions from cell contents."""
    for k in range(count):
        slot = w.sequence[k]
        if p.wide[slot]:
            for c in range(int(p.cell_start[slot]), int(p.cell_start[slot]) + int(p.cells[slot])):
                w.x[c] = w.u[c] / (w.n[slot] * (p.edge[c + slot + 1] - p.edge[c + slot]))
            find_reached(p, w, slot)


def gather_known(p: Problem, w: Work, stage: int, count: int, h: float) -> None:
    """The part of a stage that earlier stages fix."""
    for k in range(count):
        slot = w.sequence[k]
        n, tin = w.n_start[slot], w.tin_start[slot]
        for j in range(stage):
            weight = h * WEIGHTS[stage * STAGES + j]
            n += weight * w.dn[j * N_SLOTS + slot]
            tin += weight * w.dtin[j * N_SLOTS + slot]
        w.n_star[slot] = n
        w.tin_star[slot] = tin
        if p.wide[slot]:
            first = int(p.cell_start[slot])
            last = first + int(w.reached[slot])
            for c in range(first, last):
                w.u_star[c] = w.u_start[c]
            for j in range(stage):
                weight, of_stage = h * WEIGHTS[stage * STAGES + j], j * p.n_cells
                for c in range(first, last):
                    w.u_star[c] += weight * w.du[of_stage + c]


def stage_amount(w: Work, stage: int, slot: int, h: float) -> float:
    """Amount of a phase at a stage of the step of h [s] just tried."""
    amount = w.n_start[slot]
    for j in range(stage + 1):
        amount += h * WEIGHTS[stage * STAGES + j] * w.dn[j * N_SLOTS + slot]
    return float(amount)


def store_derivative(p: Problem, w: Work, stage: int, count: int, gh: float) -> None:
    """Rates of change that the solved stage implies."""
    for k in range(count):
        slot = w.sequence[k]
        w.dn[stage * N_SLOTS + slot] = (w.n[slot] - w.n_star[slot]) / gh
        w.dtin[stage * N_SLOTS + slot] = (w.tin[slot] - w.tin_star[slot]) / gh
        if p.wide[slot]:
            for c in range(int(p.cell_start[slot]), int(p.cell_start[slot]) + int(w.reached[slot])):
                w.du[stage * p.n_cells + c] = (w.u[c] - w.u_star[c]) / gh


def levelled(p: Problem, w: Work, slot: int, h: float) -> float:
    """The step over the time in which diffusion levels a profile, (thickness / pi)^2 / D.

    A step much longer than that finds the quasi-steady profile whatever came before. The error estimate,
    whose lower order does not damp what is fast, has to be damped in the same measure (Hairer and Wanner,
    Solving Ordinary Differential Equations II, section IV.8).
    """
    size = w.n[slot] * p.volume[slot]
    return float(GAMMA * h * w.rate[slot] * pi * pi / (size * path(p, w.area_in[slot], size)))


def estimate(values: Numbers, width: int, place: int, h: float) -> float:
    """Difference of the two orders in one conserved quantity; `values` its `width` derivatives a stage."""
    error = 0.0
    for j in range(STAGES):
        error += (WEIGHTS[4 * STAGES + j] - LOWER_ORDER[j]) * values[j * width + place]
    return h * error


def damped_errors(p: Problem, w: Work, count: int, h: float, bend: float) -> None:
    """Estimated errors of all amounts into `w.held[0 : count]`, damped as the last stage damps them.

    A layer far thinner than a step's growth follows what its neighbours bring within the step. The lower order does
    not damp that, so the plain difference e of the two orders is large where the result is good; (1 - gamma h J)^-1 e
    serves at both extremes (Hairer and Wanner, Solving Ordinary Differential Equations II, section IV.8). J is that of
    the amounts; its matrix is the one the last stage was solved with: an amount e more in a layer changes the flows
    at its sides, and the speeds that make them match again take most of a stiff e back.
    """
    gh = GAMMA * h * (1.0 + bend)
    for k in range(count):
        slot = w.sequence[k]
        w.held[k] = estimate(w.dn, N_SLOTS, slot, h)
        # its tin follows its amount, so that the two errors apart are one of the flow that makes it so
        w.face[k] = 0.0
        if not p.wide[slot]:
            w.face[k] = (w.x_in[slot] if k > 0 else w.x_out[slot]) * w.held[k] - estimate(w.dtin, N_SLOTS, slot, h)
    for times in range(TIMES_DAMPED):
        if count < 2 or not damp_errors(p, w, count, gh, AGAIN if times > 0 else 0.0):
            return


def damp_errors(p: Problem, w: Work, count: int, gh: float, least: float) -> bool:
    """Damp the errors in `w.held` once, each to `least` times itself at most; whether that could be done.

    `w.face` holds what the errors of tin lack to follow those of the amounts, and is emptied.
    """
    for k in range(count):
        at = w.sequence[k] * 6
        # an amount grows by gh for a unit of speed of its outer side, or against one of its inner side
        w.flow[at + IN] = w.flow[at + IN_BY_OUT] / gh * w.held[k] if k < count - 1 else 0.0
        w.flow[at + OUT] = -w.flow[at + OUT_BY_IN] / gh * w.held[k] if k > 0 else 0.0
        if 0 < k < count - 1 and not p.wide[w.sequence[k]]:
            # the same flows in as out; by how much the slopes differ, a neighbour's amount moves the layer's far side
            shifted = (w.flow[at + IN_BY_OUT] + w.flow[at + OUT_BY_IN]) / gh
            if p.void_outside:
                w.flow[at + IN] += shifted * w.held[k - 1]
                w.flow[at + OUT] = w.flow[at + IN]
            else:
                w.flow[at + OUT] -= shifted * w.held[k + 1]
                w.flow[at + IN] = w.flow[at + OUT]
        if k == count - 1:
            w.flow[at + IN] += w.face[k] / gh
        else:
            w.flow[at + OUT] -= w.face[k] / gh
        w.face[k] = 0.0
    if not newton_step(w, count):
        return False
    for k in range(count):
        inside = w.right[k - 1] if k > 0 else 0.0
        outside = w.right[k] if k < count - 1 else 0.0
        before = w.held[k]
        w.held[k] += gh * (outside - inside)
        if abs(w.held[k]) < least * abs(before):
            w.held[k] = least * before
    return True


def error_norm(p: Problem, w: Work, count: int, h: float, bend: float) -> float:
    """Largest estimated error over its tolerance: of each amount, and of the tin misplaced in each profile."""
    worst = 0.0
    damped_errors(p, w, count, h, bend)
    for k in range(count):
        slot = w.sequence[k]
        thin = max(p.floor, LEAST_ERROR / p.tolerance) * p.perimeter / p.volume[slot]
        scale = max(abs(w.n[slot]), w.n_start[slot]) + thin
        error = abs(w.held[k])
        if slot == CORE and w.n[slot] < GOING * w.n_start[slot]:
            error = max(error, abs(estimate(w.dn, N_SLOTS, slot, h)))
        worst = max(worst, error / scale)
        if p.wide[slot]:
            moved = 0.0
            for c in range(int(p.cell_start[slot]), int(p.cell_start[slot]) + int(w.reached[slot])):
                moved += abs(estimate(w.du, p.n_cells, c, h))
            moved /= 1.0 + levelled(p, w, slot, h * (1.0 + bend))
            most = MISPLACED * min(abs(w.n[slot]), p.all_tin)
            worst = max(worst, moved / (abs(w.tin[slot]) + most + w.x_in[slot] * thin))
    return worst / p.tolerance


def close_tin(p: Problem, w: Work, count: int, total: float) -> float:
    """Remove what rounding left of the tin balance; the tin moved.

    The two neighbours with most room settle it between them (`changes.settle`).
    """
    moved = lacking_tin(w, count, total)
    keep_positive(p, w, count)
    missing = lacking_tin(w, count, total)
    pair = -1
    most = 0.0
    for k in range(count):
        if k + 1 < count:
            room = min(w.n[w.sequence[k]], w.n[w.sequence[k + 1]])
            # two profiles only when there is nothing else
            if p.wide[w.sequence[k]] and p.wide[w.sequence[k + 1]]:
                room *= 1e-9
            if room > most:
                pair, most = k, room
    if pair >= 0:
        settle(p, w, w.sequence[pair], w.sequence[pair + 1], missing)
    else:
        slot = w.sequence[0]
        w.tin[slot] += missing
        if p.wide[slot]:
            for c in range(int(p.cell_start[slot]), int(p.cell_start[slot]) + int(p.cells[slot])):
                w.u[c] *= total / (total - missing)
    return abs(moved)


def keep_positive(p: Problem, w: Work, count: int) -> None:
    """Take what cells lack below zero from the other cells of their profile.

    The method is not monotone: copper that tin has not reached yet comes out at some 1e-8 either side of zero.
    """
    for k in range(count):
        slot = w.sequence[k]
        if not p.wide[slot]:
            continue
        lacking, there = 0.0, 0.0
        first, last = int(p.cell_start[slot]), int(p.cell_start[slot]) + int(p.cells[slot])
        for c in range(first, last):
            lacking -= min(w.u[c], 0.0)
            there += max(w.u[c], 0.0)
        if lacking > 0.0:
            scale = max(0.0, 1.0 - lacking / there) if there > 0.0 else 0.0
            for c in range(first, last):
                w.u[c] = scale * max(w.u[c], 0.0)
            w.tin[slot] = scale * there


def lacking_tin(w: Work, count: int, total: float) -> float:
    """How much tin the layers lack to the total."""
    for k in range(count):
        total -= w.tin[w.sequence[k]]
    return total


def try_step(
    p: Problem, w: Work, regime: int, touched: int, count: int, at: float, slope: float, h: float
) -> tuple[float, int]:
    """Attempt a step of h [s] from the remembered state at temperature `at` [K], changing by `slope` [K/s].

    Returns the error over its tolerance (negative when a stage could not be solved) and the iterations.
    """
    iterations = 0
    bend = bend_of(w, h)
    keep_stage(p, w, START, count)
    for stage in range(STAGES):
        node = NODES[stage]
        elapsed = h * node * (1.0 - bend * (1.0 - node))
        set_temperature(p, w, regime, at + slope * elapsed, touched)
        gather_known(p, w, stage, count, h)
        guess_stage(p, w, stage, count, elapsed)
        used = solve_stage(p, w, count, GAMMA * h * (1.0 + bend * (2.0 * node - 1.0)), stage)
        if used == 0:
            return -1.0, iterations
        iterations += used
        store_derivative(p, w, stage, count, GAMMA * h)
        keep_stage(p, w, stage, count)
    return error_norm(p, w, count, h, bend), iterations


def bend_of(w: Work, h: float) -> float:
    """How unevenly a step of h [s] runs through time: t = h (x + b (x^2 - x)), x from 0 to 1; b from 0 to 1.

    Layers of age T that grow as the square root of time are straight in x = sqrt(T + t), scaled to the step; then
    b = (r - 1) / (r + 1) with r = sqrt(1 + h / T). So a straight course takes few steps, wherever its start lies.
    """
    if w.age[0] <= 0.0:
        return 0.0
    ratio = sqrt(1.0 + min(h / w.age[0], MOST_AGES))
    return (ratio - 1.0) / (ratio + 1.0)


def keep_age(p: Problem, w: Work, count: int, h: float) -> None:
    """Remember the age of the layers after an accepted step: since when they would have grown as sqrt(t) [s].

    Speeds fall as 1 / sqrt(age), so their ratio over the second half of the step tells it; 0 where they do not fall.
    """
    fell, square = 0.0, 0.0
    for k in range(count):
        slot = w.sequence[k]
        scale = 1.0 / (abs(w.n[slot]) + p.floor * p.perimeter / p.volume[slot])
        half = at_half = 0.0
        if k < count - 1:
            half, at_half = w.s[k], w.s_stage[HALF_WAY * N_SLOTS + k]
        if k > 0:
            half -= w.s[k - 1]
            at_half -= w.s_stage[HALF_WAY * N_SLOTS + k - 1]
        fell += half * at_half * scale * scale
        square += at_half * at_half * scale * scale
    second_half = h * 0.5 * (1.0 + 0.5 * bend_of(w, h))
    w.age[0] = 0.0
    if 0.0 < fell < square and square * second_half * second_half > LEAST_GROWTH * LEAST_GROWTH:
        share = fell / square
        w.age[0] = second_half / (1.0 - share * share)
