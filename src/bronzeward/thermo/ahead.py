"""Building a missing table in a process of its own, while this one imports what else a run needs.

Importing pycalphad alone takes two seconds. What the process leaves is the table in the cache; where it leaves
none, for whatever reason, `load_table` builds it as ever. Only for descriptions that come with bronzeward: a user's
own file is read once, where its faults can be told.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from bronzeward import databases
from bronzeward.errors import InputError
from bronzeward.thermo import description as descriptions
from bronzeward.thermo import place

_BUILD = "import gc, sys; gc.disable(); from bronzeward.thermo.load import load_table; load_table(sys.argv[1])"


def begin_for(case: Path) -> subprocess.Popen[bytes] | None:
    """Start building the table that a case file asks for; None for a file that says nothing of use."""
    try:
        asked = databases.read_toml(case).get("thermodynamics", {})
        return begin(str(asked.get("description", descriptions.DEFAULT)))
    except (InputError, AttributeError):
        return None  # whoever reads the whole file says what is wrong with it


def begin(description: str) -> subprocess.Popen[bytes] | None:
    """Start building the table of a bundled description unless it is there; None where that would not help."""
    if description not in descriptions.names() or (os.cpu_count() or 1) < 2 or not sys.executable:
        return None
    path = place.path_of(descriptions.find(description))
    if path.is_file() or not _writable(str(path.parent)):
        return None
    nothing = subprocess.DEVNULL
    try:
        return subprocess.Popen(
            [sys.executable, "-P", "-c", _BUILD, description], stdin=nothing, stdout=nothing, stderr=nothing
        )
    except OSError:
        return None


def _writable(folder: str) -> bool:
    """Whether a folder, or the nearest one above it that exists, can be written to."""
    while not os.path.exists(folder) and folder != os.path.dirname(folder):
        folder = os.path.dirname(folder)
    return os.path.isdir(folder) and os.access(folder, os.W_OK)
