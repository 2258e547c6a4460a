"""How fast the thermodynamics is, beside pycalphad's own tools on the same description.

    python tests/benchmarks/thermo_speed.py

Prints seconds and ratios: cold tabulation (reading the TDB file, compiling, reactions,
boundaries, widths; 250 to 1400 K) against BinaryStrategy over 100 to 1100 °C, with the
reactions of both compared; the reading of a table from its file; 80,000 equilibria against
pycalphad.equilibrium, timed on an evenly spread part of the grid and scaled, and said so.
Importing pycalphad is counted for neither side.
"""

from __future__ import annotations

import sys
import time
import warnings
from collections.abc import Callable
from typing import Any

import numpy as np
from pycalphad import Database, equilibrium
from pycalphad import variables as v
from pycalphad.mapping import BinaryStrategy

from bronzeward.thermo import PhaseTable, description, load_table, tdb
from bronzeward.thermo import equilibrium as exact

LOW, HIGH = 373.15, 1373.15
COMPONENTS = ["CU", "SN", "VA"]


def timed(work: Callable[[], Any]) -> tuple[float, Any]:
    """Seconds that a piece of work takes, and what it gives."""
    start = time.perf_counter()
    result = work()
    return time.perf_counter() - start, result


def mapped() -> BinaryStrategy:
    """pycalphad's own mapping of the same range, from the TDB file on."""
    database = Database(str(description.find().path))
    names = [name for name in database.phases]
    conditions = {v.T: (LOW, HIGH, 10), v.X("SN"): (0, 1, 0.01), v.P: 101325, v.N: 1}
    strategy = BinaryStrategy(database, COMPONENTS, names, conditions)
    strategy.do_map()
    return strategy


def tabulation() -> None:
    """Cold tabulation against mapping, and whether both find the same three-phase reactions."""
    ours, table = timed(lambda: load_table(cache=False))
    theirs, strategy = timed(mapped)
    print(f"cold tabulation    {ours:8.3f} s   BinaryStrategy {theirs:8.3f} s   ratio {theirs / ours:6.1f}")
    compare(table, strategy)


def compare(table: PhaseTable, strategy: BinaryStrategy) -> None:
    """Print how far the reactions of both are apart."""
    found = sorted({round(float(node.global_conditions[v.T]), 6) for node in invariant_nodes(strategy)})
    gaps = []
    for own in table.invariants:
        if len(own.phases) == 3:
            near = min(found, key=lambda t: abs(t - own.temperature), default=np.nan)
            gaps.append(abs(near - own.temperature))
            print(f"    {own.reaction:28s} {own.temperature - 273.15:9.4f} °C, mapped {near - 273.15:9.4f} °C")
    print(f"    largest difference {max(gaps):.4f} K over {len(gaps)} three-phase reactions")


def invariant_nodes(strategy: BinaryStrategy) -> list[Any]:
    """Nodes of the map with three stable phases."""
    return [node for node in strategy.node_queue.nodes if len(node.stable_composition_sets) == 3]


def from_file() -> None:
    """Reading the table that comes along, best of five."""
    best = min(timed(load_table)[0] for _ in range(5))
    print(f"table from a file  {1e3 * best:8.1f} ms")


def grid(part: int = 40) -> None:
    """400 by 200 equilibria against pycalphad on one of `part` temperatures."""
    t, x = np.linspace(LOW, HIGH, 400), np.linspace(0.0025, 0.9975, 200)
    exact.compiled(description.find().path)
    ours, found = timed(lambda: exact.solve(t[:, None], x))
    from_table, _ = timed(lambda: load_table(cache=False).fractions(t[:, None], x))
    database = tdb.open_database(description.find())
    names = [phase.name for phase in exact.compiled(description.find().path)]
    rows = t[:: t.size // (t.size // part)]
    step = x[1] - x[0]

    def theirs() -> Any:
        conditions = {v.T: list(rows), v.P: 101325, v.N: 1, v.X("SN"): (x[0], x[-1] + 0.5 * step, step)}
        return equilibrium(database, COMPONENTS, names, conditions)

    taken, result = timed(theirs)
    scaled = taken * t.size / rows.size
    print(
        f"80,000 equilibria  {ours:8.3f} s   equilibrium {scaled:8.1f} s   ratio {scaled / ours:6.1f}"
        f"   (its {rows.size * x.size} points took {taken:.1f} s, scaled)"
    )
    print(f"    the same from the table, its building included {from_table:8.3f} s")
    holes = int(np.count_nonzero(~np.isfinite(result.GM.values)))
    print(
        f"    without a phase: {int(np.count_nonzero(~np.isfinite(found.energy)))} of 80000 here, "
        f"{holes} of {rows.size * x.size} there"
    )


def main() -> int:
    """Run all three."""
    warnings.simplefilter("ignore")
    tabulation()
    from_file()
    grid()
    return 0


if __name__ == "__main__":
    sys.exit(main())
