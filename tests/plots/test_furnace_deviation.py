"""Programme and log in one picture."""

from __future__ import annotations

import numpy as np

from bronzeward.inputs.schedule import Schedule
from bronzeward.plots.furnace_deviation import plot_programme
from closeness import close


def test_programme_and_log_are_drawn():
    programme = Schedule.start(20).ramp(25, to=210).hold(4)
    log = Schedule.from_arrays(programme.time, programme.temperature + np.array([0.0, 1.5, 2.0]))
    ax = plot_programme(programme, log, shift=60.0)
    assert [text.get_text() for text in ax.get_legend().get_texts()] == ["programmed", "measured"]
    assert ax.lines[1].get_xdata()[0] == close(1 / 60)
