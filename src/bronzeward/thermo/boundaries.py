"""Two-phase fields followed from the reaction that opens them to the one that closes them.

Both boundary compositions of a field are solved at the scanned temperatures between its ends and
then halfway between neighbours, until a straight line through the neighbours meets every new
point to `TOLERANCE`. The ends themselves are the compositions of the invariants.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from bronzeward.thermo.gibbs import Array, Phase
from bronzeward.thermo.invariants import Event
from bronzeward.thermo.lines import Line, Scan, scan
from bronzeward.thermo.records import Field
from bronzeward.thermo.tangent import Tangent, common_tangent

TOLERANCE = 8e-6
_ROUNDS = 45

_SMALL = 1e-3
"""Change of composition over an interval below which a point in it may be interpolated unsaid."""


@dataclass
class Run:
    """The life of one tie-line: its phases, its ends and what the scan saw between them.

    rooted: whether it ends at a congruent or critical point.
    """

    a: int
    b: int
    t: list[float] = field(default_factory=list)
    x_a: list[float] = field(default_factory=list)
    x_b: list[float] = field(default_factory=list)
    rooted_low: bool = False
    rooted_high: bool = False

    def add(self, t: float, x_a: float, x_b: float) -> None:
        """One more point, at a higher temperature."""
        self.t.append(t)
        self.x_a.append(x_a)
        self.x_b.append(x_b)


def fields(
    phases: Sequence[Phase], scanned: Scan, events: Sequence[Event]
) -> tuple[list[Field], list[list[int]], list[str]]:
    """Every two-phase field; per interval between events the indices of those in it; warnings.

    The intervals run from the lowest scanned temperature through the events to the highest.
    Within one, fields are ordered from the copper side to the tin side.
    """
    runs, stacks = _runs(phases, scanned, events)
    warnings: list[str] = []
    return [_field(phases, run, warnings) for run in runs], stacks, warnings


def _runs(
    phases: Sequence[Phase], scanned: Scan, events: Sequence[Event]
) -> tuple[list[Run], list[list[int]]]:
    runs: list[Run] = []
    stack: list[int] = []
    for line in scanned.lines[0]:
        stack.append(_open(runs, line))
    stacks = [list(stack)]
    limits = [*[event.invariant.temperature for event in events], np.inf]
    place = 0
    for k, limit in enumerate(limits):
        while place < scanned.temperature.size and scanned.temperature[place] < limit:
            _record(runs, stack, float(scanned.temperature[place]), scanned.lines[place])
            place += 1
        if k < len(events):
            stack = _through(phases, runs, stack, events[k])
            stacks.append(list(stack))
    return runs, stacks


def _open(runs: list[Run], line: Line) -> int:
    runs.append(Run(line.a, line.b))
    return len(runs) - 1


def _record(runs: list[Run], stack: list[int], t: float, lines: list[Line]) -> None:
    for index, line in zip(stack, lines, strict=True):
        runs[index].add(t, line.x_a, line.x_b)


def _through(phases: Sequence[Phase], runs: list[Run], stack: list[int], event: Event) -> list[int]:
    """The open fields after an event: those it ends are closed on it, those it starts opened on it."""
    t = event.invariant.temperature
    rooted = event.invariant.kind in ("congruent", "critical")
    head, tail = event.kept_copper, len(stack) - event.kept_tin
    for index, ends in zip(stack[head:tail], _ends(phases, event, event.lines_below), strict=True):
        runs[index].add(t, *ends)
        runs[index].rooted_high = rooted
    opened = []
    for line, ends in zip(event.lines_above, _ends(phases, event, event.lines_above), strict=True):
        opened.append(_open(runs, line))
        runs[-1].add(t, *ends)
        runs[-1].rooted_low = rooted
    return stack[:head] + opened + stack[tail:]


def _ends(phases: Sequence[Phase], event: Event, lines: list[Line]) -> list[tuple[float, float]]:
    """Compositions of tie-lines at the event itself."""
    if event.invariant.kind == "polymorphic":
        return [_solved(phases, event.invariant.temperature, line) for line in lines]
    return [
        (_listed(event, phases[line.a].label, line.x_a), _listed(event, phases[line.b].label, line.x_b))
        for line in lines
    ]


def _solved(phases: Sequence[Phase], t: float, line: Line) -> tuple[float, float]:
    found = common_tangent(phases[line.a], phases[line.b], np.array([t]), np.array([line.x_a]),
                           np.array([line.x_b]))
    return float(found.x_a[0]), float(found.x_b[0])


def _listed(event: Event, label: str, near: float) -> float:
    """The event's own composition of a phase; of two the nearer."""
    own = [x for name, x in zip(event.invariant.phases, event.invariant.x_sn, strict=True) if name == label]
    return min(own, key=lambda x: abs(x - near))


def _field(phases: Sequence[Phase], run: Run, warnings: list[str]) -> Field:
    a, b = phases[run.a], phases[run.b]
    t, x_a, x_b = (np.array(values) for values in (run.t, run.x_a, run.x_b))
    if a.line and b.line:
        keep = np.unique([0, t.size - 1])
        return Field(b.label, a.label, t[keep], x_b[keep], x_a[keep])
    rough = np.ones(t.size - 1, dtype=bool)
    for _ in range(_ROUNDS):
        places = np.flatnonzero(rough)
        if not places.size:
            break
        share, bend = _split(run, places, t.size)
        middle = t[places] + share * (t[places + 1] - t[places])
        mean_a = x_a[places] + share * (x_a[places + 1] - x_a[places])
        mean_b = x_b[places] + share * (x_b[places + 1] - x_b[places])
        start_a = x_a[places] + bend * (x_a[places + 1] - x_a[places])
        start_b = x_b[places] + bend * (x_b[places + 1] - x_b[places])
        found = common_tangent(a, b, middle, start_a, start_b)
        if not found.ok.all():
            found = _retried(a, b, middle, found, (x_a, x_b), places)
        if not found.ok.all():
            found = _scanned(phases, run, middle, found)
        lost = ~found.ok & (np.abs(x_a[places + 1] - x_a[places]) > _SMALL)
        if lost.any():
            warnings.append(
                f"{a.label} + {b.label}: no tangent at {lost.sum()} of {middle.size} temperatures "
                f"near {middle[lost][0] - 273.15:.3f} °C, interpolated"
            )
        new_a, new_b = np.where(found.ok, found.x_a, start_a), np.where(found.ok, found.x_b, start_b)
        error = np.maximum(np.abs(new_a - mean_a), np.abs(new_b - mean_b))
        again = (error > TOLERANCE) & found.ok
        where = places + 1
        t, x_a, x_b = (np.insert(old, where, new) for old, new in ((t, middle), (x_a, new_a), (x_b, new_b)))
        rough = np.zeros(t.size - 1, dtype=bool)
        left = (places + np.arange(places.size))[again]
        rough[left] = rough[left + 1] = True
    return Field(b.label, a.label, t, x_b, x_a)


def _split(run: Run, places: Any, size: int) -> tuple[Array, Array]:
    """Where to put the next point in each interval, and how far its composition has gone by then.

    Halfway; but beside a congruent point, where compositions leave like the square root of the
    temperature difference, at a sixteenth of the interval and a quarter of the way.
    """
    share, bend = np.full(places.size, 0.5), np.full(places.size, 0.5)
    if run.rooted_low:
        first = places == 0
        share[first], bend[first] = 1 / 16, 1 / 4
    if run.rooted_high:
        last = places == size - 2
        share[last], bend[last] = 15 / 16, 3 / 4
    return share, bend


def _retried(
    a: Phase, b: Phase, middle: Array, found: Tangent, known: tuple[Array, Array], places: Any
) -> Tangent:
    """Tangents that Newton missed, filled in from the neighbour whose phases lie further apart."""
    x_a, x_b = known
    missed = np.flatnonzero(~found.ok)
    left = places[missed]
    wide = left + (x_b[left + 1] - x_a[left + 1] > x_b[left] - x_a[left])
    again = common_tangent(a, b, middle[missed], x_a[wide], x_b[wide])
    for own, fresh in zip(found, again, strict=True):
        own[missed] = fresh
    return found


def _scanned(phases: Sequence[Phase], run: Run, t: Array, found: Tangent) -> Tangent:
    """Tangents that Newton missed from the neighbours' mean, taken from a scan of the whole system."""
    x_a, x_b, ok = found.x_a.copy(), found.x_b.copy(), found.ok.copy()
    missed = np.flatnonzero(~ok)
    for k, lines in zip(missed, scan(phases, t[missed]).lines, strict=True):
        own = [line for line in lines if line.pair == (run.a, run.b)]
        if own:
            best = min(own, key=lambda line: abs(line.x_a - x_a[k]) + abs(line.x_b - x_b[k]))
            x_a[k], x_b[k], ok[k] = best.x_a, best.x_b, True
    return found._replace(x_a=x_a, x_b=x_b, ok=ok)
