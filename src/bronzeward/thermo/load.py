"""Getting the table of a description: from the cache if it is there, else built and kept."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from bronzeward.thermo import cache as store
from bronzeward.thermo import description as descriptions
from bronzeward.thermo import place
from bronzeward.thermo.table import PhaseTable


def load_table(description: str | Path = descriptions.DEFAULT, cache: bool = True) -> PhaseTable:
    """The phase table of a description, given by name or as the path of a TDB file.

    With `cache` false it is built anew and not kept. pycalphad is imported only to build one.
    Raises InputError for an unknown name, an unreadable file, or a file without copper and tin.
    """
    found = descriptions.find(description)
    path = place.path_of(found)
    if cache:
        table = store.read(path)
        if table is not None and table.tdb_sha256 == found.sha256:
            return table
    with _without_collector():
        from bronzeward.thermo.build import build

        table = build(found)
    if cache:
        store.write(path, table)
    return table


@contextmanager
def _without_collector() -> Iterator[None]:
    """Pause cyclic garbage collection: importing pycalphad makes many objects and no garbage."""
    active = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if active:
            gc.enable()
