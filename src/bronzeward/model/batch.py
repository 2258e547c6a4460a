"""Many cases in one call: the answers of each, computed by the compiled engine on several threads.

A batch gives the answers a single run gives (`answers.NUMBERS`), not its history. Tables, regimes and
properties are read once and shared, each thread keeps its work space, and the compiled engine lets go
of the interpreter lock, so two threads do nearly twice the work of one.
"""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, replace
from itertools import islice
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from bronzeward.errors import InputError
from bronzeward.files import cache_folder
from bronzeward.growth.compiled import array_record, array_work, run_compiled, source_digest
from bronzeward.growth.problem import DONE, STATUS, STATUS_TEXT, Problem, Record, Work
from bronzeward.growth.slots import N_SLOTS, SLOT_LABELS, WIDE
from bronzeward.inputs.case import Case, Numerics
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.kinetics import Constant, KineticSet, load_set
from bronzeward.materials.phases import LIQUID, SOLID_TIN
from bronzeward.materials.properties import Properties, load_properties
from bronzeward.model.answers import NUMBERS, numbers
from bronzeward.model.boundary_tables import NODES, Regimes, build_regimes
from bronzeward.model.layers import COLUMN, by_phase
from bronzeward.model.problem_builder import (
    Settings,
    cell_edges,
    cut_schedule,
    initial_amounts,
    rates,
    slot_volumes,
    zone_table,
)
from bronzeward.model.provenance import basis
from bronzeward.model.result import cf_attributes, without_fill
from bronzeward.model.simulation import FEWEST_POINTS, WIDEST_STEP, Recorded, event_name, read_record, stored_times
from bronzeward.model.volume_account import cavity, contents, core_volume
from bronzeward.thermo import load_table

if TYPE_CHECKING:
    import xarray as xr

Answers = dict[str, NDArray[np.float64]]
Progress = Callable[[int, int], None]

QUICK_TOLERANCE = 1e-3
"""Relative error of a step in a quick batch.

With it and `QUICK_CELLS`, 24 random cases between 240 and 650 C came out within 5e-4 (thicknesses) and 2e-4
(shares) of runs at 1e-6, in a fifth of the time; `tests/benchmarks/batch_speed.py` measures it again.
"""

QUICK_CELLS = 20
"""Most cells of the profile in alpha in a quick batch."""

PRECISIONS = ("run", "quick")

CHUNK = 16
"""Runs that one thread takes at a time."""

STOPPED = len(STATUS_TEXT)
"""Status of a run that ended in an arithmetic error."""

_MAX_ROWS = 20000
_MAX_EVENTS = 400


def run_batch(
    cases: Sequence[Case], workers: int = 2, progress: Progress | None = None, precision: str = "run"
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
        error of `QUICK_TOLERANCE`, takes at most `QUICK_CELLS` cells in alpha and no step for recording's
        sake; its answers agree within a thousandth, far inside what the constants leave open.

    Returns
    -------
    dict of ndarray, shape (n,)
        Every answer of `answers.NUMBERS` in SI units, nan where a run has no such moment; and `status`,
        0 where a run completed, else its code in `growth.problem.STATUS_TEXT` or `STOPPED`; its answers
        are then nan.
    """
    checked_workers(workers)
    found = {name: np.full(len(cases), np.nan) for name in (*NUMBERS, "status")}
    if not len(cases):
        return found
    shared = Shared(cases, precision)
    warm_engine()
    done = 0
    for start, part in shared.parts(cases, workers):
        for name, column in part.items():
            found[name][start : start + len(column)] = column
        done += len(part["status"])
        if progress is not None:
            progress(done, len(cases))
    return found


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
    found = run_batch(cases, workers, progress, precision)
    return answers_dataset(found, coordinates, basis(chosen, load_table(description)))


def answers_dataset(
    found: Mapping[str, NDArray[np.float64]], coordinates: Mapping[str, Any], attributes: Mapping[str, Any]
) -> xr.Dataset:
    """Answers, one after the other in C order over `coordinates`, as an `xarray.Dataset` with more `attributes`."""
    import xarray as xr

    dims = tuple(coordinates)
    shape = tuple(len(coordinates[dim]) for dim in dims)
    columns = {
        name: (dims, np.asarray(found[name]).reshape(shape), {"units": unit, "long_name": text})
        for name, (unit, text) in NUMBERS.items()
    }
    status = np.asarray(found["status"]).reshape(shape)
    columns["status"] = (dims, status, {"long_name": "0 where the run completed"})
    about = {dim: {"long_name": dim.replace("_", " ")} for dim in dims}
    named = {dim: ((dim,), list(values), about[dim]) for dim, values in coordinates.items()}
    return without_fill(xr.Dataset(columns, named, {**cf_attributes("answers"), **attributes}))


def _named(things: Any) -> dict[str, Any]:
    if isinstance(things, Mapping):
        return dict(things)
    return {str(k): thing for k, thing in enumerate(things, start=1)}


def checked_workers(workers: int) -> int:
    """The number of threads, if it is one."""
    if isinstance(workers, bool) or not isinstance(workers, int) or not 1 <= workers <= 1024:
        raise InputError(f"batch: workers is {workers!r}; allowed are whole numbers from 1 to 1024")
    return workers


_ready = threading.Event()


def warm_engine(say: Callable[[str], None] | None = None) -> None:
    """Load the compiled engine, compiling it when this has not been done before; say so when it has to."""
    if _ready.is_set():
        return
    kept = cache_folder() / f"engine-{source_digest()}"
    if not any(kept.rglob("*.nbi")):
        message = "compiling the growth engine, once, in about half a minute ..."
        (say or _to_stderr)(message)
    strand = Strand.round(20.0, 40.0)
    plan = Schedule.start(20).ramp(1000, to=60)
    case = Case(strand, plan, load_set())
    shared = Shared([case], "quick")
    shared.answers([case])
    _ready.set()


def _to_stderr(message: str) -> None:
    print(message, file=sys.stderr, flush=True)


@dataclass(frozen=True)
class _Geometry:
    """What a problem takes from its strand."""

    fields: dict[str, Any]
    amount: NDArray[np.float64]
    tin: NDArray[np.float64]


class Shared:
    """What the runs of a batch have in common: tables by description, and parts of problems by object.

    Cases must not be changed while it lives; strands, schedules and sets used by several cases are
    prepared once.
    """

    def __init__(self, cases: Sequence[Case], precision: str) -> None:
        if precision not in PRECISIONS:
            raise InputError(f"batch: precision is {precision!r}; allowed: {', '.join(PRECISIONS)}")
        self.quick = precision == "quick"
        self.properties: Properties = load_properties()
        self.volumes, self.slopes = slot_volumes(self.properties)
        self.regimes = {name: _regimes(name, cases) for name in sorted({case.description for case in cases})}
        self._geometry: dict[int, tuple[Strand, _Geometry]] = {}
        self._pieces: dict[tuple[int, str], tuple[Schedule, dict[str, Any]]] = {}
        self._factor: dict[Any, NDArray[np.float64]] = {}
        self._grids: dict[tuple[int, int], dict[str, Any]] = {}
        self._room = threading.local()

    def parts(self, cases: Sequence[Case], workers: int) -> Iterator[tuple[int, Answers]]:
        """Answers of chunks of cases as they are done: (index of the first, answers)."""
        starts = iter(range(0, len(cases), CHUNK))
        if workers == 1 or len(cases) <= CHUNK:
            for start in starts:
                yield start, self.answers(cases[start : start + CHUNK])
            return
        with ThreadPoolExecutor(workers) as pool:
            waiting: dict[Future[Answers], int] = {}
            try:
                while True:
                    for start in islice(starts, 2 * workers - len(waiting)):
                        waiting[pool.submit(self.answers, cases[start : start + CHUNK])] = start
                    if not waiting:
                        return
                    for future in wait(waiting, return_when=FIRST_COMPLETED).done:
                        yield waiting.pop(future), future.result()
            finally:
                for future in waiting:
                    future.cancel()

    def answers(self, cases: Sequence[Case]) -> Answers:
        """Answers of a few cases, computed one after the other."""
        found = {name: np.full(len(cases), np.nan) for name in (*NUMBERS, "status")}
        for k, case in enumerate(cases):
            recorded = self.integrate(case)
            if recorded.counts[STATUS] != DONE and self.quick:
                recorded = self.integrate(case, careful=True)
            found["status"][k] = recorded.counts[STATUS]
            if recorded.counts[STATUS] == DONE:
                for name, value in numbers(self.history(case, recorded)).items():
                    found[name][k] = value
        return found

    def integrate(self, case: Case, careful: bool = False) -> Recorded:
        """Integrate one case with the compiled engine; `careful` takes the case's own tolerance in a quick batch."""
        problem = self.problem(case)
        if careful:
            problem = problem._replace(tolerance=case.numerics.tolerance)
        work, record = self._room_for(problem.n_cells)
        try:
            run_compiled(problem, work, record, str(cache_folder()))
        except ZeroDivisionError:  # one case in very many must not end the others
            record.count[STATUS] = STOPPED
        return read_record(record, 0)

    def _room_for(self, n_cells: int) -> tuple[Work, Record]:
        """Work space and record of this thread."""
        kept: dict[int, tuple[Work, Record]] = self._room.__dict__.setdefault("kept", {})
        if n_cells not in kept:
            kept[n_cells] = (array_work(n_cells), array_record(_MAX_ROWS, _MAX_EVENTS))
        return kept[n_cells]

    def history(self, case: Case, recorded: Recorded) -> dict[str, Any]:
        """The variables that the answers are taken from, as `simulate` computes them."""
        regimes = self.regimes[case.description]
        liquid = regimes.liquid_core[recorded.regime].astype(bool)
        layers = by_phase(case.strand, recorded.amount, recorded.tin, liquid, self.volumes, self.slopes)
        atoms, tin = layers.amount.sum(axis=1), layers.tin.sum(axis=1)
        start_tin, start_copper = float(tin[0]), float(atoms[0] - tin[0])
        pores = case.strand.core_area * case.strand.porosity
        volume = contents(self.properties, recorded.temperature, layers.amount, layers.tin)
        room = cavity(self.properties, recorded.temperature, start_tin, start_copper, pores)
        core = core_volume(self.properties, start_tin, pores)
        molten, solid = COLUMN[LIQUID], COLUMN[SOLID_TIN]
        return {
            "time": stored_times(recorded.time),
            "temperature": recorded.temperature,
            "tin_fraction": layers.tin / tin[:, None],
            "liquid_mole_fraction": layers.amount[:, molten] / atoms,
            "liquid_tin_fraction": layers.tin[:, molten] / tin,
            "shell_thickness": layers.shell,
            "tin_used": 1.0 - (layers.tin[:, molten] + layers.tin[:, solid]) / tin,
            "overfill": (volume.sum(axis=1) - room) / core,
            "event_name": [event_name(row) for row in recorded.events],
            "event_row": recorded.events[:, 4].astype(np.int64),
        }

    def problem(self, case: Case) -> Problem:
        """The problem of a case, put together from parts prepared before; as `assemble.build_problem` builds it."""
        settings = self._settings(case)
        regimes = self.regimes[case.description]
        geometry = self._geometry_of(case.strand)
        return Problem(
            **geometry.fields,
            present=regimes.present.ravel(),
            liquid_core=regimes.liquid_core,
            table_start=regimes.edges[:-1].copy(),
            table_step=np.diff(regimes.edges) / (NODES - 1),
            nodes=NODES,
            x_in=regimes.x_in.ravel(),
            x_out=regimes.x_out.ravel(),
            **self._rates(case.kinetics, case.description),
            wide=np.array(WIDE, dtype=np.int64),
            volume=np.array(self.volumes),
            volume_slope=np.array(self.slopes),
            **self._grid(settings),
            **self._pieces_of(case.schedule, case.description),
            amount=geometry.amount,
            tin=geometry.tin,
            seed=settings.seed,
            tolerance=settings.tolerance,
            floor=settings.floor,
            longest_step=float(settings.longest_step),
            widest_step=float(settings.widest_step),
        )

    def _settings(self, case: Case) -> Settings:
        n = case.numerics
        settings = Settings(n.tolerance, n.seed_nm * 1e-9, n.alpha_cells, n.inner_cells)
        if self.quick:
            cells = min(n.alpha_cells, QUICK_CELLS)
            return replace(settings, tolerance=max(n.tolerance, QUICK_TOLERANCE), alpha_cells=cells)
        longest = float(case.schedule.time[-1]) / FEWEST_POINTS
        return replace(settings, longest_step=longest, widest_step=WIDEST_STEP)

    def _geometry_of(self, strand: Strand) -> _Geometry:
        kept = self._geometry.get(id(strand))
        if kept is None:
            fields: dict[str, Any] = {name: np.array(column) for name, column in zone_table(strand).items()}
            fields["plane"] = int(strand.plane)
            fields["area"] = strand.copper_area + strand.core_area
            fields["perimeter"] = 1.0 if strand.plane else 2.0 * np.pi * strand.core_radius
            kept = self._geometry[id(strand)] = (strand, _Geometry(fields, *initial_amounts(strand, self.volumes)))
        return kept[1]

    def _pieces_of(self, schedule: Schedule, description: str) -> dict[str, Any]:
        kept = self._pieces.get((id(schedule), description))
        if kept is None:
            pieces = cut_schedule(schedule, self.regimes[description])
            fields = {
                "time": pieces.time, "temperature_start": pieces.start,
                "temperature_end": pieces.end, "regime": pieces.regime,
            }  # fmt: skip
            kept = self._pieces[id(schedule), description] = (schedule, fields)
        return kept[1]

    def _grid(self, settings: Settings) -> dict[str, Any]:
        key = (settings.alpha_cells, settings.inner_cells)
        if key not in self._grids:
            cells, first, edges = cell_edges(settings)
            self._grids[key] = {
                "cells": np.array(cells, dtype=np.int64), "cell_start": np.array(first, dtype=np.int64),
                "edge": np.array(edges), "n_cells": sum(cells),
            }  # fmt: skip
        return self._grids[key]

    def _rates(self, kinetics: KineticSet, description: str) -> dict[str, Any]:
        """As `assemble.rates`, with the table of thermodynamic factors made once for sets of one kind."""
        plain = {(c.phase, c.contact): c for c in kinetics.constants}
        key = (description, tuple(_shape(plain[label, "any"]) for label in SLOT_LABELS[1:]))
        if key not in self._factor:
            self._factor[key] = np.asarray(rates(kinetics, self.regimes[description])["factor"])
        columns = np.zeros((5, N_SLOTS))
        for slot, label in enumerate(SLOT_LABELS[1:], start=1):
            own = plain[label, "any"]
            wetted = plain.get((label, "liquid"), own)
            columns[:, slot] = own.prefactor, own.activation, wetted.prefactor, wetted.activation, own.exponent
        names = ("rate0", "activation", "rate0_liquid", "activation_liquid", "exponent")
        return {**dict(zip(names, columns, strict=True)), "factor": self._factor[key]}


def _shape(constant: Constant) -> tuple[Any, ...]:
    """What the table of factors takes from a constant: whether D needs one, and further terms over the first."""
    further = ((float(f"{a / constant.prefactor:.12g}"), round(e - constant.activation, 6)) for a, e in constant.terms)
    return (constant.thermodynamic, *further)


def _regimes(description: str, cases: Sequence[Case]) -> Regimes:
    """Regimes over all temperatures that the cases of one description touch."""
    mine = [case.schedule.temperature for case in cases if case.description == description]
    table: Any = load_table(description)
    return build_regimes(table, min(float(t.min()) for t in mine), max(float(t.max()) for t in mine))


def default_workers() -> int:
    """Threads that this machine serves well."""
    return max(1, len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else (os.cpu_count() or 1))


__all__ = [
    "PRECISIONS", "QUICK_TOLERANCE", "Answers", "Progress", "Shared",
    "answers_dataset", "default_workers", "run_batch", "simulate_many", "warm_engine",
]  # fmt: skip
