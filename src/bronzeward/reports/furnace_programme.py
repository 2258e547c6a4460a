"""A schedule as a furnace is programmed: segments with rate, set-point and dwell."""

from __future__ import annotations

from bronzeward.inputs.schedule import Schedule
from bronzeward.reports.text_table import table
from bronzeward.units import HOUR, ZERO_CELSIUS


def programme_segments(schedule: Schedule) -> str:
    """The programme as CSV for a furnace's software: segment, rate, set-point, dwell, end."""
    return "".join(",".join(row) + "\n" for row in [_CSV_HEADS, *_segments(schedule, "+.6g", ".6g", ".6g")])


def programme_table(schedule: Schedule) -> str:
    """The schedule as a furnace is programmed: segments with rate, set-point and dwell.

    A ramp and the hold after it are one segment; an exponential cool is given as its straight pieces.
    """
    return table(["segment", "rate °C/h", "set-point °C", "dwell h", "ends at h"], _segments(schedule))


_CSV_HEADS = ["segment", "rate_C_per_h", "set_point_C", "dwell_h", "ends_at_h"]


def _segments(schedule: Schedule, rates: str = "+.1f", points: str = ".1f", hours: str = ".2f") -> list[list[str]]:
    """Rows of text; the last three say how rates, temperatures and times are written."""
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
        texts = [f"{rate:{rates}}" if rate else "-", f"{target:{points}}", f"{dwell:{hours}}", f"{t[k]:{hours}}"]
        rows.append([str(len(rows) + 1), *texts])
    if schedule.quenched:
        rows.append([str(len(rows) + 1), "quench", "", "", f"{t[-1]:{hours}}"])
    return rows
