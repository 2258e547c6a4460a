"""Deviations of all checks as a picture."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from bronzeward.plots import style
from bronzeward.plots.axes import COLUMN_WIDTH, frame, new_axes
from bronzeward.validation.outcome import HOLDS, Outcome

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FARTHEST = 3.0
"""Deviations are drawn at most this many tolerances away."""


@style.settings()
def plot_deviations(outcomes: Sequence[Outcome], ax: Axes | None = None) -> Axes:
    """Every check that has a two-sided tolerance as a dot: its deviation in tolerances, by topic; returns the axes.

    Misses are named on lines of their own below the topics.
    """
    drawn = [outcome for outcome in outcomes if outcome.scaled is not None]
    topics = list(dict.fromkeys(outcome.check.topic for outcome in drawn))
    misses = [outcome for outcome in drawn if outcome.verdict != HOLDS]
    ax = ax or new_axes(COLUMN_WIDTH, 0.8 + 0.13 * (len(topics) + len(misses)))
    ax.axvspan(-1.0, 1.0, color="#e8efe9", linewidth=0.0, zorder=0)
    ax.axvline(0.0, color=style.FAINT, linewidth=0.6)
    for holds, label, marker, colour in ((True, "holds", "o", style.INK), (False, "misses", "X", style.WARN)):
        judged = [outcome for outcome in drawn if (outcome.verdict == HOLDS) == holds]
        places = _places(judged, topics)
        if places:
            across, up = zip(*places, strict=True)
            ax.scatter(across, up, s=9, marker=marker, color=colour, linewidths=0.4, label=label,
                       edgecolors="white", zorder=3)  # fmt: skip
    beside = [x for x, _ in _places(misses, topics)]
    ax.scatter(beside, range(len(topics), len(topics) + len(misses)), s=9, marker="X", color=style.WARN, linewidths=0.0)
    names = [topic.replace("_", " ") for topic in topics] + [outcome.check.id for outcome in misses]
    ax.set_yticks(range(len(names)), names)
    for k, text in enumerate(ax.get_yticklabels()):
        text.set(fontsize=5.5, color=style.INK if k < len(topics) else style.WARN)
    ax.axhline(len(topics) - 0.5, color=style.INK, linewidth=0.6)
    ax.set_ylim(len(names) - 0.4, -0.6)
    ax.set_xlim(-FARTHEST * 1.05, FARTHEST * 1.05)
    ax.set_xlabel("deviation over tolerance\n(factors: of their logarithms)")
    ax.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=2)
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
