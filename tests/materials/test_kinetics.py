"""Growth constants: loading, conversion, contact with liquid, and what happens to bad files."""

from __future__ import annotations

import math
import tomllib
from dataclasses import replace

import numpy as np
import pytest
import tomli_w

from bronzeward.errors import InputError
from bronzeward.inputs.case import Case, Numerics
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.kinetics import available_sets, load_set, plain_set, set_from_data
from bronzeward.materials.plane_couple import growth_from_integrated
from bronzeward.materials.properties import load_properties
from bronzeward.model.simulation import run_case
from bronzeward.units import GAS_CONSTANT

ROW = {
    "phase": "eta", "kind": "integrated", "prefactor": 1e-10, "activation_energy_kJ_per_mol": 60.0,
    "t_min_C": 100, "t_max_C": 230, "factor_1sigma": 2.0,
}  # fmt: skip


def near(expected, rel):
    """Relative only: constants in m2/s are far below the absolute tolerance that pytest adds by itself."""
    return pytest.approx(expected, rel=rel, abs=0.0)


def made(*rows, **top):
    return set_from_data({"inherits": "default", "constant": list(rows), **top}, "mine.toml")


def test_every_set_of_the_databases_loads_and_covers_all_layers():
    assert {"default", "mei1992", "onishi1975", "dreyer1995"} <= set(available_sets())
    for name in available_sets():
        loaded = load_set(name)
        for phase in ("eta", "epsilon", "zeta", "delta", "gamma", "beta", "alpha"):
            assert loaded.constant(phase).at(600.0) > 0


def test_interdiffusion_becomes_integrated_by_its_width():
    # K = integral D dN over the homogeneity range: D times width when D is constant
    constant = made({**ROW, "kind": "interdiffusion", "homogeneity_range": 0.02}).constant("eta")
    kelvin = 488.15
    by_hand = 1e-10 * 0.02 * math.exp(-60e3 / (GAS_CONSTANT * kelvin))
    assert constant.at(kelvin) == near(by_hand, rel=1e-14)


def test_plain_data_gives_the_set_back():
    for name in available_sets():
        chosen = load_set(name)
        again = set_from_data(tomllib.loads(tomli_w.dumps(plain_set(chosen))), "again")
        assert again.references == chosen.references
        for a, b in zip(again.constants, chosen.constants, strict=True):
            assert a.at(500.0) == near(b.at(500.0), rel=1e-12)
            assert (a.phase, a.contact, a.thermodynamic, a.exponent) == (
                b.phase,
                b.contact,
                b.thermodynamic,
                b.exponent,
            )


def test_constants_for_contact_with_liquid_serve_only_there():
    fast = made({**ROW, "contact": "liquid", "prefactor": 1.07e-9, "activation_energy_kJ_per_mol": 59.4})
    strand, schedule = Strand.round(24, 44), Schedule.start(20).ramp(50, to=300)
    usual, wetted = (run_case(Case(strand, schedule, chosen)) for chosen in (load_set(), fast))
    first = int(np.argmax(usual["liquid_mole_fraction"] > 0))
    assert wetted["shell_thickness"][first] == near(usual["shell_thickness"][first], rel=1e-6)
    assert wetted["shell_thickness"][-1] > 1.5 * usual["shell_thickness"][-1]


def test_liquid_contact_grows_like_the_solid_couple():
    # abstract of Su, Yen, Lin, Chen, Metall. Mater. Trans. B 28 (1997) 927: copper-saturated liquid tin at
    # 240 to 275 C, planar parabolic layers with about the solid activation energy. So no jump at melting:
    # growth of eta in the hour after melting stays within a factor of 2 of the hour before, on a plane couple
    couple = Strand.couple(200, 200)
    run = run_case(Case(couple, Schedule.start(20).ramp(600, to=225).hold(20).ramp(600, to=232).hold(20), load_set()))
    time, eta = run["time"] / 3600, run["thickness"][:, list(run["phase"]).index("eta")]
    melting = float(run["event_time"][0]) / 3600
    # slope of w^2 before and after
    before = np.polyfit(
        time[(time > melting - 15) & (time < melting - 0.1)],
        eta[(time > melting - 15) & (time < melting - 0.1)] ** 2,
        1,
    )[0]
    after = np.polyfit(time[time > melting + 0.1], eta[time > melting + 0.1] ** 2, 1)[0]
    assert 0.5 < after / before < 2.0


@pytest.mark.parametrize(
    ("row", "word"),
    [
        ({**ROW, "phase": "omega"}, "phase"),
        ({**ROW, "kind": "guess"}, "kind"),
        ({**ROW, "kind": "tracer"}, "narrow compound"),
        ({**ROW, "kind": "interdiffusion"}, "homogeneity_range"),
        ({**ROW, "phase": "alpha"}, "profile"),
        ({**ROW, "prefactor": -1.0}, "above 0"),
        ({**ROW, "prefactor": "much"}, "finite"),
        ({**ROW, "activation_energy_kJ_per_mol": float("inf")}, "finite"),
        ({**ROW, "colour": 1}, "unknown key"),
        ({k: v for k, v in ROW.items() if k != "t_min_C"}, "missing"),
        ({**ROW, "contact": "air"}, "contact"),
        (3, "table"),
    ],
)
def test_bad_constants_are_told_in_one_line(row, word):
    with pytest.raises(InputError, match=word) as caught:
        made(row)
    assert "mine.toml" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_bad_sets_are_told():
    with pytest.raises(InputError, match="no constant for"):
        set_from_data({"constant": [ROW]}, "mine.toml")
    with pytest.raises(InputError, match="twice"):
        made(ROW, ROW)
    with pytest.raises(InputError, match="inherits"):
        made(ROW, inherits="somebody")
    with pytest.raises(InputError, match="no set"):
        load_set("somebody")
    with pytest.raises(InputError, match="omega"):
        load_set().scaled({"omega": 2.0})
    with pytest.raises(InputError, match="above 0"):
        load_set().scaled({"eta": 0.0})


GROWTH = [
    {**ROW, "kind": "growth", "prefactor": 2.0e-9, "activation_energy_kJ_per_mol": 55.0},
    {**ROW, "phase": "epsilon", "kind": "growth", "prefactor": 3.0e-9, "activation_energy_kJ_per_mol": 62.0},
]


def test_growth_constants_of_a_couple_are_converted_without_loss():
    # back through the Newton solution of the same balance, which knows nothing of the sum of laws
    chosen = made(*GROWTH)
    volumes = load_properties().molar_volume
    for kelvin in (400.0, 480.0, 500.0):
        integrated = [float(chosen.constant(p).at(kelvin)) for p in ("eta", "epsilon")]
        back = growth_from_integrated(integrated, [volumes["eta"], volumes["epsilon"]], [0.455, 0.25], (1.0, 0.0))
        given = [
            row["prefactor"] * math.exp(-row["activation_energy_kJ_per_mol"] * 1e3 / (GAS_CONSTANT * kelvin))
            for row in GROWTH
        ]
        assert back == near(given, rel=1e-12)
    again = set_from_data(plain_set(chosen), "again")
    assert again.constant("eta").at(450.0) == near(chosen.constant("eta").at(450.0), rel=1e-14)


def test_a_run_grows_as_the_growth_constants_say():
    kelvin = 215 + 273.15
    couple = Strand.couple(400, 400)
    schedule = Schedule.from_arrays([0, 1.0, 48 * 3600.0], [kelvin - 1e-3, kelvin, kelvin])
    run = run_case(Case(couple, schedule, made(*GROWTH), numerics=Numerics(tolerance=1e-7)))
    for row in GROWTH:
        k = row["prefactor"] * math.exp(-row["activation_energy_kJ_per_mol"] * 1e3 / (GAS_CONSTANT * kelvin))
        thickness = run["thickness"][-1, list(run["phase"]).index(row["phase"])]
        # 1 nm of seed squared against several square micrometres, and alpha's trace of tin
        assert thickness == near(math.sqrt(k * 48 * 3600), rel=1e-4)


def test_growth_constants_come_in_pairs():
    with pytest.raises(InputError, match="needs eta and epsilon"):
        made(GROWTH[0])
    with pytest.raises(InputError, match="understood for eta and epsilon"):
        made(*GROWTH, {**ROW, "phase": "delta", "kind": "growth"})


def test_a_factor_multiplies_every_law_of_its_phase_only():
    usual = made(*GROWTH, {**ROW, "contact": "liquid"})
    faster = usual.scaled({"eta": 3.0, "alpha": 0.25})
    for before, after in zip(usual.constants, faster.constants, strict=True):
        factor = {"eta": 3.0, "alpha": 0.25}.get(before.phase, 1.0)
        assert after.at(450.0) == near(factor * before.at(450.0), rel=1e-14)
    assert len(faster.constant("eta").terms) == 1


@pytest.mark.parametrize("factor", [0.0, -1.0, math.inf, math.nan])
def test_impossible_factors_are_told(factor):
    with pytest.raises(InputError, match=r"factor for eta .* finite and above 0"):
        load_set().scaled({"eta": factor})


def test_a_range_of_one_temperature_is_one_number():
    constant = load_set("mei1992").constant("eta")
    assert replace(constant, range=(478.15, 478.15)).known_C == "205"
    assert replace(constant, range=(478.15, 573.15)).known_C == "205 to 300"


def test_temperatures_and_energies_are_read_in_their_units():
    eta = made({**ROW, "composition_exponent": -3.0, "more_terms": [[2e-11, 50.0], [3e-12, 40.0]]}).constant("eta")
    # 100 and 230 C
    assert eta.range == near((373.15, 503.15), rel=1e-15)
    assert (eta.prefactor, eta.activation, eta.exponent) == (1e-10, 60e3, -3.0)
    laws = ((1e-10, 60e3), (2e-11, 50e3), (3e-12, 40e3))
    assert eta.at(450.0) == near(sum(a * math.exp(-e / (GAS_CONSTANT * 450.0)) for a, e in laws), rel=1e-14)


@pytest.mark.parametrize(
    ("given", "factor", "wider"),
    [
        ({"factor_1sigma": 2.0}, 2.0, 2.0),
        # an error of a factor of a half is one of two
        ({"factor_1sigma": 0.5}, 2.0, 2.0),
        ({"factor_1sigma": 2.0, "factor_1sigma_extrapolated": 5.0}, 2.0, 5.0),
        ({"factor_1sigma": 2.0, "factor_1sigma_extrapolated": 0.2}, 2.0, 5.0),
    ],
)
def test_errors_are_factors_above_one(given, factor, wider):
    eta = made({**ROW, **given}).constant("eta")
    assert (eta.factor, eta.extrapolated_factor) == near((factor, wider), rel=1e-15)


def test_plain_data_is_written_in_the_units_of_the_file():
    more = {"more_terms": [[2e-11, 50.5]], "composition_exponent": 2.0, "factor_1sigma_extrapolated": 4.0}
    row = plain_set(made({**ROW, "t_max_C": 230.123456789, **more}))["constant"][0]
    expected = {**ROW, "t_max_C": 230.123456789, **more}
    assert {key: row[key] for key in expected} == expected
    kinds = {c["phase"]: c["kind"] for c in plain_set(load_set())["constant"]}
    assert kinds["delta"] == "integrated"
    for constant in load_set().constants:
        if constant.phase in ("gamma", "beta", "alpha"):
            assert kinds[constant.phase] == ("tracer" if constant.thermodynamic else "interdiffusion")


def test_references_are_named_once_in_their_order():
    rows = [{**ROW, "source": ["b", "a"]}, {**ROW, "phase": "epsilon", "source": ["a", "c"]}]
    assert made(*rows).references[:3] == ("b", "a", "c")


PARAMETERS = ["eta.ln_prefactor", "eta.activation_energy_kJ_per_mol", "alpha.ln_prefactor"]
MATRIX = [[4.0, 1.0, 0.0], [1.0, 9.0, -2.0], [0.0, -2.0, 1.0]]


@pytest.mark.parametrize(
    ("parameters", "matrix"),
    [
        (PARAMETERS, MATRIX),
        (PARAMETERS[:1], [[0.25]]),
        (PARAMETERS[1:], [[1, 0], [0, 0]]),
        # rank one: the smallest variance is zero but for rounding
        (PARAMETERS, [[0.01, 0.03, 0.07], [0.03, 0.09, 0.21], [0.07, 0.21, 0.49]]),
        (PARAMETERS[:2], [[1.0, 1.0 + 5e-7], [1.0, 1.01]]),
        # a negative variance of 1e-10 of the largest is rounding
        (PARAMETERS[:2], [[100.0, 0.0], [0.0, -1e-8]]),
    ],
)
def test_a_covariance_is_kept(parameters, matrix):
    covariance = made(ROW, covariance={"parameters": parameters, "matrix": matrix}).covariance
    assert covariance.parameters == tuple(parameters)
    assert covariance.matrix == tuple(tuple(map(float, row)) for row in matrix)
    again = set_from_data(plain_set(made(ROW, covariance={"parameters": parameters, "matrix": matrix})), "again")
    assert again.covariance == covariance


@pytest.mark.parametrize(
    ("covariance", "word"),
    [
        (3, "table with parameters and matrix"),
        ({"parameters": PARAMETERS}, "table with parameters and matrix"),
        ({"parameters": PARAMETERS, "matrix": MATRIX, "colour": 1}, "table with parameters and matrix"),
        ({"parameters": "eta.ln_prefactor", "matrix": MATRIX}, "list of different names"),
        ({"parameters": [], "matrix": []}, "list of different names"),
        ({"parameters": PARAMETERS[:1] * 2, "matrix": [[1.0, 0.0], [0.0, 1.0]]}, "list of different names"),
        ({"parameters": ["eta.colour"], "matrix": [[1.0]]}, "a parameter is 'eta.colour'"),
        ({"parameters": ["core.ln_prefactor"], "matrix": [[1.0]]}, "a parameter is"),
        ({"parameters": PARAMETERS, "matrix": 4.0}, "3 rows of 3"),
        ({"parameters": PARAMETERS, "matrix": [1.0, 2.0, 3.0]}, "3 rows of 3"),
        ({"parameters": PARAMETERS, "matrix": ["abc", "def", "ghi"]}, "3 rows of 3"),
        ({"parameters": PARAMETERS, "matrix": [[1.0, 0.0]] * 3}, "3 rows of 3"),
        ({"parameters": PARAMETERS, "matrix": MATRIX[:2]}, "square"),
        ({"parameters": PARAMETERS[:2], "matrix": [[1.0, 0.5], [0.4, 1.0]]}, "symmetric"),
        ({"parameters": PARAMETERS[:2], "matrix": [[1.0, 2.0], [2.0, 1.0]]}, "negative variance"),
        ({"parameters": PARAMETERS[:2], "matrix": [[100.0, 0.0], [0.0, -1e-6]]}, "negative variance"),
        ({"parameters": PARAMETERS[:2], "matrix": [[1.0, "x"], ["x", 1.0]]}, "finite"),
        ({"parameters": PARAMETERS[:2], "matrix": [[1.0, math.nan], [math.nan, 1.0]]}, "finite"),
    ],
)
def test_bad_covariances_are_told(covariance, word):
    with pytest.raises(InputError, match=word):
        made(ROW, covariance=covariance)


@pytest.mark.parametrize("terms", [3, "ab", [3], ["ab"], [[1e-10]], [[1e-10, 60.0, 1.0]], [[1e-10, "x"]]])
def test_bad_further_terms_are_told(terms):
    with pytest.raises(InputError, match="more_terms"):
        made({**ROW, "more_terms": terms})


def test_a_bad_constant_is_told_by_its_number():
    with pytest.raises(InputError, match=r"constant 2: 'kind' is missing"):
        made(ROW, {"phase": "epsilon"})


ONE_RULE = {
    "prefactor": ({"prefactor": 1e-320}, {"prefactor": 1e-320}),
    "too fast": ({"prefactor": 1e5}, {"prefactor": 1e5}),
    "energy": ({"activation_energy_kJ_per_mol": 1e9}, {"activation": 1e12}),
    "no energy": ({"activation_energy_kJ_per_mol": -1.0}, {"activation": -1e3}),
    "no number": ({"prefactor": math.nan}, {"prefactor": math.nan}),
    "exponent": ({"composition_exponent": 1e6}, {"exponent": 1e6}),
    "slowing": ({"slowing_exponent": 5.0}, {"slowing": 5.0}),
    "spread": ({"slowing_1sigma": 3.0}, {"slowing_spread": 3.0}),
    "factor": ({"factor_1sigma": 1e9}, {"factor": 1e9}),
    "thickness": ({"reference_thickness_um": 1e9}, {"reference": 1e3}),
    "terms": ({"more_terms": [[-1.0, 60.0]]}, {"terms": ((-1.0, 60e3),)}),
    "range": ({"t_min_C": 200, "t_max_C": 100}, {"range": (473.15, 373.15)}),
    "hot": ({"t_max_C": 1e4}, {"range": (373.15, 10273.15)}),
    "contact": ({"contact": "sideways"}, {"contact": "sideways"}),
    "phase": ({"phase": "theta"}, {"phase": "theta"}),
}  # fmt: skip


@pytest.mark.parametrize(("row", "changes"), ONE_RULE.values(), ids=ONE_RULE)
def test_sets_made_in_python_are_held_to_what_a_file_may_give(row, changes):
    """The same words for both, but for where the constant stands."""
    with pytest.raises(InputError) as of_file:
        made({**ROW, **row})
    good = made(ROW)
    constants = tuple(replace(c, **changes) if c.phase == "eta" else c for c in good.constants)
    with pytest.raises(InputError) as of_python:
        a_case(replace(good, constants=constants))
    said = [str(e.value).split(": ", 2) for e in (of_file, of_python)]
    assert (said[0][:2], said[1][0]) == (["mine.toml", "constant 1"], "kinetics")
    assert said[1][2] == said[0][2] if "phase" not in row else said[1][1:] == said[0][2].split(": ", 1)


def test_sets_that_lack_a_phase_or_have_it_twice_are_told_in_python():
    good = load_set()
    for constants, word in (
        (good.constants[1:], "no constant for"),
        ((*good.constants, good.constants[0]), "given twice"),
        (list(good.constants), "tuple"),
        (("eta",), "tuple"),
    ):
        with pytest.raises(InputError, match=word):
            a_case(replace(good, constants=constants))


def test_values_at_their_bounds_are_allowed():
    edge = {"t_min_C": -273.15, "t_max_C": 5000.0, "reference_thickness_um": 1e-3, "factor_1sigma": 1e6}
    for row in (ROW, {**ROW, **edge}):
        assert a_case(made(row)).kinetics.constant("eta").prefactor == 1e-10


def a_case(kinetics):
    return Case(Strand.round(24, 44), Schedule.start(20).ramp(25, to=210).hold(1), kinetics)
