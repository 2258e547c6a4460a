"""What every figure must keep: no text cut off, none too small to read."""

from __future__ import annotations

import matplotlib.text


def beyond(axis):
    """Labels of ticks that lie beyond the limits and are not drawn."""
    low, high = sorted(axis.get_view_interval())
    return [tick.label1 for tick in axis.get_major_ticks() if not low <= tick.get_loc() <= high]


def check_texts(figure):
    """Every visible text lies inside the page and is at least 5.5 points high."""
    figure.draw_without_rendering()
    page = figure.bbox
    unseen = {id(label) for ax in figure.axes for axis in (ax.xaxis, ax.yaxis) for label in beyond(axis)}
    for text in figure.findobj(matplotlib.text.Text):
        if text.get_visible() and text.get_text().strip() and id(text) not in unseen:
            box = text.get_window_extent()
            inside = box.x0 >= page.x0 - 1 and box.x1 <= page.x1 + 1 and box.y0 >= page.y0 - 1 and box.y1 <= page.y1 + 1
            assert inside, f"{text.get_text()!r} is cut"
            assert text.get_fontsize() >= 5.5
