"""Everything that is known of one run against time, computed when it is asked for.

Single runs, batches and bands read the same columns; a batch computes only those that its answers need.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from bronzeward.growth.slots import ALPHA, EPSILON, ETA, SLOT_LABELS
from bronzeward.inputs.case import Case
from bronzeward.materials.phases import LIQUID, PHASES, SOLID_TIN
from bronzeward.materials.properties import BARRIERS, NIOBIUM, Properties
from bronzeward.model.boundary_tables import Regimes, stable_ranges
from bronzeward.model.layers import COLUMN, Layers, alpha_profile, by_phase
from bronzeward.model.problem_builder import initial_amounts, slot_volumes
from bronzeward.model.recording import Recorded, end_to_end, event_name, stored_times
from bronzeward.model.volume_account import (
    cavity,
    contents,
    core_volume,
    expansion_of_parts,
    film_shrinkage,
    yield_pressure,
)  # fmt: skip
from bronzeward.thermo.table import PhaseTable

Array = NDArray[np.float64]


@dataclass(frozen=True)
class History:
    """The columns of one run by name, `history["shell_thickness"]`; see `COLUMNS` for dimensions and units."""

    case: Case
    table: PhaseTable
    properties: Properties
    boundaries: Regimes
    recorded: Recorded
    cells: int
    """Cells of the profile in alpha."""

    def __getitem__(self, name: str) -> Any:
        return getattr(self, name)

    @cached_property
    def attributes(self) -> dict[str, float]:
        """Numbers that belong to the whole run."""
        tin, _, pores = self._start
        elastic = self.properties.elastic_strain * self._cavity[0] / core_volume(self.properties, tin, pores)
        return {
            "eta_limit_K": stable_ranges(self.table).get("eta", (0.0, 0.0))[1],
            "elastic_overfill": float(elastic),
            "core_offset_m": self.case.strand.offset,
        }

    @cached_property
    def layers(self) -> Layers:
        """Amounts and places of all phases."""
        liquid = self.boundaries.liquid_core[self.recorded.regime].astype(bool)
        volumes, slopes = slot_volumes(self.properties)
        return by_phase(self.case.strand, self.recorded.amount, self.recorded.tin, liquid, volumes, slopes)

    @cached_property
    def time(self) -> Array:
        return stored_times(self.recorded.time)

    @property
    def phase(self) -> NDArray[np.str_]:
        return np.array(PHASES)

    @property
    def temperature(self) -> Array:
        return self.recorded.temperature

    @property
    def amount(self) -> Array:
        return self.layers.amount

    @property
    def thickness(self) -> Array:
        return self.layers.thickness

    @property
    def inner_radius(self) -> Array:
        return self.layers.inner

    @property
    def outer_radius(self) -> Array:
        return self.layers.outer

    @property
    def shell_thickness(self) -> Array:
        return self.layers.shell

    @cached_property
    def total_atoms(self) -> Array:
        return np.asarray(self.amount.sum(axis=1))

    @cached_property
    def total_tin(self) -> Array:
        return np.asarray(self.layers.tin.sum(axis=1))

    @property
    def mole_fraction(self) -> Array:
        return np.asarray(self.amount / self.total_atoms[:, None])

    @cached_property
    def tin_fraction(self) -> Array:
        return np.asarray(self.layers.tin / self.total_tin[:, None])

    @cached_property
    def liquid_mole_fraction(self) -> Array:
        return np.asarray(self.amount[:, COLUMN[LIQUID]] / self.total_atoms)

    @cached_property
    def liquid_tin_fraction(self) -> Array:
        return np.asarray(self.layers.tin[:, COLUMN[LIQUID]] / self.total_tin)

    @property
    def liquid_composition(self) -> Array:
        tin, atoms = (values[:, COLUMN[LIQUID]] for values in (self.layers.tin, self.amount))
        return np.asarray(np.divide(tin, atoms, out=np.full(len(atoms), np.nan), where=atoms > 0))

    @cached_property
    def tin_used(self) -> Array:
        core = self.layers.tin[:, COLUMN[LIQUID]] + self.layers.tin[:, COLUMN[SOLID_TIN]]
        return np.asarray(1.0 - core / self.total_tin)

    @cached_property
    def _volume(self) -> Array:
        properties = self.properties.scaled(*self.case.volumes)
        return contents(properties, self.temperature, self.amount, self.layers.tin)

    @property
    def volume_fraction(self) -> Array:
        return np.asarray(self._volume / self._volume.sum(axis=1, keepdims=True))

    @property
    def liquid_volume_fraction(self) -> Array:
        return np.asarray(self.volume_fraction[:, COLUMN[LIQUID]])

    @cached_property
    def _start(self) -> tuple[float, float, float]:
        """Tin and copper [mol/m] and pores [m2] at the start."""
        tin = float(self.total_tin[0])
        return tin, float(self.total_atoms[0] - tin), self.case.strand.core_area * self.case.strand.porosity

    @cached_property
    def _cavity(self) -> Array:
        tin, copper, pores = self._start
        strand = self.case.strand
        if not strand.film_makes_room and strand.initial_eta + strand.initial_epsilon > 0.0:
            amount, _ = initial_amounts(strand, slot_volumes(self.properties)[0])
            films = {SLOT_LABELS[slot]: float(amount[slot]) for slot in (ETA, EPSILON)}
            pores -= film_shrinkage(self.properties, films)
        expansion, filaments = strand.cavity_expansion, 0.0
        if strand.cavity_of_parts:
            filaments, barrier = strand.niobium_areas
            parts = ("Cu", strand.copper_area), (NIOBIUM, filaments), (BARRIERS[strand.barrier_metal], barrier)
            expansion = expansion_of_parts(self.properties, parts)
        return cavity(self.properties, self.temperature, tin, copper, pores, expansion, filaments)

    @cached_property
    def overfill(self) -> Array:
        tin, _, pores = self._start
        return np.asarray((self._volume.sum(axis=1) - self._cavity) / core_volume(self.properties, tin, pores))

    @property
    def void_fraction(self) -> Array:
        return np.asarray(np.maximum(self._cavity - self._volume.sum(axis=1), 0.0) / self._cavity)

    @property
    def wall_yield_pressure(self) -> Array:
        inside = self.inner_radius[:, COLUMN["alpha"]]
        copper = np.where(np.isfinite(inside), inside, np.inf)  # beyond everything when none is left
        return yield_pressure(self.properties, self.temperature, copper, self.case.strand.sleeve_radius)

    @property
    def equilibrium_mole_fraction(self) -> Array:
        tin, copper, _ = self._start
        return np.asarray(self.table.fractions(self.temperature, tin / (tin + copper)))

    @property
    def event_name(self) -> NDArray[np.object_]:
        quenched = self.case.schedule.quenched
        return np.array([event_name(row, quenched) for row in self.recorded.events], dtype=object)

    @property
    def event_time(self) -> Array:
        return self.recorded.events[:, 0]

    @property
    def event_temperature(self) -> Array:
        return self.recorded.events[:, 1]

    @property
    def event_row(self) -> NDArray[np.int32]:
        return self.recorded.events[:, 4].astype(np.int32)

    @cached_property
    def _alpha(self) -> tuple[Array, Array]:
        strand, recorded = self.case.strand, self.recorded
        return alpha_profile(strand, recorded.amount[:, ALPHA], recorded.cells, self.properties, self.cells)

    @property
    def alpha_radius(self) -> Array:
        return self._alpha[0]

    @property
    def alpha_tin(self) -> Array:
        return self._alpha[1]


@dataclass(frozen=True)
class Part:
    """One run of several whose columns are computed together: `own` its history, `rows` those it has in `whole`."""

    own: History
    whole: History
    rows: slice

    def __getitem__(self, name: str) -> Any:
        if name == "time" or COLUMNS[name].dims[0] != "time":
            return self.own[name]
        return self.whole[name][self.rows]

    @property
    def attributes(self) -> dict[str, float]:
        """Numbers that belong to the whole run; runs of one strand have them in common."""
        return self.whole.attributes


def together(histories: Sequence[History]) -> list[Part]:
    """The same histories, of one strand, volumes and phase table, quicker to read for being one long one."""
    recorded = [history.recorded for history in histories]
    whole = replace(histories[0], recorded=end_to_end(recorded))
    ends = np.cumsum([len(one.time) for one in recorded])
    starts = [0, *ends[:-1]]
    return [Part(own, whole, slice(a, b)) for own, a, b in zip(histories, starts, ends, strict=True)]


class Column(NamedTuple):
    """How a column is stored."""

    dims: tuple[str, ...]
    units: str
    text: str


_T, _TP, _E, _TA = ("time",), ("time", "phase"), ("event",), ("time", "alpha_cell")
PER_LENGTH = "mol m-1"
"""Units of amounts; a plane couple has mol m-2."""

COLUMNS: dict[str, Column] = {
    "time": Column(_T, "s", "time since the start of the schedule"),
    "phase": Column(("phase",), "", "phase"),
    "temperature": Column(_T, "K", "temperature of the strand"),
    "amount": Column(_TP, PER_LENGTH, "atoms in the phase per length of strand (plane couple: per area)"),
    "thickness": Column(_TP, "m", "radial thickness of the phase at 25 degC molar volumes"),
    "inner_radius": Column(_TP, "m", "inner radius of the phase"),
    "outer_radius": Column(_TP, "m", "outer radius of the phase"),
    "mole_fraction": Column(_TP, "1", "share of all copper and tin atoms"),
    "volume_fraction": Column(_TP, "1", "share of the volume of all phases at temperature"),
    "tin_fraction": Column(_TP, "1", "share of all tin atoms"),
    "liquid_mole_fraction": Column(_T, "1", "share of all atoms that are liquid"),
    "liquid_volume_fraction": Column(_T, "1", "share of the volume that is liquid"),
    "liquid_tin_fraction": Column(_T, "1", "share of all tin that is liquid"),
    "liquid_composition": Column(_T, "1", "atom fraction of tin in the liquid"),
    "shell_thickness": Column(_T, "m", "thickness of all solid compound between core and copper"),
    "tin_used": Column(_T, "1", "share of the tin that has left the core"),
    "overfill": Column(_T, "1", "contents less cavity, over the initial volume of the tin core"),
    "void_fraction": Column(_T, "1", "share of the cavity that is void"),
    "wall_yield_pressure": Column(_T, "Pa", "pressure at which the copper sleeve left yields throughout"),
    "total_atoms": Column(_T, PER_LENGTH, "all copper and tin atoms, a check of conservation"),
    "total_tin": Column(_T, PER_LENGTH, "all tin atoms, a check of conservation"),
    "equilibrium_mole_fraction": Column(_TP, "1", "share of all atoms at equilibrium"),
    "event_name": Column(_E, "", "event"),
    "event_time": Column(_E, "s", "time of the event"),
    "event_temperature": Column(_E, "K", "temperature of the event"),
    "event_row": Column(_E, "", "index along time of the first state after the event"),
    "alpha_radius": Column(
        _TA, "m", "radius of the middle of a cell of alpha (plane couple: distance from the tin end)"
    ),
    "alpha_tin": Column(_TA, "1", "atom fraction of tin in a cell of alpha"),
}
"""Every column that is stored, by name."""
