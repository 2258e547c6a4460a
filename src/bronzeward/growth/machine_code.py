"""Machine code in a file: written where it was compiled, loaded later without the compiler.

Loading numba with all that it can compile takes half a second, more than a thousand runs of the engine; what it has
compiled needs nothing of it. A file holds a checksum, a line of JSON (name of the function, and what it calls of the
system's libraries) and the object code. It serves one processor model.
"""

from __future__ import annotations

import ctypes
import hashlib
import json
import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from bronzeward.files import replacing

Entry = Callable[[int, int], int]
"""A compiled function of an address and a count; its status, 0 where nothing was raised."""

_CHECKSUM = hashlib.sha256().digest_size

_kept: list[Any] = []
"""Code that was loaded, as long as the process lives."""


def processor() -> str:
    """Short hash of the processor's model and abilities, for which code is compiled."""
    import llvmlite.binding as llvm

    text = f"{llvm.get_process_triple()} {llvm.get_host_cpu_name()} {llvm.get_host_cpu_features().flatten()}"
    return hashlib.sha256(text.encode()).hexdigest()[:8]


def store(path: Path, function: str, calls: Sequence[str], code: bytes) -> None:
    """Write code to a file, whole or not at all; raises InputError where that fails."""
    body = json.dumps({"function": function, "calls": list(calls)}).encode() + b"\n" + code
    with replacing(path, overwrite=True) as temporary:
        temporary.write_bytes(hashlib.sha256(body).digest() + body)


def _body(path: Path) -> bytes:
    """What a file holds after its checksum; nothing where it is missing or damaged."""
    try:
        data = path.read_bytes()
    except OSError:
        return b""
    body = data[_CHECKSUM:]
    return body if hashlib.sha256(body).digest() == data[:_CHECKSUM] else b""


def is_sound(path: Path) -> bool:
    """Whether a file holds code."""
    return bool(_body(path))


def load(path: Path) -> Entry | None:
    """The function of a file; None where the file is missing or damaged, or calls what is not there."""
    about, _, code = _body(path).partition(b"\n")
    if not about:
        return None
    told = json.loads(about)
    return _linked(told["function"], code) if _has(told["calls"]) else None


def _has(names: Sequence[str]) -> bool:
    """Tell the linker where some functions of the system's mathematical library lie; whether it has them all."""
    import llvmlite.binding as llvm

    library = ctypes.CDLL("ucrtbase" if os.name == "nt" else None)
    try:
        for name in names:
            llvm.add_symbol(name, ctypes.cast(getattr(library, name), ctypes.c_void_p).value)
    except AttributeError:
        return False
    return True


def _linked(function: str, code: bytes) -> Entry:
    import llvmlite.binding as llvm

    llvm.initialize_native_target()
    llvm.initialize_native_asmprinter()
    target = llvm.Target.from_default_triple().create_target_machine(jit=True, codemodel="jitdefault")
    engine = llvm.create_mcjit_compiler(llvm.parse_assembly(""), target)
    engine.add_object_file(llvm.ObjectFileRef.from_data(code))
    engine.finalize_object()
    keep(engine)
    return callable_at(engine.get_function_address(function))


def keep(code: object) -> None:
    """Let code live as long as the process."""
    _kept.append(code)


def callable_at(address: int) -> Entry:
    """A function that numba compiled, of two whole numbers and without a result, callable without the interpreter lock.

    Numba's own convention: places for a result and for what is raised come first, the status is returned.
    """
    kind = ctypes.CFUNCTYPE(ctypes.c_int32, ctypes.c_void_p, ctypes.c_void_p, ctypes.c_ssize_t, ctypes.c_ssize_t)
    function = kind(address)

    def entry(place: int, count: int) -> int:
        result, raised = ctypes.c_void_p(), ctypes.c_void_p()
        return int(function(ctypes.addressof(result), ctypes.addressof(raised), place, count))

    return entry


def calls_of(code: str) -> list[str]:
    """What compiled code calls of the system's libraries, from its text in LLVM's language."""
    import llvmlite.binding as llvm

    names = [function.name for function in llvm.parse_assembly(code).functions if function.is_declaration]
    by_library = {"exp", "log", "pow", "sin", "cos"}  # what LLVM itself has no instructions for
    inner = {name.split(".")[1] for name in names if name.startswith("llvm.")}
    return sorted({name for name in names if not name.startswith("llvm.")} | (inner & by_library))
