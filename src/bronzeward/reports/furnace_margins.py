"""The holds of a programme, the reactions they touch and the answers of all strands, as a table."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from bronzeward.model.answers import ANSWERS
from bronzeward.model.dataset_file import as_dataset
from bronzeward.reports.text_table import number, table
from bronzeward.studies.furnace_margins import REACTIONS, STRANDS
from bronzeward.units import ZERO_CELSIUS

if TYPE_CHECKING:
    import xarray as xr


OWN = len(REACTIONS)
"""Reactions of the case itself come first; those of other sources follow."""


def margins_table(data: xr.Dataset | str | Path) -> str:
    """Holds, what they touch, and the answers, in 80 columns."""
    data = as_dataset(data)
    lines: list[str] = []
    rows, others = [], []
    reactions = zip(data["reaction"].values, data["reaction_temperature"].values, strict=True)
    heads = [f"{name} {float(t) - ZERO_CELSIUS:.1f}" for name, t in reactions]
    for k in range(data.sizes["hold"]):
        kelvin = [float(data[name][k]) for name in ("hold_temperature", "hold_coldest", "hold_hottest")]
        touched = [name for name, touches in zip(heads, data["touches"].values[k], strict=True) if touches]
        met = [name.rpartition(" ")[0] for name in touched if name in heads[:OWN]]
        safe = [_place(data, k, j, kelvin[0]) for j in range(len(heads))]
        texts = [number(t - ZERO_CELSIUS, 1) for t in kelvin]
        rows.append([str(int(data["hold"][k])), *texts, ", ".join(met) or "nothing", *safe[:OWN]])
        others.append([str(int(data["hold"][k])), *safe[OWN:]])
    if rows:
        lines += [table(["hold", "set °C", "coldest", "hottest", "touches", *heads[:OWN]], rows), ""]
        if heads[OWN:]:
            lines += ["Where others have eta melt:", table(["hold", *heads[OWN:]], others), ""]
    else:
        lines.append("The programme has no hold.\n")
    answers = [
        [answer.title, *(answer.number(float(value)) for value in data[key]), answer.shown_unit]
        for key, answer in ANSWERS.items()
    ]
    lines.append(table(["", *STRANDS, ""], answers))
    return "\n".join(lines)


def _place(data: xr.Dataset, hold: int, reaction: int, kelvin: float) -> str:
    """The set-point up to or from which the hold is safe."""
    if kelvin < float(data["reaction_temperature"][reaction]):
        return f"below if <= {float(data['highest_safe'][hold, reaction]) - ZERO_CELSIUS:.1f}"
    return f"above if >= {float(data['lowest_safe'][reaction]) - ZERO_CELSIUS:.1f}"
