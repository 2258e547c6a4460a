"""What should a micrograph show of a strand quenched when tin first melts, and what goes into the file?

Larkfell's section to scale at the first liquid, and the whole report of the run as one HTML page.
"""

from __future__ import annotations

import sys
from pathlib import Path

from bronzeward.inputs.case import load_case
from bronzeward.model.layer_stack import Layer, layers_at
from bronzeward.model.moments import find_moment
from bronzeward.model.simulation import run_case
from bronzeward.plots.picture_file import save
from bronzeward.plots.section import draw_section
from bronzeward.reports.run_page import write_report

HERE = Path(__file__).resolve().parent


def answer(folder: Path) -> list[Layer]:
    """The layers from the centre outwards; draws `quench.png` and writes `report.html` in `folder`."""
    result = run_case(load_case(HERE / "larkfell.toml"))
    save(draw_section(result, "first liquid"), folder / "quench.png", overwrite=True)
    write_report(result, folder / "report.html", overwrite=True)
    return layers_at(result, find_moment(result, "first liquid"))


if __name__ == "__main__":
    for layer in answer(Path(sys.argv[1] if len(sys.argv) > 1 else ".")):
        print(f"{layer.phase or 'void':10s} from {layer.inner * 1e6:6.2f} to {layer.outer * 1e6:6.2f} µm")
    print("An estimate: a witness sample decides.")
