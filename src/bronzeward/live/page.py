"""One live page: its panes, what they change, and what comes back from the work beside it.

Every page has its own draft, history and thread, so that two at once do not mix.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
from bokeh.document import Document
from bokeh.events import DocumentReady, MouseMove
from bokeh.models import Button, Column, Div, Row, Slider
from jinja2 import Environment, FileSystemLoader

from bronzeward.live.charts import Charts
from bronzeward.live.computing import MEMBERS, Computed, Computer
from bronzeward.live.draft import Draft
from bronzeward.live.fields import Complaint
from bronzeward.live.limits_pane import LimitsPane
from bronzeward.live.programme_pane import ProgrammePane
from bronzeward.live.saving import save
from bronzeward.live.saving_pane import SavingPane
from bronzeward.live.section_chart import SectionChart
from bronzeward.live.strand_pane import StrandPane
from bronzeward.live.tables import STYLE, answers_table, layers_list, plain_list, safe
from bronzeward.live.undoing import Undoing
from bronzeward.model.answer_bands import bands_of, caveat_of
from bronzeward.model.answers import numbers
from bronzeward.model.events import events
from bronzeward.model.layer_stack import edges_at, strand_of
from bronzeward.model.result import Result
from bronzeward.units import HOUR, ZERO_CELSIUS

_TEMPLATES = Environment(loader=FileSystemLoader(Path(__file__).parent), autoescape=True)


STEP = 0.01
"""Of the moment's slider [h]."""

SHORTLY = 30
"""How long the pointer may move on before the section follows, and a dragged corner wait for its run [ms]."""


class LivePage:
    """A page in a document of Bokeh, which begins with a draft.

    It saves in `folder`, under `name` unless another is typed; bands are of `members` runs, 0 for none.
    """

    def __init__(self, document: Document, draft: Draft, folder: Path, name: str, members: int = MEMBERS) -> None:
        self._document, self._folder = document, folder
        self._drafts = Undoing(draft)
        self._number = 0
        self._result: Result | None = None
        self._beside: Result | None = None
        self._seconds, self._row = 0.0, -1
        self._wanted: float | None = None
        self._opened = self._unshown = False
        self._awaited = True
        self._strand_shown = draft.case().strand
        self._charts, self._section = Charts(banded=members > 0), SectionChart()
        self._programme = ProgrammePane(self._charts, self._change)
        self._strand = StrandPane(draft, self._change, self._drafts.settle)
        self._limits = LimitsPane(self._change)
        self._saving = SavingPane(name, self._save)
        self._trouble = Complaint()
        self._answers, self._layers, self._cautions, self._state = (
            Div(text="", stylesheets=[STYLE], sizing_mode="stretch_width") for _ in range(4)
        )
        self._layers.update(width=190, sizing_mode="inherit")
        self._undo = self._stepper("undo", "↶ undo", self._drafts.undo)
        self._redo = self._stepper("redo", "↷ redo", self._drafts.redo)
        self._keep = _button("keep this one beside", self._keep_beside, 180)
        self._moment = Slider(title="moment, h", start=0.0, end=1.0, step=STEP, value=0.0, format="0.00",
                              sizing_mode="stretch_width")  # fmt: skip
        self._computer = Computer(lambda computed: document.add_next_tick_callback(partial(self._arrived, computed)),
                                  members)  # fmt: skip
        self._members = members
        self._lay_out(draft.case().title)
        self._show_draft()
        # not earlier: what the thread says before the document has its session is lost
        document.on_event(DocumentReady, lambda _: self._ask())

    def close(self, *_: object) -> None:
        """End the work beside the page."""
        self._computer.stop()

    def _lay_out(self, title: str) -> None:
        actions = Row(self._undo, self._redo, self._keep, styles={"flex-wrap": "wrap"})
        section = Row(self._section.chart, self._layers, styles={"flex-wrap": "wrap"})
        roots = {
            "actions": actions,
            "charts": Column(
                self._charts.schedule,
                self._charts.legend,
                self._charts.thickness,
                self._charts.liquid,
                sizing_mode="stretch_width",
            ),
            "dragging": Column(self._programme.dragging.root, self._trouble.root, sizing_mode="stretch_width"),
            "moment": self._moment,
            "section": section,
            "state": self._state,
            "answers": self._answers,
            "limits": self._limits.root,
            "programme": self._programme.root,
            "strand": self._strand.root,
            "saving": self._saving.root,
            "cautions": self._cautions,
        }
        for chart in self._charts.all:  # what is asked for once a chart is in a document never comes
            chart.on_event(MouseMove, lambda event: self._look_soon(HOUR * event.x))
        with self._document.models.freeze():  # else all models are looked through once for each root
            for name, root in roots.items():
                root.name = name
                self._document.add_root(root)
        self._document.title = f"{title or 'Cu-Sn mixing heat treatment'} · live"
        self._document.template = _TEMPLATES.get_template("page.html")
        self._moment.on_change("value", lambda _a, _o, new: self._slid(HOUR * new))
        self._document.on_session_destroyed(self.close)

    def _change(self, make: Callable[[Draft], Draft], topic: str | None = None, dragged: bool = False) -> None:
        """Replace the draft; raises InputError, and leaves everything as it was, where the new one is refused.

        What was `dragged` is seen already: the rest follows with the run, so that the browser draws only once.
        """
        self._drafts.do(make(self._drafts.now), topic)
        if not dragged:
            self._refresh()
            return
        self._ask()
        self._programme.take(self._drafts.now)
        self._unshown = True
        self._document.add_timeout_callback(self._show_unshown, SHORTLY)

    def _step(self, move: Callable[[], bool]) -> None:
        if move():
            self._refresh()

    def _stepper(self, name: str, label: str, move: Callable[[], bool]) -> Button:
        """A button that steps, by its name also from the keyboard: the page then counts up in its tags."""
        button = _button(label, partial(self._step, move))
        button.name = name
        button.on_change("tags", lambda _a, _o, _n: self._step(move))
        return button

    def _refresh(self) -> None:
        """Have the draft computed, and meanwhile show it everywhere."""
        self._ask()
        self._show_draft()

    def _ask(self) -> None:
        self._number += 1
        self._awaited = True
        self._computer.ask(self._number, self._drafts.now.case())

    def _show_unshown(self) -> None:
        if self._unshown:
            self._show_draft()

    def _show_draft(self) -> None:
        draft, self._unshown = self._drafts.now, False
        self._programme.show(draft)
        self._programme.dragging.tell("")
        self._strand.show(draft)
        self._limits.show(draft)
        self._undo.disabled, self._redo.disabled = (not possible for possible in self._drafts.can)

    def _arrived(self, computed: Computed) -> None:
        """Show what was computed, unless a newer draft has been asked for."""
        if computed.number != self._number:
            return
        self._awaited = False
        self._show_unshown()
        self._trouble.tell(computed.trouble)
        if computed.result is None:
            self._state.text = "<b>✖ not computed</b>"
            return
        result = self._result = computed.result
        answers, bands = numbers(result), bands_of(result)
        beside = numbers(self._beside) if self._beside is not None else None
        self._answers.text = answers_table(answers, bands, beside, caveat_of(result))
        self._limits.judge(answers, bands)
        status = str(result.attributes["status"])
        warnings = [line for line in str(result.attributes["warnings"]).splitlines() if line]
        self._cautions.text = plain_list([*([status] if status != "completed" else []), *warnings])
        self._charts.show(result)
        self._moment.end = float(result["time"][-1]) / HOUR
        self._row, self._strand_shown = -1, strand_of(result)
        if not self._opened:
            self._opened, self._seconds = True, first_shown(result)
        self._look_at(self._seconds if self._wanted is None else self._wanted)
        self._state.text = self._state_words(computed.banded)

    def _state_words(self, banded: bool) -> str:
        if not self._members:
            return "this run, without a band"
        return f"with a band of {self._members} runs" if banded else f"band of {self._members} runs …"

    def _slid(self, seconds: float) -> None:
        """The moment's slider was moved, unless it only followed the pointer."""
        if abs(seconds - self._seconds) > 0.5 * STEP * HOUR:
            self._look_soon(seconds)

    def _look_soon(self, seconds: float) -> None:
        """Show the section at a moment [s] shortly; of several on end the last, so that nothing else has to wait.

        Where a run is awaited the section follows with that.
        """
        waiting, self._wanted = self._wanted is not None, seconds
        if not waiting:
            self._document.add_timeout_callback(self._look_now, SHORTLY)

    def _look_now(self) -> None:
        if self._wanted is not None and not self._awaited:
            self._look_at(self._wanted)

    def _look_at(self, seconds: float) -> None:
        """Show the section at a moment [s]: the stored state at or just before it."""
        self._wanted = None
        if self._result is None:
            return
        time = self._result["time"]
        self._seconds = min(max(seconds, 0.0), float(time[-1]))
        row = int(np.searchsorted(time, self._seconds, side="right")) - 1
        self._charts.show_moment(self._seconds / HOUR)
        self._moment.value = round(self._seconds / HOUR / STEP) * STEP
        if row == self._row:
            return
        self._row = row
        edges = edges_at(self._result, row, self._strand_shown)
        self._section.show(edges, self._strand_shown)
        place = f"{time[row] / HOUR:.2f} h, {self._result['temperature'][row] - ZERO_CELSIUS:.1f} °C"
        past = [event.words for event in events(self._result) if event.row <= row]
        told = f"<br><small>last event: {safe(past[-1])}</small>" if past else ""
        self._layers.text = f"<b>{place}</b>{told}{layers_list(edges, self._strand_shown)}"

    def _keep_beside(self) -> None:
        """Keep this run for comparison, or let go of the one that is kept."""
        self._beside = None if self._beside is not None else self._result
        self._keep.label = "keep this one beside" if self._beside is None else "let go of the one beside"
        self._charts.show_beside(self._beside)
        if self._result is not None:
            beside = numbers(self._beside) if self._beside is not None else None
            self._answers.text = answers_table(
                numbers(self._result), bands_of(self._result), beside, caveat_of(self._result)
            )

    def _save(self, kind: str, name: str, replace: bool) -> str:
        return str(save(kind, self._drafts.now, self._result, self._folder, name, replace))


def first_shown(result: Result) -> float:
    """The moment [s] a page opens at: when tin first melts, else the end."""
    melting = [event.row for event in events(result) if "melts" in event.name]
    return float(result["time"][melting[0] if melting else -1])


def _button(label: str, action: Callable[[], None], width: int = 90) -> Button:
    button = Button(label=label, width=width)
    button.on_click(lambda: action())
    return button
