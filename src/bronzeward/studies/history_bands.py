"""A result with its bands: the quantiles of an ensemble beside the history, for figures, comparison and report.

`ensemble` gives bands of answers; this gives bands of the history as well, on the times of one run, and
keeps both in the result: variables that end in `_low` and `_high`, and the attribute `bands`.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

from bronzeward.errors import InputError
from bronzeward.growth.problem import DONE, STATUS
from bronzeward.inputs.case import Case, case_from_json
from bronzeward.model.answers import ANSWERS, numbers
from bronzeward.model.batch import Progress, Shared, checked_workers
from bronzeward.model.ready_engine import warm_engine
from bronzeward.model.result import Result, Variable
from bronzeward.studies.ensemble import Members, Spread
from bronzeward.studies.quantiles import METHOD, QUANTILES, quantiles

Array = NDArray[np.float64]

BANDED = ("thickness", "shell_thickness", "liquid_tin_fraction", "overfill")
"""Variables that get a band against time."""

FEWEST = 20
"""An ensemble smaller than this says nothing about a 5 % quantile."""


def with_bands(
    result: Result, spread: Spread | None = None, workers: int = 2, progress: Progress | None = None
) -> Result:
    """The same result with 5 to 95 % bands of its history and its answers.

    Parameters
    ----------
    result : Result
        Its own inputs are run again, with the constants (and what else `spread` names) varied.
    spread : Spread, optional
        Default: 200 members, all that `Spread.usual` names.
    workers : int
        Threads.
    progress : callable, optional
        Called with (done, all).

    Raises
    ------
    InputError
        When the ensemble is smaller than 20, or fewer than half of its members completed.
    """
    chosen = spread or Spread.usual(200)
    if chosen.size < FEWEST:
        raise InputError(f"bands: an ensemble of {chosen.size} is too small; allowed are {FEWEST} members and more")
    cases = list(Members(case_from_json(str(result.attributes["inputs"])), chosen))
    histories, answers = _run(cases, result["time"], workers, progress)
    done = answers["status"] == DONE
    if done.mean() < 0.5:
        raise InputError(f"bands: only {int(done.sum())} of {chosen.size} members completed; no bands can be given")
    variables = dict(result.variables)
    for name in BANDED:
        low, high = np.quantile(histories[name][done], (QUANTILES[0], QUANTILES[-1]), axis=0, method=METHOD)
        about = result.variables[name]
        for ending, values in (("low", low), ("high", high)):
            text = f"{about.attributes.get('long_name', name)}: {'5' if ending == 'low' else '95'} % of the ensemble"
            variables[f"{name}_{ending}"] = Variable(about.dims, values, {**about.attributes, "long_name": text})
    enough = max(FEWEST // 2, 0.5 * done.sum())
    bands = {k: quantiles(answers[k]).tolist() for k in ANSWERS if np.isfinite(answers[k]).sum() >= enough}
    described = {"size": chosen.size, "completed": int(done.sum()), **vars(chosen), "caveat": chosen.caveat()}
    attributes = {**result.attributes, "bands": json.dumps(bands), "bands_of": json.dumps(described)}
    return Result(variables, attributes)


def _run(
    cases: list[Case], time: Array, workers: int, progress: Progress | None
) -> tuple[dict[str, Array], dict[str, Array]]:
    """Histories on common times, shape (members, times, ...), and answers, shape (members,)."""
    checked_workers(workers)
    shared = Shared(cases, "quick")
    warm_engine()
    answers = {name: np.full(len(cases), np.nan) for name in (*ANSWERS, "status")}
    rows: list[dict[str, Array]] = []
    for k, (status, history, values) in enumerate(_in_order(lambda case: _one(shared, case, time), cases, workers)):
        answers["status"][k] = status
        rows.append(history)
        for name, value in values.items():
            answers[name][k] = value
        if progress is not None:
            progress(k + 1, len(cases))
    return {name: np.stack([row[name] for row in rows]) for name in BANDED}, answers


One = tuple[int, dict[str, Array], dict[str, float]]


def _in_order(run: Callable[[Case], One], cases: list[Case], workers: int) -> Iterator[One]:
    with ThreadPoolExecutor(workers) as pool:
        yield from pool.map(run, cases)


def _one(shared: Shared, case: Case, time: Array) -> One:
    """Status, history on `time` and answers of one member."""
    recorded = shared.integrate(case)
    if recorded.counts[STATUS] != DONE:
        recorded = shared.integrate(case, careful=True)
    history = shared.history([case], recorded)
    done = recorded.counts[STATUS] == DONE
    moved = {name: _at(time, history.time, history[name]) for name in BANDED}
    return recorded.counts[STATUS], moved, numbers(history) if done else {}


def _at(wanted: Array, time: Array, values: Array) -> Array:
    """Values at other times, column by column."""
    if values.ndim == 1:
        return np.interp(wanted, time, values)
    return np.stack([np.interp(wanted, time, column) for column in values.T], axis=1)


__all__ = ["BANDED", "with_bands"]
