"""Sweeps: the answers of a case over ranges of its values, with bands if asked for, resumable.

The points of a sweep are computed in chunks, and each chunk is stored as a small file in a folder named
after everything the answers depend on. When the same sweep is started again, chunks that are there are
read instead of computed. Every point is computed for itself, so the answers depend neither on chunks
nor on order nor on the number of workers; the same random numbers serve all points, so differences
between points are not noise.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

import bronzeward
from bronzeward.errors import InputError
from bronzeward.growth.compiled import source_digest
from bronzeward.inputs.case import Case
from bronzeward.inputs.case_values import Axis, Value, case_with, words
from bronzeward.model.answers import ANSWERS
from bronzeward.model.batch import Answers, Progress, checked_workers, run_batch
from bronzeward.model.provenance import provenance, rests_on
from bronzeward.model.ready_engine import warm_engine
from bronzeward.model.result import cf_attributes, without_fill
from bronzeward.studies import side_by_side
from bronzeward.studies.chunk_store import Chunks, Columns
from bronzeward.studies.ensemble import Members, Spread
from bronzeward.studies.quantiles import quantiles
from bronzeward.thermo import load_table

if TYPE_CHECKING:
    import xarray as xr

RUNS_PER_CHUNK = 512
"""About this many runs make a chunk: small enough to lose little, large enough for all threads."""

MANY_CHUNKS = 8
"""With at least so many chunks a thread, each thread computes whole chunks of its own."""

MOST_POINTS = 1_000_000

BANDED = {
    "": "{}", "_low": "{}, 5 % quantile", "_high": "{}, 95 % quantile", "_present": "share of members with: {}",
}  # fmt: skip
"""What is kept of each answer at each point with a band, and how it is called; without one, only the first."""


@dataclass(frozen=True)
class Job:
    """Some points of a sweep, as plain data that can be sent to another machine."""

    inputs: str
    axes: tuple[Axis, ...]
    points: tuple[int, ...]
    spread: Spread | None
    precision: str
    workers: int


def sweep(
    case: Case,
    axes: Sequence[Axis],
    spread: Spread | None = None,
    workers: int = 2,
    progress: Progress | None = None,
    parts: str | Path | None = None,
    precision: str = "quick",
    runs_per_chunk: int = RUNS_PER_CHUNK,
    scheduler: str | None = None,
) -> xr.Dataset:
    """Answers of a case over ranges of its values.

    Parameters
    ----------
    case : Case
    axes : sequence of Axis
        The values to vary; every combination is computed.
    spread : Spread, optional
        Computes a band at every point.
    workers : int
        Threads; with `scheduler` the threads of each worker.
    progress : callable, optional
        progress(done, total) in runs.
    parts : path, optional
        Folder that keeps finished chunks; made if missing. Without it an interrupted sweep starts again.
    precision : str
        "quick" or "run", see `batch.run_batch`.
    scheduler : str, optional
        Address of a Dask scheduler whose workers compute the chunks; needs `bronzeward[cluster]`.

    Returns
    -------
    xarray.Dataset
        SI units. Each answer over the axes, in their order; with a band the median, and beside it A_low
        and A_high (5 and 95 %) and A_present (share of members that have such a moment).
    """
    plan = _Plan(case, tuple(axes), spread, precision, checked_workers(workers))
    chunks = None if parts is None else Chunks(Path(parts) / plan.digest)
    columns = plan.empty()
    missing = set(range(plan.count))
    for points, part in () if chunks is None else chunks.read():
        _fill(columns, points, part)
        missing -= set(points)
    counter = _Counter(progress, (plan.count - len(missing)) * plan.runs, plan.count * plan.runs)
    for job, part in _computed(plan.jobs(sorted(missing), runs_per_chunk), workers, scheduler, counter):
        if chunks is not None:
            chunks.write(job.points, part)
        _fill(columns, job.points, part)
        counter.add(len(job.points) * plan.runs)
    return plan.dataset(columns)


class _Counter:
    """Runs done of all runs of a sweep, told to whoever watches."""

    def __init__(self, progress: Progress | None, done: int, total: int) -> None:
        self.progress, self.done, self.total = progress, done, total
        self.within(0)

    def within(self, runs: int, _: int = 0) -> None:
        """Tell of some runs of a chunk that is not finished."""
        if self.progress is not None:
            self.progress(self.done + runs, self.total)

    def add(self, runs: int) -> None:
        """Count the runs of a finished chunk."""
        self.done += runs
        self.within(0)


def _computed(
    jobs: Sequence[Job], workers: int, scheduler: str | None, counter: _Counter
) -> Iterator[tuple[Job, Columns]]:
    """Chunks as they are done: one after the other, each on all threads, where there are few; else one a thread."""
    if scheduler is not None:
        from bronzeward.studies.dask_cluster import computed

        for place, part in computed(scheduler, evaluate, jobs):
            yield jobs[place], part
    elif workers == 1 or len(jobs) < MANY_CHUNKS * workers:
        for job in jobs:
            yield job, evaluate(job, counter.within)
    else:
        warm_engine()
        alone = [replace(job, workers=1) for job in jobs]
        for place, part in side_by_side.computed(evaluate, alone, workers, counter.within):
            yield jobs[place], part


def evaluate(job: Job, progress: Progress | None = None) -> Columns:
    """Answers at the points of a job, each of shape (n_points,)."""
    inputs = json.loads(job.inputs)
    points = [_case_at(inputs, job.axes, point) for point in job.points]
    cases = points if job.spread is None else [member for case in points for member in Members(case, job.spread)]
    answers = run_batch(cases, job.workers, progress, job.precision)
    return answers if job.spread is None else _banded(answers, job.spread.size)


def _banded(answers: Answers, size: int) -> Columns:
    """Quantiles over the members, which follow each other point by point."""
    columns: Columns = {}
    for name in ANSWERS:
        rows = answers[name].reshape(-1, size)
        low, middle, high = np.transpose([quantiles(row) for row in rows])
        kept = (middle, low, high, np.isfinite(rows).mean(axis=1))
        columns |= {name + end: column for end, column in zip(BANDED, kept, strict=True)}
    return {**columns, "status": np.count_nonzero(answers["status"].reshape(-1, size), axis=1).astype(float)}


def _fill(columns: Columns, points: Sequence[int], part: Columns) -> None:
    for name, values in part.items():
        columns[name][list(points)] = values


def values_at(axes: Sequence[Axis], point: int) -> dict[str, Value]:
    """The values of a point, counted with the last axis fastest, by path."""
    places = np.unravel_index(point, tuple(len(axis.values) for axis in axes))
    return {path: axis.values[int(k)] for axis, k in zip(axes, places, strict=True) for path in axis.paths}


def _case_at(inputs: Mapping[str, object], axes: Sequence[Axis], point: int) -> Case:
    values = values_at(axes, point)
    try:
        return case_with(inputs, values)
    except InputError as error:
        where = ", ".join(f"{path} = {words(value)}" for path, value in values.items())
        raise InputError(f"sweep: at {where}: {error}") from None


@dataclass(frozen=True)
class _Plan:
    """What a sweep consists of."""

    case: Case
    axes: tuple[Axis, ...]
    spread: Spread | None
    precision: str
    workers: int

    def __post_init__(self) -> None:
        if not self.axes:
            raise InputError("sweep: nothing to vary; give at least one value with its range")
        names = [axis.name for axis in self.axes]
        paths = [path for axis in self.axes for path in axis.paths]
        if len(set(names)) != len(names) or len(set(paths)) != len(paths):
            raise InputError("sweep: a value is given twice")
        if self.count > MOST_POINTS:
            raise InputError(f"sweep: {self.count} points; allowed are at most {MOST_POINTS}")
        for point in {0, self.count - 1, *self.named_points}:  # bad paths and values show at once, not after an hour
            load_table(_case_at(json.loads(self.inputs), self.axes, point).description)

    @property
    def shape(self) -> tuple[int, ...]:
        return tuple(len(axis.values) for axis in self.axes)

    @property
    def count(self) -> int:
        return int(np.prod(self.shape))

    @property
    def named_points(self) -> tuple[int, ...]:
        """A point for each name that a set, a file or a description goes by, in the order of the axes."""
        places = [[0] * len(self.axes)]
        for number, axis in enumerate(self.axes):
            some = range(len(axis.values)) if axis.is_text else range(1)
            places = [[*place[:number], k, *place[number + 1 :]] for place in places for k in some]
        return tuple(int(np.ravel_multi_index(place, self.shape)) for place in places)

    @property
    def runs(self) -> int:
        """Runs at each point."""
        return 1 if self.spread is None else self.spread.size

    @cached_property
    def inputs(self) -> str:
        return json.dumps(self.case.to_data(), sort_keys=True)

    @cached_property
    def digest(self) -> str:
        """Short hash of everything the answers depend on."""
        axes = [asdict(axis) for axis in self.axes]
        spread = None if self.spread is None else asdict(self.spread)
        depends = [bronzeward.__version__, source_digest(), self.inputs, axes, spread, self.precision]
        # a kinetic file or a description may change while its name stays
        for case in (self.case, *self._named_cases()):
            depends += [repr(case.kinetics), load_table(case.description).tdb_sha256]
        return hashlib.sha256(json.dumps(depends, sort_keys=True).encode()).hexdigest()[:16]

    def _named_cases(self) -> list[Case]:
        """A case for each combination of names that vary; none where only numbers do."""
        named = self.named_points if any(axis.is_text for axis in self.axes) else ()
        return [_case_at(json.loads(self.inputs), self.axes, point) for point in named]

    def jobs(self, points: Sequence[int], runs_per_chunk: int) -> list[Job]:
        """Jobs that compute the points, in chunks of about so many runs."""
        each = max(1, runs_per_chunk // self.runs)
        chunks = [tuple(points[start : start + each]) for start in range(0, len(points), each)]
        return [Job(self.inputs, self.axes, chunk, self.spread, self.precision, self.workers) for chunk in chunks]

    def _about(self) -> dict[str, dict[str, str]]:
        """Attributes of every variable, by its name."""
        kinds = {"": BANDED[""]} if self.spread is None else BANDED
        about = {
            name + end: {"units": "1" if end == "_present" else answer.unit, "long_name": kind.format(answer.text)}
            for name, answer in ANSWERS.items()
            for end, kind in kinds.items()
        }
        return {**about, "status": {"long_name": "runs that did not complete"}}

    def empty(self) -> Columns:
        """Answers of which nothing is known."""
        return {name: np.full(self.count, np.nan) for name in self._about()}

    def dataset(self, columns: Columns) -> xr.Dataset:
        """The answers over the axes."""
        import xarray as xr

        dims = tuple(axis.name for axis in self.axes)
        variables = {name: (dims, columns[name].reshape(self.shape), about) for name, about in self._about().items()}
        coordinates = {}
        for axis in self.axes:
            paths = ", ".join(axis.paths)
            values = [words(value) for value in axis.values] if axis.is_text else axis.values
            coordinates[axis.name] = ((axis.name,), np.array(values), {"long_name": paths, "path": paths})
        attributes = {
            **cf_attributes(self.case.title or "sweep"),
            **provenance(self.case),
            **(rests_on(named) if (named := self._named_cases()) else {}),
            "spread": "none" if self.spread is None else json.dumps(asdict(self.spread)),
            **({} if self.spread is None else {"caveat": self.spread.caveat()}),
            "precision": self.precision,
            "digest": self.digest,
        }
        return without_fill(xr.Dataset(variables, coordinates, attributes))
