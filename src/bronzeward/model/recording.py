"""What the engine leaves behind, as arrays: rows of time, events by name, times as they are stored."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bronzeward.growth.engine import integrate
from bronzeward.growth.problem import (
    APPEARS,
    DECOMPOSES,
    EVENT_NAMES,
    EVENT_WIDTH,
    EVENTS,
    FULL,
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

APART = 1e-3
"""Two states at the same moment, before and after an event, are stored this far apart [s]."""

MOST_ROWS = 20000
MOST_EVENTS = 400


@dataclass(frozen=True)
class Recorded:
    """What the engine left behind, as arrays with one row a time."""

    time: NDArray[np.float64]
    temperature: NDArray[np.float64]
    regime: NDArray[np.int64]
    amount: NDArray[np.float64]
    tin: NDArray[np.float64]
    cells: NDArray[np.float64]
    events: NDArray[np.float64]
    counts: list[int]

    def last_row(self) -> Recorded:
        """The same with its last row only, and no events."""
        rows = {name: getattr(self, name)[-1:] for name in ("time", "temperature", "regime", "amount", "tin", "cells")}
        return Recorded(**rows, events=self.events[:0], counts=self.counts)


def end_to_end(records: Sequence[Recorded]) -> Recorded:
    """The rows of several runs one after the other, without events."""
    names = ("time", "temperature", "regime", "amount", "tin", "cells")
    rows = {name: np.concatenate([getattr(record, name) for record in records]) for name in names}
    return Recorded(**rows, events=records[0].events[:0], counts=records[0].counts)


def integrate_interpreted(problem: Problem) -> Recorded:
    """Integrate one problem without compiling anything."""
    plain = as_lists(problem)
    rows = 1000
    while True:
        work = new_work(plain.n_cells, lambda k: [0.0] * k)
        work = work._replace(sequence=[0] * N_SLOTS)
        record = Record(
            [0.0] * (rows * ROW_WIDTH),
            [0.0] * (rows * plain.n_cells),
            [0.0] * (MOST_EVENTS * EVENT_WIDTH),
            [0] * 6,
        )
        integrate(plain, work, record)
        if record.count[STATUS] != FULL or rows >= MOST_ROWS:
            return read_record(record, plain.n_cells)
        rows *= 4


def read_record(record: Record, n_cells: int) -> Recorded:
    """The filled part of a record as arrays."""
    rows, events = int(record.count[ROWS]), int(record.count[EVENTS])
    table = np.array(record.row[: rows * ROW_WIDTH], dtype=float).reshape(rows, ROW_WIDTH)
    cells = np.array(record.cell[: rows * n_cells], dtype=float)
    return Recorded(
        time=table[:, 0],
        temperature=table[:, 1],
        regime=table[:, 2].astype(np.int64),
        amount=table[:, 3 : 3 + N_SLOTS],
        tin=table[:, 3 + N_SLOTS :],
        cells=cells.reshape(-1, n_cells) if cells.size else np.zeros((0, n_cells)),
        events=np.array(record.event[: events * EVENT_WIDTH], dtype=float).reshape(events, EVENT_WIDTH),
        counts=[int(c) for c in record.count],
    )


def stored_times(time: NDArray[np.float64]) -> NDArray[np.float64]:
    """Strictly increasing times: the state after an event is stored a millisecond after the one before it."""
    stored = time.copy()
    for k in np.flatnonzero(np.diff(time) < APART) + 1:
        while k < len(stored) and stored[k] < stored[k - 1] + APART:
            stored[k] = stored[k - 1] + APART
            k += 1
    return stored


def event_name(row: NDArray[np.float64], quenched: bool = True) -> str:
    """Name of an event the engine recorded; `row` of shape (5,) as in `growth/problem.py`.

    The last event is a quench only where the schedule has one.
    """
    code, slot = int(row[2]), int(row[3])
    if code == QUENCH and not quenched:
        return "end"
    label = "tin" if slot == CORE else "copper" if slot == ALPHA and code == USED_UP else SLOT_LABELS[slot]
    if code in (APPEARS, DECOMPOSES, USED_UP) and slot == CORE:
        label = "core"
    return EVENT_NAMES[code].format(label)
