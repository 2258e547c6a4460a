"""The shortest schedule that keeps its limits, for constants no better known than they are.

Some values of a case are free between bounds. Wanted is the least total time for which every limit holds
with its stated confidence: in at least that share of the members of an ensemble. All candidates meet the
same members (common random numbers), so two candidates differ by what they do, not by luck.

The search is differential evolution (R. Storn, K. Price, J. Global Optim. 11 (1997) 341) on a grid of
values a furnace can be set to, followed by moves to neighbours on that grid until none is shorter. The
length of a candidate is known without a run, so only candidates that would be an improvement are run, and
these first on the members that have the hardest time with the limits; the answer is checked with all.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from math import ceil, floor, isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from bronzeward.batch import Progress, checked_workers
from bronzeward.case import Case
from bronzeward.ensemble import Members, Spread, run_members
from bronzeward.errors import InputError
from bronzeward.paths import case_with, inputs_of, value_at, with_values
from bronzeward.schedule import HOUR, ZERO_CELSIUS, Schedule
from bronzeward.showing import checked_answer, number, shown, table, title, unit
from bronzeward.tomlout import toml_text
from bronzeward.whole_file import write_text

if TYPE_CHECKING:
    import xarray as xr

#: Steps of the grid by the end of a path: what a furnace controller can be set to.
STEPS: tuple[tuple[str, float], ...] = (("ramp_C_per_h", 0.5), ("hold_h", 0.1), ("cool_half_time_h", 0.1), ("_C", 0.5))

MOST_GENERATIONS = 50
PATIENCE = 8
"""Generations without a shorter candidate after which the evolution ends."""


@dataclass(frozen=True)
class Free:
    """A value, or several that go together, free between two bounds on a grid of `step`."""

    paths: tuple[str, ...]
    low: float
    high: float
    step: float = 0.0

    def __post_init__(self) -> None:
        if not self.paths or not all(self.paths):
            raise InputError("shorten: a free value needs its path, such as schedule.steps.1.hold_h")
        if not (isfinite(self.low) and isfinite(self.high) and self.low < self.high):
            raise InputError(f"shorten: {self.paths[0]} from {self.low:g} to {self.high:g}; the second must be higher")
        if not isfinite(self.step) or self.step < 0:
            raise InputError(f"shorten: {self.paths[0]}: step is {self.step:g}; it must be above 0")
        if self.step == 0:
            ends = [step for end, step in STEPS if self.paths[0].endswith(end)]
            object.__setattr__(self, "step", ends[0] if ends else (self.high - self.low) / 200.0)

    @property
    def most(self) -> int:
        """Number of the last grid point; the first is 0."""
        return floor((self.high - self.low) / self.step + 1e-9)

    def value(self, place: int) -> float:
        """Value of a grid point."""
        return round(self.low + place * self.step, 9)


@dataclass(frozen=True)
class Limit:
    """An answer that must be at most or at least `value` (SI units) with `confidence`.

    A member in which the moment never comes, such as a first liquid where the tin is used up before it
    could melt, keeps the limit.
    """

    answer: str
    kind: str
    value: float
    confidence: float = 0.95

    def __post_init__(self) -> None:
        checked_answer(self.answer)
        if self.kind not in ("<=", ">="):
            raise InputError(f"shorten: limit on {self.answer}: '{self.kind}'; allowed: <=, >=")
        if not isfinite(self.value):
            raise InputError(f"shorten: limit on {self.answer} must be a finite number")
        if not 0.0 < self.confidence < 1.0:
            raise InputError(f"shorten: confidence is {self.confidence:g}; allowed are values between 0 and 1")

    def excess(self, answers: NDArray[np.float64]) -> NDArray[np.float64]:
        """How far each member is beyond the limit, negative inside it."""
        beyond = answers - self.value if self.kind == "<=" else self.value - answers
        return np.where(np.isnan(beyond), -np.inf, beyond)

    def allowed(self, size: int) -> int:
        """Members of `size` that may break the limit."""
        return floor((1.0 - self.confidence) * size + 1e-9)

    def words(self) -> str:
        """The limit as it is shown."""
        value = float(shown(self.answer, self.value))
        return f"{title(self.answer)} {self.kind} {value:g} {unit(self.answer)} ({100 * self.confidence:g} %)"


def parse_limit(text: str) -> Limit:
    """A limit from text in the units answers are shown in: 'shell_at_first_liquid>=3@95' is 3 um with 95 %."""
    kind = next((kind for kind in ("<=", ">=") if kind in text), None)
    if kind is None:
        raise InputError(f"shorten: limit '{text}'; expected ANSWER<=VALUE@PERCENT or ANSWER>=VALUE@PERCENT")
    answer, _, rest = text.partition(kind)
    value, _, percent = rest.partition("@")
    answer = checked_answer(answer.strip())
    try:
        wanted, confidence = float(value), float(percent or "95") / 100.0
    except ValueError:
        raise InputError(f"shorten: limit '{text}'; '{rest}' is not VALUE or VALUE@PERCENT") from None
    zero, one = (float(shown(answer, v)) for v in (0.0, 1.0))
    return Limit(answer, kind, (wanted - zero) / (one - zero), confidence)


def parse_free(text: str) -> Free:
    """A free value from text: PATH=LOW:HIGH or PATH=LOW:HIGH:STEP; PATH+PATH go together."""
    left, equals, right = text.partition("=")
    parts = right.split(":")
    if not equals or len(parts) not in (2, 3):
        raise InputError(f"shorten: '{text}'; expected PATH=LOW:HIGH or PATH=LOW:HIGH:STEP")
    try:
        return Free(tuple(p.strip() for p in left.split("+")), *(float(part) for part in parts))
    except ValueError as error:
        if isinstance(error, InputError):
            raise
        raise InputError(f"shorten: '{right}' is not LOW:HIGH or LOW:HIGH:STEP") from None


@dataclass(frozen=True)
class Rules:
    """What the furnace may do.

    Attributes
    ----------
    fastest : float, [C/h]
        Highest rate of any ramp, up or down; a quench is none.
    not_above : tuple of (temperature [C], hour [h])
        Nothing may be hotter than the temperature before the hour.
    """

    fastest: float = float("inf")
    not_above: tuple[tuple[float, float], ...] = ()

    def broken(self, schedule: Schedule) -> float:
        """By how much a schedule breaks the rules: 0 not at all."""
        rates = np.abs(np.diff(schedule.temperature) / np.diff(schedule.time)) * HOUR
        worst = max(0.0, float(rates.max()) / self.fastest - 1.0 - 1e-9)
        for celsius, hour in self.not_above:
            moments = np.append(schedule.time[schedule.time < hour * HOUR], min(hour * HOUR, schedule.time[-1]))
            beyond = float(schedule.temperature_at(moments).max()) - ZERO_CELSIUS - celsius
            worst += max(0.0, beyond - 1e-6) / 100.0
        return worst


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
    binding : tuple of str
        Limits and bounds that stop it from being shorter.
    candidates : int
        Candidates that were run.
    """

    hours: float
    values: dict[str, float]
    feasible: bool
    inputs: dict[str, Any]
    limits: tuple[Limit, ...]
    reached: dict[str, float]
    kept: dict[str, float]
    binding: tuple[str, ...]
    candidates: int

    @property
    def case(self) -> Case:
        """The case with the values found."""
        return case_with(self.inputs, {})


Place = tuple[int, ...]


@dataclass
class _Search:
    """A problem and what is known of its candidates."""

    inputs: dict[str, Any]
    free: tuple[Free, ...]
    limits: tuple[Limit, ...]
    rules: Rules
    spread: Spread
    workers: int
    precision: str
    progress: Progress | None = None
    hours: dict[Place, float] = field(default_factory=dict)
    violation: dict[Place, float] = field(default_factory=dict)
    hardest: NDArray[np.int64] | None = None
    _cases: dict[Place, Case | None] = field(default_factory=dict)

    def values(self, place: Place) -> dict[str, float]:
        return {path: own.value(k) for own, k in zip(self.free, place, strict=True) for path in own.paths}

    def case(self, place: Place) -> Case | None:
        """The case of a candidate; None where its values make none."""
        if place not in self._cases:
            try:
                self._cases[place] = case_with(self.inputs, self.values(place))
            except InputError:
                self._cases[place] = None
        return self._cases[place]

    def length(self, place: Place) -> float:
        """Total hours; infinite where there is no such case."""
        if place not in self.hours:
            case = self.case(place)
            self.hours[place] = np.inf if case is None else case.schedule.hours
        return self.hours[place]

    def check(self, places: Sequence[Place], everyone: bool = False) -> None:
        """Run candidates and note by how much they break the limits: 0 where they keep them."""
        wanted: list[Place] = []
        for place in dict.fromkeys(places):
            if place in self.violation and not everyone:
                continue
            case = self.case(place)
            broken = np.inf if case is None else self.rules.broken(case.schedule)
            if broken > 0.0:
                self.violation[place] = 10.0 + broken
            else:
                wanted.append(place)
        chosen = np.arange(self.spread.size) if everyone or self.hardest is None else self.hardest
        cases, owners = [], []
        for place in wanted:
            case = self.case(place)
            if case is not None:
                members = Members(case, self.spread)
                cases += [members.member(int(k)) for k in chosen]
                owners.append(place)
        if not cases:
            return
        found = run_members(cases, self.workers, None, self.precision)
        for k, place in enumerate(owners):
            mine = {name: column[k * len(chosen) : (k + 1) * len(chosen)] for name, column in found.items()}
            self.violation[place] = sum(max(0.0, self._beyond(limit, mine)) for limit in self.limits)
        if self.progress is not None:
            self.progress(len(self.violation), 0)

    def _beyond(self, limit: Limit, answers: dict[str, NDArray[np.float64]]) -> float:
        """The excess that decides: that of the first member more than may break the limit, scaled."""
        excess = limit.excess(answers[limit.answer])
        excess = np.where(answers["status"] == 0, excess, np.inf)
        allowed = limit.allowed(self.spread.size)
        worst = float(np.sort(excess)[::-1][min(allowed, excess.size - 1)])
        if not isfinite(worst):
            return 5.0 if worst > 0 else 0.0
        scale = abs(limit.value) if abs(limit.value) > 1e-7 else 1.0
        return worst / scale

    def pick_hardest(self, places: Sequence[Place]) -> None:
        """Choose the members that are furthest beyond any limit at some candidates."""
        size = self.spread.size
        if size < 60:
            return
        taken: set[int] = set()
        for place in places:
            case = self.case(place)
            if case is None:
                continue
            found = run_members(Members(case, self.spread), self.workers, None, self.precision)
            for limit in self.limits:
                count = min(size, ceil(1.2 * limit.allowed(size)) + 4)
                taken |= {int(k) for k in np.argsort(-limit.excess(found[limit.answer]))[:count]}
        self.hardest = np.array(sorted(taken), dtype=np.int64)


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
        progress(candidates run so far, 0): nobody knows how many there will be.
    """
    search = _begin(case, free, limits, rules, spread, workers, progress, precision)
    best = _evolve(search, np.random.default_rng(seed))
    best = _polish(search, best)
    best = _confirm(search, best)
    return _result(search, best)


def _begin(
    case: Case, free: Sequence[Free], limits: Sequence[Limit], rules: Rules | None, spread: Spread | None,
    workers: int, progress: Progress | None, precision: str,
) -> _Search:  # fmt: skip
    if not free:
        raise InputError("shorten: nothing is free; give at least one value with its bounds")
    if not limits:
        raise InputError("shorten: no limits; without any the shortest schedule is none at all")
    paths = [path for own in free for path in own.paths]
    if len(set(paths)) != len(paths):
        raise InputError("shorten: a value is given twice")
    inputs = inputs_of(case)
    for path in paths:
        if path.startswith("schedule.") and value_at(inputs, path) is None:
            raise InputError(f"shorten: {path} is not a value of the case")
    case_with(inputs, {path: own.high for own in free for path in own.paths})
    spread = spread or Spread()
    return _Search(
        inputs, tuple(free), tuple(limits), rules or Rules(), spread, checked_workers(workers), precision, progress
    )


def _better(search: _Search, one: Place, other: Place) -> bool:
    """Whether `one` is to be preferred: fewer limits broken, then shorter."""
    a, b = search.violation[one], search.violation[other]
    return a < b if a > 0.0 or b > 0.0 else search.length(one) < search.length(other)


def _best(search: _Search, places: Sequence[Place]) -> Place:
    found = places[0]
    for place in places[1:]:
        if _better(search, place, found):
            found = place
    return found


def _evolve(search: _Search, draw: np.random.Generator) -> Place:
    """Differential evolution on the grid."""
    most = np.array([own.most for own in search.free])
    count = max(12, 4 * len(most))
    spots = (np.array([draw.permutation(count) for _ in most]).T + draw.random((count, len(most)))) / count
    population = [tuple(int(k) for k in np.round(spot * most)) for spot in spots]
    search.pick_hardest([tuple(int(k) for k in np.round(share * most)) for share in (0.35, 0.75)])
    search.check(population)
    best, since = _best(search, population), 0
    for _ in range(MOST_GENERATIONS):
        trials = [_trial(population, k, best, most, draw) for k in range(count)]
        # a longer trial cannot replace a candidate that keeps all limits
        worth = [
            trial
            for trial, own in zip(trials, population, strict=True)
            if search.violation[own] > 0.0 or search.length(trial) < search.length(own)
        ]
        search.check(worth)
        population = [
            trial if trial in search.violation and _better(search, trial, own) else own
            for trial, own in zip(trials, population, strict=True)
        ]
        found = _best(search, population)
        since = 0 if _better(search, found, best) else since + 1
        best = found
        if since >= PATIENCE:
            break
    return best


def _trial(
    population: list[Place], k: int, best: Place, most: NDArray[np.int64], draw: np.random.Generator
) -> Place:
    """A new candidate near the best, moved by the difference of two others."""
    own, lead = np.array(population[k]), np.array(best)
    one, two = (np.array(population[int(j)]) for j in draw.choice(len(population), 2, replace=False))
    base = own + draw.random() * (lead - own)
    moved = base + draw.uniform(0.4, 1.0) * (one - two)
    take = draw.random(own.size) < 0.8
    take[draw.integers(own.size)] = True
    made = np.where(take, moved, own)
    return tuple(int(j) for j in np.clip(np.round(made + draw.uniform(-0.5, 0.5, own.size)), 0, most))


def _polish(search: _Search, best: Place) -> Place:
    """Moves to neighbours, wide ones first, until none is shorter and keeps the limits."""
    if search.violation[best] > 0.0:
        return best
    scale = 32
    while scale >= 1:
        near = [place for place in _neighbours(search, best, scale) if search.length(place) < search.length(best)]
        near.sort(key=search.length)
        improved = False
        for start in range(0, len(near), 8):
            search.check(near[start : start + 8])
            kept = [place for place in near[start : start + 8] if search.violation[place] == 0.0]
            if kept:
                best, improved = min(kept, key=search.length), True
                break
        if not improved:
            scale //= 2
    return best


def _neighbours(search: _Search, place: Place, scale: int) -> list[Place]:
    """Places that differ in one value, or in two, by `scale` grid steps (or a few) each."""
    size = len(place)
    moves: set[Place] = set()
    for i in range(size):
        for a in (-scale, scale):
            one = _moved(search, place, {i: a})
            moves.add(one)
            for j in range(i):
                for b in (-3 * scale, -scale, scale, 3 * scale):
                    moves |= {_moved(search, place, {i: a, j: b}), _moved(search, place, {i: 3 * a, j: b})}
    moves.discard(place)
    return sorted(moves)


def _moved(search: _Search, place: Place, by: dict[int, int]) -> Place:
    return tuple(min(max(k + by.get(i, 0), 0), search.free[i].most) for i, k in enumerate(place))


def _confirm(search: _Search, best: Place) -> Place:
    """Check the answer with all members; when some other one breaks a limit, go on with all of them."""
    if search.hardest is None:
        return best
    before = search.violation[best]
    search.check([best], everyone=True)
    if search.violation[best] == 0.0 or before > 0.0:
        return best
    search.hardest = None
    candidates = sorted((p for p, v in search.violation.items() if v == 0.0), key=search.length)
    search.violation = {p: v for p, v in search.violation.items() if v > 0.0}
    for place in candidates[:40]:
        search.check([place])
        if search.violation[place] == 0.0:
            return _polish(search, place)
    return best


def _result(search: _Search, best: Place) -> Shortest:
    case = search.case(best)
    if case is None:
        raise InputError("shorten: the bounds allow no schedule at all")
    found = run_members(Members(case, search.spread), search.workers, None, search.precision)
    reached, kept, binding = {}, {}, []
    for limit in search.limits:
        values = found[limit.answer]
        excess = np.sort(limit.excess(values))[::-1]
        deciding = float(excess[limit.allowed(values.size)])
        value = limit.value + (deciding if limit.kind == "<=" else -deciding)
        reached[limit.words()] = value if isfinite(value) else float("nan")
        kept[limit.words()] = float(np.mean(excess <= 0.0))
        if search.violation[best] == 0.0 and _tight(search, best, limit):
            binding.append(limit.words())
    for own, place in zip(search.free, best, strict=True):
        for end, name in ((0, "lowest"), (own.most, "highest")):
            if place == end:
                binding.append(f"{own.paths[0]} at its {name} value {own.value(place):g}")
    return Shortest(
        hours=search.length(best),
        values=search.values(best),
        feasible=search.violation[best] == 0.0,
        inputs=json.loads(json.dumps(with_values(search.inputs, search.values(best)))),
        limits=search.limits,
        reached=reached,
        kept=kept,
        binding=tuple(binding),
        candidates=len(search.violation),
    )


def _tight(search: _Search, best: Place, limit: Limit) -> bool:
    """Whether a shorter neighbour breaks this limit."""
    shorter = [p for p in _neighbours(search, best, 1) if search.length(p) < search.length(best)]
    shorter = sorted(shorter, key=search.length, reverse=True)[:6]
    cases = [case for case in map(search.case, shorter) if case is not None]
    cases = [case for case in cases if search.rules.broken(case.schedule) == 0.0]
    if not cases:
        return False
    members = [Members(case, search.spread) for case in cases]
    some = np.arange(search.spread.size) if search.hardest is None else search.hardest
    found = run_members([m.member(int(k)) for m in members for k in some], search.workers, None, search.precision)
    excess = limit.excess(found[limit.answer]).reshape(len(cases), -1)
    return bool(((excess > 0.0).sum(axis=1) > limit.allowed(search.spread.size)).any())


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
) -> xr.Dataset:
    """Least hours against the value of one limit, the others kept.

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
    base = limits[vary]
    found: list[Shortest] = []
    for value in values:
        changed = list(limits)
        changed[vary] = replace(base, value=value)
        found.append(shorten(case, free, changed, rules, spread, seed, workers, progress, precision))
    paths = [path for own in free for path in own.paths]
    columns: dict[str, Any] = {
        "hours": ("limit", [f.hours if f.feasible else np.nan for f in found], {"units": "h"}),
        "feasible": ("limit", np.array([f.feasible for f in found], dtype=np.int8)),
    }
    for path in paths:
        columns[path] = ("limit", [f.values[path] for f in found])
    about = {"answer": base.answer, "kind": base.kind, "confidence": base.confidence}
    return xr.Dataset(columns, {"limit": list(values)}, about)


def plot_trade_off(data: xr.Dataset, ax: Any = None) -> Any:
    """Least hours against the value of a limit."""
    from bronzeward import style

    ax = style.new_axes() if ax is None else ax
    answer = str(data.attrs["answer"])
    ax.plot(shown(answer, data["limit"]), data["hours"], color=style.INK, lw=1.4, marker="o", ms=3)
    kept = 100 * float(data.attrs["confidence"])
    ax.set_xlabel(f"{title(answer)} {data.attrs['kind']} [{unit(answer)}], kept with {kept:g} %")
    ax.set_ylabel("least length [h]")
    style.frame(ax)
    return ax


def shorten_report(found: Shortest) -> str:
    """What was found, what binds, and the programme; at most 80 columns."""
    first = "Shortest schedule that keeps all limits" if found.feasible else "No schedule keeps all limits; nearest"
    lines = [f"{first}: {found.hours:.1f} h ({found.candidates} candidates run)", ""]
    rows = [[path, f"{value:g}"] for path, value in found.values.items()]
    lines += [table(["free value", ""], rows), ""]
    rows = []
    for limit in found.limits:
        words = limit.words()
        reached = number(float(shown(limit.answer, found.reached[words])))
        rows.append([words[:58], reached, f"{100 * found.kept[words]:.1f} %"])
    lines += [table(["limit", "reached", "kept by"], rows), ""]
    lines.append("It cannot be shorter because of: " + ("" if found.binding else "nothing found"))
    lines += [f"- {text}" for text in found.binding]
    lines += ["", programme_table(found.case.schedule)]
    return "\n".join(lines)


def programme_table(schedule: Schedule) -> str:
    """The schedule as a furnace is programmed: segments with rate, set-point and dwell.

    A ramp and the hold after it are one segment; an exponential cool is given as its straight pieces.
    """
    rows: list[list[str]] = []
    t, kelvin = schedule.time / HOUR, schedule.temperature - ZERO_CELSIUS
    k = 0
    while k < len(t) - 1:
        rate = (kelvin[k + 1] - kelvin[k]) / (t[k + 1] - t[k])
        target, dwell = kelvin[k + 1], 0.0
        if rate == 0.0:
            dwell, k = t[k + 1] - t[k], k + 1
        else:
            k += 1
            while k < len(t) - 1 and kelvin[k + 1] == kelvin[k]:
                dwell, k = dwell + t[k + 1] - t[k], k + 1
        texts = [f"{rate:+.1f}" if rate else "-", f"{target:.1f}", f"{dwell:.2f}", f"{t[k]:.2f}"]
        rows.append([str(len(rows) + 1), *texts])
    if schedule.quenched:
        rows.append([str(len(rows) + 1), "quench", "", "", f"{t[-1]:.2f}"])
    return table(["segment", "rate °C/h", "set-point °C", "dwell h", "ends at h"], rows)


def write_case(found: Shortest, path: str | Path, overwrite: bool = False) -> Path:
    """Write the case with the values found, ready to run."""
    return write_text(toml_text(found.inputs), path, overwrite)
