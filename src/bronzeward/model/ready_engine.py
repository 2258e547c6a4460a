"""The compiled engine made ready for use, and told of where that takes long."""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable

from bronzeward.files import cache_folder
from bronzeward.growth.compiled import compiled_integrate, is_kept

_ready = threading.Event()


def warm_engine(say: Callable[[str], None] | None = None) -> None:
    """Load the compiled engine, compiling it when this has not been done before; say so when it has to."""
    if _ready.is_set():
        return
    if not is_kept(str(cache_folder())):
        message = "compiling the growth engine, once, in about half a minute ..."
        (say or _to_stderr)(message)
    compiled_integrate(str(cache_folder()))
    _ready.set()


def _to_stderr(message: str) -> None:
    print(message, file=sys.stderr, flush=True)
