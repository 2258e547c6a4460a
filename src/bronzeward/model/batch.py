"""Many cases in one call: the answers of each, computed by the compiled engine on several threads.

A batch gives the answers a single run gives (`answers.ANSWERS`), not its history. Tables, regimes and
properties are read once and shared, each thread keeps its work space, and the compiled engine lets go
of the interpreter lock, so two threads do nearly twice the work of one.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import replace
from functools import lru_cache
from itertools import islice
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from numpy.typing import NDArray

from bronzeward.errors import InputError
from bronzeward.files import cache_folder
from bronzeward.growth.compiled import (
    Packed,
    array_record,
    array_work,
    packed_problems,
    run_many,
)  # fmt: skip
from bronzeward.growth.problem import DONE, FULL, STATUS, STATUS_TEXT, Problem, Record, Work
from bronzeward.inputs.case import Case, Numerics
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.kinetics import KineticSet, load_set
from bronzeward.materials.properties import load_properties
from bronzeward.model.answers import ANSWERS, numbers_of_runs
from bronzeward.model.boundary_tables import Regimes, build_regimes
from bronzeward.model.case_table import case_table
from bronzeward.model.history import History
from bronzeward.model.problem_builder import ProblemBuilder, Settings
from bronzeward.model.provenance import basis
from bronzeward.model.ready_engine import warm_engine
from bronzeward.model.recording import MOST_EVENTS, MOST_ROWS, USUAL_ROWS, Recorded, read_records
from bronzeward.model.result import Result, cf_attributes, without_fill
from bronzeward.model.simulation import result_of, settings_of
from bronzeward.thermo import load_table
from bronzeward.thermo.table import PhaseTable

if TYPE_CHECKING:
    import xarray as xr

_Part = TypeVar("_Part")
Answers = dict[str, NDArray[np.float64]]
Progress = Callable[[int, int], None]
Diagram = tuple[str, float | None]
"""What the phase table of a case depends on: its description, and up to where eta is stable [K]."""

QUICK_TOLERANCE = 1e-3
"""Relative error of a step in a quick batch.

With it and `problem_builder.SPARING_CELLS`, 5,400 random wide cases gave answers within 0.5 %, or 1e-4 of the core's
size or of the tin, of runs at 1e-6; `tests/benchmarks/growth_agreement.py` measures it again.
"""

WIDEST_QUICK_STEP = 30.0
"""Rows of a quick run lie at most this far apart in temperature [K]: further apart they miss where contents outgrow the
cavity and fall back. Costs 1 % in the starter case."""

PRECISIONS = ("run", "quick")

CHUNK = 32
"""Runs that one thread takes at a time."""

STOPPED = len(STATUS_TEXT)
"""Status of a run that ended in an arithmetic error."""


def run_batch(
    cases: Sequence[Case],
    workers: int = 2,
    progress: Progress | None = None,
    precision: str = "run",
    extremes: Sequence[Case] | None = None,
) -> Answers:
    """Answers of many cases.

    Parameters
    ----------
    cases : sequence of Case, n of them
    workers : int
        Threads.
    progress : callable, optional
        Called as progress(done, total), with numbers of runs, now and then.
    precision : str
        "run" computes each case exactly as a single run does, step by step. "quick" allows each step an
        error of `QUICK_TOLERANCE`, takes few cells in alpha where they serve and no step for recording's
        sake; its answers agree within a thousandth, far inside what the constants leave open.
    extremes : sequence of Case, optional
        Some that have every phase diagram of all, and their lowest and highest temperatures; then the others are asked
        for only as they are computed, by the threads.

    Returns
    -------
    dict of ndarray, shape (n,)
        Every answer of `answers.ANSWERS` in SI units, nan where a run has no such moment; and `status`,
        0 where a run completed, else its code in `growth.problem.STATUS_TEXT` or `STOPPED`; its answers
        are then nan.
    """
    checked_workers(workers)
    columns = {name: np.full(len(cases), np.nan) for name in (*ANSWERS, "status")}
    if not len(cases):
        return columns
    shared = Shared(cases if extremes is None else extremes, precision)
    warm_engine()
    done = 0
    for start, part in shared.parts(cases, workers):
        for name, column in part.items():
            columns[name][start : start + len(column)] = column
        done += len(part["status"])
        if progress is not None:
            progress(done, len(cases))
    return columns


def simulate_many(
    strands: Mapping[str, Strand] | Sequence[Strand],
    schedules: Mapping[str, Schedule] | Sequence[Schedule],
    sets: Sequence[str | KineticSet] = ("default",),
    description: str = "cu-sn-shim1996",
    numerics: Numerics | None = None,
    workers: int = 2,
    progress: Progress | None = None,
    precision: str = "run",
) -> xr.Dataset:
    """Run every strand through every schedule with every set of constants.

    Parameters
    ----------
    strands, schedules : mapping of name to Strand or Schedule, or a sequence (then named 1, 2, ...)
    sets : sequence of set names or KineticSet

    Returns
    -------
    xarray.Dataset
        The answers of each run, SI units, dimensions (strand, schedule, kinetic_set).
    """
    named_strands, named_schedules = _named(strands), _named(schedules)
    chosen = [load_set(s) if isinstance(s, str) else s for s in sets]
    detail = numerics or Numerics()
    cases = [
        Case(strand, schedule.checked(), kinetics, description, detail)
        for strand in named_strands.values()
        for schedule in named_schedules.values()
        for kinetics in chosen
    ]
    coordinates = {
        "strand": list(named_strands),
        "schedule": list(named_schedules),
        "kinetic_set": [kinetics.name for kinetics in chosen],
    }
    columns = run_batch(cases, workers, progress, precision)
    return answers_dataset(columns, coordinates, basis(chosen, load_table(description)))


def answers_dataset(
    columns: Mapping[str, NDArray[np.float64]],
    coordinates: Mapping[str, Sequence[object]],
    attributes: Mapping[str, object],
) -> xr.Dataset:
    """Answers, one after the other in C order over `coordinates`, as an `xarray.Dataset` with more `attributes`."""
    import xarray as xr

    dims = tuple(coordinates)
    shape = tuple(len(coordinates[dim]) for dim in dims)
    variables = {
        name: (dims, np.asarray(columns[name]).reshape(shape), {"units": answer.unit, "long_name": answer.text})
        for name, answer in ANSWERS.items()
    }
    status = np.asarray(columns["status"]).reshape(shape)
    variables["status"] = (dims, status, {"long_name": "0 where the run completed"})
    about = {dim: {"long_name": dim.replace("_", " ")} for dim in dims}
    named = {dim: ((dim,), list(values), about[dim]) for dim, values in coordinates.items()}
    return without_fill(xr.Dataset(variables, named, {**cf_attributes("answers"), **attributes}))


def _named(parts: Mapping[str, _Part] | Sequence[_Part]) -> dict[str, _Part]:
    if isinstance(parts, Mapping):
        return dict(parts)
    return {str(k): part for k, part in enumerate(parts, start=1)}


def checked_workers(workers: int) -> int:
    """The number of threads, if it is one."""
    if isinstance(workers, bool) or not isinstance(workers, int) or not 1 <= workers <= 1024:
        raise InputError(f"batch: workers is {workers!r}; allowed are whole numbers from 1 to 1024")
    return workers


class Shared:
    """What the runs of a batch have in common: tables by description, and parts of problems by object.

    Cases must not be changed while it lives; strands, schedules and sets used by several cases are
    prepared once. Tables, and regimes where they are the same, are taken from an `earlier` one.
    """

    def __init__(self, cases: Sequence[Case], precision: str, earlier: Shared | None = None):
        if precision not in PRECISIONS:
            raise InputError(f"batch: precision is {precision!r}; allowed: {', '.join(PRECISIONS)}")
        self.quick = precision == "quick"
        self.properties = load_properties()
        known = earlier.tables if earlier else {}
        one_each = {diagram_of(case): case for case in cases}
        self.tables: dict[Diagram, PhaseTable] = {
            name: known[name] if name in known else case_table(case) for name, case in one_each.items()
        }
        made = earlier.regimes if earlier else {}
        self.regimes: dict[Diagram, Regimes] = {
            name: _regimes(table, name, cases, made.get(name)) for name, table in self.tables.items()
        }
        self._builders = {name: ProblemBuilder(regimes, self.properties) for name, regimes in self.regimes.items()}
        self._room = threading.local()
        self._cache = str(cache_folder())

    def parts(self, cases: Sequence[Case], workers: int) -> Iterator[tuple[int, Answers]]:
        """Answers of chunks of cases as they are done: (index of the first, answers)."""
        starts = iter(range(0, len(cases), CHUNK))
        if workers == 1 or len(cases) <= CHUNK:
            for start in starts:
                yield start, self._chunk(cases, start)
            return
        with ThreadPoolExecutor(workers) as pool:
            waiting: dict[Future[Answers], int] = {}
            try:
                while True:
                    for start in islice(starts, 2 * workers - len(waiting)):
                        waiting[pool.submit(self._chunk, cases, start)] = start
                    if not waiting:
                        return
                    for future in wait(waiting, return_when=FIRST_COMPLETED).done:
                        yield waiting.pop(future), future.result()
            finally:
                for future in waiting:
                    future.cancel()

    def _chunk(self, cases: Sequence[Case], start: int) -> Answers:
        return self.answers(cases[start : start + CHUNK])

    def answers(self, cases: Sequence[Case]) -> Answers:
        """Answers of a few cases, computed one after the other, and read together where they share a diagram."""
        columns = {name: np.full(len(cases), np.nan) for name in (*ANSWERS, "status")}
        alike: dict[Diagram, dict[int, Record]] = {}
        for k, (case, record) in enumerate(zip(cases, self._records_of(cases), strict=True)):
            if record.count[STATUS] != DONE and self.quick:
                record = self._record_of(case, careful=True)
            columns["status"][k] = record.count[STATUS]
            if record.count[STATUS] == DONE:
                alike.setdefault(diagram_of(case), {})[k] = record
        for records in alike.values():
            chosen = list(records)
            history = self.history([cases[k] for k in chosen], read_records(list(records.values()), 0))
            for name, values in numbers_of_runs(history).items():
                columns[name][chosen] = values
        return columns

    def _records_of(self, cases: Sequence[Case]) -> list[Record]:
        """What cases leave, integrated in one call of the compiled engine, which lets other threads go on meanwhile.

        To be read before this thread integrates more.
        """
        problems = [self.problem(case) for case in cases]
        works, records = [self._work_for(problem.n_cells) for problem in problems], self._records(len(cases))
        try:
            run_many(list(zip(packed_problems(problems), works, records, strict=False)), self._cache)
        except ArithmeticError:  # one case in very many must not end the others
            return [self._record_of(case) for case in cases]
        return [
            self._record_of(case) if record.parts.count[STATUS] == FULL else record.parts
            for case, record in zip(cases, records, strict=False)
        ]

    def integrate(self, case: Case, careful: bool = False) -> Recorded:
        """Integrate one case with the compiled engine; `careful` takes the case's own tolerance in a quick batch."""
        return read_records([self._record_of(case, careful)], 0)

    def _record_of(self, case: Case, careful: bool = False) -> Record:
        """What one case leaves, in a record of its own."""
        problem = self.problem(case)
        if careful:
            problem = problem._replace(tolerance=case.numerics.tolerance)
        record = self._new_record(MOST_ROWS)
        try:
            run_many([(Packed(problem), self._work_for(problem.n_cells), record)], self._cache)
        except ArithmeticError:
            record.parts.count[STATUS] = STOPPED
        return record.parts

    def _work_for(self, n_cells: int) -> Packed[Work]:
        """Work space of this thread."""
        works: dict[int, Packed[Work]] = self._room.__dict__.setdefault("works", {})
        if n_cells not in works:
            works[n_cells] = Packed(array_work(n_cells))
        return works[n_cells]

    def _records(self, count: int) -> list[Packed[Record]]:
        """Records of this thread, at least so many, for runs of usual length."""
        records: list[Packed[Record]] = self._room.__dict__.setdefault("records", [])
        while len(records) < count:
            records.append(self._new_record(USUAL_ROWS))
        return records

    def _new_record(self, rows: int) -> Packed[Record]:
        return Packed(array_record(rows, MOST_EVENTS))

    def history(self, cases: Sequence[Case], recorded: Recorded) -> History:
        """The columns of runs of one diagram, as a single run has them; profiles are not recorded."""
        diagram = diagram_of(cases[0])
        return History(cases, self.tables[diagram], self.properties, self.regimes[diagram], recorded, 0)

    def result(self, case: Case) -> Result:
        """The result of one case as a single run has it, but for the profile of alpha, which is not recorded."""
        return result_of(self.history([case], self.integrate(case)))

    def problem(self, case: Case) -> Problem:
        """The problem of a case."""
        settings = _quickened(settings_of(case)) if self.quick else settings_of(case)
        return self._builders[diagram_of(case)].build(case.strand, case.schedule, case.kinetics, settings)


@lru_cache(maxsize=64)
def _quickened(settings: Settings) -> Settings:
    """Settings of a run in a quick batch."""
    tolerance = max(settings.tolerance, QUICK_TOLERANCE)
    return replace(settings, tolerance=tolerance, sparing=True, longest_step=np.inf, widest_step=WIDEST_QUICK_STEP)


def diagram_of(case: Case) -> Diagram:
    """What the phase table of a case depends on."""
    return case.description, case.eta_limit_K


def _regimes(table: PhaseTable, diagram: Diagram, cases: Sequence[Case], made: Regimes | None) -> Regimes:
    """Regimes over all temperatures that the cases of one diagram touch; those `made` of its table if they serve."""
    touched = [case.schedule.temperature for case in cases if diagram_of(case) == diagram]
    low, high = min(float(t.min()) for t in touched), max(float(t.max()) for t in touched)
    if made is not None and made.edges[0] <= low < made.edges[1] and made.edges[-2] <= high < made.edges[-1]:
        return made
    return build_regimes(table, low, high)


def default_workers() -> int:
    """Threads that this machine serves well."""
    return max(1, len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else (os.cpu_count() or 1))


__all__ = [
    "PRECISIONS", "QUICK_TOLERANCE", "Answers", "Progress", "Shared",
    "answers_dataset", "default_workers", "run_batch", "simulate_many",
]  # fmt: skip
