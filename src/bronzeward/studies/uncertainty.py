"""Bands: what an answer may be, given how well constants, wire and furnace are known.

Every member of an ensemble (see `ensemble`) is a run of its own; the band of an answer is its quantiles over them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from bronzeward.inputs.case import Case
from bronzeward.model.answers import ANSWERS, Answer
from bronzeward.model.batch import Progress, run_batch
from bronzeward.model.provenance import provenance
from bronzeward.model.result import Result, Variable, cf_attributes
from bronzeward.studies.ensemble import SOURCES, Members, Spread, run_members
from bronzeward.studies.quantiles import QUANTILES, first_half, quantile_errors, quantiles, rank_shares

if TYPE_CHECKING:
    import xarray as xr


def band(
    case: Case,
    spread: Spread | None = None,
    workers: int = 2,
    progress: Progress | None = None,
    precision: str = "quick",
) -> xr.Dataset:
    """Median and 5 to 95 % band of every answer of a case.

    Returns
    -------
    xarray.Dataset
        SI units. For each answer A of `answers.ANSWERS`: A (quantile); A_single, the run with the
        constants as they stand; A_error (quantile), standard error of the quantiles;
        A_half (quantile), quantiles of the first half of the members; A_share (source), share of the
        variance of A's ranks that each source explains (squared rank correlation: exact for monotonic
        answers, sources being independent); A_members (member); A_present, share of members that have
        such a moment. Quantiles are over those.
    """
    return band_columns(case, spread, workers, progress, precision).to_dataset()


def band_columns(
    case: Case,
    spread: Spread | None = None,
    workers: int = 2,
    progress: Progress | None = None,
    precision: str = "quick",
) -> Result:
    """The same as `band`, without xarray."""
    spread = spread or Spread.usual()
    members = Members(case, spread)
    answers, single = run_members(members, workers, progress, precision), run_batch([case], precision=precision)
    sources = members.sources()
    z = members.z[:, [SOURCES.index(source) for source in sources]]
    shares = rank_shares({name: answers[name] for name in ANSWERS}, z)
    columns: dict[str, Variable] = {}
    for name, answer in ANSWERS.items():
        columns |= _columns(answer, answers[name], single[name], shares[name])
    columns["status"] = Variable(("member",), answers["status"], {"long_name": "0 where the run completed"})
    coordinates = {
        "quantile": (np.array(QUANTILES), {"units": "1", "long_name": "quantile over the members"}),
        "source": (np.array(sources, dtype=str), {"long_name": "what varies from member to member"}),
        "member": (np.arange(spread.size), {"long_name": "number of the member"}),
    }
    named = {name: Variable((name,), *values) for name, values in coordinates.items()}
    attributes = {
        **cf_attributes(case.title or "band of answers"),
        "seed": spread.seed,
        "size": spread.size,
        "outside": spread.outside,
        "core_diameter": spread.core_diameter,
        "eccentricity": spread.eccentricity,
        "furnace_offset_K": spread.furnace_offset,
        "caveat": spread.caveat(),
        **provenance(case),
    }
    return Result(columns | named, attributes)


def _columns(
    answer: Answer, values: NDArray[np.float64], single: NDArray[np.float64], shares: NDArray[np.float64]
) -> dict[str, Variable]:
    """The band of one answer over its runs, that of the case itself, shape (1,), and the shares of the sources."""
    name = answer.key

    def column(dims: tuple[str, ...], data: NDArray[np.float64], more: str = "", unit: str = answer.unit) -> Variable:
        return Variable(dims, data, {"units": unit, "long_name": f"{answer.text}{more}"})

    over = ("quantile",)
    return {
        name: column(over, quantiles(values)),
        f"{name}_error": column(over, quantile_errors(values), ": standard error"),
        f"{name}_half": column(over, quantiles(first_half(values)), ": first half of the members"),
        f"{name}_single": column((), single.reshape(()), ": constants as they stand"),
        f"{name}_present": Variable(
            (), np.asarray(np.isfinite(values).mean()), {"units": "1", "long_name": "share of members"}
        ),
        f"{name}_share": column(("source",), shares, ": share of rank variance", "1"),
        f"{name}_members": column(("member",), values),
    }
