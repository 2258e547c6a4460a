"""What counts of leaking lengths prove: limits that hold with a stated confidence, and whether two counts differ.

Lengths of one kind are tested, and some leak. Two things can be said of what was not tested:

- the share of such lengths that leak, from the binomial distribution: the largest for which so few leaks as were
  counted, or fewer, still have a chance of 1 - confidence (C. J. Clopper, E. S. Pearson, Biometrika 26 (1934) 404,
  cited from memory; one-sided);
- leaks per metre, from the Poisson distribution in the same way, each leak counted.

Where a length that leaks counts once however many leaks it has, leaks per metre follow from the share: a length of
x metres is without a leak with the chance exp(-leaks per metre * x). Without any leak the two are the same.

All of this takes leaks to be independent of each other and lengths to be as those that were tested.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, expm1, isfinite, log, log1p, nextafter
from typing import NamedTuple

from bronzeward.errors import InputError

MOST_LENGTHS = 10**9
"""Lengths that are counted at most."""


@dataclass(frozen=True)
class Count:
    """Lengths that were tested alike.

    Attributes
    ----------
    tested : int
    each : float, [m]
    leaks : int
        Lengths that leaked.
    """

    tested: int
    each: float
    leaks: int

    def __post_init__(self) -> None:
        if not 1 <= self.tested <= MOST_LENGTHS:
            raise InputError(f"lengths: {self.tested} tested; allowed are 1 to {MOST_LENGTHS}")
        if not 0 <= self.leaks <= self.tested:
            raise InputError(f"lengths: {self.leaks} of {self.tested} leak; allowed are 0 to {self.tested}")
        check_above_zero("length of each", self.each, "m")

    @property
    def metres(self) -> float:
        """Length of all together [m]."""
        return self.tested * self.each


class Limits(NamedTuple):
    """What a count leaves possible with a stated confidence.

    Attributes
    ----------
    share : float, [-]
        Of lengths that leak, at most.
    per_metre : float, [1/m]
        Leaks, at most, each of them counted; Poisson.
    per_metre_counted_once : float, [1/m]
        The same where a length counts once however many leaks it has; infinite where all leaked.
    """

    share: float
    per_metre: float
    per_metre_counted_once: float


class Difference(NamedTuple):
    """Chance of counts that differ at least as much as two do, were there no difference.

    Attributes
    ----------
    lengths : float or None, [-]
        Exact test of R. A. Fisher on the shares; None where the two kinds of lengths are not equally long.
    metres : float, [-]
        Exact test of leaks per metre: given their sum, the leaks of one count are binomial.
    """

    lengths: float | None
    metres: float

    @property
    def p_value(self) -> float:
        """That of the lengths where they can be compared, else that of the metres."""
        return self.metres if self.lengths is None else self.lengths


def limits(count: Count, confidence: float) -> Limits:
    """The largest rates compatible with a count; `confidence` between 0 and 1, one-sided."""
    from scipy.stats import beta, chi2

    check_confidence(confidence)
    doubt = 1.0 - confidence
    per_metre = float(chi2.isf(doubt, 2 * count.leaks + 2)) / 2.0 / count.metres
    if count.leaks == count.tested:
        return Limits(1.0, per_metre, float("inf"))
    if count.leaks == 0:  # in closed form: beta's quantile loses digits where the share is small
        share = -expm1(log(doubt) / count.tested)
    else:
        share = float(beta.isf(doubt, count.leaks + 1, count.tested - count.leaks))
    return Limits(share, per_metre, -log1p(-share) / count.each)


def chance_of_none(count: Count, confidence: float, metres: float) -> float:
    """Chance that `metres` [m] have no leak, at least; from the share of lengths that may leak."""
    check_above_zero("length of a strand", metres, "m")
    return exp(-limits(count, confidence).per_metre_counted_once * metres)


def lengths_needed(each: float, per_metre: float, confidence: float) -> int:
    """Lengths of `each` [m] that must all be tight to show fewer leaks than `per_metre` [1/m]."""
    check_above_zero("length of each", each, "m")
    check_above_zero("leaks per metre to be shown", per_metre, "1/m")
    check_confidence(confidence)
    needed = -log1p(-confidence) / (per_metre * each)
    if not needed <= MOST_LENGTHS:
        raise InputError(f"lengths: showing that takes {needed:.3g} lengths; at most {MOST_LENGTHS} are counted")
    whole = int(nextafter(needed, 0.0))  # what is a whole number but for rounding stays that number
    return max(whole + 1, 1)


def difference(one: Count, other: Count) -> Difference:
    """Exact conditional tests, two-sided, of whether two counts differ."""
    from scipy.stats import binomtest, fisher_exact

    leaks = one.leaks + other.leaks
    metres = 1.0
    if leaks:
        metres = float(binomtest(one.leaks, leaks, one.metres / (one.metres + other.metres)).pvalue)
    if one.each != other.each:
        return Difference(None, metres)
    rows = [[count.leaks, count.tested - count.leaks] for count in (one, other)]
    return Difference(float(fisher_exact(rows).pvalue), metres)


def check_confidence(confidence: float) -> None:
    """Refuse what is no confidence."""
    if not 0.0 < confidence < 1.0:
        raise InputError(f"lengths: confidence is {confidence * 100:g} %; it must lie between 0 and 100")


def check_above_zero(name: str, value: float, unit: str) -> None:
    """Refuse what is not above zero."""
    if not isfinite(value) or value <= 0.0:
        raise InputError(f"lengths: {name} is {value:g} {unit}; it must be finite and above 0")
