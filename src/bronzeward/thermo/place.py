"""Where the table of a description is kept. Nothing heavy is imported here, so that it can be asked early.

The file name carries what the table depends on: sha256 of the TDB file, pycalphad's version, layout and method of
the table.
"""

from __future__ import annotations

import hashlib
import json
import os
import sys
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from bronzeward.thermo.description import Description

LAYOUT = "bronzeward/table/1"
"""Name of the table's layout on disk; a new one makes old files unread."""

METHOD = 8
"""Raised whenever the same description would come out as a different table."""


def folder() -> Path:
    """The cache folder: $BRONZEWARD_CACHE, else the one usual on the system."""
    chosen = os.environ.get("BRONZEWARD_CACHE")
    if chosen:
        return Path(chosen)
    if sys.platform == "win32":
        base = os.environ.get("LOCALAPPDATA") or str(Path.home() / "AppData" / "Local")
    else:
        base = os.environ.get("XDG_CACHE_HOME") or os.path.join(os.path.expanduser("~"), ".cache")
    return Path(base) / "bronzeward"


def path_of(description: Description) -> Path:
    """Where the table of a description is kept."""
    label = json.dumps([description.name, sorted(description.labels.items()), description.references])
    depends = "\n".join([LAYOUT, str(METHOD), description.sha256, pycalphad_version(), label])
    digest = hashlib.sha256(depends.encode()).hexdigest()[:20]
    return folder() / f"table-{digest}.nc"


def pycalphad_version() -> str:
    """Version of the installed pycalphad, without importing it."""
    try:
        return version("pycalphad")
    except PackageNotFoundError:
        return "none"
