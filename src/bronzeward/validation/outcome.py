"""What the program gives for a check, and whether that is near enough."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import log
from statistics import median
from typing import NamedTuple

from scipy.stats import chi2

from bronzeward.validation.check import KINDS, Check
from bronzeward.validation.stated_band import GROUPS, Stated

VERDICTS = HOLDS, MISSES, INFORMATION, NOT_COMPUTED = ("holds", "misses", "information", "not computed")


@dataclass(frozen=True)
class Outcome:
    """A check with what the program gives, in the check's unit; None where it is not computed.

    `stated` is what the program states of the published value, where its constants have a spread.
    """

    check: Check
    computed: float | None
    remark: str = ""
    stated: Stated | None = None

    @property
    def counted(self) -> Stated | None:
        """What is stated where the published value is an observation of that; else None."""
        return None if self.stated is None or self.stated.left_out else self.stated

    @property
    def in_band(self) -> bool | None:
        """Whether the published value lies inside the 90 % band that is to hold it; None where it does not count."""
        return self._inside(self.counted.band) if self.counted else None

    @property
    def in_band_alone(self) -> bool | None:
        """The same without an error of the published value itself."""
        return self._inside(self.counted.alone) if self.counted else None

    def _inside(self, band: tuple[float, float]) -> bool:
        return band[0] <= self.check.value <= band[1]

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


class Held(NamedTuple):
    """A group of published values that have a band: how many count, lie inside, inside without an error of their own.

    `square` is the mean square of published less computed over its standard deviation, 1 where spreads are right, and
    nine of ten times between `least` and `most` if values err independently; `rest` is the same without `farthest`.
    """

    name: str
    values: int
    inside: int
    inside_alone: int
    square: float
    least: float
    most: float
    farthest: str
    rest: float


def in_bands(outcomes: Sequence[Outcome]) -> list[Held]:
    """Published values inside the 90 % bands, each group that occurs."""
    groups = {name: [o for o in outcomes if GROUPS.get(o.check.topic) == name] for name in GROUPS.values()}
    counted = {name: [o for o in members if o.counted] for name, members in groups.items()}
    return [_held(name, members) for name, members in counted.items() if members]


def _held(name: str, members: Sequence[Outcome]) -> Held:
    inside = sum(bool(outcome.in_band) for outcome in members), sum(bool(o.in_band_alone) for o in members)
    squares = {outcome.check.id: outcome.counted.score**2 for outcome in members if outcome.counted}
    size, farthest = len(squares), max(squares, key=squares.__getitem__)
    least, most = (float(chi2.ppf(p, size)) / size for p in (0.05, 0.95))
    rest = (sum(squares.values()) - squares[farthest]) / max(size - 1, 1)
    return Held(name, size, *inside, sum(squares.values()) / size, least, most, farthest, rest)


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
