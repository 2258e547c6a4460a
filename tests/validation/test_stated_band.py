"""Bands that are to hold published values: what they are made of, what is counted, and whether spreads are right."""

from __future__ import annotations

from dataclasses import replace
from math import exp, hypot, log
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import chi2

from bronzeward import Case, Schedule, Strand
from bronzeward.materials.doubt_data import usual_spreads
from bronzeward.materials.growth_constants import COMPOUNDS
from bronzeward.studies.ensemble import Members, Spread
from bronzeward.validation import stated_band
from bronzeward.validation.assessment import _round, assess, kinetics_for
from bronzeward.validation.check import Check, read_checks
from bronzeward.validation.evidence import judgement
from bronzeward.validation.laboratory import Laboratory
from bronzeward.validation.outcome import Outcome, in_bands
from bronzeward.validation.own_error import ENERGY, FACTOR, VOLUME, own_error, why_not_counted
from bronzeward.validation.stated_band import VOLUMES, Stated
from bronzeward.validation.stated_band import stated as bands_of
from bronzeward.validation.sub_element import SLEEVES, percent_tin_left
from closeness import close
from validated import outcomes

ROWS = {check.id: check for check in read_checks()}
DATABASES = Path(__file__).parents[2] / "databases" / "README.md"


def stated(name: str) -> tuple[float, Stated]:
    """Computed, and what is stated."""
    outcome = outcomes()[name]
    assert outcome.computed is not None
    assert outcome.stated is not None
    return outcome.computed, outcome.stated


# --- what bands are made of, by arithmetic


def test_band_of_a_constant_by_hand() -> None:
    """eta at 240 C from 2.9 at 100 and 231 C, 4.6 at 415 C, as members draw it; 1.2 of an abstract besides."""
    computed, found = stated("volume_diffusion_eta")
    assert found.alone == close((computed / 5.9716, computed * 5.9716), rel=1e-3)
    wide = exp(hypot(log(5.9716), 1.644854 * log(1.2)))
    assert found.band == close((computed / wide, computed * wide), rel=1e-3)
    cold = bands_of(replace(ROWS["couple_nanofilm_25c"], kind="measurement"), 1.0, Laboratory())
    assert cold is not None
    assert cold.alone == close((1 / 15.915, 15.915), rel=1e-3)  # at 25 C, in the same way


def test_band_of_an_activation_energy_by_hand() -> None:
    """Where one factor holds in the range and 4.6 at 415 C, as eta's without a source that gives none.

    ln(4.6)^2 - ln(2.9)^2 over (1/688.15 K - middle)^2 - half^2 of the reciprocal range of 100 to 231 C is the squared
    slope; times 1.6449 and the gas constant. An abstract errs by 5 kJ/mol, a solder by 8 more.
    """
    computed, found = stated("activation_eta_sn58bi")
    assert found.alone == close((computed - 18.5366, computed + 18.5366), rel=1e-4)
    computed, found = stated("activation_eta_snagbiin")
    wide = hypot(found.alone[1] - computed, 1.644854 * hypot(5.0, 8.0))
    assert found.band == close((computed - wide, computed + wide), rel=1e-6)


def test_band_of_a_volume_and_of_what_follows_from_it() -> None:
    """0.4 % of compounds and 0.5 % of the liquid, times 1.6449; a contraction is a quotient of volumes less one."""
    for name, share, own in (("molar_volume_eta", 0.4, 0.1), ("density_liquid_sn_250c", 0.5, hypot(0.2, 0.25))):
        computed, found = stated(name)
        for band, percent in ((found.alone, share), (found.band, hypot(share, own))):
            wide = 0.01644854 * percent
            assert band == close((computed * (1 - wide), computed * (1 + wide)), rel=1e-6)
    computed, found = stated("contraction_epsilon")
    assert found.alone == close(((100 + computed) * 0.9934206 - 100, (100 + computed) * 1.0065794 - 100), rel=1e-4)
    assert outcomes()["density_sn"].stated is None  # no spread of solid tin is stated


def test_own_errors_by_hand() -> None:
    """A solder in an abstract, a plated film that was read, a pressed powder from memory, a strand."""
    assert own_error(ROWS["couple_snpb_120c"], FACTOR) == close(hypot(log(1.2), log(1.5)), rel=1e-12)
    assert own_error(ROWS["couple_strip_25c"], FACTOR) == close(hypot(log(1.2), log(2.0)), rel=1e-12)
    assert own_error(ROWS["activation_epsilon_film"], ENERGY) == close(hypot(5.0, 8.0), rel=1e-12)
    assert own_error(ROWS["density_epsilon"], VOLUME) == close(hypot(0.005, 0.0075), rel=1e-12)
    assert own_error(ROWS["alpha_zinc_2.7sn_2.3zn"], FACTOR) == close(log(1.2), rel=1e-12)


def test_evidence_errs_as_much_where_it_is_used_and_where_it_is_checked() -> None:
    """The error of a number in the assessment is the one in the band, of a layer for its square."""
    by_source = {(piece.sources[0], round(piece.value, 6)): piece.error for piece in _round(*assess().theta.tolist())}
    for name in ("activation_eta", "activation_epsilon_film", "activation_eta_liquid"):
        assert own_error(ROWS[name], ENERGY) == close(by_source[ROWS[name].source, ROWS[name].value], rel=1e-12)
    row = ROWS["couple_snpb_120c"]
    squared = round(2 * log(row.value * 1e-6) - log(float(row.condition["time_h"]) * 3600), 6)
    assert own_error(row, FACTOR) == close(by_source[row.source, squared], rel=1e-12)


# --- against members of a band, drawn and run


def test_a_layer_spreads_as_members_do() -> None:
    """Constants and exponents of growth of 150 members: their standard deviation is known to 6 %, three times that."""
    name, lab = "couple_strip_25c", Laboratory()
    row, (computed, found) = ROWS[name], stated(name)
    celsius, hours = (float(row.condition[key]) for key in ("temperature_C", "time_h"))
    case = Case(Strand.couple(400, 400), Schedule.start(celsius).hold(hours), kinetics_for(row))
    spread = Spread(size=150, growth_exponent=usual_spreads()["growth_exponent"])
    drawn = [lab.couple(m.kinetics, celsius, hours)[row.condition["answer"]] for m in Members(case, spread)]
    assert np.std(np.log(drawn)) == close(log(found.alone[1] / computed) / 1.644854, rel=0.18)


def test_a_strand_spreads_as_members_do() -> None:
    """95 of 100 members have less tin than the upper end of the band; of 100, within three binomial deviations, 6.6."""
    row, lab, (_, found) = ROWS["tin_left_215c"], Laboratory(), stated("tin_left_215c")
    case = Case(Strand.round(24, 44), Schedule.start(215).hold(48), kinetics_for(row))
    members = Members(case, Spread(size=100))
    left = np.array([percent_tin_left(row, lab, member.kinetics) for member in members])
    assert 100 * np.mean(left < found.alone[1]) == pytest.approx(95.0, abs=6.6)
    assert np.mean(left == 0.0) > 0.05  # why the lower end is none


# --- what is counted


def test_only_values_from_outside_have_a_band() -> None:
    assert {o.check.kind for o in outcomes().values() if o.stated} == {"measurement", "assessed", "standard"}


def test_what_is_left_out_is_shown_with_its_reason() -> None:
    """Every name is a row with a band, none of them evidence; each is another quantity or another row again."""
    left_out, evidence = judgement()["not_counted"], judgement()["evidence"]
    used = {name for piece in evidence for name in piece.get("checks", [])}
    for name, reason in left_out.items():
        first = reason.removeprefix("as ") if reason.startswith("as ") else ""
        assert left_out.get(first, reason).startswith(("another quantity: ", "another row again: ")), name
        assert outcomes()[name].stated is not None
        assert outcomes()[name].in_band is None
        assert why_not_counted(ROWS[name]) == reason
    assert not used & set(left_out)
    counted = [o for o in outcomes().values() if o.stated and o.check.id not in left_out]
    assert sum(group.values for group in in_bands(list(outcomes().values()))) == len(counted)
    every = [replace(o, stated=o.stated._replace(left_out="")) for o in outcomes().values() if o.stated]
    both = [(sum(bool(o.in_band) for o in some), len(some)) for some in (every, counted)]
    told = f"with these five it would be {both[0][0]} of {both[0][1]} in place of {both[1][0]} of {both[1][1]}"
    assert told in " ".join(DATABASES.read_text(encoding="utf-8").split())


def test_every_name_of_the_judgement_is_a_row() -> None:
    named = {**judgement()["apart_of"], **judgement()["not_counted"], **judgement()["unused"]}
    assert set(named) <= set(ROWS)
    assert set(judgement()["apart_of"].values()) <= set(judgement()["apart"])


def plain(value: float, stated: Stated | None, topic: str = "density") -> Outcome:
    check = Check("own", topic, {}, value, "K", 1.0, "absolute", "by hand", "computed", "derived", "")
    return Outcome(check, 10.4, stated=stated)


@pytest.mark.parametrize(
    ("value", "bands", "inside", "alone"),
    [
        (10.0, None, None, None),
        (10.0, Stated((9.5, 11.0), (9.0, 12.0), 0.5), True, True),
        (9.2, Stated((9.5, 11.0), (9.0, 12.0), 0.5), True, False),
        (8.9, Stated((9.5, 11.0), (9.0, 12.0), 0.5), False, False),
        (10.0, Stated((9.5, 11.0), (9.0, 12.0), 0.5, "as it is"), None, None),
    ],
)
def test_inside_the_band(value: float, bands: Stated | None, inside: bool | None, alone: bool | None) -> None:
    outcome = plain(value, bands)
    assert (outcome.in_band, outcome.in_band_alone) == (inside, alone)


def test_mean_squares_by_hand() -> None:
    """Scores of 1, 2 and 3: 14/3, and 5/2 without the last; chi-square of 3 at 5 and 95 %: 0.3518, 7.8147 (tables)."""
    scored = [plain(10.0, Stated((9.0, 11.0), (9.0, 11.0), score)) for score in (1.0, -3.0, 2.0)]
    named = [replace(o, check=replace(o.check, id=f"own {k}")) for k, o in enumerate(scored)]
    (held,) = in_bands(named)
    assert (held.name, held.values, held.inside) == (VOLUMES, 3, 3)
    assert (held.square, held.rest, held.farthest) == (close(14 / 3, rel=1e-12), close(2.5, rel=1e-12), "own 1")
    assert (held.least, held.most) == (close(0.3518 / 3, rel=1e-3), close(7.8147 / 3, rel=1e-4))


def test_the_readme_tells_what_is_inside_and_what_is_outside() -> None:
    """The strand, the names outside and those only just inside, and how many are of alpha."""
    readme = " ".join((DATABASES.parents[1] / "README.md").read_text(encoding="utf-8").split())
    row, lab, (computed, found) = ROWS["tin_left_215c"], Laboratory(), stated("tin_left_215c")
    lefts = [percent_tin_left(row, lab, kinetics_for(row), share) for share in SLEEVES]
    by_copper = f"({min(lefts):.0f} to {max(lefts):.0f} % by how its copper lies)"
    band = f"in a band from {found.alone[0]:.0f} to {found.alone[1]:.0f} %"
    assert f"{computed:.0f} % are computed without it {by_copper}, {band}" in readme
    counted = [o for o in outcomes().values() if o.counted]
    outside = {o.check.id for o in counted if not o.in_band}
    (near_in,) = (o.check.id for o in counted if o.in_band and abs(o.stated.score if o.stated else 0.0) > 1.6)
    (near_out,) = (o.check.id for o in counted if not o.in_band and abs(o.stated.score if o.stated else 9.0) < 1.7)
    assert f"`{near_in}` is only just inside and `{near_out}` only just outside" in readme
    told = readme.split("Outside are also ")[1].split(". ")[0]
    assert {name for name in ROWS if f"`{name}`" in told} | {near_out} == outside
    of_alpha = [o for o in counted if o.check.condition.get("phase") == "alpha"]
    assert (len(of_alpha), sum(bool(o.in_band) for o in of_alpha)) == (9, 8)
    assert "nine are of α (eight inside)" in readme


def test_what_lies_inside_with_other_own_errors(monkeypatch: pytest.MonkeyPatch) -> None:
    """The sentence of the databases on half, three quarters, all and one and a half of the own errors."""
    lab, inside = Laboratory(), []
    rows = [(o.check, o.computed or 0.0) for o in outcomes().values() if o.counted]
    for part in (0.5, 0.75, 1.0, 1.5):
        monkeypatch.setattr(stated_band, "own_error", lambda check, of, part=part: part * own_error(check, of))
        found = [Outcome(check, computed, stated=bands_of(check, computed, lab)) for check, computed in rows]
        inside.append(sum(bool(outcome.in_band) for outcome in found))
    told = (
        f"with half of them {inside[0]} of {len(rows)} values lie inside, with three quarters {inside[1]}, with all "
        f"{inside[2]}, with one and a half times {inside[3]}"
    )
    assert told in " ".join(DATABASES.read_text(encoding="utf-8").split())
    readme = " ".join((DATABASES.parents[1] / "README.md").read_text(encoding="utf-8").split())
    assert f"were it half as large, {inside[0]} would lie inside" in readme


# --- whether spreads are right


def test_no_spread_is_too_narrow_or_too_wide_by_the_rule_of_the_databases() -> None:
    """Outside what chance makes of it to the same side with and without the farthest value: none."""
    for held in in_bands(list(outcomes().values())):
        assert not (held.square > held.most and held.rest > held.most), held
        assert not (held.square < held.least and held.rest < held.least), held


def scatter(off: np.ndarray, own: np.ndarray, freedom: float) -> float:
    """The scatter beyond own errors with which the sum of squares is `freedom`; Paule and Mandel 1982, from memory."""

    def beyond(between: float) -> float:
        return float(np.sum(off**2 / (own**2 + between**2))) - freedom

    return brentq(beyond, 0.0, 100.0) if beyond(0.0) > 0 else 0.0


def test_scatter_of_the_volumes_of_compounds() -> None:
    """Cells and densities of compounds against those in use: the stated 0.4 % lies in the range the rule leaves."""
    rows = [o for o in outcomes().values() if o.counted and o.check.topic in ("molar_volume", "density")]
    rows = [o for o in rows if o.check.condition["phase"] in COMPOUNDS]
    off = np.array([100 * (o.check.value / (o.computed or np.nan) - 1) for o in rows])
    own = np.array([100 * own_error(o.check, VOLUME) for o in rows])
    middle, low, high = (scatter(off, own, f) for f in (len(rows), *chi2.ppf([0.95, 0.05], len(rows))))
    told = f"{middle:.1f} % ({low:.1f} to {high:.1f}) from {len(rows)} cells and densities"
    assert told in " ".join(DATABASES.read_text(encoding="utf-8").split())
    assert low < 100 * usual_spreads()["compound_volume"] < high
    doubts = (DATABASES.parent / "doubts.toml").read_text(encoding="utf-8")
    assert f"scatter by {told.split(' from ')[0]}" in doubts


def test_scatter_of_activation_energies_by_a_second_rule() -> None:
    """All energies of the assessment against the mean of their phase: its scatter lies in the range of that rule."""
    pieces = [piece for piece in _round(*assess().theta.tolist()) if piece.value > 10]  # kJ/mol, no logarithm
    phase = np.array([piece.foreseen(np.array([0.0, 0.0, 0.0, 1.0])) for piece in pieces])
    value, own = np.array([piece.value for piece in pieces]), np.array([piece.error for piece in pieces])

    def off(between: float) -> np.ndarray:
        weight = 1 / (own**2 + between**2)
        means = np.where(phase == 1.0, *(np.average(value[phase == k], weights=weight[phase == k]) for k in (1.0, 0.0)))
        return value - means

    def solved(freedom: float) -> float:
        return brentq(lambda b: float(np.sum(off(b) ** 2 / (own**2 + b**2))) - freedom, 0.0, 100.0)

    middle, low, high = (solved(f) for f in (len(pieces) - 2, *chi2.ppf([0.95, 0.05], len(pieces) - 2)))
    assert low < assess().between[1] < high
    told = f"{middle:.0f} kJ/mol ({low:.0f} to {high:.0f})"
    assert told in " ".join(DATABASES.read_text(encoding="utf-8").split())
