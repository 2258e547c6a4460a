"""The same engine compiled with numba, for many runs at once.

Every function of this package is made known to the compiler as it stands, so the compiled run and the
interpreted one are the same lines. Compiling takes half a minute once; the machine code is kept on disk
in a folder named after the content of these lines, so that a changed engine is never run from an old cache, and
loaded from there without numba (`machine_code`).

The compiled engine takes addresses: of the packed problem, work space and record of each run (`Packed`). It runs
through any number of them without the interpreter's lock. Inside, they are passed by reference (`handles`): passing
the named tuples themselves would copy some five hundred numbers at every call.
"""

from __future__ import annotations

import hashlib
import inspect
import threading
from collections.abc import Sequence
from functools import cache
from importlib.metadata import version
from pathlib import Path
from types import FunctionType
from typing import Any

import numpy as np

from bronzeward import units
from bronzeward.errors import InputError
from bronzeward.growth import (
    balance,
    borders,
    cells,
    changes,
    engine,
    geometry,
    handles,
    machine_code,
    packed,
    predict,
    problem,
    profile,
    reach,
    rows,
    slots,
    state,
    step,
)
from bronzeward.growth.handles import handle_at, word_and_empty
from bronzeward.growth.packed import WORD, WORK_AHEAD, Packed, array_record, array_work, packed_problems
from bronzeward.growth.problem import Problem, Record, Work

_MODULES = (geometry, state, profile, reach, balance, predict, step, cells, changes, borders, engine)

_READ = (problem, slots, units)
"""Whose numbers they read."""

_OPTIONS: dict[str, Any] = {"error_model": "numpy"}
"""Division by zero gives infinity, which the engine refuses as it does any estimate that is not a number."""


@cache
def source_digest() -> str:
    """Short hash of the engine's source and of the versions that compile it."""
    sources = [*(str(module.__file__) for module in (*_MODULES, *_READ, handles, packed, rows)), __file__]
    text = "".join(Path(source).read_text("utf-8") for source in sources)
    text += version("numba") + version("llvmlite")
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def run_many(runs: Sequence[tuple[Packed[Problem], Packed[Work], Packed[Record]]], cache_folder: str = "") -> None:
    """Integrate problems of arrays one after the other: (problem, work space, record) of each.

    A work space may serve several of them, and may have served before, as may a record.

    Raises
    ------
    ArithmeticError
        When a run was given up in the middle of a computation; those after it have not begun.
    """
    for _, _, record in runs:
        record.parts.count[:] = 0
    table = np.array([[part.address for part in run] for run in runs], dtype=np.int64)
    if compiled_integrate(cache_folder)(table.ctypes.data, len(runs)):
        raise ArithmeticError("the compiled engine gave up")


def run_compiled(problem: Problem, work: Work, record: Record, cache_folder: str = "") -> None:
    """Integrate one problem of arrays; work space and record may have served before."""
    run_many([(Packed(problem), Packed(work), Packed(record))], cache_folder)


def kept_code(cache_folder: str) -> Path:
    """The file that keeps the compiled engine for this machine."""
    return Path(cache_folder) / f"engine-{source_digest()}" / f"{machine_code.processor()}.bin"


def is_kept(cache_folder: str) -> bool:
    """Whether the engine need not be compiled."""
    return cache_folder in _loaded or machine_code.is_sound(kept_code(cache_folder))


_one_at_a_time = threading.Lock()
"""Several threads that need the engine compile it once."""

_loaded: dict[str, machine_code.Entry] = {}
"""The compiled engine by the folder it is kept in; a process needs one."""


def load_kept(cache_folder: str) -> machine_code.Entry | None:
    """The compiled engine if it is kept in that folder, or was asked for before."""
    if cache_folder not in _loaded:
        found = machine_code.load(kept_code(cache_folder)) if cache_folder else None
        if found is None:
            return None
        _loaded[cache_folder] = found
    return _loaded[cache_folder]


def compiled_integrate(cache_folder: str = "") -> machine_code.Entry:
    """`engine.integrate` compiled, over a table of addresses; kept in `cache_folder` if that can be written."""
    with _one_at_a_time:
        found = load_kept(cache_folder)
        if found is None:
            found = _loaded[cache_folder] = _compile(kept_code(cache_folder) if cache_folder else None)
    return found


def _compile(kept: Path | None) -> machine_code.Entry:
    import numba
    from numba.core import types

    _register_functions()
    alone: dict[str, Any] = {"no_cpython_wrapper": True, "no_cfunc_wrapper": True, "_nrt": False}
    # without what calls it from Python or C, and without memory of numba's: it then needs nothing of either
    compiler: Any = numba.njit(types.void(types.intp, types.intp), **alone, **_OPTIONS)
    entry = compiler(_entry_function())
    (compiled,) = entry.overloads.values()
    library, name = compiled.library, compiled.fndesc.llvm_func_name
    if kept is not None:
        code = library.serialize_using_object_code()[2][0]
        try:
            kept.parent.mkdir(parents=True, exist_ok=True)
            machine_code.store(kept, name, machine_code.calls_of(library.get_llvm_str()), code)
        except (OSError, InputError):
            pass  # a folder that cannot be written costs compiling each time
    machine_code.keep(entry)
    return machine_code.callable_at(library.get_pointer_to_function(name))


def _register_functions() -> None:
    from numba.extending import register_jitable

    for module in _MODULES:
        for value in vars(module).values():
            if isinstance(value, FunctionType) and inspect.getmodule(value) is module:
                register_jitable(**_OPTIONS, _nrt=False)(value)


def _entry_function() -> Any:
    """The Python function to compile."""
    problem_at, work_at, record_at = (handle_at(kind) for kind in (Problem, Work, Record))
    (word, empty), integrate = word_and_empty(), engine.integrate

    def entry(table: Any, count: Any) -> None:
        for k in range(count):
            place = table + 3 * WORD * k
            work = word(place + WORD)
            empty(word(work), word(work + WORD))
            integrate(problem_at(word(place)), work_at(work + WORK_AHEAD * WORD), record_at(word(place + 2 * WORD)))

    return entry


__all__ = [
    "Packed", "array_record", "array_work", "compiled_integrate", "is_kept", "load_kept", "packed_problems",
    "run_compiled", "run_many",
]  # fmt: skip
