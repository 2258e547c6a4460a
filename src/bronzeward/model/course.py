"""What rules of answers look at: the columns of a run, or of several end to end, and the rows that matter in each.

Rules are the same for one run and for many: what they ask for comes as one number or row for each run, shape (n_runs,).
"""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bronzeward.materials.phases import PHASES
from bronzeward.model.between_rows import Array, lagrange, least_of_cubics, vertices, weighted, zeros
from bronzeward.model.recording import APART

Rows = NDArray[np.intp]

Moments = tuple[Rows, Array]
"""Four rows and their weights, together a moment of each run; each of shape (n_runs, 4).

The second row, which is closest to it, is `NOWHERE` in a run that has no such moment.
"""

NOWHERE = -1
"""The row of what does not happen in a run."""

MOST_LATE = 0.01
"""Share of a step, up to which the moment by which a row after an event is stored late does not count."""

ROUND = np.array([-1, 0, 1])
"""A row and its neighbours."""

ACROSS = np.array([-1, 0, -2, 1])
"""The rows between which values pass, and their neighbours."""

ROUNDING = 1e-12
"""Share of the core's offset that is rounding of what lies beside it."""


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
    def copper_margin(self) -> Array:
        """Thickness of the copper outside the shell, filaments in a pack included [m], shape (n_times,).

        On the thin side where the core lies off the axis: layers grow alike all round, what is left there is less; it
        is negative once the shell has reached the barrier there.
        """
        return np.asarray(self.thickness[:, PHASES.index("alpha")] - self.of_run("core_offset_m")[self.run])

    @cached_property
    def copper(self) -> Array:
        """The same where there is some, else 0."""
        return np.maximum(self.copper_margin, 0.0)

    @cached_property
    def least_copper(self) -> Moments:
        """The moment of least copper outside the shell with liquid.

        The shell mostly grows until the liquid goes, so the row in which it has just gone counts as well: the answer
        would else depend on how close to that moment the row before happens to lie. Where the copper passes through
        its least smoothly, as when compound dissolves on cooling, that lies between rows. At the least itself nothing
        changes, but what else is read there does. Where no copper is left it is the moment at which the last of it
        goes, which on the thin side of a core off the axis lies between rows as well.
        """
        near, margin = self._near_liquid, self.copper_margin
        rows, weights = self._least(self.copper, near, near & (margin > 0.0))
        below = np.flatnonzero(weighted(weights, margin[rows]) < 0.0)
        used = weights[below] != 0.0
        if below.size:  # only between rows
            nodes, values = self.time[rows[below]], margin[rows[below]]
            at = zeros(nodes, used, values, nodes[:, 0], weighted(weights[below], nodes))
            weights[below] = lagrange(nodes, at, used)
        gone = self.first(near & (margin < 0.0))
        passed, passed_weights = self.passing(-margin, gone)
        reached = (gone != NOWHERE)[:, None]
        return np.where(reached, passed, rows), np.where(reached, passed_weights, weights)

    @cached_property
    def copper_left(self) -> Array:
        """Least thickness of copper outside the shell with liquid [m], shape (n_runs,); nan without liquid."""
        left = self.read(self.copper_margin, self.least_copper)
        # what bisection leaves of nothing
        left[left <= ROUNDING * self.of_run("core_offset_m")] = 0.0
        return left

    @cached_property
    def _near_liquid(self) -> NDArray[np.bool_]:
        """Whether there is liquid in a row, or was in the one before."""
        near = self.liquid.copy()
        near[1:] |= self.liquid[:-1]
        near[self.starts] = self.liquid[self.starts]
        return near

    def passing(self, values: Array, rows: Rows) -> Moments:
        """When values pass zero upwards between a row of each run and the one before, where they were below.

        It is that row where it is the first, or where they jump there, and `NOWHERE` where that is. What happens as a
        layer is used up is no jump.
        """
        around = rows[:, None] + ACROSS
        inside = (rows != NOWHERE) & (rows > self.starts)
        inside[inside] = self.time[rows[inside]] - self.time[rows[inside] - 1] > 2.0 * APART
        inside[inside] = (values[rows[inside] - 1] < 0.0) & (values[rows[inside]] > 0.0)
        used = np.zeros(around.shape, dtype=bool)
        used[inside, :2] = True
        used[:, 2] = inside & (around[:, 2] >= self.starts)
        used[used[:, 2], 2] = self._even[rows[used[:, 2]] - 1]
        used[:, 3] = inside & (around[:, 3] < self.ends)
        used[used[:, 3], 3] = self._even[rows[used[:, 3]]]
        at = np.where(used, around, rows[:, None])
        weights = np.tile([0.0, 1.0, 0.0, 0.0], (len(rows), 1))
        if inside.any():
            nodes = self.time[at[inside]]
            moment = zeros(nodes, used[inside], values[at[inside]], nodes[:, 0], nodes[:, 1])
            weights[inside] = lagrange(nodes, moment, used[inside])
        return at, weights

    @cached_property
    def most_liquid(self) -> Moments:
        """The moment of most liquid, by atoms."""
        return self._least(-self.liquid_mole_fraction, self.liquid, self.liquid)

    @cached_property
    def most_molten_tin(self) -> Moments:
        """The moment at which most of the tin is liquid."""
        return self._least(-self.liquid_tin_fraction, self.liquid, self.liquid)

    @cached_property
    def most_overfill(self) -> Moments:
        """The moment of the largest overfill."""
        always = np.ones(len(self.time), dtype=bool)
        return self._least(-self.overfill, always, always)

    def read(self, values: Array, moments: Moments) -> Array:
        """A column at a moment of each run; nan where there is none."""
        rows, weights = moments
        return np.where(rows[:, 1] == NOWHERE, np.nan, weighted(weights, values[rows]))

    def _least(self, values: Array, among: NDArray[np.bool_], smooth: NDArray[np.bool_]) -> Moments:
        """When values are least in each run among some rows, between rows where they pass through that smoothly.

        That is where the parabola through the lowest row and its neighbours is least. It is only laid through `smooth`
        rows, and where nothing happens from the first to the third; where something happens at the lowest row, through
        the three rows on either side. A fourth row beyond the least makes it a cubic: few rows lie skew to it.
        """
        known = np.where(among, values, np.inf)
        least = np.minimum.reduceat(known, self.starts)
        lowest = self.first(among & (known == least[self.run]))
        rows, weights = np.repeat(lowest[:, None], 4, axis=1), np.tile([0.0, 1.0, 0.0, 0.0], (len(lowest), 1))
        middle, lowest_at = lowest[:, None] + ROUND, np.full((len(lowest), 3), np.nan)
        inside = (rows[:, :3] != NOWHERE) & (middle > self.starts[:, None]) & (middle < self.ends[:, None] - 1)
        inside[inside] = self._even[middle[inside]] & smooth[middle[inside][:, None] + ROUND].all(axis=1)
        inside[:, [0, 2]] &= ~inside[:, [1]]
        three = middle[inside][:, None] + ROUND
        lowest_at[inside] = vertices(self.time[three], values[three])
        at_vertices = np.full((len(lowest), 3), np.inf)
        reached = weighted(lagrange(self.time[three], lowest_at[inside]), values[three])
        at_vertices[inside] = np.nan_to_num(reached, nan=np.inf)
        best = at_vertices.argmin(axis=1)
        runs = np.flatnonzero(np.isfinite(at_vertices).any(axis=1) & (at_vertices.min(axis=1) <= least))
        chosen, moment = middle[runs, best[runs]], lowest_at[runs, best[runs]]
        rows[runs], weights[runs] = self._refined(values, chosen, moment, smooth)
        return rows, weights

    def _refined(self, values: Array, middle: Rows, moment: Array, smooth: NDArray[np.bool_]) -> Moments:
        """The moment of a parabola round some rows, or of the cubic that takes in the row beyond it as well."""
        run, side = self.run[middle], np.where(moment < self.time[middle], -1, 1)
        fourth = middle + 2 * side
        there = (fourth >= self.starts[run]) & (fourth < self.ends[run])
        there[there] = self._even[(middle + side)[there]] & smooth[fourth[there]]
        rows = np.column_stack([middle[:, None] + ROUND, np.where(there, fourth, middle)])
        weights = np.zeros((len(rows), 4))
        weights[:, :3] = lagrange(self.time[rows[:, :3]], moment)
        at = least_of_cubics(self.time[rows[there]], values[rows[there]], moment[there])
        weights[there] = lagrange(self.time[rows[there]], at)
        return rows, weights

    @cached_property
    def _happened(self) -> NDArray[np.bool_]:
        """Whether something happens between a row and the one before; one row more than there are."""
        happened = np.zeros(len(self.time) + 1, dtype=bool)
        happened[self.after_events] = True
        return happened

    @cached_property
    def _even(self) -> NDArray[np.bool_]:
        """Whether nothing happens from the row before to the one after, and temperature goes on as it did."""
        even, steps = np.zeros(len(self.time), dtype=bool), np.diff(self.time)
        with np.errstate(divide="ignore", invalid="ignore"):  # from one run to the next time goes anywhere
            slopes = np.diff(self.temperature) / steps
            # rows after an event are stored a moment late, which makes the slope there a little steeper
            late = 2.0 * APART / np.minimum(steps[:-1], steps[1:])
            steepest = np.maximum(np.abs(slopes[:-1]), np.abs(slopes[1:]))
            even[1:-1] = np.abs(np.diff(slopes)) <= np.where((0.0 < late) & (late < MOST_LATE), late, 1e-6) * steepest
        return np.asarray(even & ~self._happened[:-1] & ~self._happened[1:])
