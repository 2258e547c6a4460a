"""Fields to type numbers into, and a place beside them for what was wrong."""

from __future__ import annotations

from collections.abc import Callable
from math import isfinite

from bokeh.models import Div, TextInput

from bronzeward.errors import InputError
from bronzeward.live.tables import safe
from bronzeward.plots import style


class Complaint:
    """A place for what was wrong; `root` is its widget."""

    def __init__(self) -> None:
        looks = {"color": style.WARN, "font-weight": "bold", "font-size": "13px"}
        self.root = Div(text="", visible=False, styles=looks, sizing_mode="stretch_width")

    def attempt(self, action: Callable[[], None]) -> bool:
        """Do something; what input it refuses is told here. Whether it was done."""
        try:
            action()
        except InputError as error:
            self.tell(str(error))
            return False
        self.tell("")
        return True

    def tell(self, text: str) -> None:
        """Say what was wrong; an empty text: nothing."""
        self.root.text = f"✖ {safe(text)}" if text else ""
        self.root.visible = bool(text)


class NumberField:
    """A field for one number: `take` gets it; what is none, or is refused, is told in `beside` and changes nothing."""

    def __init__(self, title: str, take: Callable[[float], None], beside: Complaint) -> None:
        self.root = TextInput(title=title, width=84)
        self._title, self._take, self._beside = title, take, beside
        self._shown = ""
        self.root.on_change("value", self._typed)

    def show(self, value: float) -> None:
        """Write a number into the field."""
        self._shown = f"{value:.6g}"
        self.root.value = self._shown

    def _typed(self, _attribute: str, _old: str, new: str) -> None:
        if new != self._shown:
            self._beside.attempt(lambda: self._take(number(new, self._title)))


def number(text: str, what: str) -> float:
    """The number a text says.

    Raises
    ------
    InputError
        When it says none.
    """
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        raise InputError(f"{what}: '{text}' is not a number") from None
    if not isfinite(value):
        raise InputError(f"{what}: '{text}'; it must be a finite number")
    return value
