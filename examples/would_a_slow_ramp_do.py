"""Would a slow ramp straight through melting do instead of a hold?

Larkfell's strand at 100, 25, 10 and 5 °C/h to 400 °C, without any hold: shell at the first liquid, most
liquid, and whether the contents find room.
"""

from __future__ import annotations

import sys
from pathlib import Path

import xarray as xr

from bronzeward import Schedule, comparison_table, draw_comparison, load_case, simulate

HERE = Path(__file__).resolve().parent
RATES = (100.0, 25.0, 10.0, 5.0)


def answer(folder: Path, rates: tuple[float, ...] = RATES) -> list[tuple[str, xr.Dataset]]:
    """A history for each ramp rate [°C/h]; draws `ramps.png` in `folder`."""
    strand = load_case(HERE / "larkfell.toml").strand
    histories = [(f"{rate:g} °C/h", simulate(strand, Schedule.start(20).ramp(rate, to=400))) for rate in rates]
    draw_comparison(histories).savefig(folder / "ramps.png", dpi=300)
    return histories


if __name__ == "__main__":
    print(comparison_table(answer(Path(sys.argv[1] if len(sys.argv) > 1 else "."))))
