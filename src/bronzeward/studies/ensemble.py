"""An ensemble: the cases that make a band, each with constants, wire and furnace drawn at random.

- constants: ln K is normal. Its standard deviation is the logarithm of the constant's factor at both ends
  of the range it was measured in, and of its factor for extrapolation at the far end of the temperatures
  where the phase is stable. In between it follows from two independent normal numbers, one for the
  magnitude and one for the activation energy: ln K moves by s z1 + b z2 (1/T - 1/Tm), Tm the middle of the
  range in 1/T. The exponent by which a compound's growth slows is normal too, where the set says how far it is known,
  and kept within what growth laws may have. Where a set carries a covariance from a fit, the fitted values are drawn
  from that: each phase's magnitude at the temperature where the fit leaves magnitude and activation energy independent.
- wire (if asked for): core diameter, normal with a relative standard deviation; eccentricity, the distance
  of the core from the strand's axis over the sleeve's wall, half-normal, computed as a strand that has the
  thin side's wall all round: a local worst, not a mean round the core.
- room (as `Spread.usual` has it): density of the liquid, molar volumes and expansions of the compounds, normal;
  expansion of the cavity, normal about what a case says, half-normal below copper's where it says nothing, left alone
  where it follows from the parts of the strand; pores and a film of eta from storage, half-normal on top of what a
  case says.
- furnace (if asked for): an offset of all temperatures, normal.

All draws are made at the start from one seed, so a member is the same whatever runs beside it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import exp
from typing import Any, overload

import numpy as np
from numpy.typing import NDArray

from bronzeward.errors import InputError
from bronzeward.inputs.case import Case, Volumes
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import MOST_ECCENTRIC, Ring, Strand
from bronzeward.materials.doubt_data import usual_spreads
from bronzeward.materials.growth_constants import (
    COMPOUNDS,
    ENERGY,
    EXPONENT,
    LN_PREFACTOR,
    WIDE_PHASES,
    Constant,
    Covariance,
)
from bronzeward.materials.kinetics import KineticSet
from bronzeward.materials.properties import load_properties
from bronzeward.model.batch import Answers, Progress, run_batch
from bronzeward.studies.stability import stability
from bronzeward.units import GAS_CONSTANT, ZERO_CELSIUS

PHASE_NAMES = COMPOUNDS + WIDE_PHASES

#: Columns of the draws; each is one independent standard normal number of a member.
SOURCES: tuple[str, ...] = (
    *PHASE_NAMES,
    *(f"{phase} slope" for phase in PHASE_NAMES),
    "core diameter",
    "eccentricity",
    "furnace",
    "liquid density",
    "expansion",
    "porosity",
    "film",
    "compound volume",
    "compound expansion",
    *(f"{phase} exponent" for phase in COMPOUNDS),
)

COLUMN_OF = {LN_PREFACTOR: "", ENERGY: " slope", EXPONENT: " exponent"}
"""Columns of the draws that fitted values go by, after their phase."""

LATER = 4, 2 + len(COMPOUNDS)
"""Columns at the end that came later, each of these groups from a stream of its own: the others stay as they were."""

EXPONENTS = "exponents of growth"
"""Not a column of the draws; each compound has its own."""

SPREADS: dict[str, tuple[str, float, str, float]] = {
    "core diameter": ("core_diameter", 100.0, "%", 0.2),
    "eccentricity": ("eccentricity", 100.0, "% of the wall", 0.5),
    "furnace": ("furnace_offset", 1.0, "K", 50.0),
    "liquid density": ("liquid_density", 100.0, "%", 0.1),
    "expansion": ("expansion", 1e6, "ppm/K", 1e-5),
    "porosity": ("porosity", 100.0, "%", 0.1),
    "film": ("film", 1e6, "µm", 1e-5),
    "compound volume": ("compound_volume", 100.0, "%", 0.1),
    "compound expansion": ("compound_expansion", 100.0, "%", 0.2),
    EXPONENTS: ("growth_exponent", 1.0, "", 1.0),
}
"""Of the columns that are no constants: the value of `Spread`, how it is shown, and the largest that is allowed."""

MOST_PORES, MOST_FILM = 0.5, 0.19
"""Largest porosity, and film over the core's radius, that a member gets."""

OUTSIDE = ("slope", "largest", "measured")

LEAST_EXPANSION = 1e-6
"""Least linear expansion of a cavity that a member gets [1/K]."""

COLDEST_K = ZERO_CELSIUS
FARTHEST_COLD_K = 293.15
"""Where a constant is extrapolated to the cold side only, its factor for that is met here [K]."""


@dataclass(frozen=True)
class Spread:
    """What an ensemble varies, and how much.

    Attributes
    ----------
    size : int
        Members.
    seed : int
        Of the random numbers.
    constants : bool
        Whether the constants vary.
    outside : str
        How constants vary outside their measured range: "slope" as described above; "largest" one factor
        at all temperatures, the larger of the two; "measured" the factor of the measured range everywhere.
    core_diameter : float, [-]
        Relative standard deviation.
    eccentricity : float, [-]
        Standard deviation of the core's distance from the axis, over the wall of the sleeve.
    furnace_offset : float, [K]
        Standard deviation.
    liquid_density, expansion, porosity, film : float, [-], [1/K], [-], [m]
        Standard deviations: of the liquid's density over itself, of the cavity's linear expansion, of pores in the
        core, of the thickness of a film of eta.
    compound_volume, compound_expansion : float, [-]
        The same of the compounds' molar volumes and linear expansions over themselves.
    growth_exponent : float, [-]
        The same of the exponent by which the growth of a compound slows, where its set does not state it.
        `Spread.usual` takes all but constants and furnace from `databases/doubts.toml`.
    """

    size: int = 300
    seed: int = 1
    constants: bool = True
    outside: str = "slope"
    core_diameter: float = 0.0
    eccentricity: float = 0.0
    furnace_offset: float = 0.0
    liquid_density: float = 0.0
    expansion: float = 0.0
    porosity: float = 0.0
    film: float = 0.0
    compound_volume: float = 0.0
    compound_expansion: float = 0.0
    growth_exponent: float = 0.0

    @classmethod
    def usual(cls, size: int = 300, seed: int = 1, **more: Any) -> Spread:
        """All that is uncertain but the furnace, by cautious small values; `more` replaces some, where not None."""
        given = {name: value for name, value in more.items() if value is not None}
        return cls(**{"size": size, "seed": seed, **usual_spreads(), **given})

    def caveat(self) -> str:
        """What a band of these members holds and what it leaves out."""
        shown = {name: (getattr(self, key), factor, unit) for name, (key, factor, unit, _) in SPREADS.items()}
        varied = ["growth constants within their factors"] if self.constants else []
        sizes = {name: f"{value * factor:g} {unit}".strip() for name, (value, factor, unit) in shown.items() if value}
        varied += [f"{name} ({size})" for name, size in sizes.items()]
        still = [] if self.constants else ["growth constants"]
        still += [name for name, (value, _, _) in shown.items() if not value]
        left = ", ".join(
            [*still, "the phase diagram", "what the model itself may have otherwise (`bronzeward doubts`)"]
        )
        return f"Varied, standard deviations: {', '.join(varied) or 'nothing'}. They leave out: {left}."

    def __post_init__(self) -> None:
        if isinstance(self.size, bool) or not isinstance(self.size, int) or not 1 <= self.size <= 1_000_000:
            raise InputError(f"band: size is {self.size!r}; allowed are whole numbers from 1 to 1000000")
        if isinstance(self.seed, bool) or not isinstance(self.seed, int) or self.seed < 0:
            raise InputError(f"band: seed is {self.seed!r}; allowed are whole numbers from 0")
        if self.outside not in OUTSIDE:
            raise InputError(f"band: outside is {self.outside!r}; allowed: {', '.join(OUTSIDE)}")
        for name, _, _, most in SPREADS.values():
            value = getattr(self, name)
            if not 0.0 <= value <= most:
                raise InputError(f"band: {name} is {value!r}; allowed are 0 to {most:g}")


def draws(spread: Spread) -> NDArray[np.float64]:
    """Standard normal numbers, shape (size, len(SOURCES)); a larger ensemble begins with the smaller one."""
    columns = [np.random.default_rng(spread.seed).standard_normal((spread.size, len(SOURCES) - sum(LATER)))]
    for stream, count in enumerate(LATER, start=1):
        columns.append(np.random.default_rng([spread.seed, stream]).standard_normal((spread.size, count)))
    return np.hstack(columns)


def widths(constant: Constant, stable: tuple[float, float], outside: str = "slope") -> tuple[float, float, float]:
    """(s, b [K], 1/Tm [1/K]) of a constant whose phase is stable between two temperatures [K]."""
    inside = float(np.log(constant.factor))
    beyond = float(np.log(max(constant.extrapolated_factor, 1.0)))
    low, high = (1.0 / t for t in constant.range)
    middle, half = 0.5 * (low + high), 0.5 * abs(low - high)
    if outside == "largest":
        return max(inside, beyond), 0.0, middle
    reach = abs(1.0 / far_end(constant, stable) - middle)
    if outside == "measured" or beyond <= inside or reach <= half:
        return inside, 0.0, middle
    slope2 = (beyond**2 - inside**2) / (reach**2 - half**2)
    if slope2 * half**2 > inside**2:  # well known, but in a narrow range: cautious at its ends
        return inside, float(np.sqrt(beyond**2 - inside**2)) / reach, middle
    return float(np.sqrt(inside**2 - slope2 * half**2)), float(np.sqrt(slope2)), middle


def far_end(constant: Constant, stable: tuple[float, float]) -> float:
    """Temperature [K] at which a constant whose phase is stable between two temperatures is extrapolated farthest."""
    return stable[1] if stable[1] > constant.range[1] + 1.0 else max(stable[0], FARTHEST_COLD_K)


class Members(Sequence[Case]):
    """The cases of an ensemble, made one at a time from the draws."""

    def __init__(self, case: Case, spread: Spread) -> None:
        self.case, self.spread, self.z = case, spread, draws(spread)
        limits = stability(case.description, case.eta_limit_K)
        self.widths = [widths(c, limits.get(c.phase, c.range), spread.outside) for c in case.kinetics.constants]
        covariance = case.kinetics.covariance
        self.fitted = () if covariance is None else covariance.parameters
        self._root = None if covariance is None else joint_root(covariance)

    def __len__(self) -> int:
        return self.spread.size

    def __iter__(self) -> Iterator[Case]:
        return (self.member(k) for k in range(len(self)))

    @overload
    def __getitem__(self, at: int) -> Case: ...

    @overload
    def __getitem__(self, at: slice) -> list[Case]: ...

    def __getitem__(self, at: int | slice) -> Case | list[Case]:
        chosen = range(len(self))[at]
        return self.member(chosen) if isinstance(chosen, int) else [self.member(k) for k in chosen]

    def extremes(self) -> list[Case]:
        """The members in the coldest and the hottest furnace; between them lie the temperatures of all."""
        furnace = self.z[:, SOURCES.index("furnace")]
        return [self.member(int(k)) for k in (furnace.argmin(), furnace.argmax())]

    def member(self, k: int) -> Case:
        """The k-th member."""
        z, spread, case = dict(zip(SOURCES, self.z[k].tolist(), strict=True)), self.spread, self.case
        return replace(
            case,
            kinetics=self._kinetics(z) if spread.constants else case.kinetics,
            strand=varied_strand(case.strand, spread, z),
            volumes=Volumes(*(
                getattr(case.volumes, name) * (1.0 + getattr(spread, name) * z[name.replace("_", " ")])
                for name in Volumes._fields
            )),
            schedule=offset(case.schedule, spread.furnace_offset * z["furnace"])
            if spread.furnace_offset else case.schedule,
        )  # fmt: skip

    def _kinetics(self, z: dict[str, float]) -> KineticSet:
        changes = self._fitted_changes(z)
        constants = []
        for constant, (s, b, middle) in zip(self.case.kinetics.constants, self.widths, strict=True):
            magnitude, slope = s * z[constant.phase], b * z[f"{constant.phase} slope"]
            wavering = constant.slowing_spread or self.spread.growth_exponent
            exponent = wavering * z.get(f"{constant.phase} exponent", 0.0)
            if constant.phase in changes:
                change = changes[constant.phase]
                magnitude, exponent = change.get(LN_PREFACTOR, 0.0), change.get(EXPONENT, exponent)
                if ENERGY in change:  # a fit that left the activation energy alone says nothing about it
                    slope, middle = -1e3 * change[ENERGY] / GAS_CONSTANT, 0.0
            constants.append(constant.shifted(magnitude - slope * middle, -GAS_CONSTANT * slope, exponent))
        return self.case.kinetics.drawn(constants)

    def _fitted_changes(self, z: dict[str, float]) -> dict[str, dict[str, float]]:
        """Changes of the fitted values by phase, and by `LN_PREFACTOR` [-], `ENERGY` [kJ/mol] and `EXPONENT` [-]."""
        changes: dict[str, dict[str, float]] = {}
        if self._root is None:
            return changes
        names = [name.split(".", 1) for name in self.fitted]
        numbers = np.array([z[f"{phase}{COLUMN_OF[value]}"] for phase, value in names])
        for (phase, value), change in zip(names, self._root @ numbers, strict=True):
            changes.setdefault(phase, {})[value] = float(change)
        return changes

    def sources(self) -> list[str]:
        """The columns of the draws that move anything."""
        spread, moving = self.spread, []
        if spread.constants:
            by_phase = {c.phase: w for c, w in zip(self.case.kinetics.constants, self.widths, strict=True)}
            moving += [p for p in PHASE_NAMES if by_phase[p][0] > 0 or f"{p}.{LN_PREFACTOR}" in self.fitted]
            moving += [f"{p} slope" for p in PHASE_NAMES if by_phase[p][1] > 0 or f"{p}.{ENERGY}" in self.fitted]
            constants = self.case.kinetics.constants
            wavering = {c.phase for c in constants if c.slowing_spread or spread.growth_exponent}
            moving += [f"{p} exponent" for p in COMPOUNDS if p in wavering or f"{p}.{EXPONENT}" in self.fitted]
        return moving + [name for name, (key, *_) in SPREADS.items() if getattr(spread, key) and name in SOURCES]


def joint_root(covariance: Covariance) -> NDArray[np.float64]:
    """A root of a covariance, in which each fitted value keeps to its own random number as far as it can.

    Of each phase that is ln K at the temperature where it is independent of the activation energy, and less the
    activation energy, as the slope over 1/T is.
    """
    matrix, names = np.array(covariance.matrix, dtype=float), covariance.parameters
    back = np.eye(len(names))
    for k, name in enumerate(names):
        phase, value = name.split(".", 1)
        if value == ENERGY:
            back[k, k] = -1.0
            if matrix[k, k] > 0.0 and f"{phase}.{LN_PREFACTOR}" in names:
                first = names.index(f"{phase}.{LN_PREFACTOR}")
                back[first, k] = -matrix[first, k] / matrix[k, k]
    there = np.linalg.inv(back)
    return np.asarray(back @ scaled_root(there @ matrix @ there.T))


def scaled_root(matrix: NDArray[np.float64]) -> NDArray[np.float64]:
    """The symmetric root of the correlations, times the standard deviations."""
    deviations = np.sqrt(np.maximum(np.diag(matrix), 0.0))
    scale = np.where(deviations > 0.0, deviations, 1.0)
    values, vectors = np.linalg.eigh(matrix / np.outer(scale, scale))
    return np.asarray(deviations[:, None] * (vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T)


def varied_strand(strand: Strand, spread: Spread, z: Mapping[str, float]) -> Strand:
    """A strand with core, wall, pores, film and expansion of its cavity drawn by the normal numbers `z`."""
    changes: dict[str, Any] = {}
    core = strand.core_radius
    if spread.core_diameter or spread.eccentricity:
        thin = min(abs(spread.eccentricity * z["eccentricity"]), MOST_ECCENTRIC)
        core, rings = uneven(strand, exp(spread.core_diameter * z["core diameter"]), thin)
        changes |= {"core_radius": core, "rings": rings}
    if spread.porosity:
        pores = min(strand.porosity + spread.porosity * abs(z["porosity"]), MOST_PORES)
        changes["porosity"] = max(strand.porosity, pores)
    if spread.film:
        most = max(strand.initial_eta, MOST_FILM * core)
        changes["initial_eta"] = min(strand.initial_eta + spread.film * abs(z["film"]), most)
    if spread.expansion and not strand.cavity_of_parts:
        change, stated = spread.expansion * z["expansion"], strand.cavity_expansion
        copper = load_properties().expansion["alpha"]
        expansion = copper - abs(change) if stated is None else stated + change
        changes["cavity_expansion"] = max(expansion, LEAST_EXPANSION)
    return replace(strand, **changes) if changes else strand


def uneven(strand: Strand, grown: float, thin: float) -> tuple[float, tuple[Ring, ...]]:
    """Radius of a core `grown` times as wide [m], and the rings round it, the wall thinner by the share `thin`."""
    core = strand.core_radius * grown
    if strand.plane:
        return core, strand.rings
    wall = strand.rings[0].radius - strand.core_radius
    core = min(core, strand.core_radius + 0.9 * wall)
    lost = thin * (strand.rings[0].radius - core)
    return core, tuple(Ring(ring.radius - lost, ring.copper_fraction) for ring in strand.rings)


def offset(schedule: Schedule, kelvin: float) -> Schedule:
    """The schedule with all its temperatures `kelvin` [K] higher, not below 0 C."""
    return replace(schedule, temperature=np.maximum(schedule.temperature + kelvin, COLDEST_K), steps=())


def run_members(
    members: Sequence[Case], workers: int = 2, progress: Progress | None = None, precision: str = "quick"
) -> Answers:
    """Answers of all members, shape (size,)."""
    extremes = members.extremes() if isinstance(members, Members) else None
    return run_batch(members, workers, progress, precision, extremes)
