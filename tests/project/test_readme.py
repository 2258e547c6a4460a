"""What the README and its like point at is there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from bronzeward.inputs.case import load_case
from bronzeward.inputs.starter import STARTER
from bronzeward.model.simulation import run_case
from bronzeward.reports.summary import sentences

ROOT = Path(__file__).parents[2]
PAGES = ("README.md", "DEVELOPERS.md", "examples/README.md", "databases/README.md")


@pytest.mark.parametrize("page", PAGES)
def test_links_lead_somewhere(page: str) -> None:
    path = ROOT / page
    if not path.exists():
        pytest.skip("not in a copy without the whole repository")
    text = path.read_text(encoding="utf-8")
    targets = re.findall(r"\]\(([^)#\s]+)\)|src=\"([^\"]+)\"", text)
    for target in (a or b for a, b in targets):
        if not target.startswith(("http:", "https:")):
            assert (path.parent / target).exists() or not (ROOT / "databases").exists(), f"{page}: {target}"


def test_the_readme_has_a_figure_that_can_be_read() -> None:
    from matplotlib.image import imread

    text = (ROOT / "README.md").read_text(encoding="utf-8")
    (name,) = re.findall(r"<img src=\"([^\"]+)\"", text)
    height, width = imread(ROOT / name).shape[:2]
    assert 900 <= width <= 1600
    assert height < 2.5 * width


def test_the_readme_tells_what_the_starter_case_tells() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    told = text.split("## What a run tells")[1].split("```")[1].strip().splitlines()
    assert told == sentences(run_case(load_case(STARTER)))
