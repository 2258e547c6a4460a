"""Undo and redo over anything that is replaced and never changed."""

from __future__ import annotations

from typing import Generic, TypeVar

T = TypeVar("T")

MOST = 200
"""Steps that can be undone; older ones are forgotten, so that a long session does not grow."""


class Undoing(Generic[T]):
    """What is now, what was, and what was undone."""

    def __init__(self, first: T) -> None:
        self.now = first
        self._past: list[T] = []
        self._future: list[T] = []
        self._topic: str | None = None

    def do(self, new: T, topic: str | None = None) -> None:
        """Replace what is now; steps of one `topic` on end, such as a slider on its way, are undone together."""
        if new == self.now:
            return
        if topic is None or topic != self._topic:
            self._past = [*self._past, self.now][-MOST:]
        self.now, self._future, self._topic = new, [], topic

    def settle(self) -> None:
        """The next step is undone by itself, whatever its topic."""
        self._topic = None

    def undo(self) -> bool:
        """Go back one step; False where there is none."""
        return self._move(self._past, self._future)

    def redo(self) -> bool:
        """Go forward again; False where nothing was undone."""
        return self._move(self._future, self._past)

    @property
    def can(self) -> tuple[bool, bool]:
        """Whether there is anything to undo, and to redo."""
        return bool(self._past), bool(self._future)

    def _move(self, source: list[T], target: list[T]) -> bool:
        self.settle()
        if not source:
            return False
        target.append(self.now)
        self.now = source.pop()
        return True
