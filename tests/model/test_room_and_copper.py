"""Room both ways, liquid above the peritectic, copper left: each computed again another way."""

from __future__ import annotations

import numpy as np
import pytest

from bronzeward import Schedule, Strand, load_table, simulate
from bronzeward.materials.phases import PHASES
from bronzeward.materials.properties import load_properties
from bronzeward.model.answers import numbers
from bronzeward.reports.summary import sentences
from closeness import close

STRAND = Strand.round(24, 44)


def straight(rate: float, to: float = 300.0, strand: Strand = STRAND):
    return simulate(strand, Schedule.start(20).ramp(rate, to=to).quench())


def row_after(history, event: str) -> int:
    return int(history.event_row[list(history.event_name.values).index(event)])


@pytest.mark.parametrize(("rate", "published"), [(25.0, 0.025), (100.0, 0.028)])
def test_the_bore_by_the_volumes_of_what_melts(rate, published):
    """Liquid after melting less the solid tin and eta it came from, over the core; review figures +2.5 and +2.8 %."""
    history, known = straight(rate, 240.0), load_properties()
    row, kelvin = row_after(history, "tin melts"), float(history.temperature[row_after(history, "tin melts")])
    before, after = history.amount.values[row - 1], history.amount.values[row]
    liquid, tin, eta = (PHASES.index(phase) for phase in ("liquid", "(Sn)", "eta"))
    x = float(history.liquid_composition[row])
    gained = after[liquid] * known.volume_at("liquid", kelvin, x) - before[tin] * known.volume_at("(Sn)", kelvin)
    gained -= (before[eta] - after[eta]) * known.volume_at("eta", kelvin)
    core = history.amount.values[0, tin] * known.volume_at("(Sn)", 293.15)
    bore = history.bronzeward.answers()["bore_overfill_at_first_liquid"]
    # the seeds' own tin is missing from the core of the first row: 1e-4 of it
    assert bore == close(float(gained / core), rel=1e-3)
    assert bore == pytest.approx(published, abs=6e-4)  # stated to a tenth of a per cent


def test_liquid_above_the_peritectic_is_the_lever_rule_of_eta_and_what_was_liquid():
    history = straight(200.0, 450.0)
    row, table = row_after(history, "eta decomposes"), load_table()
    kelvin = float(history.temperature[row])
    x = float(history.liquid_composition[row])
    eta = float(history.amount[row - 1].sel(phase="eta"))
    eta_tin, liquid_tin = (float(history.tin_fraction[row - 1].sel(phase=phase)) for phase in ("eta", "liquid"))
    x_eta = eta_tin * float(history.total_tin[0]) / eta
    peritectic = next(i for i in table.invariants if i.kind == "peritectic" and "eta" in i.phases)
    x_epsilon = dict(zip(peritectic.phases, peritectic.x_sn, strict=True))["epsilon"]
    from_eta = eta * (x_eta - x_epsilon) / (x - x_epsilon) * x / float(history.total_tin[0])
    answers = history.bronzeward.answers()
    assert kelvin == pytest.approx(peritectic.temperature, abs=1e-3)
    assert answers["liquid_above_peritectic"] == close(liquid_tin + from_eta, rel=1e-6)
    assert answers["eta_at_peritectic"] == close(eta_tin, rel=1e-12)


def test_liquid_above_the_peritectic_grows_with_the_rate_where_eta_does_not():
    """Eta just below it is not monotonic: what was not yet eta is still liquid."""
    found = [straight(rate, 420.0).bronzeward.answers() for rate in (50.0, 100.0, 200.0, 1000.0)]
    liquid = [one["liquid_above_peritectic"] for one in found]
    eta = [one["eta_at_peritectic"] for one in found]
    assert liquid == sorted(liquid)
    assert eta != sorted(eta)
    assert straight(25.0, 300.0).bronzeward.answers()["liquid_above_peritectic"] is None
    assert straight(25.0, 450.0).bronzeward.answers()["liquid_above_peritectic"] == 0.0


def test_copper_left_is_what_the_balance_of_atoms_leaves():
    """Alpha next to the barrier at its own molar volume; below 300 C hardly any tin is in it."""
    history = straight(25.0, 300.0)
    with_liquid = np.flatnonzero(history.liquid_mole_fraction.values > 0)
    area = history.amount.sel(phase="alpha").values[with_liquid] * load_properties().molar_volume["alpha"]
    barrier = STRAND.barrier_radius
    left = barrier - np.sqrt(barrier**2 - area / np.pi)
    answers = history.bronzeward.answers()
    assert answers["copper_left_with_liquid_m"] == close(left.min(), rel=1e-3)
    assert answers["copper_least"]["time_s"] == close(float(history.time[with_liquid[left.argmin()]]))


def test_copper_that_is_used_up_leaves_none():
    history = simulate(Strand.round(40, 50), Schedule.start(20).ramp(100, to=300).hold(20).quench())
    answers = history.bronzeward.answers()
    assert "copper used up" in history.event_name.values
    assert answers["copper_left_with_liquid_m"] == 0.0
    assert answers["copper_least"]["liquid_tin_fraction"] > 0.0
    assert any("reaches the barrier" in line for line in sentences(history))


def test_no_liquid_no_copper_at_risk():
    cold = simulate(STRAND, Schedule.start(20).ramp(100, to=200).quench()).bronzeward.answers()
    assert cold["copper_left_with_liquid_m"] is None
    assert cold["bore_overfill_at_first_liquid"] is None


def test_a_shortage_that_strain_takes_up_is_none_and_one_beyond_it_is_told():
    """Solid tin outgrows copper by 0.04 % of the core on heating; elastic strain takes 0.1 % of the cavity."""
    history = straight(10.0, 300.0)
    elastic = load_properties().elastic_strain * (44 / 24) ** 2
    assert history.attrs["elastic_overfill"] == close(elastic, rel=1e-3)
    assert 0.0 < float(history.overfill.max()) < elastic
    answers = numbers(history)
    assert answers["overfill_peak"] == 0.0
    assert np.isnan(answers["first_overfill_temperature"])
    assert not any("Room runs out" in line for line in sentences(history))
    short = straight(100.0, 300.0)
    answers = numbers(short)
    assert answers["overfill_peak"] == float(short.overfill.max()) > elastic
    assert answers["first_overfill_temperature"] == close(answers["first_liquid_temperature"], rel=1e-6)


def test_liquid_that_freezes_is_not_gone():
    plan = Schedule.start(20).ramp(200, to=235).ramp(200, to=100)
    lines = sentences(simulate(STRAND, plan))
    assert any("still left freezes" in line for line in lines)
    assert any("is gone" in line for line in sentences(straight(25.0, 400.0)))
