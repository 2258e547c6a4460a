"""The work beside a page: the newest draft is run at once, then its band; whatever has been overtaken is dropped."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import NamedTuple

from bronzeward.errors import InputError
from bronzeward.inputs.case import Case
from bronzeward.model.batch import Shared, default_workers
from bronzeward.model.result import Result
from bronzeward.studies.ensemble import Spread
from bronzeward.studies.history_bands import with_bands

MEMBERS = 100
"""Runs in a band of a live page."""


PAUSE = 0.1
"""Between a run and the start of its band [s]: the browser draws the run meanwhile, and needs a core for that."""


class Computed(NamedTuple):
    """What became of the draft with a number: its result, with bands or still without, or what was wrong."""

    number: int
    result: Result | None
    banded: bool
    trouble: str = ""


class Overtaken(Exception):
    """A newer draft is waiting."""


class Computer:
    """One thread that computes what was asked for last.

    `tell` is called from that thread with everything computed that has not been overtaken by then.
    """

    def __init__(self, tell: Callable[[Computed], None], members: int = MEMBERS) -> None:
        self._tell, self._members = tell, members
        self._changed = threading.Condition()
        self._wish: tuple[int, Case] | None = None
        self._stopped = False
        self._shared: Shared | None = None
        self._thread = threading.Thread(target=self._work, name="live", daemon=True)
        self._thread.start()

    def ask(self, number: int, case: Case) -> None:
        """Compute a case; drops what is being computed, and what waits."""
        with self._changed:
            self._wish = (number, case)
            self._changed.notify()

    def stop(self) -> None:
        """Drop everything; the thread ends by itself soon after."""
        with self._changed:
            self._stopped = True
            self._changed.notify()

    def _next(self) -> tuple[int, Case] | None:
        with self._changed:
            self._changed.wait_for(lambda: self._stopped or self._wish is not None)
            wish, self._wish = self._wish, None
            return None if self._stopped else wish

    def _work(self) -> None:
        while (wish := self._next()) is not None:
            number, case = wish
            try:
                shared = self._shared = Shared([case], "run", self._shared)
                result = shared.result(case)
                self._tell_unless_overtaken(Computed(number, result, banded=False))
                if self._members:
                    self._pause()
                    spread, workers = Spread.usual(self._members), max(1, default_workers() - 1)
                    banded = with_bands(result, spread, workers, progress=lambda done, total: self._stop_if_overtaken())
                    self._tell_unless_overtaken(Computed(number, banded, banded=True))
            except Overtaken:
                continue
            except InputError as error:
                self._tell(Computed(number, None, False, str(error)))
            except Exception as error:  # the page must go on, whatever an odd case meets
                self._tell(Computed(number, None, False, f"this run failed: {type(error).__name__}: {error}"))

    def _pause(self) -> None:
        """Leave the machine to whoever draws the run; end early if something newer is asked for."""
        with self._changed:
            self._changed.wait_for(lambda: self._stopped or self._wish is not None, timeout=PAUSE)
        self._stop_if_overtaken()

    def _tell_unless_overtaken(self, computed: Computed) -> None:
        self._stop_if_overtaken()
        self._tell(computed)

    def _stop_if_overtaken(self) -> None:
        if self._stopped or self._wish is not None:
            raise Overtaken
