"""Did Larkfell's furnace keep to its programme, and does it matter?

The log (made up) is laid over the programme of `larkfell.toml`; both are run, and their answers stand side by side.
"""

from __future__ import annotations

import sys
from pathlib import Path

from bronzeward.inputs.case import load_case
from bronzeward.inputs.furnace_log import load_log
from bronzeward.model.result import Result
from bronzeward.model.simulation import run_case
from bronzeward.plots.furnace_deviation import plot_programme
from bronzeward.plots.picture_file import save
from bronzeward.reports.comparison import comparison_table
from bronzeward.reports.furnace_deviation import deviation_sentences, deviation_table
from bronzeward.studies.furnace_deviation import Comparison, compare_programme

HERE = Path(__file__).resolve().parent


def answer(folder: Path) -> tuple[Comparison, list[tuple[str, Result]]]:
    """The comparison of the schedules, and both results; draws `furnace.png` in `folder`."""
    planned, logged = (load_case(HERE / f"{name}.toml") for name in ("larkfell", "larkfell_log"))
    kept = compare_programme(planned.schedule, logged.schedule)
    save(plot_programme(planned.schedule, logged.schedule, shift=kept.shift), folder / "furnace.png", overwrite=True)
    return kept, [("as programmed", run_case(planned)), ("as logged", run_case(logged))]


if __name__ == "__main__":
    kept, results = answer(Path(sys.argv[1] if len(sys.argv) > 1 else "."))
    print("\n".join(load_log(HERE / "larkfell_log.csv").understood))
    print("\n".join(["", *deviation_sentences(kept), "", deviation_table(kept), ""]))
    print(comparison_table(results))
