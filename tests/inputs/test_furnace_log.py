"""Furnace logs as they come: what is read, how it is told, what is refused; and programme against log."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bronzeward.errors import InputError
from bronzeward.inputs.case import case_from_data
from bronzeward.inputs.furnace_log import load_log, read_log, spikes
from bronzeward.inputs.schedule import Schedule
from bronzeward.reports.furnace_deviation import deviation_sentences, deviation_table, trace_csv, verdict
from bronzeward.studies.furnace_deviation import compare_programme, error_trace
from closeness import close

# text, channel, times [h], temperatures [°C], words in what is said of it
GOOD = {
    "plain": ("time_h,temperature_C\n0,20\n1,40\n2,60\n", None, [0, 1, 2], [20, 40, 60], ["commas", "in h", "°C"]),
    "semicolons and decimal commas": (
        "Time (min);T [°C]\n0;20,5\n30;40,5\n60;60,5\n", None, [0, 0.5, 1], [20.5, 40.5, 60.5], ["decimal commas"],
    ),
    "tabs and a line of units": ("time\tTC1\nmin\t°C\n0\t20\n60\t30\n", None, [0, 1], [20, 30], ["tabs", "TC1 [°C]"]),
    "kelvin, time starting late": ("t [s];T [K]\n3600;300\n7200;310\n", None, [0, 1], [26.85, 36.85], ["in K"]),
    "fahrenheit and a twelve-hour clock": (
        "Timestamp,Chamber (degF)\n3/14/2031 11:30 AM,68\n3/14/2031 12:30 PM,212\n", None, [0, 1], [20, 100],
        ["month before day", "°F"],
    ),
    "remarks above, date and time apart, two channels and a set point": (
        "# tall furnace\nOperator;shift 2\n\nDate;Time;TC 1 [°C];TC 2 [°C];SP [°C]\n"
        "24.03.2031;23:30:00;20,5;21,0;20\n25.03.2031;00:30:00;30,5;31,0;30\n",
        "TC 2", [0, 1], [21, 31],
        ["line 4", "day before month", "Other channels: TC 1", "Set points, not measured: SP"],
    ),
    "channel by number": ("time_h,A_C,B_C\n0,20,30\n1,21,31\n", "2", [0, 1], [30, 31], ["'B_C'"]),
    "mean of channels": (
        "time_h,A_C,B_K\n0,20,303.15\n1,40,323.15\n", "mean", [0, 1], [25, 45], ["the mean of A_C, B_K"],
    ),
    "hottest": ("time_h,A_C,B_C\n0,20,30\n1,41,31\n", "hottest", [0, 1], [30, 41], ["the hottest of"]),
    "coldest": ("time_h,A_C,B_C\n0,20,30\n1,41,31\n", "Coldest", [0, 1], [20, 31], ["the coldest of"]),
    "iso with zone": (
        "datetime;temp in °C\n2031-05-04T13:30:00+02:00;20,0\n2031-05-04T12:30:00Z;24\n", None, [0, 1], [20, 24],
        ["2031-05-04 11:30"],
    ),
    "clock past midnight": (
        "Time,T_K\n23:00:00,300\n23:45:00,310\n00:30:00,320\n", None, [0, 0.75, 1.5], [26.85, 36.85, 46.85], [],
    ),
    "elapsed beyond a day": ("Elapsed,T_C\n0:00,20\n20:00,40\n40:00,60\n", None, [0, 20, 40], [20, 40, 60], []),
    "order of day and month from midnight": (
        "date,T_C\n03/04/2031 23:00,20\n03/05/2031 01:00,30\n", None, [0, 2], [20, 30], ["month before day"],
    ),
    "order that does not matter": (
        "date,T_C\n03/04/2031 08:00,20\n03/04/2031 09:00,30\n", None, [0, 1], [20, 30], ["swapped"],
    ),
    "names of months": ("date,T_C\n04-May-2031 08:00,20\n04-May-2031 09:00,30\n", None, [0, 1], [20, 30], []),
    "quoted, thousands": ('"Elapsed time, h","Core, °C"\n"0","20"\n"1","1,000.5"\n', None, [0, 1], [20, 1000.5], []),
    "only a set point": ("time_h,setpoint_C\n0,20\n1,40\n", None, [0, 1], [20, 40], []),
    "trailing separators": ("time_h;T_C;\n0;20;\n1;40;\n", None, [0, 1], [20, 40], []),
}  # fmt: skip


@pytest.mark.parametrize(("text", "channel", "hours", "celsius", "said"), GOOD.values(), ids=GOOD.keys())
def test_logs_are_read_and_told(tmp_path, text, channel, hours, celsius, said):
    path = tmp_path / "log.csv"
    path.write_text(text, encoding="utf-8")
    log = load_log(path, channel=channel)
    np.testing.assert_allclose(log.time / 3600, hours, atol=1e-9)
    np.testing.assert_allclose(log.temperature - 273.15, celsius, atol=1e-9)
    told = " ".join(log.understood)
    for word in (*said, "rows", "Time:", "Temperature:"):
        assert word in told


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("ending", ["\n", "\r\n"])
def test_encodings_and_line_ends(tmp_path, encoding, ending):
    path = tmp_path / "log.csv"
    path.write_bytes(ending.join(["time_h;T [°C]", "0;20", "1;40", ""]).encode(encoding))
    time, kelvin = read_log(path)
    assert time.tolist() == [0.0, 3600.0]
    assert kelvin.tolist() == [293.15, 313.15]


BAD = {
    "several channels": ("time_h,A_C,B_C\n0,20,30\n1,21,31\n", None, "2 temperature channels"),
    "no such channel": ("time_h,A_C\n0,20\n1,21\n", "C", "no channel 'C'"),
    "channel number too high": ("time_h,A_C\n0,20\n1,21\n", "2", "no channel"),
    "no unit": ("time,temperature\n0,20\n1,40\n", None, "unit"),
    "time without unit": ("time,T_C\n0,20\n1,40\n", None, "no unit"),
    "decimal commas between commas": ("time_h,T_C\n0,20\n1,4,5\n", None, "semicolons"),
    "day and month": ("date,T_C\n03/04/2031 08:00,20\n03/05/2031 08:00,30\n03/06/2031 08:00,30\n", None, None),
    "truly unclear day and month": ("date,T_C\n01/02/2031 08:00,20\n02/03/2031 08:00,30\n", None, "told apart"),
    "not a date": ("date,T_C\n2031-13-01 08:00,20\n2031-13-02 08:00,30\n", None, "not understood as date"),
    "broken number": ("time_h,T_C\n0,20\n1,open\n2,30\n", None, "line 3"),
    "blank": ("time_h,T_C\n0,20\n1,\n2,30\n", None, "gaps"),
    "nan": ("time_h,T_C\n0,20\n1,nan\n2,30\n", None, "finite"),
    "repeated": ("time_h,T_C\n0,20\n1,30\n1,40\n", None, "line 4 repeats"),
    "backward": ("time_h,T_C\n0,20\n2,40\n1,60\n", None, "back"),
    "clock set back": (
        "datetime,T_C\n2031-10-26 02:30,20\n2031-10-26 02:50,21\n2031-10-26 02:10,22\n", None, "clock changed",
    ),
    "gap": ("time_h,T_C\n0,20\n1,30\n2,40\n60,50\n61,60\n", None, "a gap of 58 h before line 5"),
    "one row": ("time_h,T_C\n0,20\n", None, "two rows"),
    "nothing": ("", None, "header"),
}  # fmt: skip


@pytest.mark.parametrize(("text", "channel", "word"), BAD.values(), ids=BAD.keys())
def test_what_cannot_be_read_without_guessing_is_refused(tmp_path, text, channel, word):
    path = tmp_path / "log.csv"
    path.write_text(text, encoding="utf-8")
    if word is None:  # daily rows: only month before day makes sense
        assert load_log(path, channel=channel).time[-1] == 2 * 86400
        return
    with pytest.raises(InputError, match=word) as told:
        load_log(path, channel=channel)
    assert str(path) in str(told.value)


def test_binary_and_missing_files(tmp_path):
    (tmp_path / "a.csv").write_bytes(b"\x00\x01\x02time_h,T_C")
    with pytest.raises(InputError, match="not a text file"):
        load_log(tmp_path / "a.csv")
    with pytest.raises(InputError, match="no such file"):
        load_log(tmp_path / "b.csv")


def test_longest_gap_is_the_users_to_choose(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("time_h,T_C\n0,20\n1,30\n2,40\n60,50\n61,60\n", encoding="utf-8")
    assert load_log(path, longest_gap=60 * 3600).time[-1] == 61 * 3600
    with pytest.raises(InputError, match="gap"):
        load_log(path, longest_gap=0.5 * 3600)


def test_a_case_chooses_its_channel(tmp_path):
    (tmp_path / "log.csv").write_text("time_h,A_C,B_C\n0,20,30\n1,121,131\n", encoding="utf-8")
    strand = {"core_diameter_um": 24.0, "sleeve_diameter_um": 44.0}
    case = case_from_data({"strand": strand, "schedule": {"log": "log.csv", "log_channel": "B_C"}}, tmp_path)
    assert case.schedule.temperature[-1] - 273.15 == close(131.0)
    with pytest.raises(InputError, match="channels"):
        case_from_data({"strand": strand, "schedule": {"log": "log.csv"}}, tmp_path)


def read_or_refused(path, channel=None):
    """The log, or None when it was refused in words that name the file."""
    refused = ""
    try:
        return load_log(path, channel=channel)
    except InputError as error:
        refused = str(error)
    assert str(path) in refused
    return None


@given(st.text(max_size=400))
def test_any_text_is_read_or_refused_in_words(tmp_path_factory, text):
    path = tmp_path_factory.getbasetemp() / "text.csv"
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    read_or_refused(path)


HEADERS = st.sampled_from(["time_h,T_C\n", "date;T [K]\n", "Time,A_F,B_C\n", "Date,Time,T_C\n"])
ROWS = st.lists(st.text('0123456789.,;:/-+eT nainf"', max_size=30), max_size=6)


@given(HEADERS, ROWS)
def test_any_rows_below_a_header_are_read_or_refused_in_words(tmp_path_factory, header, rows):
    path = tmp_path_factory.getbasetemp() / "rows.csv"
    path.write_text(header + "\n".join(rows), encoding="utf-8")
    log = read_or_refused(path, "mean")
    if log is not None:
        assert (np.diff(log.time) > 0).all()
        assert np.isfinite(log.temperature).all()


PLAN = Schedule.start(20).ramp(25, to=210).hold(24).ramp(50, to=400).hold(10)


def log_of(plan: Schedule, late: float, off: float = 0.0, lag: float = 0.0) -> Schedule:
    """A log of a furnace that starts `late` [s] before or after the programme, `off` [K] too hot, lagging [s]."""
    time = np.arange(late, plan.time[-1], 300.0)
    return Schedule.from_arrays(time - late, plan.temperature_at(time - lag) + off)


@pytest.mark.parametrize("late", [0.0, 3600.0, 7500.0])
def test_the_log_finds_its_place_in_the_programme(late):
    found = compare_programme(PLAN, log_of(PLAN, late))
    assert found.shift == pytest.approx(late, abs=120.0)
    assert max(abs(one.largest_error) for one in found.segments) < 2.0
    assert found.uncovered == pytest.approx(max(late, 0.0), abs=600.0)


def test_offset_and_rate_are_told_segment_by_segment():
    found = compare_programme(PLAN, log_of(PLAN, 0.0, off=3.0), shift=0.0)
    assert len(found.segments) == 4
    for one in found.segments:
        # a row every 5 min misses the corners of the programme by up to 4 K over 5 min
        assert one.mean_error == pytest.approx(3.0, abs=0.02)
        assert one.measured_rate * 3600 == pytest.approx(one.programmed_rate * 3600, abs=0.2)
    text = deviation_table(found)
    assert max(map(len, text.splitlines())) <= 80
    assert text.count(" 3.0") >= 6
    said = " ".join(deviation_sentences(found))
    assert "+3.0 K" in said
    assert "0.00 h after" in said


def test_lag_shows_on_ramps_and_not_on_holds():
    found = compare_programme(PLAN, log_of(PLAN, 0.0, lag=600.0), shift=0.0)
    ramps = [one for one in found.segments if one.programmed_rate > 0]
    # 600 s at 25 and 50 °C/h
    assert [one.largest_error for one in ramps] == pytest.approx([-25 / 6, -50 / 6], abs=0.1)


def test_a_log_elsewhere_is_told():
    with pytest.raises(InputError, match="does not overlap"):
        compare_programme(PLAN, log_of(PLAN, 0.0), shift=1e7)


def spiky(tmp_path, changes, unit="temperature_C"):
    """A log of a ramp and a hold, a row each six minutes, with some of its cells replaced; lines count from 2."""
    celsius = [min(20.0 + 10.0 * k, 210.0) for k in range(60)]
    cells = {k: f"{t:g}" for k, t in enumerate(celsius)} | changes
    path = tmp_path / "log.csv"
    path.write_text(f"time_h,{unit}\n" + "".join(f"{0.1 * k:.1f},{cells[k]}\n" for k in range(60)), encoding="utf-8")
    return path, np.array(celsius) + 273.15


DROP_OUTS = {
    "to zero": {40: "0"},
    "five to zero": dict.fromkeys(range(40, 45), "0"),
    "twenty to zero": dict.fromkeys(range(25, 45), "0.0"),
    "spike": {40: "1370"},
    "in the ramp": {10: "0"},
    "below absolute zero": {40: "-400"},
    "small": {40: "150"},
}


@pytest.mark.parametrize("changes", DROP_OUTS.values(), ids=DROP_OUTS)
def test_drop_outs_are_an_error_or_left_out_never_taken_for_real(tmp_path, changes):
    path, kelvin = spiky(tmp_path, changes)
    first = min(changes) + 2
    with pytest.raises(InputError, match=rf"line {first}: .*despike leaves them out"):
        load_log(path)
    log = load_log(path, longest_gap=3 * 3600.0, despike=True)
    kept = np.array([k for k in range(60) if k not in changes])
    np.testing.assert_allclose(log.temperature, kelvin[kept], rtol=1e-12)
    np.testing.assert_allclose(log.time, kept * 360.0, atol=1e-6)
    assert f"Left out: {len(changes)} row" in log.understood[-1]
    assert str(first) in log.understood[-1]


def test_empty_cells_are_left_out_when_asked(tmp_path):
    path, _ = spiky(tmp_path, {7: "", 8: "---", 30: "nan"})
    with pytest.raises(InputError, match=r"line 9: '' is not a number.*despike"):
        load_log(path)
    log = load_log(path, despike=True)
    assert log.time.size == 57
    assert log.understood[-1] == "Left out: 3 rows, line 9, 10, 32."


def test_what_a_furnace_does_is_no_spike(tmp_path):
    """Quenches, steep ramps in few rows, turns and noise stay."""
    rng = np.random.default_rng(3)
    for celsius in (
        [20.0] * 20 + [210.0] * 20 + [20.0] * 20,
        [20.0 + 90.0 * min(k, 10 - k) for k in range(11)] * 3,
        list(210.0 + 3.0 * rng.standard_normal(60)),
        [*np.linspace(20, 600, 15), *np.linspace(600, 300, 15), *np.linspace(300, 700, 15)],
    ):
        assert not spikes(np.array(celsius) + 273.15).any()


def test_a_temperature_that_no_schedule_may_have_is_told_by_its_line(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("time_h,temperature_C\n0,20\n1,1400\n2,30\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"line 3: 1400 °C; allowed are 0 to 1000 °C"):
        read_log(path)


def test_an_offset_is_no_shift():
    """A log 3 K off that starts with its programme starts with it; one 0.5 h late too is 0.5 h late."""
    assert compare_programme(PLAN, log_of(PLAN, 0.0, off=3.0)).shift == 0.0
    assert compare_programme(PLAN, log_of(PLAN, 0.0, off=-8.0)).shift == 0.0
    late = compare_programme(PLAN, log_of(PLAN, 1800.0, off=3.0))
    assert late.shift == pytest.approx(compare_programme(PLAN, log_of(PLAN, 1800.0)).shift, abs=60.0)


def test_a_tolerance_passes_or_fails():
    """An offset of 3 K is within 20 K for all of the log and outside 2 K for all of it."""
    time = np.union1d(np.arange(0.0, PLAN.time[-1], 300.0), PLAN.time)
    trace = error_trace(compare_programme(PLAN, Schedule.from_arrays(time, PLAN.temperature_at(time) + 3.0), shift=0.0))
    assert trace.error == pytest.approx(3.0, abs=1e-9)
    assert verdict(trace, 20.0).startswith("Pass: always within 20 K; at most +")
    assert trace.outside(2.0) == close(float(np.ptp(trace.time)))
    assert f"Fail: outside 2 K for {np.ptp(trace.time) / 3600:.2f} h" in verdict(trace, 2.0)
    rows = trace_csv(trace).splitlines()
    assert rows[0] == "time_h,programmed_C,measured_C,error_K"
    assert len(rows) == trace.time.size + 1
    hours, programmed, measured, error = map(float, rows[5].split(","))
    assert hours == close(trace.time[4] / 3600)
    assert error == pytest.approx(measured - programmed, abs=1e-5)
    with pytest.raises(InputError, match="tolerance"):
        trace.outside(0.0)


@pytest.mark.parametrize("late", [0.0, 3.0])
def test_a_log_is_not_laid_on_another_hold_because_that_looks_alike(late):
    """Two ramps of one rate and two holds of one length: 190 K off, the second half looks like the first."""
    plan = Schedule.start(20).ramp(25, to=210).hold(24).ramp(25, to=400).hold(24)
    time = np.arange(0.0, plan.time[-1], 300.0)
    noise = 0.3 * np.sin(np.arange(time.size) * 1.7)
    kelvin = plan.temperature_at(time) + noise + np.where(time > 40 * 3600, 3.0, 0.0)  # a zone 3 K too hot from 40 h on
    begun = time >= late * 3600
    log = Schedule.from_arrays(time[begun] - time[begun][0], kelvin[begun])
    kept = compare_programme(plan, log)
    assert kept.shift == pytest.approx(late * 3600, abs=300)
    assert kept.segments[-1].mean_error == pytest.approx(3.0 * (63.2 - 40.0) / 24.0, abs=0.05)
