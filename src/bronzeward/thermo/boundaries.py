"""Two-phase fields followed from the reaction that opens them to the one that closes them.

Both boundary compositions of a field are known at the scanned temperatures between its ends, and
`refine` fills in what lies between. The ends themselves are the compositions of the invariants.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from bronzeward.thermo.diagram_parts import Field
from bronzeward.thermo.gibbs import Phase
from bronzeward.thermo.invariants import Event
from bronzeward.thermo.refine import Run, refined
from bronzeward.thermo.tangent import common_tangent
from bronzeward.thermo.tie_lines import Line, Scan

_AT_EVENT = 1e-6
"""Distance from a reaction [K] at which a scanned temperature is left out: it could be on either side."""


def fields(
    phases: Sequence[Phase], scanned: Scan, events: Sequence[Event]
) -> tuple[list[Field], list[list[int]], list[str]]:
    """Every two-phase field; per interval between events the indices of those in it; warnings.

    The intervals run from the lowest scanned temperature through the events to the highest.
    Within one, fields are ordered from the copper side to the tin side.
    """
    runs, stacks = _runs(phases, scanned, events)
    warnings: list[str] = []
    return [refined(phases, run, warnings) for run in runs], stacks, warnings


def _runs(phases: Sequence[Phase], scanned: Scan, events: Sequence[Event]) -> tuple[list[Run], list[list[int]]]:
    runs: list[Run] = []
    stack: list[int] = []
    for line in scanned.lines[0]:
        stack.append(_open(runs, line))
    stacks = [list(stack)]
    at_events = np.array([event.invariant.temperature for event in events])
    limits = [*at_events, np.inf]
    row = 0
    for k, limit in enumerate(limits):
        while row < scanned.temperature.size and scanned.temperature[row] < limit:
            t = float(scanned.temperature[row])
            if np.all(np.abs(t - at_events) > _AT_EVENT):
                _record(runs, stack, t, scanned.lines[row])
            row += 1
        if k < len(events):
            stack = _through(phases, runs, stack, events[k])
            stacks.append(list(stack))
    return runs, stacks


def _open(runs: list[Run], line: Line) -> int:
    runs.append(Run(line.a, line.b))
    return len(runs) - 1


def _record(runs: list[Run], stack: list[int], t: float, lines: list[Line]) -> None:
    """Note what the scan saw; nothing where, close to a reaction, it saw another set of phases."""
    if [line.pair for line in lines] != [(runs[index].a, runs[index].b) for index in stack]:
        return
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
    tangent = common_tangent(phases[line.a], phases[line.b], np.array([t]), np.array([line.x_a]), np.array([line.x_b]))
    return float(tangent.x_a[0]), float(tangent.x_b[0])


def _listed(event: Event, label: str, near: float) -> float:
    """The event's own composition of a phase; of two the nearer."""
    listed = [x for name, x in zip(event.invariant.phases, event.invariant.x_sn, strict=True) if name == label]
    return min(listed, key=lambda x: abs(x - near))
