"""The command line as a user meets it: sentences, data for other tools, and one clear line on bad input."""

from __future__ import annotations

import csv
import json
import os
import re
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from matplotlib.image import imsave

from bronzeward.inputs import starter
from bronzeward.inputs.case import load_case
from bronzeward.model.result import write_netcdf
from bronzeward.model.simulation import run_case
from closeness import close

CASE = starter.STARTER.read_text(encoding="utf-8")


@pytest.fixture
def case(in_folder):
    path = in_folder / "case.toml"
    path.write_text(CASE, encoding="utf-8")
    return path


def test_run_says_the_four_answers_and_writes_the_history(command, case, in_folder):
    code, out, err = command("run", case)
    assert (code, err) == (0, "")
    for words in ("first melts after", "shell is then", "Liquid peaks at", "liquid is gone after", "schedule takes"):
        assert words in out
    assert (in_folder / "case.nc").is_file()
    assert "Traceback" not in out


def test_run_json_has_the_promised_keys(command, case):
    code, out, _ = command("run", case, "--json")
    data = json.loads(out)
    assert code == 0
    assert data["schema"] == "bronzeward/summary/1"
    promised = {
        "first_liquid", "shell_at_first_liquid_m", "tin_left_at_first_liquid", "peak_liquid", "liquid_gone",
        "eta_at_peritectic", "overfill_at_first_liquid", "total_hours",
    }  # fmt: skip
    assert promised <= set(data)
    assert data["first_liquid"]["temperature_K"] - 273.15 == close(data["first_liquid"]["temperature_C"])
    assert data["total_hours"] == close(7.6 + 24 + 7.6 + 24)


def test_example_prints_a_case_that_runs(command, in_folder):
    code, out, _ = command("example")
    assert code == 0
    assert out == CASE
    code, out, _ = command("example", "-o", "mine.toml")
    assert code == 0
    assert (in_folder / "mine.toml").read_text(encoding="utf-8") == CASE
    assert command("run", "mine.toml", "--quiet")[:2] == (0, "")


def test_invariants_json_has_the_promised_form(command):
    _, out, err = command("invariants", "--json")
    data = json.loads(out)
    assert err == ""
    assert "schema" in data
    for row in data["invariants"]:
        assert {"kind", "reaction", "temperature_K", "temperature_C", "phases"} <= set(row)
        assert row["temperature_K"] - 273.15 == close(row["temperature_C"])
        for phase in row["phases"]:
            assert {"name", "x_sn", "w_sn"} <= set(phase)
    kinds = [(row["kind"], row["reaction"]) for row in data["invariants"]]
    assert ("melting", "liquid -> (Sn)") in kinds
    assert ("melting", "liquid -> alpha") in kinds
    assert ("congruent", "gamma -> epsilon") in kinds


def test_phases_and_liquidus(command):
    code, out, _ = command("phases", 400, "--at", 20)
    assert code == 0
    assert "delta" in out
    assert "alpha" in out
    _, out, _ = command("phases", "--from", 20, "--to", 700, "--wt", 32, "--json")
    assert json.loads(out)["stretches"]
    # ISO 9453 alloy 401, Sn99.3Cu0.7: melts at 227 C (standard's table, second-hand)
    _, out, _ = command("liquidus", "--wt", 99.3, "--json")
    point = json.loads(out)["points"][0]
    assert point["solidus_C"] == pytest.approx(227, abs=1)
    assert point["liquidus_C"] == pytest.approx(227, abs=1.5)


@pytest.fixture(scope="module")
def stored(tmp_path_factory):
    path = tmp_path_factory.mktemp("stored") / "starter.nc"
    write_netcdf(run_case(load_case(starter.STARTER)), path)
    return path


@pytest.mark.parametrize(
    ("words", "made"),
    [
        (("plot", "--volume", "--equilibrium", "-o", "a.png"), "a.png"),
        (("plot", "--against", "temperature", "-o", "a.svg"), "a.svg"),
        (("section", "--at", "first liquid", "--at", "end", "-o", "a.pdf"), "a.pdf"),
        (("report", "-o", "a.html"), "a.html"),
    ],
)
def test_pictures_and_report_are_written_once(command, in_folder, stored, words, made):
    name, *rest = words
    code, out, err = command(name, stored, *rest)
    assert (code, err) == (0, "")
    assert made in out
    size = (in_folder / made).stat().st_size
    assert size > 5000
    code, _, err = command(name, stored, *rest)
    assert code == 2
    assert "--overwrite" in err
    assert (in_folder / made).stat().st_size == size


def test_section_gives_the_radii_at_the_moment_asked_for(command, in_folder, stored):
    words = ("section", stored, "--at", "first liquid", "--at", "350.0C", "-o", "a.png")
    data = json.loads(command(*words, "--layers", "layers.csv", "--json")[1])
    assert data["schema"] == "bronzeward/section/1"
    first, later = data["moments"]
    assert later["temperature_K"] == pytest.approx(623.15, abs=1e-3)
    for moment in (first, later):
        layers = moment["layers"]
        assert layers[-1]["outer_m"] == close(22e-6)
        assert all(one["outer_m"] == close(other["inner_m"]) for one, other in pairwise(layers))
    rows = list(csv.DictReader((in_folder / "layers.csv").read_text(encoding="utf-8").splitlines()))
    assert [row["layer"] for row in rows] == [layer["layer"] for one in data["moments"] for layer in one["layers"]]
    assert float(rows[-1]["outer_um"]) == 22.0
    assert {row["temperature_C"] for row in rows if row["moment"] == "350.0C"} == {"350.00"}


def test_section_beside_a_micrograph(command, in_folder, stored):
    imsave(in_folder / "photo.png", np.zeros((400, 400)), cmap="gray")
    code, _, err = command("section", stored, "--beside", "photo.png", "--scale", 0.1, "-o", "both.png")
    assert (code, err) == (0, "")
    assert (in_folder / "both.png").is_file()
    for words, said in (
        (("--beside", "photo.png"), "needs --scale"), (("--scale", 1), "need --beside"),
        (("--beside", "photo.png", "--scale", 1, "--at", "end", "--at", "start"), "room for one"),
    ):  # fmt: skip
        code, _, err = command("section", stored, *words, "-o", "other.png")
        assert code == 2
        assert said in err
    assert not (in_folder / "other.png").exists()


def test_compare_names_both(command, in_folder, stored):
    code, out, _ = command("compare", stored, stored, "-o", "both.png")
    assert code == 0
    assert "shell at first liquid, µm" in out
    assert (in_folder / "both.png").is_file()
    _, out, _ = command("compare", stored, stored, "--json")
    assert json.loads(out)["schema"] == "bronzeward/compare/1"


def test_compare_judges_cases_and_results_by_limits(command, case, in_folder, stored):
    vary, keep = "schedule.steps.1.hold_h=4,24", "shell_at_first_liquid>=3@60"
    words = ("compare", case, stored, "--vary", vary, "--keep", keep, "--members", 4)
    code, out, _ = command(*words, "-o", "verdict.png")
    assert code == 0
    assert "hold_h 24: shell at first liquid >= 3 µm in" in out
    assert (in_folder / "verdict.png").is_file()
    data = json.loads(command(*words, "--json")[1])
    assert [row["name"] for row in data["schedules"]] == ["case, hold_h 4", "case, hold_h 24", "starter"]
    impossible = ("compare", case, "--keep", "shell_at_first_liquid>=3000@60", "--members", 4)
    code, out, _ = command(*impossible, "-o", "none.png")
    assert code == 1
    assert "None of these schedules keeps every limit" in out
    assert (in_folder / "none.png").is_file()
    assert command(*impossible, "--json")[0] == command(*impossible, "-q")[0] == 1
    _, out, _ = command("compare", case, stored)
    assert "shell at first liquid, µm" in out
    code, _, err = command("compare", case, "--constants", "default")
    assert (code, err) == (2, "bronzeward: compare: --constants needs --keep, the limit to judge by\n")


def test_witness_names_a_sample_and_draws_it(command, case, in_folder, monkeypatch):
    monkeypatch.setattr("bronzeward.studies.witness.DRAWS", 4)  # tests/studies/test_witness.py tries how well it knows
    asked = ("--for", "shell_at_first_liquid", "--keep", "shell_at_first_liquid>=5@90")
    words = ("witness", case, *asked, "--members", 20, "--anneal-at", "210", "--anneal-for", "4")
    code, out, _ = command(*words, "--figure", "left.png", "--sections", "look.png", "-o", "witness.nc",
                           "--layers", "layers.csv")  # fmt: skip
    assert code == 0
    assert "To be filled in for `fit`: layers.csv" in out
    assert "Best pair" in out
    assert max(len(line) for line in out.splitlines() if re.search(r"\S {2,}\S", line)) <= 80  # rows of its tables
    for made in ("left.png", "look.png", "witness.nc"):
        assert (in_folder / made).stat().st_size > 5000
    data = json.loads(command(*words, "--json")[1])
    assert data["schema"] == "bronzeward/witness/1"
    assert data["best"] in [sample["name"] for sample in data["samples"]]
    code, _, err = command("witness", case, "--for", "shell_at_end", "--anneal-at", "hot")
    assert (code, err) == (2, "bronzeward: witness: --anneal-at is 'hot'; expected numbers, as in 180,210\n")


def test_shorten_writes_no_case_that_keeps_no_limit(command, case, in_folder):
    """Nothing takes less than an hour, and no shell gets thicker than the sleeve."""
    free = ("--free", "schedule.steps.1.hold_h=0:1", "--members", 3)
    (in_folder / "old.toml").write_text("old")
    for limit in ("total_time<=1@90", "shell_at_first_liquid>=30@90"):
        code, out, err = command("shorten", case, *free, "--keep", limit, "-o", "old.toml", "--overwrite")
        assert (code, err) == (1, "")
        assert out.startswith("No schedule keeps all limits")
        assert "No case written" in out
        assert "cannot be shorter" not in out
    code, out, _ = command("shorten", case, *free, "--keep", "total_time<=1@90", "-o", "new.toml", "--json")
    assert (code, json.loads(out)["output"]) == (1, None)
    assert (in_folder / "old.toml").read_text() == "old"
    assert sorted(path.name for path in in_folder.iterdir()) == ["case.toml", "old.toml"]


def test_the_curve_takes_and_gives_the_units_of_its_limit(command, case, in_folder):
    """Percent where the limit is in percent, as on the command line so in the table; fractions in JSON."""
    words = [
        "shorten", case, "--free", "schedule.steps.1.hold_h=20:24", "--keep", "peak_liquid<=90", "--members",
        "4", "--curve=80,85",
    ]  # fmt: skip
    code, out, errors = command(*words)
    assert (code, errors) == (0, "")
    lines = [line.split()[0] for line in out.split("[%]  least hours\n")[1].splitlines()[:2]]
    assert lines == ["80", "85"]
    code, out, _ = command(*words, "--json", "--overwrite")
    plain = json.loads(out)
    assert code == 0
    assert plain["curve"]["limit"] == pytest.approx([0.8, 0.85])
    assert plain["curve_limit_units"] == "1"


def test_log_says_what_it_understood(command, in_folder, case):
    (in_folder / "log.csv").write_text("time_h,temperature_C\n0,20\n1,45\n2,70.5\n3,95\n", encoding="utf-8")
    code, out, _ = command("log", "log.csv", "--case", case, "-o", "kept.png")
    assert code == 0
    assert "divided by commas" in out
    assert "programmed" in out
    assert (in_folder / "kept.png").is_file()


def with_line(old: str, new: str) -> str:
    assert old in CASE
    return CASE.replace(old, new)


BAD_CASES = {
    "unknown key": (with_line("core_diameter_um = 24.0", "core_diameter_um = 24.0\ncolour = 3"), "colour"),
    "unknown table": (CASE + "\n[weather]\nrain = 1\n", "weather"),
    "negative diameter": (with_line("core_diameter_um = 24.0", "core_diameter_um = -24.0"), "above 0"),
    "ramp of nothing": (with_line("ramp_C_per_h = 25.0, to_C = 210.0", "ramp_C_per_h = 0, to_C = 210.0"), "above 0"),
    "below absolute zero": (with_line("to_C = 210.0", "to_C = -300.0"), "absolute zero"),
    "never heats": (re.sub(r"(?s)steps = \[.*?\n\]", "steps = [{ hold_h = 3 }]", CASE), "never heats"),
    "not a number": (with_line("hold_h = 24.0 },\n    { ramp", "hold_h = nan },\n    { ramp"), "finite"),
    "text for a number": (with_line("core_diameter_um = 24.0", 'core_diameter_um = "thick"'), "finite"),
    "no strand": (CASE.replace("[strand]", "[couple]"), "unknown key"),
    "broken toml": (CASE + "\n[strand\n", "not valid TOML"),
    "unknown set": (with_line('set = "default"', 'set = "nobody1900"'), "nobody1900"),
    "unknown description": (with_line('"cu-sn-shim1996"', '"cu-sn-nobody"'), "cu-sn-nobody"),
    "tolerance": (with_line("tolerance = 1e-3", "tolerance = 7"), "tolerance"),
    "two kinds in a step": (
        with_line("{ hold_h = 24.0 },\n    { ramp", "{ hold_h = 24.0, quench = true },\n { ramp"),
        "one of",
    ),
}


@pytest.mark.parametrize(("text", "word"), BAD_CASES.values(), ids=BAD_CASES.keys())
def test_bad_cases_give_one_line_and_exit_code_2(command, in_folder, text, word):
    (in_folder / "bad.toml").write_text(text, encoding="utf-8")
    code, out, err = command("run", "bad.toml")
    assert code == 2
    assert out == ""
    assert err.count("\n") == 1
    assert word in err
    assert "bad.toml" in err
    assert [path.name for path in in_folder.iterdir()] == ["bad.toml"]


def with_log(text: str) -> str:
    """The case with a log as its schedule, beside the log itself."""
    Path("log.csv").write_text(text, encoding="utf-8")
    return re.sub(r"(?s)start_C = 20.0\nsteps = \[.*?\n\]", 'log = "log.csv"', CASE)


BAD_LOGS = {"gap": ("0,20\n1,40\n2,\n3,80\n", "line 4"), "below zero": ("0,20\n1,-400\n2,60\n", "absolute zero")}


@pytest.mark.parametrize(("rows", "word"), BAD_LOGS.values(), ids=BAD_LOGS)
def test_bad_logs_give_one_line_and_exit_code_2(command, in_folder, rows, word):
    (in_folder / "case.toml").write_text(with_log(f"time_h,temperature_C\n{rows}"), encoding="utf-8")
    code, out, err = command("run", "case.toml")
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert word in err
    assert not (in_folder / "case.nc").exists()


def test_a_good_log_runs(command, in_folder):
    rows = "\n".join(f"{k * 10};{20 + 2 * k},5" for k in range(120))
    (in_folder / "case.toml").write_text(with_log(f"time (min);T [°C]\n{rows}\n"), encoding="utf-8")
    code, out, _ = command("run", "case.toml", "--json")
    assert code == 0
    assert json.loads(out)["total_hours"] == close(119 / 6)


def test_tdb_without_tin_is_told(command, in_folder):
    (in_folder / "iron.tdb").write_text("ELEMENT FE BCC_A2 55.8 0 0 !\nELEMENT C GRAPHITE 12 0 0 !\n", encoding="utf-8")
    (in_folder / "case.toml").write_text(with_line('"cu-sn-shim1996"', '"iron.tdb"'), encoding="utf-8")
    for words in (("run", "case.toml"), ("invariants", "-d", "iron.tdb"), ("describe", "iron.tdb")):
        code, out, err = command(*words)
        assert (code, out, err.count("\n")) == (2, "", 1)
        assert "iron.tdb" in err
        assert not (in_folder / "case.nc").exists()


def test_output_folder_missing_and_existing_output(command, case, in_folder):
    code, _, err = command("run", case, "-o", "nowhere/out.nc")
    assert code == 2
    assert "does not exist" in err
    (in_folder / "out.nc").write_text("precious")
    code, _, err = command("run", case, "-o", "out.nc")
    assert code == 2
    assert "--overwrite" in err
    assert (in_folder / "out.nc").read_text() == "precious"


@pytest.mark.parametrize(
    "words",
    [
        ("phases", 400),
        ("phases", 400, "--at", 20, "--wt", 30),
        ("phases", 400, "--at", 120),
        ("phases", "--from", 20, "--at", 20),
        ("phases", -400, "--at", 20),
        ("liquidus", "--at", "nan"),
        ("diagram", "--zoom", "iron"),
        ("diagram", "--point", "20"),
        ("plot", "missing.nc"),
    ],
)
def test_other_bad_input(command, in_folder, words):
    code, _, err = command(*words)
    assert code == 2
    assert "Traceback" not in err
    assert err
    assert list(in_folder.iterdir()) == []


def test_every_command_explains_itself_with_an_example(command):
    _, out, _ = command("--help")
    names = re.findall(r"^  ([a-z]+) ", out.split("Commands:")[1], flags=re.MULTILINE)
    assert {"run", "plot", "example", "invariants", "phases", "liquidus"} <= set(names)
    for name in names:
        code, out, _ = command(name, "--help")
        assert code == 0
        assert "Example: bronzeward" in out, name


def test_closed_pipe_ends_quietly(table):
    environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
    line = f"'{sys.executable}' -m bronzeward boundaries --csv | head -n 1"
    found = subprocess.run(["bash", "-c", line], capture_output=True, text=True, env=environment, check=True)
    assert found.stderr == ""


def test_the_python_example_of_the_readme_runs(tmp_path):
    readme = Path(__file__).parents[2] / "README.md"
    code = readme.read_text(encoding="utf-8").split("```python\n")[1].split("```")[0]
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=tmp_path, check=True)
    shells = [float(line.split("shell ")[1].split(" ")[0]) for line in found.stdout.splitlines()]
    assert len(shells) == 3
    assert shells == sorted(shells)


BEFORE_COMPUTING = {
    "answer": (("sweep", "--vary", "strand.core_diameter_um=20,24", "--answer", "nope"), "'nope' is not known"),
    "answer of a band": (("band", "--answer", "nope"), "'nope' is not known"),
    "figure": (("sweep", "--vary", "strand.core_diameter_um=20,24", "--figure", "x.gif"), "figures end in"),
    "figure of margins": (("margins", "--figure", "x.gif"), "figures end in"),
    "figure of a fit": (("fit", "--figure", "x.gif"), "figures end in"),
    "figure of nothing": (("sweep", "--vary", "strand.core_diameter_um=20", "--figure", "x.png"), "1 or 2 values"),
    "plot": (("plot", "-o", "x.gif"), "figures end in"),
    "diagram": (("diagram", "-o", "x.gif"), "figures end in"),
    "section": (("section", "-o", "x.gif"), "figures end in"),
    "log": (("log", "--case", "case.toml", "-o", "x.gif"), "figures end in"),
    "errors over the log": (("log", "--case", "case.toml", "--errors", "case.toml", "--overwrite"), "CSV"),
    **{
        " ".join(words): (words, f"'{Path(words[-1]).suffix}' stands for ")
        for words in (
            ("run", "-o", "x.png"),
            ("run", "-o", "case.toml", "--overwrite", "--programme", "x.nc"),
            ("sweep", "--vary", "strand.core_diameter_um=20,24", "-o", "x.html"),
            ("band", "-o", "x.svg"),
            ("margins", "-o", "x.png"),
            ("margins", "-o", "x.toml"),
            ("fit", "-o", "x.nc"),
            ("section", "--layers", "x.png"),
            ("shorten", "--free", "a=1:2", "--keep", "total_time<=1", "-o", "x.nc"),
            ("witness", "--for", "shell_at_end", "-o", "x.pdf"),
            ("witness", "--for", "shell_at_end", "--layers", "x.nc"),
            ("log", "--case", "case.toml", "--errors", "x.png"),
            ("example", "-o", "x.nc"),
            ("boundaries", "-o", "x.png"),
            ("invariants", "-o", "x.csv"),
            ("liquidus", "-o", "x.JPEG"),
        )
    },
    **{
        " ".join(words): (words, "figures end in")
        for words in (
            ("sweep", "--vary", "strand.core_diameter_um=20,24", "--figure", "x.nc"),
            ("doubts", "--figure", "x.nc"),
            ("witness", "--for", "shell_at_end", "--figure", "x.nc"),
            ("fit", "--figure", "x.toml"),
            ("witness", "--for", "shell_at_end", "--sections", "x.html"),
            ("shorten", "--free", "a=1:2", "--keep", "total_time<=1", "--curve", "1,2", "--figure", "x.nc"),
        )
    },
    "two figures in one": (
        ("witness", "--for", "shell_at_end", "--figure", "x.png", "--sections", "x.png"),
        "written already",
    ),
    "report": (("report", "-o", "x.png"), "ends in .html"),
    "validate": (("validate", "-o", "x.nc"), "ends in .html"),
    "compare": (("compare", "-o", "x.gif"), "figures end in"),
}


@pytest.mark.parametrize(("words", "said"), BEFORE_COMPUTING.values(), ids=BEFORE_COMPUTING)
def test_what_cannot_end_well_does_not_begin(command, case, in_folder, monkeypatch, words, said):
    for module, name in (
        ("bronzeward.studies.sweep", "sweep"), ("bronzeward.studies.uncertainty", "band_columns"),
        ("bronzeward.studies.furnace_margins", "margins"), ("bronzeward.studies.calibration", "fit"),
        ("bronzeward.inputs.furnace_log", "load_log"), ("bronzeward.studies.witness", "witness"),
        ("bronzeward.studies.optimise.shortest", "shorten"), ("bronzeward.studies.doubts", "doubts"),
        ("bronzeward.model.simulation", "run_case"), ("bronzeward.thermo", "load_table"),
        ("bronzeward.validation.validate", "validate"),
    ):  # fmt: skip
        monkeypatch.setattr(f"{module}.{name}", None)
    without = ("diagram", "example", "boundaries", "invariants", "liquidus", "validate")
    name = [] if words[0] in without else {"compare": [case, case]}.get(words[0], [case])
    code, out, err = command(words[0], *name, *words[1:])
    assert (code, out, err.count("\n")) == (2, "", 1), err
    assert said in err
    assert [path.name for path in in_folder.iterdir()] == ["case.toml"]
