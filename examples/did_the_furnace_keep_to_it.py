"""Did Larkfell's furnace keep to its programme, and does it matter?

The log (made up) is laid over the programme of `larkfell.toml`; both are run, and their answers stand side by side.
"""

from __future__ import annotations

import sys
from pathlib import Path

from bronzeward import compare, figures, programme
from bronzeward.case import load_case
from bronzeward.result import Result
from bronzeward.simulation import run_case
from bronzeward.thermocouple import load_log

HERE = Path(__file__).resolve().parent


def answer(folder: Path) -> tuple[programme.Comparison, list[tuple[str, Result]]]:
    """The comparison of the schedules, and both results; draws `furnace.png` in `folder`."""
    planned, logged = (load_case(HERE / f"{name}.toml") for name in ("larkfell", "larkfell_log"))
    found = programme.compare_programme(planned.schedule, logged.schedule)
    ax = figures.plot_programme(planned.schedule, logged.schedule, shift=found.shift)
    figures.save(ax.figure, folder / "furnace.png", overwrite=True)
    return found, [("as programmed", run_case(planned)), ("as logged", run_case(logged))]


if __name__ == "__main__":
    comparison, results = answer(Path(sys.argv[1] if len(sys.argv) > 1 else "."))
    print("\n".join(load_log(HERE / "larkfell_log.csv").understood))
    print("\n".join(["", *programme.sentences(comparison), "", programme.table(comparison), ""]))
    print(compare.table(results))
