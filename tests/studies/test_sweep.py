"""Sweeps: paths, resuming, independence of chunks and threads, tables and figures."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from bronzeward.errors import InputError
from bronzeward.inputs.case import Case, case_from_data
from bronzeward.inputs.case_values import Axis, case_with, parse_axis, short_name, value_at, with_values
from bronzeward.model.batch import run_batch
from bronzeward.model.dataset_file import write_dataset
from bronzeward.plots.axes import fit_ticks, new_axes
from bronzeward.plots.sweep import axis_label, plot_sweep
from bronzeward.reports.sweep import sweep_table
from bronzeward.studies import sweep as sweeps
from bronzeward.studies.chunk_store import Columns, clear_chunks
from bronzeward.studies.ensemble import Spread
from bronzeward.studies.sweep import sweep
from bronzeward.studies.uncertainty import band
from closeness import close

INPUTS = {
    "strand": {"core_diameter_um": 24.0, "sleeve_diameter_um": 44.0},
    "schedule": {
        "steps": [{"ramp_C_per_h": 50.0, "to_C": 210.0}, {"hold_h": 1.0}, {"ramp_C_per_h": 100.0, "to_C": 240.0}]
    },
}
RATE = Axis(("schedule.steps.0.ramp_C_per_h", "schedule.steps.2.ramp_C_per_h"), (25.0, 100.0))
HOLD = Axis(("schedule.steps.1.hold_h",), (0.0, 2.0, 8.0))


def _case() -> Case:
    return case_from_data(INPUTS, Path())


def test_values_by_path() -> None:
    made = with_values(INPUTS, {"schedule.steps.1.hold_h": 7, "kinetics.factors.eta": 2.0})
    assert made["schedule"]["steps"][1]["hold_h"] == 7.0
    assert made["kinetics"]["factors"] == {"eta": 2.0}
    assert INPUTS["schedule"]["steps"][1]["hold_h"] == 1.0
    assert value_at(INPUTS, "strand.core_diameter_um") == 24.0
    assert value_at(INPUTS, "strand.pack.0.copper_fraction") is None
    assert short_name("schedule.steps.0.ramp_C_per_h") == "steps_0_ramp_C_per_h"
    factor = case_with(INPUTS, {"kinetics.factors.eta": 2.0}).kinetics.constant("eta").prefactor
    assert factor == close(2.0 * _case().kinetics.constant("eta").prefactor)


def test_axis_from_text() -> None:
    assert parse_axis("strand.core_diameter_um=20,24") == Axis(("strand.core_diameter_um",), (20.0, 24.0))
    assert parse_axis("a.b+c.d=1:3:3") == Axis(("a.b", "c.d"), (1.0, 2.0, 3.0))
    assert parse_axis("a.b=1:100:3:log").values == close((1.0, 10.0, 100.0))
    for text in ("a.b", "a.b=", "a.b=x", "a.b=1:2", "a.b=1:2:1", "a.b=1:2:3:lin", "a.b=0:2:3:log", "=1,2", "a.b=1,1"):
        with pytest.raises(InputError):
            parse_axis(text)


def test_every_point_is_its_own_run() -> None:
    data = sweep(_case(), [RATE, HOLD], precision="run")
    assert dict(data.sizes) == {"steps_0_ramp_C_per_h": 2, "steps_1_hold_h": 3}
    values = {RATE.paths[0]: 100.0, RATE.paths[1]: 100.0, HOLD.paths[0]: 8.0}
    single = run_batch([case_with(INPUTS, values)])
    at = data.sel(steps_0_ramp_C_per_h=100.0, steps_1_hold_h=8.0)
    assert float(at["shell_at_first_liquid"]) == single["shell_at_first_liquid"][0]


def test_answers_depend_neither_on_chunks_nor_on_threads() -> None:
    spread = Spread(size=5)
    one = sweep(_case(), [RATE, HOLD], spread, workers=1, runs_per_chunk=1)
    two = sweep(_case(), [RATE, HOLD], spread, workers=2, runs_per_chunk=1000)
    for name in one.data_vars:
        np.testing.assert_array_equal(one[name], two[name], err_msg=str(name))


def test_many_chunks_go_side_by_side_and_tell_how_far_they_are(monkeypatch: pytest.MonkeyPatch) -> None:
    one = sweep(_case(), [RATE, HOLD], workers=1, runs_per_chunk=1)
    monkeypatch.setattr(sweeps, "MANY_CHUNKS", 2)
    told: list[tuple[int, int]] = []
    two = sweep(_case(), [RATE, HOLD], None, 2, lambda *runs: told.append(runs), runs_per_chunk=1)
    for name in one.data_vars:
        np.testing.assert_array_equal(one[name], two[name], err_msg=str(name))
    assert told[-1] == (6, 6)
    assert [done for done, _ in told] == sorted(done for done, _ in told)


def test_chunks_side_by_side_are_kept_when_one_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What was finished before stays, what nobody waits for ends, and the error is that of the chunk."""
    monkeypatch.setattr(sweeps, "MANY_CHUNKS", 1)
    evaluate, at_fourth, ended = sweeps.evaluate, threading.Event(), threading.Event()

    def last_ones_fail(job: sweeps.Job, watch: Callable[[int, int], None]) -> Columns:
        if job.points == (4,):
            at_fourth.wait(60)
            raise InputError("no more")
        if job.points == (5,):
            at_fourth.set()
            try:
                while True:  # as long as somebody waits for it
                    watch(0, 1)
            finally:
                ended.set()
        return evaluate(job)

    monkeypatch.setattr(sweeps, "evaluate", last_ones_fail)
    with pytest.raises(InputError, match="no more"):
        sweep(_case(), [RATE, HOLD], workers=2, parts=tmp_path / "parts", runs_per_chunk=1)
    assert ended.is_set()
    assert len(list((tmp_path / "parts").rglob("part-*.npz"))) == 4


def test_band_at_a_point_is_that_of_the_case() -> None:
    spread = Spread(size=20)
    data = sweep(_case(), [HOLD], spread).sel(steps_1_hold_h=2.0)
    alone = band(case_with(INPUTS, {HOLD.paths[0]: 2.0}), spread)["shell_at_first_liquid"]
    mine = [float(data[f"shell_at_first_liquid{end}"]) for end in ("_low", "", "_high")]
    np.testing.assert_array_equal(mine, alone.values)


def test_an_interrupted_sweep_goes_on_where_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    computed: list[tuple[int, ...]] = []
    evaluate = sweeps.evaluate

    def stop_at_the_third(job: sweeps.Job, progress: object = None) -> Columns:
        if len(computed) == 2:
            raise KeyboardInterrupt
        computed.append(job.points)
        return evaluate(job)

    monkeypatch.setattr(sweeps, "evaluate", stop_at_the_third)
    with pytest.raises(KeyboardInterrupt):
        sweep(_case(), [RATE, HOLD], parts=tmp_path / "parts", runs_per_chunk=1)
    assert len(list((tmp_path / "parts").rglob("part-*.npz"))) == 2
    # a damaged chunk is computed again
    damaged = min((tmp_path / "parts").rglob("part-*.npz"))
    damaged.write_bytes(damaged.read_bytes()[:100])
    again: list[tuple[int, ...]] = []

    def note(job: sweeps.Job, progress: object = None) -> Columns:
        again.append(job.points)
        return evaluate(job)

    monkeypatch.setattr(sweeps, "evaluate", note)
    seen: list[tuple[int, int]] = []
    data = sweep(
        _case(), [RATE, HOLD], parts=tmp_path / "parts", runs_per_chunk=2,
        progress=lambda done, total: seen.append((done, total)),
    )  # fmt: skip
    assert sorted(k for points in again for k in points) == [0, 2, 3, 4, 5]
    assert seen[0] == (1, 6)
    assert seen[-1] == (6, 6)
    whole = sweep(_case(), [RATE, HOLD])
    for name in whole.data_vars:
        np.testing.assert_array_equal(whole[name], data[name])
    # other inputs, other folder
    sweep(_case(), [Axis(HOLD.paths, (3.0,))], parts=tmp_path / "parts")
    assert len(list((tmp_path / "parts").iterdir())) == 2
    clear_chunks(tmp_path / "parts", data)
    assert len(list((tmp_path / "parts").iterdir())) == 1


def test_table_figure_and_file(tmp_path: Path) -> None:
    import xarray as xr

    data = sweep(_case(), [RATE, HOLD], Spread(size=4))
    text = sweep_table(data, "shell_at_first_liquid")
    assert max(map(len, text.splitlines())) <= 80
    assert len(text.partition("\n\n")[0].splitlines()) == 4
    assert " ".join(text.partition("\n\n")[2].split()) == data.attrs["caveat"]
    line = sweep_table(data, "shell_at_first_liquid", {"steps_0_ramp_C_per_h": 25.0})
    assert "95 %" in line
    assert plot_sweep(data, "shell_at_first_liquid").get_xlabel().endswith(", h")
    ax = plot_sweep(data, "overfill_at_first_liquid", at={"steps_0_ramp_C_per_h": 25.0})
    assert "overfill" in ax.get_ylabel()
    target = write_dataset(data, tmp_path / "sweep.nc")
    with xr.open_dataset(target, decode_timedelta=False) as back:
        np.testing.assert_array_equal(back["overfill_peak"], data["overfill_peak"])
        assert back["steps_1_hold_h"].attrs["path"] == "schedule.steps.1.hold_h"
    with pytest.raises(InputError):
        write_dataset(data, target)


def test_bad_input_is_named() -> None:
    with pytest.raises(InputError, match="nothing to vary"):
        sweep(_case(), [])
    with pytest.raises(InputError, match="'7' must be a number from 0 to 2"):
        sweep(_case(), [Axis(("schedule.steps.7.hold_h",), (1.0,))])
    with pytest.raises(InputError, match="unknown key 'colour'"):
        sweep(_case(), [Axis(("strand.colour",), (1.0,))])
    with pytest.raises(InputError, match="hold of -1 h"):
        sweep(_case(), [Axis(HOLD.paths, (1.0, -1.0))])
    with pytest.raises(InputError, match="twice"):
        sweep(_case(), [HOLD, HOLD])
    data = sweep(_case(), [HOLD])
    with pytest.raises(InputError, match="allowed"):
        sweep_table(data, "shell")
    with pytest.raises(InputError, match="no dimension"):
        sweep_table(data, "shell_at_end", {"hold": 1.0})


@pytest.mark.parametrize(
    ("path", "label"),
    [
        ("schedule.steps.0.ramp_C_per_h", "ramp (steps.0), °C/h"),
        ("schedule.steps.12.hold_h", "hold (steps.12), h"),
        ("schedule.steps.1.to_C", "to (steps.1), °C"),
        ("strand.core_diameter_um", "core diameter, µm"),
        ("kinetics.factors.eta", "factors eta"),
    ],
)
def test_axes_say_what_they_are_in_the_case_file(path, label):
    assert axis_label(short_name(path)) == label


@pytest.mark.parametrize(
    ("values", "scale", "ticks"),
    [
        ([5.0, 10.0, 25.0, 100.0], "log", [5.0, 10.0, 25.0, 100.0]),
        ([16.0, 20.0, 24.0, 28.0, 32.0], "linear", [16.0, 20.0, 24.0, 28.0, 32.0]),
        ([0.0, 1.0, 100.0], "linear", [0.0, 1.0, 100.0]),
        (list(np.geomspace(1, 100, 40)), "log", None),
        (list(np.linspace(0, 48, 40)), "linear", None),
    ],
)
def test_ticks_stand_at_the_values_and_do_not_crowd(values, scale, ticks):
    ax = new_axes()
    ax.plot(values, values)
    fit_ticks(ax.xaxis, values)
    assert ax.get_xscale() == scale
    shown = [t for t in ax.get_xticks() if min(values) <= t <= max(values)]
    assert 3 <= len(shown) <= 7
    if ticks is not None:
        assert shown == ticks
    elif scale == "log":
        assert shown == [1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0]


def test_names_vary_too_and_the_result_rests_on_all_of_them() -> None:
    text = "kinetics.set=default,mei1992"
    assert parse_axis(text) == Axis(("kinetics.set",), ("default", "mei1992"))
    assert parse_axis("thermodynamics.eta_limit=description,408").values == ("description", 408.0)
    descriptions = Axis(("thermodynamics.description",), ("cu-sn-shim1996", "cu-sn-nist1999-alpha"))
    data = sweep(_case(), [parse_axis(text), descriptions, HOLD])
    assert data["kinetic_set"].values.tolist() == ["default", "mei1992"]
    assert data.attrs["kinetic_set"] == "default, mei1992"
    assert data.attrs["thermodynamic_description"] == "cu-sn-shim1996, cu-sn-nist1999-alpha"
    alone = sweep(case_with(INPUTS, {"kinetics.set": "mei1992"}), [HOLD])
    there = data.sel(kinetic_set="mei1992", thermodynamics_description="cu-sn-shim1996")
    np.testing.assert_array_equal(there["shell_at_end"], alone["shell_at_end"])
    shown = sweep_table(data, "shell_at_end", {"steps_1_hold_h": 2.0})
    assert "mei1992" in shown
    assert "cu-sn-nist1999-alpha" in shown
    at = {"thermodynamics_description": "cu-sn-shim1996"}
    labels = [text.get_text() for text in plot_sweep(data, "shell_at_end", at=at).get_legend().get_texts()]
    assert labels == ["default", "mei1992"]
    with pytest.raises(InputError, match="are names"):
        plot_sweep(data, "shell_at_end", at={"steps_1_hold_h": 2.0})
    with pytest.raises(InputError, match="is never 'nobody'"):
        sweep_table(data, "shell_at_end", {"kinetic_set": "nobody"})
    with pytest.raises(InputError, match="no set 'nobody'"):
        sweep(_case(), [Axis(("kinetics.set",), ("default", "nobody", "mei1992"))])
    with pytest.raises(InputError, match="takes numbers"):
        Axis(("strand.core_diameter_um",), ("thick",))


def test_a_table_leaves_no_column_out() -> None:
    """Thirteen hours across, in as many tables below each other as 80 columns of text ask for; the median is named."""
    holds = Axis(HOLD.paths, tuple(6.0 * k for k in range(13)))
    data = sweep(_case(), [RATE, holds], Spread(size=3))
    shown = sweep_table(data, "shell_at_end")
    assert max(map(len, shown.splitlines())) <= 80
    heads = [line.split()[1:] for line in shown.splitlines() if line.startswith("steps_0")]
    assert len(heads) > 1
    assert [word for head in heads for word in head] == [f"{6 * k}" for k in range(13)]
    assert "median of the 3 members" in shown
    assert "median  " in sweep_table(data, "shell_at_end", {"steps_1_hold_h": 0.0})


def test_a_step_of_no_hours_keeps_its_number() -> None:
    """What varies is the step of that number in the case file, also where a hold before it has no hours."""
    steps = [
        {"ramp_C_per_h": 50.0, "to_C": 210.0},
        {"hold_h": 0},
        {"hold_h": 0},
        {"ramp_C_per_h": 100.0, "to_C": 240.0},
    ]
    case = case_from_data({**INPUTS, "schedule": {"steps": steps}}, Path())
    data = sweep(case, [Axis(("schedule.steps.2.hold_h",), (0.0, 5.0))])
    assert np.diff(data["total_time"]) == close([5 * 3600.0])
