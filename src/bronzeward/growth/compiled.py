"""The same engine compiled with numba, for many runs at once.

Every function of this package is made known to the compiler as it stands, so the compiled run and the
interpreted one are the same lines. Compiling takes half a minute once; the result is kept on disk in a
folder named after the content of these lines, so that a changed engine is never run from an old cache.

Inside the compiled code the problem, work space and record are passed by reference (numba's struct
references, with the fields of the named tuples): passing the named tuples themselves would copy some
five hundred numbers at every call.
"""

from __future__ import annotations

import hashlib
import inspect
from functools import cache
from pathlib import Path
from types import FunctionType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bronzeward.growth import balance, cells, changes, engine, geometry, predict, profile, state, step
from bronzeward.growth.problem import EVENT_WIDTH, N_COUNTS, ROW_WIDTH, Problem, Record, Work, new_work
from bronzeward.growth.slots import N_SLOTS

_MODULES = (geometry, state, profile, balance, predict, step, cells, changes, engine)

_ENTRY = """
def entry(problem, work, record):
    integrate(NewProblem({problem}), NewWork({work}), NewRecord({record}))
"""


def array_work(n_cells: int) -> Work:
    """Work space of numpy arrays."""

    def zeros(count: int) -> NDArray[np.float64]:
        return np.zeros(count)

    return new_work(n_cells, zeros)._replace(sequence=np.zeros(N_SLOTS, dtype=np.int64))


def array_record(rows: int, events: int, n_cells: int = 0) -> Record:
    """An empty record; with `n_cells` it keeps the profiles too."""
    counts = np.zeros(N_COUNTS, dtype=np.int64)
    return Record(np.zeros(rows * ROW_WIDTH), np.zeros(rows * n_cells), np.zeros(events * EVENT_WIDTH), counts)


def source_digest() -> str:
    """Short hash of the engine's source and of the versions that compile it."""
    import llvmlite
    import numba

    text = "".join(Path(str(module.__file__)).read_text("utf-8") for module in _MODULES)
    text += "".join(Problem._fields + Work._fields + Record._fields) + numba.__version__ + llvmlite.__version__
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _reference_type(name: str, fields: tuple[str, ...]) -> Any:
    """A constructor, usable in compiled code, of a struct passed by reference."""
    from numba import types
    from numba.experimental import structref

    def plain_fields(_self: Any, given: Any) -> Any:
        return tuple((key, types.unliteral(kind)) for key, kind in given)

    kind = structref.register(type(f"{name}Type", (types.StructRef,), {"preprocess_fields": plain_fields}))
    constructor = type(name, (), {})
    structref.define_constructor(constructor, kind, list(fields))
    return constructor


def _register_functions() -> None:
    from numba.extending import register_jitable

    for module in _MODULES:
        for value in vars(module).values():
            if isinstance(value, FunctionType) and inspect.getmodule(value) is module:
                register_jitable(value)


def _entry_function(folder: Path | None) -> Any:
    """The Python function to compile; written to the cache folder, since numba caches by file."""
    names = {
        "__name__": __name__,
        "integrate": engine.integrate,
        "NewProblem": _reference_type("NewProblem", Problem._fields),
        "NewWork": _reference_type("NewWork", Work._fields),
        "NewRecord": _reference_type("NewRecord", Record._fields),
    }
    source = _ENTRY.format(
        problem=", ".join(f"problem.{name}" for name in Problem._fields),
        work=", ".join(f"work.{name}" for name in Work._fields),
        record=", ".join(f"record.{name}" for name in Record._fields),
    )
    path = "<bronzeward entry>"
    if folder is not None:
        path = str(folder / "entry.py")
        if not Path(path).exists():
            Path(path).write_text(source, encoding="utf-8")
    exec(compile(source, path, "exec"), names)
    return names["entry"]


@cache
def compiled_integrate(cache_folder: str = "") -> Any:
    """The compiled `engine.integrate`; kept in `cache_folder` when that is given and can be written."""
    import numba

    _register_functions()
    folder = Path(cache_folder) / f"engine-{source_digest()}" if cache_folder else None
    if folder is not None:
        try:
            folder.mkdir(parents=True, exist_ok=True)
            return _compile(numba, folder)
        except OSError:
            pass
    return numba.njit(_entry_function(None), nogil=True)


def _compile(numba: Any, folder: Path) -> Any:
    previous = numba.config.CACHE_DIR
    numba.config.CACHE_DIR = str(folder)
    try:
        return numba.njit(_entry_function(folder), cache=True, nogil=True)
    finally:
        numba.config.CACHE_DIR = previous


def run_compiled(problem: Problem, work: Work, record: Record, cache_folder: str = "") -> None:
    """Integrate one problem of arrays; work space and record may have served before."""
    for used in (*work, record.count):
        used[:] = 0
    compiled_integrate(cache_folder)(problem, work, record)
