"""What a furnace was told against what a thermocouple saw, segment by segment."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from bronzeward.errors import InputError
from bronzeward.inputs.schedule import Schedule

Array = NDArray[np.float64]

ALIKE = 0.1
"""Two shifts are as good as each other when their distances [K] differ by less than this, and by this share."""

OFFSET_SHARE = 0.05
"""How much a kelvin of offset counts beside a kelvin of distance.

Sensors are off by some kelvin; a log is not to be laid on another hold because one a hundred kelvin away looks alike.
"""

SHIFTS = 241
"""Start times tried when the log is laid over the programme."""


class Segment(NamedTuple):
    """One straight piece of the programme and what was measured in it.

    start, end [s]; programmed_start, programmed_end, mean_error, largest_error [K]; programmed_rate,
    measured_rate [K/s]. Errors are measured less programmed.
    """

    start: float
    end: float
    programmed_start: float
    programmed_end: float
    mean_error: float
    largest_error: float
    programmed_rate: float
    measured_rate: float


@dataclass(frozen=True)
class Comparison:
    """A programme, a measured schedule laid over it, and their differences.

    Attributes
    ----------
    shift : float, [s]
        Added to the measured times.
    segments : tuple of Segment
        Those that the log covers.
    uncovered : float, [s]
        Time of the programme without measurement.
    """

    programmed: Schedule
    measured: Schedule
    shift: float
    segments: tuple[Segment, ...]
    uncovered: float


def compare_programme(programmed: Schedule, measured: Schedule, shift: float | None = None) -> Comparison:
    """Lay a measured schedule over a programme and compare them.

    Parameters
    ----------
    programmed, measured : Schedule
    shift : float, optional, [s]
        When the log's first row falls in programme time; without it, where the two agree best.

    Raises
    ------
    InputError
        When the log does not overlap the programme.
    """
    moved = _best_shift(programmed, measured) if shift is None else float(shift)
    first, last = moved, moved + float(measured.time[-1])
    segments = []
    for k in range(len(programmed.time) - 1):
        start, end = (max(float(programmed.time[k]), first), min(float(programmed.time[k + 1]), last))
        if end - start > 1.0:
            segments.append(_segment(programmed, measured, moved, start, end))
    if not segments:
        raise InputError("programme: the log does not overlap it; check the shift")
    covered = sum(segment.end - segment.start for segment in segments)
    return Comparison(programmed, measured, moved, tuple(segments), float(programmed.time[-1]) - covered)


@dataclass(frozen=True)
class Trace:
    """Measured less programmed, at every row of the log within the programme and at its knots.

    time : ndarray, shape (n,), [s], of the programme; programmed, measured : ndarray, shape (n,), [K]
    """

    time: Array
    programmed: Array
    measured: Array

    @property
    def error(self) -> Array:
        """Measured less programmed, shape (n,), [K]."""
        return self.measured - self.programmed

    def outside(self, tolerance: float) -> float:
        """Time [s] during which the error is more than `tolerance` [K]; between two rows it is that of the worse."""
        if not 0.0 < tolerance <= 1000.0:
            raise InputError(f"log: tolerance of {tolerance:g} K; allowed are above 0 to 1000 K")
        beyond = np.abs(self.error) > tolerance
        return float(np.diff(self.time)[beyond[1:] | beyond[:-1]].sum())


def error_trace(kept: Comparison) -> Trace:
    """The errors behind a comparison, moment by moment."""
    first, last = max(0.0, kept.shift), min(float(kept.programmed.time[-1]), kept.shift + float(kept.measured.time[-1]))
    times = np.concatenate([[first, last], kept.measured.time + kept.shift, kept.programmed.time])
    times = np.unique(times[(times >= first) & (times <= last)])
    return Trace(times, kept.programmed.temperature_at(times), kept.measured.temperature_at(times - kept.shift))


def _segment(programmed: Schedule, measured: Schedule, shift: float, start: float, end: float) -> Segment:
    inside = measured.time[(measured.time + shift > start) & (measured.time + shift < end)] + shift
    times = np.concatenate([[start], inside, [end]])
    seen = measured.temperature_at(times - shift)
    error = seen - programmed.temperature_at(times)
    weights = np.gradient(times)
    ends = programmed.temperature_at([start, end])
    return Segment(
        start=start,
        end=end,
        programmed_start=float(ends[0]),
        programmed_end=float(ends[1]),
        mean_error=float(np.average(error, weights=weights)),
        largest_error=float(error[np.argmax(np.abs(error))]),
        programmed_rate=float((ends[1] - ends[0]) / (end - start)),
        measured_rate=float(np.polyfit(times - start, seen, 1)[0])
        if times.size > 2
        else float((seen[-1] - seen[0]) / (end - start)),
    )


def _best_shift(programmed: Schedule, measured: Schedule) -> float:
    """Shift [s] with the least mean distance, offsets nearly left aside, where the two overlap by half or more."""
    reach = 0.5 * min(float(programmed.time[-1]), float(measured.time[-1]))
    shifts = np.linspace(-reach, reach, SHIFTS)
    for _ in range(3):
        costs = [_distance(programmed, measured, float(one)) for one in shifts]
        best = float(shifts[int(np.argmin(costs))])
        width = float(shifts[1] - shifts[0])
        shifts = np.linspace(best - width, best + width, 41)
    # an offset of the sensor is no shift: where starting together is as good, they do
    limit = ALIKE + (1.0 + ALIKE) * _distance(programmed, measured, best)
    return 0.0 if _distance(programmed, measured, 0.0) <= limit else float(round(best))


def _distance(programmed: Schedule, measured: Schedule, shift: float) -> float:
    start, end = max(0.0, shift), min(float(programmed.time[-1]), shift + float(measured.time[-1]))
    times = np.linspace(start, end, 400)
    overlap = (end - start) / min(float(programmed.time[-1]), float(measured.time[-1]))
    error = measured.temperature_at(times - shift) - programmed.temperature_at(times)
    offset = float(np.median(error))
    return float(np.abs(error - offset).mean() + OFFSET_SHARE * abs(offset)) / overlap
