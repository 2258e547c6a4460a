"""Progress on the error stream for work that takes longer than two seconds."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

PATIENCE = 2.0
"""Nothing is shown before this time [s]."""

BAR = 30
EVERY = 0.2


def progress(quiet: bool, label: str = "runs") -> Callable[[int, int], None] | None:
    """A function progress(done, total) that draws a bar; None when nobody would see it.

    While nobody knows the total it is 0, and the number done is shown.
    """
    if quiet or not sys.stderr.isatty():
        return None
    began = shown = time.monotonic()

    def show(done: int, total: int) -> None:
        nonlocal shown
        now = time.monotonic()
        finished = done >= total > 0
        if now - began < PATIENCE or (now - shown < EVERY and not finished):
            return
        shown = now
        if not total:
            sys.stderr.write(f"\r{done} {label} so far ")
            sys.stderr.flush()
            return
        share = done / total
        left = (now - began) * (1.0 - share) / share if share > 0 else 0.0
        bar = "#" * round(BAR * share)
        sys.stderr.write(f"\r[{bar:.<{BAR}}] {done}/{total} {label}, {left:.0f} s left   " + ("\n" if finished else ""))
        sys.stderr.flush()

    return show
