"""Measured layer thicknesses, from a CSV file.

One row a layer of one sample. Columns, in any order:

    case            a case file beside the CSV, whose strand and schedule the sample had; or
    temperature_C   and
    time_h          a hold, for the strand of the fit's own case or, without one, a thick plane couple
    layer           eta, epsilon, ..., shell (all compounds), or a sum such as eta+epsilon
    mean_um         mean thickness
    sd_um           standard deviation of the readings
    readings        their number
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from math import isfinite, sqrt
from pathlib import Path

import numpy as np

from bronzeward.errors import InputError
from bronzeward.inputs.case import load_case
from bronzeward.inputs.schedule import HOTTEST_C, Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.phases import LIQUID, PHASES, SOLID_TIN
from bronzeward.units import HOUR, ZERO_CELSIUS

LAYERS = ("shell", *(phase for phase in PHASES if phase not in (LIQUID, SOLID_TIN)))

REQUIRED = ("layer", "mean_um", "sd_um", "readings")
OPTIONAL = ("case", "temperature_C", "time_h", "note")

THICK_UM = 500.0
"""Tin and copper of the plane couple that stands for a sample without a case [um]."""


@dataclass(frozen=True)
class Measurement:
    """One layer of one sample.

    Attributes
    ----------
    sample : str
        Samples of the same name share strand and schedule.
    strand, schedule : Strand, Schedule
    layers : tuple of str
        Names of `LAYERS` whose thicknesses are added up.
    mean, deviation : float, [m]
        Of the readings.
    readings : int
    """

    sample: str
    strand: Strand
    schedule: Schedule
    layers: tuple[str, ...]
    mean: float
    deviation: float
    readings: int

    @property
    def log_error(self) -> float:
        """Standard error of the logarithm of the mean."""
        return self.deviation / self.mean / sqrt(self.readings)

    @property
    def layer(self) -> str:
        """The layers as they were written."""
        return "+".join(self.layers)


def isothermal(celsius: float, hours: float) -> Schedule:
    """A hold at `celsius` [C] that begins at once."""
    kelvin = celsius + ZERO_CELSIUS
    return Schedule(np.array([0.0, hours * HOUR]), np.array([kelvin, kelvin]))


def read_measurements(path: str | Path, strand: Strand | None = None) -> list[Measurement]:
    """Rows of a CSV file; `strand` is that of samples given by temperature and time."""
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{path}: cannot be read ({error})") from None
    rows = csv.DictReader(line for line in text.splitlines() if line.strip() and not line.startswith("#"))
    columns = [str(name).strip() for name in rows.fieldnames or ()]
    missing = [name for name in REQUIRED if name not in columns]
    unknown = [name for name in columns if name not in REQUIRED + OPTIONAL]
    if missing:
        raise InputError(f"{path}: column {missing[0]} is missing; needed: {', '.join(REQUIRED)}")
    if unknown:
        raise InputError(f"{path}: unknown column '{unknown[0]}'; allowed: {', '.join(REQUIRED + OPTIONAL)}")
    couple = strand or Strand.couple(THICK_UM, THICK_UM)
    measurements: list[Measurement] = []
    samples: dict[str, tuple[Strand, Schedule]] = {}
    for number, row in enumerate(rows, start=1):
        cells = {str(key).strip(): (value or "").strip() for key, value in row.items() if isinstance(value, str)}
        where = f"{path}: row {number}"
        name = _sample_name(cells, where)
        if name not in samples:
            samples[name] = _sample_of(cells, path.parent, couple, where)
        mean, deviation = _number(cells, "mean_um", where), _number(cells, "sd_um", where)
        readings = _number(cells, "readings", where)
        if readings != int(readings):
            raise InputError(f"{where}: readings is {readings:g}; it must be a whole number")
        layers = _layers(cells["layer"], where)
        measurements.append(Measurement(name, *samples[name], layers, mean * 1e-6, deviation * 1e-6, int(readings)))
    if not measurements:
        raise InputError(f"{path}: no rows")
    return measurements


def _sample_name(cells: dict[str, str], where: str) -> str:
    if cells.get("case"):
        if cells.get("temperature_C") or cells.get("time_h"):
            raise InputError(f"{where}: give case, or temperature_C and time_h, not both")
        return cells["case"]
    if not cells.get("temperature_C") or not cells.get("time_h"):
        raise InputError(f"{where}: give case, or both temperature_C and time_h")
    return f"{cells['temperature_C']} °C, {cells['time_h']} h"


def _sample_of(cells: dict[str, str], folder: Path, couple: Strand, where: str) -> tuple[Strand, Schedule]:
    if cells.get("case"):
        case = load_case(folder / cells["case"])
        return case.strand, case.schedule
    celsius, hours = _number(cells, "temperature_C", where), _number(cells, "time_h", where)
    if celsius > HOTTEST_C:
        raise InputError(f"{where}: temperature_C is {celsius:g}; allowed are 0 to {HOTTEST_C:g}")
    return couple, isothermal(celsius, hours)


def _number(cells: dict[str, str], key: str, where: str) -> float:
    try:
        value = float(cells.get(key, ""))
    except ValueError:
        raise InputError(f"{where}: {key} is {cells.get(key, '')!r}; it must be a number") from None
    if not isfinite(value) or value <= 0:
        raise InputError(f"{where}: {key} is {value:g}; it must be finite and above 0")
    return value


def _layers(text: str, where: str) -> tuple[str, ...]:
    names = tuple(part.strip() for part in text.split("+"))
    for name in names:
        if name not in LAYERS:
            raise InputError(f"{where}: layer '{name}' is not known; allowed: {', '.join(LAYERS)}, or a sum with +")
    if len(set(names)) != len(names) or ("shell" in names and len(names) > 1):
        raise InputError(f"{where}: layer '{text}' counts a layer twice")
    return names
