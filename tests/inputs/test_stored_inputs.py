"""A case is what it says: whatever is replaced in it, the stored inputs are the same case and run to the same."""

from __future__ import annotations

import string
from dataclasses import replace

import numpy as np
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from bronzeward.inputs.case import Case, Numerics, Volumes, case_from_json, load_case
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.starter import STARTER
from bronzeward.materials.growth_constants import (
    COMPOUNDS,
    ENERGY,
    EXPONENT,
    LN_PREFACTOR,
    WIDE_PHASES,
    Constant,
    Covariance,
)
from bronzeward.materials.kinetic_rows import FASTEST, RICHEST
from bronzeward.materials.kinetics import KineticSet, available_sets, load_set
from bronzeward.model.provenance import provenance
from bronzeward.model.simulation import run_case
from bronzeward.thermo.description import names
from case_strategies import floats, step_tables, strands

TEXT = st.text(string.printable + "µηε°äß", max_size=20)


def schedules() -> st.SearchStrategy[Schedule]:
    """By steps, as steps whose result was changed afterwards, and as measured."""
    programmes = st.builds(Schedule.from_steps, st.just(20.0), step_tables())
    cut = programmes.map(lambda plan: replace(plan, time=2.0 * plan.time))
    logs = st.builds(
        lambda steps, celsius: Schedule.from_arrays(np.cumsum(steps), np.array(celsius[: len(steps)]) + 273.15),
        st.lists(floats(1.0, 1e5), min_size=2, max_size=6),
        st.lists(floats(21.0, 400.0), min_size=6, max_size=6, unique=True).map(lambda row: [20.0, *sorted(row)]),
    )
    return programmes | cut | logs | logs.map(Schedule.quench)


@st.composite
def changed_constants(draw: st.DrawFn, constant: Constant) -> Constant:
    """A constant measured anew, in the units of a kinetic file."""
    ends = sorted(draw(st.lists(floats(0.0, 700.0), min_size=2, max_size=2, unique=True)))
    new = replace(
        constant,
        prefactor=draw(floats(0.1, 10.0)) * constant.prefactor,
        activation=draw(st.integers(200, 3000)) / 10 * 1e3,
        range=(ends[0] + 273.15, ends[1] + 273.15),
        factor=draw(floats(1.0, 5.0)),
        note=draw(TEXT),
    )
    if constant.phase in COMPOUNDS:
        new = replace(new, slowing=draw(floats(-0.7, 4.0)), slowing_spread=draw(floats(0.0, 2.0)))
    return new if draw(st.booleans()) else replace(new, terms=((draw(floats(1e-20, 1e-9)), 1e3 * draw(floats(1, 99))),))


@st.composite
def kinetic_sets(draw: st.DrawFn) -> KineticSet:
    """A set of the databases: as it is, scaled, scaled twice, with constants changed, renamed, with a covariance."""
    chosen = load_set(draw(st.sampled_from(available_sets())))
    for factors in draw(
        st.lists(st.dictionaries(st.sampled_from(COMPOUNDS + WIDE_PHASES), floats(0.01, 99)), max_size=2)
    ):
        chosen = chosen.scaled(factors)
    if draw(st.booleans()):
        k = draw(st.integers(0, len(chosen.constants) - 1))
        new = draw(changed_constants(chosen.constants[k]))
        chosen = replace(chosen, constants=(*chosen.constants[:k], new, *chosen.constants[k + 1 :]))
    if draw(st.booleans()):
        chosen = replace(chosen, name=draw(TEXT), title=draw(TEXT))
    if draw(st.booleans()):
        a, b, mixed = draw(floats(0.01, 1.0)), draw(floats(0.01, 1.0)), draw(floats(-0.005, 0.005))
        names = (f"eta.{LN_PREFACTOR}", f"eta.{draw(st.sampled_from((ENERGY, EXPONENT)))}")
        chosen = replace(chosen, covariance=Covariance(names, ((a, mixed), (mixed, b))))
    # a file may not hold constants above any liquid's
    hottest, richest = 1273.15, {c: np.exp(max(c.exponent, 0.0) * RICHEST) for c in chosen.constants}
    assume(all(c.at(hottest) * richest[c] <= FASTEST for c in chosen.constants))
    return chosen


NUMERICS = st.builds(
    Numerics, floats(1e-6, 1e-2), floats(0.01, 100.0), st.integers(3, 200), st.integers(2, 50)
)  # fmt: skip

REPLACED = {
    "strand": strands(), "schedule": schedules(), "kinetics": kinetic_sets(), "numerics": NUMERICS,
    "description": st.sampled_from(names()), "title": TEXT,
    "volumes": st.builds(Volumes, *[floats(0.5, 2.0)] * len(Volumes._fields)),
}  # fmt: skip


@st.composite
def changed_cases(draw: st.DrawFn) -> Case:
    """A case of a file with a few of its parts replaced."""
    names = draw(st.sets(st.sampled_from(sorted(REPLACED)), min_size=1))
    return replace(load_case(STARTER), **{name: draw(REPLACED[name]) for name in sorted(names)})


def check_same(one: Case, two: Case) -> None:
    """Equal to the last bit."""
    for name in ("strand", "kinetics", "numerics", "description", "title", "volumes"):
        assert getattr(one, name) == getattr(two, name)
    np.testing.assert_array_equal(one.schedule.time, two.schedule.time)
    np.testing.assert_array_equal(one.schedule.temperature, two.schedule.temperature)
    assert one.schedule.quenched == two.schedule.quenched


def stored(case: Case) -> Case:
    return case_from_json(provenance(case)["inputs"])


@settings(deadline=None, max_examples=150)
@given(changed_cases())
def test_stored_inputs_are_the_case(case: Case) -> None:
    check_same(stored(case), case)


@settings(deadline=None, max_examples=5, derandomize=True)
@given(changed_cases())
def test_stored_inputs_run_to_the_same_result(case: Case) -> None:
    quick = replace(case, numerics=Numerics(tolerance=5e-3, alpha_cells=10, inner_cells=4))
    one, two = run_case(quick), run_case(stored(quick))
    assert set(one.variables) == set(two.variables)
    for name, variable in one.variables.items():
        np.testing.assert_array_equal(variable.values, two[name])
    assert one.attributes["inputs"] == two.attributes["inputs"]
