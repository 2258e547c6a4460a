"""Progress on the error stream for work that takes longer than two seconds."""

from __future__ import annotations

import shutil
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from itertools import count
from typing import Any

import typer

PATIENCE = 2.0
"""Nothing is shown before this time [s]."""


@contextmanager
def progress(quiet: bool, label: str = "runs") -> Iterator[Callable[[int, int], None] | None]:
    """A function progress(done, total) that draws a bar; None when nobody would see it.

    While nobody knows the total it is 0, and the number done is shown.
    """
    if quiet or not sys.stderr.isatty():
        yield None
        return
    began = time.monotonic()
    bars: list[Any] = []  # one, opened when the total is told
    with ExitStack() as opened:

        def show(done: int, total: int) -> None:
            if not bars:
                size: dict[str, Any] = {"length": total} if total else {"iterable": count()}
                room = shutil.get_terminal_size().columns
                bar = typer.progressbar(
                    **size, label=label, show_pos=True, hidden=True, file=sys.stderr, width=min(36, max(1, room - 44))
                )
                bars.append(opened.enter_context(bar))
            bars[0].hidden = time.monotonic() - began < PATIENCE
            bars[0].update(done - bars[0].pos)

        yield show
