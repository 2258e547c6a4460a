"""The volume account: what the contents need at temperature against the cavity they started in.

    overfill = (contents - cavity) / initial tin-core volume

- contents: sum of n_i V_i(T) over all phases, with the thermal expansion of each, the density of liquid
  tin, the melting expansion and the shrinkage of the reaction in it;
- cavity: everything inside the barrier at 20 C that is not niobium, plus the pores that drawing left, less what a
  film of compound from storage shrank (drawing may have closed it) unless the strand says that it left room,
  expanding as copper does, by the strand's `cavity_expansion`, or as its parts do together: copper, the niobium of the
  pack and the metal of the barrier bonded side by side, elastic, so by their mean weighted with area and Young's
  modulus; filaments inside, which expand less than that, then leave room.

Above zero the contents press on their wall, below zero there is void. It is an account, not a
prediction that a strand leaks.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bronzeward.materials.phases import PHASES, SOLID_TIN
from bronzeward.materials.properties import NIOBIUM, Properties

START_K = 293.15
"""Temperature at which the cavity is measured [K]."""


def contents(
    properties: Properties, temperature: ArrayLike, amount: ArrayLike, tin: ArrayLike, **factors: ArrayLike
) -> NDArray[np.float64]:
    """Volume of each phase at temperature [m2, volume per metre of strand], shape (n, 9).

    Parameters
    ----------
    temperature : array_like, shape (n,), [K]
    amount, tin : array_like, shape (n, 9), [mol/m]
        Atoms and tin atoms in each phase, in the order of `PHASES`.
    factors : array_like, shape (n,)
        By name, as `Properties.volume_at` takes them.
    """
    n, u = np.asarray(amount, dtype=float), np.asarray(tin, dtype=float)
    x = np.divide(u, n, out=np.zeros_like(n), where=n > 0)
    volumes = np.zeros(n.shape)
    for k, phase in enumerate(PHASES):
        if n[:, k].any():
            volumes[:, k] = n[:, k] * properties.volume_at(phase, temperature, x[:, k], **factors)
    return volumes


def cavity(
    properties: Properties, temperature: ArrayLike, tin: ArrayLike, copper: ArrayLike, pores: ArrayLike,
    expansion: ArrayLike | None = None, filaments: ArrayLike = 0.0,
) -> NDArray[np.float64]:  # fmt: skip
    """Volume of the cavity [m2] at `temperature` [K] for `tin` and `copper` [mol/m] and `pores` [m2] at the start.

    It expands by `expansion` [1/K], linear; None: as copper does. Niobium `filaments` [m2] in it by theirs. All
    broadcast against each other.
    """
    above, niobium = np.asarray(temperature, dtype=float) - START_K, np.asarray(filaments, dtype=float)
    metals = ((tin, SOLID_TIN), (copper, "alpha"))
    cold = sum(np.asarray(atoms) * properties.volume_at(phase, START_K) for atoms, phase in metals) + np.asarray(pores)
    linear = np.asarray(properties.expansion["alpha"] if expansion is None else expansion)
    taken = niobium * (1.0 + properties.expansion[NIOBIUM] * above) ** 3
    return np.asarray((cold + niobium) * (1.0 + linear * above) ** 3 - taken)


def expansion_of_parts(properties: Properties, areas: Sequence[tuple[str, float]]) -> float:
    """Linear expansion [1/K] of (metal, area [m2]) bonded side by side, all elastic; metals as in `elastic_modulus`."""
    stiffness = [(metal, area * properties.elastic_modulus[metal]) for metal, area in areas]
    pulls = [stiff * properties.expansion["alpha" if metal == "Cu" else metal] for metal, stiff in stiffness]
    return sum(pulls) / sum(stiff for _, stiff in stiffness)


def film_shrinkage(properties: Properties, amounts: Mapping[str, ArrayLike]) -> NDArray[np.float64]:
    """What compound there at the start takes less than the tin and copper in it [m2], `amounts` [mol/m] by phase."""
    total = np.zeros(())
    for phase, amount in amounts.items():
        x = properties.compound_tin[phase]
        metals = x * properties.volume_at(SOLID_TIN, START_K) + (1.0 - x) * properties.volume_at("alpha", START_K)
        total = total + np.asarray(amount) * float(metals - properties.volume_at(phase, START_K))
    return total


def core_volume(properties: Properties, tin: ArrayLike, pores: ArrayLike) -> NDArray[np.float64]:
    """Initial volume of the tin core, `pores` [m2] included [m2], for `tin` [mol/m]."""
    return np.asarray(np.asarray(tin) * properties.volume_at(SOLID_TIN, START_K) + np.asarray(pores))


def yield_pressure(
    properties: Properties, temperature: ArrayLike, inner: ArrayLike, outer: ArrayLike
) -> NDArray[np.float64]:
    """Pressure [Pa] at which a copper tube yields throughout, (2/sqrt 3) sigma_y ln(outer/inner).

    `inner` and `outer` radii in [m]; a wall that is used up bears nothing.
    """
    r = np.asarray(inner, dtype=float)
    wall = np.log(np.maximum(np.asarray(outer) / np.maximum(r, 1e-12), 1.0))
    return np.asarray(2.0 / sqrt(3.0) * properties.yield_at(temperature) * wall)
