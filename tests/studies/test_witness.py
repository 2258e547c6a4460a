"""Witness samples: closed forms, what a fit then leaves, and what is said and drawn."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from scipy.stats import norm

from bronzeward.errors import InputError
from bronzeward.inputs.case import Case, load_case
from bronzeward.inputs.layer_measurements import Measurement, read_measurements
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.starter import STARTER
from bronzeward.plots.witness import draw_looks, plot_witness
from bronzeward.reports.witness import enough_readings, sentences, witness_data, witness_report
from bronzeward.reports.witness_layers import write_layers
from bronzeward.studies.calibration import MODEL_SCATTER, fit
from bronzeward.studies.ensemble import SOURCES, Members, Spread, run_members
from bronzeward.studies.optimise.limits import parse_limit
from bronzeward.studies.quantiles import quantiles
from bronzeward.studies.witness import (
    CORE_SCATTER,
    EACH,
    LAYERS,
    NORMAL_95,
    READING_SCATTER,
    THINNEST,
    Slopes,
    Worth,
    _Bench,
    _levelled,
    looks,
    sure_of,
    width_of,
    witness,
)
from bronzeward.studies.witness_samples import samples_of
from closeness import close
from witness_by_fit import Judge

ANSWER = "shell_at_first_liquid"
SCATTERS = (READING_SCATTER, CORE_SCATTER, MODEL_SCATTER)
SPREAD = Spread(size=40, porosity=0.01, compound_volume=0.004)
SMALL = {"temperatures": (180.0,), "hours": (4.0,), "spread": SPREAD, "truths": 8}
LIMITS = [parse_limit("shell_at_first_liquid>=5@90")]


def _case() -> Case:
    plan = Schedule.start(20).ramp(25, to=210).hold(12).ramp(25, to=240)
    return replace(load_case(STARTER), schedule=plan)


@pytest.fixture(scope="module")
def found() -> xr.Dataset:
    return witness(_case(), ANSWER, LIMITS, **SMALL)  # type: ignore[arg-type]


def _worth(readings: float = 4.0) -> Worth:
    """One truth, two samples of one layer, two constants: the answer is the sum of both, each sample shows one."""
    slopes = np.zeros((1, 2, len(LAYERS), 2))
    slopes[0, 0, 0, 0], slopes[0, 1, 0, 1] = 0.5, 0.25
    thickness = np.full((1, 2, len(LAYERS)), 2e-6)
    return Worth(Slopes(np.array([[3.0]]), np.array([[[1.0, 1.0]]]), thickness, slopes, [0, 1]), readings, SCATTERS)


def test_what_is_left_is_what_the_normal_distribution_says() -> None:
    worth = _worth()
    error = READING_SCATTER**2 / 4.0 + MODEL_SCATTER**2
    after = [1.0 / (1.0 + 0.25 / error), 1.0 / (1.0 + 0.0625 / error)]
    first, second = worth.told([0]), worth.told([1])
    assert worth.width(first) == close(2.0 * NORMAL_95 * np.sqrt(after[0] + 1.0))
    assert worth.width(second) == close(2.0 * NORMAL_95 * np.sqrt(1.0 + after[1]))
    assert worth.width(worth.told([0, 1])) == close(2.0 * NORMAL_95 * np.sqrt(sum(after)))
    assert worth.told([0, 1]) == close(first + second)
    # what the model leaves open, readings do not make good
    endless = _worth(1e12)
    assert endless.width(endless.told([0])) == close(2 * NORMAL_95 * np.sqrt(1 / (1 + 0.25 / MODEL_SCATTER**2) + 1))


def test_shares_of_the_band_are_those_of_every_truth() -> None:
    """Two truths, the answer of the second ten times as steep: its share counts no more than the other's."""
    slopes = np.zeros((2, 1, len(LAYERS), 2))
    slopes[0, 0, 0, 0], slopes[1, 0, 0, 1] = 0.5, 0.5
    steep = np.array([[[1.0, 1.0]], [[10.0, 20.0]]])
    thickness = np.full((2, 1, len(LAYERS)), 2e-6)
    worth = Worth(Slopes(np.array([[3.0], [3.0]]), steep, thickness, slopes, [0, 1]), 4.0, SCATTERS)
    after = 1.0 / (1.0 + 0.25 / (READING_SCATTER**2 / 4.0 + MODEL_SCATTER**2))
    shares = np.sqrt((after + 1.0) / 2.0), np.sqrt((1.0 + 4.0 * after) / 5.0)
    assert worth.share_left(worth.told([0])) == close(np.mean(shares))
    assert worth.share_left(np.zeros((2, 2, 2))) == close(1.0)
    assert worth.share_left(np.stack([worth.told([0])] * 3)).shape == (3,)


def test_where_an_answer_is_level_its_slopes_are_those_over_the_members() -> None:
    z = np.random.default_rng(3).standard_normal((50, len(SOURCES)))
    values = 2.0 + z[:, 0] - 3.0 * z[:, 4]
    near = np.array([[[0.0, 0.0]], [[0.7, 0.1]], [[np.nan, np.nan]]])
    slopes = Slopes(np.zeros((3, 1)), near, np.ones((3, 1, len(LAYERS))), np.zeros((3, 1, len(LAYERS), 2)), [0, 4])
    found = _levelled(slopes, z, values, 10.0).answer_slopes[:, 0]
    assert found == close(np.array([[1.0, -3.0], [0.7, 0.1], [1.0, -3.0]]))


def test_how_sure_one_will_be_is_counted() -> None:
    """Three truths of four members: all keep the limit, half do, one has no such moment and keeps it."""
    values = np.array([[6.0, 7.0, 8.0, 9.0], [6.0, 7.0, 1.0, 2.0], [1.0, 2.0, 3.0, np.nan]]) * 1e-6
    found = {ANSWER: values, "status": np.zeros_like(values)}
    assert sure_of(found, LIMITS[0]) == close((1 / 3, 0.0))
    assert sure_of(found, replace(LIMITS[0], confidence=0.7)) == close((1 / 3, 1 / 3))
    assert width_of(np.linspace(0.0, 1.0, 10_001)[None]) == close(0.9, rel=1e-3)
    assert width_of(np.array([[0.0, 1.0, np.nan]])) == width_of(np.array([[0.0, 1.0]]))


class _Normal:
    """Stands for a batch of runs: the answer is a sum of the numbers of some sources, or jumps with the first."""

    def __init__(self, columns: list[int], jumps: bool) -> None:
        self.columns, self.jumps = columns, jumps

    def __call__(self, members: Members, workers: int) -> dict[str, np.ndarray]:
        z = members.z[:, self.columns]
        return {ANSWER: np.where(z[:, 0] > 1.0, 1.0, 0.0) if self.jumps else z.sum(axis=1)}


@pytest.mark.parametrize("jumps", [False, True])
def test_members_drawn_from_what_would_be_known_are_a_posterior(monkeypatch: pytest.MonkeyPatch, jumps: bool) -> None:
    """Closed form: a truth z, measured to the precision T, leaves a normal distribution of variance 1 / (1 + T)."""
    runs, samples = samples_of(_case(), (210.0,), (4.0,))
    bench, sources = _Bench(_case(), runs, samples, [ANSWER], 1, Spread(seed=4)), [0, 1]
    monkeypatch.setattr("bronzeward.studies.witness.run_members", _Normal([0, 1, 20], jumps))
    monkeypatch.setattr("bronzeward.studies.witness.DRAWS", 200)
    truths = np.random.default_rng(5).standard_normal((200, len(SOURCES)))
    told = np.tile(np.array([[3.0, 0.0], [0.0, 0.0]]), (200, 1, 1))
    found = bench.left(told, truths, sources)[ANSWER]
    if jumps:  # the chance of the jump over truths, measurements and what is left is what it was: a martingale
        assert found.mean() == pytest.approx(norm.sf(1.0), abs=0.03)
        assert width_of(found) > 0.2  # of a jump of 1, which some truths do not decide
        return
    # 200 draws: standard deviations within three of theirs, 15 %; one source measured, one open, one no constant
    assert found.std(axis=1).mean() == close(np.sqrt(0.25 + 1.0 + 1.0), rel=0.15)
    centre = found.mean(axis=1) - found.mean()
    assert np.cov(centre, truths[:, 0])[0, 1] == close(0.75, rel=0.25)
    assert centre.std() == close(np.sqrt(0.75), rel=0.15)


def test_samples_lie_on_the_plan_and_on_anneals() -> None:
    case = _case()
    runs, samples = samples_of(case, (180.0, 250.0), (1.0, 5.0))
    planned = [sample for sample in samples if sample.run == 0]
    assert len(samples) == len(planned) + 4
    melting = 226.8 - 0.5
    assert any(sample.schedule.temperature[-1] - 273.15 == pytest.approx(melting, abs=0.1) for sample in planned)
    for sample in samples:
        assert sample.schedule.quenched
        assert sample.time in runs[sample.run].time
        at = float(runs[sample.run].temperature_at(sample.time))
        assert float(sample.schedule.temperature[-1]) == close(at)
    assert np.diff([sample.time for sample in planned]).min() > 0.02 * case.schedule.time[-1]


def test_a_sample_read_off_the_plan_is_what_its_own_run_shows() -> None:
    runs, samples = samples_of(_case(), (210.0,), (4.0,))
    bench = _Bench(_case(), runs, samples, [ANSWER], 1, Spread())
    z = Members(_case(), Spread(size=1)).z
    _, (layers,) = bench.run(z)
    for k in (1, len(samples) - 1):
        alone = _Bench(_case(), [samples[k].schedule], [replace(samples[k], run=0)], [ANSWER], 1, Spread())
        # quick runs agree within their tolerance
        assert alone.run(z)[1][0, 0] == pytest.approx(layers[k], rel=2e-3, abs=1e-10)


def test_a_fit_leaves_what_was_expected(found: xr.Dataset) -> None:
    """Simulated measurement and fit of the best sample, eight truths: their mean width."""
    case, best = _case(), str(found.attrs["best"])
    _, samples = samples_of(case, SMALL["temperatures"], SMALL["hours"])  # type: ignore[arg-type]
    (sample,) = (one for one in samples if one.name == best)
    bench = _Bench(case, [sample.schedule], [replace(sample, run=0)], [ANSWER], 2, Spread())
    members, draw, widths = Members(case, Spread(size=40)), np.random.default_rng(1), []
    for z in members.z[:8]:
        thickness = bench.run(z[None])[1][0, 0]
        error = np.hypot(READING_SCATTER / np.sqrt(12), MODEL_SCATTER)
        means = thickness[:EACH] * np.exp(error * draw.standard_normal(EACH))
        rows = [
            Measurement(best, case.strand, sample.schedule, (name,), float(mean), READING_SCATTER * mean, 12)
            for name, mean, true in zip(LAYERS, means, thickness, strict=False)
            if true > THINNEST
        ]
        own = replace(case, kinetics=fit(rows, case.kinetics, exponent=0.0).kinetics)
        values = run_members(Members(own, replace(SPREAD, size=60)))[ANSWER]
        widths.append(np.ptp(np.nanquantile(values, (0.05, 0.95))))
    # a width of 60 members has a standard error of 12 %, their mean over eight truths 5 %; noise moves the fits as well
    assert float(found["width"].sel(sample=best)) == close(np.mean(widths), rel=0.2)
    assert float(found["checked"].sel(choice="best")) == close(np.mean(widths), rel=0.2)
    assert float(found["width_now"]) > 2.0 * np.mean(widths)


def test_no_pair_beats_the_named_one_when_all_are_measured_and_fitted(found: xr.Dataset) -> None:
    """Brute force in small: every pair, simulated measurement, fit, band; `witness_brute_force.py` does it at large."""
    anneals = SMALL["temperatures"], SMALL["hours"]
    judge = Judge(_case(), ANSWER, found.attrs["phases"], anneals, SPREAD, 64)  # type: ignore[arg-type]
    names = [sample.name for sample in judge.samples]
    telling = [k for k, name in enumerate(names) if float(found["width"].sel(sample=name)) < found["width_now"]]
    pairs = list(combinations(telling, 2))
    mine = pairs.index(tuple(sorted(names.index(str(one)) for one in found.attrs["pair"])))
    width = np.array([[judge.width(truth, pair) for pair in pairs] for truth in (0, 1, 2)])
    worse = width[:, [mine]] - width
    # no pair is better by more than two standard errors of the difference, and by what 64 members err, 5 %
    error = np.hypot(worse.std(axis=0, ddof=1) / np.sqrt(len(width)), 0.05 * width.mean(axis=0))
    assert (worse.mean(axis=0) <= 2.0 * error).all()
    assert width.mean(axis=0)[mine] < 1.15 * width.mean(axis=0).min()
    # and the worst is much worse, so that this could fail
    assert width.mean(axis=0).max() > 1.3 * width.mean(axis=0)[mine]


def test_pairs_tell_no_less_than_their_samples(found: xr.Dataset) -> None:
    width, pairs = found["width"].values, found["pair_width"].values
    off = ~np.eye(len(width), dtype=bool)
    assert (pairs[off] <= np.minimum(width[:, None], width)[off] * (1 + 1e-9)).all()
    assert float(found["width"].sel(sample=str(found.attrs["best"]))) == width.min()
    assert (np.diff(found["reading_width"].values) < 0).all()
    # on the way up to the hold nothing that can be measured has grown
    early = found.isel(sample=0)
    assert float(early["width"]) == close(float(found["width_now"]))
    for limit in range(found.sizes["limit"]):
        shares = found["sure_kept"].values[1:, limit] + found["sure_broken"].values[1:, limit]
        assert 0.0 < shares[0] <= shares[1] <= 1.0


def test_what_is_found_is_said_and_drawn(found: xr.Dataset) -> None:
    text = witness_report(found)
    assert max(map(len, text.splitlines())) <= 80
    assert f"Best single sample: {found.attrs['best']}" in text.replace("\n", " ")
    assert "Not worth measuring" in text
    assert "--phase eta --phase epsilon" in " ".join(sentences(found))
    assert enough_readings(found).split()[0].isdigit()
    data = witness_data(found)
    assert data["pair"] == list(found.attrs["pair"])
    assert data["samples"][0]["worth_measuring"] is False
    assert {"now", "best", "pair"} == set(data["limits"][0]["sure_kept"])
    ax = plot_witness(found)
    assert len(ax.get_yticklabels()) == found.sizes["sample"]
    rows = looks(_case(), found, SMALL["temperatures"], SMALL["hours"])  # type: ignore[arg-type]
    assert [name for name, _ in rows] == list(found.attrs["pair"])
    for name, row in rows:
        for quantile, (_, run) in enumerate(row):
            expected = float(found["look"].sel(sample=name, layer="eta")[quantile])
            assert float(run["thickness"][-1, 2]) == pytest.approx(expected, rel=2e-3, abs=1e-9)
    assert len(draw_looks(rows).axes) == 6


def test_the_file_to_fill_in_is_one_that_fit_takes(found: xr.Dataset, tmp_path: Path) -> None:
    _, samples = samples_of(_case(), SMALL["temperatures"], SMALL["hours"])  # type: ignore[arg-type]
    *cases, path = write_layers(_case(), found, samples, tmp_path / "layers.csv")
    assert len(cases) == sum(str(name).startswith("plan") for name in found.attrs["pair"]) > 0
    lines = path.read_text(encoding="utf-8").splitlines()
    with pytest.raises(InputError, match="mean_um is empty"):
        read_measurements(path, _case().strand)
    for n, line in enumerate(lines[1:], start=1):
        expected = line.split("expected ")[1].split(" ")[0]
        lines[n] = line.replace(",,,,,", f",{expected},0.5,12,,", 1)
    path.write_text("\n".join(lines), encoding="utf-8")
    rows = read_measurements(path, _case().strand)
    by_name = {sample.name: sample for sample in samples}
    for row, line in zip(rows, lines[1:], strict=True):
        sample = next(one for name, one in by_name.items() if name in line)
        assert row.schedule.time[-1] == close(sample.time)
        assert row.schedule.temperature[-1] == close(sample.schedule.temperature[-1])
        middle = float(found["look"].sel(sample=sample.name, layer=row.layer)[1])
        assert row.mean == pytest.approx(middle, abs=6e-9)  # printed to a hundredth of a micrometre


def test_an_answer_that_jumps_is_told_by_members() -> None:
    """No liquid above the peritectic in most members: slopes there see nothing, the drawn members see the others."""
    case = replace(_case(), schedule=Schedule.start(20).ramp(25, to=430))
    found = witness(case, "liquid_above_peritectic", LIMITS[:0], **(SMALL | {"spread": Spread(size=60)}))  # type: ignore[arg-type]
    members = run_members(Members(case, Spread(size=60)))["liquid_above_peritectic"]
    assert 0.5 < (members == 0.0).mean() < 0.95
    left = float(found["checked"].sel(choice="pair"))
    assert 0.0 < left <= float(found["width_now"]) == close(np.ptp(quantiles(members)))


def test_what_cannot_be_asked_is_said() -> None:
    with pytest.raises(InputError, match="no first liquid"):
        witness(replace(_case(), schedule=Schedule.start(20).ramp(50, to=200)), "first_liquid_time", **SMALL)  # type: ignore[arg-type]
    with pytest.raises(InputError, match="allowed are 0 to 1000"):
        samples_of(_case(), (2000.0,))
    with pytest.raises(InputError, match="more than 0 h"):
        samples_of(_case(), (200.0,), (0.0,))
    with pytest.raises(InputError, match="answer 'shell' is not known"):
        witness(_case(), "shell", **SMALL)  # type: ignore[arg-type]
    with pytest.raises(InputError, match="readings must be"):
        witness(_case(), ANSWER, readings=0)
