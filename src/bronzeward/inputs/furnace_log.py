"""Reading a measured temperature log as furnaces write it, and saying how it was understood.

Understood are comma, semicolon and tab; decimal points and decimal commas; lines of remarks above the
header; a second header line with units; times as numbers with a unit, as date and time, as date and
time in two columns, or as hours:minutes:seconds; temperatures in °C, K and °F; several channels.
What could be read in two ways is refused rather than guessed.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import isfinite
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from bronzeward.errors import InputError
from bronzeward.inputs.schedule import HOTTEST_C
from bronzeward.inputs.table_text import (
    LARGEST,
    TEMPERATURE_UNITS,
    TIME_UNITS,
    cell,
    plain_number,
    split_line,
    text_lines,
    unit_of,
)
from bronzeward.units import HOUR, ZERO_CELSIUS

GAP_FACTOR = 20.0
"""A step this many times longer than the middle one counts as a gap."""

LONGEST_PAUSE = 5 * 86400.0
"""A step between two dates that is longer counts as a sign that day and month are swapped [s]."""

SPIKE = 25.0
"""A row nearer than this to those round it is no spike [K]."""

REACH = 5
"""Rows before and after one that it is judged by."""

FEWEST = 12
"""Logs of fewer rows are too short to tell a spike from a furnace."""

HEADER_WITHIN = 60
"""The header is looked for in so many lines from the top."""

COMBINED = ("mean", "hottest", "coldest")
"""What can be asked for in place of one channel."""

_TIME_WORDS = ("time", "elapsed", "date", "timestamp", "datum", "uhrzeit", "zeit", "hours", "minutes", "seconds")
_SET_POINT = re.compile(r"set.?point|set.?temp|target|programme|\bprogram|\bsp\d*\b|\bsv\d*\b|_sp\b", re.IGNORECASE)
_MONTHS = {name: k for k, name in enumerate("jan feb mar apr may jun jul aug sep oct nov dec".split(), start=1)}

Array = NDArray[np.float64]
Cells = list[tuple[int, list[str]]]


@dataclass(frozen=True)
class Log:
    """A measured temperature history and how it was read.

    Attributes
    ----------
    time : ndarray, shape (n,), [s]
        From the first row.
    temperature : ndarray, shape (n,), [K]
    channel : str
        The channel in use, as in the header, or one of `COMBINED`.
    channels : tuple of str
        All measured channels of the file.
    understood : tuple of str
        Sentences on how the file was read, to show to whoever made it.
    """

    time: Array
    temperature: Array
    channel: str
    channels: tuple[str, ...]
    understood: tuple[str, ...]
    lines: tuple[int, ...] = ()
    """Lines of the file that the rows stand in, from 1."""


class _Column(NamedTuple):
    place: int
    name: str
    unit: str
    scale: float
    shift: float


class _Header(NamedTuple):
    line: int
    separator: str
    names: list[str]
    rows: Cells


def read_log(
    path: Path, longest_gap: float | None = None, channel: str | None = None, despike: bool | None = None
) -> tuple[Array, Array]:
    """Times [s] and temperatures [K] of a log, each shape (n,); see `load_log`."""
    log = within_schedule(load_log(path, longest_gap, channel, despike), path)
    return log.time, log.temperature


def load_log(
    path: str | Path, longest_gap: float | None = None, channel: str | None = None, despike: bool | None = None
) -> Log:
    """Read a temperature log.

    Parameters
    ----------
    path : Path
        A CSV file with units in its header, such as `time_h,temperature_C` or `Date;Time;TC 1 [°C];TC 2 [°C]`.
    longest_gap : float, optional, [s]
        A longer step is an error: nobody knows what the furnace did meanwhile. Default: 20 times the middle step.
    channel : str, optional
        Name or number (from 1) of a temperature column, or "mean", "hottest" or "coldest" of all of them at
        each time. Needed only where the file has several.
    despike : bool, optional
        Whether rows are left out that have no number or cannot be meant among those around them (`spikes`), as where
        a sensor drops out; they are told. False takes them as they are; by default they are an error.

    Raises
    ------
    InputError
        When the file cannot be read without guessing, has gaps, or its times do not increase.
    """
    path = Path(path)
    header = _find_header(text_lines(path), path)
    clock = _clock(header, path)
    columns, set_points = _temperature_columns(header)
    chosen, name = _choose(columns, channel, path)
    rows = header.rows
    if despike:
        header, clock = _with_numbers(header, clock, chosen, path)
    kelvin = np.array(
        [
            [
                _number(cells, column.place, line, path, header.separator) * column.scale + column.shift
                for column in chosen
            ]
            for line, cells in header.rows
        ]
    )
    lines = np.array([line for line, _ in header.rows])
    odd = np.any([spikes(column) for column in kelvin.T], axis=0)
    if despike is None:
        _check_spikes(kelvin, odd, lines, path)
    if despike:
        clock, kelvin, lines = clock._replace(seconds=clock.seconds[~odd]), kelvin[~odd], lines[~odd]
    reduce: Callable[..., Array] = {"hottest": np.max, "coldest": np.min}.get(name, np.mean)
    temperature = np.asarray(reduce(kelvin, axis=1))
    _check_times(clock.seconds, lines.tolist(), longest_gap, path, clock.dated)
    time = clock.seconds - clock.seconds[0]
    names = tuple(column.name for column in columns)
    understood = (
        _on_layout(header),
        clock.words.format(hours=time[-1] / HOUR, step=_span(float(np.median(np.diff(time))))),
        _on_channels(name, chosen, names, temperature, set_points),
        *_on_left_out([line for line, _ in rows if line not in set(lines.tolist())]),
        *([f"{odd.sum()} rows that cannot be meant are taken as they are."] if odd.any() and not despike else []),
    )
    return Log(time, temperature, name, names, understood, tuple(lines.tolist()))


def spikes(kelvin: Array) -> NDArray[np.bool_]:
    """Rows of a channel, shape (n,), that cannot be meant among those round them.

    A row is one that is further from the middle of the rows round it than `SPIKE` and than anything that the furnace
    does there in so many rows; so is one at 0 °C or below in a furnace that is hot before and after. Of less than
    `FEWEST` rows nothing is said.
    """
    n = kelvin.size
    odd = np.zeros(n, dtype=bool)
    if n < FEWEST:
        return odd
    hot = np.flatnonzero(kelvin > ZERO_CELSIUS + SPIKE)
    if hot.size:
        odd[hot[0] : hot[-1]] = kelvin[hot[0] : hot[-1]] <= ZERO_CELSIUS + 0.5
    reach = np.minimum(np.minimum(np.arange(n), np.arange(n)[::-1]), REACH)
    suspects = np.flatnonzero(np.abs(np.diff(kelvin, prepend=kelvin[0])) > SPIKE)
    near = {int(k) for start in suspects for k in range(start - REACH, start + REACH + 1) if 0 <= k < n}
    for k in sorted(near):
        around = kelvin[k - reach[k] : k + reach[k] + 1]
        usual = float(np.median(np.abs(np.diff(around)))) if around.size > 1 else np.inf
        odd[k] |= abs(kelvin[k] - np.median(around)) > max(SPIKE, 2.0 * REACH * usual)
    return odd


def _with_numbers(header: _Header, clock: _Clock, chosen: Sequence[_Column], path: Path) -> tuple[_Header, _Clock]:
    """Only those rows that have a temperature in every chosen column."""
    kept = [k for k, (_, cells) in enumerate(header.rows) if all(_is_number(cell(cells, c.place)) for c in chosen)]
    if len(kept) < 2:
        raise InputError(f"{path}: fewer than two rows have a temperature")
    rows = [header.rows[k] for k in kept]
    return header._replace(rows=rows), clock._replace(seconds=clock.seconds[kept])


def _check_spikes(kelvin: Array, odd: NDArray[np.bool_], lines: NDArray[np.int64], path: Path) -> None:
    if odd.any():
        k = int(np.argmax(odd))
        raise InputError(
            f"{path}: line {lines[k]}: {kelvin[k, 0] - ZERO_CELSIUS:.4g} °C cannot be meant among the rows round it "
            f"({odd.sum()} such rows); despike leaves them out (--despike, or despike = true in the case file), "
            "or takes them as they are (--no-despike, false)"
        )


def _is_number(text: str) -> bool:
    try:
        return isfinite(plain_number(text))
    except ValueError:
        return False


def within_schedule(log: Log, path: Path) -> Log:
    """The log, if a schedule may have its temperatures; the first that it may not have is told by its line."""
    celsius = log.temperature - ZERO_CELSIUS
    wrong = (celsius < 0.0) | (celsius > HOTTEST_C)
    if wrong.any():
        k = int(np.argmax(wrong))
        below = ", below absolute zero" if celsius[k] <= -ZERO_CELSIUS else ""
        raise InputError(f"{path}: line {log.lines[k]}: {celsius[k]:.4g} °C{below}; allowed are 0 to {HOTTEST_C:g} °C")
    return log


def _on_left_out(lines: Sequence[int]) -> list[str]:
    if not lines:
        return []
    some = ", ".join(map(str, lines[:10])) + (" and more" if len(lines) > 10 else "")
    return [f"Left out: {len(lines)} {'row' if len(lines) == 1 else 'rows'}, line {some}."]


def _find_header(lines: list[tuple[int, str]], path: Path) -> _Header:
    """The first line that names a time and a temperature with its unit, and the rows below it."""
    for k, (number, line) in enumerate(lines[:HEADER_WITHIN]):
        for separator in sorted(";\t,", key=line.count, reverse=True):
            names = split_line(line.lstrip("#"), separator)
            if len(names) < 2:
                continue
            for extra, merged in ((1, names), (2, _with_units(names, lines, k, separator))):
                if _looks_like_header(merged):
                    return _Header(number, separator, merged, _rows(lines[k + extra :], separator, merged, path))
    first = lines[0][1].strip()[:60] if lines else "nothing"
    raise InputError(
        f"{path}: no header found that names a time and a temperature with its unit (°C, K or °F), such as "
        f"time_h,temperature_C; the file starts with {first!r}"
    )


def _with_units(names: list[str], lines: list[tuple[int, str]], k: int, separator: str) -> list[str]:
    """Names completed by a line of units below them, where there is one."""
    if k + 1 >= len(lines):
        return names
    units = split_line(lines[k + 1][1].lstrip("#"), separator)
    if len(units) != len(names) or any(re.search(r"\d", unit) for unit in units):
        return names
    return [
        f"{name} [{unit.strip('[]() ')}]" if unit.strip("[]() ") else name
        for name, unit in zip(names, units, strict=True)
    ]


def _looks_like_header(names: list[str]) -> bool:
    timed = any(_is_time(name) for name in names)
    return timed and any(unit_of(name) in TEMPERATURE_UNITS and not _is_time(name) for name in names)


def _rows(lines: list[tuple[int, str]], separator: str, names: list[str], path: Path) -> Cells:
    rows = []
    for number, line in lines:
        if line.lstrip().startswith("#"):
            continue
        cells = split_line(line, separator)
        while len(cells) > len(names) and not cells[-1]:
            cells.pop()
        if len(cells) > len(names):
            hint = "; write decimal commas only with semicolons between the columns" if separator == "," else ""
            raise InputError(f"{path}: line {number} has {len(cells)} columns, the header {len(names)}{hint}")
        rows.append((number, cells))
    if len(rows) < 2:
        raise InputError(f"{path}: needs a header and at least two rows")
    return rows


def _is_time(name: str) -> bool:
    low = name.lower().lstrip("#\"' ")
    return low.startswith(_TIME_WORDS) or (bool(re.match(r"t\s*[_\[(/]", low)) and unit_of(name) in TIME_UNITS)


class _Clock(NamedTuple):
    seconds: Array
    words: str
    dated: bool


def _clock(header: _Header, path: Path) -> _Clock:
    """Times [s] of all rows, and how they were read."""
    timed = [k for k, name in enumerate(header.names) if _is_time(name)]
    for k in timed:
        unit = unit_of(header.names[k])
        if unit in TIME_UNITS and ":" not in cell(header.rows[0][1], k):
            values = [_number(cells, k, line, path, header.separator) for line, cells in header.rows]
            words = f"Time: column '{header.names[k]}', numbers in {unit}; {{hours:.4g}} h, a row every {{step}}."
            return _Clock(np.array(values) * TIME_UNITS[unit], words, False)
    dates = [k for k in timed if re.search(r"date|datum|stamp", header.names[k], re.IGNORECASE)]
    times = [k for k in timed if k not in dates]
    together = (
        dates[:1] + times[:1]
        if dates and times and ":" not in cell(header.rows[0][1], dates[0])
        else (dates or times)[:1]
    )
    label = " and ".join(f"'{header.names[k]}'" for k in together)
    texts = [(line, " ".join(cell(cells, k) for k in together)) for line, cells in header.rows]
    if not dates and all(re.fullmatch(r"\d+:\d\d(:\d\d([.,]\d+)?)?", text) for _, text in texts):
        return _Clock(
            _clock_face(texts),
            f"Time: column {label}, hours:minutes(:seconds); {{hours:.4g}} h, a row every {{step}}.",
            True,
        )
    if re.fullmatch(r"[-+]?[\d.,]+", texts[0][1]):
        raise InputError(f"{path}: the time column {label} has no unit; name it time_s, time_min or time_h")
    moments, order = _dates(texts, path)
    first = moments[0]
    seconds = np.array([(moment - first).total_seconds() for moment in moments])
    words = f"Time: {label}, date and time{order}; from {first:%Y-%m-%d %H:%M}, {{hours:.4g}} h, a row every {{step}}."
    return _Clock(seconds, words, True)


def _clock_face(texts: list[tuple[int, str]]) -> Array:
    """Seconds of h:mm(:ss) texts; a fall by more than half a day is midnight."""
    seconds, days, before = [], 0.0, 0.0
    for _, text in texts:
        parts = [float(part.replace(",", ".")) for part in text.split(":")]
        clock = parts[0] * HOUR + parts[1] * 60.0 + (parts[2] if len(parts) > 2 else 0.0)
        if clock < before - 43200.0:
            days += 86400.0
        before = clock
        seconds.append(clock + days)
    return np.array(seconds)


def _dates(texts: list[tuple[int, str]], path: Path) -> tuple[list[datetime], str]:
    """Moments of all rows; where day and month could be swapped, the only order that makes sense."""
    read: dict[str, list[datetime]] = {}
    for order in ("ymd", "dmy", "mdy"):
        moments = [_moment(text, order) for _, text in texts]
        if all(moment is not None for moment in moments):
            read[order] = [moment for moment in moments if moment is not None]
    if not read:
        line, text = next(
            ((n, t) for n, t in texts if _moment(t, "ymd") is None and _moment(t, "dmy") is None), texts[0]
        )
        raise InputError(
            f"{path}: line {line}: {text!r} is not understood as date and time; 2031-05-04 13:30:00 would be"
        )
    if "ymd" in read:
        return read["ymd"], ""
    words = {"dmy": ", day before month", "mdy": ", month before day"}
    if len(read) == 2:
        spans = {order: [m - moments[0] for m in moments] for order, moments in read.items()}
        if spans["dmy"] != spans["mdy"]:
            likely = [order for order, span in spans.items() if _is_steady(span)]
            if len(likely) != 1:
                raise InputError(f"{path}: day and month cannot be told apart; write dates as 2031-05-04")
            return read[likely[0]], words[likely[0]]
        return read["dmy"], ", day and month may be swapped, which does not matter here"
    order = next(iter(read))
    return read[order], words[order]


def _is_steady(span: list[timedelta]) -> bool:
    """Whether moments rise without the leap of weeks that swapped day and month give at midnight."""
    steps = np.diff([one.total_seconds() for one in span])
    return bool((steps > 0).all() and steps.max() < LONGEST_PAUSE)


_DATE = re.compile(
    r"(\d{1,4})[-./ ](\d{1,2}|[A-Za-z]{3,9})[-./ ](\d{1,4})[T, ]+(\d{1,2}):(\d\d)(?::(\d\d)(?:[.,](\d+))?)?"
    r"\s*([AaPp][Mm])?\s*(Z|UTC|[-+]\d\d:?\d\d)?"
)


def _moment(text: str, order: str) -> datetime | None:
    """A date and time read as year-month-day, day-month-year or month-day-year; None where that fails."""
    match = _DATE.fullmatch(text.strip())
    if match is None:
        return None
    parts = match[1], match[2], match[3]
    if (order == "ymd") != (len(parts[0]) == 4):
        return None
    year, month, day = {"ymd": parts, "dmy": parts[::-1], "mdy": (parts[2], parts[0], parts[1])}[order]
    number = _MONTHS.get(month[:3].lower(), 0) if month.isalpha() else int(month) if month.isdigit() else 0
    hour = int(match[4])
    if match[8]:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if match[8].lower() == "pm" else 0)
    try:
        moment = datetime(
            int(year) + (2000 if len(year) <= 2 else 0), number, int(day), hour, int(match[5]), int(match[6] or 0),
            int(float(f"0.{match[7] or 0}") * 1e6),
        )  # fmt: skip
        return moment - _offset(match[9])
    except (ValueError, OverflowError):
        return None


def _offset(text: str | None) -> timedelta:
    if text is None or text in ("Z", "UTC"):
        return timedelta()
    sign = -1 if text[0] == "-" else 1
    return sign * timedelta(hours=int(text[1:3]), minutes=int(text[-2:]))


def _temperature_columns(header: _Header) -> tuple[list[_Column], list[str]]:
    """Measured channels, and the names of set-point columns, which are none."""
    measured, set_points = [], []
    for k, name in enumerate(header.names):
        unit = unit_of(name)
        if _is_time(name) or unit not in TEMPERATURE_UNITS:
            continue
        column = _Column(k, name, *TEMPERATURE_UNITS[unit])
        if _SET_POINT.search(name):
            set_points.append(column)
        else:
            measured.append(column)
    if not measured:
        return set_points, []
    return measured, [column.name for column in set_points]


def _choose(columns: list[_Column], channel: str | None, path: Path) -> tuple[list[_Column], str]:
    """The columns asked for, and the name of the choice."""
    names = ", ".join(column.name for column in columns)
    if channel is None:
        if len(columns) > 1:
            raise InputError(
                f"{path}: {len(columns)} temperature channels ({names}); say which is to be used, by name or number, "
                "or ask for their mean, hottest or coldest"
            )
        return columns, columns[0].name
    wanted = str(channel).strip().casefold()
    if wanted in COMBINED:
        return columns, wanted
    bare = re.compile(r"\s*[\[(/_].*$")
    same = [c for c in columns if wanted in (c.name.casefold(), bare.sub("", c.name).strip().casefold())]
    if len(same) == 1:
        return same, same[0].name
    if wanted.isdigit() and 1 <= int(wanted) <= len(columns):
        return [columns[int(wanted) - 1]], columns[int(wanted) - 1].name
    raise InputError(f"{path}: no channel '{channel}'; there are {names}, and mean, hottest and coldest of all")


def _number(cells: Sequence[str], place: int, line: int, path: Path, separator: str) -> float:
    text = cell(cells, place)
    try:
        value = plain_number(text)
    except ValueError:
        raise InputError(
            f"{path}: line {line}: {text!r} is not a number; the log must not have gaps (despike leaves such rows out)"
        ) from None
    if not isfinite(value):
        raise InputError(f"{path}: line {line}: {text} is not a finite number; the log must not have gaps")
    if abs(value) > LARGEST:
        raise InputError(f"{path}: line {line}: {text} cannot be meant; numbers go up to {LARGEST:g}")
    return value


def _check_times(t: Array, numbers: list[int], longest: float | None, path: Path, dated: bool) -> None:
    steps = np.diff(t)
    if (steps <= 0).any():
        k = int(np.argmax(steps <= 0))
        kind = "repeats the time before it" if steps[k] == 0 else "goes back in time"
        why = " (was the clock changed?)" if dated and steps[k] < 0 else ""
        raise InputError(f"{path}: line {numbers[k + 1]} {kind}{why}; times must increase")
    limit = GAP_FACTOR * float(np.median(steps)) if longest is None else longest
    if (steps > limit).any() and steps.size > 2:
        k = int(np.argmax(steps > limit))
        raise InputError(
            f"{path}: a gap of {steps[k] / 3600:.3g} h before line {numbers[k + 1]}; at most {limit / 3600:.3g} h is "
            "allowed (longest_gap_h in the case file changes that)"
        )


def _on_layout(header: _Header) -> str:
    separator = {",": "commas", ";": "semicolons", "\t": "tabs"}[header.separator]
    numbers = [cell for _, cells in header.rows[:50] for cell in cells if re.fullmatch(r"[-+]?\d+,\d+", cell)]
    decimals = ", decimal commas" if numbers else ""
    return f"Columns divided by {separator}{decimals}; header in line {header.line}; {len(header.rows)} rows."


def _on_channels(name: str, chosen: list[_Column], names: tuple[str, ...], kelvin: Array, set_points: list[str]) -> str:
    low, high = kelvin.min() - ZERO_CELSIUS, kelvin.max() - ZERO_CELSIUS
    units = " and ".join(dict.fromkeys(column.unit for column in chosen))
    what = f"the {name} of {', '.join(names)}" if name in COMBINED else f"column '{name}'"
    text = f"Temperature: {what}, in {units}, from {low:.1f} to {high:.1f} °C."
    others = [other for other in names if other != name] if name not in COMBINED else []
    text += f" Other channels: {', '.join(others)}." if others else ""
    return text + (f" Set points, not measured: {', '.join(set_points)}." if set_points else "")


def _span(seconds: float) -> str:
    return (
        f"{seconds:.3g} s"
        if seconds < 120
        else f"{seconds / 60:.3g} min"
        if seconds < 7200
        else f"{seconds / 3600:.3g} h"
    )
