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

LENGTHS = {"m": 1.0, "mm": 1e-3, "um": 1e-6, "µm": 1e-6, "μm": 1e-6, "nm": 1e-9}
"""Units of thicknesses [m]; the second and the third µ are two letters that look alike."""

REQUIRED = {"layer": "layer", "sd": "sd_um", "readings": "readings"}
"""Columns every file has, and how they may be written."""

ALLOWED = (
    "sample", "case", "temperature_C", "time_h", "layer", "mean_um", "sd_um", "readings", "below_um", "note",
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
        Names of `LAYERS` whose thicknesses are added up; of `CORE` the diameter.
    mean, deviation : float, [m]
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
    def layer(self) -> str:
        """The layers as they were written."""
        return ("no " if self.absent else "") + "+".join(self.layers)


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
        measurements.append(_measurement(row, sample, *samples[sample][:2]))
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
    known = [re.split(r"[_\[(/\s]", name)[0] for name in ALLOWED]
    for place, name in enumerate(names):
        key = re.split(r"[_\[(/\s]", name.strip())[0].casefold()
        if key not in known:
            raise InputError(f"{path}: unknown column '{name}'; allowed: {', '.join(ALLOWED)}")
        if key in columns:
            raise InputError(f"{path}: columns '{columns[key].name}' and '{name}' are the same")
        columns[key] = _Column(name.strip(), place, *_unit(key, name, path))
    for key, name in REQUIRED.items():
        if key not in columns:
            raise InputError(f"{path}: column {name} is missing; needed: {', '.join(('mean_um', *REQUIRED.values()))}")
    if "mean" not in columns and "below" not in columns:
        raise InputError(f"{path}: column mean_um is missing; needed: {', '.join(('mean_um', *REQUIRED.values()))}")
    return columns


def _unit(key: str, name: str, path: Path) -> tuple[float, float]:
    """Scale and shift to SI of the column `key`, from its name."""
    units = {
        "temperature": {unit: (scale, shift) for unit, (_, scale, shift) in TEMPERATURE_UNITS.items()},
        "time": {unit: (scale, 0.0) for unit, scale in TIME_UNITS.items()},
    }
    lengths = {unit: (scale, 0.0) for unit, scale in LENGTHS.items()}
    units |= {"mean": lengths, "sd": lengths, "below": lengths}
    if key not in units:
        return 1.0, 0.0
    unit = unit_of(name)
    if unit not in units[key] or unit == name.strip().casefold():
        like = next(allowed for allowed in ALLOWED if allowed.startswith(key))
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
    layers = _layers(row.text("layer"), row.where)
    if CORE in layers and strand.plane:
        raise InputError(f"{row.where}: a plane couple has no core diameter; give the strand's case")
    absent = bool(row.text("below"))
    if absent and row.text("mean"):
        raise InputError(f"{row.where}: give mean, or below for a layer that is not there, not both")
    mean = row.number("below" if absent else "mean") if absent or "mean" in row.columns else 0.0
    if not mean:
        raise InputError(f"{row.where}: below is empty")
    deviation = BLUR * mean if absent and not row.text("sd") else row.number("sd")
    readings = 1.0 if absent and not row.text("readings") else row.number("readings")
    if readings != int(readings):
        raise InputError(f"{row.where}: readings is {readings:g}; it must be a whole number")
    return Measurement(sample, strand, schedule, layers, mean, deviation, int(readings), absent)


def _layers(text: str, where: str) -> tuple[str, ...]:
    names = tuple(part.strip() for part in text.split("+"))
    for name in names:
        if name not in LAYERS:
            raise InputError(f"{where}: layer '{name}' is not known; allowed: {', '.join(LAYERS)}, or a sum with +")
    if len(set(names)) != len(names) or ({SHELL, CORE} & set(names) and len(names) > 1):
        raise InputError(f"{where}: layer '{text}' counts a layer twice")
    return names
