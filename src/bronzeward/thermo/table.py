"""The phase diagram as a table: what every run reads instead of solving equilibria.

Between the temperatures of two neighbouring reactions the sequence of phases from copper to tin
is fixed. There the diagram is a stack of two-phase fields with single-phase regions between
them, and a point is placed by comparing its composition with the boundaries.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from dataclasses import field as dataclass_field
from functools import cached_property

import numpy as np
import numpy.typing as npt

from bronzeward.errors import InputError
from bronzeward.materials.phases import LIQUID, PHASES
from bronzeward.thermo.diagram_parts import Array, Field, Invariant
from bronzeward.units import ZERO_CELSIUS

#: Phases that results count together with another.
MERGED = {"eta_prime": "eta"}


@dataclass(frozen=True)
class Width:
    """Thermodynamic factor integrated over a single-phase region, against temperature [K].

    stack: which interval between reactions; region: its place in it from the copper side.
    The temperatures are evenly spaced in the angle of `angles`, closer at both ends, where
    ranges open and close like a root.
    """

    stack: int
    region: int
    temperature: Array
    value: Array

    def at(self, temperature: Array) -> Array:
        """Values between the tabulated ones, by cubics through four neighbours in the angle."""
        n = self.temperature.size
        low, high = self.temperature[0], self.temperature[-1]
        u = angles(temperature, low, high) / np.pi * (n - 1)
        first = np.clip(np.floor(u).astype(int) - 1, 0, n - 4)
        s, v = u - first, self.value
        outer = v[first + 3] * s * (s - 1) * (s - 2) - v[first] * (s - 1) * (s - 2) * (s - 3)
        inner = v[first + 1] * s * (s - 2) * (s - 3) - v[first + 2] * s * (s - 1) * (s - 3)
        result: Array = outer / 6 + inner / 2
        return result


def angles(temperature: Array, low: float, high: float) -> Array:
    """Angle from 0 to pi of temperatures between two limits, T = middle - half span cos(angle)."""
    share = np.clip((temperature - low) / (high - low), 0.0, 1.0)
    result: Array = np.arccos(1 - 2 * share)
    return result


@dataclass(frozen=True)
class PhaseTable:
    """One description tabulated: reactions, two-phase fields, diffusion widths.

    stacks: for each interval between reactions, indices into `fields` from the copper side to
    the tin side. ends: labels of the phase at pure copper and at pure tin in each interval.
    description_digest: all that the table takes from its description. pycalphad_version: of the one that built it.
    """

    description: str
    title: str
    description_digest: str
    tdb_sha256: str
    pycalphad_version: str
    references: list[str]
    warnings: list[str]
    invariants: tuple[Invariant, ...]
    fields: tuple[Field, ...]
    stacks: tuple[tuple[int, ...], ...]
    ends: tuple[tuple[str, str], ...]
    limits: tuple[float, float]
    widths: tuple[Width, ...] = dataclass_field(repr=False)

    @cached_property
    def phases(self) -> tuple[str, ...]:
        """Labels of the columns of `fractions`: those of every result, then any others that occur."""
        seen = [_merged(label) for field in self.fields for label in (field.tin_side, field.copper_side)]
        seen += [_merged(label) for pair in self.ends for label in pair]
        return PHASES + tuple(sorted(set(seen) - set(PHASES)))

    @cached_property
    def stable_ranges(self) -> dict[str, tuple[float, float]]:
        """Temperatures [K] between which each phase is stable; eta prime counts as eta."""
        ranges: dict[str, tuple[float, float]] = {}
        for field in self.fields:
            low, high = float(field.temperature[0]), float(field.temperature[-1])
            for phase in (_merged(field.tin_side), _merged(field.copper_side)):
                least, most = ranges.get(phase, (np.inf, -np.inf))
                ranges[phase] = (min(least, low), max(most, high))
        return ranges

    @cached_property
    def _events(self) -> Array:
        return np.array([invariant.temperature for invariant in self.invariants])

    def fractions(self, temperature: npt.ArrayLike, x_sn: npt.ArrayLike) -> Array:
        """Mole fraction of every phase at equilibrium, shape (..., 9), in the order of `phases`.

        temperature [K] and tin fraction x_sn broadcast against each other. By the lever rule in
        two-phase fields. eta prime counts as eta. At the temperature of a reaction itself: the
        state just above it.

        Raises InputError outside the range of the table or of 0 to 1.
        """
        return self.amounts(temperature, x_sn)[0]

    def compositions(self, temperature: npt.ArrayLike, x_sn: npt.ArrayLike) -> Array:
        """Tin fraction of every phase at equilibrium, shape (..., 9); NaN for those that are not stable.

        Where a phase coexists with itself, in a miscibility gap, it is the mean of both.
        """
        return self.amounts(temperature, x_sn)[1]

    def amounts(self, temperature: npt.ArrayLike, x_sn: npt.ArrayLike) -> tuple[Array, Array]:
        """Both `fractions` and `compositions`."""
        t, x = np.broadcast_arrays(np.asarray(temperature, dtype=float), np.asarray(x_sn, dtype=float))
        self._check(t, x)
        fraction = np.zeros((t.size, len(self.phases)))
        tin = np.full((t.size, len(self.phases)), np.nan)
        flat_t, flat_x = t.ravel(), x.ravel()
        which = self._stack_of(flat_t)
        for k in np.unique(which):
            rows = np.flatnonzero(which == k)
            self._fill(fraction, tin, rows, int(k), flat_t[rows], flat_x[rows])
        shape = (*t.shape, len(self.phases))
        return fraction.reshape(shape), tin.reshape(shape)

    def _fill(self, fraction: Array, tin: Array, rows: npt.NDArray[np.intp], k: int, t: Array, x: Array) -> None:
        """Amounts at points of one interval: every region overwrites those before it, from copper up."""
        column = {label: place for place, label in enumerate(self.phases)}
        first = column[_merged(self.ends[k][0])]
        fraction[rows, first], tin[rows, first] = 1.0, x
        for index in self.stacks[k]:
            field = self.fields[index]
            low, high = self._bounds(field, t)
            inside = np.flatnonzero(x >= low)
            if not inside.size:
                break
            low, high, places = low[inside], high[inside], rows[inside]
            with np.errstate(divide="ignore", invalid="ignore"):
                share = np.where(high > low, (x[inside] - low) / (high - low), 1.0)
            share = np.clip(share, 0.0, 1.0)
            fraction[places], tin[places] = 0.0, np.nan
            a, b = column[_merged(field.copper_side)], column[_merged(field.tin_side)]
            fraction[places, a] = 1 - share
            fraction[places, b] += share
            tin[places, a] = np.where(share < 1, low, np.nan)
            tin[places, b] = np.where(share < 1, high, x[inside])
            if a == b:  # a miscibility gap: one column holds both, and their mean composition
                tin[places, a] = x[inside]
            else:
                tin[places[share == 0], b] = np.nan

    @staticmethod
    def _bounds(field: Field, t: Array) -> tuple[Array, Array]:
        low = np.interp(t, field.temperature, field.x_copper_side)
        high = np.interp(t, field.temperature, field.x_tin_side)
        return low, high

    def liquid_fraction(self, temperature: npt.ArrayLike, x_sn: npt.ArrayLike) -> Array:
        """Mole fraction of liquid at temperature [K] and tin fraction; the arguments broadcast."""
        result: Array = self.fractions(temperature, x_sn)[..., self.phases.index(LIQUID)]
        return result

    def liquidus(self, x_sn: npt.ArrayLike) -> Array:
        """Temperature [K] above which an alloy of tin fraction x_sn is all liquid."""
        return self._over(self._melting, x_sn, highest=True)

    def solidus(self, x_sn: npt.ArrayLike) -> Array:
        """Temperature [K] below which an alloy of tin fraction x_sn holds no liquid at equilibrium."""
        return self._over(self._melting, x_sn, highest=False)

    @cached_property
    def _melting(self) -> tuple[Field, ...]:
        return tuple(field for field in self.fields if LIQUID in (field.tin_side, field.copper_side))

    def _over(self, fields: Sequence[Field], x_sn: npt.ArrayLike, highest: bool) -> Array:
        """Highest or lowest temperature at which a composition lies in one of the fields."""
        x = np.asarray(x_sn, dtype=float)
        _check_x(x)
        worst = -np.inf if highest else np.inf
        choose = np.fmax if highest else np.fmin
        temperature = np.full(x.size, worst)
        for field in fields:
            for curve in (field.x_copper_side, field.x_tin_side):
                temperature = choose(temperature, _crossings(field.temperature, curve, x.ravel(), worst))
            for end in (0, -1):
                inside = _holds_liquid(field, end, x.ravel())
                temperature = choose(temperature, np.where(inside, field.temperature[end], worst))
        return temperature.reshape(x.shape)

    def boundaries_of(self, label: str, temperature: npt.ArrayLike, side: str = "copper") -> tuple[Array, Array]:
        """Tin fractions of a phase at its boundary towards tin and at that towards copper.

        temperature [K], any shape. Where a phase exists in two ranges of composition (gamma on
        both sides of epsilon) `side` chooses the one nearer to "copper" or "tin". At the ends of
        the system the boundary is 1 or 0. NaN where the phase is not stable.
        """
        t = np.asarray(temperature, dtype=float)
        self._check(t, np.zeros(1))
        flat = t.ravel()
        tin, copper = np.full(flat.size, np.nan), np.full(flat.size, np.nan)
        which = self._stack_of(flat)
        for k in np.unique(which):
            region = self._region(int(k), label, side)
            if region is not None:
                rows = np.flatnonzero(which == k)
                copper[rows], tin[rows] = self.range_of(int(k), region, flat[rows])
        return tin.reshape(t.shape), copper.reshape(t.shape)

    def diffusion_width(self, label: str, temperature: npt.ArrayLike, side: str = "copper") -> Array:
        """Integral of the thermodynamic factor over the composition range of one solid phase [-].

            W = integral x (1-x) / (R T) d2G/dx2 dx

        from its boundary towards copper to that towards tin, at temperature [K], any shape. The
        integrated interdiffusion coefficient is the tracer diffusivity times W. `side` as in
        `boundaries_of`. NaN where the phase is not stable; zero for line compounds.
        """
        t = np.asarray(temperature, dtype=float)
        self._check(t, np.zeros(1))
        flat = t.ravel()
        result = np.full(flat.size, np.nan)
        widths = {(width.stack, width.region): width for width in self.widths}
        which = self._stack_of(flat)
        for k in np.unique(which):
            region = self._region(int(k), label, side)
            if region is None:
                continue
            rows = which == k
            width = widths.get((int(k), region))
            result[rows] = 0.0 if width is None else width.at(flat[rows])
        return result.reshape(t.shape)

    def stable(self, temperature: float) -> tuple[str, ...]:
        """Labels of the phases stable at a temperature [K], from the tin side to the copper side."""
        self._check(np.asarray(temperature, dtype=float), np.zeros(1))
        k = int(self._stack_of(np.array([float(temperature)]))[0])
        return tuple(dict.fromkeys(reversed(self.regions(k))))

    def regions(self, stack: int) -> list[str]:
        """Labels of the single-phase regions in one interval, from the copper side to the tin side."""
        return [self.ends[stack][0], *[self.fields[index].tin_side for index in self.stacks[stack]]]

    def range_of(self, stack: int, region: int, temperature: Array) -> tuple[Array, Array]:
        """Tin fractions between which a region of a stack extends, at temperatures [K], shape (n,)."""
        indices = self.stacks[stack]
        low, high = np.zeros(temperature.size), np.ones(temperature.size)
        if region > 0:
            low = self._bounds(self.fields[indices[region - 1]], temperature)[1]
        if region < len(indices):
            high = self._bounds(self.fields[indices[region]], temperature)[0]
        return low, high

    def interval(self, stack: int) -> tuple[float, float]:
        """Temperatures [K] between which a stack of fields holds."""
        edges = [self.limits[0], *self._events, self.limits[1]]
        return float(edges[stack]), float(edges[stack + 1])

    def _region(self, stack: int, label: str, side: str) -> int | None:
        if side not in ("copper", "tin"):
            raise InputError(f"side is {side!r}, expected one of 'copper', 'tin'")
        regions = [k for k, name in enumerate(self.regions(stack)) if name == label or MERGED.get(name) == label]
        if not regions:
            return None
        return regions[0] if side == "copper" else regions[-1]

    def _stack_of(self, t: Array) -> npt.NDArray[np.intp]:
        return np.searchsorted(self._events, t, side="right")

    def _check(self, t: Array, x: Array) -> None:
        low, high = self.limits
        if not np.all((t >= low) & (t <= high)):
            bad = t[~((t >= low) & (t <= high))].flat[0]
            raise InputError(
                f"temperature {bad:g} K is outside the table, {low:g} to {high:g} K"
                f" ({low - ZERO_CELSIUS:.0f} to {high - ZERO_CELSIUS:.0f} °C)"
            )
        _check_x(x)


def _merged(label: str) -> str:
    return MERGED.get(label, label)


def _check_x(x: Array) -> None:
    if not np.all((x >= 0) & (x <= 1)):
        raise InputError(f"tin fraction {x[~((x >= 0) & (x <= 1))].flat[0]:g} is not between 0 and 1")


def _holds_liquid(field: Field, end: int, x: Array) -> npt.NDArray[np.bool_]:
    """Whether there is liquid at a composition at one end of a field; none on its solid boundary."""
    low, high = field.x_copper_side[end], field.x_tin_side[end]
    liquid_at_copper = field.copper_side == LIQUID
    result: npt.NDArray[np.bool_] = (low <= x) & (x < high) if liquid_at_copper else (low < x) & (x <= high)
    return result


def _crossings(t: Array, curve: Array, x: Array, worst: float) -> Array:
    """Highest (worst = -inf) or lowest (worst = inf) temperature at which a curve passes through x."""
    result = np.full(x.size, worst)
    choose = np.fmax if worst < 0 else np.fmin
    turns = np.flatnonzero(np.diff(np.sign(np.diff(curve))) != 0) + 1
    for start, stop in zip([0, *turns], [*turns, curve.size - 1], strict=True):
        part_t, part_x = t[start : stop + 1], curve[start : stop + 1]
        if part_x[0] == part_x[-1]:
            continue
        if part_x[0] > part_x[-1]:
            part_t, part_x = part_t[::-1], part_x[::-1]
        temperature = np.interp(x, part_x, part_t, left=np.nan, right=np.nan)
        result = choose(result, np.where(np.isnan(temperature), worst, temperature))
    return result
