"""What should a micrograph show of a strand quenched when tin first melts, and what goes into the file?

Larkfell's section to scale at the first liquid, and the whole report of the run as one HTML page.
"""

from __future__ import annotations

import sys
from pathlib import Path

from bronzeward import run

HERE = Path(__file__).resolve().parent


def answer(folder: Path) -> list:
    """The layers from the centre outwards; draws `quench.png` and writes `report.html` in `folder`."""
    history = run(HERE / "larkfell.toml")
    history.bronzeward.section("first liquid").savefig(folder / "quench.png", dpi=300)
    history.bronzeward.report(folder / "report.html", overwrite=True)
    return history.bronzeward.layers("first liquid")


if __name__ == "__main__":
    for layer in answer(Path(sys.argv[1] if len(sys.argv) > 1 else ".")):
        print(f"{layer.phase or 'void':10s} from {layer.inner * 1e6:6.2f} to {layer.outer * 1e6:6.2f} µm")
    print("An estimate: a witness sample decides.")
