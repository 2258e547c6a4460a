"""Problems, work spaces and records as the compiled engine takes them: rows of words at an address."""

from __future__ import annotations

import ctypes
import struct
from collections.abc import Iterable, Iterator
from functools import cache
from typing import Any, Generic, TypeVar

import numpy as np

from bronzeward.growth.problem import EVENT_WIDTH, N_COUNTS, ROW_WIDTH, Problem, Record, Work, new_work
from bronzeward.growth.slots import N_SLOTS

WORD = 8
"""Bytes of an address or a number."""

KINDS = {"int": "q", "float": "d", "Counts": "q", "Numbers": "d"}
"""Of each annotation of a field, how `struct` calls the numbers."""

DTYPES = {"Counts": np.dtype(np.int64), "Numbers": np.dtype(np.float64)}
"""Of each annotation of an array, its numbers."""

WORK_AHEAD = 2
"""Words before those of a work space: where its memory lies and how many bytes it has, to be emptied before a run."""


def array_work(n_cells: int) -> Work:
    """Work space of numpy arrays, all in one piece of memory."""
    sizes: list[int] = []
    new_work(n_cells, sizes.append)
    block = np.zeros(sum(sizes))
    ends = np.cumsum(sizes).tolist()
    parts: Iterator[Any] = iter([block[end - size : end] for size, end in zip(sizes, ends, strict=True)])
    work = new_work(n_cells, lambda _: next(parts))
    return work._replace(sequence=work.sequence[:N_SLOTS].view(np.int64))


def array_record(rows: int, events: int, n_cells: int = 0) -> Record:
    """An empty record; with `n_cells` it keeps the profiles too."""
    counts = np.zeros(N_COUNTS, dtype=np.int64)
    return Record(np.zeros(rows * ROW_WIDTH), np.zeros(rows * n_cells), np.zeros(events * EVENT_WIDTH), counts)


_Parts = TypeVar("_Parts", Problem, Work, Record)


class Packed(Generic[_Parts]):
    """A problem, a work space or a record as the compiled engine takes it.

    A row of words, eight bytes each: of an array its address and length, of a number the number. The arrays are kept.
    Only words of parts that are other than those of one packed `before` are looked up.
    """

    def __init__(self, parts: _Parts, before: Packed[_Parts] | None = None) -> None:
        self.parts: _Parts = parts
        kind: Any = type(parts)
        values: Any = parts
        layout, places = _layout(kind)
        earlier: Any = [None] * len(values) if before is None else before.parts
        words: list[Any] = [0] * (layout.size // WORD) if before is None else before.words.copy()
        if kind is Work:
            words[:WORK_AHEAD] = address_of(values.n.base), values.n.base.nbytes
        for value, known, told, place in zip(values, earlier, annotated(kind), places, strict=True):
            if value is known:
                continue
            if told not in DTYPES:
                words[place] = value
                continue
            if value.dtype != DTYPES[told] or not value.flags.c_contiguous:
                raise TypeError(f"{kind.__name__}: an array of {value.dtype}, not {DTYPES[told]} in a row")
            words[place], words[place + 1] = address_of(value), value.size
        self.words: list[Any] = words
        self._row = bytearray(layout.pack(*words))
        self.address = address_of(self._row)


def packed_problems(problems: Iterable[Problem]) -> list[Packed[Problem]]:
    """Several problems, which mostly share tables and schedule with the one before."""
    packed: list[Packed[Problem]] = []
    for problem in problems:
        packed.append(Packed(problem, packed[-1] if packed else None))
    return packed


def address_of(array: Any) -> int:
    """Where the numbers of an array lie; a problem has thirty, and numpy's own ways take four times as long."""
    return ctypes.addressof(ctypes.c_char.from_buffer(array)) if len(array) else 0


@cache
def annotated(kind: Any) -> tuple[str, ...]:
    """How the fields of a named tuple are annotated."""
    return tuple(kind.__annotations__[name].__forward_arg__ for name in kind._fields)


@cache
def _layout(kind: Any) -> tuple[struct.Struct, tuple[int, ...]]:
    """The words of a packed tuple, and the place of each field among them."""
    ahead = WORK_AHEAD if kind is Work else 0
    fields = ["qq" if told in DTYPES else KINDS[told] for told in annotated(kind)]
    places = [ahead + sum(map(len, fields[:k])) for k in range(len(fields))]
    return struct.Struct("=" + "q" * ahead + "".join(fields)), tuple(places)
