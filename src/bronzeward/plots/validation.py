"""Deviations of all checks as a picture."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from bronzeward.plots import style
from bronzeward.plots.axes import PAGE_WIDTH, frame, new_axes
from bronzeward.validation.outcome import HOLDS, Outcome

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FARTHEST = 3.0
"""Deviations are drawn at most this many tolerances away."""


@style.settings()
def plot_deviations(outcomes: Sequence[Outcome], ax: Axes | None = None) -> Axes:
    """Every check that has a two-sided tolerance as a dot: its deviation in tolerances, by topic; returns the axes."""
    drawn = [outcome for outcome in outcomes if outcome.scaled is not None]
    topics = list(dict.fromkeys(outcome.check.topic for outcome in drawn))
    ax = ax or new_axes(PAGE_WIDTH, 0.8 + 0.2 * len(topics))
    ax.axvspan(-1.0, 1.0, color="#e8efe9", linewidth=0.0, zorder=0)
    ax.axvline(0.0, color=style.FAINT, linewidth=0.6)
    for holds, label, marker, colour in ((True, "holds", "o", style.INK), (False, "misses", "X", style.WARN)):
        judged = [outcome for outcome in drawn if (outcome.verdict == HOLDS) == holds]
        places = _places(judged, topics)
        if places:
            across, up = zip(*places, strict=True)
            ax.scatter(across, up, s=14, marker=marker, color=colour, linewidths=0.4, label=label,
                       edgecolors="white", zorder=3)  # fmt: skip
        for outcome, (x, y) in zip([] if holds else judged, [] if holds else places, strict=True):
            ax.annotate(
                outcome.check.id, (x, y), (0, 4), textcoords="offset points", color=style.WARN, fontsize=5.5,
                ha="right" if x > 0 else "left",
            )  # fmt: skip
    ax.set_yticks(range(len(topics)), [topic.replace("_", " ") for topic in topics])
    ax.set_ylim(len(topics) - 0.4, -0.6)
    ax.set_xlim(-FARTHEST * 1.05, FARTHEST * 1.05)
    ax.set_xlabel("deviation over tolerance (factors: of their logarithms)")
    ax.legend(loc="lower right")
    frame(ax)
    return ax


def _places(judged: Sequence[Outcome], topics: Sequence[str]) -> list[tuple[float, float]]:
    """Where each dot goes, a little up or down so that those of one topic that lie on each other can be told apart."""
    counts = dict.fromkeys(topics, 0)
    places = []
    for outcome in judged:
        topic = outcome.check.topic
        x = float(np.clip(outcome.scaled or 0.0, -FARTHEST, FARTHEST))
        places.append((x, topics.index(topic) + 0.1 * (counts[topic] % 5 - 2)))
        counts[topic] += 1
    return places
