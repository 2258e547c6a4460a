"""Did Larkfell's furnace keep to its programme, and does it matter?

The log (made up) is laid over the programme of `larkfell.toml`; both are run, and their answers stand side by side.
"""

from __future__ import annotations

import sys
from pathlib import Path

import xarray as xr

from bronzeward import (
    compare_programme,
    comparison_table,
    deviation_sentences,
    deviation_table,
    load_case,
    load_log,
    plot_programme,
    run,
)

HERE = Path(__file__).resolve().parent


def answer(folder: Path) -> tuple[object, list[tuple[str, xr.Dataset]]]:
    """The comparison of the schedules, and both results; draws `furnace.png` in `folder`."""
    planned, logged = (load_case(HERE / f"{name}.toml") for name in ("larkfell", "larkfell_log"))
    kept = compare_programme(planned.schedule, logged.schedule)
    plot_programme(planned.schedule, logged.schedule, shift=kept.shift).figure.savefig(folder / "furnace.png", dpi=300)
    return kept, [("as programmed", run(planned)), ("as logged", run(logged))]


if __name__ == "__main__":
    kept, results = answer(Path(sys.argv[1] if len(sys.argv) > 1 else "."))
    print("\n".join(load_log(HERE / "larkfell_log.csv").understood))
    print("\n".join(["", *deviation_sentences(kept), "", deviation_table(kept), ""]))
    print(comparison_table(results))
