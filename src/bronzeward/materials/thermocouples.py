"""Tolerances of thermocouples, read from `databases/thermocouples.toml`."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bronzeward.errors import InputError
from bronzeward.files import read_toml
from bronzeward.materials import literature
from bronzeward.units import ZERO_CELSIUS

HAIR = 1e-6
"""A temperature this far above a range counts as inside: it was converted from °C [K]."""


@dataclass(frozen=True)
class SensorClass:
    """One class of IEC 60584-1:2013.

    Attributes
    ----------
    number : int
    types : tuple of str
        Letters of the thermocouples it is known for.
    least : float, [K]
    share : float, [-]
        Of the temperature in °C; the tolerance is the greater of the two.
    range : (float, float), [°C]
    """

    number: int
    types: tuple[str, ...]
    least: float
    share: float
    range: tuple[float, float]

    def tolerance(self, kelvin: ArrayLike) -> NDArray[np.float64]:
        """Tolerance [K] at `kelvin` [K], any shape."""
        celsius = np.asarray(kelvin, dtype=float) - ZERO_CELSIUS
        coldest, hottest = self.range
        if celsius.size and (celsius.min() < coldest or celsius.max() > hottest + HAIR):
            raise InputError(
                f"margins: class {self.number} holds from {coldest:g} to {hottest:g} °C; "
                f"asked for {celsius.min():g} to {celsius.max():g} °C"
            )
        return np.maximum(self.least, self.share * np.abs(celsius))


@cache
def sensor_classes() -> dict[int, SensorClass]:
    """The classes of the databases by number."""
    rows = read_toml(literature.folder() / "thermocouples.toml")["value"]
    return {
        row["class"]: SensorClass(
            row["class"], tuple(row["types"]), row["least_K"], row["share"],
            (float(row["t_min_C"]), float(row["t_max_C"])),
        )
        for row in rows
    }  # fmt: skip
