"""A verdict on schedules as a picture: a row a schedule, the chance of each limit across."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from bronzeward.errors import InputError
from bronzeward.model.dataset_file import as_dataset
from bronzeward.plots import style
from bronzeward.plots.axes import COLUMN_WIDTH, new_axes, note_below
from bronzeward.plots.lettering import shortened

if TYPE_CHECKING:
    import xarray as xr
    from matplotlib.axes import Axes

ROW = 0.3
"""Height of a schedule [inch]."""


@style.settings()
def plot_verdict(data: xr.Dataset | str | Path, ax: Axes | None = None) -> Axes:
    """Chances that limits are kept: of the last set of constants filled, the first open, others between; two errors.

    Raises
    ------
    InputError
        For more than six limits.
    """
    from matplotlib.colors import to_rgb

    data = as_dataset(data)
    names, limits, sets = (data[dim].values for dim in ("schedule", "limit", "constants"))
    if len(limits) > len(style.STROKES):
        raise InputError(f"compare: {len(limits)} limits; one figure takes {len(style.STROKES)} at most")
    extra = 0.16 * (len(limits) * len(sets))
    ax = ax or new_axes(COLUMN_WIDTH, 1.05 + ROW * max(len(names), 2) + extra)
    for i, limit in enumerate(limits):
        colour, dash, marker = style.STROKES[i]
        words = str(limit).replace(">=", "≥").replace("<=", "≤")
        for j, constants in enumerate(sets):
            filled = 1.0 - np.subtract(1.0, to_rgb(colour)) * (j / (len(sets) - 1) if len(sets) > 1 else 1.0)
            shift = 0.5 * ((i * len(sets) + j + 0.5) / (len(limits) * len(sets)) - 0.5)
            heights = [k + shift for k in range(len(names))]
            chances, errors = (100 * data[name].values[:, j, i] for name in ("chance", "chance_error"))
            ax.errorbar(
                chances, heights, xerr=2 * errors, fmt=marker, color=colour, ms=3.5, lw=0.7, ls="none",
                mfc=filled, label=words + (f", {constants}" if len(sets) > 1 else ""),
            )  # fmt: skip
        ax.axvline(100 * float(data["confidence"][i]), color=colour, lw=0.7, ls=(0, dash) if dash else "-", zorder=0)
    ax.set_yticks(
        range(len(names)),
        [f"{shortened(str(n), 24)}\n{float(h):.1f} h" for n, h in zip(names, data["hours"].values, strict=True)],
    )
    ax.set_ylim(len(names) - 0.5, -0.5)
    ax.set_xlim(-3, 103)
    ax.set_xlabel("chance of each limit, %; lines: asked for")
    ax.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), borderaxespad=0.2, handletextpad=0.3)
    ax.spines[["top", "right"]].set_visible(False)
    ax.grid(axis="y", color=style.RULE, linewidth=0.5)
    note_below(ax, str(data.attrs["caveat"]))
    return ax
