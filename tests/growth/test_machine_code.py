"""Machine code that is kept in a file and loaded without the compiler, and how runs are handed to it."""

from __future__ import annotations

import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from bronzeward.growth import compiled, machine_code
from bronzeward.growth.handles import word_and_empty
from bronzeward.growth.packed import Packed, array_record, array_work
from growth_cases import cache_folder


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str, bytes]:
    """A file with a function that fills memory with zeros; its name and code."""
    import numba
    from numba.core import types

    _, empty = word_and_empty()

    def entry(place, count):
        empty(place, count)

    function = numba.njit(
        types.void(types.intp, types.intp), no_cpython_wrapper=True, no_cfunc_wrapper=True, _nrt=False
    )(entry)
    (made,) = function.overloads.values()
    path = tmp_path_factory.mktemp("code") / "small.bin"
    name, code = made.fndesc.llvm_func_name, made.library.serialize_using_object_code()[2][0]
    machine_code.store(path, name, machine_code.calls_of(made.library.get_llvm_str()), code)
    return path, name, code


def test_what_was_stored_runs_without_the_compiler(small: tuple[Path, str, bytes]) -> None:
    code = (
        "import sys; from pathlib import Path; import numpy as np; from bronzeward.growth import machine_code\n"
        f"filled = np.ones(5); entry = machine_code.load(Path({str(small[0])!r}))\n"
        "print(entry(filled.ctypes.data, 24), filled.tolist(), 'numba' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "0 [0.0, 0.0, 0.0, 1.0, 1.0] False\n"


def test_damaged_code_is_not_loaded(small: tuple[Path, str, bytes], tmp_path: Path) -> None:
    whole = small[0].read_bytes()
    assert machine_code.is_sound(small[0])
    for damaged in (b"", whole[:-1], whole[:100] + bytes([whole[100] ^ 1]) + whole[101:], whole[:32]):
        path = tmp_path / "damaged.bin"
        path.write_bytes(damaged)
        assert not machine_code.is_sound(path)
        assert machine_code.load(path) is None
    assert machine_code.load(tmp_path / "none.bin") is None


def test_code_that_calls_what_is_not_there_is_not_loaded(small: tuple[Path, str, bytes], tmp_path: Path) -> None:
    path = tmp_path / "foreign.bin"
    machine_code.store(path, small[1], ["exp", "no_such_function_of_mathematics"], small[2])
    assert machine_code.load(path) is None


def test_the_engine_calls_nothing_but_mathematics() -> None:
    """So it needs nothing of Python or numba; the functions are those of C's math.h."""
    compiled.compiled_integrate(cache_folder())
    text = compiled.kept_code(cache_folder()).read_bytes()[32:].partition(b"\n")[0].decode()
    assert '"calls": ["exp", "expm1", "log", "log1p", "pow", "sqrt"]' in text


def test_arrays_of_another_kind_are_refused() -> None:
    """The engine would read their memory as what it is not."""
    record = array_record(3, 2)
    with pytest.raises(TypeError, match="float64, not int64"):
        Packed(record._replace(count=np.zeros(6)))
    with pytest.raises(TypeError, match="in a row"):
        Packed(record._replace(row=np.zeros(126)[::2]))


def test_what_is_packed_after_another_is_what_is_packed_alone() -> None:
    record = array_record(3, 2)
    others = [array_record(5, 2), record._replace(row=np.ones(7)), record, record]
    for earlier, later in pairwise([record, *others]):
        assert Packed(later, Packed(earlier)).words == Packed(later).words
    with pytest.raises(TypeError, match="float64, not int64"):
        Packed(record._replace(count=np.zeros(6)), Packed(record))


def test_a_work_space_lies_in_one_piece() -> None:
    """One filling with zeros empties it before each run."""
    work = array_work(10)
    for part in work:
        part[:] = 1
    work.n.base[:] = 0.0
    assert all(not part.any() for part in work)
    assert sum(part.nbytes for part in work) == work.n.base.nbytes
