"""Progress: on the error stream of a person who waits, not before two seconds, and gone when the work ends."""

from __future__ import annotations

import io
from types import SimpleNamespace

import pytest

from bronzeward.cli import waiting

SHOW_CURSOR = "\033[?25h"


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


class Clock:
    """A clock that is set by hand [s]."""

    now = 0.0

    def monotonic(self) -> float:
        return self.now

    time = monotonic


@pytest.fixture
def screen(monkeypatch: pytest.MonkeyPatch) -> tuple[Terminal, Clock]:
    terminal, clock = Terminal(), Clock()
    monkeypatch.setattr(waiting, "sys", SimpleNamespace(stderr=terminal))
    monkeypatch.setattr(waiting, "time", clock)
    return terminal, clock


def test_a_bar_is_drawn_after_two_seconds(screen: tuple[Terminal, Clock]) -> None:
    terminal, clock = screen
    with waiting.progress(False) as show:
        assert show is not None
        show(1, 10)
        clock.now = 1.9
        show(4, 10)
        assert terminal.getvalue() == ""
        clock.now = 2.1
        show(5, 10)
        assert "runs" in terminal.getvalue()
        assert "5/10" in terminal.getvalue()
    assert terminal.getvalue().endswith(f"{SHOW_CURSOR}\n")


def test_a_number_is_shown_while_nobody_knows_the_total(screen: tuple[Terminal, Clock]) -> None:
    terminal, clock = screen

    def work() -> None:
        with waiting.progress(False, "candidates") as show:
            assert show is not None
            clock.now = 3.0
            show(7, 0)
            assert "candidates" in terminal.getvalue()
            assert " 7" in terminal.getvalue()
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        work()
    assert terminal.getvalue().endswith(f"{SHOW_CURSOR}\n")


def test_short_work_leaves_no_trace(screen: tuple[Terminal, Clock]) -> None:
    terminal, _ = screen
    with waiting.progress(False) as show:
        assert show is not None
        show(10, 10)
    assert terminal.getvalue() == ""


def test_nobody_is_told_what_nobody_sees(screen: tuple[Terminal, Clock], monkeypatch: pytest.MonkeyPatch) -> None:
    with waiting.progress(True) as show:
        assert show is None
    monkeypatch.setattr(waiting, "sys", SimpleNamespace(stderr=io.StringIO()))
    with waiting.progress(False) as show:
        assert show is None
