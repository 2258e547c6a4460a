"""One server and one page for the tests of a process: opening a page takes longer than most of them."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from bronzeward.inputs.starter import STARTER
from browser import page_of
from live_page import live, model_text, opened, start_over

LIMITS = ("--keep", "shell_at_first_liquid>=3", "--keep", "peak_liquid_tin<=20")


@pytest.fixture(scope="session")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the case that is served lies."""
    return tmp_path_factory.mktemp("live")


@pytest.fixture(scope="session")
def address(folder: Path) -> Iterator[str]:
    """A server of the starter case."""
    path = folder / "case.toml"
    path.write_bytes(STARTER.read_bytes())
    with live(path, "--members", "20", *LIMITS) as served:
        yield served


@pytest.fixture(scope="session")
def lasting_page(browser: Any, address: str) -> Iterator[Any]:
    """A page that stays open."""
    with page_of(browser, 1280, 1000) as page:
        yield opened(page, address), model_text(page, "answers")


@pytest.fixture
def page(lasting_page: Any) -> Iterator[Any]:
    """The page as it was opened: what tests before this one did is undone. Errors in its console fail the test."""
    page, answers = lasting_page
    start_over(page, answers)
    yield page
    assert page.wrong == []
