"""The strand's numbers as sliders."""

from __future__ import annotations

from bokeh.models import Column, Slider

from bronzeward.inputs.case_values import value_at
from bronzeward.live.dials import Dial, dials
from bronzeward.live.draft import Draft
from bronzeward.live.fields import Complaint
from bronzeward.live.programme_pane import Change


class StrandPane:
    """A slider for each number of the strand, what was wrong with it below; `root` holds them."""

    def __init__(self, draft: Draft, change: Change, settle: Change) -> None:
        self._sliders = [_DialSlider(dial, change, settle) for dial in dials(draft.inputs)]
        self.root = Column(*(slider.root for slider in self._sliders), sizing_mode="stretch_width")

    def show(self, draft: Draft) -> None:
        """Put the sliders where a draft has them."""
        for slider in self._sliders:
            slider.show(draft)


class _DialSlider:
    def __init__(self, dial: Dial, change: Change, settle: Change) -> None:
        self._dial, self._change, self._now = dial, change, dial.value
        self._told = Complaint()
        self._slider = Slider(title=dial.title, start=dial.low, end=dial.high, step=dial.step, value=dial.value,
                              format="0[.]00", sizing_mode="stretch_width")  # fmt: skip
        self._slider.on_change("value", lambda _a, _o, new: self._slid(float(new)))
        self._slider.on_change("value_throttled", lambda _a, _o, _n: self._let_go(settle))
        self.root = Column(self._slider, self._told.root, sizing_mode="stretch_width")

    def show(self, draft: Draft) -> None:
        value = value_at(draft.inputs, self._dial.path)
        self._now = self._dial.value if value is None else value
        self._told.tell("")
        self._slider.value = self._now

    def _slid(self, value: float) -> None:
        if value != self._now:
            path = self._dial.path
            self._told.attempt(lambda: self._change(lambda draft: draft.with_value(path, value), path))

    def _let_go(self, settle: Change) -> None:
        """The next move is undone by itself; a slider left where it was refused goes back, and the reason stays."""
        settle()
        self._slider.value = self._now
