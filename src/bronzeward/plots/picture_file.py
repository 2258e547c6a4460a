"""Figures as files."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from bronzeward.errors import InputError
from bronzeward.files import check_target, replacing
from bronzeward.plots import style

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


def encode(drawing: Figure | Axes, kind: str = "png") -> bytes:
    """A figure as the bytes of a "png", "svg" or "pdf" file, the same every time."""
    undated: dict[str, Any] = {"svg": {"Date": None}, "pdf": {"CreationDate": None}}.get(kind, {})
    more: dict[str, Any] = {"pil_kwargs": {"compress_level": 4}} if kind == "png" else {}
    stream = io.BytesIO()
    with style.settings():
        cast("Figure", drawing.figure).savefig(stream, format=kind, metadata=undated, **more)
    return stream.getvalue()
