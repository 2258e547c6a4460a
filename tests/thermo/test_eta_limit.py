"""The peritectic of eta moved to another temperature: what must move with it, and what must not."""

import numpy as np
import pytest

from bronzeward.errors import InputError
from bronzeward.growth.slots import CORE, SLOT_LABELS
from bronzeward.inputs.case import case_from_data
from bronzeward.materials.eta_limits import limit_words, published_limits
from bronzeward.model.boundary_tables import build_regimes
from bronzeward.model.case_table import case_table, other_limits
from bronzeward.model.simulation import run_case
from bronzeward.studies.furnace_margins import reactions
from bronzeward.thermo.eta_limit import FARTHEST, REACH, peritectic_of, with_eta_limit
from closeness import close
from thermo_systems import table

ZERO = 273.15
OTHERS = [("cu-sn-shim1996", 408.0), ("cu-sn-shim1996", 421.0), ("cu-sn-nist1999-alpha", 408.0)]


@pytest.mark.parametrize(("name", "celsius"), OTHERS)
def test_eta_ends_where_it_is_told_to(name, celsius):
    moved = with_eta_limit(table(name), celsius + ZERO)
    assert moved.stable_ranges["eta"][1] == celsius + ZERO
    assert peritectic_of(moved).temperature == celsius + ZERO
    assert "eta" in moved.stable(celsius + ZERO - 0.01)
    assert "eta" not in moved.stable(celsius + ZERO + 0.01)


@pytest.mark.parametrize(("name", "celsius"), OTHERS)
def test_the_boundaries_meet_in_the_reaction(name, celsius):
    """Liquid, epsilon and eta have the compositions of the description there, on both sides."""
    kelvin = celsius + ZERO
    reaction, moved = peritectic_of(table(name)), with_eta_limit(table(name), kelvin)
    x = dict(zip(reaction.phases, reaction.x_sn, strict=True))
    regimes = build_regimes(moved, kelvin - 5, kelvin + 5)
    for place, phase in ((CORE, "liquid"), (SLOT_LABELS.index("epsilon"), "epsilon")):
        side = regimes.x_out if place == CORE else regimes.x_in
        below, above = side[0, place, -1], side[1, place, 0]
        assert below == close(x[phase], rel=1e-5)
        assert above == close(x[phase], rel=1e-5)
    overall = 0.4
    before, after = moved.fractions(kelvin - 1e-6, overall), moved.fractions(kelvin, overall)
    liquid, eta, epsilon = (moved.phases.index(label) for label in ("liquid", "eta", "epsilon"))
    share = (x["eta"] - x["epsilon"]) / (x["liquid"] - x["epsilon"])
    assert after[liquid] - before[liquid] == close(share * before[eta], rel=1e-5)
    assert after[epsilon] - before[epsilon] == close((1 - share) * before[eta], rel=1e-5)


def test_all_other_boundaries_stay():
    """What does not meet the reaction, and the liquidus farther from it than it reaches, is bit for bit the same."""
    own, moved = table(), with_eta_limit(table(), 408 + ZERO)
    x = np.linspace(0.0, 1.0, 201)
    for celsius in (100, 230, 300, 415.1 - REACH - 0.1, 415.1 + REACH + 0.1, 500, 600, 700):
        np.testing.assert_allclose(
            moved.fractions(celsius + ZERO, x), own.fractions(celsius + ZERO, x), rtol=0, atol=1e-12
        )
    for celsius in (380, 411, 440):
        limits = [one.boundaries_of("alpha", celsius + ZERO)[0] for one in (own, moved)]
        np.testing.assert_array_equal(*limits)


def test_widths_are_those_of_the_description():
    """Alpha's integrated factor near the reaction, on both sides of both temperatures."""
    own, moved = table(), with_eta_limit(table(), 408 + ZERO)
    kelvin = np.array([352.0, 380.0, 407.0, 409.0, 412.0, 416.0, 450.0, 515.0]) + ZERO
    np.testing.assert_allclose(moved.diffusion_width("alpha", kelvin), own.diffusion_width("alpha", kelvin), rtol=1e-4)


def test_no_shift_changes_nothing():
    own = table()
    same = with_eta_limit(own, peritectic_of(own).temperature)
    kelvin, x = np.meshgrid(np.linspace(250, 950, 101), np.linspace(0, 1, 101))
    np.testing.assert_allclose(same.fractions(kelvin, x), own.fractions(kelvin, x), rtol=0, atol=1e-12)


@pytest.mark.parametrize("celsius", [415.05 - FARTHEST - 0.2, 415.05 + FARTHEST + 0.2])
def test_another_diagram_is_refused(celsius):
    with pytest.raises(InputError, match=r"it may lie between 400\.0 and 430\.0 °C"):
        with_eta_limit(table(), celsius + ZERO)


# --- chosen by a case


def case(limit=None, top=430.0):
    thermo = {} if limit is None else {"thermodynamics": {"eta_limit": limit}}
    strand = {
        "core_diameter_um": 40.0,
        "sleeve_diameter_um": 50.0,
        "pack": [dict(outer_diameter_um=80.0, copper_fraction=0.15)],
    }
    steps = [{"ramp_C_per_h": 50.0, "to_C": top}, {"hold_h": 1.0}]
    return case_from_data({"strand": strand, "schedule": {"steps": steps}, **thermo}, None)


@pytest.mark.parametrize(
    ("limit", "message"),
    [("hotter", r"is 'hotter'; allowed: \"description\", \"osti1485092\", or °C"), (300, "is 300"), (True, "is True"),
     (float("nan"), "is nan"), ([], r"is \[\]")],
)  # fmt: skip
def test_a_wrong_choice_is_said(limit, message):
    with pytest.raises(InputError, match=f"thermodynamics: eta_limit {message}"):
        case(limit)


def test_inputs_carry_the_choice_only_where_there_is_one():
    assert case().to_data()["thermodynamics"] == {"description": "cu-sn-shim1996"}
    assert case("description").to_data() == case().to_data()
    for limit in (408, "osti1485092"):
        data = case(limit).to_data()
        assert data["thermodynamics"]["eta_limit"] == limit
        assert case_from_data(data, None).to_data() == data


def split(history):
    names = [str(name) for name in history["event_name"]]
    return float(history["event_temperature"][names.index("eta decomposes")]) - ZERO


def test_a_run_melts_eta_where_the_case_says():
    runs = {limit: run_case(case(limit)) for limit in (None, 408, "osti1485092")}
    assert split(runs[None]) == pytest.approx(415.05, abs=0.01)
    assert split(runs[408]) == pytest.approx(408.0, abs=1e-6)
    assert split(runs["osti1485092"]) == pytest.approx(408.0, abs=1e-6)
    for limit, history in runs.items():
        total = history["total_tin"]
        assert float(np.abs(total / total[0] - 1).max()) < 1e-10
        assert "415.0 °C" in history.attributes["warnings"], limit
        assert "408.0 °C" in history.attributes["warnings"], limit
    assert "osti1485092:" in runs["osti1485092"].attributes["references"]


def test_nothing_is_said_of_eta_where_all_sources_agree():
    assert "eta: it melts" not in run_case(case(top=400.0)).attributes["warnings"]
    between = run_case(case(top=410.0)).attributes["warnings"]
    assert "eta: it melts at 415.0 °C here, at 408.0 °C elsewhere (measured 2018, osti1485092)" in between


def test_limits_have_words_that_tell_them_apart():
    words = [limit_words(name) for name in ("description", *published_limits())]
    assert len(set(words)) == len(words)
    assert limit_words("osti1485092") == "measured 2018"  # grade of the row, year of the citation
    assert list(reactions(case())) == ["eutectic", "peritectic", "eta, measured 2018"]


def test_the_other_temperatures_are_those_of_the_sources_not_in_use():
    assert other_limits(case(), case_table(case())) == published_limits() == {"osti1485092": 681.15}
    chosen = case("osti1485092")
    # the case takes the shipped table; one made on another processor may differ in its last digit
    assert other_limits(chosen, case_table(chosen)) == {"description": close(peritectic_of(table()).temperature, 1e-12)}
