"""A live page as a user meets it: the command in a process of its own, and corners found on the screen."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

FIND = """(name) => {
    const seen = new Set(), find = (view) => {
        if (seen.has(view)) return null;
        seen.add(view);
        if (view.model?.name === name && view.frame) return view;
        for (const child of [...(view.child_views ?? [])]) { const found = find(child); if (found) return found; }
        return null;
    };
    for (const view of Bokeh.index) { const found = find(view); if (found) return found; }
}"""


@contextmanager
def live(case: Path, *more: str, source: str | None = None) -> Iterator[str]:
    """The address of `bronzeward live`, for as long as the block lasts; `source`: the `src` of another checkout."""
    environment = {**os.environ, **({"PYTHONPATH": source} if source else {})}
    command = [sys.executable, "-m", "bronzeward", "live", str(case), "--no-browser", *more]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment)
    try:
        line = process.stdout.readline()
        assert line.startswith("Live page: "), line + process.stderr.read()
        yield line.removeprefix("Live page: ").strip()
    finally:
        process.terminate()
        process.communicate(timeout=20)


def opened(page: Any, address: str) -> Any:
    """Open a live page and wait until its first band is there."""
    page.goto(address)
    page.get_by_text("with a band of").wait_for()
    return page


UNDO = """() => {
    const button = Bokeh.documents[0].get_model_by_name("undo");
    if (button.disabled) return false;
    button.tags = [(button.tags[0] ?? 0) + 1];
    return new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done(true))));
}"""


def model_text(page: Any, name: str) -> str:
    """The text of a part of the page."""
    return page.evaluate("(name) => Bokeh.documents[0].get_model_by_name(name).text", name)


def start_over(page: Any, answers: str) -> None:
    """Undo all that was done in a page, let go of the run beside, and wait until it shows its first answers again."""
    resized(page, 1280, 1000)
    beside = page.get_by_role("button", name="let go of the one beside")
    if beside.count():
        beside.click()
        page.get_by_role("button", name="keep this one beside").wait_for()
    while page.evaluate(UNDO):
        pass
    wanted = "(text) => Bokeh.documents[0].get_model_by_name('answers').text === text"
    page.wait_for_function(wanted, arg=answers)


def resized(page: Any, width: int, height: int = 900) -> None:
    """Give the page another size and wait until all its charts have followed: they do so one by one."""
    page.set_viewport_size({"width": width, "height": height})
    page.wait_for_function(
        """() => {
            const charts = [], seen = new Set(), gather = (view) => {
                if (seen.has(view)) return;
                seen.add(view);
                if (view.frame) charts.push(view.el);
                for (const child of view.child_views ?? []) gather(child);
            };
            for (const view of Bokeh.index) gather(view);
            const wide = (element) => element.getBoundingClientRect().width;
            return charts.length >= 4 && document.documentElement.scrollWidth <= innerWidth && charts.every((chart) =>
                chart.getBoundingClientRect().right <= innerWidth
                && Math.abs(wide(chart.shadowRoot?.querySelector(".bk-Canvas") ?? chart) - wide(chart)) < 2);
        }"""
    )


def on_screen(page: Any, chart: str, x: float, y: float) -> tuple[float, float]:
    """Where a point of a chart lies on the screen [px], once the chart is in sight: fields below scroll the page."""
    place = page.evaluate(
        f"""([name, x, y]) => {{
            const view = ({FIND})(name);
            view.el.scrollIntoView({{block: "nearest", behavior: "instant"}});
            const box = view.canvas_view.el.getBoundingClientRect();
            return [box.x + view.frame.x_scale.compute(x), box.y + view.frame.y_scale.compute(y)];
        }}""",
        [chart, x, y],
    )
    return place[0], place[1]


def drag(page: Any, start: tuple[float, float], end: tuple[float, float]) -> None:
    """Drag a corner of the programme from one place to another (h, °C)."""
    first, last = (on_screen(page, "schedule", *place) for place in (start, end))
    page.mouse.move(*first)
    page.mouse.down()
    page.mouse.move((first[0] + last[0]) / 2, (first[1] + last[1]) / 2, steps=3)
    page.mouse.move(*last, steps=3)
    page.mouse.up()


def answer(page: Any, title: str, column: int = 1) -> str:
    """What the table of answers says, by the title of the line and the number of the column."""
    return page.locator(f"tr:has(td:text-is('{title}')) td").nth(column).inner_text()
