"""A predicted section beside a micrograph, both to one scale."""

from __future__ import annotations

import io
import warnings
from math import ceil, isfinite
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from bronzeward.errors import InputError
from bronzeward.files import read_bytes
from bronzeward.model.asked_moments import state_at
from bronzeward.model.layer_stack import seen_layers, strand_of
from bronzeward.model.result import Source, as_result
from bronzeward.plots import style
from bronzeward.plots.axes import PAGE_WIDTH, new_figure
from bronzeward.plots.lettering import shortened
from bronzeward.plots.plane_section import SLAB
from bronzeward.plots.round_section import STRIP
from bronzeward.plots.section import LINE, caption, foot, foot_height, list_layers, plot_section
from bronzeward.plots.section_words import scale_bar

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOST_PIXELS = 2400
"""Pixels of a micrograph drawn along each side at most; more cannot be seen in print."""

MOST_APART = 40.0
"""By this factor micrograph and section may differ in width; the smaller would be a dot beside the larger."""

TALLEST, LEAST_COLUMN = 4.5, 1.9
"""Height of the pictures at most, and width of what is written over them [inch]."""

_HEAD, _BAR, _GAP, _EDGE = 0.36, 0.16, 0.12, 0.06
"""Heights of captions and scale bar, and widths between and beside the pictures [inch]."""


class _Photo(NamedTuple):
    """A micrograph: its pixels, and its width and height [µm]."""

    pixels: NDArray[Any]
    wide: float
    high: float


@style.settings()
def draw_beside(
    run: Source,
    photo: str | Path,
    scale: float,
    moment: str = "first liquid",
    centre: tuple[float, float] | None = None,
) -> Figure:
    """The predicted section at a moment and a micrograph side by side at one scale, page-wide, each with a scale bar.

    Parameters
    ----------
    run : Result, xarray.Dataset or file name
    photo : file name of a picture (.png, .jpg, .tif)
    scale : float, [µm]
        Width of one of its pixels.
    moment : str
        In the words of `moments.find_moment`.
    centre : (float, float), optional, [pixels]
        From the left and from the top; only as much of the picture round it is shown as the section takes.

    Raises
    ------
    InputError
        For a picture that cannot be read, a scale that is not above 0, a centre outside the picture, or sizes of
        picture and strand that cannot belong together.
    """
    if not (isfinite(scale) and scale > 0.0):
        raise InputError(f"section: a scale of {scale:g} µm for each pixel; it must be above 0")
    result, row = state_at(as_result(run), moment)
    strand = strand_of(result)
    wide, high = (side * strand.barrier_radius * 1e6 for side in (SLAB if strand.plane else STRIP))
    seen = _photo(photo, scale, centre, wide)
    inch = _inches(wide, high, seen)
    layers, below = seen_layers(result, row), foot_height(strand, PAGE_WIDTH) + 0.06
    tall = max(high, seen.high) * inch
    total = _HEAD + LINE * len(layers) + 0.06 + tall + _BAR + below
    figure = new_figure(PAGE_WIDTH, total)
    second = _EDGE + max(LEAST_COLUMN, wide * inch) + _GAP
    top = below + _BAR + tall
    plot_section(result, row, _axes(figure, _EDGE, top - high * inch, wide * inch, high * inch), strand, False)
    _show(_axes(figure, second, top - seen.high * inch, seen.wide * inch, seen.high * inch), seen)
    bar = _axes(figure, second, top - seen.high * inch - _BAR, seen.wide * inch, _BAR)
    bar.set(xlim=(0.0, seen.wide), ylim=(0.0, _BAR / inch))
    usual = (0.7 if strand.plane else 1.0) * strand.barrier_radius * 1e6
    scale_bar(bar, (0.0, 0.03 / inch), min(usual, seen.wide))
    named = f"micrograph {shortened(Path(photo).name, 20)}\n{scale:.4g} µm for each pixel"
    for x, text in ((_EDGE, f"computed, {caption(result, row, moment)}"), (second, named)):
        figure.text(x / PAGE_WIDTH, 1.0 - 0.05 / total, text, va="top", fontsize=7)
    list_layers(figure, layers, _EDGE, total - _HEAD, strand.plane)
    foot(figure, strand)
    return figure


def _axes(figure: Figure, left: float, bottom: float, wide: float, high: float) -> Axes:
    """Axes at a place of a page [inch], without a frame."""
    width, height = figure.get_size_inches()
    ax = figure.add_axes((left / width, bottom / height, wide / width, high / height))
    ax.set_axis_off()
    return ax


def _inches(wide: float, high: float, seen: _Photo) -> float:
    """Inches for each µm at which a section so wide and high [µm] and a micrograph fit beside each other."""
    page = PAGE_WIDTH - 2.0 * _EDGE - _GAP
    inch = min(page / (wide + seen.wide), TALLEST / max(high, seen.high))
    narrower, wider = sorted((wide, seen.wide))
    return inch if narrower * inch >= LEAST_COLUMN else min(inch, (page - LEAST_COLUMN) / wider)


def _show(ax: Axes, seen: _Photo) -> None:
    step = ceil(max(seen.pixels.shape[:2]) / MOST_PIXELS)
    ax.imshow(seen.pixels[::step, ::step], cmap="gray", extent=(0.0, seen.wide, 0.0, seen.high), aspect="auto")


def _photo(path: str | Path, scale: float, centre: tuple[float, float] | None, wide: float) -> _Photo:
    """A micrograph, or as much round a pixel of it as a section so wide takes [µm]."""
    pixels = _pixels(path)
    if centre is not None:
        high, width = pixels.shape[:2]
        if not (0 <= centre[0] < width and 0 <= centre[1] < high):
            raise InputError(f"{path}: pixel {centre[0]:g}, {centre[1]:g} lies outside; it has {width} by {high}")
        half = 0.5 * wide / scale
        across, down = (slice(max(round(c - half), 0), max(round(c + half), 1)) for c in centre)
        pixels = pixels[down, across]
    seen = _Photo(pixels, pixels.shape[1] * scale, pixels.shape[0] * scale)
    if not 1.0 / MOST_APART <= max(seen.wide, seen.high) / wide <= MOST_APART:
        raise InputError(
            f"{path}: at {scale:g} µm a pixel it shows {seen.wide:.4g} by {seen.high:.4g} µm, the section takes "
            f"{wide:.4g} µm; check the scale, or give the pixel at the middle of the strand"
        )
    return seen


def _pixels(path: str | Path) -> NDArray[Any]:
    """Pixels of a picture, shape (high, wide) or (high, wide, 3 or 4)."""
    from matplotlib.image import imread

    content = read_bytes(path)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")  # a picture beyond all measure is warned of
            return np.asarray(imread(io.BytesIO(content), Path(path).suffix.lower().lstrip(".") or "png"))
    except Exception as error:  # a damaged picture makes its reader raise nearly anything
        raise InputError(f"{path}: cannot be read as a picture ({' '.join(str(error).split())[:120]})") from None
