"""The default constants of eta and epsilon are what the assessment computes, and it finds what is known."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from bronzeward import Case, Schedule, Strand
from bronzeward.materials import literature
from bronzeward.materials.kinetics import load_set
from bronzeward.model.simulation import run_case
from bronzeward.studies.ensemble import widths
from bronzeward.studies.stability import stability
from bronzeward.units import ZERO_CELSIUS
from bronzeward.validation.assessment import _round, assess, combined, kinetics_for
from bronzeward.validation.check import read_checks
from bronzeward.validation.evidence import ASSESSED_PHASES, Evidence, judgement, ln_constant, set_of
from bronzeward.validation.laboratory import Laboratory
from bronzeward.validation.sub_element import SLEEVES, percent_tin_left
from closeness import close

ROWS = {check.id: check for check in read_checks()}
TRUTH = np.array([-40.0, 60.0, -41.0, 75.0])


def everything() -> list[Evidence]:
    return _round(*assess().theta.tolist())


@pytest.mark.parametrize("phase", ASSESSED_PHASES)
def test_the_default_set_holds_what_the_assessment_computes(phase):
    stated, computed = load_set().constant(phase), assess().kinetics().constant(phase)
    assert stated.activation == pytest.approx(computed.activation, abs=51.0)  # J/mol; printed to 0.1 kJ/mol
    kelvin = judgement()["reference_C"] + ZERO_CELSIUS
    assert float(stated.at(kelvin)) == close(float(computed.at(kelvin)), rel=0.005)  # prefactor: three figures
    assert stated.factor == pytest.approx(computed.factor, abs=0.05)
    assert stated.extrapolated_factor == pytest.approx(computed.extrapolated_factor, abs=0.05)


@pytest.mark.parametrize("phase", ASSESSED_PHASES)
def test_members_of_a_band_spread_as_the_assessment_says(phase):
    """From 20 C to where the phase ends in the description, to 10 % of factors of 3 to 8."""
    stable = stability("cu-sn-shim1996")[phase]
    assert judgement()["farthest_C"][phase] == pytest.approx(stable[1] - ZERO_CELSIUS, abs=0.1)
    inside, slope, middle = widths(load_set().constant(phase), stable)
    for kelvin in np.linspace(293.15, stable[1], 20):
        drawn = np.hypot(inside, slope * (1 / kelvin - middle))
        assert drawn == pytest.approx(assess().spread(phase, kelvin), abs=0.1), kelvin


def test_the_default_set_names_the_sources_it_rests_on():
    named = {source for phase in ASSESSED_PHASES for source in load_set().constant(phase).source}
    assert named == {piece.sources[0] for piece in everything()}


def test_everything_published_on_eta_and_epsilon_is_used_or_said_why_not():
    used = {name for piece in judgement()["evidence"] for name in piece.get("checks", [])}
    topics = ("plane_couple", "growth_constant", "activation_energy", "layer_activation", "interdiffusion", "tin_left")
    rows = [c for c in ROWS.values() if c.topic in topics and c.condition.get("set", "default") == "default"]
    there = {c.id for c in rows if c.condition.get("phase", "eta") in ASSESSED_PHASES}
    assert there == used | set(judgement()["unused"])
    assert not used & set(judgement()["unused"])


def made(truth=TRUTH, sources=40, error=0.02, between=(0.0, 0.0), seed=1) -> list[Evidence]:
    """Constants at two temperatures and a slope of each phase from each source, drawn round known laws."""
    rng, found = np.random.default_rng(seed), []
    for k in range(sources):
        own = truth + rng.normal(size=4) * np.tile(between, 2)
        for phase in ASSESSED_PHASES:
            for kelvin in (400.0, 480.0):

                def of(theta, phase=phase, kelvin=kelvin):
                    return ln_constant(theta, phase, kelvin)

                found.append(Evidence((f"source {k}",), of(own) + error * rng.normal(), of, error))
    return found


def test_known_laws_come_back_from_made_up_evidence():
    """Within three of the standard deviations that it states; sources alike are found to be alike."""
    result = combined(made(), np.zeros(4))
    assert (np.abs(result.theta - TRUTH) < 3 * np.sqrt(np.diag(result.covariance))).all()
    assert np.sqrt(result.covariance[0, 0]) < 0.01
    assert result.between[0] < 0.01
    assert result.between[1] < 1.0


def test_scatter_between_sources_comes_back():
    """Standard deviations of 40 sources in two phases: known to 1/sqrt(160), 8 %, three times that."""
    result = combined(made(between=(0.8, 10.0)), np.zeros(4))
    assert result.between == close((0.8, 10.0), rel=0.24)
    assert (np.abs(result.theta - TRUTH) < 3 * np.sqrt(np.diag(result.covariance))).all()


def test_the_stated_width_covers_the_next_source():
    """Laws of 40 more sources at 200 C: nine in ten inside 1.645 of the spread, three binomial deviations of 4.7 %."""
    result, kelvin = combined(made(between=(0.8, 10.0)), np.zeros(4)), 473.15
    fresh = made(between=(0.8, 10.0), seed=2)[::4]
    off = [piece.value - piece.foreseen(result.theta) for piece in fresh]
    inside = np.mean(np.abs(off) < 1.645 * result.spread("eta", kelvin))
    assert inside == pytest.approx(0.9, abs=0.14)


def test_one_magnitude_by_hand():
    """Two sources, one law, no slope: the mean weighted by 1 / (error^2 + between^2) and the prior."""
    kelvin = judgement()["reference_C"] + ZERO_CELSIUS

    def of(theta):
        return ln_constant(theta, "eta", kelvin)

    result = combined([Evidence(("a",), -38.0, of, 0.3), Evidence(("b",), -40.0, of, 0.6)], np.zeros(4))
    prior = np.log(1e-17), np.log(100.0) ** -2
    weights = np.array([1 / (error**2 + result.between[0] ** 2) for error in (0.3, 0.6)])
    by_hand = (weights @ [-38.0, -40.0] + prior[0] * prior[1]) / (weights.sum() + prior[1])
    assert result.theta[0] == close(by_hand, rel=1e-9)
    assert result.theta[1] == close(70.0, rel=1e-9)  # nothing is known of the slope but the prior


def test_a_homogeneity_range_that_sets_share_does_not_average_out():
    """Of twenty sets with one assumed range the mean is known no better than the range: a factor of 1.5."""
    alike = [piece for piece in made(sources=20) if piece.value > -41.5]
    shared = combined([replace(piece, width="eta") for piece in alike], np.zeros(4)).covariance[0, 0]
    assert np.sqrt(shared) == close(np.log(1.5), rel=0.02)
    assert np.sqrt(combined(alike, np.zeros(4)).covariance[0, 0]) < 0.02


@pytest.mark.parametrize("source", ["mei1992", "ddf8767", "sn35ag2003", "chan1998", "osti1485092"])
def test_without_a_source_none_of_its_values_is_used(source):
    """A value of the source that is off by a factor of ten moves the constants, but not those without it."""
    pieces = everything()
    moved = [replace(p, value=p.value + 2.3) if source in p.sources and p.value < 10 else p for p in pieces]
    rest = [[p for p in some if source not in p.sources] for some in (pieces, moved)]
    assert len(rest[0]) < len(pieces)
    assert combined(rest[1], TRUTH).theta == close(assess(source).theta, rel=2e-3)
    assert np.abs(combined(moved, TRUTH).theta - assess().theta).max() > 0.02


def test_a_check_is_computed_without_its_own_source():
    assert kinetics_for(ROWS["couple_sn35ag_150c"]) == assess("sn35ag2003").kinetics()
    assert kinetics_for(ROWS["film_diffusion_epsilon"]) == assess("ddf8767").kinetics()
    assert kinetics_for(ROWS["couple_strip_25c"]) == load_set()
    assert kinetics_for(ROWS["couple_mei1992_eta"]) == load_set("mei1992")


GEOMETRIES = {
    "24 µm in a full sleeve of 44 µm": Strand.round(24, 44),
    "25 µm in a sleeve of 29 µm": Strand.round(25, 29, pack=[(50, 0.25)]),
    "the same, parallel channels": Strand.round(25, 29, pack=[(50, 0.25)], pack_transport="parallel channels"),
    "sleeve of 30 µm": Strand.round(25, 30, pack=[(50, 0.25)]),
    "sleeve of 31 µm": Strand.round(25, 31, pack=[(50, 0.25)]),
}


@pytest.mark.parametrize("name", GEOMETRIES)
def test_tin_left_in_other_geometries_is_as_the_databases_tell(name):
    """Whole per cent after 48 h at 215 C, with the default constants and with `couples`."""
    text = (literature.folder() / "README.md").read_text(encoding="utf-8")
    told = re.search(rf"^\| {re.escape(name)}[^|]*\| (\d+) % \| (\d+) % \|$", text, re.MULTILINE)
    assert told is not None
    for percent, kinetics in zip(told.groups(), ("default", "couples"), strict=True):
        history = run_case(Case(GEOMETRIES[name], Schedule.start(215).hold(48), load_set(kinetics)))
        assert 100 * (1 - float(history["tin_used"][-1])) == pytest.approx(float(percent), abs=0.51)


def test_the_strand_by_the_engine():
    """The hours that the evidence foresees leave 30 % in runs, also a factor of 1.5 from where it was made linear."""
    piece = next(piece for piece in everything() if "osti1485092" in piece.sources)
    row, lab = ROWS["tin_left_215c"], Laboratory()
    for step in ([0.0, 0.0, 0.0, 0.0], [0.4, 0.0, -0.4, 0.0]):
        theta = assess().theta + step
        hours = float(np.exp(piece.foreseen(theta)))
        held = replace(row, condition={**row.condition, "time_h": str(hours)})
        left = np.mean([percent_tin_left(held, lab, set_of(theta), share) for share in SLEEVES])
        assert left == pytest.approx(30.0, abs=4.0)  # the mean over the sleeves is one of times, not of tin
