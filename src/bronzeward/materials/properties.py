"""Physical properties of the phases, read from `databases/properties.toml`."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bronzeward import files
from bronzeward.errors import InputError
from bronzeward.materials import literature
from bronzeward.materials.growth_constants import COMPOUNDS
from bronzeward.materials.phases import LIQUID, PHASES
from bronzeward.units import ZERO_CELSIUS

REFERENCE_K = 298.15
"""Molar volumes in the database hold at this temperature [K]."""

NIOBIUM = "Nb"

BARRIERS = {"niobium": NIOBIUM, "tantalum": "Ta", "vanadium": "V"}
"""Metals a barrier may be of, and how rows of the file name them."""

_RICH_ALPHA = "alpha 9.1 at% Sn"
"""The alloy at which the line of alpha's molar volume ends."""


@dataclass(frozen=True)
class Properties:
    """Volumes, expansions and strength.

    Attributes
    ----------
    molar_volume : dict of float, [m3/mol of atoms] at 25 C
        By phase label; `alpha` is pure copper.
    alpha_slope : float, [m3/mol]
        Change of alpha's molar volume with the atom fraction of tin.
    expansion : dict of float, [1/K]
        Mean linear expansion, of the solid phases and of the metals in `BARRIERS`.
    liquid_density : dict of (intercept [kg/m3], slope [kg/m3/K], reference [K])
        Of the pure liquids "Sn" and "Cu".
    yield_strength : ndarray, shape (2, n)
        Temperatures [K] and proof stress of annealed copper [Pa].
    molar_mass : dict of float, [kg/mol]
        Of the elements "Sn" and "Cu".
    compound_tin : dict of float, [-]
        Atom fraction of tin of the narrow compounds eta, epsilon and delta.
    elastic_modulus : dict of float, [Pa]
        Young's, of "Cu" and the metals in `BARRIERS`.
    elastic_strain : float, [-]
        Share of a volume that elastic strain takes up; a shortage of room below it says nothing.
    references : tuple of str
        Bibliography keys of volumes, expansions and densities.
    """

    molar_volume: dict[str, float]
    alpha_slope: float
    expansion: dict[str, float]
    liquid_density: dict[str, tuple[float, float, float]]
    yield_strength: NDArray[np.float64]
    molar_mass: dict[str, float]
    compound_tin: dict[str, float]
    elastic_modulus: dict[str, float]
    elastic_strain: float
    references: tuple[str, ...]

    def volume_at(
        self, phase: str, temperature: ArrayLike, x_sn: ArrayLike = 0.0, *,
        liquid_density: ArrayLike = 1.0, compound_volume: ArrayLike = 1.0, compound_expansion: ArrayLike = 1.0,
    ) -> NDArray[np.float64]:  # fmt: skip
        """Molar volume [m3/mol] at `temperature` [K]; `x_sn` [-] matters to liquid and alpha. Shapes broadcast.

        The densities of liquids, and molar volumes and expansions of compounds, are multiplied by numbers if asked.
        The liquid mixes ideally from the densities of the pure liquids (Assael et al. 2010), copper's
        extrapolated below its melting point. Solids expand as (1 + a (T - 298.15 K))^3.
        """
        kelvin, x = np.asarray(temperature, dtype=float), np.asarray(x_sn, dtype=float)
        if phase == LIQUID:
            tin = self.molar_mass["Sn"] / self._density("Sn", kelvin)
            copper = self.molar_mass["Cu"] / self._density("Cu", kelvin)
            return np.asarray((x * tin + (1.0 - x) * copper) / np.asarray(liquid_density))
        volume = np.asarray(self.molar_volume[phase] + (self.alpha_slope * x if phase == "alpha" else 0.0))
        expansion = np.asarray(self.expansion[phase])
        if phase in COMPOUNDS:
            volume, expansion = volume * compound_volume, expansion * compound_expansion
        return np.asarray(volume * (1.0 + expansion * (kelvin - REFERENCE_K)) ** 3)

    def _density(self, element: str, kelvin: NDArray[np.float64]) -> NDArray[np.float64]:
        intercept, slope, reference = self.liquid_density[element]
        return np.asarray(intercept + slope * (kelvin - reference))

    def yield_at(self, temperature: ArrayLike) -> NDArray[np.float64]:
        """Proof stress of annealed copper [Pa] at `temperature` [K]; held constant outside its table."""
        return np.asarray(np.interp(np.asarray(temperature, dtype=float), *self.yield_strength))


@cache
def load_properties() -> Properties:
    """The property set of this installation."""
    path = literature.folder() / "properties.toml"
    values = files.read_toml(path)["value"]

    def rows(quantity: str) -> dict[str, dict[str, Any]]:
        return {row["phase"]: row for row in values if row["quantity"] == quantity}

    volumes, expansions, densities = rows("molar_volume"), rows("linear_expansion"), rows("liquid_density")
    compositions = {phase: float(row["value"]) for phase, row in rows("composition").items()}
    solids = [phase for phase in PHASES if phase != LIQUID]
    for phase in solids:
        if phase != "alpha" and phase not in volumes:
            raise InputError(f"{path}: no molar_volume for {phase}")
        if phase not in expansions:
            raise InputError(f"{path}: no linear_expansion for {phase}")
    molar = {phase: float(volumes["Cu" if phase == "alpha" else phase]["value"]) for phase in solids}
    strengths = sorted(
        (row["t_min_C"] + ZERO_CELSIUS, row["value"]) for row in values if row["quantity"] == "yield_strength"
    )
    cited = [*volumes.values(), *expansions.values(), *densities.values()]
    return Properties(
        molar_volume=molar,
        alpha_slope=(float(volumes[_RICH_ALPHA]["value"]) - molar["alpha"]) / compositions[_RICH_ALPHA],
        expansion={phase: float(expansions[phase]["value"]) for phase in (*solids, *BARRIERS.values())},
        liquid_density={
            element: (row["intercept_kg_per_m3"], row["slope_kg_per_m3_K"], row["reference_K"])
            for element, row in (("Sn", densities["liquid"]), ("Cu", densities["liquid Cu"]))
        },
        yield_strength=np.array(strengths, dtype=float).T,
        molar_mass={element: float(row["value"]) for element, row in rows("atomic_weight").items()},
        compound_tin={phase: x for phase, x in compositions.items() if phase in PHASES},
        elastic_modulus={phase: float(row["value"]) for phase, row in rows("elastic_modulus").items()},
        elastic_strain=float(rows("elastic_strain")["strand"]["value"]),
        references=tuple(dict.fromkeys(key for row in cited for key in row["source"])),
    )
