"""Options about furnaces: an offset, a programme as CSV, a log judged by a tolerance, a start at temperature."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from bronzeward.inputs import starter
from bronzeward.inputs.case import load_case
from bronzeward.inputs.furnace_log import read_log
from bronzeward.inputs.schedule import Schedule
from closeness import close


@pytest.fixture
def case(in_folder: Path) -> Path:
    (in_folder / "case.toml").write_text(starter.text(), encoding="utf-8")
    return in_folder / "case.toml"


def test_an_offset_moves_the_whole_programme(command, case) -> None:
    code, out, _ = command("run", case, "--offset", "5", "--json")
    assert code == 0
    assert json.loads(out)["total_hours"] == close(load_case(case).schedule.hours)
    hot, plain = load_case("case.nc").schedule, load_case(case).schedule
    assert hot.quenched
    assert hot.temperature == close(plain.temperature + 5.0)
    for words in (("--offset", "700"), ("--offset", "nan")):
        code, _, errors = command("run", case, "--overwrite", *words)
        assert (code, errors.count("\n")) == (2, 1)
    cold = Schedule.start(3).ramp(10, to=50).offset(-5.0)
    assert cold.temperature == close([273.15, 273.15 + 45.0])


def test_the_programme_is_written_as_csv(command, case) -> None:
    code, _, errors = command("run", case, "--programme", "furnace.csv", "--quiet")
    assert (code, errors) == (0, "")
    rows = [line.split(",") for line in Path("furnace.csv").read_text(encoding="utf-8").splitlines()]
    assert rows[0] == ["segment", "rate_C_per_h", "set_point_C", "dwell_h", "ends_at_h"]
    assert rows[1] == ["1", "+25", "210", "24", "31.6"]
    assert rows[2] == ["2", "+25", "400", "24", "63.2"]
    assert rows[3][1] == "quench"


def test_a_log_passes_or_fails(command, case) -> None:
    plan = load_case(case).schedule
    hours = [0.1 * k for k in range(633)]
    rows = [f"{h:.1f},{float(plan.temperature_at(3600.0 * h)) - 273.15 + 3.0:.3f}" for h in hours]
    Path("log.csv").write_text("\n".join(["time_h,temperature_C", *rows]), encoding="utf-8")
    code, out, _ = command("log", "log.csv", "--case", case, "--tolerance", "5", "--errors", "errors.csv")
    assert code == 0
    assert "Pass: always within 5 K" in out
    assert "starts 0.00 h after the programme" in out
    assert len(Path("errors.csv").read_text(encoding="utf-8").splitlines()) > 633
    code, out, _ = command("log", "log.csv", "--case", case, "--tolerance", "2", "--json")
    assert code == 1
    assert json.loads(out)["passed"] is False
    code, _, errors = command("log", "log.csv", "--tolerance", "2")
    assert code == 2
    assert "--case" in errors


def test_a_case_may_leave_drop_outs_out(command, in_folder) -> None:
    cells = [f"{min(20 + 10 * k, 210)}" for k in range(40)]
    cells[30] = "0"
    rows = "".join(f"{0.1 * k:.1f},{c}\n" for k, c in enumerate(cells))
    Path("log.csv").write_text("time_h,temperature_C\n" + rows, encoding="utf-8")
    text = starter.text()
    start, end = text.index("start_C"), text.index("# instead of start_C")
    for more, code_wanted in (("", 2), ("despike = true", 0), ("despike = 3", 2)):
        Path("case.toml").write_text(f'{text[:start]}log = "log.csv"\n{more}\n{text[end:]}', encoding="utf-8")
        code, _, errors = command("run", "case.toml", "--quiet", "--overwrite")
        assert (code, errors.count("\n")) == (code_wanted, code_wanted // 2), errors
    assert read_log(Path("log.csv"), despike=True)[0].size == 39


def test_an_anneal_may_start_at_its_temperature(command, in_folder) -> None:
    Path("couple.toml").write_text(
        "[couple]\ntin_thickness_um = 50.0\ncopper_thickness_um = 100.0\n"
        "[schedule]\nstart_C = 200.0\nsteps = [{ hold_h = 10.0 }, { quench = true }]\n",
        encoding="utf-8",
    )
    code, out, _ = command("run", "couple.toml", "--json")
    assert code == 0
    assert json.loads(out)["shell_at_end_m"] > 1e-6
