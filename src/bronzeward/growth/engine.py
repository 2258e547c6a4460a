"""Integrates one problem over its schedule: steps, lands on events, records."""

from __future__ import annotations

from bronzeward.growth.borders import FELT, first_border
from bronzeward.growth.changes import (
    absorb,
    clear,
    decompose,
    freeze_core,
    melt_core,
    next_filled,
    relieve_all,
    seed_at_edge,
    seed_between,
    spent_amount,
    split_gamma,
    supersaturation,
)
from bronzeward.growth.predict import HALF_WAY, forget_trend, keep_trend
from bronzeward.growth.problem import (
    APPEARS,
    DECOMPOSES,
    DONE,
    EVENT_WIDTH,
    EVENTS,
    FREEZES,
    FULL,
    ITERATIONS,
    MELTS,
    QUENCH,
    REJECTED,
    RETURNS,
    ROW_WIDTH,
    ROWS,
    STATUS,
    STEPS,
    TOO_SMALL,
    UNBALANCED,
    USED_UP,
    Problem,
    Record,
    Work,
)
from bronzeward.growth.slots import CORE, EPSILON, GAMMA, GAMMA_TIN, N_SLOTS
from bronzeward.growth.state import find_sequence, set_temperature, touched_by_liquid
from bronzeward.growth.step import (
    bend_of,
    close_tin,
    keep_age,
    lacking_tin,
    refresh_cells,
    remember,
    restore,
    stage_amount,
    try_step,
)

FIRST_STEP = 0.02
"""Step after the start and after every event that starts a layer [s]; it grows from there.

A layer starts as the square root of time, so fast that no step is short enough to follow a seed. What matters is its
age: whatever this one step leaves of the layer is wrong by no more than that, and forgotten as it grows.
"""

AFTER_EVENT = 0.1
"""First step after an event that starts no layer, over the step before it: the estimate refuses what is too long."""

MOST_GROWTH = 20.0
"""A step is at most this many times as long as the one before."""

BEARABLE = 5.0
"""So many steps between two events whose stages could not be solved are no sign that others cannot."""

UNSOLVED = 0.7
"""Share of a step whose stages could not be solved that the next ones are no longer than. The error estimate may allow
far more, where a layer is about to go; to try that after every step cost two steps of three."""

FORGOTTEN = 1.5
"""Growth of that bound with every step."""

SMALLEST_STEP = 1e-18
"""Below this the run gives up [s]."""

MOST_OVERDUE = 2.0
"""A phase starts at the centre or the barrier before its surplus is this many times what is worth starting: steps that
would end later are shortened, since nothing in a layer's own error tells that another ought to stand beside it."""

CLOSEST_START = 1e-9
"""As a share of a step, how finely the start of a phase is looked for where its surplus jumps."""

MOST_CORRECTED = 0.1
"""Steps keep tin to rounding, but for profiles about to run out. When closing its balance moved more than this
times the tolerance, as a share of all tin, in the whole run, the balance is wrong."""

MOST_GIVEN = 1.0
"""The same for what stages gave to profiles beyond what their cells took, of either sign."""

MOST_LOST = 1e-11
"""No event loses or makes more than this share of all tin, which is rounding."""


def record_row(p: Problem, w: Work, r: Record, time: float, temperature: float, regime: int) -> None:
    """Write the present state into the next row."""
    row = int(r.count[ROWS])
    if (row + 1) * ROW_WIDTH > len(r.row):
        r.count[STATUS] = FULL
        return
    at = row * ROW_WIDTH
    r.row[at] = time
    r.row[at + 1] = temperature
    r.row[at + 2] = float(regime)
    for slot in range(N_SLOTS):
        r.row[at + 3 + slot] = w.n[slot]
        r.row[at + 3 + N_SLOTS + slot] = w.tin[slot]
    if (row + 1) * p.n_cells <= len(r.cell):
        for c in range(p.n_cells):
            r.cell[row * p.n_cells + c] = w.u[c]
    r.count[ROWS] = row + 1


def record_event(r: Record, time: float, temperature: float, code: int, slot: int) -> None:
    """Note an event; it is in force from the row recorded next."""
    k = int(r.count[EVENTS])
    if (k + 1) * EVENT_WIDTH > len(r.event):
        r.count[STATUS] = FULL
        return
    at = k * EVENT_WIDTH
    r.event[at] = time
    r.event[at + 1] = temperature
    r.event[at + 2] = float(code)
    r.event[at + 3] = float(slot)
    r.event[at + 4] = float(r.count[ROWS])
    r.count[EVENTS] = k + 1


def fill_gaps(p: Problem, w: Work, r: Record, regime: int, time: float, temperature: float, tell: bool) -> int:
    """Seed every stable phase missing between the innermost and the outermost layer; how many exist then."""
    known = find_sequence(p, w, regime)
    inner = next_filled(w, -1, 1, 0.0)
    outer = next_filled(w, N_SLOTS, -1, 0.0)
    for slot in range(inner + 1, outer):
        if p.present[regime * N_SLOTS + slot] and w.n[slot] <= 0.0 and seed_between(p, w, slot) and tell:
            record_event(r, time, temperature, APPEARS, slot)
    count = find_sequence(p, w, regime)
    refresh_cells(p, w, count)
    if count != known:
        forget_speeds(p, w)
    return count


def forget_speeds(p: Problem, w: Work) -> None:
    """Speeds are guesses by position; where layers come, they hold no longer."""
    for k in range(N_SLOTS):
        w.s[k] = 0.0
    forget_trend(p, w)


def change_regime(p: Problem, w: Work, r: Record, old: int, new: int, time: float, temperature: float) -> int:
    """Cross an invariant: melt or freeze the core, split what is no longer stable, seed what is."""
    before = int(r.count[EVENTS])
    set_temperature(p, w, new, temperature, -1)
    if w.n[CORE] > 0.0 and p.liquid_core[new] != p.liquid_core[old]:
        if p.liquid_core[new]:
            melt_core(p, w)
            record_event(r, time, temperature, MELTS, CORE)
        else:
            freeze_core(p, w, new)
            record_event(r, time, temperature, FREEZES, CORE)
    had_core = w.n[CORE] > 0.0
    epsilon_enters = p.present[new * N_SLOTS + GAMMA_TIN] and not p.present[old * N_SLOTS + EPSILON]
    if epsilon_enters and w.n[GAMMA] > 0.0:
        split_gamma(p, w, GAMMA_TIN, EPSILON, GAMMA)
        forget_speeds(p, w)
    for slot in range(N_SLOTS - 1, 0, -1):
        if w.n[slot] > 0.0 and not p.present[new * N_SLOTS + slot]:
            decompose(p, w, new, slot)
            record_event(r, time, temperature, DECOMPOSES, slot)
    if w.n[CORE] > 0.0 and not had_core and p.liquid_core[new]:
        record_event(r, time, temperature, RETURNS, CORE)
    if r.count[EVENTS] > before:
        forget_speeds(p, w)
    return fill_gaps(p, w, r, new, time, temperature, True)


def total(w: Work, values: object) -> float:
    """Sum over the slots."""
    result = 0.0
    for slot in range(N_SLOTS):
        result += values[slot]  # type: ignore[index]
    return result


def spent_edge(p: Problem, w: Work, count: int, atoms: float) -> int:
    """Position in the sequence of the edge layer that is used up, the emptier one if both are, or -1."""
    if count < 2:
        return -1
    found = -1
    for k in (0, count - 1):
        slot = w.sequence[k]
        if w.n[slot] <= spent_amount(p, slot, atoms) and (found < 0 or w.n[slot] < w.n[w.sequence[found]]):
            found = k
    return found


def overdrawn_edge(w: Work, count: int) -> int:
    """Position of the edge layer that would have run out first within the step just tried, or -1."""
    if count < 2:
        return -1
    found, earliest = -1, 1.0
    for k in (0, count - 1):
        slot = w.sequence[k]
        if w.n[slot] < 0.0:
            before = max(w.n_start[slot], 0.0)
            at = before / (before - w.n[slot])
            if at < earliest:
                found, earliest = k, at
    return found


def still_overdrawn(p: Problem, w: Work, count: int, landed_on: int, atoms: float) -> int:
    """Position of the other edge layer if that ran out even before the one landed on, or -1."""
    other = count - 1 if landed_on == 0 else 0
    slot = w.sequence[other]
    return other if w.n[slot] < -0.1 * spent_amount(p, slot, atoms) else -1


def landing_guess(w: Work, k: int, bend: float, h: float) -> float:
    """When within the step just tried, of h [s], the k-th layer ran out: by the polynomial through its stages."""
    slot = int(w.sequence[k])
    start, quarter, half = w.n_start[slot], stage_amount(w, 0, slot, h), stage_amount(w, HALF_WAY, slot, h)
    three, end = stage_amount(w, 1, slot, h), w.n[slot]
    # differences of equidistant values (Newton)
    d1, d2, d3 = quarter - start, half - 2.0 * quarter + start, three - 3.0 * half + 3.0 * quarter - start
    d4 = end - 4.0 * three + 6.0 * half - 4.0 * quarter + start
    low, high = 0.0, 4.0
    for _ in range(30):
        x = 0.5 * (low + high)
        amount = start + x * (d1 + (x - 1.0) / 2.0 * (d2 + (x - 2.0) / 3.0 * (d3 + (x - 3.0) / 4.0 * d4)))
        low, high = (x, high) if amount > 0.0 else (low, x)
    node = 0.125 * (low + high)
    return h * node * (1.0 - bend * (1.0 - node))


def land(
    p: Problem, w: Work, regime: int, touched: int, count: int, at: float, slope: float, h: float, k: int, atoms: float
) -> float:
    """Shorten the step until the k-th layer just runs out; the step taken (negative when it failed)."""
    slot = int(w.sequence[k])
    low, f_low = 0.0, w.n_start[slot]
    high, f_high = h, w.n[slot]
    side = 0
    middle = landing_guess(w, k, bend_of(w, h), h)
    for _ in range(60):
        if not low < middle < high:
            middle = 0.5 * (low + high)
        restore(p, w, count)
        error, _used = try_step(p, w, regime, touched, count, at, slope, middle)
        if not error >= 0.0:
            return -1.0
        f = w.n[slot]
        if abs(f) <= 0.1 * spent_amount(p, slot, atoms) or high - low <= 1e-15 * h:
            return middle
        # regula falsi of Anderson and Bjoerck: an end that stays twice has its value reduced
        if f > 0.0:
            if side > 0:
                f_high *= max(1.0 - f / f_low, 0.5) if f < f_low else 0.5
            low, f_low, side = middle, f, 1
        else:
            if side < 0:
                f_low *= max(1.0 - f / f_high, 0.5) if f > f_high else 0.5
            high, f_high, side = middle, f, -1
        # Newton's method with the speed at the step's end where that stays between, which it mostly does
        speed = w.s[0] if k == 0 else -w.s[k - 1]
        middle = middle - f / speed if speed != 0.0 else high
        if not low < middle < high:
            middle = low + (high - low) * f_low / (f_low - f_high)
    return -1.0


def land_on_start(
    p: Problem, w: Work, regime: int, touched: int, count: int, at: float, slope: float, h: float, atoms: float
) -> float:
    """Shorten a step that ends when a phase at an edge is overdue to when it is due; the step taken, negative: none."""
    if supersaturation(p, w, regime, count, atoms)[1] <= MOST_OVERDUE:
        return h
    low, high = 0.0, h
    while high - low > CLOSEST_START * h:
        middle = 0.5 * (low + high)
        restore(p, w, count)
        error, _used = try_step(p, w, regime, touched, count, at, slope, middle)
        if not error >= 0.0:
            return -1.0
        due = supersaturation(p, w, regime, count, atoms)[1]
        if 1.0 < due <= MOST_OVERDUE:
            return middle
        low, high = (low, middle) if due > 1.0 else (middle, high)
    restore(p, w, count)
    error, _used = try_step(p, w, regime, touched, count, at, slope, high)
    return high if error >= 0.0 else -1.0


def use_up(p: Problem, w: Work, r: Record, regime: int, count: int, k: int, time: float, temperature: float) -> int:
    """Remove a spent edge layer; how many are left."""
    slot = int(w.sequence[k])
    step = 1 if k == 0 else -1
    edge = int(w.sequence[k + step])
    beyond = int(w.sequence[k + 2 * step]) if count > 2 else -1
    amount, tin = w.n[slot], w.tin[slot]
    clear(p, w, slot)
    absorb(p, w, amount, tin, slot, edge, beyond)
    for j in range(count):
        if w.n[w.sequence[j]] == 0.0:
            record_event(r, time, temperature, USED_UP, int(w.sequence[j]))
    left = find_sequence(p, w, regime)
    refresh_cells(p, w, left)
    if left == count - 1:
        shift_speeds(w, k)
        forget_trend(p, w)
    else:
        forget_speeds(p, w)
    return left


def shift_speeds(w: Work, k: int) -> None:
    """Speeds are guesses by position; drop the first one when the innermost layer went."""
    if k == 0:
        for j in range(N_SLOTS - 1):
            w.s[j] = w.s[j + 1]


def drop_thinnest(p: Problem, w: Work, count: int, regime: int) -> bool:
    """Take out an inner layer thinner than a seed that no step can follow; it may be seeded again later."""
    thinnest = -1
    least = 1.0
    for k in range(1, count - 1):
        slot = int(w.sequence[k])
        thickness = w.n[slot] * p.volume[slot] / (p.seed * p.perimeter)
        if thickness < least:
            thinnest, least = k, thickness
    if thinnest < 0:
        return False
    slot = int(w.sequence[thinnest])
    amount, tin = w.n[slot], w.tin[slot]
    inner, outer = int(w.sequence[thinnest - 1]), int(w.sequence[thinnest + 1])
    clear(p, w, slot)
    if p.wide[outer]:
        absorb(p, w, amount, tin, slot, outer, inner)
    else:
        absorb(p, w, amount, tin, slot, inner, outer)
    refresh_cells(p, w, find_sequence(p, w, regime))
    return True


def limited(p: Problem, h: float, slope: float, left: float) -> float:
    """Step within its bounds, stretched or halved so that no sliver is left at the end of the piece."""
    h = min(h, p.longest_step)
    if slope != 0.0:
        h = min(h, p.widest_step / abs(slope))
    if h >= left * (1.0 - 1e-6):
        return left
    if h > 0.5 * left:
        return 0.5 * left
    return h


def begin(p: Problem, w: Work, r: Record) -> int:
    """The state at the start, before and after what is not stable there has changed; how many layers there are."""
    for slot in range(N_SLOTS):
        w.n[slot] = p.amount[slot]
        w.tin[slot] = p.tin[slot]
        if p.wide[slot] and w.n[slot] > 0.0:
            for c in range(int(p.cell_start[slot]), int(p.cell_start[slot]) + int(p.cells[slot])):
                w.u[c] = w.tin[slot] * (p.edge[c + slot + 1] - p.edge[c + slot])
    w.corrected[0] = 0.0
    w.corrected[1] = 0.0
    w.corrected[2] = MOST_GIVEN * p.tolerance * total(w, w.tin)
    time, temperature, regime = p.time[0], p.temperature_start[0], int(p.regime[0])
    set_temperature(p, w, regime, temperature, -1)
    count = find_sequence(p, w, regime)
    refresh_cells(p, w, count)
    record_row(p, w, r, time, temperature, regime)
    for slot in range(N_SLOTS - 1, 0, -1):
        if w.n[slot] > 0.0 and not p.present[regime * N_SLOTS + slot]:
            decompose(p, w, regime, slot)
            record_event(r, time, temperature, DECOMPOSES, slot)
    if p.liquid_core[regime] and w.n[CORE] > 0.0:
        melt_core(p, w)
        record_event(r, time, temperature, MELTS, CORE)
    count = fill_gaps(p, w, r, regime, time, temperature, False)
    record_row(p, w, r, time, temperature, regime)
    return count


def enter_piece(
    p: Problem, w: Work, r: Record, old: int, new: int, count: int, time: float, temperature: float, h: float
) -> tuple[int, float]:
    """What happens where a piece of the schedule begins; how many layers there are then, and the next step [s]."""
    before = int(r.count[EVENTS])
    if new == old:
        now = fill_gaps(p, w, r, new, time, temperature, True)
    else:
        now = change_regime(p, w, r, old, new, time, temperature)
        if r.count[EVENTS] > before:
            record_row(p, w, r, time, temperature, new)
    if now != count or r.count[EVENTS] > before + 1:
        return now, FIRST_STEP
    return now, h * AFTER_EVENT if r.count[EVENTS] > before else h


def attempt(
    p: Problem, w: Work, r: Record, regime: int, count: int, at: float, slope: float, step: float, atoms: float
) -> tuple[float, float]:
    """Try a step from `at` [K] and land on a layer that runs out; the step taken, 0 if none was, and the next [s]."""
    touched = touched_by_liquid(p, w, regime, count)
    remember(p, w)
    error, used = try_step(p, w, regime, touched, count, at, slope, step)
    r.count[ITERATIONS] += used
    overdrawn = overdrawn_edge(w, count) if error >= 0.0 else -1
    first = w.fresh[0] > 0.0 and step <= FIRST_STEP and error > 1.0 and overdrawn < 0
    far = moved(p, w, count) if first else 0.0
    if not 0.0 <= error <= 1.0 and not (first and far < 1.0):
        restore(p, w, count)
        r.count[REJECTED] += 1
        if not error >= 0.0:
            keep_unsolved(w, step)
        if first:  # growing as the square root of time
            return 0.0, step * max(0.01, 0.7 / (far * far))
        return 0.0, step * (max(0.2, 0.9 * error**-0.25) if error > 0.0 else 0.25)
    border = first_border(p, w, count) if error > FELT and not first else 1.0
    if border < 1.0:
        restore(p, w, count)
        r.count[REJECTED] += 1
        return 0.0, step * border * (1.0 - bend_of(w, step) * (1.0 - border))
    while overdrawn >= 0:
        landed = land(p, w, regime, touched, count, at, slope, step, overdrawn, atoms)
        if landed < 0.0:
            break
        step = landed
        overdrawn = still_overdrawn(p, w, count, overdrawn, atoms)
    if overdrawn < 0:
        landed = land_on_start(p, w, regime, touched, count, at, slope, step, atoms)
    if overdrawn >= 0 or landed < 0.0:
        restore(p, w, count)
        r.count[REJECTED] += 1
        return 0.0, 0.25 * step
    step = landed
    return step, 2.0 * step if first else bounded(w, step * min(MOST_GROWTH, 0.9 * max(error, 1e-8) ** -0.25))


def keep_unsolved(w: Work, h: float) -> None:
    """Remember that the stages of a step of h [s] could not be solved; if that is often, it bounds what follows."""
    w.unsolved[0] += 1.0
    if w.unsolved[0] > BEARABLE:
        w.unsolved[1] = UNSOLVED * h


def bounded(w: Work, h: float) -> float:
    """The next step, no longer than what steps that could not be solved allow; that grows with every step taken."""
    if w.unsolved[1] > 0.0:
        h = min(h, w.unsolved[1])
        w.unsolved[1] *= FORGOTTEN
    return h


def moved(p: Problem, w: Work, count: int) -> float:
    """What a step moved in all layers together, over the thickness against which errors count."""
    result = 0.0
    for k in range(count):
        slot = w.sequence[k]
        result += abs(w.n[slot] - w.n_start[slot]) * p.volume[slot]
    return float(result / (p.floor * p.perimeter))


def balanced(p: Problem, w: Work, count: int, tin: float) -> bool:
    """Close the tin balance of a step; whether the run has needed no more of that than it may."""
    w.corrected[0] += close_tin(p, w, count, tin)
    return bool(w.corrected[0] <= MOST_CORRECTED * p.tolerance * tin and abs(w.corrected[1]) <= w.corrected[2])


def after_step(
    p: Problem, w: Work, r: Record, regime: int, count: int, time: float, temperature: float, step: float, h: float,
    atoms: float,
) -> tuple[int, float]:  # fmt: skip
    """What a step leads to: layers used up, relieved or started; how many there are then, and the next step [s]."""
    spent = spent_edge(p, w, count, atoms)
    while spent >= 0:
        count = use_up(p, w, r, regime, count, spent, time, temperature)
        h = min(h, max(FIRST_STEP, AFTER_EVENT * step))
        spent = spent_edge(p, w, count, atoms)
    record_row(p, w, r, time, temperature, regime)
    before = int(r.count[EVENTS])
    relieved = relieve_ends(p, w, r, regime, count, time, temperature)
    if relieved > 0:
        count, h = relieved, FIRST_STEP
    started = start_at_edges(p, w, r, regime, count, time, temperature, atoms)
    if started > 0:
        count, h = started, FIRST_STEP
    if r.count[EVENTS] > before:
        record_row(p, w, r, time, temperature, regime)
    return count, h


def relieve_ends(p: Problem, w: Work, r: Record, regime: int, count: int, time: float, temperature: float) -> int:
    """Relieve profiles that are too far supersaturated; how many layers there are then, 0: none was."""
    if not relieve_all(p, w, count):
        return 0
    for k in range(count):
        if w.n[w.sequence[k]] == 0.0:
            record_event(r, time, temperature, USED_UP, int(w.sequence[k]))
    return start_anew(p, w, regime)


def without_step(p: Problem, w: Work, r: Record, regime: int, count: int, time: float, temperature: float) -> int:
    """Where no step is short enough: relieve profiles, or leave a thin layer out; how many layers there are, 0: stuck.

    Just below the temperature at which a compound melts or forms as it stands, a neighbour may hold all it takes, and
    the compound would grow at once.
    """
    relieved = relieve_ends(p, w, r, regime, count, time, temperature)
    if relieved > 0:
        return relieved
    return find_sequence(p, w, regime) if drop_thinnest(p, w, count, regime) else 0


def start_at_edges(
    p: Problem, w: Work, r: Record, regime: int, count: int, time: float, temperature: float, atoms: float
) -> int:
    """Start a phase at the centre or the barrier if one is due; how many layers there are then, 0: none was."""
    slot, due = supersaturation(p, w, regime, count, atoms)
    if due <= 1.0:
        return 0
    seed_at_edge(p, w, slot, int(w.sequence[0] if slot < w.sequence[0] else w.sequence[count - 1]), atoms)
    record_event(r, time, temperature, APPEARS, slot)
    return start_anew(p, w, regime)


def start_anew(p: Problem, w: Work, regime: int) -> int:
    """Look at the layers afresh, without any guess; how many there are."""
    count = find_sequence(p, w, regime)
    refresh_cells(p, w, count)
    forget_speeds(p, w)
    return count


def integrate(p: Problem, w: Work, r: Record) -> None:
    """Run the problem from its start to the end of its schedule, filling the record."""
    count = begin(p, w, r)
    atoms, tin = total(w, p.amount), total(w, p.tin)
    time, regime = p.time[0], int(p.regime[0])
    h = FIRST_STEP
    for piece in range(len(p.regime)):
        temperature, left = p.temperature_start[piece], p.time[piece + 1] - p.time[piece]
        slope = (p.temperature_end[piece] - temperature) / left
        count, h = enter_piece(p, w, r, regime, int(p.regime[piece]), count, time, temperature, h)
        regime = int(p.regime[piece])
        started = start_at_edges(p, w, r, regime, count, time, temperature, atoms)
        if started > 0:
            record_row(p, w, r, time, temperature, regime)
            count, h = started, FIRST_STEP
        while left > 0.0:
            if abs(lacking_tin(w, count, tin)) > MOST_LOST * tin:
                r.count[STATUS] = UNBALANCED
                return
            if h == FIRST_STEP:
                w.fresh[0] = 1.0
            step, h = attempt(p, w, r, regime, count, temperature, slope, limited(p, h, slope, left), atoms)
            if step <= 0.0:
                if h < SMALLEST_STEP:
                    count, h = without_step(p, w, r, regime, count, time, temperature), FIRST_STEP
                    if count == 0:
                        r.count[STATUS] = TOO_SMALL
                        return
                continue
            w.fresh[0] = 0.0
            keep_trend(p, w, count, step, bend_of(w, step))
            keep_age(p, w, count, step)
            if not balanced(p, w, count, tin):
                r.count[STATUS] = UNBALANCED
                return
            refresh_cells(p, w, count)
            r.count[STEPS] += 1
            time, temperature, left = time + step, temperature + slope * step, left - step
            if step >= p.time[piece + 1] - p.time[piece] - 1e-300 or left <= 1e-12 * time:
                time, temperature, left = p.time[piece + 1], p.temperature_end[piece], 0.0
            count, h = after_step(p, w, r, regime, count, time, temperature, step, h, atoms)
            if r.count[STATUS] == FULL:
                return
    record_event(r, p.time[len(p.regime)], p.temperature_end[len(p.regime) - 1], QUENCH, CORE)
    r.count[STATUS] = DONE
