"""Where words fit on a panel: above its lines, inside its areas, in its freer corner."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from bronzeward.plots import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Array = NDArray[np.float64]
Spot = tuple[float, float]


def headroom(ax: Axes) -> float:
    """Top of the vertical axis: a quarter above the highest line or band, for legend and names."""
    top = float(ax.dataLim.y1)
    return 1.25 * top if np.isfinite(top) and top > 0 else 1.0


def legend(ax: Axes, across: Array, values: Array) -> None:
    """A legend in the upper corner where the curve is lower."""
    left = across < 0.5 * sum(ax.get_xlim())
    peaks = [float(np.max(values[half], initial=0.0)) for half in (left, ~left)]
    loc: Literal["upper left", "upper right"] = "upper left" if peaks[0] < peaks[1] else "upper right"
    ax.legend(
        loc=loc, handlelength=2.2, borderaxespad=0.1, labelspacing=0.25, borderpad=0.15,
        frameon=True, framealpha=0.9, edgecolor="none", facecolor="white",
    ).set_zorder(5.5)  # fmt: skip


def name_lines(ax: Axes, across: Array, lines: Sequence[tuple[str, Array]]) -> None:
    """Write each line's letter above it, as near its highest point as other lines and letters allow."""
    (x0, x1), (y0, y1) = ax.get_xlim(), ax.get_ylim()
    x = (across - x0) / (x1 - x0)
    curves = [(values - y0) / (y1 - y0) for _, values in lines]
    taken: list[Spot] = []
    for (text, _), curve in zip(lines, curves, strict=True):
        known = np.flatnonzero(np.isfinite(curve))
        highest_first = known[np.argsort(-curve[known], kind="stable")]
        spots = [(min(max(float(x[k]), 0.02), 0.98), min(float(curve[k]) + 0.07, 0.95)) for k in highest_first]
        others = [other for other in curves if other is not curve]
        free = (spot for spot in spots if _is_free(spot, x, others, taken))
        spot = next(free, next((s for s in spots if _apart(s, taken)), spots[0]))
        taken.append(spot)
        ax.text(*spot, text, transform=ax.transAxes, ha="center", va="center", zorder=6, path_effects=style.halo())


def _apart(spot: Spot, taken: list[Spot]) -> bool:
    return all(abs(spot[0] - x) > 0.05 or abs(spot[1] - y) > 0.13 for x, y in taken)


def _is_free(spot: Spot, x: Array, curves: list[Array], taken: list[Spot]) -> bool:
    """Whether a letter at a spot (axes fractions) keeps off the letters so far and off all other lines."""
    near = np.abs(x - spot[0]) < 0.025
    crossed = any(bool((np.abs(curve[near] - spot[1]) < 0.055).any()) for curve in curves)
    return _apart(spot, taken) and not crossed


def name_areas(ax: Axes, across: Array, areas: Sequence[tuple[str, Array, Array]], least: float) -> None:
    """Write each text between its floor and top where there is most room, if that is at least so high."""
    grid = np.linspace(float(across[0]), float(across[-1]), 161)
    for text, floor, top in areas:
        low, high = np.interp(grid, across, np.nan_to_num(floor)), np.interp(grid, across, np.nan_to_num(top))
        reach = 3 + len(text)  # grid points to either side
        floors = np.lib.stride_tricks.sliding_window_view(low, 2 * reach + 1).max(axis=1)
        tops = np.lib.stride_tricks.sliding_window_view(high, 2 * reach + 1).min(axis=1)
        room = tops - floors
        if room.max() >= least:
            roomy = np.flatnonzero(room > 0.97 * room.max())
            k = int(roomy[len(roomy) // 2])
            look: dict[str, Any] = {
                "ha": "center",
                "va": "center",
                "path_effects": style.halo(2.2),
                "zorder": 6,
                "clip_on": True,
            }
            ax.text(grid[k + reach], 0.5 * (floors[k] + tops[k]), text, **look)


def spread_out(places: Sequence[float], distance: float) -> list[float]:
    """Places along 0 to 1, in rising order, moved as little as needed to lie `distance` apart."""
    groups: list[tuple[float, int]] = []  # middle and number of members

    def inside(middle: float, count: int) -> float:
        half = 0.5 * (count - 1) * distance
        return min(max(middle, half), max(1.0 - half, half))

    for place in places:
        middle, count = place, 1
        # a group pushed back from the upper end may reach the one before it
        while groups and middle - groups[-1][0] < 0.5 * (count + groups[-1][1]) * distance - 1e-13:
            other, members = groups.pop()
            middle, count = (middle * count + other * members) / (count + members), count + members
            middle = inside(middle, count)
        groups.append((inside(middle, count), count))
    return [middle + (k - 0.5 * (count - 1)) * distance for middle, count in groups for k in range(count)]


def shortened(text: str, most: int) -> str:
    """A text of at most so many letters."""
    return text if len(text) <= most else text[: most - 1] + "…"


def wrapped(text: str, most: int, lines: int) -> str:
    """A text in lines of at most so many letters, and at most so many lines; what is beyond is cut off visibly."""
    import textwrap

    kept = textwrap.wrap(text, most)
    return "\n".join([*kept[: lines - 1], shortened(" ".join(kept[lines - 1 :]), most)]).rstrip("\n")
