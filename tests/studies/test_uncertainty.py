"""Bands: draws, their widths, spread of wire and furnace, quantiles and shares."""

from __future__ import annotations

from dataclasses import replace
from math import log

import numpy as np
import pytest
from scipy import stats

from bronzeward.errors import InputError
from bronzeward.inputs.case import Case
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.growth_constants import Covariance
from bronzeward.materials.kinetics import load_set
from bronzeward.materials.phases import PHASES
from bronzeward.materials.properties import load_properties
from bronzeward.model.batch import run_batch
from bronzeward.model.simulation import run_case
from bronzeward.plots.uncertainty import plot_band, plot_shares
from bronzeward.reports.uncertainty import band_table
from bronzeward.studies.ensemble import (
    LATER,
    SOURCES,
    Members,
    Spread,
    draws,
    offset,
    run_members,
    uneven,
    varied_strand,
    widths,
)
from bronzeward.studies.quantiles import QUANTILES, first_half, quantile_errors, quantiles, rank_shares
from bronzeward.studies.stability import stability
from bronzeward.studies.uncertainty import band
from bronzeward.units import GAS_CONSTANT
from closeness import close

CASE = Case(Strand.round(24, 44), Schedule.start(20).ramp(100, to=240), load_set())


def test_ensemble_of_one_without_spread_is_the_single_run() -> None:
    data = band(CASE, Spread(size=1, constants=False), precision="run")
    single = run_batch([CASE])
    for name in ("shell_at_first_liquid", "overfill_at_first_liquid", "peak_liquid"):
        np.testing.assert_array_equal(data[name], np.full(3, single[name][0]))
        assert float(data[f"{name}_single"]) == single[name][0]


def test_width_of_a_constant_is_its_factor_where_measured_and_beyond() -> None:
    eta = load_set().constant("eta")
    limits = stability(CASE.description)["eta"]
    s, b, middle = widths(eta, limits)

    def width(kelvin: float) -> float:
        return float(np.hypot(s, b * (1.0 / kelvin - middle)))

    assert width(eta.range[0]) == close(log(eta.factor))
    assert width(eta.range[1]) == close(log(eta.factor))
    assert width(limits[1]) == close(log(eta.extrapolated_factor))
    # the published activation energies of eta differ by about 10 kJ/mol
    assert 5e3 < b * GAS_CONSTANT < 20e3
    assert widths(eta, limits, "largest")[:2] == close((log(eta.extrapolated_factor), 0.0), rel=1e-15)
    assert widths(eta, limits, "measured")[:2] == close((log(eta.factor), 0.0), rel=1e-15)


def test_members_have_the_stated_scatter() -> None:
    members = Members(CASE, Spread(size=4000, seed=3))
    kelvin = np.array([450.0, 504.0, 680.0])
    k = np.array([np.log(m.kinetics.constant("eta").at(kelvin)) for m in members])
    s, b, middle = members.widths[[c.phase for c in CASE.kinetics.constants].index("eta")]
    # a standard deviation from 4000 members is known to 1.1 %
    np.testing.assert_allclose(k.std(axis=0), np.hypot(s, b * (1.0 / kelvin - middle)), rtol=0.05)
    np.testing.assert_allclose(np.median(k, axis=0), np.log(CASE.kinetics.constant("eta").at(kelvin)), atol=0.08)


def test_a_larger_ensemble_begins_with_the_smaller() -> None:
    np.testing.assert_array_equal(draws(Spread(size=10)), draws(Spread(size=50))[:10])
    assert not np.array_equal(draws(Spread(size=10)), draws(Spread(size=10, seed=2)))


def test_uneven_wire() -> None:
    strand = Strand.round(20, 40, [(60, 0.3)])
    core, rings = uneven(strand, 1.1, 0.2)
    assert core == close(11e-6)
    assert rings[0].radius - core == close(0.8 * 9e-6)
    assert rings[1].radius - rings[0].radius == close(10e-6)
    # a core is never wider than nine tenths of its wall leave room for
    core, rings = uneven(strand, 5.0, 0.0)
    assert core < rings[0].radius == strand.rings[0].radius


def test_a_strand_varies_by_its_draws_only_in_what_spreads() -> None:
    strand, z = Strand.round(20, 40), dict.fromkeys(SOURCES, 0.0) | {"porosity": -2.0, "film": 1.0, "eccentricity": 1.0}
    assert varied_strand(strand, Spread(), z) == strand
    moved = varied_strand(strand, Spread(porosity=0.01, film=1e-7, eccentricity=0.1, core_diameter=0.02), z)
    assert (moved.porosity, moved.initial_eta) == (0.02, 1e-7)
    assert moved.rings[0].radius == close(20e-6 - 0.1 * 10e-6)
    assert moved.core_radius == strand.core_radius
    assert moved.cavity_expansion is strand.cavity_expansion is None


def test_furnace_offset_moves_every_temperature() -> None:
    moved = offset(CASE.schedule, -30.0)
    np.testing.assert_allclose(moved.temperature, np.maximum(CASE.schedule.temperature - 30.0, 273.15))


def test_fitted_values_are_drawn_from_their_covariance() -> None:
    names = ("eta.ln_prefactor", "eta.activation_energy_kJ_per_mol", "epsilon.ln_prefactor")
    wanted = np.array([[0.5, 1.5, 0.02], [1.5, 6.0, 0.0], [0.02, 0.0, 0.04]])
    fitted = replace(CASE.kinetics, covariance=Covariance(names, tuple(tuple(row) for row in wanted.tolist())))
    members = Members(replace(CASE, kinetics=fitted), Spread(size=6000))
    rows = []
    for member in members:
        eta, epsilon = (member.kinetics.constant(p) for p in ("eta", "epsilon"))
        rows.append([log(eta.prefactor), eta.activation / 1e3, log(epsilon.prefactor)])
    found = np.cov(np.array(rows).T)
    np.testing.assert_allclose(found[:2, :2], wanted[:2, :2], rtol=0.08)
    # epsilon's activation energy was not fitted, so it still varies as an unfitted one does; take that out
    centre = members.widths[[c.phase for c in CASE.kinetics.constants].index("epsilon")]
    kelvin = 1.0 / centre[2]
    middle = np.array([np.log(m.kinetics.constant("epsilon").at(kelvin)) for m in members])
    assert middle.std() == close(0.2, rel=0.05)


def test_members_are_a_sequence_whose_extremes_reach_as_far_as_all() -> None:
    """Phase boundaries are tabulated for the extremes only; the others are made as they are computed."""
    members = Members(CASE, Spread(size=60, furnace_offset=8.0))
    ends = [np.concatenate([m.schedule.temperature for m in some]) for some in (list(members), members.extremes())]
    assert [(t.min(), t.max()) for t in ends[:1]] == [(t.min(), t.max()) for t in ends[1:]]
    assert members[-1].kinetics == members.member(59).kinetics
    assert [m.kinetics for m in members[10:40:10]] == [members.member(k).kinetics for k in (10, 20, 30)]
    found, whole = run_members(members), run_batch(list(members), precision="quick")
    for name, column in whole.items():
        np.testing.assert_array_equal(found[name], column, err_msg=name)


def test_shares_find_what_matters() -> None:
    z = np.random.default_rng(0).standard_normal((5000, 3))
    shares = rank_shares({"a": np.exp(2.0 * z[:, 0] + z[:, 1])}, z)["a"]
    # variances 4 : 1 : 0 in ln; ranks of a normal sum keep the ratio to a few hundredths
    np.testing.assert_allclose(shares, [0.8, 0.2, 0.0], atol=0.03)


def test_shares_are_squared_rank_correlations_also_with_ties_and_gaps() -> None:
    """Against `scipy.stats.spearmanr`, source by source."""
    rng = np.random.default_rng(3)
    z = rng.standard_normal((400, 4))
    values = np.round(z[:, 0] + 0.5 * rng.standard_normal(400), 1)
    values[::7] = np.nan
    there = np.isfinite(values)
    expected = [stats.spearmanr(column, values[there]).statistic ** 2 for column in z[there].T]
    found = rank_shares({"some": values, "all": z[:, 2], "constant": 0.0 * z[:, 0], "few": np.full(400, np.nan)}, z)
    np.testing.assert_allclose(found["some"], expected, rtol=1e-12)
    np.testing.assert_allclose(found["all"][2], 1.0, rtol=1e-12)
    assert np.isnan([found["constant"], found["few"]]).all()


@pytest.mark.parametrize("size", [19, 20, 100, 300])
def test_a_further_member_lies_in_the_band_nine_times_in_ten(size: int) -> None:
    """Of numbers uniform from 0 to 1 the k-th of n lies at k/(n + 1) in the mean, and a further one below it so often.

    From memory of David and Nagaraja, Order Statistics (2003). Numbers at these places give the chance itself.
    """
    places = np.arange(1, size + 1) / (size + 1)
    np.testing.assert_allclose(quantiles(places), QUANTILES, rtol=1e-12)
    drawn = np.random.default_rng(size).random((4000, size))
    low, _, high = np.array([quantiles(row) for row in drawn]).T
    # the chance that a further number lies between: of 4000 bands, its mean within four standard errors
    assert np.mean(high - low) == pytest.approx(0.9, abs=4 * np.std(high - low) / np.sqrt(4000))
    usual = np.diff(np.quantile(drawn, (0.05, 0.95), axis=1), axis=0)
    assert abs(usual.mean() - 0.9 * (size - 1) / (size + 1)) < 4 * usual.std() / np.sqrt(4000)


def test_error_of_quantiles_is_that_of_a_normal_sample() -> None:
    sample = np.random.default_rng(1).standard_normal(900)
    # standard error of a quantile: sqrt(p (1 - p) / n) / density
    np.testing.assert_allclose(quantile_errors(sample), [0.0704, 0.0418, 0.0704], rtol=0.45)
    np.testing.assert_array_equal(first_half(np.append(np.nan, sample)), sample[:450])


@pytest.mark.parametrize("size", [40, 900])
def test_error_of_quantiles_is_what_many_bootstrap_samples_give(size: int) -> None:
    """Against drawn order statistics, and `scipy.stats.bootstrap` of `numpy.quantile`, which takes two neighbours."""
    sample = 500.0 + np.random.default_rng(size).standard_exponential(size)
    rng = np.random.default_rng(0)
    order = np.sort(sample)
    # the order statistic at a place drawn from the beta distribution of the quantile
    for quantile, error in zip(QUANTILES, quantile_errors(sample), strict=True):
        place = rng.beta((size + 1) * quantile, (size + 1) * (1.0 - quantile), 200_000)
        assert error == close(order[np.minimum((place * size).astype(int), size - 1)].std(), rel=0.02)
    drawn = stats.bootstrap(
        (sample,), lambda x, axis: np.quantile(x, QUANTILES, axis=axis), n_resamples=2000, method="percentile", rng=rng
    ).bootstrap_distribution
    np.testing.assert_allclose(quantile_errors(sample), drawn.std(axis=-1), rtol=0.35 if size == 40 else 0.15)


@pytest.mark.parametrize(("values", "expected"), [([2.0] * 5, 0.0), ([7.0], 0.0), ([np.nan], np.nan)])
def test_error_of_quantiles_of_values_that_do_not_differ(values: list[float], expected: float) -> None:
    np.testing.assert_array_equal(quantile_errors(np.array(values)), [expected] * 3)


def test_band_of_a_ramp() -> None:
    spread = Spread(size=60, core_diameter=0.03, eccentricity=0.1, furnace_offset=2.0)
    data = band(CASE, spread)
    low, middle, high = data["shell_at_first_liquid"].values
    assert low < middle < high
    assert set(data["source"].values) <= set(SOURCES)
    assert {"eta", "eta slope", "core diameter", "eccentricity", "furnace"} <= set(data["source"].values)
    text = band_table(data)
    assert max(map(len, text.splitlines())) <= 80
    assert "shell at first liquid" in text
    assert plot_band(data).get_xlabel().endswith(", µm")
    assert len(plot_shares(data).patches) == data.sizes["source"]


def test_what_was_added_leaves_older_draws_alone() -> None:
    oldest = np.random.default_rng(7).standard_normal((12, len(SOURCES) - sum(LATER)))
    older = np.random.default_rng([7, 1]).standard_normal((12, LATER[0]))
    found = draws(Spread(size=12, seed=7))
    np.testing.assert_array_equal(found[:, : oldest.shape[1] + LATER[0]], np.hstack([oldest, older]))
    assert SOURCES[oldest.shape[1] :][: LATER[0]] == ("liquid density", "expansion", "porosity", "film")


@pytest.mark.parametrize("name", ["compound_volume", "compound_expansion"])
def test_volumes_of_compounds_move_room_by_their_own(name: str) -> None:
    """Contents change by the compounds' volume times the factor's change, (1 + f a dT)^3 of the expansion."""
    spread = Spread(size=20, constants=False, **{name: 0.01})
    data, run = band(CASE, spread, precision="run"), run_case(CASE)
    row = int(np.flatnonzero(run["liquid_mole_fraction"] > 0)[0])
    factor = 1.0 + 0.01 * draws(spread)[:, SOURCES.index(name.replace("_", " "))]
    known, change = load_properties(), np.zeros(20)
    for phase in ("eta", "epsilon"):
        volume = run["amount"][row, PHASES.index(phase)] * known.molar_volume[phase]
        warmth = known.expansion[phase] * (run["temperature"][row] - 298.15)
        grown = (1.0 + (factor if name == "compound_expansion" else 1.0) * warmth) ** 3
        change += volume * (grown * (factor if name == "compound_volume" else 1.0) - (1.0 + warmth) ** 3)
    core = run["total_tin"][0] * float(known.volume_at("(Sn)", 293.15))
    moved = data["overfill_at_first_liquid_members"].values - data["overfill_at_first_liquid_single"].values
    np.testing.assert_allclose(moved, change / core, rtol=1e-3)  # batch and run agree to that
    assert data["shell_at_first_liquid_members"].std() == 0.0


def test_density_of_the_liquid_moves_room_by_its_volume() -> None:
    """Contents change by the liquid's volume over the density; no constant and no layer moves."""
    spread = Spread(size=20, constants=False, liquid_density=0.005)
    data, run = band(CASE, spread, precision="run"), run_case(CASE)
    row = int(np.flatnonzero(run["liquid_mole_fraction"] > 0)[0])
    change = data["overfill_at_first_liquid_members"].values - data["overfill_at_first_liquid_single"].values
    factor = 1.0 + 0.005 * draws(spread)[:, SOURCES.index("liquid density")]
    kelvin, known = run["temperature"][row], load_properties()
    volume = run["amount"][row, 0] * known.volume_at("liquid", kelvin, run["liquid_composition"][row])
    core = run["total_tin"][0] * float(known.volume_at("(Sn)", 293.15))
    np.testing.assert_allclose(change, float(volume) / core * (1.0 / factor - 1.0), rtol=1e-3)
    assert data["shell_at_first_liquid_members"].std() == 0.0
    assert list(data["source"].values) == ["liquid density"]


def test_room_is_varied_to_the_unsafe_side_of_what_a_case_leaves_open() -> None:
    """Expansion below copper's, pores and film above what the case says; about a number that it gives."""
    spread, copper = Spread.usual(200), load_properties().expansion["alpha"]
    strands = [member.strand for member in Members(CASE, spread)]
    assert max(strand.cavity_expansion for strand in strands) <= copper
    assert min(strand.porosity for strand in strands) >= 0.0
    assert 0.0 < np.mean([strand.initial_eta for strand in strands]) < 2.0 * spread.film
    given = replace(CASE, strand=replace(CASE.strand, cavity_expansion=14e-6))
    drawn = np.array([member.strand.cavity_expansion for member in Members(given, spread)])
    assert drawn.mean() == close(14e-6, rel=0.05)
    assert drawn.std() == close(spread.expansion, rel=0.2)


def test_bad_spread_is_named() -> None:
    with pytest.raises(InputError, match="size is 0"):
        Spread(size=0)
    with pytest.raises(InputError, match="core_diameter is"):
        Spread(core_diameter=0.5)
    with pytest.raises(InputError, match="outside is 'none'"):
        Spread(outside="none")
