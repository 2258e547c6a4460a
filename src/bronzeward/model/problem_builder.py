"""Turns a strand, a schedule, constants and boundary tables into the arrays the growth engine reads."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterator, Sequence
from dataclasses import dataclass, replace
from math import exp, log, pi, sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bronzeward.errors import InputError
from bronzeward.growth.cell_grid import graded_edges
from bronzeward.growth.problem import Problem
from bronzeward.growth.slots import ALPHA, BETA, CORE, EPSILON, ETA, GAMMA, N_SLOTS, SLOT_LABELS, WIDE
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import BEHIND_SHELL, BETWEEN_FILAMENTS, Strand
from bronzeward.materials.growth_constants import Constant
from bronzeward.materials.kinetics import KineticSet
from bronzeward.materials.properties import Properties, load_properties
from bronzeward.model.boundary_tables import NODES, Regimes
from bronzeward.model.filament_array import transverse_conductivity
from bronzeward.units import GAS_CONSTANT

FLOOR_SHARE = 5e-3
"""Errors of layers thinner than this share of the core's radius, or `Settings.floor`, count against that thickness.

A layer that starts or runs out passes through every thickness, and a share of next to nothing says nothing about it.
Five times less leaves the answers of 400 random cases as they are (mean error 0.021 and 0.020 of what is allowed) and
takes 3 % more time.
"""

SPARING_CELLS = ((0.01, 8), (4.0, 20))
"""Cells of alpha that serve a run in which they are to be few, by what tin alpha can take up at most, as a share of all
(`alpha_depth`): with these, 500 random cases gave answers within half a per cent of those with 40 cells, but for those
in which beta or gamma forms. They eat the alpha that tin has soaked into, and its profile decides."""


MOST_IN_ALPHA = 0.09
"""Atom fraction of tin that copper dissolves at most, near 520 C: 9.1 % in the bundled descriptions."""

DEPTH_POINTS = 9

MOST_PASSING = 200
"""Parts of strands and schedules that are kept at a time."""

FILMS = SLOT_LABELS[ETA], SLOT_LABELS[EPSILON]
"""Compounds that may be there from storage."""


@dataclass(frozen=True)
class Settings:
    """Numerical settings of the engine, SI units."""

    tolerance: float = 1e-3
    seed: float = 1e-9
    alpha_cells: int = 40
    inner_cells: int = 8
    longest_step: float = np.inf
    widest_step: float = np.inf
    sparing: bool = False
    """Whether alpha has fewer cells where the case allows (`SPARING_CELLS`)."""
    floor: float = 1e-7
    """Thickness below which errors count against this thickness [m]; at most `FLOOR_SHARE` of the core's radius."""


@dataclass(frozen=True)
class Pieces:
    """A schedule cut at its knots and at the temperatures where the stable phases change."""

    time: NDArray[np.float64]
    start: NDArray[np.float64]
    end: NDArray[np.float64]
    regime: NDArray[np.int64]


def cut_schedule(schedule: Schedule, regimes: Regimes) -> Pieces:
    """Pieces of constant slope within one regime."""
    times: list[float] = [float(schedule.time[0])]
    temperatures: list[float] = [float(schedule.temperature[0])]
    inner = regimes.edges[1:-1]
    for k in range(len(schedule.time) - 1):
        t0, t1 = schedule.time[k], schedule.time[k + 1]
        a, b = schedule.temperature[k], schedule.temperature[k + 1]
        low, high = min(a, b), max(a, b)
        crossed = [edge for edge in inner if low < edge < high]
        for edge in crossed if b > a else reversed(crossed):
            moment = float(t0 + (edge - a) / (b - a) * (t1 - t0))
            if times[-1] < moment < t1:
                times.append(moment)
                temperatures.append(float(edge))
        times.append(float(t1))
        temperatures.append(float(b))
    start, end = np.array(temperatures[:-1]), np.array(temperatures[1:])
    return Pieces(np.array(times), start, end, _regime_of_pieces(start, end, regimes))


def _regime_of_pieces(start: NDArray[np.float64], end: NDArray[np.float64], regimes: Regimes) -> NDArray[np.int64]:
    """A piece lies in the regime of its middle; a hold exactly on an edge in the one above."""
    return regimes.at(0.5 * (start + end))


def slot_volumes(properties: Properties) -> tuple[list[float], list[float]]:
    """Molar volume at 25 C and its slope with N_Sn of every slot [m3/mol]."""
    volumes = [properties.molar_volume["(Sn)" if label == "core" else label] for label in SLOT_LABELS]
    slopes = [properties.alpha_slope if label == "alpha" else 0.0 for label in SLOT_LABELS]
    return volumes, slopes


def zone_table(strand: Strand) -> dict[str, list[float]]:
    """The function S(A) of a strand, zone by zone (see `growth/geometry.py`)."""
    if strand.plane:
        return {"zone_area": [0.0], "zone_offset": [0.0], "zone_factor": [0.0], "zone_shift": [0.0]}
    table: dict[str, list[float]] = {"zone_area": [], "zone_offset": [], "zone_factor": [], "zone_shift": []}
    inner, area, resistance = 0.0, 0.0, 0.0
    for outer, phi in _distinct(strand.zones()):
        # what carries radial flow per area of the zone: in a pack less than its copper share
        carrying = transverse_conductivity(phi) if strand.pack_transport == BETWEEN_FILAMENTS else phi
        factor = 1.0 / (4.0 * pi * carrying)
        shift = phi * pi * inner**2 - area
        # S is counted from the core's own radius, where log(A + shift) is finite in every zone
        offset = resistance - factor * log(phi * pi * inner**2) if inner > 0.0 else -factor * log(pi * outer**2)
        table["zone_area"].append(area)
        table["zone_offset"].append(offset)
        table["zone_factor"].append(factor)
        table["zone_shift"].append(shift)
        if inner > 0.0:
            resistance += log(outer / inner) / (2.0 * pi * carrying)
        area += phi * pi * (outer**2 - inner**2)
        inner = outer
    return table


def _distinct(zones: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Zones, each with its outer radius, without the borders at which nothing changes."""
    distinct: list[tuple[float, float]] = []
    for outer, phi in zones:
        if distinct and distinct[-1][1] == phi:
            distinct.pop()
        distinct.append((outer, phi))
    return distinct


def initial_films(strand: Strand, volumes: list[float]) -> dict[str, float]:
    """Compound there from storage, by phase [mol/m]; plane couple [mol/m2]."""
    perimeter = 1.0 if strand.plane else 2.0 * pi * strand.core_radius
    thicknesses = zip(FILMS, (ETA, EPSILON), (strand.initial_eta, strand.initial_epsilon), strict=True)
    return {phase: thickness * perimeter / volumes[slot] for phase, slot, thickness in thicknesses}


def initial_amounts(strand: Strand, volumes: list[float]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Atoms and tin in every slot at the start, each shape (9,), [mol/m]; plane couple [mol/m2].

    Compound there from storage takes its tin from the core and its copper from the sleeve; more than these have
    raises InputError.
    """
    amount, tin = [0.0] * N_SLOTS, [0.0] * N_SLOTS  # a few numbers, which lists add faster than arrays
    for phase, atoms in initial_films(strand, volumes).items():
        slot = SLOT_LABELS.index(phase)
        amount[slot], tin[slot] = atoms, load_properties().compound_tin[phase] * atoms
    copper_in_films = sum(atoms - own for atoms, own in zip(amount, tin, strict=True))
    core = strand.core_area * (1.0 - strand.porosity) / volumes[CORE]
    amount[CORE] = tin[CORE] = core - sum(tin)
    amount[ALPHA] = strand.copper_area / volumes[ALPHA] - copper_in_films
    for slot, metal in ((CORE, "tin"), (ALPHA, "copper")):
        if amount[slot] <= 0.0:
            raise InputError(f"strand: the compound there from storage holds more {metal} than there is")
    return np.array(amount), np.array(tin)


def quadrature(
    time: NDArray[np.float64], start: NDArray[np.float64], end: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Temperatures [K] and weights [s] that integrate over a schedule of straight pieces.

    By the trapezoidal rule with `DEPTH_POINTS` points a piece.
    """
    along = np.linspace(0.0, 1.0, DEPTH_POINTS)[:, None]
    weights = np.where((along == 0.0) | (along == 1.0), 0.5, 1.0) / (DEPTH_POINTS - 1) * np.diff(time)
    return (start + along * (end - start)).ravel(), weights.ravel()


def alpha_depth(kinetics: KineticSet, kelvin: NDArray[np.float64], seconds: NDArray[np.float64]) -> float:
    """How deep tin can diffuse into alpha [m] in `seconds` at each of some temperatures, 2 sqrt(integral of D dt).

    D as at the most tin that alpha can hold.
    """
    law = kinetics.constant(SLOT_LABELS[ALPHA])
    fastest = law.prefactor * exp(max(0.0, law.exponent * MOST_IN_ALPHA))
    return 2.0 * sqrt(fastest * float(np.exp(-law.activation / (GAS_CONSTANT * kelvin)) @ seconds))


def cell_edges(alpha_cells: int, inner_cells: int) -> tuple[list[int], list[int], list[float]]:
    """Cells of each slot, its first cell, and the relative edges of all cells."""
    cells = [0] * N_SLOTS
    for slot in range(N_SLOTS):
        if WIDE[slot]:
            cells[slot] = alpha_cells if slot == ALPHA else inner_cells
    first = [sum(cells[:slot]) for slot in range(N_SLOTS)]
    edges: list[float] = []
    for slot in range(N_SLOTS):
        if slot == ALPHA:
            edges += graded_edges(cells[slot])
        else:
            edges += list(np.linspace(0.0, 1.0, cells[slot] + 1))
    return cells, first, edges


Laws = Sequence[Constant]
"""Constants of all slots but the core."""


def laws_of(kinetics: KineticSet) -> tuple[Laws, Laws]:
    """The constants of all slots but the core, and those for contact with liquid."""
    plain, wetted = ([kinetics.constant(label, contact) for label in SLOT_LABELS[1:]] for contact in ("any", "liquid"))
    return plain, wetted


def rates(plain: Laws, wetted: Laws) -> dict[str, Any]:
    """Arrhenius constants and exponents by slot, arrays of shape (9,)."""
    rows: list[tuple[float, ...]] = [(0.0,) * 7]
    for dry, wet in zip(plain, wetted, strict=True):
        rate = dry.prefactor * dry.reference**dry.slowing
        on_liquid = rate if wet is dry else wet.prefactor * wet.reference**wet.slowing
        rows.append((rate, dry.activation, on_liquid, wet.activation, dry.exponent, dry.slowing, wet.slowing))
    columns = np.array(list(zip(*rows, strict=True)))
    names = ("rate0", "activation", "rate0_liquid", "activation_liquid", "exponent", "slowing", "slowing_liquid")
    return dict(zip(names, columns, strict=True))


def factors(laws: Laws, regimes: Regimes) -> NDArray[np.float64]:
    """What multiplies the first law of each slot, by regime, slot and node, flattened.

    The thermodynamic factor where D does not hold it already, 1 where it does, further terms over the first.
    """
    factor = regimes.factor.copy()
    kelvin = np.linspace(regimes.edges[:-1], regimes.edges[1:], NODES, axis=1)
    for slot, law in enumerate(laws, start=1):
        if not law.thermodynamic:
            factor[:, slot] = law.at(kelvin) / replace(law, terms=()).at(kelvin) if law.terms else 1.0
    return factor.ravel()


def _kind_of(constant: Constant) -> Hashable:
    """What the table of factors takes from a constant: whether D needs one, and further terms over the first."""
    if not constant.terms:
        return constant.thermodynamic
    further = ((float(f"{a / constant.prefactor:.12g}"), round(e - constant.activation, 6)) for a, e in constant.terms)
    return (constant.thermodynamic, *further)


class ProblemBuilder:
    """Problems of many runs under one description; parts that several runs have in common are built once.

    Strands, schedules and sets are told apart by identity and must not be changed while it lives.
    """

    def __init__(self, regimes: Regimes, properties: Properties) -> None:
        self.regimes = regimes
        self._volumes, self._slopes = slot_volumes(properties)
        self._kept: dict[Hashable, dict[str, Any]] = {}
        self._passing: dict[Hashable, tuple[object, dict[str, Any]]] = {}
        self._tables: dict[str, Any] = {
            "present": regimes.present.ravel(),
            "liquid_core": regimes.liquid_core,
            "table_start": regimes.edges[:-1].copy(),
            "table_step": np.diff(regimes.edges) / (NODES - 1),
            "nodes": NODES,
            "x_in": regimes.x_in.ravel(),
            "x_out": regimes.x_out.ravel(),
            "wide": np.array(WIDE, dtype=np.int64),
            "volume": np.array(self._volumes),
            "volume_slope": np.array(self._slopes),
        }

    def build(self, strand: Strand, schedule: Schedule, kinetics: KineticSet, settings: Settings) -> Problem:
        """The problem of one run as numpy arrays; `as_lists` makes it quick to interpret."""
        geometry = self._part_of("strand", strand, lambda: self._geometry(strand))
        pieces = self._part_of("schedule", schedule, lambda: self._pieces(schedule))
        cells = settings.alpha_cells
        if settings.sparing:
            heat = self._part_of("heat", schedule, lambda: self._heat(pieces))
            cells = min(cells, self._sparing_cells(geometry, heat, kinetics, cells))
        plain, wetted = laws_of(kinetics)
        return Problem(
            **self._tables,
            **geometry,
            **pieces,
            **self._once(("cells", cells, settings.inner_cells), lambda: self._grid(cells, settings.inner_cells)),
            **self._factors("factor", plain),
            **self._factors("factor_liquid", wetted),
            **rates(plain, wetted),
            seed=settings.seed,
            tolerance=settings.tolerance,
            floor=min(settings.floor, FLOOR_SHARE * strand.core_radius),
            longest_step=float(settings.longest_step),
            widest_step=float(settings.widest_step),
        )

    def _once(self, key: Hashable, build: Callable[[], dict[str, Any]]) -> dict[str, Any]:
        """A part by its key, of which there are few."""
        if key not in self._kept:
            self._kept[key] = build()
        return self._kept[key]

    def _part_of(self, kind: str, source: object, build: Callable[[], dict[str, Any]]) -> dict[str, Any]:
        """A part of a strand or schedule, kept with it so that its identity is not given to another object.

        Every member of a band may have one of its own, so none stays for long.
        """
        passing = self._passing
        if len(passing) >= MOST_PASSING:
            passing = self._passing = {}
        key = (kind, id(source))
        if key not in passing:
            passing[key] = (source, build())
        return passing[key][1]

    def _factors(self, name: str, laws: Laws) -> dict[str, Any]:
        kinds = tuple([_kind_of(law) for law in laws])
        return self._once((name, kinds), lambda: {name: factors(laws, self.regimes)})

    def _geometry(self, strand: Strand) -> dict[str, object]:
        amount, tin = initial_amounts(strand, self._volumes)
        return {
            "plane": int(strand.plane),
            **{name: np.array(column) for name, column in zone_table(strand).items()},
            "area": strand.copper_area + strand.core_area,
            "perimeter": 1.0 if strand.plane else 2.0 * pi * strand.core_radius,
            "void_outside": int(strand.void_place == BEHIND_SHELL),
            "amount": amount,
            "tin": tin,
            "all_tin": float(tin.sum()),
        }

    def _pieces(self, schedule: Schedule) -> dict[str, Any]:
        pieces = cut_schedule(schedule, self.regimes)
        ends = {"temperature_start": pieces.start, "temperature_end": pieces.end}
        return {"time": pieces.time, **ends, "regime": pieces.regime}

    def _heat(self, pieces: dict[str, Any]) -> dict[str, Any]:
        """Temperatures of a schedule and how long each counts, and whether beta or gamma form."""
        kelvin, seconds = quadrature(pieces["time"], pieces["temperature_start"], pieces["temperature_end"])
        eaten = self.regimes.present[np.unique(pieces["regime"])][:, [GAMMA, BETA]].any()
        return {"kelvin": kelvin, "seconds": seconds, "eaten": bool(eaten)}

    def _sparing_cells(self, geometry: dict[str, Any], heat: dict[str, Any], kinetics: KineticSet, own: int) -> int:
        """Cells that serve alpha, at most `own`."""
        if heat["eaten"]:
            return own
        depth = alpha_depth(kinetics, heat["kelvin"], heat["seconds"])
        share = depth * geometry["perimeter"] / self._volumes[ALPHA] / geometry["all_tin"]
        return next((cells for most, cells in SPARING_CELLS if share < most), own)

    def _grid(self, alpha_cells: int, inner_cells: int) -> dict[str, object]:
        cells, first, edges = cell_edges(alpha_cells, inner_cells)
        counts = {"cells": np.array(cells, dtype=np.int64), "cell_start": np.array(first, dtype=np.int64)}
        return {**counts, "edge": np.array(edges), "n_cells": sum(cells)}


def build_problem(
    strand: Strand,
    schedule: Schedule,
    kinetics: KineticSet,
    regimes: Regimes,
    properties: Properties,
    settings: Settings,
) -> Problem:
    """The problem of a single run as numpy arrays."""
    return ProblemBuilder(regimes, properties).build(strand, schedule, kinetics, settings)


def as_lists(problem: Problem) -> Problem:
    """The same problem with lists for arrays: an interpreter reads a list faster than an array."""
    values: Iterator[Any] = (v.tolist() if isinstance(v, np.ndarray) else v for v in problem)
    return Problem(*values)
