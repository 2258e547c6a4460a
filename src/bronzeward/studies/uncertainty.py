"""Bands: what an answer may be, given how well constants, wire and furnace are known.

Every member of an ensemble is a run of its own with constants, wire and furnace drawn at random:

- constants: ln K is normal. Its standard deviation is the logarithm of the constant's factor at both ends
  of the range it was measured in, and of its factor for extrapolation at the far end of the temperatures
  where the phase is stable. In between it follows from two independent normal numbers, one for the
  magnitude and one for the activation energy: ln K moves by s z1 + b z2 (1/T - 1/Tm), Tm the middle of the
  range in 1/T. Where a set carries a covariance from a fit, the fitted values are drawn from that.
- wire (if asked for): core diameter, normal with a relative standard deviation; eccentricity, the distance
  of the core from the strand's axis over the sleeve's wall, half-normal, computed as a strand that has the
  thin side's wall all round: a local worst, not a mean round the core.
- furnace (if asked for): an offset of all temperatures, normal.

All draws are made at the start from one seed, so a member is the same whatever runs beside it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from bronzeward.errors import InputError
from bronzeward.inputs.case import Case
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Ring, Strand
from bronzeward.materials.kinetics import COMPOUNDS, WIDE_PHASES, Constant, KineticSet
from bronzeward.model.answers import ANSWERS
from bronzeward.model.batch import Answers, Progress, run_batch
from bronzeward.model.boundary_tables import stable_ranges
from bronzeward.model.provenance import provenance
from bronzeward.model.result import cf_attributes, without_fill
from bronzeward.thermo import load_table
from bronzeward.units import GAS_CONSTANT, ZERO_CELSIUS

if TYPE_CHECKING:
    import xarray as xr

PHASE_NAMES = COMPOUNDS + WIDE_PHASES

#: Columns of the draws; each is one independent standard normal number of a member.
SOURCES: tuple[str, ...] = (
    *PHASE_NAMES,
    *(f"{phase} slope" for phase in PHASE_NAMES),
    "core diameter",
    "eccentricity",
    "furnace",
)

QUANTILES = (0.05, 0.5, 0.95)

OUTSIDE = ("slope", "largest", "measured")

COLDEST_K = ZERO_CELSIUS
MOST_ECCENTRIC = 0.9
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
    """

    size: int = 300
    seed: int = 1
    constants: bool = True
    outside: str = "slope"
    core_diameter: float = 0.0
    eccentricity: float = 0.0
    furnace_offset: float = 0.0

    def __post_init__(self) -> None:
        if isinstance(self.size, bool) or not isinstance(self.size, int) or not 1 <= self.size <= 1_000_000:
            raise InputError(f"band: size is {self.size!r}; allowed are whole numbers from 1 to 1000000")
        if isinstance(self.seed, bool) or not isinstance(self.seed, int) or self.seed < 0:
            raise InputError(f"band: seed is {self.seed!r}; allowed are whole numbers from 0")
        if self.outside not in OUTSIDE:
            raise InputError(f"band: outside is {self.outside!r}; allowed: {', '.join(OUTSIDE)}")
        for name, most in (("core_diameter", 0.2), ("eccentricity", 0.5), ("furnace_offset", 50.0)):
            value = getattr(self, name)
            if not 0.0 <= value <= most:
                raise InputError(f"band: {name} is {value!r}; allowed are 0 to {most:g}")


def draws(spread: Spread) -> NDArray[np.float64]:
    """Standard normal numbers, shape (size, len(SOURCES)); a larger ensemble begins with the smaller one."""
    return np.random.default_rng(spread.seed).standard_normal((spread.size, len(SOURCES)))


def widths(constant: Constant, stable: tuple[float, float], outside: str = "slope") -> tuple[float, float, float]:
    """(s, b [K], 1/Tm [1/K]) of a constant whose phase is stable between two temperatures [K]."""
    inside = float(np.log(constant.factor))
    beyond = float(np.log(max(constant.extrapolated_factor, 1.0)))
    low, high = (1.0 / t for t in constant.range)
    middle, half = 0.5 * (low + high), 0.5 * abs(low - high)
    if outside == "largest":
        return max(inside, beyond), 0.0, middle
    far = stable[1] if stable[1] > constant.range[1] + 1.0 else max(stable[0], FARTHEST_COLD_K)
    reach = abs(1.0 / far - middle)
    if outside == "measured" or beyond <= inside or reach <= half:
        return inside, 0.0, middle
    slope2 = (beyond**2 - inside**2) / (reach**2 - half**2)
    if slope2 * half**2 > inside**2:  # well known, but in a narrow range: cautious at its ends
        return inside, float(np.sqrt(beyond**2 - inside**2)) / reach, middle
    return float(np.sqrt(inside**2 - slope2 * half**2)), float(np.sqrt(slope2)), middle


@cache
def stability(description: str) -> dict[str, tuple[float, float]]:
    """Temperatures [K] between which each phase is stable in a description."""
    return stable_ranges(load_table(description))


class Members:
    """The cases of an ensemble, made one at a time from the draws."""

    def __init__(self, case: Case, spread: Spread) -> None:
        self.case, self.spread, self.z = case, spread, draws(spread)
        known = stability(case.description)
        self.widths = [widths(c, known.get(c.phase, c.range), spread.outside) for c in case.kinetics.constants]
        self.fitted = _fitted(case.kinetics)

    def __len__(self) -> int:
        return self.spread.size

    def __iter__(self) -> Iterator[Case]:
        return (self.member(k) for k in range(len(self)))

    def member(self, k: int) -> Case:
        """The k-th member."""
        z, spread, case = dict(zip(SOURCES, self.z[k], strict=True)), self.spread, self.case
        if spread.constants:
            case = replace(case, kinetics=self._constants(z))
        if spread.core_diameter or spread.eccentricity:
            grown = float(np.exp(spread.core_diameter * z["core diameter"]))
            thin = min(abs(spread.eccentricity * z["eccentricity"]), MOST_ECCENTRIC)
            case = replace(case, strand=uneven(case.strand, grown, thin))
        if spread.furnace_offset:
            case = replace(case, schedule=offset(case.schedule, spread.furnace_offset * z["furnace"]))
        return case

    def _constants(self, z: dict[str, float]) -> KineticSet:
        moved = self._fit_moves(z)
        made = []
        for constant, (s, b, middle) in zip(self.case.kinetics.constants, self.widths, strict=True):
            magnitude, slope = s * z[constant.phase], b * z[f"{constant.phase} slope"]
            if constant.phase in moved:
                # a fit that left the activation energy alone says nothing about it
                magnitude, energy, has_slope = moved[constant.phase]
                if has_slope:
                    slope, middle = -energy / GAS_CONSTANT, 0.0
            made.append(moved_law(constant, magnitude - slope * middle, -GAS_CONSTANT * slope))
        return replace(self.case.kinetics, constants=tuple(made))

    def _fit_moves(self, z: dict[str, float]) -> dict[str, tuple[float, float, bool]]:
        """By fitted phase: change of ln prefactor, of activation energy [J/mol], whether the latter was fitted."""
        if self.fitted is None:
            return {}
        names, root = self.fitted
        columns = [z[name.split(".")[0] + (" slope" if name.endswith("mol") else "")] for name in names]
        change = dict(zip(names, root @ np.array(columns), strict=True))
        phases = {name.split(".")[0] for name in names}
        energy = "{}.activation_energy_kJ_per_mol"
        return {
            phase: (
                float(change.get(f"{phase}.ln_prefactor", 0.0)),
                1e3 * float(change.get(energy.format(phase), 0.0)),
                energy.format(phase) in change,
            )
            for phase in phases
        }


def moved_law(constant: Constant, ln_prefactor: float, energy: float) -> Constant:
    """A constant with `ln_prefactor` and `energy` [J/mol] added to all terms of its law."""
    scaled = constant.times(float(np.exp(ln_prefactor)))
    terms = tuple((a, e + energy) for a, e in scaled.terms)
    return replace(scaled, activation=scaled.activation + energy, terms=terms)


def _fitted(kinetics: KineticSet) -> tuple[tuple[str, ...], NDArray[np.float64]] | None:
    """Names of fitted values and a root of their covariance."""
    covariance = kinetics.covariance
    if covariance is None:
        return None
    matrix = np.array(covariance.matrix, dtype=float)
    values, vectors = np.linalg.eigh(matrix)
    # the symmetric root: each fitted value keeps to its own random number as far as it can
    return covariance.parameters, vectors @ np.diag(np.sqrt(np.maximum(values, 0.0))) @ vectors.T


def uneven(strand: Strand, grown: float, thin: float) -> Strand:
    """A strand whose core is `grown` times as wide, and its wall thinner by the share `thin`."""
    wall = strand.rings[0].radius - strand.core_radius
    core = strand.core_radius * grown
    if strand.plane:
        return replace(strand, core_radius=core)
    core = min(core, strand.core_radius + 0.9 * wall)
    lost = thin * (strand.rings[0].radius - core)
    rings = tuple(Ring(ring.radius - lost, ring.copper_fraction) for ring in strand.rings)
    return replace(strand, core_radius=core, rings=rings)


def offset(schedule: Schedule, kelvin: float) -> Schedule:
    """The schedule with all its temperatures `kelvin` [K] higher, not below 0 C."""
    return replace(schedule, temperature=np.maximum(schedule.temperature + kelvin, COLDEST_K), steps=())


def run_members(
    members: Sequence[Case] | Members, workers: int = 2, progress: Progress | None = None, precision: str = "quick"
) -> Answers:
    """Answers of all members, shape (size,)."""
    return run_batch(list(members), workers, progress, precision)


def band(
    case: Case,
    spread: Spread | None = None,
    workers: int = 2,
    progress: Progress | None = None,
    precision: str = "quick",
) -> xr.Dataset:
    """Median and 5 to 95 % band of every answer of a case.

    Returns
    -------
    xarray.Dataset
        SI units. For each answer A of `answers.ANSWERS`: A (quantile); A_single, the run with the
        constants as they stand; A_error (quantile), standard error of the quantiles by bootstrap;
        A_half (quantile), quantiles of the first half of the members; A_share (source), share of the
        variance of A's ranks that each source explains (squared rank correlation: exact for monotonic
        answers, sources being independent); A_members (member); A_present, share of members that have
        such a moment. Quantiles are over those.
    """
    import xarray as xr

    spread = spread or Spread()
    members = Members(case, spread)
    cases = [*members, case]
    found = run_members(cases, workers, progress, precision)
    sources = active_sources(members)
    columns: dict[str, Any] = {}
    for name, answer in ANSWERS.items():
        values = found[name][:-1]
        units, text = answer.unit, answer.text
        about = {"units": units, "long_name": text}
        low_middle_high, error, half = quantiles(values, spread.seed)
        columns[name] = (("quantile",), low_middle_high, about)
        columns[f"{name}_error"] = (("quantile",), error, {**about, "long_name": f"{text}: standard error"})
        columns[f"{name}_half"] = (("quantile",), half, {**about, "long_name": f"{text}: first half of the members"})
        columns[f"{name}_single"] = ((), found[name][-1], {**about, "long_name": f"{text}: constants as they stand"})
        columns[f"{name}_present"] = ((), np.isfinite(values).mean(), {"units": "1", "long_name": "share of members"})
        shares = rank_shares(values, members.z[:, [SOURCES.index(s) for s in sources]])
        columns[f"{name}_share"] = (("source",), shares, {"units": "1", "long_name": f"{text}: share of rank variance"})
        columns[f"{name}_members"] = (("member",), values, about)
    columns["status"] = (("member",), found["status"][:-1], {"long_name": "0 where the run completed"})
    coordinates = {
        "quantile": (("quantile",), list(QUANTILES), {"units": "1", "long_name": "quantile over the members"}),
        "source": (("source",), sources, {"long_name": "what varies from member to member"}),
        "member": (("member",), np.arange(spread.size), {"long_name": "number of the member"}),
    }
    attributes = {
        **cf_attributes(case.title or "band of answers"),
        "seed": spread.seed,
        "size": spread.size,
        "outside": spread.outside,
        "core_diameter": spread.core_diameter,
        "eccentricity": spread.eccentricity,
        "furnace_offset_K": spread.furnace_offset,
        **provenance(case),
    }
    return without_fill(xr.Dataset(columns, coordinates, attributes))


def active_sources(members: Members) -> list[str]:
    """The sources of `SOURCES` that move anything."""
    spread = members.spread
    found: list[str] = []
    if spread.constants:
        by_phase = {c.phase: w for c, w in zip(members.case.kinetics.constants, members.widths, strict=True)}
        fitted = () if members.fitted is None else members.fitted[0]
        found += [phase for phase in PHASE_NAMES if by_phase[phase][0] > 0 or f"{phase}.ln_prefactor" in fitted]
        energy = "{}.activation_energy_kJ_per_mol"
        found += [f"{p} slope" for p in PHASE_NAMES if by_phase[p][1] > 0 or energy.format(p) in fitted]
    if spread.core_diameter:
        found.append("core diameter")
    if spread.eccentricity:
        found.append("eccentricity")
    if spread.furnace_offset:
        found.append("furnace")
    return found


def quantiles(values: NDArray[np.float64], seed: int = 1) -> tuple[NDArray[np.float64], ...]:
    """Quantiles, their bootstrap standard errors and those of the first half; each shape (3,), nan without values."""
    there = values[np.isfinite(values)]
    if not there.size:
        return tuple(np.full(len(QUANTILES), np.nan) for _ in range(3))
    generator = np.random.default_rng(seed)
    again = np.quantile(generator.choice(there, (200, there.size)), QUANTILES, axis=1)
    half = there[: max(1, there.size // 2)]
    return np.quantile(there, QUANTILES), again.std(axis=1), np.quantile(half, QUANTILES)


def rank_shares(values: NDArray[np.float64], z: NDArray[np.float64]) -> NDArray[np.float64]:
    """Squared correlation of the ranks of an answer with those of each source, shape (n_sources,)."""
    from scipy.stats import rankdata

    there = np.isfinite(values)
    if there.sum() < 3 or z.shape[1] == 0 or np.ptp(values[there]) == 0:
        return np.full(z.shape[1], np.nan)
    ranks = rankdata(values[there])
    ranks -= ranks.mean()
    columns = np.apply_along_axis(rankdata, 0, z[there])
    columns -= columns.mean(axis=0)
    return np.asarray((columns.T @ ranks) ** 2 / ((columns**2).sum(axis=0) * (ranks**2).sum()))
