"""Why does liquid come back in the lean strand?

Larkfell's copper-starved cousin (`larkfell_lean.toml`) runs out of copper before its η is used up. At about
415 °C that η melts. Drawn: its section at the first liquid, just before and just after η melts, and at the end.
"""

from __future__ import annotations

import sys
from pathlib import Path

from bronzeward.inputs.case import load_case
from bronzeward.model.layers import COLUMN
from bronzeward.model.moments import find_moment
from bronzeward.model.simulation import run_case
from bronzeward.plots.picture_file import save
from bronzeward.plots.section import draw_section

HERE = Path(__file__).resolve().parent
MOMENTS = ("first liquid", "before eta decomposes", "eta decomposes", "end")


def answer(folder: Path) -> dict[str, float]:
    """Share of the tin that is in η before it melts, and liquid after; draws `lean.png` in `folder`."""
    result = run_case(load_case(HERE / "larkfell_lean.toml"))
    save(draw_section(result, MOMENTS), folder / "lean.png", overwrite=True)
    before, after = (find_moment(result, moment) for moment in MOMENTS[1:3])
    return {
        "eta_before": float(result["tin_fraction"][before, COLUMN["eta"]]),
        "liquid_before": float(result["liquid_tin_fraction"][before]),
        "liquid_after": float(result["liquid_tin_fraction"][after]),
        "celsius": float(result["temperature"][after]) - 273.15,
    }


if __name__ == "__main__":
    found = answer(Path(sys.argv[1] if len(sys.argv) > 1 else "."))
    print(
        f"At {found['celsius']:.1f} °C the η that holds {100 * found['eta_before']:.0f} % of the tin melts; "
        f"liquid goes from {100 * found['liquid_before']:.0f} to {100 * found['liquid_after']:.0f} % of the tin."
    )
    print("An estimate: a witness sample decides.")
