"""What rules of answers look at: the columns of a run, or of several end to end, and the rows that matter in each.

Rules are the same for one run and for many: what they ask for comes as one number or row for each run, shape (n_runs,).
"""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bronzeward.materials.phases import PHASES

Array = NDArray[np.float64]
Rows = NDArray[np.intp]

NOWHERE = -1
"""The row of what does not happen in a run."""

ROUND = np.array([-1, 0, 1])
"""A row and its neighbours."""


class Course:
    """The columns of a history that rules look at, and rows of each run.

    `history` gives columns by name. A `History` of several runs says where each begins (`starts`) and whose the events
    are (`event_run`); anything else is one run.
    """

    def __init__(self, history: Any) -> None:
        self.history = history
        self.starts: Rows = np.asarray(getattr(history, "starts", (0,)), dtype=np.intp)

    def __getattr__(self, name: str) -> Array:
        values = np.asarray(self.history[name])
        setattr(self, name, values)
        return values

    @cached_property
    def ends(self) -> Rows:
        """The row after the last of each run."""
        return np.append(self.starts[1:], len(self.time))

    @cached_property
    def run(self) -> Rows:
        """The run of each row."""
        return np.repeat(np.arange(len(self.starts)), self.ends - self.starts)

    def of_run(self, name: str) -> Array:
        """A number of each whole run: an attribute of a result or Dataset, a value of a dict."""
        holders = (getattr(self.history, name, None) for name in ("attributes_of_runs", "attributes", "attrs"))
        values = next((holder for holder in holders if holder), self.history)
        return np.atleast_1d(np.asarray(values[name], dtype=float))

    def first(self, chosen: NDArray[np.bool_]) -> Rows:
        """The first of the chosen rows of each run."""
        rows = np.append(np.flatnonzero(chosen), len(chosen))
        found = rows[np.searchsorted(rows, self.starts)]
        return np.where(found < self.ends, found, NOWHERE)

    def last(self, chosen: NDArray[np.bool_]) -> Rows:
        """The last of the chosen rows of each run."""
        rows = np.append(NOWHERE, np.flatnonzero(chosen))
        found = rows[np.searchsorted(rows, self.ends) - 1]
        return np.where(found >= self.starts, found, NOWHERE)

    def most(self, values: Array) -> Array:
        """The largest value of each run."""
        return np.asarray(np.maximum.reduceat(values, self.starts))

    def at(self, values: Array, rows: Rows) -> Array:
        """Values in a row of each run; nan where the row is `NOWHERE`."""
        return np.where(rows == NOWHERE, np.nan, values[rows])

    def after(self, rows: Rows) -> Rows:
        """The rows that follow, `NOWHERE` behind the end of a run."""
        return np.where((rows == NOWHERE) | (rows + 1 == self.ends), NOWHERE, rows + 1)

    def before(self, rows: Rows) -> Rows:
        """The rows before, of the first of a run that itself."""
        return np.where(rows == NOWHERE, NOWHERE, np.maximum(rows - 1, self.starts))

    @cached_property
    def liquid(self) -> NDArray[np.bool_]:
        """Whether there is liquid in a row."""
        return np.asarray(self.liquid_mole_fraction > 0)

    @cached_property
    def first_liquid_row(self) -> Rows:
        """The first row with liquid."""
        return self.first(self.liquid)

    @cached_property
    def after_events(self) -> Rows:
        """The first row after each event."""
        return self.event_row.astype(np.intp)

    def _after_event(self, name: str) -> Rows:
        """The first row after the first event of that name."""
        backwards = np.flatnonzero(self.event_name == name)[::-1]
        run = getattr(self.history, "event_run", np.zeros_like(self.after_events))
        rows = np.full(len(self.starts), NOWHERE)
        rows[run[backwards]] = self.after_events[backwards]  # of several in a run the first stays
        return rows

    @cached_property
    def eta_split_row(self) -> Rows:
        """The first row after eta has become unstable."""
        return self._after_event("eta decomposes")

    @cached_property
    def melting_row(self) -> Rows:
        """The first row after solid tin has melted."""
        return self._after_event("tin melts")

    @cached_property
    def above_eta_row(self) -> Rows:
        """The first row hotter than eta is stable."""
        return self.first(self.temperature > self.of_run("eta_limit_K")[self.run])

    @cached_property
    def copper(self) -> Array:
        """Thickness of the copper outside the shell, filaments in a pack included [m], shape (n_times,).

        On the thin side where the core lies off the axis: layers grow alike all round, what is left there is less.
        """
        left = self.thickness[:, PHASES.index("alpha")] - self.of_run("core_offset_m")[self.run]
        return np.asarray(np.maximum(left, 0.0))

    @cached_property
    def least_copper(self) -> tuple[Rows, Array]:
        """Three rows and their weights, together the moment of least copper outside the shell with liquid.

        Each of shape (n_runs, 3); the middle row is `NOWHERE` without liquid.

        The shell mostly grows until the liquid goes, so the row in which it has just gone counts as well: the answer
        would else depend on how close to that moment the row before happens to lie. Where the copper passes through
        its least smoothly, as when compound dissolves on cooling, that lies between rows: at the vertex of the
        parabola through three of them. At the vertex itself nothing changes, but what else is read there does.
        """
        near = self.liquid.copy()
        near[1:] |= self.liquid[:-1]
        near[self.starts] = self.liquid[self.starts]
        copper = np.where(near, self.copper, np.inf)
        least = np.minimum.reduceat(copper, self.starts)
        lowest = self.first(near & (copper == least[self.run]))
        rows, weights = np.repeat(lowest[:, None], 3, axis=1), np.tile([0.0, 1.0, 0.0], (len(lowest), 1))
        # that row, or parabolas round the one before, itself and the one after; of equals the first
        middle, vertices = lowest[:, None] + ROUND, np.zeros((len(lowest), 3, 3))
        inside = (rows != NOWHERE) & (middle > self.starts[:, None]) & (middle < self.ends[:, None] - 1)
        inside[inside] = self._smooth(middle[inside], near)
        three = middle[inside][:, None] + ROUND
        vertices[inside] = _vertices(self.time[three], self.copper[three])
        values = np.full((len(lowest), 4), np.inf)
        values[:, 0] = least
        values[:, 1:][inside] = np.nan_to_num(_weighted(vertices[inside], self.copper[three]), nan=np.inf)
        best = values.argmin(axis=1) - 1
        runs = np.flatnonzero(best >= 0)
        rows[runs] = middle[runs, best[runs]][:, None] + ROUND
        weights[runs] = vertices[runs, best[runs]]
        return rows, weights

    def _smooth(self, middle: Rows, near: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Whether copper is there and nothing happens from the row before to the one after, and temperature goes on."""
        happened = np.zeros(len(self.time) + 1, dtype=bool)
        happened[self.after_events] = True
        three = middle[:, None] + ROUND
        slopes = np.diff(self.temperature[three], axis=1) / np.diff(self.time[three], axis=1)
        steady = np.abs(slopes[:, 1] - slopes[:, 0]) <= 1e-6 * np.abs(slopes).max(axis=1)
        there = near[three].all(axis=1) & (self.copper[three] > 0.0).all(axis=1)
        return np.asarray(there & steady & ~happened[middle] & ~happened[middle + 1])

    def where_copper_is_least(self, name: str) -> Array:
        """A column at the moment of `least_copper`; nan without liquid."""
        rows, weights = self.least_copper
        return np.where(rows[:, 1] == NOWHERE, np.nan, _weighted(weights, getattr(self, name)[rows]))


def _weighted(weights: Array, values: Array) -> Array:
    """Sums of three weighted values, both of shape (n, 3)."""
    return np.asarray((weights[:, None, :] @ values[:, :, None])[:, 0, 0])


def _vertices(time: Array, values: Array) -> Array:
    """Weights of three values each that give the parabola through them at its least, shape (n, 3); nan outside."""
    slopes = np.diff(values, axis=1) / np.diff(time, axis=1)
    bend = (slopes[:, 1] - slopes[:, 0]) / (time[:, 2] - time[:, 0])
    with np.errstate(divide="ignore", invalid="ignore"):
        at = 0.5 * (time[:, 0] + time[:, 1]) - 0.5 * slopes[:, 0] / bend
    between = (bend > 0.0) & (time[:, 0] < at) & (at < time[:, 2])
    away = np.where(between, at, np.nan)[:, None] - time
    gaps = (time - np.roll(time, 1, axis=1)) * (time - np.roll(time, 2, axis=1))
    return np.asarray(np.roll(away, -1, axis=1) * np.roll(away, -2, axis=1) / gaps)
