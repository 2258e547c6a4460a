"""Which quench samples are worth making, as tables, in words, and as data."""

from __future__ import annotations

from collections.abc import Iterable
from textwrap import wrap
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from bronzeward.model.answers import ANSWERS
from bronzeward.reports.text_table import number, table
from bronzeward.units import ZERO_CELSIUS

if TYPE_CHECKING:
    import xarray as xr

WORTH = 0.95
"""Of the present width: a sample that leaves more is not worth measuring."""

NEARLY = 0.9
"""Readings are enough when twice as many leave more than this share of the band."""

JUMPS = 1.3
"""Band left by members over that by slopes from which the slopes are called too hopeful."""

LISTED = 8
"""Samples in the table, the best first."""


def witness_report(data: xr.Dataset) -> str:
    """Samples by what they leave of the band, the best one and the best pair in words; at most 80 columns."""
    answer = ANSWERS[str(data.attrs["answer"])]
    order = np.argsort(data["width"].values, kind="stable")
    rows = [
        [str(data["sample"].values[k])[:30], f"{float(data['hours'][k]):.1f}", _width(data, data["width"][k]),
         ", ".join(_worth_measuring(data, int(k))) or "-"]
        for k in order[:LISTED]
    ]  # fmt: skip
    low, middle, high = (answer.number(float(v)) for v in data["band_now"].values)
    lines = [
        f"{answer.title} now: {middle} {answer.shown_unit}, 5 to 95 % {low} to {high}, "
        f"a band of {_width(data, data['width_now'])}.",
        "",
        table(["quench sample", "hours", f"band left, {answer.shown_unit}", "measure"], rows),
        "",
    ]
    for sentence in sentences(data):
        lines += wrap(sentence, 80)
    lines += ["", look_table(data)]
    return "\n".join(lines)


def sentences(data: xr.Dataset) -> list[str]:
    """The best sample, the best pair, readings, limits, and what is not worth measuring."""
    answer, best = ANSWERS[str(data.attrs["answer"])], str(data.attrs["best"])
    one, two = _pair(data)
    single, pair = (data["checked"].sel(choice=choice) for choice in ("best", "pair"))
    lines = [
        f"Best single sample: {best}; it leaves about {_width(data, single)} {answer.shown_unit}, by members drawn "
        "(the table goes by slopes).",
        f"Best pair: {one} and {two}; together about {_width(data, pair)} {answer.shown_unit}.",
        f"No sample leaves less than about {_width(data, data['width_rest'])} {answer.shown_unit}: that is the "
        "wire, its volumes and what else varies beside the constants.",
        *_jumps(data),
        f"Readings of each layer: {enough_readings(data)}; {_by_readings(data)}. One reading is "
        f"taken to scatter by {_percent(data, 'reading')} (diameters {_percent(data, 'core')}), the model by "
        f"{_percent(data, 'model')}.",
        f"Fit them with: {' '.join(f'--phase {phase}' for phase in _listed(data.attrs['phases']))}.",
    ]
    for k, bound in enumerate(data["limit"].values):
        sure = 100 * float(data["confidence"][k])
        kept, broken = (100 * float(data[name].sel(choice="pair")[k]) for name in ("sure_kept", "sure_broken"))
        lines.append(
            f"{bound}: kept in {100 * float(data['chance_now'][k]):.0f} of 100 now. After the pair one would be "
            f"{sure:g} % sure that it is kept in {kept:.0f} of 100 cases, that it is not in {broken:.0f}, and still "
            f"undecided in {100 - kept - broken:.0f}."
        )
    useless = [str(name) for name, left in zip(data["sample"].values, left_of(data), strict=True) if left > WORTH]
    if useless:
        lines.append(f"Not worth measuring, {100 * (1 - WORTH):.0f} % gain or less: {'; '.join(useless)}.")
    expected = f"Expected over {data.attrs['truths']} truths out of what is known now; an estimate."
    return [*lines, expected, str(data.attrs["caveat"])]


def _jumps(data: xr.Dataset) -> list[str]:
    """A sentence where slopes see less than members do of what the best pair leaves."""
    one, two = _pair(data)
    seen = float(data["checked"].sel(choice="pair"))
    if seen <= JUMPS * float(data["pair_width"].sel(sample=one, other=two)):
        return []
    return [
        "The answer jumps or bends between members, which slopes do not see: the table and the figure promise too "
        "much; what the best sample and pair leave is computed with members."
    ]


def look_table(data: xr.Dataset) -> str:
    """What the best pair should look like: thicknesses where the answer lies at 5, 50 and 95 %."""
    answer, rows = ANSWERS[str(data.attrs["answer"])], []
    for name in _pair(data):
        for layer in data["layer"].values:
            look = data["look"].sel(sample=name, layer=layer).values * 1e6
            if layer != "shell" and np.nanmax(look) >= 0.05:
                rows.append([name, str(layer), *(number(float(v)) for v in look)])
    return table(["what to see, µm", "layer", *(f"at {100 * q:g} %" for q in data["quantile"].values)], rows) + (
        f"\nColumns: members whose {answer.title} lies there.\nVolumes are those of 25 °C; core: its diameter."
    )


def left_of(data: xr.Dataset) -> list[float]:
    """By sample, the share of the present band that it would leave."""
    now = max(float(data["width_now"]), 1e-300)
    return [float(width) / now for width in data["width"].values]


def enough_readings(data: xr.Dataset) -> str:
    """The fewest readings of a layer of which twice as many would hardly narrow the band of the best pair."""
    counts, widths = data["readings"].values, data["reading_width"].values
    more = np.flatnonzero(widths[1:-1] > NEARLY * widths[:-2])
    return f"{counts[more[0]]:.0f} are enough" if more.size else f"{counts[-2]:.0f} or more"


def _by_readings(data: xr.Dataset) -> str:
    unit, told = ANSWERS[str(data.attrs["answer"])].shown_unit, []
    for count, width in zip(data["readings"].values[1:], data["reading_width"].values[1:], strict=True):
        told.append(f"{_width(data, width)} {unit} with {count:.0f}" if np.isfinite(count) else _width(data, width))
    return f"{', '.join(told[:-1])}, {told[-1]} {unit} with ever so many"


def _percent(data: xr.Dataset, kind: str) -> str:
    return f"{100 * float(data.attrs[f'scatter_{kind}']):g} %"


def witness_data(data: xr.Dataset) -> dict[str, object]:
    """The same as plain data, SI units."""
    one, two = _pair(data)
    return {
        "schema": "bronzeward/witness/1",
        "answer": str(data.attrs["answer"]),
        "width_now": float(data["width_now"]),
        "bands_leave_out": str(data.attrs["caveat"]),
        "best": str(data.attrs["best"]),
        "pair": [one, two],
        "pair_width": float(data["checked"].sel(choice="pair")),
        "best_width": float(data["checked"].sel(choice="best")),
        "rest_width": float(data["width_rest"]),
        "phases": _listed(data.attrs["phases"]),
        "samples": [
            {
                "name": str(name),
                "hours": float(data["hours"][k]),
                "temperature_C": float(data["temperature"][k]) - ZERO_CELSIUS,
                "width": float(data["width"][k]),
                "worth_measuring": left <= WORTH,
                "layer_width": _by_layer(data, data["layer_width"][k]),
                "look_m": [_by_layer(data, data["look"][q, k]) for q in range(data.sizes["quantile"])],
            }
            for k, (name, left) in enumerate(zip(data["sample"].values, left_of(data), strict=True))
        ],
        "readings": {f"{n:g}": float(w) for n, w in zip(data["readings"], data["reading_width"], strict=True)},
        "limits": [
            {
                "limit": str(bound),
                "chance_now": float(data["chance_now"][k]),
                "sure_kept": dict(zip(data["choice"].values, data["sure_kept"][:, k].values.tolist(), strict=True)),
                "sure_broken": dict(zip(data["choice"].values, data["sure_broken"][:, k].values.tolist(), strict=True)),
            }
            for k, bound in enumerate(data["limit"].values)
        ],
        "sentences": sentences(data),
    }


def _by_layer(data: xr.Dataset, column: xr.DataArray) -> dict[str, float]:
    return {str(name): float(v) for name, v in zip(data["layer"].values, column.values, strict=True) if np.isfinite(v)}


def _worth_measuring(data: xr.Dataset, k: int) -> list[str]:
    """Layers of a sample thick enough to be measured one by one."""
    thin = np.isnan(data["layer_width"].values[k])
    return [str(name) for name, no in zip(data["layer"].values, thin, strict=True) if not no and name not in SUMS]


SUMS = ("shell", "core")


def _pair(data: xr.Dataset) -> list[str]:
    return [str(name) for name in data.attrs["pair"]]


def _listed(value: str | Iterable[object]) -> list[str]:
    return [value] if isinstance(value, str) else [str(part) for part in value]


def _width(data: xr.Dataset, value: npt.ArrayLike) -> str:
    """A width in the unit of the answer, as its digits are shown."""
    answer = ANSWERS[str(data.attrs["answer"])]
    return f"{float(answer.shown_difference(value)):.{answer.digits}f}"
