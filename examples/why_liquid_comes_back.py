"""Why does liquid come back in the lean strand?

Larkfell's copper-starved cousin (`larkfell_lean.toml`) runs out of copper before its η is used up. At about
415 °C that η melts. Drawn: its section at the first liquid, just before and just after η melts, and at the end.
"""

from __future__ import annotations

import sys
from pathlib import Path

from bronzeward import run

HERE = Path(__file__).resolve().parent
MOMENTS = ("first liquid", "before eta decomposes", "eta decomposes", "end")


def answer(folder: Path) -> dict[str, float]:
    """Share of the tin that is in η before it melts, and liquid after; draws `lean.png` in `folder`."""
    history = run(HERE / "larkfell_lean.toml")
    history.bronzeward.section(MOMENTS).savefig(folder / "lean.png", dpi=300)
    before, after = (history.bronzeward.at(moment) for moment in MOMENTS[1:3])
    return {
        "eta_before": float(before.tin_fraction.sel(phase="eta")),
        "liquid_before": float(before.liquid_tin_fraction),
        "liquid_after": float(after.liquid_tin_fraction),
        "celsius": float(after.temperature) - 273.15,
    }


if __name__ == "__main__":
    found = answer(Path(sys.argv[1] if len(sys.argv) > 1 else "."))
    print(
        f"At {found['celsius']:.1f} °C the η that holds {100 * found['eta_before']:.0f} % of the tin melts; "
        f"liquid goes from {100 * found['liquid_before']:.0f} to {100 * found['liquid_after']:.0f} % of the tin."
    )
    print("An estimate: a witness sample decides.")
