"""Doubts as a table: alternatives of the model down, the answers that decide across."""

from __future__ import annotations

from bronzeward.model.answers import ANSWERS, DECISIVE
from bronzeward.reports.text_table import table
from bronzeward.studies.doubts import LEFT_OUT, Doubts

HEADS = {
    "shell_at_first_liquid": "shell",
    "overfill_at_first_liquid": "fill",
    "bore_overfill_at_first_liquid": "bore",
    "peak_liquid_tin": "peak",
    "liquid_above_peritectic": "above η",
    "copper_left_with_liquid": "Cu",
}
"""Heads of columns, with the unit below."""

MEANING = (
    "shell at first liquid; overfill then, voids anywhere counted; overfill of the bore, voids outside the shell; "
    "most liquid, of the tin; liquid just above where η melts, of the tin; least copper round liquid"
)


def doubts_rows(doubts: Doubts) -> tuple[list[str], list[list[str]]]:
    """Heads and rows: the case as it stands, every alternative that moves anything, the least and largest values."""
    heads = ["", *(f"{HEADS[key]} {ANSWERS[key].shown_unit}" for key in DECISIVE)]
    rows = [["as it stands", *(ANSWERS[key].number(doubts.answers[key]) for key in DECISIVE)]]
    for row in doubts.moving():
        rows.append([row.name, *(ANSWERS[key].number(row.answers[key]) for key in DECISIVE)])
    for words, end in (("least", 0), ("largest", 1)):
        rows.append([words, *(ANSWERS[key].number(doubts.ends(key)[end]) for key in DECISIVE)])
    return heads, rows


def doubts_lines(doubts: Doubts) -> tuple[str, list[str]]:
    """The table, the alternative that moves most first, and sentences on what is in it and what is not."""
    still = [row.name for row in doubts.rows if row not in doubts.moving()]
    lines = [f"Columns: {MEANING}.", LEFT_OUT]
    if still:
        lines.insert(1, f"Nothing is moved by: {', '.join(still)}.")
    return table(*doubts_rows(doubts)), lines
