"""Runs of the engine, interpreted and compiled, and what every run must keep."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

from bronzeward.growth.compiled import array_record, array_work, run_compiled
from bronzeward.growth.engine import integrate
from bronzeward.growth.problem import (
    DONE,
    EVENT_NAMES,
    EVENT_WIDTH,
    EVENTS,
    N_COUNTS,
    ROW_WIDTH,
    ROWS,
    STATUS,
    STATUS_TEXT,
    Problem,
    Record,
    new_work,
)
from bronzeward.growth.slots import N_SLOTS, SLOT_LABELS
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.kinetics import KineticSet, load_set
from bronzeward.materials.properties import load_properties
from bronzeward.model.boundary_tables import Regimes, build_regimes
from bronzeward.model.problem_builder import Settings, as_lists, build_problem
from bronzeward.thermo import load_table

COLDEST_C, HOTTEST_C = 20.0, 700.0

MOST_ROWS, MOST_EVENTS = 20000, 400


@cache
def regimes() -> Regimes:
    """Boundary tables over everything the cases can reach."""
    return build_regimes(load_table(), COLDEST_C + 273.15, HOTTEST_C + 273.15)


def complaints(problem: Problem, record: Record) -> list[str]:
    """What a finished run did wrong; empty when it kept everything it must."""
    found = []
    if int(record.count[STATUS]) != DONE:
        found.append(f"status: {STATUS_TEXT[int(record.count[STATUS])]}")
    rows = int(record.count[ROWS])
    table = np.asarray(record.row[: rows * ROW_WIDTH], dtype=float).reshape(rows, ROW_WIDTH)
    if not np.isfinite(table).all():
        return [*found, "not a number"]
    amount, tin = table[:, 3 : 3 + N_SLOTS], table[:, 3 + N_SLOTS :]
    atoms, all_tin = float(np.sum(problem.amount)), float(np.sum(problem.tin))
    # 1e-12 of all atoms: far below any layer, above the rounding of sums over 9 slots and 64 cells
    if amount.min() < -1e-12 * atoms:
        found.append(f"negative amount {amount.min() / atoms:.2e} of all atoms")
    if tin.min() < -1e-12 * atoms:
        found.append(f"negative tin {tin.min() / atoms:.2e} of all atoms")
    if (tin - amount).max() > 1e-12 * atoms:
        found.append(f"negative copper {(amount - tin).min() / atoms:.2e} of all atoms")
    # 1e-10 relative is what physics asks for, at every output time
    totals = (("atoms", amount, atoms), ("tin", tin, all_tin), ("copper", amount - tin, atoms - all_tin))
    for name, total, start in totals:
        worst = float(np.abs(total.sum(axis=1) - start).max() / start)
        if worst > 1e-10:
            found.append(f"{name} off by {worst:.2e}")
    if not (np.diff(table[:, 0]) >= 0.0).all() or abs(table[-1, 0] - problem.time[-1]) > 1e-9 * problem.time[-1]:
        found.append("times do not run to the end in order")
    return found


def events_of(record: Record) -> list[tuple[float, float, int, int]]:
    """Time [h], temperature [C], code and slot of each event."""
    rows = np.asarray(record.event[: int(record.count[EVENTS]) * EVENT_WIDTH], dtype=float).reshape(-1, EVENT_WIDTH)
    return [(row[0] / 3600.0, row[1] - 273.15, int(row[2]), int(row[3])) for row in rows]


@dataclass(frozen=True)
class Run:
    """What a run left, with one row a time; `work` is its work space at the end."""

    problem: Problem
    record: Record
    work: Any

    @property
    def table(self) -> Any:
        """All rows, shape (n_times, ROW_WIDTH)."""
        rows = int(self.record.count[ROWS])
        return np.asarray(self.record.row[: rows * ROW_WIDTH], dtype=float).reshape(rows, ROW_WIDTH)

    @property
    def time(self) -> Any:
        """[s], shape (n_times,)."""
        return self.table[:, 0]

    @property
    def celsius(self) -> Any:
        """Temperature [C], shape (n_times,)."""
        return self.table[:, 1] - 273.15

    @property
    def amount(self) -> Any:
        """Atoms by slot [mol/m], shape (n_times, 9)."""
        return self.table[:, 3 : 3 + N_SLOTS]

    @property
    def tin(self) -> Any:
        """Tin by slot [mol/m], shape (n_times, 9)."""
        return self.table[:, 3 + N_SLOTS :]

    @property
    def cells(self) -> Any:
        """Tin in the cells, shape (n_times, n_cells)."""
        rows, cells = int(self.record.count[ROWS]), self.problem.n_cells
        return np.asarray(self.record.cell[: rows * cells], dtype=float).reshape(rows, cells)

    @property
    def events(self) -> list[tuple[float, float, str, int]]:
        """Time [h], temperature [C], name and the first row after it."""
        rows = [int(self.record.event[k * EVENT_WIDTH + 4]) for k in range(int(self.record.count[EVENTS]))]
        return [
            (hours, celsius, EVENT_NAMES[code].format(SLOT_LABELS[slot]), row)
            for (hours, celsius, code, slot), row in zip(events_of(self.record), rows, strict=True)
        ]

    def complaints(self) -> list[str]:
        """What the run did wrong."""
        return complaints(self.problem, self.record)


def run_plain(problem: Problem, rows: int = 4000) -> Run:
    """Interpret a problem."""
    plain = as_lists(problem)
    work = new_work(plain.n_cells, lambda count: [0.0] * count)._replace(sequence=[0] * N_SLOTS)
    sizes = (rows * ROW_WIDTH, rows * plain.n_cells, 400 * EVENT_WIDTH)
    record = Record(*([0.0] * size for size in sizes), [0] * N_COUNTS)
    integrate(plain, work, record)
    return Run(plain, record, work)


def run_fast(problem: Problem, rows: int = 4000, cells: bool = False) -> Run:
    """Run a problem with the compiled engine."""
    work = array_work(problem.n_cells)
    record = array_record(rows, 400, problem.n_cells if cells else 0)
    run_compiled(problem, work, record, cache_folder())
    return Run(problem, record, work)


def cache_folder() -> str:
    """Where compiled code is kept between sessions; the tests' own folder when `conftest.py` made one."""
    import os

    return os.environ.get("BRONZEWARD_CACHE", "") or os.path.join(tempfile.gettempdir(), "bronzeward-engine")


def problem_of(strand: Strand, schedule: Schedule, kinetics: KineticSet | None = None, **settings: Any) -> Problem:
    """A problem with the default constants and tables."""
    own = {"longest_step": float(schedule.time[-1]) / 60, "widest_step": 10.0, **settings}
    return build_problem(strand, schedule, kinetics or load_set(), regimes(), load_properties(), Settings(**own))
