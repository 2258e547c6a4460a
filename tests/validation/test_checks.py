"""The validation: every row that should hold holds, every row marked as a miss misses.

Sources and reasons of the tolerances stand with each row in databases/checks.csv and on the page.
"""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest

from bronzeward import Case, Schedule, Strand, load_set
from bronzeward.errors import InputError
from bronzeward.files import read_toml
from bronzeward.materials import literature
from bronzeward.materials.phases import PHASES
from bronzeward.model.simulation import run_case
from bronzeward.plots.validation import plot_deviations
from bronzeward.reports.validation_page import validation_html, write_validation
from bronzeward.reports.validation_text import (
    band_line,
    left_out_lines,
    topic_lines,
    validation_lines,
    validation_summary,
)
from bronzeward.validation import validate
from bronzeward.validation.check import Check, read_checks
from bronzeward.validation.laboratory import Laboratory
from bronzeward.validation.outcome import Outcome, by_kind, in_bands
from closeness import close
from html_page import Page
from validated import outcomes

NEVER_COMPUTED = {
    "liquid_saturation", "large_winding_plateau", "large_winding_homogeneity", "tin_in_the_ring", "ring_exponent",
    "ring_energy", "liquid_diffusivity",
}  # fmt: skip
"""Practice, and what the model does not have: a rate of dissolution, a ternary compound."""

MISSES = {
    "solidus_c51100", "solidus_c91300", "peritectic_t_2018", "activation_epsilon_film", "volume_diffusion_eta",
    "contraction_epsilon", "film_diffusion_epsilon", "alpha_zinc_6.1sn_2.3zn", "copper_in_tin_260c",
    "copper_in_tin_310c", "copper_in_tin_360c", "beta_high_beta", "beta_high_liquid", "mixing_liquid_25",
    "activation_eta", "activation_eta_sn58bi", "activation_eta_snagbiin", "activation_epsilon_bump",
    "alpha_crystal_700c", "molar_volume_eta_cu5sn4", "composition_eta_strand", "activation_eta_sn58bi_2004",
    "solidus_c51000",
}  # fmt: skip


@pytest.mark.parametrize("check", read_checks(), ids=lambda c: c.id)
def test_row_is_as_its_note_says(check):
    found = outcomes()[check.id]
    if check.id in NEVER_COMPUTED:
        assert found.verdict == "not computed"
        assert found.remark
    elif check.tolerance_kind == "information":
        assert found.verdict == "information"
    else:
        wanted = "misses" if check.id in MISSES else "holds"
        assert found.verdict == wanted, f"{found.computed} against {check.value} {check.unit}: {check.note}"
        assert check.known_miss == (check.id in MISSES)


@pytest.mark.parametrize(
    "name",
    [
        "couple_round_trip", "engine_couple_eta", "engine_couple_epsilon", "large_core_is_plane", "engine_ramp",
        "conservation_total_atoms", "conservation_total_tin", "eutectic_lever_rule", "peritectic_lever_rule",
        "long_hold",
    ],
)  # fmt: skip
def test_closed_form_holds(name):
    assert outcomes()[name].verdict == "holds", outcomes()[name]


def test_nothing_is_left_out():
    rows = {check.id for check in read_checks()}
    assert rows <= set(outcomes())
    assert len(outcomes()) == len(rows) + 10
    assert not [o for o in outcomes().values() if o.computed is None and o.check.id not in NEVER_COMPUTED]


def test_the_readme_gives_these_counts():
    """The summary, a row for each kind, the band, and every miss by its name."""
    readme = " ".join((Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8").split())
    every = list(outcomes().values())
    assert validation_summary(every) in readme
    assert band_line(every) in readme
    for kind in by_kind(every):
        assert f"| {kind.name} | {kind.checks} | {kind.holding} | {kind.missing} | {kind.remembered} |" in readme
    assert [name for name, o in outcomes().items() if o.verdict == "misses" and f"`{name}`" not in readme] == []


def test_enough_rows_are_measurements_that_somebody_read():
    rows = [c for c in read_checks() if c.kind == "measurement" and c.seen != "memory"]
    assert len(rows) >= 45


def test_every_miss_says_what_it_means_for_a_decision():
    for name in MISSES:
        words = outcomes()[name].check.note.split("For a decision: ")
        assert len(words) == 2, name
        assert words[1].startswith(("none", "safe side", "unsafe side")), name


def test_the_readme_tells_the_misses_by_their_side():
    """Each name stands in the sentence of the side that its note says."""
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    starts = {"unsafe side": "- On the unsafe side", "safe side": "- On the safe side", "none": "- Without effect"}
    ends = r".*?(?=^- |^$)"
    told = {side: re.search(f"^{re.escape(start)}{ends}", readme, re.M | re.S) for side, start in starts.items()}
    for name in MISSES:
        says = outcomes()[name].check.note.split("For a decision: ")[1]
        side = next(word for word in ("unsafe side", "safe side", "none") if says.startswith(word))
        assert told[side] is not None, side
        assert f"`{name}`" in told[side].group(), name


def test_kinds_count_every_check_once():
    every = list(outcomes().values())
    assert sum(kind.checks for kind in by_kind(every)) == len(every)
    assert all(o.verdict in ("information", "not computed") for o in every if o.check.kind == "information")
    assert all(o.verdict in ("holds", "misses") for o in every if o.check.kind != "information")


@pytest.mark.parametrize(("factor", "thinner"), [(0.01, "delta"), (3000.0, "epsilon")])
def test_what_the_sequence_at_450c_says_of_delta(factor, thinner):
    """databases/README.md: with these the thinner of the two layers is some micrometre after a day, within twice it."""
    couple, day = Strand.couple(4000, 4000), Schedule.start(450).hold(24)
    history = run_case(Case(couple, day, load_set().scaled({"delta": factor})))
    thickness = dict(zip(PHASES, 1e6 * history["thickness"][-1], strict=True))
    assert min(("epsilon", "delta"), key=thickness.__getitem__) == thinner
    assert 0.5 < thickness[thinner] < 2.0, thickness


def test_an_unknown_kind_is_named(tmp_path, monkeypatch):
    text = (literature.folder() / "checks.csv").read_text(encoding="utf-8")
    (tmp_path / "checks.csv").write_text(text.replace(",information,", ",rumour,", 1), encoding="utf-8")
    monkeypatch.setattr(literature, "folder", lambda: tmp_path)
    with pytest.raises(InputError, match=r"line 2: kind 'rumour'"):
        read_checks()


def test_published_schedules_are_those_their_rows_describe():
    rows = {check.id: check for check in read_checks()}
    for name, published in read_toml(literature.folder() / "schedules.toml").items():
        assert published["source"] == rows[name].source
        assert published["source"] in literature.bibliography()
        told = re.findall(r"(\d+) C (\d+)(?: to \d+)? h", rows[name].condition["schedule"])
        ramps, holds = published["steps"][::2], published["steps"][1::2]
        assert [(ramp["to_C"], hold["hold_h"]) for ramp, hold in zip(ramps, holds, strict=True)] == [
            (float(celsius), float(hours)) for celsius, hours in told
        ]


# --- verdicts, by hand


def check(kind: str, value: float, tolerance: float, note: str = "") -> Check:
    return Check("own", "t", {}, value, "K", tolerance, kind, "by hand", "computed", "derived", "", "", note)


@pytest.mark.parametrize(
    ("kind", "value", "tolerance", "computed", "verdict", "scaled"),
    [
        ("absolute", 10.0, 2.0, 12.0, "holds", 1.0),
        ("absolute", 10.0, 2.0, 7.9, "misses", -1.05),
        ("absolute", 1.0, 0.0, 1.0, "holds", None),
        ("absolute", 1.0, 0.0, 1.001, "misses", None),
        ("factor", 8.0, 2.0, 16.0, "holds", 1.0),
        ("factor", 8.0, 2.0, 4.0, "holds", -1.0),
        ("factor", 8.0, 2.0, 3.9, "misses", -1.0365259),
        ("factor", 8.0, 2.0, 16.1, "misses", 1.0089891),
        ("at_most", 3.0, 0.5, 3.5, "holds", None),
        ("at_most", 3.0, 0.5, 3.51, "misses", None),
        ("at_least", 3.0, 0.5, 2.5, "holds", None),
        ("at_least", 3.0, 0.5, 2.49, "misses", None),
        ("information", 3.0, 0.0, 99.0, "information", None),
        ("absolute", 3.0, 1.0, float("nan"), "misses", None),
    ],
)
def test_verdict_by_hand(kind, value, tolerance, computed, verdict, scaled):
    found = Outcome(check(kind, value, tolerance), computed)
    assert found.verdict == verdict
    assert found.expected == (verdict != "misses")
    if scaled is not None:
        assert found.scaled == close(scaled, rel=1e-6)


def test_a_marked_miss_that_holds_is_not_expected():
    marked = check("absolute", 10.0, 2.0, note="misses: by much")
    assert not Outcome(marked, 10.5).expected
    assert Outcome(marked, 20.0).expected
    assert Outcome(marked, None).verdict == "not computed"
    assert "UNEXPECTED: own holds" in "\n".join(validation_lines([Outcome(marked, 10.5)]))
    assert "UNEXPECTED MISS: own" in "\n".join(validation_lines([Outcome(check("absolute", 10.0, 2.0), 20.0)]))


def test_a_topic_without_recipe_is_said_not_hidden():
    found = validate.compute(replace(check("absolute", 1.0, 1.0), topic="weather"), Laboratory())
    assert found.verdict == "not computed"
    assert "weather" in found.remark


def test_a_reaction_the_description_lacks_is_said():
    wanted = next(c for c in read_checks() if c.id == "eutectic_t")
    foreign = replace(wanted, condition={"reaction": "liquid -> alpha + (Sn)"})
    assert validate.compute(foreign, Laboratory()).verdict == "not computed"


def test_a_damaged_row_is_named(tmp_path, monkeypatch):
    text = (literature.folder() / "checks.csv").read_text(encoding="utf-8")
    (tmp_path / "checks.csv").write_text(text.replace(",231.928,", ",warm,", 1), encoding="utf-8")
    monkeypatch.setattr(literature, "folder", lambda: tmp_path)
    with pytest.raises(InputError, match=r"line 2: value and tolerance must be numbers"):
        read_checks()


# --- page, table, command


def test_page_is_whole_and_fetches_nothing():
    text = validation_html(list(outcomes().values()))
    page = Page(text)
    assert page.open == []
    assert page.fetched() == []
    assert "<script" not in text
    topics = len({o.check.topic for o in outcomes().values()})
    kinds = len({o.check.kind for o in outcomes().values()})
    held = len(in_bands(list(outcomes().values())))
    assert len(page.all("tr")) == 4 + topics + kinds + held + len(outcomes())
    for line in left_out_lines(list(outcomes().values())):
        assert line in text
    for name, outcome in outcomes().items():
        assert name in text
        if outcome.check.source:
            assert f'id="{outcome.check.source}"' in text


def test_page_escapes_what_it_shows():
    own = replace(check("absolute", 1.0, 1.0), note="<b>&", tolerance_reason="<script>")
    text = validation_html([Outcome(own, 1.0, "<i>")])
    assert "&lt;b&gt;&amp;" in text
    assert "<script>" not in text


def test_page_is_written_whole_or_not_at_all(tmp_path):
    some = [Outcome(check("absolute", 1.0, 1.0), 1.0)]
    target = write_validation(some, tmp_path / "page.html")
    assert target.read_text(encoding="utf-8") == validation_html(some)
    with pytest.raises(InputError, match="exists already"):
        write_validation(some, target)
    with pytest.raises(InputError, match=r"ends in \.html"):
        write_validation(some, tmp_path / "page.txt")
    assert [p.name for p in tmp_path.iterdir()] == ["page.html"]


def test_figure_shows_every_two_sided_check():
    ax = plot_deviations(list(outcomes().values()))
    two_sided = [o for o in outcomes().values() if o.scaled is not None]
    missed = {o.check.id for o in two_sided if o.verdict == "misses"}
    # a miss stands in its topic and once more beside its name
    assert sum(len(dots.get_offsets()) for dots in ax.collections) == len(two_sided) + len(missed)
    assert missed < {label.get_text() for label in ax.get_yticklabels()}


def test_text_table_counts_every_check():
    lines = topic_lines(list(outcomes().values()))[1:]
    assert sum(int(line[22:29]) for line in lines) == len(outcomes())


@pytest.fixture
def few(monkeypatch):
    """The command with a handful of outcomes in place of half a minute of computing."""
    kept = {"bad": False}

    def some(description="cu-sn-shim1996", closed_forms=True):
        return [Outcome(check("absolute", 1.0, 0.1), 9.0 if kept["bad"] else 1.0)]

    monkeypatch.setattr(validate, "validate", some)
    return kept


def test_command_prints_and_writes(few, command, in_folder):
    code, out, _ = command("validate", "-o", "page.html")
    assert code == 0
    assert "1 checks: 1 hold, 0 miss" in out
    assert (in_folder / "page.html").is_file()
    assert command("validate", "-o", "page.html")[0] == 2
    assert command("validate", "-o", "page.txt")[0] == 2


def test_command_gives_json(few, command):
    code, out, _ = command("validate", "--json")
    data = json.loads(out)
    assert code == 0
    assert data["schema"] == "bronzeward/validation/1"
    assert data["checks"][0]["verdict"] == "holds"


def test_command_leaves_with_1_when_a_verdict_is_not_expected(few, command):
    few["bad"] = True
    assert command("validate", "--quiet")[0] == 1
