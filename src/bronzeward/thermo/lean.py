"""The program of the process that builds a missing table: `python -m bronzeward.thermo.lean DESCRIPTION`.

Reading a description takes pycalphad's database and models. Its front door also brings drawing, mapping and
equilibrium calculation, and with them matplotlib, xarray and pandas: half the time of the whole. This process lives
for one table only and leaves them out, by putting empty modules in their place before pycalphad is imported.
A process that anything else runs in must not do so.
"""

from __future__ import annotations

import gc
import sys
from types import ModuleType

#: What pycalphad's front door takes from its modules that reading a description does not need.
LEFT_OUT = {
    "pycalphad.core.calculate": ("calculate",),
    "pycalphad.core.equilibrium": ("equilibrium",),
    "pycalphad.core.workspace": ("Workspace",),
    "pycalphad.plot.eqplot": ("eqplot",),
    "pycalphad.mapping.compat_api": ("binplot", "ternplot"),
}


def leave_out() -> None:
    """Put empty modules in the places of `LEFT_OUT`, before pycalphad is imported."""
    for name, given in LEFT_OUT.items():
        empty = ModuleType(name)
        empty.__dict__.update(dict.fromkeys(given))
        sys.modules[name] = empty


def main() -> None:
    """Build the table of the description named on the command line, into the cache."""
    gc.disable()
    leave_out()
    from bronzeward.thermo.load import load_table

    load_table(sys.argv[1])


if __name__ == "__main__":
    main()
