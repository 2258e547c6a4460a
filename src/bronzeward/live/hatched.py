"""Hatched areas of a chart, drawn without delay."""

from __future__ import annotations

from bokeh.models import GlyphRenderer


def hatch_once(areas: GlyphRenderer) -> None:
    """Hatch areas as they are seen, and in no other look.

    Nothing can be selected or muted in these charts; the browser would make a pattern for each of those looks
    whenever the data change.
    """
    areas.selection_glyph = areas.nonselection_glyph = areas.muted_glyph = areas.glyph.clone(hatch_pattern=None)
