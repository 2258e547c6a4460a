"""Does Larkfell's first hold have to be 48 h long?

The strand of `larkfell.toml` is held at 210 °C for longer and longer before it is heated through melting.
Printed: shell and room at the first liquid. The second day adds a good half of what the first does.
"""

from __future__ import annotations

import sys
from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np

from bronzeward import Schedule, load_case, simulate

HERE = Path(__file__).resolve().parent
HOURS = (0.0, 4.0, 10.0, 24.0, 48.0)


def answer(folder: Path, hours: tuple[float, ...] = HOURS) -> dict[str, np.ndarray]:
    """Shell [m] and overfill [-] at the first liquid for each hold; draws `hold.png` in `folder`."""
    strand = load_case(HERE / "larkfell.toml").strand
    plans = [Schedule.start(20).ramp(25, to=210).hold(length).ramp(25, to=240) for length in hours]
    answers = [simulate(strand, plan).bronzeward.answers() for plan in plans]
    shell = np.array([one["shell_at_first_liquid_m"] for one in answers])
    overfill = np.array([one["overfill_at_first_liquid"] for one in answers])
    draw(np.array(hours), shell, overfill).savefig(folder / "hold.png", dpi=300)
    return {"hours": np.array(hours), "shell": shell, "overfill": overfill}


def draw(hours: np.ndarray, shell: np.ndarray, overfill: np.ndarray):
    """Shell and room against the length of the hold."""
    figure, axes = plt.subplots(2, sharex=True, figsize=(3.35, 3.2), layout="constrained")
    for ax, values, label in zip(
        axes, (shell * 1e6, overfill * 100), ("shell, µm", "overfill, % of core"), strict=True
    ):
        ax.plot(hours, values, "ko-", markersize=3.5, linewidth=1.1)
        ax.set_ylabel(label)
    axes[1].axhline(0.0, color="0.6", linewidth=0.8)
    axes[1].set_xlabel("hold at 210 °C, h")
    plt.close(figure)
    return figure


if __name__ == "__main__":
    result = answer(Path(sys.argv[1] if len(sys.argv) > 1 else "."))
    print("hold at 210 °C   shell at first liquid   overfill then")
    for row in zip(*result.values(), strict=True):
        print(f"{row[0]:11.0f} h {row[1] * 1e6:18.2f} µm {row[2] * 100:16.2f} % of core")
    print("An estimate: a witness sample decides.")
