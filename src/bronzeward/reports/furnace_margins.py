"""The holds of a programme, the reactions they touch and the answers of all strands, as a table."""

from __future__ import annotations

from typing import TYPE_CHECKING

from bronzeward.model.answer_text import number, shown, table, title, unit
from bronzeward.model.answers import NUMBERS
from bronzeward.studies.furnace_margins import STRANDS
from bronzeward.units import ZERO_CELSIUS

if TYPE_CHECKING:
    import xarray as xr


def margins_table(data: xr.Dataset) -> str:
    """Holds, what they touch, and the answers, in 80 columns."""
    lines: list[str] = []
    rows = []
    for k in range(data.sizes["hold"]):
        kelvin = [float(data[name][k]) for name in ("hold_temperature", "hold_coldest", "hold_hottest")]
        named = zip(data["reaction"].values, data["touches"].values[k], strict=True)
        touched = [str(name) for name, touches in named if touches]
        safe = [_place(data, k, j, kelvin[0]) for j in range(data.sizes["reaction"])]
        texts = [number(t - ZERO_CELSIUS, 1) for t in kelvin]
        rows.append([str(int(data["hold"][k])), *texts, ", ".join(touched) or "nothing", *safe])
    if rows:
        reactions = zip(data["reaction"].values, data["reaction_temperature"].values, strict=True)
        heads = [f"{name} {float(t) - ZERO_CELSIUS:.1f}" for name, t in reactions]
        lines.append(table(["hold", "set °C", "coldest", "hottest", "touches", *heads], rows))
        lines.append("")
    else:
        lines.append("The programme has no hold.\n")
    answer_rows = [[title(name), *(number(float(v)) for v in shown(name, data[name])), unit(name)] for name in NUMBERS]
    lines.append(table(["", *STRANDS, ""], answer_rows))
    return "\n".join(lines)


def _place(data: xr.Dataset, hold: int, reaction: int, kelvin: float) -> str:
    """The set-point up to or from which the hold is safe."""
    if kelvin < float(data["reaction_temperature"][reaction]):
        return f"below if <= {float(data['highest_safe'][hold, reaction]) - ZERO_CELSIUS:.1f}"
    return f"above if >= {float(data['lowest_safe'][reaction]) - ZERO_CELSIUS:.1f}"
