"""Makes the tables that come with bronzeward: `python -m bronzeward.thermo.ship [FOLDER]`.

To be run when a bundled description or the method changes; tests compare what it made with a fresh tabulation.
"""

from __future__ import annotations

import sys
from pathlib import Path

from bronzeward.thermo import description as descriptions
from bronzeward.thermo import table_file
from bronzeward.thermo.build import build
from bronzeward.thermo.load import shipped_path


def ship(folder: Path | None = None) -> list[Path]:
    """Tabulate every bundled description into a folder, by default the one they are read from; the files written."""
    written = []
    for name in descriptions.names():
        description = descriptions.find(name)
        path = shipped_path(description)
        path = path if folder is None else folder / path.name
        path.parent.mkdir(parents=True, exist_ok=True)
        table_file.write(build(description), path, overwrite=True)
        written.append(path)
    return written


if __name__ == "__main__":
    for path in ship(*map(Path, sys.argv[1:2])):
        print(path)
