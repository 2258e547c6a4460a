"""What the engine leaves behind, as arrays: rows of time, events by name, times as they are stored."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bronzeward.files import cache_folder
from bronzeward.growth.compiled import array_record, array_work, load_kept, run_compiled
from bronzeward.growth.engine import integrate
from bronzeward.growth.problem import (
    APPEARS,
    DECOMPOSES,
    EVENT_NAMES,
    EVENT_WIDTH,
    EVENTS,
    FULL,
    N_COUNTS,
    QUENCH,
    ROW_WIDTH,
    ROWS,
    STATUS,
    USED_UP,
    Problem,
    Record,
    new_work,
)  # fmt: skip
from bronzeward.growth.slots import ALPHA, CORE, N_SLOTS, SLOT_LABELS
from bronzeward.model.problem_builder import as_lists
from bronzeward.model.ready_engine import warm_engine

APART = 1e-3
"""Two states at the same moment, before and after an event, are stored this far apart [s]."""

EASY_ROWS = 600
"""A run that needs more rows is not interpreted to its end, which may take half a minute, but compiled. Of 2,000 usual
cases (`tests/support/growth_random_cases.py`) all but a few need fewer; those take a second, at most four."""

USUAL_ROWS = 1000
"""Rows that a run is first given; a record of `MOST_ROWS` with every cell takes ten megabytes."""

MOST_ROWS = 20000
MOST_EVENTS = 400


@dataclass(frozen=True)
class Recorded:
    """What the engine left behind, as arrays with one row a time: of one run, or of several end to end."""

    time: NDArray[np.float64]
    temperature: NDArray[np.float64]
    regime: NDArray[np.int64]
    amount: NDArray[np.float64]
    tin: NDArray[np.float64]
    cells: NDArray[np.float64]
    events: NDArray[np.float64]
    counts: list[int]
    """Of the first run, as in `growth/problem.py`."""
    starts: NDArray[np.intp]
    """The first row of each run."""
    event_run: NDArray[np.intp]
    """The run of each event."""

    def last_row(self) -> Recorded:
        """The same, of one run, with its last row only, and no events."""
        rows = {name: getattr(self, name)[-1:] for name in ("time", "temperature", "regime", "amount", "tin", "cells")}
        return replace(self, **rows, events=self.events[:0], event_run=self.event_run[:0])


def integrate_one(problem: Problem) -> Recorded:
    """Integrate one problem: with the compiled engine where it is there, else without compiling it if that goes soon.

    Both give the same numbers, to the last bit.
    """
    if not load_kept(str(cache_folder())):
        record = _run_interpreted(problem, EASY_ROWS)
        if record.count[STATUS] != FULL:
            return read_records([record], problem.n_cells)
        warm_engine()
    for rows in (USUAL_ROWS, MOST_ROWS):
        record = _run_compiled(problem, rows)
        if record.count[STATUS] != FULL:
            break
    return read_records([record], problem.n_cells)


def _run_compiled(problem: Problem, rows: int) -> Record:
    record = array_record(rows, MOST_EVENTS, problem.n_cells)
    try:
        run_compiled(problem, array_work(problem.n_cells), record, str(cache_folder()))
    except ArithmeticError:  # let Python say where
        return _run_interpreted(problem, rows)
    return record


def _run_interpreted(problem: Problem, rows: int) -> Record:
    plain = as_lists(problem)
    work = new_work(plain.n_cells, lambda k: [0.0] * k)._replace(sequence=[0] * N_SLOTS)
    record = Record(
        [0.0] * (rows * ROW_WIDTH), [0.0] * (rows * plain.n_cells), [0.0] * (MOST_EVENTS * EVENT_WIDTH), [0] * N_COUNTS
    )  # fmt: skip
    integrate(plain, work, record)
    return record


def read_records(records: Sequence[Record], n_cells: int) -> Recorded:
    """The filled part of a record as arrays, or of those of several runs end to end."""
    counts = np.array([record.count for record in records], dtype=np.intp)
    rows, happened = counts[:, ROWS], counts[:, EVENTS]
    table = _filled([record.row for record in records], rows, ROW_WIDTH)
    events = _filled([record.event for record in records], happened, EVENT_WIDTH)
    starts, event_run = np.cumsum(rows) - rows, np.repeat(np.arange(len(records)), happened)
    events[:, 4] += starts[event_run]
    return Recorded(
        time=table[:, 0],
        temperature=table[:, 1],
        regime=table[:, 2].astype(np.int64),
        amount=table[:, 3 : 3 + N_SLOTS],
        tin=table[:, 3 + N_SLOTS :],
        cells=_filled([record.cell for record in records], rows, n_cells),
        events=events,
        counts=counts[0].tolist(),
        starts=starts,
        event_run=event_run,
    )


def _filled(parts: Sequence[Any], counts: NDArray[np.intp], width: int) -> NDArray[np.float64]:
    """As many rows of so many numbers as each part has, end to end."""
    ends = (counts * width).tolist()
    filled = [np.asarray(part[:end], dtype=float) for part, end in zip(parts, ends, strict=True)]
    return np.concatenate(filled).reshape(int(counts.sum()), width)


def stored_times(time: NDArray[np.float64], starts: NDArray[np.intp]) -> NDArray[np.float64]:
    """Strictly increasing times: the state after an event is stored a millisecond after the one before it.

    Of runs end to end, each of which begins anew at its row of `starts`.
    """
    stored = time.copy()
    begins = {*starts.tolist(), len(time)}
    for k in (np.flatnonzero(np.diff(time) < APART) + 1).tolist():
        while k not in begins and stored[k] < stored[k - 1] + APART:
            stored[k] = stored[k - 1] + APART
            k += 1
    return stored


def _event_name(code: int, slot: int) -> str:
    label = "tin" if slot == CORE else "copper" if slot == ALPHA and code == USED_UP else SLOT_LABELS[slot]
    if code in (APPEARS, DECOMPOSES, USED_UP) and slot == CORE:
        label = "core"
    return EVENT_NAMES[code].format(label)


_EVENT_NAMES = np.array(
    [[_event_name(code, slot) for slot in range(N_SLOTS)] for code in range(len(EVENT_NAMES))], dtype=object
)


def event_names(events: NDArray[np.float64], quenched: NDArray[np.bool_]) -> NDArray[np.object_]:
    """Names of events the engine recorded, shape (n,); `events` of shape (n, 5) as in `growth/problem.py`.

    The last event of a schedule is a quench only where it has one, by `quenched`, shape (n,).
    """
    code, slot = events[:, 2].astype(np.intp), events[:, 3].astype(np.intp)
    return np.where((code == QUENCH) & ~quenched, "end", _EVENT_NAMES[code, slot])
