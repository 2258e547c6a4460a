"""All invariant reactions of the system, found by following its tie-lines through temperature.

The tie-lines are scanned over temperature. Wherever their sequence differs between two
temperatures there is a reaction in between. If the difference is one elementary change, the
reaction is solved for exactly; if not, or if that fails, the interval is halved.

    [A C] <-> [A B][B C]       three phases: equal potentials, by Newton
    [] <-> [A B][B A]          congruent: B touches A from below
    [] <-> [A B] at an end     transformation of a pure element
    [A B][B C] <-> [A D][D C]  polymorphic: line compounds of one composition
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from bronzeward.thermo import reaction_names
from bronzeward.thermo.diagram_parts import Array, Invariant
from bronzeward.thermo.gibbs import Phase
from bronzeward.thermo.invariant_newton import congruent, critical, same_energy, three_phase
from bronzeward.thermo.tie_lines import Line, Scan, scan
from bronzeward.units import ZERO_CELSIUS

_STEP = 25.0
"""Spacing of the first scan [K]."""

_CLOSER = 3
"""How often it looks closer, each time with a spacing 4.5 times smaller, down to 0.3 K."""

_NARROW, _SLACK = 1e-3, 0.1
"""Once a change is bracketed to so many kelvin it may be solved to lie so far outside: where two
phases touch between sample points, the scan sees it a little late."""

_SMALLEST = 1e-7
"""Interval [K] in which an unsolved change is given up and reported as bracketed."""

_NEAR = 300.0
"""Least height of an unstable phase [J/mol] below which the scan looks closer around it."""


@dataclass(frozen=True)
class Event:
    """An invariant and how the tie-lines change through it.

    `kept_low`, `kept_high`: how many tie-lines at the copper and tin end of the sequence pass
    through unchanged. `x` holds the tin fraction of each phase index taking part.
    """

    invariant: Invariant
    kept_copper: int
    kept_tin: int
    lines_below: list[Line]
    lines_above: list[Line]


def scan_all(phases: Sequence[Phase], low: float, high: float) -> Scan:
    """Tie-lines from `low` to at least `high` [K], closer where an unstable phase comes near."""
    scanned = scan(phases, _even(low, high))
    while scanned.lines[-1] and scanned.temperature[-1] < 4000:
        top = float(scanned.temperature[-1])
        scanned = joined(scanned, scan(phases, _even(top + _STEP, top + 300.0)))
    for _ in range(_CLOSER):
        extra = _suspicious(scanned)
        if not extra.size:
            break
        scanned = joined(scanned, scan(phases, extra))
    return scanned


def joined(one: Scan, other: Scan) -> Scan:
    """Two scans in one, in order of temperature."""
    t = np.concatenate([one.temperature, other.temperature])
    order = np.argsort(t)
    lines = one.lines + other.lines
    distance = np.concatenate([one.distance, other.distance])
    return Scan(t[order], [lines[k] for k in order], distance[order])


def find(phases: Sequence[Phase], scanned: Scan) -> tuple[list[Event], list[str]]:
    """All reactions between the scanned temperatures, by rising temperature, and what was not clean."""
    events: list[Event] = []
    warnings: list[str] = []
    for k in range(scanned.temperature.size - 1):
        t = float(scanned.temperature[k]), float(scanned.temperature[k + 1])
        events += _between(phases, t, scanned.lines[k], scanned.lines[k + 1], warnings)
    return events, warnings


def pairs(lines: Sequence[Line]) -> list[tuple[int, int]]:
    """The sequence of phase pairs, copper side first."""
    return [line.pair for line in lines]


def _even(low: float, high: float) -> Array:
    return np.linspace(low, high, max(2, round((high - low) / _STEP) + 1))


def _suspicious(scanned: Scan) -> Array:
    """Temperatures around each close approach of a phase that the scan saw only as unstable."""
    t, d = scanned.temperature, scanned.distance
    inner = (d[1:-1] <= d[:-2]) & (d[1:-1] <= d[2:]) & (d[1:-1] > 0) & (d[1:-1] < _NEAR)
    places = np.unique(np.nonzero(inner)[0] + 1)
    extra = [np.linspace(t[k - 1], t[k + 1], 10)[1:-1] for k in places]
    return np.setdiff1d(np.concatenate(extra), t) if extra else np.empty(0)


def _between(
    phases: Sequence[Phase], t: tuple[float, float], below: list[Line], above: list[Line], warnings: list[str]
) -> list[Event]:
    if pairs(below) == pairs(above):
        return []
    event = _elementary(phases, t, below, above)
    if event is not None:
        return [event]
    if t[1] - t[0] < _SMALLEST:
        return [_unresolved(phases, t, below, above, warnings)]
    middle = 0.5 * (t[0] + t[1])
    lines = scan(phases, np.array([middle])).lines[0]
    return _between(phases, (t[0], middle), below, lines, warnings) + _between(
        phases, (middle, t[1]), lines, above, warnings
    )


def _kept(below: list[Line], above: list[Line]) -> tuple[int, int]:
    """How many tie-lines both sequences share from the copper end and from the tin end."""
    one, other = pairs(below), pairs(above)
    most = min(len(one), len(other))
    head = next((k for k in range(most) if one[k] != other[k]), most)
    tail = next((k for k in range(most - head) if one[-1 - k] != other[-1 - k]), most - head)
    return head, tail


def _elementary(phases: Sequence[Phase], t: tuple[float, float], below: list[Line], above: list[Line]) -> Event | None:
    """The one reaction that turns one sequence into the other; None unless it lies in the interval."""
    slack = _SLACK if t[1] - t[0] < _NARROW else 1e-9
    head, tail = _kept(below, above)
    for first, last in ((head, tail), (head - 1, tail), (head, tail - 1)):
        if first < 0 or last < 0:
            continue
        low, high = below[first : len(below) - last], above[first : len(above) - last]
        for solved in _solutions(phases, 0.5 * (t[0] + t[1]), low, high, first == 0, last == 0):
            if solved is not None and t[0] - slack <= solved.temperature <= t[1] + slack:
                return Event(solved, first, last, low, high)
    return None


def _solutions(
    phases: Sequence[Phase], t: float, low: list[Line], high: list[Line], at_copper: bool, at_tin: bool
) -> Iterator[Invariant | None]:
    """Reactions that could turn the tie-lines `low` into `high`, solved from temperature t."""
    for fewer, more, cooling in ((high, low, 1), (low, high, -1)):
        if len(fewer) == 1 and len(more) == 2 and more[0].b == more[1].a:
            if fewer[0].pair == (more[0].a, more[1].b):
                yield _three(phases, t, more, cooling)
        if not fewer and len(more) == 2 and more[0].pair == more[1].pair[::-1]:
            yield _congruent(phases, t, more, cooling)
        if not fewer and len(more) == 1:
            if more[0].a == more[0].b:
                yield _critical(phases, t, more[0])
            elif at_copper:
                yield _end(phases, t, more[0], cooling, "x_low")
            if more[0].a != more[0].b and at_tin:
                yield _end(phases, t, more[0], cooling, "x_high")
    yield _polymorphic(phases, t, low, high)


def _three(phases: Sequence[Phase], t: float, two: list[Line], cooling: int) -> Invariant | None:
    """[A C] on one side, [A B][B C] on the other; on cooling A + C -> B (1) or B -> A + C (-1)."""
    index = [two[0].a, two[0].b, two[1].b]
    start = [two[0].x_a, 0.5 * (two[0].x_b + two[1].x_a), two[1].x_b]
    solved = three_phase([phases[k] for k in index], t, start, 0.5 * (two[0].slope + two[1].slope))
    if solved is None:
        return None
    temperature, x = solved
    outer, inner = [0, 2], [1]
    order = (outer, inner) if cooling > 0 else (inner, outer)
    return _record([phases[k].label for k in index], x, temperature, *order)


def _congruent(phases: Sequence[Phase], t: float, two: list[Line], cooling: int) -> Invariant | None:
    """[A B][B A] against nothing; on cooling A -> B (1) or B -> A (-1)."""
    outer, inner = phases[two[0].a], phases[two[0].b]
    solved = congruent(outer, inner, t, 0.5 * (two[0].x_b + two[1].x_a))
    if solved is None:
        return None
    temperature, x = solved
    return _record([outer.label, inner.label], [x, x], temperature, *_direction(cooling))


def _critical(phases: Sequence[Phase], t: float, line: Line) -> Invariant | None:
    """A miscibility gap that closes."""
    phase = phases[line.a]
    solved = critical(phase, t, 0.5 * (line.x_a + line.x_b))
    return None if solved is None else _record([phase.label] * 2, [solved[1]] * 2, solved[0], [0], [1])


def _end(phases: Sequence[Phase], t: float, line: Line, cooling: int, end: str) -> Invariant | None:
    """A tie-line that shrinks to nothing at pure copper (end x_low) or pure tin (x_high)."""
    inner, outer = phases[line.a], phases[line.b]
    if end == "x_high":
        inner, outer = outer, inner
    x = float(getattr(inner, end))
    if x != getattr(outer, end):
        return None
    temperature = same_energy(inner, outer, t, x)
    if temperature is None:
        return None
    return _record([outer.label, inner.label], [x, x], temperature, *_direction(cooling))


def _polymorphic(phases: Sequence[Phase], t: float, low: list[Line], high: list[Line]) -> Invariant | None:
    """One line compound replaced by another of the same composition."""
    ends = [[[line.a for line in side] + [side[-1].b] for side in (high, low) if side]]
    if len(ends[0]) != 2 or len(ends[0][0]) != len(ends[0][1]):
        return None
    change = {(one, other) for one, other in zip(*ends[0], strict=True) if one != other}
    if len(change) != 1:
        return None
    before, after = (phases[k] for k in change.pop())
    if not (before.line and after.line and abs(before.x_low - after.x_low) < 1e-9):
        return None
    temperature = same_energy(before, after, t, before.x_low)
    if temperature is None:
        return None
    labels = [before.label, after.label]
    return Invariant(
        "polymorphic",
        reaction_names.reaction(labels[:1], labels[1:]),
        temperature,
        tuple(labels),
        (before.x_low, after.x_low),
    )


def _direction(cooling: int) -> tuple[list[int], list[int]]:
    return ([0], [1]) if cooling > 0 else ([1], [0])


def _record(
    labels: list[str], x: Sequence[float], temperature: float, before: list[int], after: list[int]
) -> Invariant:
    first, second = [labels[k] for k in before], [labels[k] for k in after]
    order = [*before, *after]
    kind = reaction_names.kind(first, second, float(x[before[0]]))
    return Invariant(
        kind,
        reaction_names.reaction(first, second),
        temperature,
        tuple(labels[k] for k in order),
        tuple(float(x[k]) for k in order),
    )


def _unresolved(
    phases: Sequence[Phase], t: tuple[float, float], below: list[Line], above: list[Line], warnings: list[str]
) -> Event:
    """A change too close to others to be solved for: located by halving alone."""
    head, tail = _kept(below, above)
    low, high = below[head : len(below) - tail], above[head : len(above) - tail]
    ends: dict[str, float] = {}
    for line in [*high, *low]:
        ends.setdefault(phases[line.a].label, line.x_a)
        ends.setdefault(phases[line.b].label, line.x_b)
    labels = tuple(ends)
    warnings.append(f"the reaction of {', '.join(labels)} at {t[1] - ZERO_CELSIUS:.3f} °C was only bracketed")
    sides = [" + ".join(f"[{phases[q.a].label} {phases[q.b].label}]" for q in side) for side in (high, low)]
    invariant = Invariant("unresolved", f"{sides[0]} -> {sides[1]}", 0.5 * (t[0] + t[1]), labels, tuple(ends.values()))
    return Event(invariant, head, tail, low, high)
