"""Everything that is known of a run against time, computed when it is asked for.

Single runs, batches and bands read the same columns; a batch computes only those that its answers need, and those of
several runs in one go: arithmetic on a few long arrays costs less than on many short ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bronzeward.growth.slots import ALPHA
from bronzeward.inputs.case import Case, Volumes
from bronzeward.inputs.strand import Strand
from bronzeward.materials.phases import LIQUID, PHASES, SOLID_TIN
from bronzeward.materials.properties import BARRIERS, NIOBIUM, Properties
from bronzeward.model.boundary_tables import Regimes
from bronzeward.model.layers import COLUMN, Layers, alpha_profile, by_phase
from bronzeward.model.problem_builder import FILMS, initial_films, slot_volumes
from bronzeward.model.recording import Recorded, event_names, stored_times
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
    """The columns of one run by name, `history["shell_thickness"]`; see `COLUMNS` for dimensions and units.

    It may hold several runs of one phase table end to end, as `recorded` does.
    """

    cases: Sequence[Case]
    table: PhaseTable
    properties: Properties
    boundaries: Regimes
    recorded: Recorded
    cells: int
    """Cells of the profile in alpha."""

    def __getitem__(self, name: str) -> Any:
        return getattr(self, name)

    @property
    def case(self) -> Case:
        """The case, of a history of one run."""
        (case,) = self.cases
        return case

    @property
    def attributes(self) -> dict[str, float]:
        """Numbers that belong to the whole run, of a history of one."""
        return {name: float(value) for name, (value,) in self.attributes_of_runs.items()}

    @cached_property
    def attributes_of_runs(self) -> dict[str, Array]:
        """Numbers that belong to the whole of each run, shape (n_runs,)."""
        room = self.properties.elastic_strain * self._cavity / self._core_volume
        limit = self.table.stable_ranges.get("eta", (0.0, 0.0))[1]
        return {
            "eta_limit_K": np.full(len(self.cases), limit),
            "elastic_overfill": np.asarray(room[self.starts]),
            "core_offset_m": np.array([case.strand.offset for case in self.cases]),
        }

    @property
    def starts(self) -> NDArray[np.intp]:
        """The first row of each run."""
        return self.recorded.starts

    @property
    def event_run(self) -> NDArray[np.intp]:
        """The run of each event."""
        return self.recorded.event_run

    @cached_property
    def _lengths(self) -> NDArray[np.intp]:
        """How many rows each run has."""
        return np.diff(self.starts, append=len(self.recorded.time))

    def _in_rows(self, values: ArrayLike) -> Array:
        """Numbers of each run, shape (..., n_runs), in all rows of their run, shape (..., n_times)."""
        return np.repeat(np.asarray(values, dtype=float), self._lengths, axis=-1)

    @cached_property
    def layers(self) -> Layers:
        """Amounts and places of all phases."""
        liquid = self.boundaries.liquid_core[self.recorded.regime].astype(bool)
        starts = self.starts.tolist()
        rows = map(slice, starts, [*starts[1:], len(liquid)])
        strands = [(case.strand, own) for case, own in zip(self.cases, rows, strict=True)]
        return by_phase(strands, self.recorded.amount, self.recorded.tin, liquid, *slot_volumes(self.properties))

    @cached_property
    def time(self) -> Array:
        return stored_times(self.recorded.time, self.starts)

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
        factors = self._in_rows(np.transpose([case.volumes for case in self.cases]))
        named = dict(zip(Volumes._fields, factors, strict=True))
        return contents(self.properties, self.temperature, self.amount, self.layers.tin, **named)

    @property
    def volume_fraction(self) -> Array:
        return np.asarray(self._volume / self._volume.sum(axis=1, keepdims=True))

    @property
    def liquid_volume_fraction(self) -> Array:
        return np.asarray(self.volume_fraction[:, COLUMN[LIQUID]])

    @cached_property
    def _start(self) -> Array:
        """Tin and copper [mol/m] and pores [m2] of each run at its start, shape (3, n_times)."""
        tin = self.total_tin[self.starts]
        pores = [case.strand.core_area * case.strand.porosity for case in self.cases]
        return self._in_rows(np.array([tin, self.total_atoms[self.starts] - tin, pores]))

    @cached_property
    def _core_volume(self) -> Array:
        tin, _, pores = self._start
        return core_volume(self.properties, tin, pores)

    @cached_property
    def _cavity(self) -> Array:
        tin, copper, pores = self._start
        strands = [case.strand for case in self.cases]
        rooms = [(*_room(self.properties, strand), *_films(self.properties, strand).values()) for strand in strands]
        expansion, filaments, *films = self._in_rows(np.transpose(rooms))
        taken = film_shrinkage(self.properties, dict(zip(FILMS, films, strict=True)))
        return cavity(self.properties, self.temperature, tin, copper, pores - taken, expansion, filaments)

    @cached_property
    def overfill(self) -> Array:
        return np.asarray((self._volume.sum(axis=1) - self._cavity) / self._core_volume)

    @property
    def void_fraction(self) -> Array:
        return np.asarray(np.maximum(self._cavity - self._volume.sum(axis=1), 0.0) / self._cavity)

    @property
    def wall_yield_pressure(self) -> Array:
        inside = self.inner_radius[:, COLUMN["alpha"]]
        copper = np.where(np.isfinite(inside), inside, np.inf)  # beyond everything when none is left
        sleeve = self._in_rows([case.strand.sleeve_radius for case in self.cases])
        return yield_pressure(self.properties, self.temperature, copper, sleeve)

    @property
    def equilibrium_mole_fraction(self) -> Array:
        tin, copper, _ = self._start
        return np.asarray(self.table.fractions(self.temperature, tin / (tin + copper)))

    @property
    def event_name(self) -> NDArray[np.object_]:
        quenched = np.array([case.schedule.quenched for case in self.cases], dtype=bool)
        return event_names(self.recorded.events, quenched[self.event_run])

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


def _films(properties: Properties, strand: Strand) -> dict[str, float]:
    """Compound there from storage that takes room from the cavity, by phase [mol/m]."""
    if strand.film_makes_room or strand.initial_eta + strand.initial_epsilon == 0.0:
        return dict.fromkeys(FILMS, 0.0)
    return initial_films(strand, slot_volumes(properties)[0])


def _room(properties: Properties, strand: Strand) -> tuple[float, float]:
    """Of the cavity of a strand: its linear expansion [1/K], niobium in it [m2]."""
    filaments = 0.0
    expansion = properties.expansion["alpha"] if strand.cavity_expansion is None else strand.cavity_expansion
    if strand.cavity_of_parts:
        filaments, barrier = strand.niobium_areas
        parts = ("Cu", strand.copper_area), (NIOBIUM, filaments), (BARRIERS[strand.barrier_metal], barrier)
        expansion = expansion_of_parts(properties, parts)
    return expansion, filaments


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
