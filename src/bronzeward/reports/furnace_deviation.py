"""How a furnace kept to its programme, as a table and in words."""

from __future__ import annotations

import numpy as np

from bronzeward.studies.furnace_deviation import Comparison, Trace
from bronzeward.units import HOUR, ZERO_CELSIUS


def deviation_table(comparison: Comparison) -> str:
    """The comparison segment by segment as text, within 80 columns."""
    lines = [
        " h from    to      programmed, °C   °C/h  measured   mean error   largest error",
        "                                            °C/h            K               K",
    ]
    for one in comparison.segments:
        hot, cold = one.programmed_start - ZERO_CELSIUS, one.programmed_end - ZERO_CELSIUS
        spans = f"{one.start / HOUR:7.2f} {one.end / HOUR:7.2f}  {hot:6.1f} to {cold:6.1f}"
        rates = f" {_tenths(one.programmed_rate * HOUR):7.1f} {_tenths(one.measured_rate * HOUR):9.1f}"
        lines.append(f"{spans}{rates} {_tenths(one.mean_error):12.1f} {_tenths(one.largest_error):15.1f}")
    return "\n".join(lines)


def deviation_sentences(comparison: Comparison) -> list[str]:
    """The comparison in words."""
    start = comparison.shift / HOUR
    worst = max(comparison.segments, key=lambda one: abs(one.largest_error))
    holds = [one for one in comparison.segments if abs(one.programmed_rate) * HOUR < 0.05]
    lines = [
        f"The log starts {abs(start):.2f} h {'after' if start >= 0 else 'before'} the programme.",
        f"Measured and programmed differ most, by {_tenths(worst.largest_error):+.1f} K, between "
        f"{worst.start / HOUR:.1f} and {worst.end / HOUR:.1f} h.",
    ]
    if holds:
        off = max(holds, key=lambda one: abs(one.mean_error))
        lines.append(
            f"On the holds the thermocouple was off by {_tenths(off.mean_error):+.1f} K in the mean at worst, at "
            f"{off.programmed_start - ZERO_CELSIUS:.0f} °C."
        )
    if comparison.uncovered > 60.0:
        lines.append(f"{comparison.uncovered / HOUR:.2f} h of the programme were not measured.")
    return lines


def verdict(trace: Trace, tolerance: float) -> str:
    """Whether the furnace kept to its programme within `tolerance` [K], and where it did so least."""
    k = int(np.argmax(np.abs(trace.error)))
    worst = f"{_tenths(float(trace.error[k])):+.1f} K after {trace.time[k] / HOUR:.2f} h of the programme"
    outside = trace.outside(tolerance)
    if outside == 0.0 and abs(trace.error[k]) <= tolerance:
        return f"Pass: always within {tolerance:g} K; at most {worst}."
    return f"Fail: outside {tolerance:g} K for {outside / HOUR:.2f} h; at most {worst}."


def trace_csv(trace: Trace) -> str:
    """Every moment as CSV: hours of the programme, programmed, measured, error."""
    columns = (trace.time / HOUR, trace.programmed - ZERO_CELSIUS, trace.measured - ZERO_CELSIUS, trace.error)
    rows = [",".join(f"{value:.8g}" for value in row) for row in zip(*columns, strict=True)]
    return "\n".join(["time_h,programmed_C,measured_C,error_K", *rows, ""])


def _tenths(value: float) -> float:
    """Rounded to a tenth, without a negative zero."""
    return round(value, 1) + 0.0
