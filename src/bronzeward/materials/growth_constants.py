"""Growth constants as the engine uses them: Arrhenius laws by phase, and how well they are known."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bronzeward.units import GAS_CONSTANT, ZERO_CELSIUS

COMPOUNDS = ("eta", "epsilon", "zeta", "delta")
WIDE_PHASES = ("gamma", "beta", "alpha")

LN_PREFACTOR, ENERGY, EXPONENT = FITTED = ("ln_prefactor", "activation_energy_kJ_per_mol", "slowing_exponent")
"""Values of a constant that a fit may give with their covariance; named after the phase and a point."""


LEAST_SLOWING, MOST_SLOWING = -0.7, 4.0
"""Exponents m lie between these: w^1.3 ~ t, where a reaction at an interface holds the rate, and w^6 ~ t."""


@dataclass(frozen=True)
class Constant:
    """One Arrhenius law as the engine uses it.

    Attributes
    ----------
    phase : str
    contact : str
        "liquid" when it holds only where the phase touches liquid, else "any".
    prefactor : float, [m2/s]
        Of K for a compound, of D for a phase with a profile.
    activation : float, [J/mol]
    exponent : float, [-]
        D rises as exp(exponent * N_Sn).
    thermodynamic : bool
        Whether D still has to be multiplied by the thermodynamic factor.
    range : (float, float), [K]
        Temperatures it was measured or assessed for.
    factor : float, [-]
        Standard deviation of its natural logarithm is ln(factor).
    extrapolated_factor : float, [-]
        The same outside the range.
    """

    phase: str
    contact: str
    prefactor: float
    activation: float
    exponent: float
    thermodynamic: bool
    range: tuple[float, float]
    factor: float
    extrapolated_factor: float
    grade: str = ""
    seen: str = ""
    source: tuple[str, ...] = ()
    note: str = ""
    slowing: float = 0.0
    """m of a compound whose grains coarsen: K falls as (reference / thickness)^m, w^(2 + m) ~ t; 0 is parabolic."""
    slowing_spread: float = 0.0
    """Standard deviation of m."""
    reference: float = 5e-6
    """Thickness [m] at which the law holds where m is not 0."""
    terms: tuple[tuple[float, float], ...] = ()
    """Further (prefactor [m2/s], activation [J/mol]) to add to the first law."""

    @property
    def key(self) -> str:
        """The phase, or the phase on liquid, as factors name it."""
        return self.phase if self.contact == "any" else f"{self.phase}_{self.contact}"

    @property
    def known_C(self) -> str:
        """Temperatures [C] it was measured or assessed for: "160 to 231", of samples of one temperature "205"."""
        low, high = (f"{kelvin - ZERO_CELSIUS:.0f}" for kelvin in self.range)
        return low if low == high else f"{low} to {high}"

    def at(self, temperature: ArrayLike) -> NDArray[np.float64]:
        """Value [m2/s] at `temperature` [K], any shape."""
        reciprocal = 1.0 / (GAS_CONSTANT * np.asarray(temperature, dtype=float))
        laws = ((self.prefactor, self.activation), *self.terms)
        return np.asarray(sum(a * np.exp(-e * reciprocal) for a, e in laws))

    def times(self, factor: float) -> Constant:
        """The same constant multiplied by a number."""
        terms = tuple((a * factor, e) for a, e in self.terms)
        return replace(self, prefactor=self.prefactor * factor, terms=terms)

    def shifted(self, ln_prefactor: float, energy: float, slowing: float = 0.0) -> Constant:
        """The same with `ln_prefactor` and `energy` [J/mol] added to all terms of its law, and `slowing` to m."""
        factor = float(np.exp(ln_prefactor))
        other = object.__new__(Constant)  # seven for each member of a band: `replace` takes ten times as long
        other.__dict__.update(
            self.__dict__,
            prefactor=self.prefactor * factor,
            activation=self.activation + energy,
            terms=tuple([(a * factor, e + energy) for a, e in self.terms]),
            slowing=min(max(self.slowing + slowing, LEAST_SLOWING), MOST_SLOWING) if slowing else self.slowing,
        )
        return other


@dataclass(frozen=True)
class Covariance:
    """How the values of a fit vary together.

    Attributes
    ----------
    parameters : tuple of str, n of them
        "<phase>.ln_prefactor" [-], "<phase>.activation_energy_kJ_per_mol" or "<phase>.slowing_exponent" [-].
    matrix : tuple of n tuples of n float
    """

    parameters: tuple[str, ...]
    matrix: tuple[tuple[float, ...], ...]
