"""What the program gives for a check, and whether that is near enough."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log
from statistics import median
from typing import NamedTuple

from bronzeward.validation.check import KINDS, Check

VERDICTS = HOLDS, MISSES, INFORMATION, NOT_COMPUTED = ("holds", "misses", "information", "not computed")


@dataclass(frozen=True)
class Outcome:
    """A check with what the program gives, in the check's unit; None where it is not computed.

    `band` is the stated 90 % band of the computed value, low and high, where its constants have one.
    """

    check: Check
    computed: float | None
    remark: str = ""
    band: tuple[float, float] | None = None

    @property
    def in_band(self) -> bool | None:
        """Whether the published value lies inside the stated 90 % band; None where there is none."""
        return None if self.band is None else self.band[0] <= self.check.value <= self.band[1]

    @property
    def verdict(self) -> str:
        """holds, misses, information or not computed."""
        check = self.check
        if self.computed is None:
            return NOT_COMPUTED
        if check.tolerance_kind == "information":
            return INFORMATION
        if check.tolerance_kind == "factor":
            met = check.value / check.tolerance <= self.computed <= check.value * check.tolerance
        elif check.tolerance_kind == "at_most":
            met = self.computed <= check.value + check.tolerance
        elif check.tolerance_kind == "at_least":
            met = self.computed >= check.value - check.tolerance
        else:
            met = abs(self.computed - check.value) <= check.tolerance
        return HOLDS if met else MISSES

    @property
    def expected(self) -> bool:
        """Whether the verdict is the one the note of the check leads to expect."""
        if self.verdict in (INFORMATION, NOT_COMPUTED):
            return True
        return (self.verdict == MISSES) == self.check.known_miss

    @property
    def deviation(self) -> float | None:
        """Computed less value in the check's unit; for factors computed over value."""
        if self.computed is None:
            return None
        value = self.check.value
        return self.computed / value if self.check.tolerance_kind == "factor" else self.computed - value

    @property
    def scaled(self) -> float | None:
        """Deviation over tolerance, beyond 1 either way a miss; None for one-sided and unjudged checks."""
        check = self.check
        if self.computed is None or check.tolerance == 0 or check.tolerance_kind not in ("absolute", "factor"):
            return None
        if check.tolerance_kind == "factor":
            return log(self.computed / check.value) / log(check.tolerance) if self.computed > 0 else float("-inf")
        return (self.computed - check.value) / check.tolerance


def counts(outcomes: Sequence[Outcome]) -> dict[str, int]:
    """How many have each verdict, and how many an unexpected one."""
    verdicts = [outcome.verdict for outcome in outcomes]
    unexpected = sum(not outcome.expected for outcome in outcomes)
    return {verdict: verdicts.count(verdict) for verdict in VERDICTS} | {"unexpected": unexpected}


class Topic(NamedTuple):
    """A topic: number of checks, holding, missing, and the median of |deviation| over tolerance."""

    name: str
    checks: int
    holding: int
    missing: int
    deviation: float | None


class Kind(NamedTuple):
    """A kind of check: number of checks, holding, missing, and how many of them were seen in memory only."""

    name: str
    checks: int
    holding: int
    missing: int
    remembered: int


def by_kind(outcomes: Sequence[Outcome]) -> list[Kind]:
    """All kinds that occur, in the order of KINDS."""
    kinds = []
    for name in KINDS:
        members = [outcome for outcome in outcomes if outcome.check.kind == name]
        verdicts = [outcome.verdict for outcome in members]
        remembered = sum(outcome.check.seen == "memory" for outcome in members)
        if members:
            kinds.append(Kind(name, len(members), verdicts.count(HOLDS), verdicts.count(MISSES), remembered))
    return kinds


def in_bands(outcomes: Sequence[Outcome]) -> tuple[int, int]:
    """How many published values lie inside the stated 90 % band, and of how many."""
    judged = [outcome.in_band for outcome in outcomes if outcome.in_band is not None]
    return sum(judged), len(judged)


def by_topic(outcomes: Sequence[Outcome]) -> list[Topic]:
    """All topics in the order they appear."""
    topics = []
    for name in dict.fromkeys(outcome.check.topic for outcome in outcomes):
        members = [outcome for outcome in outcomes if outcome.check.topic == name]
        verdicts = [outcome.verdict for outcome in members]
        scaled = [abs(outcome.scaled) for outcome in members if outcome.scaled is not None]
        middle = median(scaled) if scaled else None
        topics.append(
            Topic(name.replace("_", " "), len(members), verdicts.count(HOLDS), verdicts.count(MISSES), middle)
        )
    return topics
