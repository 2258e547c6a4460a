"""The same engine compiled with numba, for many runs at once.

Every function of this package is made known to the compiler as it stands, so the compiled run and the
interpreted one are the same lines. Compiling takes half a minute once; the result is kept on disk in a
folder named after the content of these lines, so that a changed engine is never run from an old cache.

Inside the compiled code the problem, work space and record are passed by reference (`_handle`): passing the named
tuples themselves would copy some five hundred numbers at every call.
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

from bronzeward.growth import balance, cells, changes, engine, geometry, predict, profile, reach, state, step
from bronzeward.growth.problem import EVENT_WIDTH, N_COUNTS, ROW_WIDTH, Problem, Record, Work, new_work
from bronzeward.growth.slots import N_SLOTS

_MODULES = (geometry, state, profile, reach, balance, predict, step, cells, changes, engine)

_OPTIONS: dict[str, Any] = {"error_model": "numpy"}
"""Division by zero gives infinity, which the engine refuses as it does any estimate that is not a number."""

_ENTRY = """
def entry(problem, work, record):
    integrate(handle(problem), handle(work), handle(record))
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


@cache
def _handle() -> Any:
    """`handle(t)`, usable in compiled code: a named tuple by reference, its fields as they stand.

    A plain pointer to a copy on the stack of the caller. Nobody counts who holds it or the arrays in it, which took a
    third of the time of a run; whoever calls the entry keeps them.
    """
    from llvmlite import ir
    from numba.core import cgutils, types
    from numba.core.datamodel import models
    from numba.core.typing.templates import AttributeTemplate, infer_getattr
    from numba.extending import intrinsic, lower_getattr_generic, register_model

    class Handle(types.Type):
        def __init__(self, held: Any) -> None:
            self.held = dict(zip(held.fields, held.types, strict=True))
            super().__init__(name=f"Handle({held})")

        def layout(self, context: Any) -> Any:
            return ir.LiteralStructType([context.get_value_type(kind) for kind in self.held.values()])

    @register_model(Handle)
    class HandleModel(models.PrimitiveModel):
        def __init__(self, manager: Any, kind: Any) -> None:
            super().__init__(manager, kind, ir.PointerType(ir.IntType(8)))

    @infer_getattr
    class HandleAttributes(AttributeTemplate):
        key = Handle

        def generic_resolve(self, kind: Any, name: str) -> Any:  # type: ignore[override]
            return kind.held.get(name)

    @lower_getattr_generic(Handle)  # type: ignore[untyped-decorator]
    def read(context: Any, builder: Any, kind: Any, pointer: Any, name: str) -> Any:
        held = builder.bitcast(pointer, ir.PointerType(kind.layout(context)))
        return builder.load(cgutils.gep_inbounds(builder, held, 0, list(kind.held).index(name)))

    @intrinsic
    def handle(_context: Any, held: Any) -> Any:
        kind = Handle(held)

        def code(context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
            place = cgutils.alloca_once(builder, kind.layout(context))
            for k, part in enumerate(cgutils.unpack_tuple(builder, arguments[0], len(kind.held))):
                if isinstance(held.types[k], types.Array):
                    view = context.make_array(held.types[k])(context, builder, part)
                    view.meminfo = cgutils.get_null_value(view.meminfo.type)
                    part = view._getvalue()
                builder.store(part, cgutils.gep_inbounds(builder, place, 0, k))
            return builder.bitcast(place, ir.PointerType(ir.IntType(8)))

        return kind(held), code

    return handle


def _register_functions() -> None:
    from numba.extending import register_jitable

    for module in _MODULES:
        for value in vars(module).values():
            if isinstance(value, FunctionType) and inspect.getmodule(value) is module:
                register_jitable(**_OPTIONS, _nrt=False)(value)


def _entry_function(folder: Path | None) -> Any:
    """The Python function to compile; written to the cache folder, since numba caches by file."""
    names = {"__name__": __name__, "integrate": engine.integrate, "handle": _handle()}
    path = "<bronzeward entry>"
    if folder is not None:
        path = str(folder / "entry.py")
        if not Path(path).exists():
            Path(path).write_text(_ENTRY, encoding="utf-8")
    exec(compile(_ENTRY, path, "exec"), names)
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
    return numba.njit(_entry_function(None), nogil=True, **_OPTIONS)


def _compile(numba: Any, folder: Path) -> Any:
    previous = numba.config.CACHE_DIR
    numba.config.CACHE_DIR = str(folder)
    try:
        return numba.njit(_entry_function(folder), cache=True, nogil=True, **_OPTIONS)
    finally:
        numba.config.CACHE_DIR = previous


def run_compiled(problem: Problem, work: Work, record: Record, cache_folder: str = "") -> None:
    """Integrate one problem of arrays; work space and record may have served before."""
    for used in (*work, record.count):
        used[:] = 0
    compiled_integrate(cache_folder)(problem, work, record)
