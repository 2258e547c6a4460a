"""Calibration: known constants come back, intervals cover, open directions are named, published layers."""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import minimize_scalar
from scipy.stats import norm, truncnorm

from bronzeward import Schedule, simulate
from bronzeward.errors import InputError
from bronzeward.growth.compiled import Packed, array_record
from bronzeward.growth.problem import Record
from bronzeward.inputs.case import Case, Numerics, load_case
from bronzeward.inputs.layer_measurements import Measurement, isothermal, read_measurements
from bronzeward.inputs.starter import STARTER
from bronzeward.inputs.strand import Strand
from bronzeward.materials import literature
from bronzeward.materials.growth_constants import LN_PREFACTOR
from bronzeward.materials.kinetics import KineticSet, load_set
from bronzeward.materials.plane_couple import growth_from_integrated
from bronzeward.materials.properties import load_properties
from bronzeward.model.batch import Shared
from bronzeward.model.recording import MOST_EVENTS, MOST_ROWS, Recorded
from bronzeward.plots.calibration import plot_fit
from bronzeward.reports.calibration import fit_report, write_kinetics
from bronzeward.studies import calibration
from bronzeward.studies.calibration import Fit, _Model, _moments, _opposite_draws, data_name, usual_phases
from bronzeward.studies.constant_prior import at_temperature, prior_of
from bronzeward.studies.ensemble import Members, Spread
from bronzeward.studies.uncertainty import band
from closeness import close

# eta and epsilon below 230 C take nothing from alpha's profile, so a few cells do
COARSE = Numerics(tolerance=1e-4, alpha_cells=4)
COUPLE = Strand.couple(200, 200)


def fit(*given: Any, exponent: float | None = 0.0, **more: Any) -> Fit:
    """A fit of magnitudes and slopes alone, but where a test asks for exponents."""
    return calibration.fit(*given, exponent=exponent, **more)


def _plan(holds: list[tuple[float, float]], layers: tuple[str, ...] = ("eta", "epsilon")) -> list[Measurement]:
    return [
        Measurement(f"{c} °C, {h} h", COUPLE, isothermal(c, h), (layer,), 1e-6, 0.1e-6, 4)
        for c, h in holds
        for layer in layers
    ]


def _measured(plan: list[Measurement], truth: KineticSet, relative: float, seed: int | None) -> list[Measurement]:
    """The same measurements with the thicknesses of `truth`, and log-normal scatter of their means."""
    model = _Model(plan, truth, ["eta"], numerics=COARSE)
    exact = model.thicknesses(np.zeros((1, model.size)))[0]
    z = np.zeros(len(plan)) if seed is None else np.random.default_rng(seed).standard_normal(len(plan))
    means = exact * np.exp(relative * z)
    # four readings: the error of the mean is half their deviation
    return [replace(m, mean=float(x), deviation=float(2.0 * relative * x)) for m, x in zip(plan, means, strict=True)]


def _truth(**moves: tuple[float, float]) -> KineticSet:
    base = load_set()
    constants = [c.shifted(*moves.get(c.phase, (0.0, 0.0))) for c in base.constants]
    return replace(base, constants=tuple(constants))


def test_known_factors_come_back() -> None:
    truth = _truth(eta=(np.log(1.7), 0.0), epsilon=(np.log(0.6), 0.0))
    found = fit(_measured(_plan([(180, 20), (210, 30)]), truth, 0.003, None), load_set(), scatter=0.0, numerics=COARSE)
    assert found.factors["eta"] == close(1.7, rel=2e-3)
    assert found.factors["epsilon"] == close(0.6, rel=2e-3)
    assert found.chi_square < 0.01


def test_known_arrhenius_laws_come_back() -> None:
    truth = _truth(eta=(1.5, 5e3), epsilon=(-2.0, -8e3))
    data = _measured(_plan([(130, 200), (170, 60), (215, 20)]), truth, 0.003, None)
    found = fit(data, load_set(), scatter=0.0, numerics=COARSE)
    for phase in ("eta", "epsilon"):
        mine, true = found.kinetics.constant(phase), truth.constant(phase)
        assert mine.activation == pytest.approx(true.activation, abs=200.0)
        assert float(mine.at(450.0)) == close(float(true.at(450.0)), rel=5e-3)
    assert len(found.parameters) == 4
    assert found.remarks == ()


def _spread_at(kinetics: KineticSet, phase: str, kelvin: float) -> float:
    """Standard deviation of ln K at a temperature [K]."""
    prior = prior_of(kinetics, (phase,), "cu-sn-shim1996")
    row = at_temperature(prior.parameters, kelvin)[prior.parameters.index(f"{phase}.{LN_PREFACTOR}")]
    return float(np.sqrt(row @ np.array(prior.matrix) @ row))


def test_bands_cover_the_truth_nine_times_in_ten_at_any_temperature(monkeypatch: pytest.MonkeyPatch) -> None:
    """Truths as the base set spreads them, thicknesses with the scatter of readings and of the model."""
    # thickness is nearly linear here, so few draws know mean and covariance
    monkeypatch.setattr(calibration, "DRAWS", 64)
    plan, base = _plan([(210, 6), (210, 24)]), load_set()
    members = Members(Case(COUPLE, isothermal(210, 6), base), Spread(size=64, seed=5))
    temperatures = (430.0, 483.15, 600.0)
    inside = np.zeros((2, 3))
    for seed, member in enumerate(members):
        found = fit(_measured(plan, member.kinetics, float(np.hypot(0.07, 0.05)), seed), base, scatter=0.0,
                    numerics=COARSE, workers=1)  # fmt: skip
        for k, phase in enumerate(("eta", "epsilon")):
            mine, true = (one.constant(phase).at(temperatures) for one in (found.kinetics, member.kinetics))
            off = np.log(mine / true)
            inside[k] += np.abs(off) <= 1.645 * np.array([_spread_at(found.kinetics, phase, t) for t in temperatures])
    # 57.6 of 64 with a binomial standard deviation of 2.4: three of them either way
    assert (np.abs(inside - 57.6) <= 7.2).all(), inside


def _share_of_eta(kelvin: float) -> float:
    """How the growth constant of eta follows K of eta, both as logarithms: more than 1 as epsilon feeds on eta."""
    known, laws = load_properties(), [float(load_set().constant(phase).at(kelvin)) for phase in ("eta", "epsilon")]
    volumes, tin = ([of[phase] for phase in ("eta", "epsilon")] for of in (known.molar_volume, known.compound_tin))
    ends = [growth_from_integrated([laws[0] * f, laws[1]], volumes, tin, (1.0, 0.0))[0] for f in (1.01, 1 / 1.01)]
    return float(np.log(ends[0] / ends[1]) / np.log(1.01**2))


def test_data_at_one_temperature_fix_the_constant_there_and_leave_its_slope() -> None:
    """Closed form: one normal measurement of ln K at one temperature, with the correlations of the base set."""
    base, kelvin, here = load_set(), np.array([400.0, 500.0, 650.0]), 200 + 273.15
    data = _measured(_plan([(200, 30)], ("eta",)), base, 0.03, None)
    found = fit(data, base, phases=["eta"], scatter=0.04, numerics=COARSE)
    prior = prior_of(base, ("eta",), "cu-sn-shim1996")
    rows = np.array([at_temperature(prior.parameters, t)[0] for t in (*kelvin, here)])
    before = rows @ np.array(prior.matrix) @ rows.T
    error = before[-1, -1] / (before[-1, -1] / found.factor_errors["eta"] ** 2 - 1.0)  # of ln K by the data alone
    expected = np.diag(before) - before[:, -1] ** 2 / (before[-1, -1] + error)
    # thickness goes as the root of the couple's growth constant: twice the standard deviation of its logarithm
    assert error == close((2.0 * np.hypot(0.03, 0.04) / _share_of_eta(here)) ** 2, rel=0.02)
    after = [_spread_at(found.kinetics, "eta", t) ** 2 for t in (*kelvin, here)]
    # thickness is linear in these but for a few 1e-4, which the weighted draws know of and the closed form does not
    assert after == close(expected, rel=5e-4)
    assert found.factor_errors["eta"] == close(np.sqrt(after[-1]), rel=1e-6)
    assert found.energy_errors["eta"] > 0.8 * found.prior_energy_errors["eta"]
    assert any("activation energy of eta" in remark for remark in found.remarks)


def test_data_that_say_nothing_leave_every_member_as_it_was() -> None:
    base = _wavering(load_set())
    data = [replace(m, deviation=1e5 * m.mean) for m in _measured(_plan([(200, 30)]), base, 0.03, 3)]
    found = fit(data, base, phases=["eta", "epsilon", "delta"], numerics=COARSE)
    case = Case(COUPLE, isothermal(300, 5), base)
    own = replace(case, kinetics=found.kinetics)
    for before, after in zip(Members(case, Spread(size=5)), Members(own, Spread(size=5)), strict=True):
        for one, other in zip(before.kinetics.constants, after.kinetics.constants, strict=True):
            assert other.at([400.0, 600.0]) == close(one.at([400.0, 600.0]), rel=1e-6)
            assert other.slowing == close(one.slowing, rel=1e-6)
    assert len({member.kinetics.constant("eta").slowing for member in Members(own, Spread(size=5))}) == 5
    assert sum(remark.startswith("the data do not determine") for remark in found.remarks) >= 5
    assert found.factor_errors["delta"] == close(np.log(10.0), rel=1e-6)


def _wavering(kinetics: KineticSet, eta: float = 0.0) -> KineticSet:
    """A set whose eta and epsilon slow by exponents known to 0.4, that of eta about `eta`."""
    moves = {"eta": eta, "epsilon": 0.0}
    constants = [
        replace(c, slowing=moves[c.phase], slowing_spread=0.4, reference=4e-6) if c.phase in moves else c
        for c in kinetics.constants
    ]
    return replace(kinetics, constants=tuple(constants))


def test_exponents_of_growth_come_back() -> None:
    """Thicknesses over two decades of time tell how growth slows, faster than parabolic as well."""
    plan = _plan([(200, 1), (200, 10), (200, 100)])
    for exponent in (0.7, -0.3):
        truth = _wavering(load_set(), exponent)
        found = fit(_measured(plan, truth, 0.003, None), _wavering(load_set()), scatter=0.0, numerics=COARSE)
        assert found.kinetics.constant("eta").slowing == pytest.approx(exponent, abs=0.01)
        assert found.kinetics.constant("epsilon").slowing == pytest.approx(0.0, abs=0.01)
        assert found.factors["eta"] == close(1.0, rel=0.01)
        assert max(found.exponent_errors.values()) < 0.05 * min(found.prior_exponent_errors.values())
    assert "eta: thickness^(2 + m) ~ time, m = -0.30" in fit_report(found)


def test_exponents_are_open_as_far_as_bands_vary_them_unless_it_is_said() -> None:
    data = _measured(_plan([(210, 24)]), load_set(), 0.05, None)
    found = fit(data, load_set(), numerics=COARSE, exponent=None)
    assert found.prior_exponent_errors == close(dict.fromkeys(("eta", "epsilon"), Spread.usual().growth_exponent))


def test_exponents_are_stored_and_used_by_members(tmp_path: Path) -> None:
    """Standard deviations of 400 members within three of theirs, 11 %; one time leaves the exponent about as it was."""
    base = _wavering(load_set())
    times = {"one": [(200, 20)], "three": [(200, 2), (200, 20), (200, 80)]}
    for name, holds in times.items():
        found = fit(_measured(_plan(holds), base, 0.1, None), base, scatter=0.0, numerics=COARSE)
        back = load_set(write_kinetics(found, tmp_path / f"{name}.toml"))
        assert back.covariance == found.kinetics.covariance
        members = Members(Case(COUPLE, isothermal(200, 20), back), Spread(size=400))
        drawn = np.std([member.kinetics.constant("eta").slowing for member in members])
        assert drawn == close(found.exponent_errors["eta"], rel=0.11)
        assert "eta exponent" in members.sources()
        open_ones = any("exponent of growth of eta" in remark for remark in found.remarks)
        assert open_ones == (name == "one")
        assert (found.exponent_errors["eta"] > 0.3) == (name == "one")


def test_samples_one_after_the_other_say_what_they_say_together() -> None:
    holds = [(170, 40), (215, 20)]
    first, second = (_measured(_plan([hold]), load_set(), 0.05, seed) for seed, hold in enumerate(holds))
    together = fit([*first, *second], load_set(), numerics=COARSE).kinetics
    later = fit(second, fit(first, load_set(), numerics=COARSE).kinetics, phases=["eta"], numerics=COARSE).kinetics
    for phase in ("eta", "epsilon"):
        for kelvin in (400.0, 600.0):
            # the second fit starts where thickness was linear for the first: 1 % of the standard deviations
            off = np.log(float(together.constant(phase).at(kelvin) / later.constant(phase).at(kelvin)))
            assert abs(off) < 0.02 * _spread_at(together, phase, kelvin)
            assert _spread_at(later, phase, kelvin) == close(_spread_at(together, phase, kelvin), rel=0.02)


def test_draws_are_normal_to_their_second_moments() -> None:
    draws = _opposite_draws(64, 5)
    np.testing.assert_allclose(draws.mean(axis=0), 0.0, atol=1e-14)
    np.testing.assert_allclose(draws.T @ draws / 64, np.eye(5), atol=1e-13)
    np.testing.assert_array_equal(draws[:32], -draws[32:])


class _Closed:
    """A stand-in for `_Model` whose residuals have a closed form."""

    def __init__(self, size: int, residuals: Callable[[Any], Any]) -> None:
        self.size, self._residuals = size, residuals
        self.absent = np.zeros(residuals(np.zeros((1, size))).shape[1], dtype=bool)

    def residuals(self, many: Any, rough: bool = False) -> Any:
        return self._residuals(many) + (0.01 if rough else 0.0)  # an offset of the quick precision is taken off


def test_moments_of_a_linear_model_are_exact() -> None:
    slopes = np.array([[3.0, -1.0, 0.0], [0.5, 2.0, 0.1]])
    shift = np.array([1.0, -2.0])
    covariance = np.linalg.inv(np.eye(3) + slopes.T @ slopes)
    likely = -covariance @ slopes.T @ shift
    model = _Closed(3, lambda z: z @ slopes.T + shift)
    mean, after, *_ = _moments(cast(_Model, model), likely, covariance)
    np.testing.assert_allclose(mean, likely, atol=1e-12)
    np.testing.assert_allclose(after, covariance, atol=1e-12)


def test_moments_of_a_bent_model_are_those_by_quadrature() -> None:
    """One value measured through the power 1 / (2 + m) of time that growth goes by: its mean is not the most likely.

    By `scipy.integrate.quad` of the posterior.
    """

    def residuals(z: Any) -> Any:
        return (1.0 / (2.0 + 0.6 * np.asarray(z)) - 0.45) / 0.04

    def likelihood(z: float) -> float:
        return float(np.exp(-0.5 * (residuals(z) ** 2 + z**2)))

    whole, first, second = (quad(lambda z, k=k: z**k * likelihood(z), -2.8, 9.0)[0] for k in range(3))
    expected, deviation = first / whole, np.sqrt(second / whole - (first / whole) ** 2)
    likely = minimize_scalar(lambda z: -likelihood(z), bounds=(-2.8, 6.0), method="bounded").x
    tilt = (residuals(likely + 1e-4) - residuals(likely - 1e-4)) / 2e-4
    mean, after, *_ = _moments(
        cast(_Model, _Closed(1, residuals)), np.array([likely]), np.array([[1.0 / (1.0 + tilt**2)]])
    )
    assert abs(expected - likely) > 0.2 * deviation
    # a few hundred draws
    assert abs(mean[0] - expected) < 0.05 * deviation
    assert np.sqrt(after[0, 0]) == close(deviation, rel=0.05)


def test_draws_whose_runs_do_not_finish_are_left_out_and_counted() -> None:
    """Nothing measured, and no run above 1.5 standard deviations: what is left is a truncated normal, by scipy."""

    def residuals(limit: float) -> Callable[[Any], Any]:
        return lambda z: np.where(np.asarray(z) > limit, np.nan, 0.0)

    mean, after, drawn, unfinished = _moments(cast(_Model, _Closed(1, residuals(1.5))), np.zeros(1), np.eye(1))
    left = truncnorm(-np.inf, 1.5)
    assert mean[0] == pytest.approx(left.mean(), abs=0.02)
    assert after[0, 0] == close(left.var(), rel=0.03)
    assert (drawn, unfinished) == (256, pytest.approx(256 * norm.sf(1.5), abs=1.5))
    with pytest.raises(InputError, match=r"of 256 draws of the constants, 7\d have runs that do not finish"):
        _moments(cast(_Model, _Closed(1, residuals(0.55))), np.zeros(1), np.eye(1))


def test_a_fit_goes_on_where_some_runs_do_not_finish(monkeypatch: pytest.MonkeyPatch) -> None:
    """Runs of some draws fail by themselves: they need more rows than their record has room for."""
    starter = load_case(STARTER).strand
    plan = Schedule.start(20).ramp(25, to=210).hold(12).ramp(25, to=240).quench()
    rows = [replace(m, strand=starter, schedule=plan) for m in _plan([(210, 12)])]
    data = _measured(rows, load_set(), 0.07, 4)
    needed: list[int] = []

    def fit_with(most: int) -> Fit:
        integrate = Shared.integrate

        def counted(self: Shared, case: Case, careful: bool = False) -> Recorded:
            recorded = integrate(self, case, careful)
            if self.quick:
                needed.append(len(recorded.time))
            return recorded

        def record(self: Shared, rows: int) -> Packed[Record]:
            return Packed(array_record(min(rows, most) if self.quick else rows, MOST_EVENTS))

        with monkeypatch.context() as changed:
            changed.setattr(Shared, "_new_record", record)
            changed.setattr(Shared, "integrate", counted)
            return fit(data, load_set(), numerics=COARSE)

    whole = fit_with(MOST_ROWS)
    assert whole.unfinished == 0 < whole.drawn
    usual = sorted(needed)
    found = fit_with(usual[int(0.96 * len(usual))])
    assert 0 < found.unfinished <= calibration.MOST_UNFINISHED * found.drawn
    assert f"{found.unfinished} of {found.drawn} draws of the constants were left out" in " ".join(found.remarks)
    for phase, factor in whole.factors.items():
        assert abs(np.log(found.factors[phase] / factor)) < 0.5 * whole.factor_errors[phase]
        assert found.factor_errors[phase] == close(whole.factor_errors[phase], rel=0.2)
    with pytest.raises(InputError, match="have runs that do not finish"):
        fit_with(usual[len(usual) // 2])


def test_the_search_turns_away_from_constants_whose_run_does_not_finish() -> None:
    """Slopes to the side that finishes, and a step beyond it that is not taken."""
    thicker = _truth(eta=(np.log(1.7), 0.0))
    model = _Model(_measured(_plan([(210, 24)]), thicker, 0.07, None), load_set(), ["eta"], numerics=COARSE)
    z, slopes, *_ = calibration._nearest(model)
    ends = model.thicknesses

    def cut(many: Any, rough: bool = False) -> Any:
        return np.where(np.asarray(many)[:, :1] > z[0] + 0.5 * calibration.STEP, np.nan, ends(many, rough))

    model.thicknesses = cut  # type: ignore[method-assign]
    assert model.jacobian(z) == pytest.approx(slopes, rel=0.05, abs=0.05)
    again, *_ = calibration._nearest(model)
    assert again == pytest.approx(z, abs=0.02)


def test_the_fit_is_what_a_sampler_finds() -> None:
    """Metropolis, its proposals drawn from a wider normal approximation, so that they can be run beforehand."""
    base = load_set()
    data = _measured(_plan([(210, 6), (210, 24)]), base, 0.07, 4)
    found = fit(data, base, numerics=COARSE)
    model = _Model(data, base, ["eta", "epsilon"], found.model_scatter, numerics=COARSE, workers=2)
    names = found.parameters
    there = np.linalg.inv(model.to_changes)
    covariance = there @ np.array(found.kinetics.covariance.matrix) @ there.T  # type: ignore[union-attr]
    moves = [np.log(found.factors["eta"]), np.log(found.factors["epsilon"])]
    changes = {f"{c.phase}": (c.activation - base.constant(c.phase).activation) / 1e3 for c in found.kinetics.constants}
    middle = np.linalg.solve(model.root, [moves[0], changes["eta"], moves[1], changes["epsilon"]])
    assert names[0::2] == ("eta.ln_prefactor", "epsilon.ln_prefactor")
    draw, wider, count = np.random.default_rng(1), 1.3, 1500
    free = draw.standard_normal((count, 4))
    places = middle + wider * free @ np.linalg.cholesky(covariance).T
    target = -0.5 * ((model.residuals(places) ** 2).sum(axis=1) + (places**2).sum(axis=1))
    weight, kept, at = target + 0.5 * (free**2).sum(axis=1), [], 0
    for k, chance in enumerate(np.log(draw.random(count))):
        at = k if chance < weight[k] - weight[at] else at
        kept.append(places[at])
    chain = np.array(kept)
    # about 600 independent states: means within 4 % and standard deviations within 3 % of one, three of either
    deviations = np.sqrt(np.diag(covariance))
    assert (np.abs(chain.mean(axis=0) - middle) < 0.13 * deviations).all()
    assert chain.std(axis=0) == close(deviations, rel=0.1)
    assert np.corrcoef(chain.T) == pytest.approx(covariance / np.outer(deviations, deviations), abs=0.13)


def test_what_the_data_leave_open_is_said() -> None:
    one = _measured(_plan([(200, 30)]), load_set(), 0.03, 3)
    found = fit(one, load_set(), numerics=COARSE)
    open_ones = [remark for remark in found.remarks if remark.startswith("the data do not determine")]
    assert len(open_ones) == 2
    assert all("activation energy" in remark for remark in open_ones)
    assert any("cannot be judged" in remark for remark in found.remarks)


def test_scatter_beyond_what_was_stated_is_said() -> None:
    data = _measured(_plan([(160, 40), (180, 40), (215, 20)]), load_set(), 0.03, 1)
    wrong = [replace(m, mean=m.mean * (1.5 if k % 3 == 0 else 0.8)) for k, m in enumerate(data)]
    found = fit(wrong, load_set(), numerics=COARSE)
    assert found.p_value < 0.01
    assert any("enlarged" in remark for remark in found.remarks)
    assert found.factor_errors["eta"] > fit(data, load_set(), numerics=COARSE).factor_errors["eta"]


def _published(wanted: str) -> dict[str, tuple[dict[str, str], float]]:
    with (literature.folder() / "checks.csv").open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["id"].startswith(wanted)]
    found = {}
    for row in rows:
        conditions = dict(part.strip().split("=") for part in row["condition"].split(";"))
        found[row["id"]] = (conditions, float(row["value"]))
    return found


def test_published_layers_of_mei_give_their_constants() -> None:
    data = []
    for conditions, value in _published("couple_mei1992_e").values():
        schedule = isothermal(float(conditions["temperature_C"]), float(conditions["time_h"]))
        data.append(Measurement("mei", COUPLE, schedule, (conditions["answer"],), value * 1e-6, value * 2e-8, 1))
    found = fit(data, load_set(), numerics=COARSE)
    kelvin = 215 + 273.15
    for phase in ("eta", "epsilon"):
        # the thicknesses are known to 1 %, so K to 2 %, and eta eats epsilon's thickness
        wanted = float(load_set("mei1992").constant(phase).at(kelvin))
        assert float(found.kinetics.constant(phase).at(kelvin)) == close(wanted, rel=0.05)


def test_published_layer_on_solder_lies_within_the_factor_of_the_set() -> None:
    ((conditions, value),) = _published("couple_sn35ag_150c").values()
    schedule = isothermal(float(conditions["temperature_C"]), float(conditions["time_h"]))
    sample = Measurement("solder", COUPLE, schedule, ("eta", "epsilon"), value * 1e-6, value * 1e-7, 1)
    found = fit([sample], load_set(), numerics=COARSE)
    # one thickness of both layers gives one combination of two constants
    assert sum("do not determine the combination ln K" in remark for remark in found.remarks) == 1
    assert found.computed[0] == close(value * 1e-6, rel=0.1)
    # two standard deviations of the set's own factors, 2.5 and 3
    assert abs(np.log(found.factors["eta"])) < 2 * np.log(2.5)
    assert abs(np.log(found.factors["epsilon"])) < 2 * np.log(3.0)


def _fitted() -> Fit:
    return fit(_measured(_plan([(170, 40), (215, 20)]), load_set(), 0.03, 2), load_set(), numerics=COARSE)


def test_report_file_and_figure(tmp_path: Path) -> None:
    found = _fitted()
    text = fit_report(found)
    assert max(map(len, text.splitlines())) <= 80
    assert "chi-square" in text
    back = load_set(write_kinetics(found, tmp_path / "fitted.toml"))
    assert back.covariance == found.kinetics.covariance
    for mine, theirs in zip(back.constants, found.kinetics.constants, strict=True):
        assert float(mine.at(480.0)) == close(float(theirs.at(480.0)), rel=1e-12)
    assert plot_fit(found).get_xlabel() == "computed thickness, µm"
    with pytest.raises(InputError):
        write_kinetics(found, tmp_path / "fitted.toml")


HEADER = "temperature_C,time_h,layer,mean_um,sd_um,readings\n"


def test_measurements_from_a_file(tmp_path: Path) -> None:
    (tmp_path / "case.toml").write_text(
        "[strand]\ncore_diameter_um=24\nsleeve_diameter_um=44\n[schedule]\nsteps=[{ramp_C_per_h=25,to_C=210},{hold_h=5}]\n"
    )
    path = tmp_path / "layers.csv"
    rows = ("# a remark", ",200,10,eta,3.1,0.4,9", "case.toml,,,shell,4,1,20")
    path.write_text("\n".join((f"case,{HEADER.strip()}", *rows)))
    first, second = read_measurements(path)
    assert first.log_error == close(0.4 / 3.1 / 3.0)
    assert first.strand.plane
    assert second.layer == "shell"
    assert second.strand.core_radius == close(12e-6)


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ("200,10,iron,3,1,9", "layer 'iron' is not known"),
        ("200,10,eta+eta,3,1,9", "counts a layer twice"),
        ("200,,eta,3,1,9", "both temperature_C and time_h"),
        ("200,10,eta,-3,1,9", "mean_um is -3"),
        ("200,10,eta,3,x,9", "sd_um is 'x'"),
        ("200,10,eta,3,1,2.5", "whole number"),
        ("2000,10,eta,3,1,2", "allowed are 0 to 1000"),
        ("200,10,eta,3000,1,2", "mean_um is 3000, that is 3000 µm; all of the couple is 1000 µm thick"),
    ],
)
def test_bad_rows_are_named(tmp_path: Path, row: str, message: str) -> None:
    path = tmp_path / "layers.csv"
    path.write_text(HEADER + row + "\n")
    with pytest.raises(InputError, match=f"row 1.*{message}".replace("+", r"\+")):
        read_measurements(path)


def test_what_does_not_fit_into_a_strand_is_named(tmp_path: Path) -> None:
    """Millimetres for micrometres; a layer counts from the centre, a core from edge to edge."""
    path, strand = tmp_path / "layers.csv", Strand.round(24, 44)
    for text, message in (
        ("eta,0.023", "0.023, that is 23 µm; the strand inside its barrier is 22 µm from centre"),
        ("core,0.045", "0.045, that is 45 µm; the strand inside its barrier is 44 µm across"),
    ):
        path.write_text(f"temperature_C,time_h,layer,mean_mm,sd_mm,readings\n200,5,{text},0.001,5\n")
        with pytest.raises(InputError, match=f"row 1: mean_mm is {message}"):
            read_measurements(path, strand)
    path.write_text("temperature_C,time_h,layer,mean_mm,sd_mm,readings\n200,5,core,0.023,0.001,5\n")
    assert len(read_measurements(path, strand)) == 1


def test_a_layer_that_is_there_twice_is_named(tmp_path: Path) -> None:
    path = tmp_path / "layers.csv"
    path.write_text(f"sample,{HEADER}A,200,10,eta+epsilon,3,1,9\nA,,,epsilon,2,1,9\nA,,,epsilon+eta,3,1,9\n")
    with pytest.raises(InputError, match=r"row 3: sample 'A' has a row for eta\+epsilon already"):
        read_measurements(path)


def test_a_layer_that_cannot_be_there_is_named() -> None:
    """Eta does not exist at 478 degrees C: a temperature in kelvin by mistake."""
    with pytest.raises(InputError, match=r"478 °C, 6 h: no eta is computed there, up to 478 °C for 6 h, whatever"):
        fit(_plan([(478, 6)]), load_set(), numerics=COARSE)


def test_a_layer_that_the_base_set_has_used_up_is_found_by_drawing() -> None:
    """All tin of a thin core is in epsilon by then, but not where epsilon grows slowly; slopes do not lead there."""
    truth = _truth(epsilon=(np.log(0.2), 0.0))
    rows = [
        Measurement("a", Strand.round(6, 20), isothermal(300, 4), (layer,), 1e-6, 1e-7, 4)
        for layer in ("eta", "epsilon")
    ]
    data = _measured(rows, truth, 0.05, None)
    model = _Model(data, load_set(), ["eta", "epsilon"], numerics=COARSE)
    assert model.thicknesses(np.zeros((1, model.size)))[0, 0] < 1e-10 < data[0].mean
    found = fit(data, load_set(), numerics=COARSE)
    assert found.p_value > 0.01 or np.isnan(found.p_value)
    # the mean of what is likely, beside a cliff, is not what fits best: but the layer is there again
    assert found.computed[0] > 0.5 * data[0].mean
    for phase, true in (("eta", 1.0), ("epsilon", 0.2)):
        assert abs(np.log(found.factors[phase] / true)) < 2.0 * found.factor_errors[phase]


def test_measurements_far_from_the_base_set_are_said_to_be() -> None:
    """Nanometres taken for micrometres: one measurement, which a fit can follow, but which nothing led to expect."""
    data = _measured(_plan([(205, 6)], ("eta",)), load_set(), 0.05, None)
    assert not any("far from what the base set" in remark for remark in fit(data, load_set(), numerics=COARSE).remarks)
    off = [replace(m, mean=m.mean / 30.0, deviation=m.deviation / 30.0) for m in data]
    assert "far from what the base set makes of them" in fit(off, load_set(), numerics=COARSE).remarks[0]


def test_what_makes_the_scatter_too_large_is_named() -> None:
    data = _measured(_plan([(180, 20), (195, 10), (210, 30)]), load_set(), 0.03, None)
    data[2] = replace(data[2], mean=1.6 * data[2].mean)
    found = fit(data, load_set(), scatter=0.0, exponent=0.0, numerics=COARSE)
    assert "most of it comes from 195 °C, 10 h, eta" in " ".join(found.remarks)


def test_a_phase_that_was_measured_is_fitted_or_said_not_to_be() -> None:
    rows = _plan([(400, 2)], ("eta", "delta", "area of zeta", "epsilon+gamma"))
    limit = replace(rows[0], layers=("gamma",), absent=True)
    assert usual_phases([*rows, limit]) == ["eta", "epsilon", "delta", "zeta"]
    data = _measured(_plan([(400, 2)], ("epsilon", "delta")), _truth(delta=(np.log(3.0), 0.0)), 0.05, None)
    alone = fit(data, load_set(), numerics=COARSE)
    assert "delta was measured but not fitted: its constant counts as known exactly" in alone.remarks
    found = fit(data, load_set(), usual_phases(data), numerics=COARSE)
    assert not any("not fitted" in remark for remark in found.remarks)
    # what the base set takes as exact was not left open by the data
    assert not any("activation energy of delta" in remark for remark in found.remarks)
    assert abs(np.log(found.factors["delta"] / 3.0)) < 2.0 * found.factor_errors["delta"]


def test_areas_and_limits_are_drawn_as_such() -> None:
    rows = [
        Measurement("a", Strand.round(24, 44), isothermal(210, 10), (layer,), 1e-6, 1e-7, 4)
        for layer in ("eta", "area of eta")
    ]
    data = _measured(rows, load_set(), 0.05, None)
    limit = Measurement("a", *(data[0].strand, data[0].schedule), ("delta",), 1e-7, 3e-8, 1, absent=True)
    ax = plot_fit(fit([*data, limit], load_set(), numerics=COARSE))
    handles, labels = ax.get_legend_handles_labels()
    assert labels == ["η", "area of η", "no δ"]
    points = [cast(Any, handle)[0] for handle in handles]
    assert points[0].get_color() == points[1].get_color() != points[2].get_color()
    assert [point.get_markerfacecolor() == "none" for point in points] == [False, True, False]
    assert [bool(cast(Any, handle).has_yerr and cast(Any, handle)[1]) for handle in handles].count(True) == 3


def test_bad_files_and_choices_are_named(tmp_path: Path) -> None:
    path = tmp_path / "layers.csv"
    with pytest.raises(InputError, match="no such file"):
        read_measurements(path)
    path.write_text("layer,mean_um,sd_um\n")
    with pytest.raises(InputError, match="column readings is missing"):
        read_measurements(path)
    path.write_text(HEADER)
    with pytest.raises(InputError, match="no rows"):
        read_measurements(path)
    data = _plan([(200, 10)])
    with pytest.raises(InputError, match="phase 'iron'"):
        fit(data, load_set(), phases=["iron"])
    with pytest.raises(InputError, match="allowed are 0 to 100"):
        fit(data, load_set(), scatter=2.0)
    with pytest.raises(InputError, match="no measurements"):
        fit([], load_set())


def test_core_diameter_and_shell_are_those_of_the_simulated_section() -> None:
    strand, schedule = Strand.round(24, 44), Schedule.start(20).ramp(500, to=210).hold(12)
    plan = [Measurement("a", strand, schedule, (layer,), 1e-6, 1e-7, 4) for layer in ("core", "shell", "delta")]
    core, shell, delta = _Model(plan, load_set(), ["eta"]).thicknesses(np.zeros((1, 2)))[0]
    data = simulate(strand, schedule)
    assert core == close(2.0 * float(data["outer_radius"].sel(phase="(Sn)")[-1]), rel=1e-4)
    assert shell == close(float(data["shell_thickness"][-1]), rel=1e-3)
    assert delta == 0.0


def test_a_core_diameter_gives_the_constant() -> None:
    truth = _truth(eta=(np.log(1.5), 0.0))
    plan = [Measurement(f"{h} h", Strand.round(24, 44), isothermal(210, h), ("core",), 1e-6, 1e-7, 4) for h in (6, 24)]
    found = fit(_measured(plan, truth, 0.003, None), load_set(), phases=["eta"], scatter=0.0, numerics=COARSE)
    assert found.factors["eta"] == close(1.5, rel=0.01)


def test_areas_are_those_of_the_simulated_section() -> None:
    strand, schedule = Strand.round(24, 44, [(56, 0.25)]), Schedule.start(20).ramp(500, to=240).hold(6)
    names = ("eta", "epsilon", "core", "alpha", "void", "shell")
    plan = [Measurement("a", strand, schedule, (f"area of {name}",), 0.1, 0.01, 4) for name in names]
    eta, epsilon, core, alpha, void, shell = _Model(plan, load_set(), ["eta"]).thicknesses(np.zeros((1, 2)))[0]
    data = simulate(strand, schedule).isel(time=-1)
    room = 1.0 - float(data["void_fraction"])
    assert void == close(float(data["void_fraction"]), rel=1e-3)
    assert eta == close(room * float(data["volume_fraction"].sel(phase="eta")), rel=1e-3)
    assert core == close(room * float(data["volume_fraction"].sel(phase="liquid")), rel=1e-3)
    assert shell == close(eta + epsilon, rel=1e-6)
    assert eta + epsilon + core + alpha + void == close(1.0)


def test_areas_give_the_constant() -> None:
    truth = _truth(eta=(np.log(1.5), 0.0))
    plan = [
        Measurement("24 h", Strand.round(24, 44), isothermal(210, 24), (layer,), 0.1, 0.01, 4)
        for layer in ("area of eta", "area of core", "area of void")
    ]
    data = _measured(plan, truth, 0.003, None)
    for rows in (data, data[:1], data[1:2], data[2:]):
        found = fit(rows, load_set(), phases=["eta"], scatter=0.0, numerics=COARSE)
        assert found.factors["eta"] == close(1.5, rel=0.01)
    assert plot_fit(found).get_xlabel() == "computed area, %"
    assert "area of void" in fit_report(found)


def test_a_layer_that_is_not_there_holds_its_constant_down() -> None:
    thick = _measured(_plan([(210, 24)]), load_set(), 0.03, None)
    eta, epsilon = thick
    free = fit([eta], load_set(), phases=["epsilon"], numerics=COARSE)
    seen_half = replace(epsilon, mean=0.5 * epsilon.mean, deviation=0.05 * epsilon.mean, absent=True)
    seen_none = replace(seen_half, mean=100 * epsilon.mean, deviation=10.0 * epsilon.mean)
    held = fit([eta, seen_half], load_set(), phases=["epsilon"], numerics=COARSE)
    assert held.computed[1] < 0.6 * epsilon.mean
    assert held.factors["epsilon"] < 0.5 * free.factors["epsilon"]
    # a limit far above what there can be says nothing
    other = fit([eta, seen_none], load_set(), phases=["epsilon"], numerics=COARSE)
    assert other.factors["epsilon"] == close(free.factors["epsilon"], rel=1e-4)
    assert other.factor_errors["epsilon"] == close(free.factor_errors["epsilon"], rel=1e-4)


def test_layers_that_are_not_there_determine_what_they_hold_down() -> None:
    seen = _measured(_plan([(210, 24)]), load_set(), 0.1, None)
    data = [replace(m, mean=3e-7, deviation=9e-8, absent=True) for m in seen]
    found = fit(data, load_set(), numerics=COARSE)
    for phase in ("eta", "epsilon"):
        assert found.factors[phase] < 0.1
        assert found.factor_errors[phase] < 0.6 * found.prior_errors[phase]
        assert not any(f"ln K of {phase};" in remark for remark in found.remarks)
        assert any(f"activation energy of {phase};" in remark for remark in found.remarks)


def test_a_layer_that_is_not_there_leaves_what_drawing_from_the_base_set_leaves() -> None:
    """Another sampler: draws as the base set spreads them, weighted by the likelihood. Epsilon is eaten at once."""
    eta, epsilon = _measured(_plan([(210, 24)]), load_set(), 0.2, None)
    data = [eta, replace(epsilon, mean=0.3 * epsilon.mean, deviation=0.09 * epsilon.mean, absent=True)]
    found = fit(data, load_set(), scatter=0.0, numerics=COARSE)
    model = _Model(data, load_set(), ["eta", "epsilon"], numerics=COARSE, workers=2)
    z = np.random.default_rng(7).standard_normal((2500, model.size))
    weights = np.exp(-0.5 * (model.residuals(z, rough=True) ** 2).sum(axis=1))
    weights /= weights.sum()
    drawn, count = z @ model.root.T, 1.0 / (weights @ weights)
    assert count > 40
    for phase, column in (("eta", 0), ("epsilon", 2)):
        mean = float(weights @ drawn[:, column])
        deviation = float(np.sqrt(weights @ (drawn[:, column] - mean) ** 2))
        # three standard errors of either sampler
        assert abs(np.log(found.factors[phase]) - mean) < 3.0 * deviation * np.sqrt(1 / count + 1 / 64)
        assert found.factor_errors[phase] == close(deviation, rel=3.0 * np.sqrt(0.5 / count + 0.5 / 64))


def _two_samples(truth: KineticSet, seed: int | None) -> list[Measurement]:
    """Layers of the starter strand after 6 and 24 h at 210 C, the mean of each known to 7 %."""
    strand = load_case(STARTER).strand
    holds = [(hours, layer) for hours in (6, 24) for layer in ("eta", "epsilon")]
    plan = [Measurement(f"W{hours}", strand, isothermal(210, hours), (layer,), 1e-6, 1e-7, 4) for hours, layer in holds]
    return _measured(plan, truth, 0.07, seed)


@pytest.mark.parametrize("exponent", [0.0, 0.3])
def test_two_quench_samples_narrow_the_shell_to_a_third_or_less(exponent: float) -> None:
    case = load_case(STARTER)
    found = fit(_two_samples(case.kinetics, None), case.kinetics, exponent=exponent)
    wide = []
    for kinetics in (case.kinetics, found.kinetics):
        spread = Spread(size=100, growth_exponent=exponent)
        low, _, high = band(replace(case, kinetics=kinetics), spread)["shell_at_first_liquid"].values
        wide.append(high - low)
    assert wide[1] < wide[0] / 3.0


def test_a_fitted_set_is_its_users(tmp_path: Path) -> None:
    found = _fitted()
    constant = found.kinetics.constant("eta")
    (source,) = constant.source
    assert source.startswith("fitted: own measurements, fitted 20")
    assert "170 °C, 40 h, 215 °C, 20 h" in source
    assert constant.range == close((170 + 273.15, 215 + 273.15))
    assert "prior only: mei1992" in constant.note
    assert "mei1992" not in found.kinetics.constant("epsilon").source
    assert found.kinetics.constant("alpha") == load_set().constant("alpha")
    # a phase of which nothing was measured keeps its papers
    eta_alone = _measured(_plan([(215, 20)], ("eta",)), load_set(), 0.03, 2)
    other = fit(eta_alone, load_set(), ["eta", "delta"], numerics=COARSE).kinetics
    assert other.constant("delta").source == load_set().constant("delta").source
    assert other.constant("delta").range == load_set().constant("delta").range
    assert other.constant("eta").range == close((215 + 273.15, 215 + 273.15))
    # fitted on, it is known where any of its samples was, and names all of them
    later = fit(_measured(_plan([(250, 2)]), load_set(), 0.03, 3), found.kinetics, name="later", numerics=COARSE)
    on = later.kinetics.constant("eta")
    assert on.range == close((170 + 273.15, 250 + 273.15))
    assert [text.split(":")[0] for text in on.source] == ["later", "fitted"]
    assert on.note == constant.note
    # the digest is of the data, and of nothing else
    data = _measured(_plan([(170, 40), (215, 20)]), load_set(), 0.03, 2)
    assert data_name(data, "fitted") == source
    assert data_name([replace(data[0], mean=1.001 * data[0].mean), *data[1:]], "fitted") != source
    # a run says where its constants come from
    back = load_set(write_kinetics(found, tmp_path / "own.toml"))
    run = simulate(Strand.round(24, 44), Schedule.start(20).ramp(200, to=220), kinetics=back)
    assert source in run.attrs["references"]
