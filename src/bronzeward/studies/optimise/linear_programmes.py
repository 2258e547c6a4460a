"""Downhill from a candidate, on the grid, by linear programmes in whole steps.

At a candidate each value is tried some steps lower and higher. From what that does to the limits, the
shortest candidate within those steps that should keep all of them is a small integer linear programme
(solved by scipy's HiGHS). It is then run. Where a limit turns out worse than foretold, the forecast is
corrected by the difference and solved again; where that does not help, the steps are halved. The search ends
where single steps of the grid lead to nothing shorter.

An answer that cannot fall below a floor (no eta is no eta) is flat on one side, so the slope of a limit is
taken on the side where it gets worse.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bronzeward.studies.optimise.feasibility import Candidates, Place

Array = NDArray[np.float64]

TRIALS = 6
"""Forecasts that are corrected before the steps are halved."""

PRICE = 100.0
"""Hours that breaking a limit costs in a forecast, over the hours that all steps together can save."""


@dataclass(frozen=True)
class Forecast:
    """Rules, limits and length near a candidate, linear in steps of the grid.

    Attributes
    ----------
    excess : ndarray, shape (n_bounds,)
        Of the rules, then of the limits, at the candidate.
    slope : ndarray, shape (n_bounds, n_free)
    hours : ndarray, shape (n_free,)
        Length gained by one step up.
    low, high : ndarray, shape (n_free,)
        Steps that may be taken.
    """

    excess: Array
    slope: Array
    hours: Array
    low: Array
    high: Array


def descend(pool: Candidates, start: Place, first: float, last: float = 0.0) -> Place:
    """The shortest candidate found downhill from a start; first and last steps are shares of each range."""
    best = start
    steps, least = (np.maximum(1, np.round(share * np.array(pool.most))).astype(int) for share in (first, last))
    pool.run([best])
    while True:
        better = _next(pool, best, forecast(pool, best, steps))
        if better is not None:
            best = better
        elif (steps <= least).all():
            return best
        else:
            steps = np.maximum(least, steps // 2)


def moved(pool: Candidates, place: Place, by: Array) -> Place:
    """A place some steps away, within the bounds."""
    return tuple(min(max(k + round(d), 0), most) for k, d, most in zip(place, by, pool.most, strict=True))


def forecast(pool: Candidates, place: Place, steps: NDArray[np.int64]) -> Forecast:
    """Slopes from candidates with one value changed."""
    size = len(place)
    near = [moved(pool, place, by) for by in np.concatenate([np.diag(-steps), np.diag(steps)])]
    pool.run(near)
    excess = _excess(pool, place)
    slope, hours = np.zeros((excess.size, size)), np.zeros(size)
    low, high = np.zeros(size), np.zeros(size)
    for i in range(size):
        sides = [p for p in (near[i], near[size + i]) if p != place and pool.case(p) is not None]
        by = np.array([p[i] - place[i] for p in sides], dtype=float)
        if not sides:
            continue
        low[i], high[i] = min(by.min(), 0.0), max(by.max(), 0.0)
        hours[i] = np.mean((np.array([pool.length(p) for p in sides]) - pool.length(place)) / by)
        changes = np.array([_excess(pool, p) - excess for p in sides])
        worse = np.argmax(changes, axis=0)
        slope[:, i] = changes[worse, np.arange(excess.size)] / by[worse]
    return Forecast(excess, slope, hours, low, high)


def _excess(pool: Candidates, place: Place) -> Array:
    """Excess of rules and limits; a limit whose moment never comes is far inside."""
    case = pool.case(place)
    assert case is not None
    return np.concatenate([np.maximum(pool.rules.excess(case.schedule), -1.0), pool.excess(place)])


def _next(pool: Candidates, best: Place, near: Forecast) -> Place | None:
    """A candidate to be preferred to the best, if the forecast leads to one."""
    doubt = np.zeros_like(near.excess)
    for _ in range(TRIALS):
        by = _solved(near, doubt)
        trial = moved(pool, best, by)
        if trial == best or pool.case(trial) is None:
            return None
        pool.check([trial])
        if pool.better(trial, best):
            pool.run([trial])
            return trial
        off = _excess(pool, trial) - (near.excess + near.slope @ by + doubt)
        wrong = np.nan_to_num(off, nan=0.0) * (np.nan_to_num(_excess(pool, trial), nan=0.0) > 0.0)
        if not (wrong > 0.0).any():
            return None
        doubt += np.maximum(wrong, 0.0)
    return None


def _solved(near: Forecast, doubt: Array) -> Array:
    """Steps to the shortest place that should keep everything; to the least broken where none does."""
    from scipy.optimize import Bounds, LinearConstraint, milp

    size, rows = near.hours.size, near.excess.size
    reach = np.maximum(-near.low, near.high)
    norm = np.abs(near.slope) @ reach
    norm = np.where(norm > 0.0, norm, 1.0)
    price = PRICE * (1.0 + float(np.abs(near.hours) @ reach))
    solved = milp(
        np.concatenate([near.hours, np.full(rows, price)]),
        integrality=np.concatenate([np.ones(size), np.zeros(rows)]),
        bounds=Bounds(np.append(near.low, np.zeros(rows)), np.append(near.high, np.full(rows, np.inf))),
        constraints=LinearConstraint(
            np.hstack([near.slope / norm[:, None], -np.eye(rows)]), ub=-(near.excess + doubt) / norm
        ),
    )
    return np.zeros(size) if solved.x is None else np.round(solved.x[:size])
