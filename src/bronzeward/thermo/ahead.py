"""Building a missing table in a process of its own, while this one imports what else a run needs.

The process imports less of pycalphad than would do here (`lean`), so it is worth its while on a single core too.
What it leaves is the table in the cache; where it leaves none, for whatever reason, `load_table` builds it as ever.
Only for descriptions that come with bronzeward: a user's own file is read once, where its faults can be told.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from bronzeward import files
from bronzeward.errors import InputError
from bronzeward.thermo import description as descriptions
from bronzeward.thermo import place


def begin_for(case: Path) -> subprocess.Popen[bytes] | None:
    """Start building the table that a case file asks for; None for a file that says nothing of use."""
    try:
        asked = files.read_toml(case).get("thermodynamics", {})
        return begin(str(asked.get("description", descriptions.DEFAULT)))
    except (InputError, AttributeError):
        return None  # whoever reads the whole file says what is wrong with it


def begin(description: str) -> subprocess.Popen[bytes] | None:
    """Start building the table of a bundled description unless it is there; None where that would not help."""
    if description not in descriptions.names() or not sys.executable:
        return None
    path = place.path_of(descriptions.find(description))
    if path.is_file() or not _writable(str(path.parent)):
        return None
    program = [sys.executable, "-P", "-m", "bronzeward.thermo.lean", description]
    nothing = subprocess.DEVNULL
    try:
        return subprocess.Popen(program, stdin=nothing, stdout=nothing, stderr=nothing)
    except OSError:
        return None


def _writable(folder: str) -> bool:
    """Whether a folder, or the nearest one above it that exists, can be written to."""
    while not os.path.exists(folder) and folder != os.path.dirname(folder):
        folder = os.path.dirname(folder)
    return os.path.isdir(folder) and os.access(folder, os.W_OK)
