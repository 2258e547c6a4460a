"""A name and a button for each thing that can be saved."""

from __future__ import annotations

from collections.abc import Callable

from bokeh.models import Button, Checkbox, Column, Div, Row, TextInput

from bronzeward.live.fields import Complaint
from bronzeward.live.saving import KINDS
from bronzeward.live.tables import safe

Save = Callable[[str, str, bool], str]
"""Saves a kind under a name, replacing or not; says where."""


class SavingPane:
    """What was saved is told below; `root` holds all of it."""

    def __init__(self, name: str, save: Save) -> None:
        self._save, self._told = save, Complaint()
        self._name = TextInput(title="name, without ending", value=name, width=190)
        self._replace = Checkbox(label="replace", active=False, align="end")
        self._done = Div(text="", sizing_mode="stretch_width")
        buttons = []
        for kind, ending in KINDS.items():
            button = Button(label=f"save {kind} ({ending})", width=170)
            button.on_click(lambda kind=kind: self._told.attempt(lambda: self._write(kind)))
            buttons.append(button)
        self.root = Column(
            Row(self._name, self._replace), Row(*buttons, styles={"flex-wrap": "wrap"}), self._told.root, self._done,
            sizing_mode="stretch_width",
        )  # fmt: skip

    def _write(self, kind: str) -> None:
        self._done.text = ""
        self._done.text = f"Written: {safe(self._save(kind, self._name.value, bool(self._replace.active)))}"
