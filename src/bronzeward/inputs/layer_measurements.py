"""Measured layers of quenched samples, from a CSV file.

One row a layer of one sample; `bronzeward example --layers` prints a file to start from. Read are commas, semicolons
and tabs, decimal points and commas, columns in any order, remarks after #. Units stand in the header, as in mean_um,
mean [nm] or temperature (K). Columns:

    sample          name of the sample; rows of the same name are of one sample
    case            a case file beside the CSV, whose strand and schedule the sample had; or
    temperature     and
    time            a hold, for the strand of the fit's own case or, without one, a thick plane couple; later rows of
                    a named sample may leave all of these empty
    layer           eta, epsilon, ...; shell (all compounds); core (outer diameter of the tin or liquid left in a
                    round strand, voids in it included); or a sum such as eta+epsilon
    mean            mean of the readings
    sd              their standard deviation
    readings        their number
    below           instead of mean: the layer was looked for and is not there; thinner than this
    area            instead of mean: share of the section, of all that lies inside the barrier and is no filament; also
                    of void, and of core for the tin or liquid itself
    area_sd         its standard deviation, instead of sd
    note            not used

Where a layer is below a limit of detection, sd says how sharp that limit is; empty: 30 % of it.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, sqrt
from pathlib import Path
from typing import NamedTuple

import numpy as np

from bronzeward.errors import InputError
from bronzeward.inputs.case import load_case
from bronzeward.inputs.schedule import HOTTEST_C, Schedule
from bronzeward.inputs.strand import Strand
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
from bronzeward.materials.phases import LIQUID, PHASES, SOLID_TIN
from bronzeward.units import HOUR, ZERO_CELSIUS

CORE, SHELL = "core", "shell"
LAYERS = (SHELL, CORE, *(phase for phase in PHASES if phase not in (LIQUID, SOLID_TIN)))

VOID, AREA = "void", "area of "
"""What has an area and no thickness; what stands before the name of a layer of which the area is meant."""

LENGTHS = {"m": 1.0, "mm": 1e-3, "um": 1e-6, "µm": 1e-6, "μm": 1e-6, "nm": 1e-9}
"""Units of thicknesses [m]; the second and the third µ are two letters that look alike."""

SHARES = {"%": 0.01, "percent": 0.01, "1": 1.0}
"""Units of areas, all of the section being 1."""

REQUIRED = {"layer": "layer", "readings": "readings"}
"""Columns every file has, and how they may be written."""

ALLOWED = (
    "sample", "case", "temperature_C", "time_h", "layer", "mean_um", "sd_um", "readings", "below_um", "area_percent",
    "area_sd_percent", "note",
)  # fmt: skip

THICK_UM = 500.0
"""Tin and copper of the plane couple that stands for a sample without a case [um]."""

BLUR = 0.3
"""Standard deviation of a limit of detection over the limit, where the file does not say it."""


@dataclass(frozen=True)
class Measurement:
    """One layer of one sample.

    Attributes
    ----------
    sample : str
        Samples of the same name share strand and schedule.
    strand, schedule : Strand, Schedule
    layers : tuple of str
        Names of `LAYERS` whose thicknesses are added up, of `CORE` the diameter; or, after `AREA`, whose areas are.
    mean, deviation : float, [m], of areas [-]
        Of the readings; of a layer that is not there, the limit of detection.
    readings : int
    absent : bool
        Whether the layer is thinner than `mean` rather than as thick.
    """

    sample: str
    strand: Strand
    schedule: Schedule
    layers: tuple[str, ...]
    mean: float
    deviation: float
    readings: int
    absent: bool = False

    @property
    def log_error(self) -> float:
        """Standard error of the logarithm of the mean; of a limit, that of any one reading."""
        return self.deviation / self.mean / (1.0 if self.absent else sqrt(self.readings))

    @property
    def of_area(self) -> bool:
        """Whether the area is meant."""
        return self.layers[0].startswith(AREA)

    def shown(self, value: float) -> str:
        """A value as it is shown, with its unit."""
        return f"{100.0 * value:.3g} %" if self.of_area else f"{1e6 * value:.3g} µm"

    @property
    def layer(self) -> str:
        """The layers as they were written."""
        return ("no " if self.absent else "") + "+".join(self.layers).replace(f"+{AREA}", "+")


class _Column(NamedTuple):
    name: str
    place: int
    scale: float
    shift: float


def isothermal(celsius: float, hours: float) -> Schedule:
    """A hold at `celsius` [C] that begins at once."""
    kelvin = celsius + ZERO_CELSIUS
    return Schedule(np.array([0.0, hours * HOUR]), np.array([kelvin, kelvin]))


def read_measurements(path: str | Path, strand: Strand | None = None) -> list[Measurement]:
    """Rows of a CSV file; `strand` is that of samples given by temperature and time."""
    path = Path(path)
    lines = [line for _, line in text_lines(path) if not line.lstrip().startswith("#")]
    if not lines:
        raise InputError(f"{path}: no rows")
    separator = max(";\t,", key=lines[0].count)
    columns = _columns(split_line(lines[0], separator), path)
    couple = strand or Strand.couple(THICK_UM, THICK_UM)
    measurements: list[Measurement] = []
    samples: dict[str, tuple[Strand, Schedule, tuple[str, ...]]] = {}
    for number, line in enumerate(lines[1:], start=1):
        texts, where = split_line(line, separator), f"{path}: row {number}"
        if any(texts[len(columns) :]):
            hint = "; write decimal commas only with semicolons between the columns" if separator == "," else ""
            raise InputError(f"{where}: {len(texts)} columns, the header {len(columns)}{hint}")
        row = _Row(columns, texts, where)
        sample = _sample(row, path.parent, couple, samples)
        measurement = _measurement(row, sample, *samples[sample][:2])
        for known in measurements:
            if (known.sample, set(known.layers)) == (sample, set(measurement.layers)):
                raise InputError(f"{where}: sample '{sample}' has a row for {'+'.join(known.layers)} already")
        measurements.append(measurement)
    if not measurements:
        raise InputError(f"{path}: no rows")
    return measurements


class _Row:
    """Cells of one row by column."""

    def __init__(self, columns: dict[str, _Column], texts: Sequence[str], where: str) -> None:
        self.columns, self.texts, self.where = columns, texts, where

    def text(self, key: str) -> str:
        return cell(self.texts, self.columns[key].place) if key in self.columns else ""

    def number(self, key: str) -> float:
        """The number in a column, above 0 as it is written, in SI units."""
        name, text = self.columns[key].name, self.text(key)
        if not text:
            raise InputError(f"{self.where}: {name} is empty")
        try:
            value = plain_number(text)
        except ValueError:
            raise InputError(f"{self.where}: {name} is {text!r}; it must be a number") from None
        if not isfinite(value) or not 0 < value <= LARGEST:
            raise InputError(f"{self.where}: {name} is {value:g}; it must be finite and above 0")
        return value * self.columns[key].scale + self.columns[key].shift


def _columns(names: Sequence[str], path: Path) -> dict[str, _Column]:
    """Columns by what they hold, with the units that their names give."""
    columns: dict[str, _Column] = {}
    while names and not names[-1]:  # a separator at the end of the line
        names = names[:-1]
    known = [_key(name) for name in ALLOWED]
    for place, name in enumerate(names):
        key = _key(name)
        if key not in known:
            raise InputError(f"{path}: unknown column '{name}'; allowed: {', '.join(ALLOWED)}")
        if key in columns:
            raise InputError(f"{path}: columns '{columns[key].name}' and '{name}' are the same")
        columns[key] = _Column(name.strip(), place, *_unit(key, name, path))
    needed = dict(REQUIRED)
    if "area" in columns:
        needed["area_sd"] = "area_sd_percent"
    if "mean" in columns or not {"below", "area"} & set(columns):
        needed |= {"mean": "mean_um", "sd": "sd_um"}
    for key, name in needed.items():
        if key not in columns:
            raise InputError(f"{path}: column {name} is missing; needed: {', '.join(needed.values())}")
    return columns


def _key(name: str) -> str:
    """What a column holds, from its name without the unit."""
    words = re.split(r"[_\[(/\s]+", name.strip().casefold())
    return "area_sd" if words[:2] == ["area", "sd"] else words[0]


def _unit(key: str, name: str, path: Path) -> tuple[float, float]:
    """Scale and shift to SI of the column `key`, from its name."""
    units = {
        "temperature": {unit: (scale, shift) for unit, (_, scale, shift) in TEMPERATURE_UNITS.items()},
        "time": {unit: (scale, 0.0) for unit, scale in TIME_UNITS.items()},
    }
    lengths = {unit: (scale, 0.0) for unit, scale in LENGTHS.items()}
    shares = {unit: (scale, 0.0) for unit, scale in SHARES.items()}
    units |= {"mean": lengths, "sd": lengths, "below": lengths, "area": shares, "area_sd": shares}
    if key not in units:
        return 1.0, 0.0
    unit = unit_of(name)
    if unit not in units[key] or unit == name.strip().casefold():
        like = next(allowed for allowed in ALLOWED if _key(allowed) == key)
        raise InputError(f"{path}: column '{name}' has no known unit; write it as in {like}")
    return units[key][unit]


def _sample(
    row: _Row, folder: Path, couple: Strand, samples: dict[str, tuple[Strand, Schedule, tuple[str, ...]]]
) -> str:
    """Name of the sample of a row; a new one joins `samples`."""
    origin = tuple(row.text(key) for key in ("case", "temperature", "time"))
    name = row.text("sample")
    if name in samples and name:
        if any(origin) and origin != samples[name][2]:
            raise InputError(f"{row.where}: sample '{name}' had another case, temperature or time in a row before")
        return name
    case, temperature, time = origin
    if case and (temperature or time):
        raise InputError(f"{row.where}: give case, or temperature_C and time_h, not both")
    if not case and not (temperature and time):
        raise InputError(f"{row.where}: give case, or both temperature_C and time_h")
    name = name or case or f"{temperature} °C, {time} h"
    if name not in samples:
        samples[name] = (*_treatment(row, folder, couple), origin)
    return name


def _treatment(row: _Row, folder: Path, couple: Strand) -> tuple[Strand, Schedule]:
    if row.text("case"):
        case = load_case(folder / row.text("case"))
        return case.strand, case.schedule
    celsius, hours = row.number("temperature") - ZERO_CELSIUS, row.number("time") / HOUR
    if not 0.0 <= celsius <= HOTTEST_C:
        raise InputError(f"{row.where}: temperature is {celsius:g} °C; allowed are 0 to {HOTTEST_C:g}")
    return couple, isothermal(celsius, hours)


def _measurement(row: _Row, sample: str, strand: Strand, schedule: Schedule) -> Measurement:
    given = [key for key in ("mean", "below", "area") if row.text(key)]
    if len(given) > 1:
        raise InputError(f"{row.where}: give mean, below for a layer that is not there, or area, not both")
    kind = given[0] if given else "mean" if "mean" in row.columns else "below" if "below" in row.columns else "area"
    if not given and kind != "mean":
        raise InputError(f"{row.where}: {kind} is empty")
    layers, absent = _layers(row.text("layer"), row.where, kind == "area"), kind == "below"
    if CORE in layers and strand.plane:
        raise InputError(f"{row.where}: a plane couple has no core diameter; give the strand's case")
    mean = row.number(kind)
    _check_size(mean, kind, layers, strand, row)
    spread = "area_sd" if kind == "area" else "sd"
    deviation = BLUR * mean if absent and not row.text(spread) else row.number(spread)
    readings = 1.0 if absent and not row.text("readings") else row.number("readings")
    if readings != int(readings):
        raise InputError(f"{row.where}: readings is {readings:g}; it must be a whole number")
    return Measurement(sample, strand, schedule, layers, mean, deviation, int(readings), absent)


def _check_size(mean: float, kind: str, layers: Sequence[str], strand: Strand, row: _Row) -> None:
    """Whether what was measured fits into the strand."""
    if kind == "area":
        if mean > 1.0:
            raise InputError(f"{row.where}: area is {100 * mean:g} %; it cannot be more than the section")
        return
    most = strand.barrier_radius * (2.0 if CORE in layers else 1.0)
    if mean > most:
        what = f"{row.columns[kind].name} is {row.text(kind)}, that is {1e6 * mean:.4g} µm"
        place = "all of the couple" if strand.plane else "the strand inside its barrier"
        size = (
            f"{1e6 * most:.4g} µm {'thick' if strand.plane else 'across' if CORE in layers else 'from centre to edge'}"
        )
        raise InputError(f"{row.where}: {what}; {place} is {size}")


def _layers(text: str, where: str, of_area: bool) -> tuple[str, ...]:
    names, allowed = tuple(part.strip() for part in text.split("+")), LAYERS + ((VOID,) if of_area else ())
    for name in names:
        if name not in allowed:
            raise InputError(f"{where}: layer '{name}' is not known; allowed: {', '.join(allowed)}, or a sum with +")
    if len(set(names)) != len(names) or ({SHELL, CORE} & set(names) and len(names) > 1 and not of_area):
        raise InputError(f"{where}: layer '{text}' counts a layer twice")
    if of_area and SHELL in names and set(names) - {SHELL, CORE, VOID, "alpha"}:
        raise InputError(f"{where}: layer '{text}' counts a layer twice")
    return tuple(f"{AREA}{name}" for name in names) if of_area else names
