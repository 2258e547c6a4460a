"""What the table consists of: invariant reactions and two-phase fields."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Invariant:
    """One reaction at a fixed temperature.

    kind: eutectic, peritectic, eutectoid, ... ; reaction: written in the direction on cooling;
    temperature [K]; phases and x_sn: those that vanish on cooling, then those that form, each
    from the copper side to the tin side, with their tin fractions.
    """

    kind: str
    reaction: str
    temperature: float
    phases: tuple[str, ...]
    x_sn: tuple[float, ...]


@dataclass(frozen=True)
class Field:
    """One two-phase field, from the temperature at which it appears to that at which it ends.

    temperature [K], increasing, and the tin fractions of both phases, all of shape (n,). Between
    the points the compositions are linear in temperature, to within 1e-5.
    """

    tin_side: str
    copper_side: str
    temperature: Array
    x_tin_side: Array
    x_copper_side: Array

    @property
    def name(self) -> str:
        """Both phases, copper side first."""
        return f"{self.copper_side} + {self.tin_side}"
