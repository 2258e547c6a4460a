"""What every figure must keep: no text cut off, none too small to read."""

from __future__ import annotations

import itertools

import matplotlib.text


def beyond(axis):
    """Labels of ticks that lie beyond the limits and are not drawn."""
    low, high = sorted(axis.get_view_interval())
    return [tick.label1 for tick in axis.get_major_ticks() if not low <= tick.get_loc() <= high]


def shown_texts(figure):
    """Every text that is seen, with the box it takes, leaders left out."""
    figure.draw_without_rendering()
    unseen = {id(label) for ax in figure.axes for axis in (ax.xaxis, ax.yaxis) for label in beyond(axis)}
    for text in figure.findobj(matplotlib.text.Text):
        if text.get_visible() and text.get_text().strip() and id(text) not in unseen:
            yield text, matplotlib.text.Text.get_window_extent(text)


def check_texts(figure):
    """Every visible text lies inside the page and is at least 5.5 points high."""
    page = figure.bbox
    for text, box in shown_texts(figure):
        inside = box.x0 >= page.x0 - 1 and box.x1 <= page.x1 + 1 and box.y0 >= page.y0 - 1 and box.y1 <= page.y1 + 1
        assert inside, f"{text.get_text()!r} is cut"
        assert text.get_fontsize() >= 5.5


def check_texts_apart(figure):
    """No two texts lie on each other."""
    for (one, a), (other, b) in itertools.combinations(shown_texts(figure), 2):
        assert not a.padded(-1).overlaps(b.padded(-1)), f"{one.get_text()!r} lies on {other.get_text()!r}"
