"""What counts of leaking lengths prove, in sentences."""

from __future__ import annotations

from math import floor, log10

from bronzeward.studies.leak_counts import Count, Difference, Limits

CAUTION = (
    "Leaks are taken as independent, lengths as alike. Short free lengths say little about a wound, compacted magnet: "
    "cabling, bending, clamping and ends hurt strands that no free length shows."
)

UNLIKELY = 0.05
"""A chance below this is called a sign of a difference."""


LEAST_PERCENT = 1e-3
"""Chances below this are called none."""


def sentences(count: Count, limits: Limits, confidence: float) -> list[str]:
    """What was tested, and what it leaves possible."""
    per_km = limits.per_metre * 1e3
    lines = [
        f"{count.tested} lengths of {count.each:g} m ({count.metres:g} m in all), {_leaks(count.leaks)}. "
        f"With {confidence * 100:g} % confidence:",
        f"at most {_figures(limits.share * 100)} % of such lengths leak,",
        f"at most {_figures(limits.per_metre)} leaks per metre ({_figures(per_km)} per km), each leak counted.",
    ]
    if count.leaks:
        once = limits.per_metre_counted_once
        lines.append(
            "If a length counts once however many leaks it has, no number of leaks per metre is excluded: all leaked."
            if count.leaks == count.tested
            else f"If a length counts once however many leaks it has: at most {_figures(once)} leaks per metre."
        )
    return lines


def on_strands(metres: float, of_strand: float, strands: int, of_cable: float) -> list[str]:
    """The chance that a strand, and a cable of several, has no leak."""
    lines = [f"A strand of {metres:g} m is without a leak in at least {_percent(of_strand)} of cases,"]
    if strands == 1:
        return [lines[0][:-1] + "."]
    whole = metres * strands
    return [*lines, f"a cable of {strands} such strands ({whole:g} m) in at least {_percent(of_cable)}."]


def on_needed(per_metre: float, each: float, needed: int, confidence: float) -> str:
    """How many lengths show a rate."""
    leaks = f"{per_metre * 1e3:g} leak" + ("" if per_metre == 1e-3 else "s")
    return (
        f"To show at most {leaks} per km with {confidence * 100:g} % confidence, {needed} lengths "
        f"of {each:g} m ({needed * each:.4g} m) must be tested without a leak."
    )


def on_difference(one: Count, other: Count, difference: Difference) -> list[str]:
    """Whether two counts differ."""
    lines = [
        f"Against {other.tested} lengths of {other.each:g} m, {_leaks(other.leaks)}: counts that differ as much or "
        f"more have a chance of {_chance(difference.p_value)} if nothing differs"
        f" ({'per metre' if difference.lengths is None else 'by lengths'}, exact)."
    ]
    if difference.lengths is not None:
        lines.append(f"By leaks per metre, each leak counted, that chance is {_chance(difference.metres)}.")
    sign = "a sign of a difference" if difference.p_value < UNLIKELY else "no proof of a difference, nor of none"
    return [*lines, f"That is {sign}."]


def _leaks(number: int) -> str:
    return f"{number or 'none'} leaked"


def _chance(value: float) -> str:
    return f"{value:.2g}" if value > 0.0 else "less than 1e-300"


def _figures(value: float) -> str:
    return f"{value:.4g}"


def _percent(share: float) -> str:
    """Rounded down: the chance is at least so large."""
    percent = share * 100.0
    if percent < LEAST_PERCENT:
        return "0 %"
    unit = 10.0 ** (floor(log10(percent)) - 2)
    return f"{floor(percent / unit * (1.0 + 1e-12)) * unit:.3g} %"
