"""Does Larkfell's first hold have to be 48 h long?

The strand of `larkfell.toml` is held at 210 °C for longer and longer before it is heated through melting.
Printed: shell and room at the first liquid. The second day adds a good half of what the first does.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from bronzeward.inputs.case import case_from_data
from bronzeward.materials.literature import read_toml
from bronzeward.model.answers import numbers
from bronzeward.model.simulation import run_case
from bronzeward.plots import style
from bronzeward.plots.axes import column_of_axes, frame
from bronzeward.plots.picture_file import save

HERE = Path(__file__).resolve().parent
HOURS = (0.0, 4.0, 10.0, 24.0, 48.0)


def answer(folder: Path, hours: tuple[float, ...] = HOURS) -> dict[str, np.ndarray]:
    """Shell [m] and overfill [-] at the first liquid for each hold; draws `hold.png` in `folder`."""
    strand = read_toml(HERE / "larkfell.toml")["strand"]
    found = []
    for length in hours:
        steps = [{"ramp_C_per_h": 25.0, "to_C": 210.0}, {"hold_h": length}, {"ramp_C_per_h": 25.0, "to_C": 240.0}]
        case = case_from_data({"strand": strand, "schedule": {"start_C": 20.0, "steps": steps}}, HERE)
        found.append(numbers(run_case(case)))
    shell = np.array([one["shell_at_first_liquid"] for one in found])
    overfill = np.array([one["overfill_at_first_liquid"] for one in found])
    save(draw(np.array(hours), shell, overfill), folder / "hold.png", overwrite=True)
    return {"hours": np.array(hours), "shell": shell, "overfill": overfill}


def draw(hours: np.ndarray, shell: np.ndarray, overfill: np.ndarray):
    """Shell and room against the length of the hold."""
    with style.settings():
        figure, axes = column_of_axes([1.3, 1.3])
        for ax, values, label in zip(
            axes, (shell * 1e6, overfill * 100), ("shell, µm", "overfill, % of core"), strict=True
        ):
            ax.plot(hours, values, "o-", color=style.INK, markersize=3.5, linewidth=1.1)
            ax.set_ylabel(label)
            frame(ax)
        axes[1].axhline(0.0, color=style.WARN, linewidth=0.8)
        axes[1].set_xlabel("hold at 210 °C, h")
    return figure


if __name__ == "__main__":
    result = answer(Path(sys.argv[1] if len(sys.argv) > 1 else "."))
    print("hold at 210 °C   shell at first liquid   overfill then")
    for row in zip(*result.values(), strict=True):
        print(f"{row[0]:11.0f} h {row[1] * 1e6:18.2f} µm {row[2] * 100:16.2f} % of core")
    print("An estimate: a witness sample decides.")
