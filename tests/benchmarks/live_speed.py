"""How soon a live page shows what a dragged corner does: from letting go to the frame after everything was redrawn.

Measured in the browser's own clock, for the run and for its band of 100 members; and the memory of the browser. With
the `src` of another checkout both are measured in turns and the ratio is told, which a busy machine spoils less.

    python tests/benchmarks/live_speed.py [DRAGS [OTHER/src]]
"""

from __future__ import annotations

import sys
import tempfile
import time
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from bronzeward.inputs.starter import STARTER
from browser import headless, page_of
from live_page import drag, live, opened

WANTED = {"run": 100.0, "band": 500.0}

WATCH = """() => {
    window.frames_after = [];
    let up = 0;
    window.addEventListener("pointerup", () => { up = performance.now(); }, true);
    const state = Bokeh.documents[0].get_model_by_name("state");
    state.properties.text.change.connect(() => {
        const kind = state.text.startsWith("with") ? "band" : "run", since = up;
        requestAnimationFrame(() => requestAnimationFrame(
            () => window.frames_after.push([kind, performance.now() - since])));
    });
}"""

CORNER = """() => {
    const dots = Bokeh.documents[0].get_model_by_name("schedule").renderers.find((r) => r.glyph.type === "Scatter");
    return [dots.data_source.data.x[2], dots.data_source.data.y[2]];
}"""


class Dragged:
    """A page whose second corner is dragged to and fro."""

    def __init__(self, page: Any, address: str) -> None:
        self.page, self.used = opened(page, address), []
        page.evaluate(WATCH)

    def drag(self, k: int) -> None:
        self.page.bring_to_front()
        drag(self.page, tuple(self.page.evaluate(CORNER)), (34.0 + 4.0 * (k % 5), 210.0))
        self.page.wait_for_function("(n) => frames_after.filter((f) => f[0] === 'band').length > n", arg=k)
        self.used.append(self.page.evaluate("performance.memory.usedJSHeapSize") / 2**20)
        time.sleep(0.2)

    def times(self, kind: str) -> np.ndarray:
        return np.array([t for what, t in self.page.evaluate("frames_after") if what == kind])


def main(drags: int, other: str | None) -> None:
    with ExitStack() as stack:
        case = Path(stack.enter_context(tempfile.TemporaryDirectory())) / "case.toml"
        case.write_bytes(STARTER.read_bytes())
        browser = stack.enter_context(headless())
        pages = {}
        for name, source in (("this", None), ("other", other))[: 2 if other else 1]:
            address = stack.enter_context(live(case, "--members", "100", source=source))
            pages[name] = Dragged(stack.enter_context(page_of(browser)), address)
        for k in range(drags):
            for page in pages.values():
                page.drag(k)
        for kind, wanted in WANTED.items():
            medians = []
            for name, page in pages.items():
                times = page.times(kind)
                medians.append(float(np.median(times)))
                spread = ", ".join(f"{q:.0f}" for q in np.quantile(times, (0.05, 0.5, 0.95)))
                print(f"{name}, {kind}: {spread} ms (5, 50, 95 %), {len(times)} drags; wanted: {wanted:.0f} ms")
            if other:
                print(f"{kind}: {medians[0] / medians[1]:.2f} of the other's median")
        for name, page in pages.items():
            print(f"{name}: browser's heap {page.used[0]:.1f} MB after the first drag, {page.used[-1]:.1f} at the end")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20, sys.argv[2] if len(sys.argv) > 2 else None)
