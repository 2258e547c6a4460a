"""One result as a page to hand on: a single HTML file with everything in it, readable on a phone and on paper.

Nothing is fetched and nothing is run: figures are pictures inside the file, and the page itself forbids
anything else. What it says in words comes from `summary`; the tables come from the result and the databases.
"""

from __future__ import annotations

import json
from base64 import b64encode
from collections.abc import Iterable, Sequence
from html import escape
from math import isfinite
from pathlib import Path
from typing import Any

import numpy as np

import bronzeward
from bronzeward import files
from bronzeward.errors import InputError
from bronzeward.files import write_text
from bronzeward.inputs.case import Numerics, case_from_json
from bronzeward.materials import literature
from bronzeward.materials.kinetics import Constant
from bronzeward.materials.phases import PHASES
from bronzeward.model.answers import ANSWERS, numbers
from bronzeward.model.layers import COLUMN
from bronzeward.model.result import Result
from bronzeward.plots import run_history, section, style
from bronzeward.plots.comparison import ROWS, Row, bands_of
from bronzeward.reports.summary import answers, sentences
from bronzeward.units import HOUR, ZERO_CELSIUS

MOMENTS = ("first liquid", "peak liquid", "liquid gone", "before eta decomposes", "end")
"""Sections shown, as far as the run has these moments and they differ."""

LIMITS = (
    "Only copper and tin: no ternary compound at the niobium, and no superconductor forming. Above about 550 °C the "
    "result says what copper and tin would do alone.",
    "Reaction fronts are smooth and round (flat in a plane couple). Nothing waits to nucleate, no grain boundary "
    "takes a short cut through the copper, and stress plays no part.",
    "Growth constants are known to a factor of 2 to 3 at best, some are estimates within a factor of 10. Where one is "
    "used outside the range it was measured in, a warning says so.",
    "The volume account compares what the contents need with the cavity they started in. It does not predict that a "
    "strand leaks or that it holds.",
    "Radii and thicknesses are at 25 °C molar volumes. Filaments and barrier are drawn as a pattern, not a layout.",
)

CAUTIONS = (
    "Furnaces, molten tin and inert gas injure and kill: burns, liquid metal thrown out of a strand that bursts, "
    "and suffocation in air that has lost its oxygen.",
    "Keep to local codes and to the furnace maker's instructions, and leave the work to qualified staff.",
    "This page is an estimate, not a qualification of any wire or schedule. A witness sample, heat-treated with the "
    "batch, sectioned and looked at, decides.",
)

_KINDS = {"any": "", "liquid": "against liquid"}
_QUANTITIES = {
    "molar_volume": "molar volume at 25 °C",
    "linear_expansion": "linear expansion",
    "liquid_density": "density of the liquid",
    "yield_strength": "yield strength of annealed copper",
}


def write_report(result: Result, path: str | Path, overwrite: bool = False) -> Path:
    """Write the report of a result as one HTML file; a reader never meets half a file.

    Raises
    ------
    InputError
        When the name does not end in .html, its folder is missing, or it exists already without `overwrite`.
    """
    target = Path(path)
    if target.suffix.lower() not in (".html", ".htm"):
        raise InputError(f"{target}: a report ends in .html")
    return write_text(html(result), target, overwrite)


def html(result: Result) -> str:
    """The report of a result as the text of an HTML page."""
    title = str(result.attributes.get("title") or "Cu-Sn mixing heat treatment")
    found = answers(result)
    parts = [
        _head(result, title),
        _short_answers(result, found),
        _warnings(found["warnings"]),
        _bands(result),
        _events(result),
        _pictures(result),
        _inputs(result),
        _constants(result),
        _properties(),
        _thermodynamics(result),
        _block("limits", "What the model leaves out", _list(LIMITS)),
        _block("cautions", "Cautions", _list(CAUTIONS), "caution"),
        _references(result),
        _provenance(result),
    ]
    body = "\n".join(part for part in parts if part)
    return _PAGE.format(title=escape(title), css=_CSS, body=body)


def _head(result: Result, title: str) -> str:
    status = str(result.attributes["status"])
    made = str(result.attributes["history"]).split(" ")[0]
    done = "Computed" if status == "completed" else "NOT COMPLETED, computed"
    line = f"{done} {made[:10]} with {result.attributes['source']}. An estimate; a witness sample decides."
    return f"<header>\n<h1>{escape(title)}</h1>\n<p class='sub'>{escape(line)}</p>\n</header>"


def _short_answers(result: Result, found: dict[str, Any]) -> str:
    lines = sentences(result)
    alarm = "" if found["status"] == "completed" else f"<p class='alarm'>{escape(lines.pop(0))}</p>"
    return _block("answers", "In short", alarm + _list([*lines, *_band_sentences(result)]), "lead")


def _band_sentences(result: Result) -> list[str]:
    """What the bands say of the answers that decide, in words."""
    bands = bands_of(result)
    told = {
        "shell_at_first_liquid": "shell at the first liquid",
        "overfill_at_first_liquid": "overfill then",
        "peak_liquid_tin": "peak liquid",
        "eta_at_peritectic": "tin in η where it melts",
    }
    parts = [
        f"{words} {_shown(bands[row.key][0], row)} to {_shown(bands[row.key][2], row)} {row.words.rsplit(', ', 1)[1]}"
        for row in ROWS
        if row.key in bands and (words := told.get(row.key))
    ]
    if not parts:
        return []
    size = json.loads(str(result.attributes.get("bands_of", "{}"))).get("size")
    of = f" of {size} runs with constants varied as far as they are uncertain" if size else ""
    return [f"Taken one by one, nine of ten answers{of} lie here: {'; '.join(parts)}."]


def _warnings(lines: Sequence[str]) -> str:
    if not lines:
        return _block("warnings", "Warnings", "<p>None: every constant was used inside its range.</p>")
    return _block("warnings", "Warnings", _list(f"{line[0].upper()}{line[1:]}." for line in lines), "warn")


def _pictures(result: Result) -> str:
    moments, strip_text = _moments(result)
    history = _picture(run_history.draw_history(result), _history_text(result), "The history. Numbers mark the events.")
    account = _picture(
        run_history.draw_account(result),
        _account_text(result),
        "Where the phases lie, room, strength of the copper wall, and the phases that the kinetics leave beside those "
        "that equilibrium would have.",
    )
    strip = _picture(
        section.draw_section(result, moments, columns=2), strip_text, "What a quench at these moments should show."
    )
    inside = f"<div class='pair'>{history}{account}</div>{strip}"
    return _block("figures", "Figures", inside)


def _picture(figure: Any, alt: str, caption: str) -> str:
    data = b64encode(run_history.encode(figure, "svg")).decode("ascii")
    width, height = (round(96 * inches) for inches in figure.get_size_inches())
    return (
        f"<figure><img src='data:image/svg+xml;base64,{data}' width='{width}' height='{height}' "
        f'alt="{escape(alt, quote=True)}"><figcaption>{escape(caption)}</figcaption></figure>'
    )


def _moments(result: Result) -> tuple[list[str], str]:
    """Moments of `MOMENTS` that this run has, and a text that says what the sections show."""
    rows: dict[int, str] = {}
    for text in MOMENTS:
        try:
            row = section.find_moment(result, text)
        except InputError:
            continue
        if all(abs(float(result["time"][row] - result["time"][other])) > 60.0 for other in rows):
            rows[row] = text
    parts = []
    for row, text in sorted(rows.items()):
        layers = [
            f"{_phase_words(layer.phase)} {1e6 * (layer.outer - layer.inner):.2f} µm"
            for layer in section.layers_at(result, row)
            if layer.outer - layer.inner > section.LEAST_NAMED
        ]
        parts.append(f"{text}: from the centre outwards {', '.join(layers)}")
    return [rows[row] for row in sorted(rows)], f"Sections of the strand to scale. {'; '.join(parts)}."


def _phase_words(phase: str | None) -> str:
    return "void (radius)" if phase is None else phase.strip("()") if phase != "(Sn)" else "tin"


def _history_text(result: Result) -> str:
    hours = float(result["time"][-1]) / HOUR
    hottest = float(result["temperature"].max()) - ZERO_CELSIUS
    there = ", ".join(_phase_words(phase) for phase in style.present(result["amount"]))
    peak = 100.0 * float(result["liquid_tin_fraction"].max())
    marked = "; ".join(
        f"{event.name} at {event.hours:.1f} h, {event.celsius:.0f} °C" for event in run_history.events(result)
    )
    shell = 1e6 * float(result["shell_thickness"].max())
    return (
        f"Four panels against time, 0 to {hours:.0f} h: temperature up to {hottest:.0f} °C; which phases are there "
        f"({there}); thickness of core and layers, the shell up to {shell:.1f} µm; "
        f"liquid, at most {peak:.0f} % of the tin. Events: {marked}."
    )


def _account_text(result: Result) -> str:
    overfill = 100.0 * result["overfill"]
    last = {
        name: ", ".join(
            f"{_phase_words(phase)} {100 * float(result[name][-1, k]):.0f} %"
            for k, phase in enumerate(PHASES)
            if float(np.nan_to_num(result[name][-1, k])) >= 0.005
        )
        for name in ("mole_fraction", "equilibrium_mole_fraction")
    }
    return (
        f"Panels against time: radius of each phase; overfill between {overfill.min():.1f} and {overfill.max():.1f} % "
        "of the core; pressure at which the wall yields; shares of atoms. At the end the kinetics leave "
        f"{last['mole_fraction']}; equilibrium would have {last['equilibrium_mole_fraction']}."
    )


def _bands(result: Result) -> str:
    """Answers as numbers, with 5-95 % bands where the result has them."""
    found, bands = numbers(result), bands_of(result)
    rows = []
    for row in ROWS:
        value = found[row.key]
        if not isfinite(value):
            continue
        words, unit = row.words.rsplit(", ", 1)
        plain = f"{ANSWERS[row.key].text}"
        band = bands.get(row.key)
        rows.append(
            (
                words,
                f"{_shown(value, row)} {unit}",
                f"{_shown(band[0], row)} to {_shown(band[2], row)} {unit}" if band else "not computed",
                plain,
            )
        )
    if not bands:
        table = _table(("answer", "value", "meaning"), [(a, b, d) for a, b, _, d in rows])
        note = "<p>No bands in this file: one run with the middle values of constants known to a factor of 2 to 3.</p>"
        return _block("numbers", "Answers as numbers", note + table)
    return _block("numbers", "Answers as numbers", _table(("answer", "value", "5 to 95 %", "meaning"), rows))


def _shown(number: float, row: Row) -> str:
    return f"{number * row.scale + row.shift:.{row.digits}f}".replace("-", "−")


def _events(result: Result) -> str:
    rows = [
        (f"{k}", event.words, f"{event.hours:.2f} h", f"{event.celsius:.1f} °C")
        for k, event in enumerate(run_history.events(result), start=1)
    ]
    return _block("events", "Events", _table(("", "event", "time", "temperature"), rows))


def _inputs(result: Result) -> str:
    inputs = json.loads(result.attributes["inputs"])
    rows = [*_geometry_rows(result, inputs), *_schedule_rows(inputs["schedule"], result), *_numerics_rows(inputs)]
    return _block("inputs", "What was computed", _table(("input", "value"), rows))


def _geometry_rows(result: Result, inputs: dict[str, Any]) -> list[tuple[str, str]]:
    strand = section.strand_of(result)
    if strand.plane:
        rows = [
            ("plane couple, tin", f"{strand.core_radius * 1e6:g} µm"),
            ("plane couple, copper", f"{strand.rings[0].radius * 1e6:g} µm"),
        ]
    else:
        rows = [("tin core, diameter", f"{2e6 * strand.core_radius:g} µm")]
        for ring in strand.rings:
            what = (
                "copper sleeve"
                if ring.copper_fraction == 1.0
                else f"filament pack, {100 * ring.copper_fraction:g} % copper"
            )
            rows.append((f"{what}, outer diameter", f"{2e6 * ring.radius:.4g} µm"))
    rows.append(("copper atoms for each tin atom", f"{strand.copper_tin_ratio():.2f}"))
    rows.append(("pores in the core", f"{100 * strand.porosity:g} % of the core"))
    for name, value in (("η", strand.initial_eta), ("ε", strand.initial_epsilon)):
        if value > 0:
            rows.append((f"{name} there from the start", f"{value * 1e6:g} µm"))
    return rows


def _schedule_rows(schedule: dict[str, Any], result: Result) -> list[tuple[str, str]]:
    if "steps" not in schedule:
        count = len(schedule.get("measured", {}).get("time_s", []))
        hottest = float(result["temperature"].max()) - ZERO_CELSIUS
        hours = float(result["time"][-1]) / HOUR
        return [("schedule", f"a measured log of {count} points, {hours:.1f} h, up to {hottest:.0f} °C")]
    rows = [("schedule, start", f"{float(schedule.get('start_C', 20.0)):g} °C")]
    for k, step in enumerate(schedule["steps"], start=1):
        rows.append((f"step {k}", _step_words(step)))
    return rows


def _step_words(step: dict[str, Any]) -> str:
    if "ramp_C_per_h" in step:
        return f"ramp at {step['ramp_C_per_h']:g} °C/h to {step['to_C']:g} °C"
    if "hold_h" in step:
        return f"hold for {step['hold_h']:g} h"
    if "cool_half_time_h" in step:
        return f"furnace cool to {step['to_C']:g} °C, distance to the room halved every {step['cool_half_time_h']:g} h"
    return "quench: the state is frozen"


def _numerics_rows(inputs: dict[str, Any]) -> list[tuple[str, str]]:
    chosen = {**vars(Numerics()), **inputs.get("numerics", {})}
    factors = inputs.get("kinetics", {}).get("factors", {})
    rows = [(f"growth constant of {phase} multiplied by", f"{float(factor):g}") for phase, factor in factors.items()]
    rows.append(("relative error allowed in a step", f"{chosen['tolerance']:g}"))
    rows.append(("thickness of a new layer", f"{chosen['seed_nm']:g} nm"))
    return rows


def _constants(result: Result) -> str:
    """Every growth constant the run used, with range, source and grade."""
    try:
        kinetics = case_from_json(str(result.attributes["inputs"])).kinetics
    except InputError as error:
        return _block(
            "constants", "Growth constants", f"<p class='alarm'>They can no longer be read: {escape(str(error))}</p>"
        )
    used = [phase for phase in PHASES if result["amount"][:, COLUMN[phase]].max() > 0]
    wetted = _wetted(result)
    chosen = [c for c in kinetics.constants if c.phase in used and (c.contact == "any" or c.phase in wetted)]
    rows = [_constant_row(c) for c in chosen]
    factors = json.loads(result.attributes["inputs"]).get("kinetics", {}).get("factors", {})
    scaled = ", already multiplied by the factors listed above" if factors else ""
    note = (
        f"<p>Set “{escape(str(result.attributes['kinetic_set']))}”{scaled}. Each is prefactor × exp(−E / RT): the "
        "interdiffusion coefficient integrated over the width of a compound, or the diffusion coefficient of a phase "
        "with a profile. "
        "Where two stand with a plus, both laws are added. “Within” is one standard deviation as a factor, inside and "
        "outside the range.</p>"
    )
    remarks = _list(f"{_constant_name(c)}: {c.note}." for c in chosen if c.note)
    columns = ("phase", "prefactor, m²/s", "E, kJ/mol", "known for, °C", "within", "grade, seen", "source")
    return _block(
        "constants", "Growth constants", note + _table(columns, rows) + f"<div class='remarks'>{remarks}</div>"
    )


def _wetted(result: Result) -> set[str]:
    """Phases that touch liquid at some time."""
    amount = result["amount"]
    liquid = amount[:, 0] > 0
    touching = set()
    for row in np.flatnonzero(liquid):
        there = np.flatnonzero(amount[row, 2:] > 0)
        if there.size:
            touching.add(PHASES[2 + int(there[0])])
    return touching


def _constant_row(constant: Constant) -> tuple[str, ...]:
    low, high = (kelvin - ZERO_CELSIUS for kelvin in constant.range)
    laws = ((constant.prefactor, constant.activation), *constant.terms)
    return (
        _constant_name(constant),
        " + ".join(f"{prefactor:.3g}" for prefactor, _ in laws),
        " + ".join(f"{energy / 1e3:.1f}" for _, energy in laws),
        f"{low:.0f} to {high:.0f}",
        f"{constant.factor:g}; outside {constant.extrapolated_factor:g}",
        f"{constant.grade}, {constant.seen}",
        ", ".join(constant.source) or "none",
    )


def _constant_name(constant: Constant) -> str:
    return f"{style.LOOKS[constant.phase].name} {_KINDS[constant.contact]}".strip()


def _properties() -> str:
    """Volumes, expansions, densities and strength, with source and grade."""
    values = files.read_toml(literature.folder() / "properties.toml")["value"]
    rows = [
        (
            _QUANTITIES[row["quantity"]],
            str(row["phase"]),
            _property_value(row),
            f"{row['grade']}, {row['seen']}",
            ", ".join(row.get("source", ())) or "none",
        )
        for row in values
        if row["quantity"] in _QUANTITIES
    ]
    return _block("properties", "Other constants", _table(("quantity", "of", "value", "grade, seen", "source"), rows))


def _property_value(row: dict[str, Any]) -> str:
    if "value" in row:
        at = f" at {row['t_min_C']:g} °C" if row["quantity"] == "yield_strength" else ""
        unit = str(row.get("unit", "")).replace("m3", "m³").replace("m2", "m²")
        return f"{float(row['value']):.4g} {unit}{at}".strip()
    slope = f"{row['slope_kg_per_m3_K']:+.4g} (T − {row['reference_K']:g} K)"
    return f"{row['intercept_kg_per_m3']:g} {slope} kg/m³"


def _thermodynamics(result: Result) -> str:
    name = str(result.attributes["thermodynamic_description"])
    rows = [("description", name), ("sha256 of the TDB file", str(result.attributes["tdb_sha256"]))]
    sidecar = literature.folder() / "descriptions" / f"{name}.toml"
    if sidecar.is_file():
        about = files.read_toml(sidecar)
        rows += [("title", str(about.get("title", ""))), ("sources", ", ".join(about.get("sources", ())))]
        rows += [("valid", " ".join(str(about.get("validity", "")).split()))]
    return _block("thermodynamics", "Thermodynamics", _table(("", ""), [row for row in rows if row[1]]))


def _references(result: Result) -> str:
    lines = [line for line in str(result.attributes.get("references", "")).splitlines() if line]
    rows = [tuple(line.split(": ", 1)) if ": " in line else ("", line) for line in lines]
    return _block("references", "Sources", _table(("key", "work"), rows))


def _provenance(result: Result) -> str:
    versions = json.loads(result.attributes["versions"])
    made = ", ".join(f"{name} {version}" for name, version in versions.items())
    inputs = json.dumps(json.loads(result.attributes["inputs"]), ensure_ascii=False, indent=1)
    if len(inputs) > 6000:
        inputs = inputs[:6000].rsplit("\n", 1)[0] + "\n…  (the result file holds all of it)"
    text = (
        f"<p>Computed with {escape(made)}; {int(result.attributes.get('steps', 0))} steps; report by bronzeward "
        f"{escape(bronzeward.__version__)}. The constants above are those of the databases at the time of this report. "
        "The same inputs, given again as a case, reproduce the result:</p>"
    )
    return _block("provenance", "Where it comes from", f"{text}<pre>{escape(inputs)}</pre>")


def _block(name: str, title: str, inside: str, kind: str = "") -> str:
    mark = f" class='{kind}'" if kind else ""
    heading = f"<h2 id='{name}-title'>{escape(title)}</h2>"
    return f"<section id='{name}'{mark} aria-labelledby='{name}-title'>\n{heading}\n{inside}\n</section>"


def _list(lines: Iterable[str]) -> str:
    return "<ul>" + "".join(f"<li>{escape(line)}</li>" for line in lines) + "</ul>"


def _table(columns: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table whose cells carry their column's name, so that a narrow screen can show each row as a card."""
    named = any(columns)
    head = "".join(f"<th scope='col'>{escape(name)}</th>" for name in columns)
    body = "".join(
        "<tr>"
        + "".join(
            f'<td data-name="{escape(name, quote=True)}">{escape(cell)}</td>'
            for name, cell in zip(columns, row, strict=True)
        )
        + "</tr>"
        for row in rows
    )
    kind = " class='long'" if len(columns) > 4 else ""
    return f"<table{kind}>{f'<thead><tr>{head}</tr></thead>' if named else ''}<tbody>{body}</tbody></table>"


_CSS = """
:root { color-scheme: light; }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 1.2rem 1rem 3rem; max-width: 58rem; background: #fff; color: #1d2733;
  font: 16px/1.5 "DejaVu Sans", Verdana, sans-serif; overflow-wrap: break-word; }
h1 { font-size: 1.55rem; line-height: 1.25; margin: 0 0 .2rem; }
h2 { font-size: 1.1rem; margin: 2.2rem 0 .5rem; padding-bottom: .2rem; border-bottom: 2px solid #c3a191; }
.sub { margin: 0; color: #55606c; }
ul { margin: .4rem 0; padding-left: 1.2rem; }
li { margin: .25rem 0; }
.lead li { font-size: 1.08rem; }
.warn ul, .caution ul { padding: .6rem .8rem .6rem 2rem; border-left: 5px solid #ecaa14; background: #fdf6e3; }
.caution ul { border-color: #a3162a; background: #fbeeee; }
.alarm { padding: .6rem .8rem; background: #a3162a; color: #fff; font-weight: bold; }
.pair { display: flex; flex-wrap: wrap; gap: 1rem 2rem; align-items: flex-start; }
figure { margin: 0 0 1rem; flex: 1 1 20rem; max-width: 30rem; min-width: 0; }
figure img { display: block; width: 100%; height: auto; }
figcaption { font-size: .85rem; color: #55606c; margin-top: .3rem; }
table { border-collapse: collapse; width: 100%; font-size: .9rem; }
th { text-align: left; font-weight: bold; background: #eef1f4; }
th, td { padding: .3rem .6rem .3rem .4rem; vertical-align: top; border-bottom: 1px solid #d3d9df; }
td { min-width: 3.5rem; }
.long { font-size: .78rem; line-height: 1.35; }
.remarks { font-size: .78rem; }
pre { font-size: .75rem; line-height: 1.35; white-space: pre-wrap; background: #f4f6f8; padding: .6rem; }
@media (max-width: 44rem) {
  body { padding: .8rem .8rem 2rem; }
  table { font-size: .85rem; }
  .long { font-size: .9rem; }
  .long thead { display: none; }
  .long, .long tbody, .long tr, .long td { display: block; width: 100%; }
  .long tr { padding: .4rem 0; border-bottom: 1px solid #b9c1c9; }
  .long td { border: 0; padding: .1rem 0; }
  .long td:not(:first-child)::before { content: attr(data-name) ": "; color: #55606c; }
  .long td:first-child { font-weight: bold; }
}
@page { size: A4; margin: 15mm 14mm; }
@media print {
  body { padding: 0; max-width: none; font-size: 10pt; }
  h2 { break-after: avoid; }
  tr, figure, li { break-inside: avoid; }
  thead { display: table-header-group; }
  .pair { gap: 0 8mm; flex-wrap: nowrap; }
  figure { flex: 1 1 50%; max-width: 85mm; }
  figure { max-height: 262mm; }
  table { font-size: 8.5pt; }
  .long, .remarks { font-size: 7.5pt; }
  .warn ul, .caution ul, .alarm { print-color-adjust: exact; -webkit-print-color-adjust: exact; }
}
"""

_PAGE = """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; img-src data:; style-src 'unsafe-inline'">
<meta name="generator" content="bronzeward">
<title>{title}</title>
<style>{css}</style>
</head>
<body>
{body}
</body>
</html>
"""
