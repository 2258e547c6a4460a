"""The report: one file that needs nothing, says everything, and is sound HTML."""

from __future__ import annotations

import json
import re
from base64 import b64decode, b64encode
from dataclasses import replace
from hashlib import sha256
from itertools import pairwise
from xml.etree import ElementTree

import numpy as np
import pytest

from bronzeward.errors import InputError
from bronzeward.materials.kinetics import load_set
from bronzeward.model.events import events
from bronzeward.model.layer_stack import layers_at
from bronzeward.reports import run_page
from bronzeward.reports.summary import sentences
from drawing_cases import CASES, result
from html_page import Page


@pytest.fixture(scope="module", params=CASES)
def made(request):
    text = run_page.html(result(request.param))
    return result(request.param), text, Page(text)


def test_it_is_sound_html(made):
    _, text, page = made
    assert text.startswith("<!DOCTYPE html>")
    assert page.open == []
    ids = [attrs["id"] for _, attrs in page.tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    for _, attrs in page.tags:
        if "aria-labelledby" in attrs:
            assert attrs["aria-labelledby"] in ids
    assert len(page.all("h1")) == 1
    assert page.all("html")[0]["lang"] == "en"
    assert any(attrs.get("name") == "viewport" for attrs in page.all("meta"))


def test_it_needs_nothing_from_elsewhere(made):
    _, text, page = made
    for tag in ("link", "iframe", "object", "form", "base"):
        assert not page.all(tag)
    for _, attrs in page.tags:
        assert not [name for name in attrs if name.startswith("on") or name == "href"]
    without_pictures = re.sub(r"data:image/svg\+xml;base64,[A-Za-z0-9+/=]+", "", text)
    assert "url(" not in without_pictures.replace("url(#", "")  # inside the page
    assert "@import" not in without_pictures
    policy = next(attrs["content"] for attrs in page.all("meta") if attrs.get("http-equiv"))
    assert "default-src 'none'" in policy
    assert len(text) < 2_000_000


def test_it_runs_one_script_of_its_own_and_allows_no_other(made):
    """The other element of that name holds data, which browsers do not run."""
    _, text, page = made
    kinds = [attrs.get("type") for attrs in page.all("script")]
    assert sorted(kinds, key=str) == [None, "application/json"]
    assert all("src" not in attrs for attrs in page.all("script"))
    code = text.split("<script>")[1].split("</script>")[0]
    digest = b64encode(sha256(code.encode()).digest()).decode()
    policy = next(attrs["content"] for attrs in page.all("meta") if attrs.get("http-equiv"))
    assert re.findall(r"script-src ([^;]*)", policy) == [f"'sha256-{digest}'"]
    for word in ("fetch", "XMLHttpRequest", "import", "eval", "innerHTML", "http"):
        assert word not in code


def test_without_its_script_it_has_no_dead_controls(made):
    _, _, page = made
    assert "hidden" in next(attrs for _, attrs in page.tags if attrs.get("id") == "moving")


def test_the_states_it_carries_are_those_of_the_run(made):
    """Edges between places rise, those of every layer are among them, and events are there before and after."""
    run, text, _ = made
    states = json.loads(text.split('id="states">')[1].split("</script>")[0])
    rows = [int(np.argmin(np.abs(run["time"] - seconds))) for seconds in states["seconds"]]
    for row, edges, celsius in zip(rows, states["edges"], states["celsius"], strict=True):
        assert all(a <= b for a, b in pairwise(edges))
        # rounded to 0.1 nm and 0.1 K in the page
        outer = [1e6 * layer.outer for layer in layers_at(run, row)]
        assert edges[-1] == pytest.approx(max(outer), abs=1e-4)
        assert all(min(abs(edge - radius) for edge in edges) < 1e-4 for radius in outer)
        assert celsius == pytest.approx(run["temperature"][row] - 273.15, abs=0.051)
    assert {event.row for event in events(run)} <= set(rows)
    assert {max(event.row - 1, 0) for event in events(run)} <= set(rows)


def test_every_picture_is_inside_whole_and_has_a_text(made):
    _, _, page = made
    pictures = page.all("img")
    assert len(pictures) == 3 == len(page.all("figure")) == len(page.all("figcaption"))
    for attrs in pictures:
        assert len(attrs["alt"]) > 80
        kind, data = attrs["src"].split(",", 1)
        assert kind == "data:image/svg+xml;base64"
        root = ElementTree.fromstring(b64decode(data))
        assert root.tag.endswith("svg")
        assert not [node for node in root.iter() if node.get("{http://www.w3.org/1999/xlink}href", "#")[:1] not in "#d"]


def test_it_says_the_answers_events_and_warnings(made):
    run, _, page = made
    said = " ".join(page.text.split())
    for line in sentences(run):
        assert line in said
    for line in str(run.attributes["warnings"]).splitlines():
        assert line[1:] in said
    for event in events(run):
        assert event.words in said


def test_it_lists_every_constant_used_with_source_and_grade(made):
    run, text, page = made
    constants = {c.phase: c for c in load_set().constants if c.contact == "any"}
    used = [phase for phase, c in constants.items() if f"{c.activation / 1e3:.1f}" in page.text]
    for k, phase in enumerate(("liquid", "(Sn)", "eta", "epsilon", "zeta", "delta", "gamma", "beta", "alpha")):
        if phase in constants and run["amount"][:, k].max() > 0:
            assert phase in used
    for key in ("molar volume", "linear expansion", "density of the liquid", "yield strength"):
        assert key in page.text
    assert run.attributes["tdb_sha256"] in text
    for line in run.attributes["references"].splitlines():
        assert line.split(": ", 1)[0] in page.text


def test_it_carries_limits_and_cautions(made):
    said = " ".join(made[2].text.split())
    for line in (*run_page.LIMITS, *run_page.CAUTIONS):
        assert line in said
    assert "estimate" in said
    assert "witness sample" in said
    assert "local codes" in said
    assert "qualified staff" in said


def test_it_carries_the_inputs_to_run_again(made):
    run, _, page = made
    assert json.loads(run.attributes["inputs"]) == json.loads(
        page.text[page.text.index("{\n") :].rsplit("}", 1)[0] + "}"
    )


def test_text_of_the_user_is_not_taken_for_html():
    text = run_page.html(result("sleeve"))
    assert "Larkfell &lt;b&gt;sleeve&lt;/b&gt; &amp; core" in text
    assert "<b>" not in text


def test_bands_are_shown_where_the_result_has_them():
    run = result("sleeve")
    bands = {"shell_at_first_liquid": [8e-6, 10e-6, 12e-6]}
    page = Page(run_page.html(replace(run, attributes={**run.attributes, "bands": json.dumps(bands)})))
    assert "8.00 to 12.00 µm" in page.text
    assert "nine of ten answers lie here: shell at first liquid 8.00 to 12.00 µm." in " ".join(page.text.split())


def test_a_run_that_did_not_complete_says_so_first():
    run = replace(result("cold"), attributes={**result("cold").attributes, "status": "steps too small"})
    page = Page(run_page.html(run))
    assert "NOT COMPLETED" in page.text
    assert any(attrs.get("class") == "alarm" for attrs in page.all("p"))


def test_constants_that_can_no_longer_be_read_are_told():
    run = result("cold")
    inputs = json.loads(run.attributes["inputs"])
    inputs["kinetics"] = {"file": "/nowhere/mine.toml"}
    page = Page(run_page.html(replace(run, attributes={**run.attributes, "inputs": json.dumps(inputs)})))
    assert "can no longer be read" in page.text


def test_writing_refuses_and_leaves_nothing(tmp_path):
    kept = tmp_path / "kept.html"
    kept.write_text("mine")
    for path, word in ((tmp_path / "a.txt", "html"), (tmp_path / "no" / "a.html", "folder"), (kept, "overwrite")):
        with pytest.raises(InputError, match=word):
            run_page.write_report(result("cold"), path)
    assert run_page.write_report(result("cold"), kept, overwrite=True) == kept
    assert kept.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert [path.name for path in tmp_path.iterdir()] == ["kept.html"]
