"""States at moments asked for: a run is computed again to where its file holds no state."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from bronzeward.errors import InputError
from bronzeward.inputs.case import case_from_json
from bronzeward.model.moments import find_moment, seconds_of
from bronzeward.model.result import Result

NEAR = 0.01
"""A stored state so near in time to the one asked for is it [s]; states around an event lie a millisecond apart."""

SAME = 1e-3
"""Share of all atoms by which the end of a run computed again may differ from the stored one."""


def with_states_at(result: Result, moments: Sequence[str]) -> tuple[Result, str]:
    """The result with a state at every moment of `moments`, and why not, where that cannot be.

    A time or temperature between two stored states is no state: the case that the result carries is run again,
    landing there. Where it cannot be, or comes out otherwise (another version, a description that has changed), the
    result stays as it is and `find_moment` takes the nearest stored state.

    Raises
    ------
    InputError
        For a moment that the run does not have.
    """
    times = [seconds for text in moments if (seconds := seconds_of(result, text)) is not None]
    missing = [seconds for seconds in times if np.abs(result["time"] - seconds).min() > NEAR]
    if not missing:
        return result, ""
    from bronzeward.model.simulation import run_case  # only where something is computed

    try:
        case = case_from_json(result.attributes["inputs"])
        plan = case.schedule
        time = np.union1d(plan.time, np.round(missing, 3))
        dense = replace(plan, time=time, temperature=plan.temperature_at(time), steps=())
        again = run_case(replace(case, schedule=dense))
    except InputError as error:
        return result, f"the run cannot be computed again ({error})"
    if not _same_end(result, again):
        return result, "computed again, the run does not come out as it is stored"
    return Result(again.variables, result.attributes), ""


def state_at(result: Result, moment: str) -> tuple[Result, int]:
    """The result with a state at a moment, where that can be (see `with_states_at`), and the row of it."""
    result, _ = with_states_at(result, [moment])
    return result, find_moment(result, moment)


def _same_end(stored: Result, again: Result) -> bool:
    """Whether both come from the same version and description, and end with the same phases."""
    versions = [json.loads(str(run.attributes.get("versions", "{}"))).get("bronzeward") for run in (stored, again)]
    described = [run.attributes.get("tdb_sha256") for run in (stored, again)]
    ends = [run["amount"][-1] / run["total_atoms"][-1] for run in (stored, again)]
    return versions[0] == versions[1] and described[0] == described[1] and bool(np.abs(ends[0] - ends[1]).max() < SAME)
