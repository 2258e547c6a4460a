"""Figures as files."""

from __future__ import annotations

import io
import os
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from bronzeward.errors import InputError
from bronzeward.files import check_target, replacing
from bronzeward.plots import style
from bronzeward.visible_text import has_unseen, visible

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SUFFIXES = (".png", ".svg", ".pdf")


def check_figure(path: str | Path, overwrite: bool) -> Path:
    """The name of a figure, if one may be written there; see `save`."""
    target = Path(path)
    if target.suffix.lower() not in SUFFIXES:
        raise InputError(
            f"{target}: figures end in {', '.join(SUFFIXES)}; '{target.suffix or target.name}' is none of them"
        )
    return check_target(target, overwrite)


def save(drawing: Figure | Axes, path: str | Path, overwrite: bool = False) -> Path:
    """Write a figure, or that of some axes, as PNG, SVG or PDF by the ending of the name.

    A reader never meets half a file.

    Raises
    ------
    InputError
        For another ending, a missing folder, or an existing file without `overwrite`.
    """
    target = check_figure(path, overwrite)
    with replacing(target, overwrite) as temporary:
        temporary.write_bytes(encode(drawing, target.suffix.lower()[1:]))
    return target


def _clean(figure: Figure) -> None:
    """Write out what no SVG file may hold, in all words of a figure."""
    from matplotlib.text import Text

    for words in figure.findobj(Text):
        if has_unseen(text := str(words.get_text())):
            words.set_text(visible(text))


@contextmanager
def _without_epoch() -> Iterator[None]:
    """Hide the date that builds give: pictures have none, and matplotlib fails where it is no date."""
    given = os.environ.pop("SOURCE_DATE_EPOCH", None)
    try:
        yield
    finally:
        if given is not None:
            os.environ["SOURCE_DATE_EPOCH"] = given


def encode(drawing: Figure | Axes, kind: str = "png") -> bytes:
    """A figure as the bytes of a "png", "svg" or "pdf" file, the same every time."""
    undated: dict[str, Any] = {"svg": {"Date": None}, "pdf": {"CreationDate": None}}.get(kind, {})
    more: dict[str, Any] = {"pil_kwargs": {"compress_level": 4}} if kind == "png" else {}
    stream = io.BytesIO()
    _clean(cast("Figure", drawing.figure))
    with style.settings(), _without_epoch(), warnings.catch_warnings():
        # letters that the font lacks are drawn as boxes
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        cast("Figure", drawing.figure).savefig(stream, format=kind, metadata=undated, **more)
    return stream.getvalue()
