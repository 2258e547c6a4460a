"""Would a slow ramp straight through melting do instead of a hold?

Larkfell's strand at 100, 25, 10 and 5 °C/h to 400 °C, without any hold: shell at the first liquid, most
liquid, and whether the contents find room.
"""

from __future__ import annotations

import sys
from pathlib import Path

from bronzeward.inputs.case import case_from_data
from bronzeward.materials.literature import read_toml
from bronzeward.model.result import Result
from bronzeward.model.simulation import run_case
from bronzeward.plots.comparison import draw_comparison
from bronzeward.plots.picture_file import save
from bronzeward.reports.comparison import comparison_table

HERE = Path(__file__).resolve().parent
RATES = (100.0, 25.0, 10.0, 5.0)


def answer(folder: Path, rates: tuple[float, ...] = RATES) -> list[tuple[str, Result]]:
    """A result for each ramp rate [°C/h]; draws `ramps.png` in `folder`."""
    strand = read_toml(HERE / "larkfell.toml")["strand"]
    results = []
    for rate in rates:
        steps = [{"ramp_C_per_h": rate, "to_C": 400.0}]
        inputs = {"title": "straight to 400 °C", "strand": strand, "schedule": {"start_C": 20.0, "steps": steps}}
        results.append((f"{rate:g} °C/h", run_case(case_from_data(inputs, HERE))))
    save(draw_comparison(results), folder / "ramps.png", overwrite=True)
    return results


if __name__ == "__main__":
    print(comparison_table(answer(Path(sys.argv[1] if len(sys.argv) > 1 else "."))))
