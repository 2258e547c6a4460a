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
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from functools import cached_property
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zipfile import BadZipFile

import numpy as np
from numpy.typing import NDArray

import bronzeward
from bronzeward.errors import InputError
from bronzeward.growth.compiled import source_digest
from bronzeward.inputs.case import Case
from bronzeward.inputs.case_values import Axis, case_with
from bronzeward.model.answers import ANSWERS
from bronzeward.model.batch import Progress, checked_workers, run_batch
from bronzeward.model.provenance import provenance
from bronzeward.model.result import cf_attributes, without_fill
from bronzeward.studies.uncertainty import Members, Spread, quantiles
from bronzeward.thermo import load_table

if TYPE_CHECKING:
    import xarray as xr

RUNS_PER_CHUNK = 512
"""About this many runs make a chunk: small enough to lose little, large enough for all threads."""

MOST_POINTS = 1_000_000

#: What is kept of each answer at each point with a band; without one, only the first.
KEPT = ("", "_low", "_high", "_present")

Found = dict[str, NDArray[np.float64]]


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
    plan = _Plan(case, tuple(axes), spread, precision, checked_workers(workers), runs_per_chunk)
    store = None if parts is None else _Store(Path(parts) / plan.digest)
    found = plan.empty()
    missing = set(range(plan.count))
    for points, part in () if store is None else store.read():
        plan.fill(found, points, part)
        missing -= set(points)
    runs = 1 if spread is None else spread.size
    if progress is not None:
        progress((plan.count - len(missing)) * runs, plan.count * runs)
    jobs = list(plan.jobs(sorted(missing)))
    done_before = plan.count - len(missing)
    watch = _Watch(progress, done_before * runs, plan.count * runs)
    for job, part in _computed(jobs, scheduler, watch):
        if store is not None:
            store.write(job.points, part)
        plan.fill(found, job.points, part)
    return plan.dataset(found)


class _Watch:
    """Turns the progress of a chunk into that of the sweep."""

    def __init__(self, progress: Progress | None, done: int, total: int) -> None:
        self.progress, self.done, self.total = progress, done, total

    def within(self, done: int, _total: int) -> None:
        if self.progress is not None:
            self.progress(self.done + done, self.total)

    def finished(self, job: Job) -> None:
        self.done += len(job.points) * (1 if job.spread is None else job.spread.size)
        self.within(0, 0)


def _computed(jobs: Sequence[Job], scheduler: str | None, watch: _Watch) -> Iterator[tuple[Job, Found]]:
    """Chunks as they are done."""
    if scheduler is not None:
        from bronzeward.studies.dask_cluster import computed

        for number_, part in computed(scheduler, evaluate, jobs):
            watch.finished(jobs[number_])
            yield jobs[number_], part
        return
    for job in jobs:
        part = evaluate(job, watch.within)
        watch.finished(job)
        yield job, part


def evaluate(job: Job, progress: Callable[[int, int], None] | None = None) -> Found:
    """Answers at the points of a job, each of shape (n_points,)."""
    inputs = json.loads(job.inputs)
    cases: list[Case] = []
    sizes: list[int] = []
    for point in job.points:
        case = _case_at(inputs, job.axes, point)
        members = [case] if job.spread is None else list(Members(case, job.spread))
        cases += members
        sizes.append(len(members))
    answers = run_batch(cases, job.workers, progress, job.precision)
    if job.spread is None:
        return {name: answers[name] for name in (*ANSWERS, "status")}
    found = {name + end: np.empty(len(sizes)) for name in ANSWERS for end in KEPT}
    found["status"] = np.empty(len(sizes))
    edges = np.cumsum([0, *sizes])
    for k, (first, last) in enumerate(pairwise(edges)):
        for name in ANSWERS:
            mine = answers[name][first:last]
            (low, middle, high), _, _ = quantiles(mine)
            for end, value in zip(KEPT, (middle, low, high, np.isfinite(mine).mean()), strict=True):
                found[name + end][k] = value
        found["status"][k] = np.count_nonzero(answers["status"][first:last])
    return found


def values_at(axes: Sequence[Axis], point: int) -> dict[str, float]:
    """The values of a point, counted with the last axis fastest, by path."""
    places = np.unravel_index(point, tuple(len(axis.values) for axis in axes))
    return {path: axis.values[int(k)] for axis, k in zip(axes, places, strict=True) for path in axis.paths}


def _case_at(inputs: Mapping[str, Any], axes: Sequence[Axis], point: int) -> Case:
    values = values_at(axes, point)
    try:
        return case_with(inputs, values)
    except InputError as error:
        where = ", ".join(f"{path} = {value:g}" for path, value in values.items())
        raise InputError(f"sweep: at {where}: {error}") from None


class _Plan:
    """What a sweep consists of."""

    def __init__(
        self, case: Case, axes: tuple[Axis, ...], spread: Spread | None, precision: str, workers: int, chunk: int
    ) -> None:
        if not axes:
            raise InputError("sweep: nothing to vary; give at least one value with its range")
        names = [axis.name for axis in axes]
        paths = [path for axis in axes for path in axis.paths]
        if len(set(names)) != len(names) or len(set(paths)) != len(paths):
            raise InputError("sweep: a value is given twice")
        self.shape = tuple(len(axis.values) for axis in axes)
        self.count = int(np.prod(self.shape))
        if self.count > MOST_POINTS:
            raise InputError(f"sweep: {self.count} points; allowed are at most {MOST_POINTS}")
        self.case, self.axes, self.spread, self.precision, self.workers = case, axes, spread, precision, workers
        self.points_per_chunk = max(1, chunk // (1 if spread is None else spread.size))
        self.inputs = json.dumps(case.to_data(), sort_keys=True)
        for point in {0, self.count - 1}:  # bad paths and values show at once, not after an hour
            _case_at(json.loads(self.inputs), axes, point)

    @cached_property
    def digest(self) -> str:
        """Short hash of everything the answers depend on."""
        axes = [asdict(axis) for axis in self.axes]
        spread = None if self.spread is None else asdict(self.spread)
        depends = [bronzeward.__version__, source_digest(), self.inputs, axes, spread, self.precision]
        # a kinetic file or a description may change while its name stays
        depends += [repr(self.case.kinetics), load_table(self.case.description).tdb_sha256]
        return hashlib.sha256(json.dumps(depends, sort_keys=True).encode()).hexdigest()[:16]

    def empty(self) -> Found:
        ends = KEPT if self.spread is not None else KEPT[:1]
        names = [name + end for name in ANSWERS for end in ends]
        return {name: np.full(self.count, np.nan) for name in (*names, "status")}

    def jobs(self, points: Sequence[int]) -> Iterator[Job]:
        for start in range(0, len(points), self.points_per_chunk):
            some = tuple(points[start : start + self.points_per_chunk])
            yield Job(self.inputs, self.axes, some, self.spread, self.precision, self.workers)

    @staticmethod
    def fill(found: Found, points: Sequence[int], part: Found) -> None:
        for name, column in part.items():
            found[name][list(points)] = column

    def dataset(self, found: Found) -> xr.Dataset:
        import xarray as xr

        dims = tuple(axis.name for axis in self.axes)
        columns: dict[str, Any] = {}
        for name, column in found.items():
            columns[name] = (dims, column.reshape(self.shape), _about(name))
        coordinates = {
            axis.name: (
                (axis.name,),
                np.array(axis.values),
                {"long_name": ", ".join(axis.paths), "path": ", ".join(axis.paths)},
            )
            for axis in self.axes
        }
        spread = "none" if self.spread is None else json.dumps(asdict(self.spread))
        attributes = {
            **cf_attributes(self.case.title or "sweep"),
            **provenance(self.case),
            "spread": spread,
            "precision": self.precision,
            "digest": self.digest,
        }
        return without_fill(xr.Dataset(columns, coordinates, attributes))


def _about(name: str) -> dict[str, str]:
    for base, answer in ANSWERS.items():
        if name == base:
            return {"units": answer.unit, "long_name": answer.text}
        if name == f"{base}_present":
            return {"units": "1", "long_name": f"share of members with: {answer.text}"}
        if name in (f"{base}_low", f"{base}_high"):
            level = "5" if name.endswith("low") else "95"
            return {"units": answer.unit, "long_name": f"{answer.text}, {level} % quantile"}
    return {"long_name": "runs that did not complete"}


class _Store:
    """Finished chunks in a folder, one file each."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._make()

    def _make(self) -> None:
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(f"{self.folder}: cannot be made ({error.strerror or error})") from None

    def read(self) -> Iterator[tuple[list[int], Found]]:
        """Whatever is there; a damaged file counts as missing."""
        for path in sorted(self.folder.glob("part-*.npz")):
            try:
                with path.open("rb") as file, np.load(file) as data:
                    columns = {name: np.array(data[name], dtype=float) for name in data.files if name != "points"}
                    points = [int(k) for k in data["points"]]
            except (OSError, ValueError, KeyError, EOFError, BadZipFile):
                continue
            yield points, columns

    def write(self, points: Sequence[int], part: Found) -> None:
        """Keep a finished chunk, also when another process has finished the same sweep and removed the folder."""
        for _ in range(10):
            self._make()
            with suppress(FileNotFoundError):
                return self._write(points, part)
        raise InputError(f"{self.folder}: is removed again and again while it is written to")

    def _write(self, points: Sequence[int], part: Found) -> None:
        target = self.folder / f"part-{points[0]:07d}-{len(points)}.npz"
        temporary = ""
        try:
            handle, temporary = tempfile.mkstemp(prefix=".part-", suffix=".npz", dir=self.folder)
            with os.fdopen(handle, "wb") as file:
                np.savez(file, points=np.array(points), **part)  # type: ignore[arg-type]
            os.replace(temporary, target)
        except FileNotFoundError:
            raise
        except OSError as error:
            raise InputError(f"{target}: cannot be written ({error.strerror or error})") from None
        finally:
            if temporary:
                Path(temporary).unlink(missing_ok=True)


def clear_parts(parts: str | Path, data: xr.Dataset) -> None:
    """Remove the finished chunks of a sweep whose result is stored elsewhere."""
    folder = Path(parts)
    shutil.rmtree(folder / str(data.attrs["digest"]), ignore_errors=True)
    with suppress(OSError):  # kept while it holds another sweep; gone if another process was faster
        folder.rmdir()


def parts_of(target: Path) -> Path:
    """The folder for chunks of a sweep that will be written to `target`."""
    return target.with_name(f".{target.name}.parts")


def clear_finished(target: Path) -> None:
    """Remove chunks whose sweep is in `target` already: it was stopped between writing that and clearing them."""
    import xarray as xr

    if not (target.is_file() and parts_of(target).is_dir()):
        return
    with suppress(OSError, ValueError, RuntimeError), xr.open_dataset(target, engine="netcdf4") as data:
        # whatever the file says, nothing is removed but what lies in that folder
        if data.attrs.get("digest") in os.listdir(parts_of(target)):
            clear_parts(parts_of(target), data)
