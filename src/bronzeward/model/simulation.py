"""One run from case to result: the place where thermodynamics, schedule, strand, constants and growth meet."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from bronzeward.growth.engine import integrate
from bronzeward.growth.problem import (
    APPEARS,
    DECOMPOSES,
    EVENT_NAMES,
    EVENT_WIDTH,
    EVENTS,
    FULL,
    QUENCH,
    ROW_WIDTH,
    ROWS,
    STATUS,
    STATUS_TEXT,
    USED_UP,
    Problem,
    Record,
    new_work,
)
from bronzeward.growth.slots import ALPHA, CORE, N_SLOTS, SLOT_LABELS
from bronzeward.inputs.case import Case, Numerics
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.kinetics import KineticSet, load_set
from bronzeward.materials.phases import LIQUID, PHASES, SOLID_TIN
from bronzeward.materials.properties import Properties, load_properties
from bronzeward.model.boundary_tables import Regimes, build_regimes
from bronzeward.model.layers import COLUMN, Layers, alpha_profile, by_phase
from bronzeward.model.problem_builder import Settings, as_lists, build_problem, slot_volumes
from bronzeward.model.provenance import provenance
from bronzeward.model.result import Result, Variable, cf_attributes
from bronzeward.model.volume_account import cavity, contents, core_volume, yield_pressure
from bronzeward.thermo import load_table
from bronzeward.units import ZERO_CELSIUS

if TYPE_CHECKING:
    import xarray as xr

SCHEMA = "bronzeward/run/1"

HOTTEST_WITHOUT_WARNING = 550.0 + ZERO_CELSIUS
"""Above this the superconductor starts to form, which the model leaves out [K]."""

WIDEST_STEP = 10.0
"""Points of a stored history lie at most this far apart in temperature [K]."""

FEWEST_POINTS = 60
"""A stored history has at least about this many points."""

APART = 1e-3
"""Two states at the same moment, before and after an event, are stored this far apart [s]."""

_MAX_ROWS = 20000
_MAX_EVENTS = 400


@dataclass(frozen=True)
class Recorded:
    """What the engine left behind, as arrays with one row a time."""

    time: NDArray[np.float64]
    temperature: NDArray[np.float64]
    regime: NDArray[np.int64]
    amount: NDArray[np.float64]
    tin: NDArray[np.float64]
    cells: NDArray[np.float64]
    events: NDArray[np.float64]
    counts: list[int]


def simulate(
    strand: Strand,
    schedule: Schedule,
    kinetics: KineticSet | str = "default",
    description: str = "cu-sn-shim1996",
    numerics: Numerics | None = None,
) -> xr.Dataset:
    """Run one strand through one schedule.

    Parameters
    ----------
    strand : Strand
    schedule : Schedule
    kinetics : KineticSet or str
        A set or the name of one.
    description : str
        Name of a thermodynamic description, or the path of a TDB file.
    numerics : Numerics, optional

    Returns
    -------
    xarray.Dataset
        SI units; see the README for its variables.

    Raises
    ------
    InputError
        When the input cannot be used.
    """
    chosen = load_set(kinetics) if isinstance(kinetics, str) else kinetics
    case = Case(strand, schedule.checked(), chosen, description, numerics or Numerics())
    return run_case(case).to_dataset()


def run_case(case: Case, cache: bool = True) -> Result:
    """Run a case; the plain result, which `Result.to_dataset` turns into an xarray Dataset."""
    table = load_table(case.description, cache=cache)
    schedule, numerics = case.schedule, case.numerics
    regimes = build_regimes(table, float(schedule.temperature.min()), float(schedule.temperature.max()))
    properties = load_properties()
    settings = Settings(
        tolerance=numerics.tolerance,
        seed=numerics.seed_nm * 1e-9,
        alpha_cells=numerics.alpha_cells,
        inner_cells=numerics.inner_cells,
        longest_step=float(schedule.time[-1]) / FEWEST_POINTS,
        widest_step=WIDEST_STEP,
    )
    problem = build_problem(case.strand, schedule, case.kinetics, regimes, properties, settings)
    recorded = integrate_interpreted(problem)
    notes = _reservations(case, regimes, recorded) + list(table.warnings)
    return _result(case, table, regimes, properties, recorded, notes)


def integrate_interpreted(problem: Problem) -> Recorded:
    """Integrate one problem without compiling anything."""
    plain = as_lists(problem)
    rows = 1000
    while True:
        work = new_work(plain.n_cells, lambda k: [0.0] * k)
        work = work._replace(sequence=[0] * N_SLOTS)
        record = Record(
            [0.0] * (rows * ROW_WIDTH),
            [0.0] * (rows * plain.n_cells),
            [0.0] * (_MAX_EVENTS * EVENT_WIDTH),
            [0] * 6,
        )
        integrate(plain, work, record)
        if record.count[STATUS] != FULL or rows >= _MAX_ROWS:
            return read_record(record, plain.n_cells)
        rows *= 4


def read_record(record: Record, n_cells: int) -> Recorded:
    """The filled part of a record as arrays."""
    rows, events = int(record.count[ROWS]), int(record.count[EVENTS])
    table = np.array(record.row[: rows * ROW_WIDTH], dtype=float).reshape(rows, ROW_WIDTH)
    cells = np.array(record.cell[: rows * n_cells], dtype=float)
    return Recorded(
        time=table[:, 0],
        temperature=table[:, 1],
        regime=table[:, 2].astype(np.int64),
        amount=table[:, 3 : 3 + N_SLOTS],
        tin=table[:, 3 + N_SLOTS :],
        cells=cells.reshape(-1, n_cells) if cells.size else np.zeros((0, n_cells)),
        events=np.array(record.event[: events * EVENT_WIDTH], dtype=float).reshape(events, EVENT_WIDTH),
        counts=[int(c) for c in record.count],
    )


def _reservations(case: Case, regimes: Regimes, recorded: Recorded) -> list[str]:
    """Everything a reader of the result must know before trusting it."""
    notes: list[str] = []
    if recorded.counts[STATUS] != 0:
        notes.append(f"not converged: {STATUS_TEXT[recorded.counts[STATUS]]}; the history ends early")
    if recorded.temperature.max() > HOTTEST_WITHOUT_WARNING:
        notes.append(
            "above 550 °C niobium starts to react with tin, which this model leaves out; values there are upper bounds "
            "of what copper and tin do alone"
        )
    for slot in range(CORE + 1, N_SLOTS):
        there = recorded.amount[:, slot] > 0
        if not there.any():
            continue
        constant = case.kinetics.constant(SLOT_LABELS[slot])
        used_low, used_high = recorded.temperature[there].min(), recorded.temperature[there].max()
        low, high = constant.range
        if used_low < low - 1e-6 or used_high > high + 1e-6:
            source = ", ".join(constant.source) or "no source"
            notes.append(
                f"{SLOT_LABELS[slot]}: growth constant used from {used_low - ZERO_CELSIUS:.0f} "
                f"to {used_high - ZERO_CELSIUS:.0f} °C, "
                f"known for {low - ZERO_CELSIUS:.0f} to {high - ZERO_CELSIUS:.0f} °C ({source}, {constant.grade})"
            )
    return list(dict.fromkeys(notes))


def _result(
    case: Case, table: Any, regimes: Regimes, properties: Properties, recorded: Recorded, notes: list[str]
) -> Result:
    volumes, slopes = slot_volumes(properties)
    liquid = regimes.liquid_core[recorded.regime].astype(bool)
    layers = by_phase(case.strand, recorded.amount, recorded.tin, liquid, volumes, slopes)
    variables = _variables(case, table, properties, recorded, layers)
    variables |= _alpha_profile(case, properties, recorded)
    return Result(variables, _attributes(case, table, properties, recorded, notes))


def stored_times(time: NDArray[np.float64]) -> NDArray[np.float64]:
    """Strictly increasing times: the state after an event is stored a millisecond after the one before it."""
    stored = time.copy()
    for k in np.flatnonzero(np.diff(time) < APART) + 1:
        while k < len(stored) and stored[k] < stored[k - 1] + APART:
            stored[k] = stored[k - 1] + APART
            k += 1
    return stored


def _variables(
    case: Case, table: Any, properties: Properties, recorded: Recorded, layers: Layers
) -> dict[str, Variable]:
    per_length = "mol m-2" if case.strand.plane else "mol m-1"
    atoms, tin = layers.amount.sum(axis=1), layers.tin.sum(axis=1)
    start_tin, start_copper = float(tin[0]), float(atoms[0] - tin[0])
    volume = contents(properties, recorded.temperature, layers.amount, layers.tin)
    pores = case.strand.core_area * case.strand.porosity
    room = cavity(properties, recorded.temperature, start_tin, start_copper, pores)
    core = core_volume(properties, start_tin, pores)
    liquid, solid = COLUMN[LIQUID], COLUMN[SOLID_TIN]
    x_liquid = np.divide(
        layers.tin[:, liquid],
        layers.amount[:, liquid],
        out=np.full(len(atoms), np.nan),
        where=layers.amount[:, liquid] > 0,
    )
    volume_share = volume / volume.sum(axis=1, keepdims=True)
    equilibrium = np.asarray(table.fractions(recorded.temperature, start_tin / (start_tin + start_copper)))
    wall = yield_pressure(properties, recorded.temperature, _sleeve_inside(layers), case.strand.sleeve_radius)
    events = recorded.events
    time_phase, one = ("time", "phase"), ("time",)

    def series(values: Any, units: str, text: str) -> Variable:
        return Variable(one, np.asarray(values, dtype=float), {"units": units, "long_name": text})

    def by_label(values: Any, units: str, text: str) -> Variable:
        return Variable(time_phase, np.asarray(values, dtype=float), {"units": units, "long_name": text})

    return {
        "time": Variable(
            one,
            stored_times(recorded.time),
            {"units": "s", "long_name": "time since the start of the schedule"},
        ),
        "phase": Variable(("phase",), np.array(PHASES), {"long_name": "phase"}),
        "temperature": series(recorded.temperature, "K", "temperature of the strand"),
        "amount": by_label(
            layers.amount, per_length, "atoms in the phase per length of strand (plane couple: per area)"
        ),
        "thickness": by_label(layers.thickness, "m", "radial thickness of the phase at 25 degC molar volumes"),
        "inner_radius": by_label(layers.inner, "m", "inner radius of the phase"),
        "outer_radius": by_label(layers.outer, "m", "outer radius of the phase"),
        "mole_fraction": by_label(layers.amount / atoms[:, None], "1", "share of all copper and tin atoms"),
        "volume_fraction": by_label(volume_share, "1", "share of the volume of all phases at temperature"),
        "tin_fraction": by_label(layers.tin / tin[:, None], "1", "share of all tin atoms"),
        "liquid_mole_fraction": series(layers.amount[:, liquid] / atoms, "1", "share of all atoms that are liquid"),
        "liquid_volume_fraction": series(volume_share[:, liquid], "1", "share of the volume that is liquid"),
        "liquid_tin_fraction": series(layers.tin[:, liquid] / tin, "1", "share of all tin that is liquid"),
        "liquid_composition": series(x_liquid, "1", "atom fraction of tin in the liquid"),
        "shell_thickness": series(layers.shell, "m", "thickness of all solid compound between core and copper"),
        "tin_used": series(
            1.0 - (layers.tin[:, liquid] + layers.tin[:, solid]) / tin,
            "1",
            "share of the tin that has left the core",
        ),
        "overfill": series(
            (volume.sum(axis=1) - room) / core,
            "1",
            "contents less cavity, over the initial volume of the tin core",
        ),
        "void_fraction": series(
            np.maximum(room - volume.sum(axis=1), 0.0) / room, "1", "share of the cavity that is void"
        ),
        "wall_yield_pressure": series(wall, "Pa", "pressure at which the copper sleeve left yields throughout"),
        "total_atoms": series(atoms, per_length, "all copper and tin atoms, a check of conservation"),
        "total_tin": series(tin, per_length, "all tin atoms, a check of conservation"),
        "equilibrium_mole_fraction": by_label(equilibrium, "1", "share of all atoms at equilibrium"),
        "event_name": Variable(
            ("event",),
            np.array([event_name(row, case.schedule.quenched) for row in events], dtype=object),
            {"long_name": "event"},
        ),
        "event_time": Variable(("event",), events[:, 0], {"units": "s", "long_name": "time of the event"}),
        "event_temperature": Variable(
            ("event",), events[:, 1], {"units": "K", "long_name": "temperature of the event"}
        ),
        "event_row": Variable(
            ("event",),
            events[:, 4].astype(np.int32),
            {"long_name": "index along time of the first state after the event"},
        ),
    }


def _alpha_profile(case: Case, properties: Properties, recorded: Recorded) -> dict[str, Variable]:
    """Tin in alpha against radius, cell by cell; missing where there is no alpha."""
    radius, x = alpha_profile(
        case.strand, recorded.amount[:, ALPHA], recorded.cells, properties, case.numerics.alpha_cells
    )
    dims = ("time", "alpha_cell")
    where = "radius of the middle of a cell of alpha (plane couple: distance from the tin end)"
    return {
        "alpha_radius": Variable(dims, radius, {"units": "m", "long_name": where}),
        "alpha_tin": Variable(dims, x, {"units": "1", "long_name": "atom fraction of tin in a cell of alpha"}),
    }


def _sleeve_inside(layers: Layers) -> NDArray[np.float64]:
    """Inner radius of the copper left round the compounds [m]; beyond everything when none is left."""
    inside = layers.inner[:, COLUMN["alpha"]]
    return np.where(np.isfinite(inside), inside, np.inf)


def event_name(row: NDArray[np.float64], quenched: bool = True) -> str:
    """Name of an event the engine recorded; `row` of shape (5,) as in `growth/problem.py`.

    The last event is a quench only where the schedule has one.
    """
    code, slot = int(row[2]), int(row[3])
    if code == QUENCH and not quenched:
        return "end"
    label = "tin" if slot == CORE else "copper" if slot == ALPHA and code == USED_UP else SLOT_LABELS[slot]
    if code in (APPEARS, DECOMPOSES, USED_UP) and slot == CORE:
        label = "core"
    return EVENT_NAMES[code].format(label)


def _attributes(case: Case, table: Any, properties: Properties, recorded: Recorded, notes: list[str]) -> dict[str, Any]:
    return {
        **cf_attributes(case.title or "Cu-Sn mixing heat treatment"),
        "bronzeward_schema": SCHEMA,
        "institution": "none",
        **provenance(case, table, properties),
        "eta_limit_K": eta_limit(table),
        "warnings": "\n".join(notes),
        "status": STATUS_TEXT[recorded.counts[STATUS]],
        "steps": np.int32(recorded.counts[3]),
    }


def eta_limit(table: Any) -> float:
    """Highest temperature [K] at which eta is stable in the description."""
    return float(max((f.temperature[-1] for f in table.fields if "eta" in (f.tin_side, f.copper_side)), default=0.0))
