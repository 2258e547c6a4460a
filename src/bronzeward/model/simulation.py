"""One run from case to result: the place where thermodynamics, schedule, strand, constants and growth meet."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from bronzeward.growth.problem import STATUS, STATUS_TEXT, STEPS
from bronzeward.growth.slots import CORE, N_SLOTS, SLOT_LABELS
from bronzeward.inputs.case import Case, Numerics, load_case
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.eta_limits import DESCRIPTION, checked_limit, limit_words
from bronzeward.materials.kinetics import KineticSet, load_set
from bronzeward.materials.properties import load_properties
from bronzeward.model.boundary_tables import build_regimes
from bronzeward.model.case_table import case_table, other_limits
from bronzeward.model.estimates import estimates_that_matter
from bronzeward.model.flat_moments import flat_answers, flat_words
from bronzeward.model.history import COLUMNS, PER_LENGTH, History
from bronzeward.model.problem_builder import Settings, build_problem
from bronzeward.model.provenance import provenance
from bronzeward.model.recording import Recorded, integrate_one
from bronzeward.model.result import Result, Variable, cf_attributes
from bronzeward.thermo.table import PhaseTable
from bronzeward.units import MICROMETRE, ZERO_CELSIUS

if TYPE_CHECKING:
    import xarray as xr

SCHEMA = "bronzeward/run/1"

HOTTEST_WITHOUT_WARNING = 550.0 + ZERO_CELSIUS
"""Above this the superconductor starts to form, which the model leaves out [K]."""

EATEN = 0.2
"""Share of the shell from which on it is told that liquid takes it up in one moment."""

WIDEST_STEP = 10.0
"""Points of a stored history lie at most this far apart in temperature [K]."""

FEWEST_POINTS = 60
"""A stored history has at least about this many points."""


def simulate(
    strand: Strand,
    schedule: Schedule,
    kinetics: KineticSet | str = "default",
    description: str = "cu-sn-shim1996",
    numerics: Numerics | None = None,
    eta_limit: str | float = "description",
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
    eta_limit : str or float, [°C]
        Up to where eta is stable: as in the description, as published (a bibliography key), or a temperature.

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
    case = Case(
        strand, schedule.checked(), chosen, description, numerics or Numerics(), eta_limit=checked_limit(eta_limit)
    )
    return run_case(case).to_dataset()


def run(case: Case | str | Path) -> xr.Dataset:
    """Run a case, or the case file of that name.

    Returns
    -------
    xarray.Dataset
        SI units; see the README for its variables.

    Raises
    ------
    InputError
        When the input cannot be used.
    """
    return run_case(case if isinstance(case, Case) else load_case(case)).to_dataset()


def run_case(case: Case, cache: bool = True) -> Result:
    """Run a case; the plain result, which `Result.to_dataset` turns into an xarray Dataset."""
    table = case_table(case, cache=cache)
    kelvin, properties = case.schedule.temperature, load_properties()
    regimes = build_regimes(table, float(kelvin.min()), float(kelvin.max()))
    settings = settings_of(case)
    problem = build_problem(case.strand, case.schedule, case.kinetics, regimes, properties, settings)
    recorded = integrate_one(problem)
    history = History((case,), table, properties, regimes, recorded, settings.alpha_cells)
    return result_of(history)


def settings_of(case: Case) -> Settings:
    """Numerical settings of a single run."""
    return _settings(case.numerics, float(case.schedule.time[-1]))


@lru_cache(maxsize=64)
def _settings(numerics: Numerics, duration: float) -> Settings:
    return Settings(
        tolerance=numerics.tolerance,
        seed=numerics.seed_nm * 1e-9,
        alpha_cells=numerics.alpha_cells,
        inner_cells=numerics.inner_cells,
        longest_step=duration / FEWEST_POINTS,
        widest_step=WIDEST_STEP,
    )


def _reservations(case: Case, recorded: Recorded) -> list[str]:
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
        present = recorded.amount[:, slot] > 0
        if not present.any():
            continue
        constant = case.kinetics.constant(SLOT_LABELS[slot])
        used_low, used_high = recorded.temperature[present].min(), recorded.temperature[present].max()
        low, high = constant.range
        if used_low < low - 1e-6 or used_high > high + 1e-6:
            source = ", ".join(constant.source) or "no source"
            notes.append(
                f"{SLOT_LABELS[slot]}: growth constant used from {used_low - ZERO_CELSIUS:.0f} "
                f"to {used_high - ZERO_CELSIUS:.0f} °C, "
                f"known for {constant.known_C} °C ({source}, {constant.grade})"
            )
    return list(dict.fromkeys(notes))


def _doubts_about_saturation(history: History) -> list[str]:
    """Where the whole core takes up copper in one moment, and with it much of the shell."""
    liquid, shell = history.liquid_mole_fraction, history.shell_thickness
    row = int(np.argmax(liquid > 0.0))
    if row == 0 or shell[row] > (1.0 - EATEN) * shell[row - 1]:
        return []
    before, after = (f"{thickness / MICROMETRE:.2g}" for thickness in shell[row - 1 : row + 1])
    return [
        f"the shell falls from {before} to {after} µm in the moment of melting: the whole core is saturated with "
        "copper at once, which a wide core needs time for; the shell just after melting is a lower bound"
    ]


def _doubts_about_eta(case: Case, table: PhaseTable, recorded: Recorded) -> list[str]:
    """Where eta is left at temperatures at which one source has it melt and another does not."""
    limit = table.stable_ranges.get("eta", (0.0, 0.0))[1]
    kelvin, eta = recorded.temperature, recorded.amount[:, SLOT_LABELS.index("eta")]
    notes = []
    for name, other in other_limits(case, table).items():
        source = "" if name == DESCRIPTION else f", {name}"
        lower = min(limit, other)
        if kelvin.max() > lower and (eta[kelvin >= lower - 1.0] > 0).any():
            notes.append(
                f"eta: it melts at {limit - ZERO_CELSIUS:.1f} °C here, at {other - ZERO_CELSIUS:.1f} °C elsewhere "
                f"({limit_words(name)}{source}), and some of it is left there: "
                "try both with eta_limit of [thermodynamics]"
            )
    return notes


def result_of(history: History) -> Result:
    """The result of what an engine has recorded, with every reservation; without a profile of alpha if it has none."""
    case, recorded, table = history.case, history.recorded, history.table
    notes = _reservations(case, recorded) + _doubts_about_eta(case, table, recorded)
    flat = flat_answers(history, case.strand.core_radius)
    notes += [*_doubts_about_saturation(history), *flat_words(flat), *table.warnings]
    per_length = "mol m-2" if history.case.strand.plane else PER_LENGTH
    variables = {
        name: Variable(
            column.dims,
            history[name],
            {
                **({"units": per_length if column.units == PER_LENGTH else column.units} if column.units else {}),
                "long_name": column.text,
            },
        )
        for name, column in COLUMNS.items()
        if history.cells or "alpha_cell" not in column.dims
    }
    result = Result(variables, {**_attributes(history, notes), "ill_conditioned": ", ".join(flat)})
    result.attributes["warnings"] = "\n".join([*estimates_that_matter(result, case.kinetics), *notes])
    return result


def _attributes(history: History, notes: list[str]) -> dict[str, object]:
    case, counts = history.case, history.recorded.counts
    return {
        **cf_attributes(case.title or "Cu-Sn mixing heat treatment"),
        "bronzeward_schema": SCHEMA,
        "institution": "none",
        **provenance(case, history.table, history.properties),
        **history.attributes,
        "warnings": "\n".join(notes),
        "status": STATUS_TEXT[counts[STATUS]],
        "steps": np.int32(counts[STEPS]),
    }
