"""What the growth engine is given and the work space it uses, as flat sequences.

Sequences are lists in an interpreted run and float or int arrays in a compiled one. `slot` counts the
places of `slots.py`; a table entry for regime g, slot s and node k stands at (g * 9 + s) * nodes + k.
"""

from __future__ import annotations

from typing import Any, NamedTuple

Numbers = Any
"""A list or a one-dimensional numpy array."""

Counts = Any
"""The same of whole numbers."""


class Problem(NamedTuple):
    """One strand, one schedule and one set of constants, ready to integrate."""

    # geometry: A is area [m2] (plane couple: width [m]), S the resistance to radial flow [-] (plane: [m])
    plane: int
    zone_area: Numbers  # A at the inner edge of each zone
    zone_offset: Numbers  # S = offset + factor * log(A + shift)
    zone_factor: Numbers
    zone_shift: Numbers
    area: float  # A inside the barrier
    perimeter: float  # of the tin core [m], plane: 1
    void_outside: int  # 1 where shrinkage opens its void between shell and copper, 0 in the core
    # phase boundaries, by regime (an interval of temperature with one sequence of stable phases)
    present: Counts  # (regimes * 9) 1 where the phase is stable
    liquid_core: Counts  # (regimes) 1 where the core is liquid
    table_start: Numbers  # (regimes) temperature of the first node [K]
    table_step: Numbers  # (regimes) distance of the nodes [K]
    nodes: int
    x_in: Numbers  # composition at the tin-side boundary of each phase [-]
    x_out: Numbers  # composition at the copper-side boundary [-]
    factor: Numbers  # of the rate: mean thermodynamic factor of a wide phase, further terms of a compound's law [-]
    factor_liquid: Numbers  # the same for the phase in contact with liquid
    # kinetics: rate = rate0 * exp(-activation / (R T)); integral D dN for compounds, D for wide phases [m2/s]
    rate0: Numbers
    activation: Numbers
    rate0_liquid: Numbers  # for the compound in contact with liquid
    activation_liquid: Numbers
    exponent: Numbers  # D rises as exp(exponent * N)
    slowing: Numbers  # m of a compound: its rate falls as thickness^-m, and `rate0` is that at 1 m times 1 m^m
    slowing_liquid: Numbers  # the same in contact with liquid
    # phases
    wide: Counts  # 1 where the phase carries a profile
    volume: Numbers  # molar volume at N = 0 of a wide phase, of the compound otherwise [m3/mol]
    volume_slope: Numbers  # its change with N [m3/mol]
    cells: Counts  # number of cells of each slot
    cell_start: Counts  # first cell of each slot
    edge: Numbers  # relative cell edges, slot s from cell_start[s] + s
    n_cells: int
    # schedule, cut at its knots and at the regimes' ends
    time: Numbers  # (pieces + 1) [s]
    temperature_start: Numbers  # (pieces) [K]
    temperature_end: Numbers
    regime: Counts  # (pieces)
    # start
    amount: Numbers  # (9) [mol/m], plane [mol/m2]
    tin: Numbers  # (9) [mol/m]
    all_tin: float  # [mol/m]
    # control
    seed: float  # thickness of a new layer [m]
    tolerance: float  # relative, per step
    floor: float  # thickness below which errors count against this thickness [m]
    longest_step: float  # [s]
    widest_step: float  # [K]


class Work(NamedTuple):
    """State and scratch of one run; made by `new_work`."""

    n: Numbers  # (9) amounts
    tin: Numbers  # (9) tin in each slot
    u: Numbers  # (cells) tin in each cell
    s: Numbers  # (9) speed of the interface outside the k-th phase of the sequence [mol/(m s)]
    sequence: Counts  # (9) slots between the innermost and the outermost phase
    x_in: Numbers  # (9) at the present temperature
    x_out: Numbers
    rate: Numbers
    slowing: Numbers
    seen: Numbers  # (3) temperature [K], regime and phase that liquid touches, for which these were found
    n_start: Numbers  # (9) state at the start of the step
    tin_start: Numbers
    u_start: Numbers
    s_start: Numbers
    n_star: Numbers  # (9) known part of a stage
    tin_star: Numbers
    u_star: Numbers
    dn: Numbers  # (5 * 9) stage derivatives
    dtin: Numbers
    du: Numbers  # (5 * cells)
    s_stage: Numbers  # (6 * 9) speeds of the stages, and at the start of the step
    x_stage: Numbers  # (6 * cells) their compositions
    smooth: Numbers  # (1) 1 where the course goes on smoothly from the step before
    pace: Numbers  # (1) share of a correction that an iteration was last seen to leave
    unsolved: Numbers  # (2) steps since the last event that could not be solved; the bound they leave [s], 0: none
    s_trend: Numbers  # (9) how the speeds went over the last step
    s_curve: Numbers
    x_trend: Numbers  # (cells)
    x_curve: Numbers
    last: Numbers  # (2) the last step [s] and its bend
    age: Numbers  # (1) since when the layers would have grown as the square root of time [s], 0: they do not
    fresh: Numbers  # (1) 1 from the start of a layer to the first step after it
    flow: Numbers  # (9 * 6) flows into and out of each phase and their slopes
    area_in: Numbers  # (9)
    area_out: Numbers
    x: Numbers  # (cells) composition of the cells of the last iterate
    reached: Numbers  # (9) cells of a profile that tin has reached, counted from its tin side
    rest: Numbers  # (9) tin in the other cells, next to none
    face: Numbers  # (cells + 9) resistance of each face
    diagonal: Numbers  # (cells + 9) tridiagonal scratch
    right: Numbers
    held: Numbers  # (cells + 9) copies while cells are laid out anew
    corrected: Numbers  # (3) tin that closing moved; that profiles were given beyond their cells; most of that


class Record(NamedTuple):
    """What a run leaves behind; rows are filled from 0 on."""

    row: Numbers  # (rows * ROW_WIDTH) time, temperature, regime, 9 amounts, 9 tin contents
    cell: Numbers  # (rows * cells) tin in each cell, or empty
    event: Numbers  # (events * EVENT_WIDTH) time, temperature, code, slot, row
    count: Counts  # (N_COUNTS) see COUNTS


ROW_WIDTH = 3 + 2 * 9
EVENT_WIDTH = 5

#: Event codes, as names that a result carries.
EVENT_NAMES: tuple[str, ...] = (
    "tin melts",
    "tin freezes",
    "{} appears",
    "{} decomposes",
    "{} used up",
    "quench",
    "liquid returns",
)
MELTS, FREEZES, APPEARS, DECOMPOSES, USED_UP, QUENCH, RETURNS = range(7)

ROWS, EVENTS, STATUS, STEPS, REJECTED, ITERATIONS = range(6)
N_COUNTS = 6

#: Status codes.
STATUS_TEXT: tuple[str, ...] = (
    "completed",
    "step size fell below its smallest value",
    "record full",
    "the tin balance did not close",
)
DONE, TOO_SMALL, FULL, UNBALANCED = range(4)

_N_WORK_SLOT = 9


def new_work(n_cells: int, zeros: Any) -> Work:
    """Work space for a run with `n_cells` cells; `zeros(k)` makes a sequence of k zeros."""
    slot, cell, face = _N_WORK_SLOT, n_cells, n_cells + _N_WORK_SLOT
    sizes = {
        "u": cell, "u_start": cell, "u_star": cell, "x": cell,
        "s_stage": 6 * slot, "x_stage": 6 * cell, "smooth": 1, "last": 2, "x_curve": cell, "x_trend": cell,
        "corrected": 3, "pace": 1, "unsolved": 2, "seen": 3, "age": 1, "fresh": 1,
        "dn": 5 * slot, "dtin": 5 * slot, "du": 5 * cell, "flow": 6 * slot,
        "face": face, "diagonal": face, "right": face, "held": face,
    }  # fmt: skip
    return Work(*(zeros(sizes.get(name, slot)) for name in Work._fields))
