"""Properties that hold for every input: conservation, monotony, invariance, round trips.

Examples are few and drawn anew with every change of this file; `tests/benchmarks` and `tests/fuzz` draw
many more. Tolerances: 1e-10 for conservation, as the model demands; runs are compared within what their
own step tolerance leaves (1e-4 a step), said beside each.
"""

from __future__ import annotations

import contextlib
import json
import tempfile
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tomli_w
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bronzeward.errors import InputError
from bronzeward.inputs.case import Case, Numerics, case_from_data, case_from_json
from bronzeward.inputs.furnace_log import read_log
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Ring, Strand
from bronzeward.materials.composition import atom_fraction, mass_fraction
from bronzeward.materials.growth_constants import COMPOUNDS, WIDE_PHASES
from bronzeward.materials.kinetics import load_set
from bronzeward.materials.plane_couple import growth_from_integrated, integrated_from_growth
from bronzeward.model.result import LARGEST, Result, Variable, read_netcdf, write_netcdf
from bronzeward.model.simulation import run_case
from case_strategies import floats, step_tables, strands
from closeness import close

QUICK = settings(deadline=None, max_examples=100, suppress_health_check=list(HealthCheck))
RUNS = settings(deadline=None, max_examples=6, suppress_health_check=list(HealthCheck), derandomize=True)


def run(strand: Strand, schedule: Schedule, **numerics: object) -> Result:
    settings = Numerics(**{"tolerance": 1e-4, **numerics})
    return run_case(Case(strand, schedule, load_set(), numerics=settings))


# --- runs


@RUNS
@given(strands(), step_tables())
def test_every_run_conserves_copper_and_tin(strand, steps):
    history = run(strand, Schedule.from_steps(20.0, steps))
    assert history.attributes["status"] == "completed"
    for name in ("total_atoms", "total_tin"):
        total = history[name]
        assert np.abs(total / total[0] - 1).max() < 1e-10
    assert history["amount"].min() >= 0
    assert np.allclose(history["mole_fraction"].sum(axis=1), 1, atol=1e-12)
    assert np.allclose(history["tin_fraction"].sum(axis=1), 1, atol=1e-10)
    assert np.allclose(history["equilibrium_mole_fraction"].sum(axis=1), 1, atol=1e-10)


@RUNS
@given(
    floats(8e-6, 40e-6), floats(1.5, 2.2), st.integers(120, 218), floats(1.0, 40.0), floats(1.05, 4.0),
    st.integers(1, 7),
)  # fmt: skip
def test_hotter_or_longer_never_uses_less_tin(core, ratio, celsius, hours, longer, hotter):
    """Below the eutectic, where nothing melts back; within 1e-3 of what is used (tolerance 1e-4 a step)."""
    strand = Strand(core, (Ring(core * ratio, 1.0),))

    def used(c: float, h: float) -> float:
        return float(run(strand, Schedule.start(20).ramp(200, to=c).hold(h))["tin_used"][-1])

    plain = used(celsius, hours)
    assert used(celsius, hours * longer) >= plain * (1 - 1e-3)
    assert used(celsius + hotter, hours) >= plain * (1 - 1e-3)


@settings(RUNS, max_examples=3)
@given(floats(8e-6, 40e-6), st.integers(150, 400), floats(1.0, 30.0), floats(0.1, 0.9))
def test_a_hold_split_in_two_is_the_same_hold(core, celsius, hours, share):
    strand = Strand(core, (Ring(1.9 * core, 1.0),))
    whole = run(strand, Schedule.start(20).ramp(100, to=celsius).hold(hours), tolerance=1e-5)
    split = Schedule.start(20).ramp(100, to=celsius).hold(hours * share).hold(hours * (1 - share))
    parts = run(strand, split, tolerance=1e-5)
    # tolerance 1e-5 a step, about a hundred steps
    assert parts["mole_fraction"][-1] == pytest.approx(whole["mole_fraction"][-1], abs=1e-3 * 0.2)


@RUNS
@given(st.lists(st.tuples(floats(60.0, 7200.0), st.integers(20, 350)), min_size=2, max_size=5), floats(-1e9, 1e9))
def test_a_log_may_start_at_any_time(points, start):
    """The clock of a log does not matter: the numbers are the same to the rounding of its times."""
    time = np.concatenate([[0.0], np.cumsum([dt for dt, _ in points])])
    kelvin = np.array([20.0, *(c for _, c in points)]) + 273.15
    if not (np.diff(kelvin) > 0).any():
        kelvin[-1] += 200.0
    strand = Strand.round(24, 44)
    early, late = Schedule.from_arrays(time, kelvin), Schedule.from_arrays(time + start, kelvin)
    assert late.time == pytest.approx(early.time, abs=1e-6)
    one, two = run(strand, early), run(strand, late)
    assert two["tin_used"][-1] == pytest.approx(one["tin_used"][-1], rel=1e-5, abs=1e-9)


@RUNS
@given(strands(), floats(0.5, 2.0))
def test_all_constants_and_all_rates_scale_together(strand, factor):
    """Twice as fast in half the time is the same: no hidden clock in the engine."""
    factor = float(factor)
    plain = Case(strand, Schedule.start(20).ramp(100, to=215).hold(4), load_set())
    quick = load_set().scaled(dict.fromkeys(COMPOUNDS + WIDE_PHASES, factor))
    hurried = Case(strand, Schedule.start(20).ramp(100 * factor, to=215).hold(4 / factor), quick)
    one, two = run_case(plain), run_case(hurried)
    assert two["mole_fraction"][-1] == pytest.approx(one["mole_fraction"][-1], abs=1e-3)


# --- units of logs

TIMES = {"s": 1.0, "sec": 1.0, "min": 60.0, "h": 3600.0, "hours": 3600.0}
TEMPERATURES = {
    "C": lambda k: k - 273.15,
    "°C": lambda k: k - 273.15,
    "K": lambda k: k,
    "F": lambda k: k * 1.8 - 459.67,
}


@QUICK
@given(
    st.sampled_from(sorted(TIMES)), st.sampled_from(sorted(TEMPERATURES)), st.sampled_from([",", ";", "\t"]),
    st.sampled_from(["{} ({})", "{} [{}]", "{}_{}"]), st.booleans(), st.booleans(),
    st.lists(st.tuples(st.integers(1, 10), st.integers(280, 900)), min_size=2, max_size=8),
)  # fmt: skip
def test_every_unit_reads_the_same(time_unit, unit, separator, heading, swapped, comma, rows):
    seconds = np.cumsum([dt for dt, _ in rows]) * 360.0
    kelvin = np.array([float(k) for _, k in rows])
    columns = [
        [heading.format("time", time_unit), *(f"{t / TIMES[time_unit]:.9f}" for t in seconds)],
        [heading.format("temperature", unit), *(f"{TEMPERATURES[unit](k):.6f}" for k in kelvin)],
    ]
    if swapped:
        columns.reverse()
    lines = [separator.join(cells) for cells in zip(*columns, strict=True)]
    if comma and separator != ",":
        lines[1:] = [line.replace(".", ",") for line in lines[1:]]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        path.write_text("\n".join(lines), encoding="utf-8")
        time, temperature = read_log(path, longest_gap=1e9)
    assert time == pytest.approx(seconds - seconds[0], abs=1e-4)
    assert temperature == pytest.approx(kelvin, abs=1e-5)


@QUICK
@given(floats(0.0, 1.0))
def test_atom_and_mass_fractions_turn_into_each_other(x):
    assert float(atom_fraction(mass_fraction(x))) == pytest.approx(x, abs=1e-15)
    assert float(mass_fraction(atom_fraction(x))) == pytest.approx(x, abs=1e-15)
    # tin is heavier, so its mass fraction is the larger of the two
    assert float(mass_fraction(x)) >= x - 1e-15


# --- round trips


@QUICK
@given(strands(), floats(0.999, 1.001), step_tables())
def test_a_case_survives_toml(strand, factor, steps):
    """Radii that no diameter gives are read within a rounding, once; all else is the same."""
    case = Case(strand, Schedule.from_steps(20.0, steps), load_set())
    if not strand.plane:
        rings = tuple(replace(ring, radius=factor * ring.radius) for ring in strand.rings)
        case = replace(case, strand=replace(strand, core_radius=factor * strand.core_radius, rings=rings))
    read = case_from_data(tomllib.loads(tomli_w.dumps(case.to_data())), Path())
    assert [read.strand.core_radius, *(ring.radius for ring in read.strand.rings)] == close(
        [case.strand.core_radius, *(ring.radius for ring in case.strand.rings)], rel=1e-15
    )
    np.testing.assert_array_equal(read.schedule.time, case.schedule.time)
    assert case_from_json(json.dumps(read.to_data())).strand == read.strand


@pytest.fixture(scope="module")
def small():
    return run(Strand.round(24, 44), Schedule.start(20).ramp(200, to=300))


@settings(deadline=None, max_examples=20, suppress_health_check=list(HealthCheck))
@given(
    st.text(st.characters(blacklist_categories=["Cs"], blacklist_characters="\0"), max_size=40),
    floats(-LARGEST, LARGEST),  # what is larger cannot be meant, and is refused
)
def test_a_result_survives_its_file(small, text, number):
    attributes = {**small.attributes, "title": text, "warnings": text}
    wild = small["overfill"].copy()
    wild[1] = number
    variables = {**small.variables, "overfill": Variable(("time",), wild, small.variables["overfill"].attributes)}
    with tempfile.TemporaryDirectory() as folder:
        again = read_netcdf(write_netcdf(Result(variables, attributes), Path(folder) / "a.nc"))
    assert set(again.attributes) == set(attributes)
    assert str(again.attributes["title"]) == text
    for name, own in variables.items():
        values = own.values.astype(str) if own.values.dtype.kind == "O" else own.values
        np.testing.assert_array_equal(again[name], values)
        assert again.variables[name].dims == own.dims


@QUICK
@given(st.data())
def test_growth_constants_and_integrated_coefficients_turn_into_each_other(data):
    layers = data.draw(st.integers(1, 4))
    steps = np.array(data.draw(st.lists(floats(0.05, 1.0), min_size=layers + 1, max_size=layers + 1)))
    x = 1.0 - np.cumsum(steps)[:-1] / steps.sum()
    decades = st.lists(floats(-20.0, -13.0), min_size=layers, max_size=layers)
    integrated = 10 ** np.array(data.draw(decades))
    volume = np.array(data.draw(st.lists(floats(7e-6, 1.7e-5), min_size=layers, max_size=layers)))
    growth = growth_from_integrated(integrated, volume, x, (1.0, 0.0))
    assert integrated_from_growth(growth, volume, x, (1.0, 0.0)) == close(integrated, rel=1e-10)


@QUICK
@given(st.recursive(st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
                    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(
                        ["strand", "couple", "schedule", "steps", "kinetics", "set", "factors", "numerics", "tolerance",
                         "core_diameter_um", "sleeve_diameter_um", "pack", "hold_h", "title", "thermodynamics"]
                    ), inner, max_size=4), max_leaves=12))  # fmt: skip
def test_any_plain_data_is_a_case_or_refused(data):
    # whatever else it raises fails the test
    with contextlib.suppress(InputError):
        case_from_json(json.dumps(data))
