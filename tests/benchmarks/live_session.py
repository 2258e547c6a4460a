"""Whether a live page grows: ten minutes, one change a second, memory of server and browser each minute.

Changes in turn: a corner dragged, a dwell typed, a slider moved, the pointer moved, undo. The browser's heap is told
after its garbage was collected, the server's memory is what it holds of the machine (resident). Growth is judged from
the third minute on, when caches are filled and the history of undo is at its longest.

    python tests/benchmarks/live_session.py [MINUTES]
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from contextlib import contextmanager
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "support"))

from live_speed import CORNER

from bronzeward.inputs.starter import STARTER
from browser import headless, page_of
from live_page import drag, live, on_screen, opened

MEGABYTE = 2**20


def children(parent: int) -> list[int]:
    """Processes that a process has started."""
    told = subprocess.run(["ps", "--ppid", str(parent), "-o", "pid=,args="], capture_output=True, text=True, check=True)
    return [int(line.split()[0]) for line in told.stdout.splitlines() if " live " in line]


def resident(process: int) -> float:
    """Memory a process holds [MB]."""
    pages = int(Path(f"/proc/{process}/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / MEGABYTE


@contextmanager
def session() -> Any:
    """A page, the process that serves it, and the line to the browser's own figures."""
    with tempfile.TemporaryDirectory() as folder, headless() as browser:
        case = Path(folder) / "case.toml"
        case.write_bytes(STARTER.read_bytes())
        with live(case, "--members", "100", "--keep", "shell_at_first_liquid>=3") as address, page_of(browser) as page:
            (server,) = children(os.getpid())
            figures = page.context.new_cdp_session(page)
            figures.send("Performance.enable")
            yield opened(page, address), server, figures


def change(page: Any, k: int) -> None:
    """One of the things a user does."""
    if k % 5 == 0:
        drag(page, tuple(page.evaluate(CORNER)), (34.0 + 4.0 * (k % 4), 210.0))
    elif k % 5 == 1:
        page.get_by_label("dwell, h", exact=True).first.fill(str(20 + k % 30))
        page.keyboard.press("Enter")
    elif k % 5 == 2:
        page.get_by_role("slider").nth(1).focus()
        page.keyboard.press("ArrowRight" if k % 10 < 5 else "ArrowLeft")
    elif k % 5 == 3:
        page.mouse.move(*on_screen(page, "thickness", 10.0 + k % 40, 3.0), steps=5)
    elif k % 20 == 4:  # so that undo has more and more to remember
        page.keyboard.press("Control+z")


def told(server: int, figures: Any) -> str:
    """One line of memory."""
    figures.send("HeapProfiler.collectGarbage")
    values = {one["name"]: one["value"] for one in figures.send("Performance.getMetrics")["metrics"]}
    heap = values["JSHeapUsedSize"] / MEGABYTE
    return (
        f"server {resident(server):6.1f} MB, browser's heap {heap:5.1f} MB, "
        f"{values['Nodes']:.0f} nodes, {values['JSEventListeners']:.0f} listeners"
    )


def main(minutes: int) -> None:
    with session() as (page, server, figures):
        print(f" 0 min: {told(server, figures)}", flush=True)
        began = time.monotonic()
        for k in range(60 * minutes):
            change(page, k)
            time.sleep(max(0.0, began + k + 1 - time.monotonic()))
            if k % 60 == 59:
                print(f"{k // 60 + 1:2d} min, {k + 1} changes: {told(server, figures)}", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 10)
