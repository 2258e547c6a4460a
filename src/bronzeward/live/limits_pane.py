"""The limits a schedule is held against: their signs, and a line to add one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from bokeh.models import Button, Column, Div, Row, Select, TextInput

from bronzeward.live.draft import Draft
from bronzeward.live.fields import Complaint, number
from bronzeward.live.limit_signs import sign
from bronzeward.live.programme_pane import Change
from bronzeward.live.tables import STYLE, Band, sign_line
from bronzeward.model.answers import ANSWERS, answer_of
from bronzeward.studies.optimise.limits import Limit


class LimitsPane:
    """Signs of limits and a line to add one; `root` holds them."""

    def __init__(self, change: Change) -> None:
        self._change, self._told = change, Complaint()
        self._limits: tuple[Limit, ...] = ()
        self._lines: list[Div] = []
        self._rows = Column(sizing_mode="stretch_width")
        options = [(key, f"{answer.title}, {answer.shown_unit}") for key, answer in ANSWERS.items()]
        self._answer = Select(title="limit on", options=options, value="shell_at_first_liquid", width=190)
        self._kind = Select(title="is", options=[(">=", "at least"), ("<=", "at most")], value=">=", width=84)
        self._value = TextInput(title="value", width=70)
        add = Button(label="add", width=54, align="end")
        add.on_click(lambda: self._told.attempt(self._add))
        line = Row(self._answer, self._kind, self._value, add, styles={"flex-wrap": "wrap"})
        self.root = Column(self._rows, line, self._told.root, sizing_mode="stretch_width")

    def show(self, draft: Draft) -> None:
        """Make a line for each limit of a draft."""
        self._told.tell("")
        if draft.limits != self._limits:
            self._limits = draft.limits
            self._lines = [Div(text="", stylesheets=[STYLE], sizing_mode="stretch_width") for _ in draft.limits]
            self._rows.children = [Row(div, self._remover(k), sizing_mode="stretch_width")
                                   for k, div in enumerate(self._lines)]  # fmt: skip

    def judge(self, numbers: Mapping[str, float], bands: Mapping[str, Band]) -> None:
        """Show what a run and its band say of each limit."""
        for limit, line in zip(self._limits, self._lines, strict=True):
            line.text = sign_line(sign(limit, numbers[limit.answer], bands.get(limit.answer)))

    def _add(self) -> None:
        answer = answer_of(self._answer.value)
        limit = Limit(answer.key, self._kind.value, answer.from_shown(number(self._value.value, "value")))
        self._change(lambda draft: replace(draft, limits=(*draft.limits, limit)))

    def _remover(self, k: int) -> Button:
        button = Button(label="✕", width=36)
        kept = (*self._limits[:k], *self._limits[k + 1 :])
        button.on_click(lambda: self._change(lambda draft: replace(draft, limits=kept)))
        return button
