"""One implicit stage: find how fast each interface moves so that tin and copper are both conserved.

Over a stage of weight gh [s] the phase amounts follow n_i = n*_i + gh (s_i - s_{i-1}), where s_i is the
speed of the interface outside phase i, in atoms. Seen from an interface, the tin that leaves the phase
inside must enter the phase outside; `flow` holds both and their slopes with the speeds at the two sides:

    compound between two phases   J - N s_in in,  J - N s_out out,   J = K / (V dS), slowing: times w^-m
    innermost or outermost phase  whatever its own tin content requires
    phase with a profile          from its cells (`profile.py`)

The thickness w of a layer that slows the coarser it grows is sqrt(area * dS), exact in a plane couple, 2 % more at most
in a ring as thick as its bore, longer where filaments make the way longer.

The mismatch is solved for the speeds by Newton's method; its matrix is tridiagonal and diagonally
dominant, because every layer grows more slowly the thicker it is.
"""

from __future__ import annotations

from math import sqrt

from bronzeward.growth.geometry import holds_border, path, resistance_slope
from bronzeward.growth.problem import Problem, Work
from bronzeward.growth.profile import is_flat, lay_faces, skin_is_thin, solve_cells
from bronzeward.growth.reach import reach_on
from bronzeward.growth.slots import ALPHA

MOST_ITERATIONS = 25

DILUTE = 0.01
"""Tin misplaced in a profile counts against its tin plus this share of its atoms (of all tin, where that is less)."""

LEAST_LAYER = 1e-6
"""Share of the seed thickness below which a layer between two others cannot be computed."""

CONVERGED = 0.4
"""Iteration stops where it is expected to leave less than this share of the step tolerance in a layer, and the cells of
a profile have moved by less; over the weight of the stage."""

WEIGHT_IN_STEP = (25 / 6, 49 / 12, 125 / 4, 85 / 3, 1.0)
"""How many times as much of an error of each stage goes into the step as of the last stage (`step.WEIGHTS`)."""

GROWN = 2.5
"""What is left of a layer counts against its atoms or against this many times what the step has done to them, whichever
is less. Where steps are short for the sake of another, a layer changes little in each, and what is left in every one of
thousands would add up."""

STILL = 1e-2
"""Share of a layer's atoms that counts as done to it at least: some stand still."""

ROUNDING = 2e-15
"""A correction below this share of all tin is rounding, of what the core holds."""

LEAST_PACE = 3e-2
"""The least share of a correction that an iteration is trusted to leave."""

THINNEST_FLOW = 1e-10
"""A layer between two others is solved to a share of itself and of this thickness [m], less than an atom's diameter."""

LARGEST_REST = 1e-2
"""Relative change of the tin in a profile beyond which `fill_up` does not follow the flows."""

ABOVE_ROUNDING = 1e-12
"""Differences of flows over a change of speed of this over rho hold at least three digits."""

MOST_NUDGED = 1e-2
"""Share of a layer that a nudge adds or takes at most."""

SMALL_REST = 5e-3
"""Share of the step tolerance that the same may reach in a stage while the run has given nothing yet."""

LEAST_BUDGET = 1e-2
"""Share of that which a stage may always give."""

MOST_STRICT = 14
"""Iterations in which `SMALL_REST` is asked for: a profile about to run out may never reach it."""

SMALLEST_PIVOT = 1e-12
"""Compositions jump by more than this at every interface, so no pivot is smaller."""

IN, OUT, IN_BY_IN, IN_BY_OUT, OUT_BY_IN, OUT_BY_OUT = range(6)


def speed_inside(w: Work, k: int) -> float:
    """Speed of the interface at the tin side of the k-th phase; the centre does not move."""
    return w.s[k - 1] if k > 0 else 0.0


def speed_outside(w: Work, k: int, count: int) -> float:
    """Speed of the interface at the copper side of the k-th phase; the barrier does not move."""
    return w.s[k] if k < count - 1 else 0.0


def set_amounts(p: Problem, w: Work, count: int, gh: float) -> bool:
    """Amounts from speeds; False when a phase that must have some is left with next to none."""
    fine = True
    for k in range(count):
        slot = w.sequence[k]
        w.n[slot] = w.n_star[slot] + gh * (speed_outside(w, k, count) - speed_inside(w, k))
        if w.n[slot] * p.volume[slot] <= LEAST_LAYER * p.seed * p.perimeter and (p.wide[slot] or 0 < k < count - 1):
            fine = False
    return fine


def lay_out(p: Problem, w: Work, count: int) -> None:
    """Areas at both sides of every phase, from the barrier inwards.

    Where the void lies between shell and copper, all phases but alpha are laid from the centre outwards.
    """
    area = p.area
    if p.void_outside:
        within = 0.0
        for k in range(count):
            slot = w.sequence[k]
            volume = w.n[slot] * p.volume[slot] + p.volume_slope[slot] * w.tin[slot]
            if slot == ALPHA:
                within = area - volume
            w.area_in[slot] = within
            within += volume
            w.area_out[slot] = within
        return
    for k in range(count - 1, -1, -1):
        slot = w.sequence[k]
        w.area_out[slot] = area
        area -= w.n[slot] * p.volume[slot] + p.volume_slope[slot] * w.tin[slot]
        w.area_in[slot] = area


def compound_flows(p: Problem, w: Work, k: int, count: int, gh: float) -> None:
    """Flows of a phase without a profile."""
    slot = w.sequence[k]
    at = slot * 6
    s_in, s_out = speed_inside(w, k), speed_outside(w, k, count)
    if k == 0:
        w.flow[at + OUT] = -(w.x_out[slot] * w.n[slot] - w.tin_star[slot]) / gh
        w.flow[at + OUT_BY_OUT] = -w.x_out[slot]
        w.tin[slot] = w.x_out[slot] * w.n[slot]
    elif k == count - 1:
        w.flow[at + IN] = (w.x_in[slot] * w.n[slot] - w.tin_star[slot]) / gh
        w.flow[at + IN_BY_IN] = -w.x_in[slot]
        w.tin[slot] = w.x_in[slot] * w.n[slot]
    else:
        x = w.x_in[slot]
        volume = w.n[slot] * p.volume[slot]
        distance = path(p, w.area_in[slot], volume)
        through = w.rate[slot] / (p.volume[slot] * distance)
        # laid from one side on: that side goes with the neighbour's atoms there, the other with its own as well
        fixed = resistance_slope(p, w.area_out[slot] if p.void_outside else w.area_in[slot]) / distance
        far = resistance_slope(p, w.area_in[slot] if p.void_outside else w.area_out[slot]) / distance
        neighbour = p.volume[w.sequence[k - 1] if p.void_outside else w.sequence[k + 1]]
        own, shifted = p.volume[slot] * fixed, neighbour * (far - fixed)
        if w.slowing[slot] != 0.0:
            half = 0.5 * w.slowing[slot]
            through *= (volume * distance) ** -half
            own += half * (own + p.volume[slot] / volume)
            shifted *= 1.0 + half
        own, shifted = gh * through * own, gh * through * shifted
        by_in, by_out = (own + shifted, own) if p.void_outside else (own, own + shifted)
        w.flow[at + IN] = through - x * s_in
        # its composition may move with temperature, which stores or releases tin
        w.flow[at + OUT] = through - x * s_out - (x * w.n_star[slot] - w.tin_star[slot]) / gh
        w.flow[at + IN_BY_IN] = -x + by_in
        w.flow[at + IN_BY_OUT] = -by_out
        w.flow[at + OUT_BY_IN] = by_in
        w.flow[at + OUT_BY_OUT] = -x - by_out
        w.tin[slot] = x * w.n[slot]


def flat_flows(p: Problem, w: Work, k: int, count: int) -> None:
    """Flows of a profile into which nothing diffuses: its atoms join and leave at their own composition."""
    slot = w.sequence[k]
    at = slot * 6
    first = int(p.cell_start[slot])
    x = w.x[first]
    for c in range(first, first + int(p.cells[slot])):
        w.held[c] = x
    w.flow[at + IN] = -x * speed_inside(w, k)
    w.flow[at + OUT] = -x * speed_outside(w, k, count)
    w.flow[at + IN_BY_IN] = -x
    w.flow[at + IN_BY_OUT] = 0.0
    w.flow[at + OUT_BY_IN] = 0.0
    w.flow[at + OUT_BY_OUT] = -x


def nudge_of(rho: float, speed: float, amount: float, gh: float) -> float:
    """Change of speed for a slope by differences.

    Small against the speed of diffusion across the end face, 1 / rho, at which the flow bends, and against what
    would change the layer; but large against the rounding of the flow, about 1e-16 / rho, whatever it changes.
    """
    small = min(max(1e-3 / rho, 1e-6 * abs(speed)), 1e-6 * amount / gh)
    return max(small, min(ABOVE_ROUNDING / rho, MOST_NUDGED * amount / gh))


def moved_by_inner(p: Problem, w: Work, k: int) -> float:
    """How far the inner side of the k-th layer moves with the interface there [m2/mol], as layers are laid out."""
    slot = w.sequence[k]
    return float(p.volume[w.sequence[k - 1] if p.void_outside and slot != ALPHA else slot])


def moved_by_outer(p: Problem, w: Work, k: int) -> float:
    """The same with the interface at its outer side."""
    return 0.0 if p.void_outside else float(p.volume[w.sequence[k + 1]] - p.volume[w.sequence[k]])


def wide_flows(p: Problem, w: Work, k: int, count: int, gh: float, fresh: bool) -> None:
    """Flows of a phase with a profile, its cells solved at the present speeds.

    The slopes are taken by differences, only when `fresh`: other iterations keep them.
    """
    slot = w.sequence[k]
    at = slot * 6
    open_in, open_out = k > 0, k < count - 1
    s_in, s_out = speed_inside(w, k), speed_outside(w, k, count)
    amount = w.n[slot]
    if not open_out and is_flat(p, w, slot) and skin_is_thin(p, w, slot, amount, w.area_in[slot], s_in):
        flat_flows(p, w, k, count)
        return
    lay_faces(p, w, slot, amount, w.area_in[slot])
    # all ways in a layer go as its atoms, but where it lies on both sides of a border they are laid anew
    across = fresh and holds_border(p, w.area_in[slot], w.area_out[slot])
    nudge_in, nudge_out = 1.0, 1.0
    if fresh:
        inner = int(p.cell_start[slot]) + slot
        nudge_in = nudge_of(w.face[inner], s_in, amount, gh)
        nudge_out = nudge_of(w.face[inner + int(w.reached[slot])], s_out, amount, gh)
    if fresh and open_in:
        more = amount - gh * nudge_in
        if across:
            lay_faces(p, w, slot, more, w.area_in[slot] + gh * nudge_in * moved_by_inner(p, w, k))
        thin = 1.0 if across else more / amount
        a, b = solve_cells(p, w, slot, more, thin, s_in + nudge_in, s_out, gh, True, open_out)
        w.flow[at + IN_BY_IN], w.flow[at + OUT_BY_IN] = a, b
    if fresh and open_out:
        more = amount + gh * nudge_out
        if across:
            lay_faces(p, w, slot, more, w.area_in[slot] + gh * nudge_out * moved_by_outer(p, w, k))
        thin = 1.0 if across else more / amount
        a, b = solve_cells(p, w, slot, more, thin, s_in, s_out + nudge_out, gh, open_in, True)
        w.flow[at + IN_BY_OUT], w.flow[at + OUT_BY_OUT] = a, b
    if across:
        lay_faces(p, w, slot, amount, w.area_in[slot])
    flow_in, flow_out = solve_cells(p, w, slot, amount, 1.0, s_in, s_out, gh, open_in, open_out)
    while reach_on(p, w, slot):
        lay_faces(p, w, slot, amount, w.area_in[slot])
        flow_in, flow_out = solve_cells(p, w, slot, amount, 1.0, s_in, s_out, gh, open_in, open_out)
    if fresh and open_in:
        w.flow[at + IN_BY_IN] = (w.flow[at + IN_BY_IN] - flow_in) / nudge_in
        w.flow[at + OUT_BY_IN] = (w.flow[at + OUT_BY_IN] - flow_out) / nudge_in
    if fresh and open_out:
        w.flow[at + IN_BY_OUT] = (w.flow[at + IN_BY_OUT] - flow_in) / nudge_out
        w.flow[at + OUT_BY_OUT] = (w.flow[at + OUT_BY_OUT] - flow_out) / nudge_out
    w.flow[at + IN] = flow_in
    w.flow[at + OUT] = flow_out
    first = int(p.cell_start[slot])
    for c in range(first, first + int(w.reached[slot])):
        w.held[c] = w.right[c + slot]


def take_cells(p: Problem, w: Work, slot: int) -> float:
    """Make the solved cells (`w.held`) the present ones; the share of the layer's tin that this moved."""
    first = int(p.cell_start[slot])
    edge, composition, held, tin = p.edge, w.x, w.held, w.u
    amount = w.n[slot]
    moved = 0.0
    total = w.rest[slot]
    for c in range(first, first + int(w.reached[slot])):
        x = held[c]
        atoms = amount * (edge[c + slot + 1] - edge[c + slot])
        moved += atoms * abs(x - composition[c])
        composition[c] = x
        tin[c] = atoms * x
        total += atoms * x
    w.tin[slot] = total
    done = GROWN * abs(total - w.tin_start[slot]) + STILL * total
    return float(moved / (min(total, done) + DILUTE * min(amount, p.all_tin)))


def newton_step(w: Work, count: int) -> bool:
    """Correction of all speeds into `w.right[0 : count - 1]`, by the tridiagonal matrix of slopes.

    False when the matrix is singular or not made of numbers: the iterate is beyond use.
    """
    above = 0.0
    before = 0.0
    for k in range(count - 1):
        here = int(w.sequence[k]) * 6
        there = int(w.sequence[k + 1]) * 6
        mismatch = w.flow[here + OUT] - w.flow[there + IN]
        below = w.flow[here + OUT_BY_IN] if k > 0 else 0.0
        beyond = -w.flow[there + IN_BY_OUT] if k + 2 < count else 0.0
        pivot = w.flow[here + OUT_BY_OUT] - w.flow[there + IN_BY_IN] - below * above
        if not abs(pivot) > SMALLEST_PIVOT:
            return False
        before = (-mismatch - below * before) / pivot
        above = beyond / pivot
        w.right[k] = before
        w.diagonal[k] = above
    for k in range(count - 3, -1, -1):
        w.right[k] -= w.diagonal[k] * w.right[k + 1]
    return True


def wide_tin(w: Work, k: int, count: int, gh: float) -> float:
    """Tin that the k-th phase, one with a profile, will hold after the correction in `w.right`."""
    slot = w.sequence[k]
    at = slot * 6
    inside = w.right[k - 1] if k > 0 else 0.0
    outside = w.right[k] if k < count - 1 else 0.0
    result = w.tin_star[slot]
    if k > 0:
        result += gh * (w.flow[at + IN] + w.flow[at + IN_BY_IN] * inside + w.flow[at + IN_BY_OUT] * outside)
    if k < count - 1:
        result -= gh * (w.flow[at + OUT] + w.flow[at + OUT_BY_IN] * inside + w.flow[at + OUT_BY_OUT] * outside)
    return float(result)


def rest_is_small(p: Problem, w: Work, count: int, gh: float, strictly: bool) -> bool:
    """Whether every layer survives the last correction and `fill_up` can follow the flows into every profile.

    Speeds may have settled while the tin of a thin profile, or what is left of a vanishing layer, has not.
    `strictly` keeps the rests so small that they add up to nothing: they have one sign over thousands of stages, so a
    stage may give the less, the more of what a run may give is spent.
    """
    budget = 1.0
    if w.corrected[2] > 0.0:
        budget = max(LEAST_BUDGET, 1.0 - abs(w.corrected[1]) / w.corrected[2])
    for k in range(count):
        slot = w.sequence[k]
        inside = w.right[k - 1] if k > 0 else 0.0
        outside = w.right[k] if k < count - 1 else 0.0
        change = gh * (outside - inside)
        if (p.wide[slot] or 0 < k < count - 1) and change < -0.5 * w.n[slot]:
            return False
        if p.wide[slot]:
            held = w.tin[slot] * (1.0 + change / w.n[slot])
            rest = abs(wide_tin(w, k, count, gh) - held)
            little = DILUTE * min(w.n[slot], p.all_tin)
            if held > little and rest > LARGEST_REST * held:
                return False
            if strictly and rest > budget * SMALL_REST * p.tolerance * (held + little):
                return False
    return True


def apply_last(p: Problem, w: Work, count: int, gh: float) -> None:
    """Apply a correction without solving the flows again.

    After it the flows with their slopes match at every interface, so that taking each layer's tin from
    them keeps the sum of tin to rounding, however coarsely the iteration was ended. In a profile
    the small rest goes to the cells in proportion to what they hold.
    """
    for k in range(count):
        slot = w.sequence[k]
        inside = w.right[k - 1] if k > 0 else 0.0
        outside = w.right[k] if k < count - 1 else 0.0
        before = w.n[slot]
        w.n[slot] += gh * (outside - inside)
        if p.wide[slot]:
            fill_up(p, w, slot, before, wide_tin(w, k, count, gh))
        else:
            w.tin[slot] = (w.x_out[slot] if k == 0 else w.x_in[slot]) * w.n[slot]
    for k in range(count - 1):
        w.s[k] += w.right[k]


def fill_up(p: Problem, w: Work, slot: int, before: float, tin: float) -> None:
    """Give a profile that had `before` atoms its present atoms and `tin`, keeping its shape.

    A profile about to run out keeps its composition instead; `step.close_tin` makes good what that misses. What is
    given is counted.
    """
    first = int(p.cell_start[slot])
    last = first + int(w.reached[slot])
    amount = w.n[slot]
    held = w.tin[slot] * amount / before
    scale = tin / held if held > 0.0 else 0.0
    if abs(scale - 1.0) > LARGEST_REST:
        scale = 1.0
        tin = held
    w.corrected[1] += tin - held
    for c in range(first, last):
        w.x[c] *= scale
        w.u[c] = amount * (p.edge[c + slot + 1] - p.edge[c + slot]) * w.x[c]
    w.tin[slot] = tin


def damping(p: Problem, w: Work, count: int, gh: float) -> float:
    """Share of the Newton step that leaves every layer at least a tenth of what it has."""
    share = 1.0
    for k in range(count):
        slot = w.sequence[k]
        if p.wide[slot] or 0 < k < count - 1:
            inside = w.right[k - 1] if k > 0 else 0.0
            outside = w.right[k] if k < count - 1 else 0.0
            change = gh * (outside - inside)
            if change < -0.9 * w.n[slot]:
                share = min(share, -0.9 * w.n[slot] / change)
    return share


def single_phase(p: Problem, w: Work, gh: float, allowed: float) -> int:
    """A stage of a phase that is alone: nothing moves, a profile levels out until its cells stay."""
    slot = w.sequence[0]
    w.n[slot] = w.n_star[slot]
    w.tin[slot] = w.tin_star[slot]
    if p.wide[slot]:
        for _ in range(MOST_ITERATIONS):
            lay_out(p, w, 1)
            wide_flows(p, w, 0, 1, gh, False)
            if take_cells(p, w, slot) < allowed:
                return 1
        return 0
    return 1


def stands_still(w: Work, count: int) -> bool:
    """Whether no interface moves."""
    for k in range(count - 1):
        if w.s[k] != 0.0:
            return False
    return True


def all_flows(p: Problem, w: Work, count: int, gh: float, fresh: bool) -> None:
    """Lay out the equations and add the flows of every layer."""
    lay_out(p, w, count)
    for k in range(count):
        if p.wide[w.sequence[k]]:
            wide_flows(p, w, k, count, gh, fresh)
        else:
            compound_flows(p, w, k, count, gh)


def follow_cells(p: Problem, w: Work, count: int) -> float:
    """Take over the cells just solved in every profile; the largest change of one."""
    moved = 0.0
    for k in range(count):
        if p.wide[w.sequence[k]]:
            moved = max(moved, take_cells(p, w, w.sequence[k]))
    return moved


def largest_correction(p: Problem, w: Work, count: int, gh: float) -> float:
    """Largest correction in `w.right` to the atoms of a phase, over what it counts against.

    Of a layer at an edge, what is left of the floor counts as well. Between two others it does not: the flow through a
    layer goes as one over its thickness, so that a thin one half known is a flow half known.
    """
    worst = 0.0
    for k in range(count):
        slot = w.sequence[k]
        inside = w.right[k - 1] if k > 0 else 0.0
        outside = w.right[k] if k < count - 1 else 0.0
        thin = THINNEST_FLOW if 0 < k < count - 1 else p.floor
        amount = abs(w.n[slot])
        done = GROWN * abs(w.n[slot] - w.n_start[slot]) + STILL * amount
        change = abs(gh * (outside - inside)) - ROUNDING * p.all_tin
        worst = max(worst, change / (min(amount, done) + thin * p.perimeter / p.volume[slot]))
    return worst


def expected_rest(w: Work, correction: float, before: float) -> float:
    """What iteration will leave of the largest correction, `before` being the one before it in the same stage, 0: none.

    The share that an iteration leaves of a correction is measured by two in turn. Where a stage takes one iteration,
    that of an earlier stage is trusted to a power of 3/4, so that one is measured again before long (Hairer and Wanner,
    Solving Ordinary Differential Equations II, section IV.8, do so with 0.8).
    """
    pace = correction / before if before > 0.0 else sqrt(w.pace[0] * sqrt(w.pace[0]))
    w.pace[0] = min(1.0, max(LEAST_PACE, pace))
    return float(w.pace[0]) * correction


def solve_stage(p: Problem, w: Work, count: int, gh: float, stage: int) -> int:
    """Solve one stage from the guess in `w.s` and `w.x`; the iterations used, 0 on failure."""
    allowed = CONVERGED * p.tolerance / WEIGHT_IN_STEP[stage]
    if count == 1:
        return single_phase(p, w, gh, allowed)
    if not set_amounts(p, w, count, gh):
        for k in range(count - 1):
            w.s[k] = 0.0
        if not set_amounts(p, w, count, gh):
            return 0
    # standing still is no guess: what tin does to untouched copper is only seen in motion
    guessed = not stands_still(w, count)
    before = 0.0
    for iteration in range(1, MOST_ITERATIONS + 1):
        # all stages of a step share gh, so the slopes of a profile serve until convergence is slow
        fresh = (stage == 0 and iteration <= (1 if guessed else 2)) or iteration > 3
        all_flows(p, w, count, gh, fresh)
        if not newton_step(w, count):
            return 0
        share = damping(p, w, count, gh)
        # the cells just solved belong to the speeds before this correction, so they follow one behind
        worst = largest_correction(p, w, count, gh)
        moved = follow_cells(p, w, count)
        rest = expected_rest(w, worst, before)
        before = worst
        if (guessed or iteration > 1) and max(rest, moved) < allowed:
            if rest_is_small(p, w, count, gh, iteration <= MOST_STRICT):
                apply_last(p, w, count, gh)
                return iteration
        for k in range(count - 1):
            w.s[k] += share * w.right[k]
        if not set_amounts(p, w, count, gh):
            return 0
    return 0
