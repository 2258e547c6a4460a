"""Getting the table of a description: the one that came along, else the one in the cache, else a new one.

pycalphad is only imported to build one.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

from bronzeward import files
from bronzeward.errors import InputError
from bronzeward.materials import literature
from bronzeward.thermo import description as descriptions
from bronzeward.thermo import table_file
from bronzeward.thermo.description import Description
from bronzeward.thermo.table import PhaseTable


def load_table(description: str | Path = descriptions.DEFAULT, cache: bool = True) -> PhaseTable:
    """The phase table of a description, given by name or as the path of a TDB file.

    With `cache` false it is built anew and not kept.
    Raises InputError for an unknown name, an unreadable file, or a file without copper and tin.
    """
    chosen = descriptions.find(description)
    table = (shipped(chosen) or cached(chosen)) if cache else None
    if table is None:
        from bronzeward.thermo.build import build

        table = build(chosen)
        if cache:
            keep(table, cache_path(chosen))
    return table


def shipped(description: Description) -> PhaseTable | None:
    """The table that came with bronzeward, if it is one of this very description by today's method.

    Whichever version of pycalphad built it: a test compares it with the installed one's.
    """
    table = table_file.read(shipped_path(description)) if description.bundled else None
    return table if table is not None and table.description_digest == description.digest else None


def shipped_path(description: Description) -> Path:
    """Where the table of a bundled description lies."""
    return literature.folder() / "tables" / f"{description.name}.nc"


def cache_path(description: Description) -> Path:
    """Where the table of any other description is kept; the name carries all that the table depends on."""
    depends = f"{table_file.SCHEMA} {table_file.METHOD} {table_file.pycalphad_version()} {description.digest}"
    return files.cache_folder() / f"table-{hashlib.sha256(depends.encode()).hexdigest()[:20]}.nc"


def cached(description: Description) -> PhaseTable | None:
    """The table in the cache, if it is whole and of this very description, method and pycalphad."""
    table = table_file.read(cache_path(description))
    current = description.digest, table_file.pycalphad_version()
    return table if table is not None and (table.description_digest, table.pycalphad_version) == current else None


def keep(table: PhaseTable, path: Path) -> bool:
    """Put a table into the cache; False where its folder cannot be written to, and then nothing is kept."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        table_file.write(table, path, overwrite=True)
    except (OSError, InputError):
        return False
    return True
