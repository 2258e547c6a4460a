"""Candidates of a search: their cases, their lengths, and whether enough members of an ensemble keep the limits.

A candidate is a place on the grid of free values. Its length is known without a run. Whether it keeps a limit
is decided by one member of the ensemble: the hardest one that may not break it. So it is enough to watch
the members near that one, as long as they are chosen again, with all members, where the search has come to.
Runs stop at the moment after which nothing changes the answer, and are kept: candidates that are the same up to
there share them, and another value of a limit needs no new ones.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bronzeward.errors import InputError
from bronzeward.inputs.case import Case
from bronzeward.inputs.case_values import case_with, with_values
from bronzeward.inputs.schedule import Schedule
from bronzeward.model.batch import Progress, checked_workers
from bronzeward.studies.ensemble import Members, Spread, run_members
from bronzeward.studies.optimise.limits import Free, Limit, Rules, allowed
from bronzeward.studies.optimise.truncation import END, FIRST_LIQUID, MOMENTS, moment_of, until

Array = NDArray[np.float64]
Place = tuple[int, ...]
Key = Place | tuple[bytes, bytes]
"""What a run depends on."""

SMALL = 30
"""An ensemble of no more members is always run as a whole."""

FIRST_LOOK = 24
"""Members watched before any candidate was run with all of them."""

RULE_BROKEN, LIMIT_UNKNOWN = 1e6, 1e3
"""What a broken rule, and a limit not looked at because an earlier one is broken, add to a violation."""

FAILED, NEVER = 100.0, -1.0
"""Scaled excess of a member that did not complete, and of one in which the moment never comes."""


@dataclass(frozen=True)
class Watch:
    """Members that a limit is judged by, and which of them decides, counted from the hardest."""

    members: NDArray[np.int64]
    rank: int


@dataclass(frozen=True)
class Seen:
    """An answer of the members that were run: nan where its moment never comes, infinite where a run failed."""

    answer: Array
    known: NDArray[np.bool_]


class Candidates:
    """All that is known of the candidates of one search; places are counted in steps of the grid."""

    def __init__(
        self, case: Case, free: Sequence[Free], limits: Sequence[Limit], rules: Rules, spread: Spread,
        workers: int = 2, precision: str = "quick", progress: Progress | None = None,
    ) -> None:  # fmt: skip
        self.inputs, self.free, self.limits = case.to_data(), tuple(free), tuple(limits)
        self.rules, self.spread = rules, spread
        self.workers, self.precision, self.progress = checked_workers(workers), precision, progress
        self.most = tuple(value.most for value in free)
        self.moments = [moment_of(limit.answer) for limit in limits]
        self.aims = [limit.confidence for limit in limits]
        self._base = case_with(self.inputs, {path: value.high for value in free for path in value.paths})
        self._only_steps = all(path.startswith("schedule.steps.") for value in free for path in value.paths)
        self._cases: dict[Place, Case | None] = {}
        self._keys: dict[tuple[Place, int], Key] = {}
        self._seen: dict[tuple[int, Key], Seen] = {}
        self._run: set[Place] = set()
        self.watch: list[Watch] = []
        self.watch_first()

    @property
    def count(self) -> int:
        """Candidates that were run."""
        return len(self._run)

    def allowed(self, number: int, size: int) -> int:
        """Members of `size` that may break a limit, by what is aimed at."""
        return allowed(self.aims[number], size)

    def values(self, place: Place) -> dict[str, float]:
        """Values by path."""
        return {path: free.value(k) for free, k in zip(self.free, place, strict=True) for path in free.paths}

    def case(self, place: Place) -> Case | None:
        """The case of a candidate; None where its values make none."""
        if place not in self._cases:
            try:
                self._cases[place] = self._made(place)
            except InputError:
                self._cases[place] = None
        return self._cases[place]

    def _made(self, place: Place) -> Case:
        if not self._only_steps:
            return case_with(self.inputs, self.values(place))
        # the schedule alone changes: the constants need not be read again
        plan = with_values({"schedule": self.inputs["schedule"]}, self.values(place))["schedule"]
        schedule = Schedule.from_steps(plan.get("start_C", 20.0), plan["steps"]).checked()
        return replace(self._base, schedule=schedule)

    def length(self, place: Place) -> float:
        """Total hours; infinite where there is no such case."""
        case = self.case(place)
        return np.inf if case is None else case.schedule.hours

    def broken(self, place: Place) -> float:
        """By how much the rules are broken; infinite where there is no such case."""
        case = self.case(place)
        return np.inf if case is None else self.rules.broken(case.schedule)

    def excess(self, place: Place) -> Array:
        """Excess of each limit for the member that decides it, scaled; nan where it was not run."""
        return np.array([self._decided(number, place) for number in range(len(self.limits))])

    def violation(self, place: Place) -> float:
        """By how much a candidate that was checked breaks rules and limits: 0 not at all."""
        broken = self.broken(place)
        if broken > 0.0:
            return RULE_BROKEN + broken
        excess = self.excess(place)
        unknown = np.isnan(excess)
        return float(np.maximum(excess[~unknown], 0.0).sum() + LIMIT_UNKNOWN * unknown.sum())

    def better(self, one: Place, other: Place) -> bool:
        """Whether `one` is to be preferred: fewer limits broken, then shorter."""
        a, b = self.violation(one), self.violation(other)
        return a < b if a > 0.0 or b > 0.0 else self.length(one) < self.length(other)

    def best(self, places: Sequence[Place]) -> Place:
        """The one to be preferred to all others."""
        best = places[0]
        for place in places[1:]:
            if self.better(place, best):
                best = place
        return best

    def check(self, places: Iterable[Place]) -> None:
        """Run candidates that keep the rules, limit by limit as long as they keep them."""
        left = [place for place in dict.fromkeys(places) if self.broken(place) == 0.0]
        for moment in MOMENTS:
            numbers = [k for k, settled in enumerate(self.moments) if settled == moment]
            if numbers:
                self._complete(left, moment, numbers)
                left = [place for place in left if not (self.excess(place)[numbers] > 0.0).any()]

    def run(self, places: Iterable[Place]) -> None:
        """Run candidates for all limits, whether they keep them or not."""
        left = [place for place in dict.fromkeys(places) if self.case(place) is not None]
        for moment in reversed(MOMENTS):  # a longer run answers for earlier moments too
            numbers = [k for k, settled in enumerate(self.moments) if settled == moment]
            if numbers:
                self._complete(left, moment, numbers)

    def watch_first(self) -> None:
        """From now on judge every limit by the first members, as by a small ensemble."""
        size = self.spread.size if self.spread.size <= SMALL else FIRST_LOOK
        self.watch = [Watch(np.arange(size), self.allowed(k, size)) for k in range(len(self.limits))]

    def watch_all(self) -> None:
        """From now on judge every limit by all members."""
        size = self.spread.size
        self.watch = [Watch(np.arange(size), self.allowed(k, size)) for k in range(len(self.limits))]

    def focus(self, place: Place, around: int) -> None:
        """Run all members at a place; from now on watch those around the one that decides there, `around` each way."""
        orders = self._orders([place])
        if self.spread.size > SMALL:
            self.watch = []
            for number, (order,) in enumerate(orders):
                decides = self.allowed(number, self.spread.size)
                first = max(0, decides - around)
                self.watch.append(Watch(order[first : decides + around + 1], decides - first))

    def gather(self, places: Sequence[Place], easier: int) -> None:
        """Run all members at some places; from now on watch all that break a limit at any of them, or nearly.

        At these places that is as good as all members; elsewhere it can only miss members that break a limit,
        never count too many. `easier` tells how many more than may break it are watched for each place.
        """
        orders = self._orders(places)
        if self.spread.size > SMALL:
            self.watch = []
            for number, at_places in enumerate(orders):
                decides = self.allowed(number, self.spread.size)
                members = np.unique(np.concatenate([order[: decides + easier + 1] for order in at_places]))
                self.watch.append(Watch(members, decides))

    def _orders(self, places: Sequence[Place]) -> list[list[NDArray[np.int64]]]:
        """For each limit, at each place, all members from the hardest on."""
        self.watch_all()
        self.run(places)
        return [
            [np.argsort(-limit.excess(self._row(number, place).answer), kind="stable") for place in places]
            for number, limit in enumerate(self.limits)
        ]

    def answers(self, place: Place) -> list[Array]:
        """The answer of each limit for all members of a place that `focus` or `gather` was at."""
        return [self._row(number, place).answer for number in range(len(self.limits))]

    def _decided(self, number: int, place: Place) -> float:
        if self.case(place) is None:
            return np.nan
        watch, seen, limit = self.watch[number], self._row(number, place), self.limits[number]
        if not seen.known[watch.members].all():
            return np.nan
        worst = float(np.sort(limit.excess(seen.answer[watch.members]))[::-1][watch.rank])
        return worst / limit.scale if np.isfinite(worst) else FAILED if worst > 0 else NEVER

    def _row(self, number: int, place: Place) -> Seen:
        key = (number, self._key(place, self.moments[number]))
        if key not in self._seen:
            size = self.spread.size
            self._seen[key] = Seen(np.full(size, np.nan), np.zeros(size, dtype=bool))
        return self._seen[key]

    def _key(self, place: Place, moment: int) -> Key:
        """What a run up to a moment depends on; the place itself where candidates share nothing."""
        key = self._keys.get((place, moment))
        if key is None:
            case, key = self.case(place), place
            if case is not None and self._only_steps and not self.spread.furnace_offset:
                part = until(case.schedule, moment, case.description, case.eta_limit_K)
                key = (part.time.tobytes(), part.temperature.tobytes())
            self._keys[place, moment] = key
        return key

    def _complete(self, places: Sequence[Place], moment: int, numbers: Sequence[int]) -> None:
        """Run the members that are watched for some limits, and not known yet, up to a moment."""
        jobs: dict[tuple[Key, int], tuple[Place, int]] = {}
        for place in places:
            for number in numbers:
                watched = self.watch[number].members
                for k in watched[~self._row(number, place).known[watched]]:
                    jobs[self._key(place, moment), int(k)] = (place, int(k))
        if not jobs:
            return
        self._run.update(place for place, _ in jobs.values())
        self._note(list(jobs.values()), moment)
        if self.progress is not None:
            self.progress(self.count, 0)

    def _note(self, jobs: Sequence[tuple[Place, int]], moment: int) -> None:
        """Run (place, member) up to a moment and keep all answers that are settled by then."""
        answers = run_members(self._members(jobs, moment), self.workers, None, self.precision)
        melts, again = answers["first_liquid_time"], []
        for k, (place, member) in enumerate(jobs):
            failed = answers["status"][k] != 0
            if moment < END and FIRST_LIQUID in self.moments and not failed and np.isnan(melts[k]):
                again.append((place, member))  # no tin left to melt there; a liquid may come later
                continue
            for number, limit in enumerate(self.limits):
                if self.moments[number] <= moment:
                    seen = self._row(number, place)
                    worst = np.inf if limit.kind == "<=" else -np.inf
                    seen.answer[member] = worst if failed else answers[limit.answer][k]
                    seen.known[member] = True
        if again:
            self._note(again, END)

    def _members(self, jobs: Sequence[tuple[Place, int]], moment: int) -> list[Case]:
        """The members with their schedules up to a moment; equal schedules stay one object."""
        parts: dict[int, Schedule] = {}
        ensembles: dict[Place, Members] = {}
        cases = []
        for place, k in jobs:
            if place not in ensembles:
                case = self.case(place)
                assert case is not None
                ensembles[place] = Members(case, self.spread)
            member = ensembles[place].member(k)
            whole = member.schedule
            if id(whole) not in parts or self.spread.furnace_offset:
                parts[id(whole)] = until(whole, moment, member.description, member.eta_limit_K)
            cases.append(replace(member, schedule=parts[id(whole)]))
        return cases
