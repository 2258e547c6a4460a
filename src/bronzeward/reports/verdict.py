"""A verdict on schedules as a table, in words, and as data."""

from __future__ import annotations

from textwrap import wrap
from typing import TYPE_CHECKING

from bronzeward.model.answers import ANSWERS
from bronzeward.plots.lettering import shortened
from bronzeward.reports.text_table import table

if TYPE_CHECKING:
    import xarray as xr

KEPT = {
    ("overfill_at_first_liquid", "<="): "room",
    ("bore_overfill_at_first_liquid", "<="): "room in the bore",
    ("overfill_peak", "<="): "room throughout",
    ("copper_left_with_liquid", ">="): "copper left",
    ("eta_at_peritectic", "<="): "no η left to melt",
    ("liquid_above_peritectic", "<="): "no liquid at the peritectic",
}
"""What a limit is called in a sentence, by its answer and kind, where its value is 0 or its name says enough."""

LONGEST = 26
"""Of a schedule's name in the table."""

MOST_COLUMNS = 7
"""Of chances in a table; more are told in a table for each set of constants."""


def verdict_report(data: xr.Dataset) -> str:
    """One row a schedule, then sentences; at most 80 columns."""
    limits, sets = [str(v) for v in data["limit"].values], [str(v) for v in data["constants"].values]
    letters = [chr(ord("A") + k) for k in range(len(limits))] + ["all"] * (len(limits) > 1)
    lines = [
        f"{letter}: {limit}, asked for {100 * float(confidence):g} %"
        for letter, limit, confidence in zip(letters, limits, data["confidence"].values, strict=False)
    ]
    several = len(sets) > 1
    if several:
        lines += [f"{k}: constants '{name}'" for k, name in enumerate(sets, start=1)]
    blocks = [range(len(sets))] if len(sets) * len(letters) <= MOST_COLUMNS else [[j] for j in range(len(sets))]
    for block in blocks:
        heads = [f"{letter}{j + 1 if several else ''} %" for j in block for letter in letters]
        rows = []
        for k, name in enumerate(data["schedule"].values):
            shares = [[*data["chance"].values[k, j], data["chance_of_all"].values[k, j]][: len(letters)] for j in block]
            cells = [f"{100 * float(share):.0f}" for part in shares for share in part]
            rows.append([shortened(str(name), LONGEST), f"{float(data['hours'][k]):.1f}", *cells])
        lines += ["", table(["schedule", "hours", *heads], rows)]
    lines.append("")
    for sentence in sentences(data):
        lines += wrap(sentence, 80)
    return "\n".join(lines)


def sentences(data: xr.Dataset) -> list[str]:
    """Each schedule with each set in words, which is the shortest that will do, and how sure that is."""
    names, sets = data["schedule"].values, data["constants"].values
    called, lines = kept_words(data), []
    for k, name in enumerate(names):
        parts = []
        for j, constants in enumerate(sets):
            chances = [
                f"{what} in {100 * float(share):.0f} of 100"
                for what, share in zip(called, data["chance"].values[k, j], strict=True)
            ]
            parts.append((f"with '{constants}' " if len(sets) > 1 else "") + ", ".join(chances))
        lines.append(f"{name}: {'; '.join(parts)}.")
    for j, constants in enumerate(sets):
        start = f"With '{constants}' " if len(sets) > 1 else ""
        enough = [k for k in range(len(names)) if data["enough"].values[k, j]]
        if enough:
            k = min(enough, key=lambda k: float(data["hours"][k]))
            words = f"the shortest that keeps every limit as asked is {names[k]}, {float(data['hours'][k]):.1f} h."
        else:
            words = "none of these schedules keeps every limit as sure as asked for."
        lines.append(start + (words if start else words[0].upper() + words[1:]))
    largest = 100 * float(data["chance_error"].max())
    lines.append(
        f"Of {data.attrs['size']} members each, so chances are known to {largest:.1f} in 100 or better. "
        "Estimates, not a qualification: a witness sample decides."
    )
    return [*lines, str(data.attrs["caveat"])]


def kept_words(data: xr.Dataset) -> list[str]:
    """What each limit is called in a sentence."""
    words = []
    answers = data.attrs["limit_answers"]
    for key, bound in zip([answers] if isinstance(answers, str) else answers, data["limit"].values, strict=True):
        kind = "<=" if "<=" in str(bound) else ">="
        value = str(bound).partition(kind)[2].strip()
        word = KEPT.get((str(key), kind), str(bound))
        plain = value.startswith("0 ") or word == str(bound)
        words.append(word if plain else f"{word} ({kind} {value})")
    return words


def verdict_data(data: xr.Dataset) -> dict[str, object]:
    """The same as plain data."""
    return {
        "schema": "bronzeward/verdict/1",
        "members": int(data.attrs["size"]),
        "bands_leave_out": str(data.attrs["caveat"]),
        "limits": [
            {"limit": str(bound), "answer": str(key), "unit": ANSWERS[str(key)].shown_unit, "confidence": float(sure)}
            for bound, key, sure in zip(
                data["limit"].values, data.attrs["limit_answers"], data["confidence"].values, strict=True
            )
        ],
        "constants": [str(name) for name in data["constants"].values],
        "schedules": [
            {
                "name": str(name),
                "hours": float(data["hours"][k]),
                "chance": data["chance"].values[k].tolist(),
                "chance_of_all": data["chance_of_all"].values[k].tolist(),
                "enough": [bool(yes) for yes in data["enough"].values[k]],
            }
            for k, name in enumerate(data["schedule"].values)
        ],
        "sentences": sentences(data),
    }
