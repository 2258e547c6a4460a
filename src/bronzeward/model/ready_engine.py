"""The compiled engine made ready for use, and told of where that takes long."""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable

from bronzeward.files import cache_folder
from bronzeward.growth.compiled import compiled_integrate, is_kept

_one_at_a_time = threading.Lock()
"""Several threads that need the engine are told of it once."""


def warm_engine(say: Callable[[str], None] | None = None) -> None:
    """Load the compiled engine, compiling it when this has not been done before; say so when it has to."""
    folder = str(cache_folder())
    with _one_at_a_time:
        if not is_kept(folder):
            (say or _to_stderr)("compiling the growth engine, once, in about half a minute ...")
        compiled_integrate(folder)


def _to_stderr(message: str) -> None:
    print(message, file=sys.stderr, flush=True)
