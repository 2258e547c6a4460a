"""The shortest schedule that keeps its limits, for constants no better known than they are.

Some values of a case are free between bounds. Wanted is the least total time for which every limit holds
with its stated confidence: in at least that share of the members of an ensemble. All candidates meet the
same members (common random numbers), so two candidates differ by what they do, not by luck.

The search starts from the best of places scattered over the grid of values a furnace can be set to (a Latin
hypercube), and from each goes downhill (`descent.py`). On the way few members judge, those near the one that
decides; they are chosen again, with all members, where a descent ends, until it ends where it began. The
last descent is judged by so many that its end is judged by all.

A schedule chosen for some members suits these a little better than others. So the search is made again, aiming at more
than is asked for, until members drawn anew keep the limits as asked; how many of still other members do is told.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isfinite
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from bronzeward.errors import InputError
from bronzeward.inputs.case import Case
from bronzeward.inputs.case_values import case_with, value_at, with_values
from bronzeward.model.batch import Progress
from bronzeward.model.provenance import provenance
from bronzeward.studies.ensemble import Members, Spread, run_members
from bronzeward.studies.optimise.feasibility import Candidates, Place
from bronzeward.studies.optimise.limits import Free, Limit, Rules
from bronzeward.studies.optimise.linear_programmes import descend, moved

if TYPE_CHECKING:
    import xarray as xr

PLACES_EACH = 6
"""Scattered places for each free value."""

STARTS = 3
"""Scattered places from which the search goes downhill, unless two ends agree before."""

AGREED = 0.01
"""Share of their length by which the ends of two descents may differ and still agree."""

COARSE = (1 / 8, 1 / 64)
"""First and last steps, as shares of each range, of the descents from the starts."""

FINE = (1 / 32, 0.0)
FINEST = (1 / 128, 0.0)
"""The same of the next descent, and of the last one; 0 is one step of the grid."""

AROUND = 4
"""Members on either side of the deciding one that judge the first descent from a start."""

SOME = 4
"""Members more than may break a limit that are watched for each end of a descent."""

CHECKING, OTHERS = 500_009, 1_000_003
"""What is added to the seed for members that say what to aim at, and for those that have no part in a search."""

NEW = 10, 1000
"""Members drawn anew for each of the search, and at most."""

AIMS = 4
"""Most times that a search aims higher."""

ROUNDS = 8
"""Most times that members are chosen again."""


@dataclass(frozen=True)
class Shortest:
    """What a search found.

    Attributes
    ----------
    hours : float, [h]
    values : dict of float, by path
    feasible : bool
        False when no candidate kept all limits; then the one that breaks them least.
    inputs : dict
        The case with these values, as a case file has it.
    reached : dict of float
        By limit (in words), the answer at the limit's confidence, SI units; nan where the moment never comes.
    kept : dict of float
        By limit, share of the members that keep it.
    kept_by_others : dict of float
        The same among members drawn anew that had no part in the search.
    others : int
        How many these are.
    aims : dict of float
        By limit, the share of its own members that the search made keep it.
    binding : tuple of str
        Limits and bounds that stop it from being shorter.
    candidates : int
        Candidates that were run.
    caveat : str
        What the members hold and leave out.
    """

    hours: float
    values: dict[str, float]
    feasible: bool
    inputs: dict[str, Any]
    limits: tuple[Limit, ...]
    reached: dict[str, float]
    kept: dict[str, float]
    kept_by_others: dict[str, float]
    others: int
    aims: dict[str, float]
    binding: tuple[str, ...]
    candidates: int
    caveat: str

    @property
    def case(self) -> Case:
        """The case with the values found."""
        return case_with(self.inputs, {})


def shorten(
    case: Case,
    free: Sequence[Free],
    limits: Sequence[Limit],
    rules: Rules | None = None,
    spread: Spread | None = None,
    seed: int = 1,
    workers: int = 2,
    progress: Progress | None = None,
    precision: str = "quick",
    for_others: bool = True,
) -> Shortest:
    """The shortest schedule that keeps all limits.

    Parameters
    ----------
    case : Case
    free : sequence of Free
        Values to choose; their grids are what the answer is exact to.
    limits : sequence of Limit
    rules : Rules, optional
    spread : Spread, optional
        The ensemble over which confidences are counted.
    seed : int
        Of the search; another seed should find the same length.
    progress : callable, optional
        progress(candidates run so far, 0), since nobody knows how many there will be; (all, all) at the end.
    for_others : bool
        Whether the confidences are to hold for members drawn anew; else for those of the search.
    """
    pool = _begin(case, free, limits, rules, spread, workers, progress, precision)
    return _result(pool, _searched(pool, seed, for_others=for_others))


def trade_off(
    case: Case,
    free: Sequence[Free],
    limits: Sequence[Limit],
    vary: int,
    values: Sequence[float],
    rules: Rules | None = None,
    spread: Spread | None = None,
    seed: int = 1,
    workers: int = 2,
    progress: Progress | None = None,
    precision: str = "quick",
    for_others: bool = True,
) -> xr.Dataset:
    """Least hours against the value of one limit, the others kept.

    Runs made for one value serve the others, and each search knows what the ones before have found.

    Parameters
    ----------
    vary : int
        Which of `limits`.
    values : sequence of float
        Its values, SI units.

    Returns
    -------
    xarray.Dataset
        Over (limit): hours [h], feasible, and each free value by path.
    """
    import xarray as xr

    if not 0 <= vary < len(limits):
        raise InputError(f"shorten: limit number {vary}; there are {len(limits)}, counted from 0")
    if not values:
        raise InputError("shorten: no values for the curve")
    base = limits[vary]
    each = [[*limits[:vary], replace(base, value=value), *limits[vary + 1 :]] for value in values]
    pool = _begin(case, free, each[0], rules, spread, workers, progress, precision)
    places: list[Place] = []
    aims = []
    for wanted in each:
        pool.limits = tuple(wanted)
        places.append(_searched(pool, seed, places, for_others))
        aims.append(pool.aims)
    results = []
    for wanted, aimed, place in zip(each, aims, places, strict=True):
        pool.limits, pool.aims = tuple(wanted), aimed
        # what keeps a stricter limit keeps this one
        results.append(_result(pool, pool.best([place, *_confirmed(pool, places)])))
    columns: dict[str, object] = {
        "hours": ("limit", [one.hours if one.feasible else np.nan for one in results], {"units": "h"}),
        "feasible": ("limit", np.array([one.feasible for one in results], dtype=np.int8)),
    }
    for path in results[0].values:
        columns[path] = ("limit", [one.values[path] for one in results])
    about = {"answer": base.answer, "kind": base.kind, "confidence": base.confidence, **provenance(case)}
    about["caveat"] = pool.spread.caveat()
    return xr.Dataset(columns, {"limit": list(values)}, about)


def _begin(
    case: Case, free: Sequence[Free], limits: Sequence[Limit], rules: Rules | None, spread: Spread | None,
    workers: int, progress: Progress | None, precision: str,
) -> Candidates:  # fmt: skip
    if not free:
        raise InputError("shorten: nothing is free; give at least one value with its bounds")
    if not limits:
        raise InputError("shorten: no limits; without any the shortest schedule is none at all")
    paths = [path for value in free for path in value.paths]
    if len(set(paths)) != len(paths):
        raise InputError("shorten: a value is given twice")
    inputs = case.to_data()
    for path in paths:
        if path.startswith("schedule.") and value_at(inputs, path) is None:
            raise InputError(f"shorten: {path} is not a value of the case")
    rules = rules or Rules()
    free = [rules.narrowed(value) for value in free]
    return Candidates(case, free, limits, rules, spread or Spread.usual(), workers, precision, progress)


def _searched(pool: Candidates, seed: int, known: Sequence[Place] = (), for_others: bool = True) -> Place:
    """The best candidate; if asked for, aimed so that members drawn anew keep the limits as asked."""
    pool.aims = [limit.confidence for limit in pool.limits]
    place = _search(pool, seed, known)
    for _ in range(AIMS if for_others else 0):
        if pool.violation(place) > 0.0:
            break
        wanted = np.array([limit.confidence for limit in pool.limits])
        short = wanted - np.array(_kept_anew(pool, place, CHECKING))
        higher = np.where(short > 0.0, pool.aims + np.maximum(short, 1.0 / pool.spread.size), pool.aims)
        before, pool.aims = pool.aims, np.minimum(higher, 1.0).tolist()
        if pool.aims == before:
            break
        surer = _search(pool, seed, [*known, place])
        if pool.violation(surer) > 0.0:  # so sure no schedule is
            pool.aims = before
            break
        place = surer
    return place


def _search(pool: Candidates, seed: int, known: Sequence[Place] = ()) -> Place:
    """The best candidate, judged by all members; `known` places are starts too."""
    ends: list[Place] = []
    for start in _starts(pool, np.random.default_rng(seed), known):
        pool.focus(start, AROUND)
        first = descend(pool, start, *COARSE)
        ends.append(_settle(pool, [start, first], COARSE, SOME))
        if any(_agree(pool, ends[-1], other) for other in ends[:-1]):
            break
    best = _settle(pool, [*ends, pool.best(ends)], FINE, SOME)
    best = _settle(pool, [best], FINEST, _enough(pool))
    if pool.violation(best) > 0.0:  # it may be the few that judged
        best = descend(pool, best, *FINE)
    return best


def _agree(pool: Candidates, one: Place, other: Place) -> bool:
    """Whether two candidates, judged by all members, both keep the limits in nearly the same time."""
    if pool.violation(one) > 0.0 or pool.violation(other) > 0.0:
        return False
    return abs(pool.length(one) - pool.length(other)) <= AGREED * pool.length(one)


def _enough(pool: Candidates) -> int:
    """Members more than may break a limit that are watched for the answer: as many again, and some."""
    return max(pool.allowed(number, pool.spread.size) for number in range(len(pool.limits))) + 2 * SOME


def _settle(pool: Candidates, ends: list[Place], shares: tuple[float, float], easier: int) -> Place:
    """Descend from the last end, judged by the hardest members at all ends so far, until one is met again."""
    for _ in range(ROUNDS):
        pool.gather(ends, easier)
        end = descend(pool, ends[-1], *shares)
        if end in ends:
            break
        ends = [*ends, end]
    pool.watch_all()
    pool.run(ends)
    return pool.best(ends)


def _starts(pool: Candidates, draw: np.random.Generator, known: Sequence[Place]) -> list[Place]:
    """The preferred ones of scattered places, judged by the first members of the ensemble, and the best known one."""
    most = np.array(pool.most)
    count = max(12, PLACES_EACH * most.size)
    spots = (np.array([draw.permutation(count) for _ in most]).T + draw.random((count, most.size))) / count
    left = [tuple(int(k) for k in np.minimum(np.floor(spot * (most + 1)), most)) for spot in spots]
    pool.watch_first()
    pool.check([*left, *known])
    starts = [pool.best(known)] if known else []
    for _ in range(STARTS):
        starts.append(pool.best(left))
        left = [place for place in left if place != starts[-1]] or left
    return list(dict.fromkeys(starts))


def _confirmed(pool: Candidates, places: Sequence[Place]) -> list[Place]:
    """The places, run with all members."""
    pool.watch_all()
    pool.run(places)
    return list(places)


def _result(pool: Candidates, best: Place) -> Shortest:
    case = pool.case(best)
    if case is None:
        raise InputError("shorten: the bounds allow no schedule at all")
    pool.gather([best], _enough(pool))
    feasible = pool.violation(best) == 0.0
    reached, kept, binding = {}, {}, []
    tight = _tight(pool, best)
    others = _kept_anew(pool, best, OTHERS)
    if pool.progress is not None:
        pool.progress(pool.count, pool.count)
    for number, (limit, values) in enumerate(zip(pool.limits, pool.answers(best), strict=True)):
        excess = np.sort(limit.excess(values))[::-1]
        deciding = float(excess[pool.allowed(number, values.size)])
        value = limit.value + (deciding if limit.kind == "<=" else -deciding)
        reached[limit.words()] = value if isfinite(value) else float("nan")
        kept[limit.words()] = float(np.mean(excess <= 0.0))
        if feasible and tight[number]:
            binding.append(limit.words())
    for free, place in zip(pool.free, best, strict=True):
        for end, name in ((0, "lowest"), (free.most, "highest")):
            if place == end:
                binding.append(f"{free.paths[0]} at its {name} value {free.value(place):g}")
    return Shortest(
        hours=pool.length(best),
        values=pool.values(best),
        feasible=feasible,
        inputs=json.loads(json.dumps(with_values(pool.inputs, pool.values(best)))),
        limits=pool.limits,
        reached=reached,
        kept=kept,
        kept_by_others={limit.words(): kept for limit, kept in zip(pool.limits, others, strict=True)},
        others=_anew(pool),
        aims={limit.words(): aim for limit, aim in zip(pool.limits, pool.aims, strict=True)},
        binding=tuple(binding),
        candidates=pool.count,
        caveat=pool.spread.caveat(),
    )


def _kept_anew(pool: Candidates, place: Place, anew: int) -> list[float]:
    """By limit, the share of members drawn anew that keep it."""
    case = pool.case(place)
    assert case is not None
    others = replace(pool.spread, seed=pool.spread.seed + anew, size=_anew(pool))
    answers = run_members(Members(case, others), pool.workers, None, pool.precision)
    return [float(limit.kept(answers).mean()) for limit in pool.limits]


def _anew(pool: Candidates) -> int:
    """How many members are drawn anew."""
    each, most = NEW
    return max(pool.spread.size, min(each * pool.spread.size, most))


def _tight(pool: Candidates, best: Place) -> NDArray[np.bool_]:
    """Which limits a candidate breaks that differs from the best by one step and is shorter."""
    near = [moved(pool, best, sign * row) for row in np.eye(len(best)) for sign in (-1, 1)]
    near = [place for place in near if place != best and pool.length(place) < pool.length(best)]
    near = [place for place in near if pool.broken(place) == 0.0]
    pool.run(near)
    excess = np.array([pool.excess(place) for place in near]).reshape(-1, len(pool.limits))
    return np.asarray((excess > 0.0).any(axis=0))
