"""Guesses for a stage from the stages before it, so that its iteration starts close to its end.

Speeds of the interfaces and compositions of the cells are smooth in time between events. Each stage is guessed by
the polynomial through the start of its step, where that is smooth, and earlier stages; the first one by the parabola
through the second half of the step before. A guess only saves iterations: what a stage converges to does not depend
on it.
"""

from __future__ import annotations

from math import sqrt

from bronzeward.growth.problem import Problem, Work
from bronzeward.growth.slots import N_SLOTS

FROM_STAGES = (
    0.0, 0.0, 0.0, 0.0, 0.0,
    1.0, 0.0, 0.0, 0.0, 0.0,
    0.4, 0.6, 0.0, 0.0, 0.0,
    1.0 / 12.0, -1.0 / 8.0, 25.0 / 24.0, 0.0, 0.0,
    1.0, 3.0, 0.0, -3.0, 0.0,
)  # fmt: skip
"""Weights of earlier stages in the guess of each stage: polynomials through their nodes (`step.NODES`)."""

FROM_START = (
    0.0, 0.0, 0.0, 0.0, 0.0,
    3.0, 0.0, 0.0, 0.0, -2.0,
    0.88, 0.44, 0.0, 0.0, -0.32,
    1.0 / 6.0, -1.0 / 12.0, 125.0 / 132.0, 0.0, -1.0 / 33.0,
    4.0, 4.0, 0.0, -6.0, -1.0,
)  # fmt: skip
"""The same with the start of the step, which is last."""

START = 5
"""Where the start of a step is kept, behind its stages."""

EARLIER = 5
"""Weights in a guess: of four stages and of the start."""

HALF_WAY = 3
"""The stage at half the step."""

THREE_QUARTERS = 1
"""The stage at three quarters of it."""

FURTHEST_CURVED = 0.5
"""Beyond the last step by more than this times itself, a parabola through its second half tells nothing."""


def keep_stage(p: Problem, w: Work, stage: int, count: int) -> None:
    """Remember a solved stage, or the start of a step."""
    for k in range(count - 1):
        w.s_stage[stage * N_SLOTS + k] = w.s[k]
    for k in range(count):
        slot = int(w.sequence[k])
        for c in range(int(p.cell_start[slot]), int(p.cell_start[slot]) + int(w.reached[slot])):
            w.x_stage[stage * p.n_cells + c] = w.x[c]


def keep_trend(p: Problem, w: Work, count: int, h: float, bend: float) -> None:
    """Remember how speeds and compositions went over an accepted step of h [s].

    Kept are divided differences of the values at the end, at three quarters and half way, and how the step ran through
    time (`step.bend_of`).
    """
    w.smooth[0] = 1.0
    w.last[0], w.last[1] = h, bend
    for k in range(count - 1):
        three, half = w.s_stage[THREE_QUARTERS * N_SLOTS + k], w.s_stage[HALF_WAY * N_SLOTS + k]
        w.s_trend[k] = 4.0 * (w.s[k] - three)
        w.s_curve[k] = 8.0 * (w.s[k] - 2.0 * three + half)
    for k in range(count):
        slot = int(w.sequence[k])
        first, reached = int(p.cell_start[slot]), int(w.reached[slot])
        for c in range(first, first + int(p.cells[slot])):
            w.x_trend[c] = w.x_curve[c] = 0.0
            if c < first + reached:
                three, half = w.x_stage[THREE_QUARTERS * p.n_cells + c], w.x_stage[HALF_WAY * p.n_cells + c]
                w.x_trend[c] = 4.0 * (w.x[c] - three)
                w.x_curve[c] = 8.0 * (w.x[c] - 2.0 * three + half)


def beyond_last(w: Work, elapsed: float) -> float:
    """How far a time after the end of the last step lies beyond it, as a share of that step as it was run through."""
    h, bend = w.last[0], w.last[1]
    if h <= 0.0:
        return 0.0
    late, steep = elapsed / h, 1.0 + bend
    # t = h (x + bend (x^2 - x)), see `step.bend_of`
    return 2.0 * late / (steep + sqrt(steep * steep + 4.0 * bend * late))


def forget_trend(p: Problem, w: Work) -> None:
    """Start again without a trend, after an event."""
    w.age[0] = w.smooth[0] = 0.0
    w.pace[0] = 1.0
    w.unsolved[0] = w.unsolved[1] = 0.0
    for k in range(N_SLOTS):
        w.s_trend[k] = w.s_curve[k] = 0.0
    for c in range(p.n_cells):
        w.x_trend[c] = w.x_curve[c] = 0.0


def guess_stage(p: Problem, w: Work, stage: int, count: int, elapsed: float) -> None:
    """Fill `w.s` and `w.x` with the guess of a stage; `elapsed` is the time from the start of the step [s]."""
    if stage == 0:
        on = beyond_last(w, elapsed)
        square = on * (on + 0.25) if on < FURTHEST_CURVED else 0.0
        for k in range(count - 1):
            w.s[k] += on * w.s_trend[k] + square * w.s_curve[k]
        for k in range(count):
            slot = int(w.sequence[k])
            for c in range(int(p.cell_start[slot]), int(p.cell_start[slot]) + int(w.reached[slot])):
                w.x[c] += on * w.x_trend[c] + square * w.x_curve[c]
        return
    weights = FROM_START if w.smooth[0] > 0.0 else FROM_STAGES
    for k in range(count - 1):
        guess = weights[stage * EARLIER + EARLIER - 1] * w.s_stage[START * N_SLOTS + k]
        for j in range(stage):
            guess += weights[stage * EARLIER + j] * w.s_stage[j * N_SLOTS + k]
        w.s[k] = guess
    for k in range(count):
        slot = int(w.sequence[k])
        first = int(p.cell_start[slot])
        last = first + int(w.reached[slot])
        weight, of_stage = weights[stage * EARLIER + EARLIER - 1], START * p.n_cells
        for c in range(first, last):
            w.x[c] = weight * w.x_stage[of_stage + c]
        for j in range(stage):
            weight, of_stage = weights[stage * EARLIER + j], j * p.n_cells
            if weight != 0.0:
                for c in range(first, last):
                    w.x[c] += weight * w.x_stage[of_stage + c]
