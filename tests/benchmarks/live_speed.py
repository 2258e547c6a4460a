"""How soon a live page shows what a dragged corner does: from letting go to the frame after everything was redrawn.

Measured in the browser's own clock, for the run and for its band of 100 members; and the memory of page and server.

    python tests/benchmarks/live_speed.py [DRAGS]
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from bronzeward.inputs.starter import STARTER
from browser import headless, page_of
from live_page import drag, live, on_screen, opened

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


def main(drags: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        case = Path(folder) / "case.toml"
        case.write_bytes(STARTER.read_bytes())
        with live(case, "--members", "100") as address, headless() as browser, page_of(browser) as page:
            opened(page, address)
            page.evaluate(WATCH)
            place, used = (31.6, 210.0), []
            for k in range(drags):
                there = (34.0 + 4.0 * (k % 5), 210.0)
                drag(page, place, there)
                page.wait_for_function("(n) => frames_after.filter((f) => f[0] === 'band').length > n", arg=k)
                corners = "(() => { const d = Bokeh.documents[0].get_model_by_name('schedule').renderers" \
                    ".find((r) => r.glyph.type === 'Scatter').data_source.data; return [d.x[2], d.y[2]]; })()"
                place = tuple(page.evaluate(corners))
                used.append(page.evaluate("performance.memory.usedJSHeapSize"))
                on_screen(page, "schedule", *place)
                time.sleep(0.2)
            found = page.evaluate("frames_after")
    for kind, wanted in (("run", 100.0), ("band", 500.0)):
        times = np.array([t for what, t in found if what == kind])
        spread = ", ".join(f"{q:.0f}" for q in np.quantile(times, (0.05, 0.5, 0.95)))
        print(f"{kind}: {spread} ms (5, 50, 95 %), {len(times)} drags; wanted: {wanted:.0f} ms")
    print(f"browser's heap: {used[0] / 2**20:.1f} MB after the first drag, {used[-1] / 2**20:.1f} MB after the last")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20)
