"""Guesses for a stage from the stages before it, so that its iteration starts close to its end.

Speeds of the interfaces and compositions of the cells are smooth in time between events. Each stage is guessed by
the polynomial through earlier stages of its step; the first one by the trend over the second half of the step
before. A guess only saves iterations: what a stage converges to does not depend on it.
"""

from __future__ import annotations

from bronzeward.growth.problem import Problem, Work
from bronzeward.growth.slots import N_SLOTS

GUESSES = (
    0.0, 0.0, 0.0, 0.0,
    1.0, 0.0, 0.0, 0.0,
    0.4, 0.6, 0.0, 0.0,
    1.0 / 12.0, -1.0 / 8.0, 25.0 / 24.0, 0.0,
    1.0, 3.0, 0.0, -3.0,
)  # fmt: skip
"""Weights of earlier stages in the guess of each stage: polynomials through their nodes (`step.NODES`)."""

EARLIER = 4
"""Stages that can be earlier than another."""

HALF_WAY = 3
"""The stage at half the step."""


def keep_stage(p: Problem, w: Work, stage: int, count: int) -> None:
    """Remember a solved stage."""
    for k in range(count - 1):
        w.s_stage[stage * N_SLOTS + k] = w.s[k]
    for k in range(count):
        slot = int(w.sequence[k])
        for c in range(int(p.cell_start[slot]), int(p.cell_start[slot]) + int(w.reached[slot])):
            w.x_stage[stage * p.n_cells + c] = w.x[c]


def keep_trend(p: Problem, w: Work, count: int, half: float) -> None:
    """Remember how fast speeds and compositions changed in the second half of an accepted step, `half` [s] long."""
    for k in range(count - 1):
        w.s_trend[k] = (w.s[k] - w.s_stage[HALF_WAY * N_SLOTS + k]) / half
    for k in range(count):
        slot = int(w.sequence[k])
        first, reached = int(p.cell_start[slot]), int(w.reached[slot])
        for c in range(first, first + int(p.cells[slot])):
            w.x_trend[c] = (w.x[c] - w.x_stage[HALF_WAY * p.n_cells + c]) / half if c < first + reached else 0.0


def forget_trend(p: Problem, w: Work) -> None:
    """Start again without a trend, after an event."""
    w.age[0] = 0.0
    for k in range(N_SLOTS):
        w.s_trend[k] = 0.0
    for c in range(p.n_cells):
        w.x_trend[c] = 0.0


def guess_stage(p: Problem, w: Work, stage: int, count: int, elapsed: float) -> None:
    """Fill `w.s` and `w.x` with the guess of a stage; `elapsed` is the time from the start of the step [s]."""
    if stage == 0:
        for k in range(count - 1):
            w.s[k] += elapsed * w.s_trend[k]
        for k in range(count):
            slot = int(w.sequence[k])
            for c in range(int(p.cell_start[slot]), int(p.cell_start[slot]) + int(w.reached[slot])):
                w.x[c] += elapsed * w.x_trend[c]
        return
    for k in range(count - 1):
        guess = 0.0
        for j in range(stage):
            guess += GUESSES[stage * EARLIER + j] * w.s_stage[j * N_SLOTS + k]
        w.s[k] = guess
    for k in range(count):
        slot = int(w.sequence[k])
        for c in range(int(p.cell_start[slot]), int(p.cell_start[slot]) + int(w.reached[slot])):
            guess = 0.0
            for j in range(stage):
                guess += GUESSES[stage * EARLIER + j] * w.x_stage[j * p.n_cells + c]
            w.x[c] = guess
