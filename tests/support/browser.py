"""A headless Chromium for tests, and a page that remembers what went wrong in it."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

NAMES = ("chromium", "chromium-browser", "google-chrome")
ARGUMENTS = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip


class Missing(Exception):
    """What is not there."""


@contextmanager
def headless() -> Iterator[Any]:
    """Chromium of the system, driven by Playwright.

    Raises
    ------
    Missing
        When one of the two is not installed.
    """
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        raise Missing("Playwright is not installed (pip install playwright)") from None
    path = next(filter(None, map(shutil.which, NAMES)), None)
    if path is None:
        raise Missing(f"none of {', '.join(NAMES)} is installed (on Debian: apt-get install chromium)")
    with sync_playwright() as player:
        browser = player.chromium.launch(executable_path=path, args=[*ARGUMENTS])
        yield browser
        browser.close()


@contextmanager
def page_of(browser: Any, width: int = 1280, height: int = 900, **more: Any) -> Iterator[Any]:
    """A page in which nothing may go wrong: errors of scripts and of the console fail the test at the end.

    Those so far are in its list `wrong`.
    """
    context = browser.new_context(viewport={"width": width, "height": height}, **more)
    context.set_default_timeout(60_000.0)
    page = context.new_page()
    wrong: list[str] = []
    page.wrong = wrong
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("console", lambda said: wrong.append(said.text) if said.type in ("error", "warning") else None)
    page.on("requestfailed", lambda request: wrong.append(f"failed: {request.url}"))
    yield page
    assert wrong == []
    context.close()


def beyond_the_edge(page: Any) -> list[str]:
    """Elements that are seen to the right of the page, those of widgets (in shadow trees) included."""
    return page.evaluate(
        """() => {
            const edge = document.documentElement.clientWidth + 1;
            const within = (root) => [...root.querySelectorAll("*")].flatMap(
                (e) => [e, ...(e.shadowRoot ? within(e.shadowRoot) : [])]);
            const runsOff = (box) => box.right > edge && box.width > 0 && box.height > 0;
            const clipped = (e) => {  // by something that itself ends on the page, as charts clip what they draw
                for (let over = e.parentElement ?? e.getRootNode().host; over;
                    over = over.parentElement ?? over.getRootNode().host)
                    if (getComputedStyle(over).overflowX !== "visible" && !runsOff(over.getBoundingClientRect()))
                        return true;
                return false;
            };
            return within(document).filter((e) => runsOff(e.getBoundingClientRect()) && !clipped(e))
                .map((e) => `${e.tagName} ${e.className} ${e.textContent.slice(0, 40)}`);
        }"""
    )
