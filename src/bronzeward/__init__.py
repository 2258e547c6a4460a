"""Tin-copper mixing heat treatment of internal-tin Nb3Sn wire.

    from bronzeward import Schedule, Strand, simulate

    history = simulate(Strand.round(24, 44), Schedule.start(20).ramp(25, to=215).hold(48).quench())
    history.bronzeward.answers()

Names are loaded when first used, so that importing the package costs nothing.
"""

from __future__ import annotations

import sys
from importlib import import_module
from typing import TYPE_CHECKING

__version__ = "0.1.0"

_HOMES = {
    "Axis": "bronzeward.inputs.case_values",
    "Case": "bronzeward.inputs.case",
    "Free": "bronzeward.studies.optimise.limits",
    "Furnace": "bronzeward.studies.furnace_load",
    "InputError": "bronzeward.errors",
    "KineticSet": "bronzeward.materials.kinetics",
    "Limit": "bronzeward.studies.optimise.limits",
    "Numerics": "bronzeward.inputs.case",
    "Result": "bronzeward.model.result",
    "Rules": "bronzeward.studies.optimise.limits",
    "Schedule": "bronzeward.inputs.schedule",
    "Spread": "bronzeward.studies.ensemble",
    "Strand": "bronzeward.inputs.strand",
    "band": "bronzeward.studies.uncertainty",
    "compare_programme": "bronzeward.studies.furnace_deviation",
    "comparison_table": "bronzeward.reports.comparison",
    "deviation_sentences": "bronzeward.reports.furnace_deviation",
    "deviation_table": "bronzeward.reports.furnace_deviation",
    "draw_comparison": "bronzeward.plots.comparison",
    "fit": "bronzeward.studies.calibration",
    "fit_report": "bronzeward.reports.calibration",
    "load_case": "bronzeward.inputs.case",
    "load_log": "bronzeward.inputs.furnace_log",
    "load_set": "bronzeward.materials.kinetics",
    "load_table": "bronzeward.thermo",
    "margins": "bronzeward.studies.furnace_margins",
    "plot_programme": "bronzeward.plots.furnace_deviation",
    "plot_verdict": "bronzeward.plots.verdict",
    "plot_witness": "bronzeward.plots.witness",
    "read_measurements": "bronzeward.inputs.layer_measurements",
    "run": "bronzeward.model.simulation",
    "shorten": "bronzeward.studies.optimise.shortest",
    "simulate": "bronzeward.model.simulation",
    "simulate_many": "bronzeward.model.batch",
    "sweep": "bronzeward.studies.sweep",
    "trade_off": "bronzeward.studies.optimise.shortest",
    "varied": "bronzeward.inputs.case_values",
    "verdict": "bronzeward.studies.verdict",
    "verdict_report": "bronzeward.reports.verdict",
    "witness": "bronzeward.studies.witness",
    "witness_report": "bronzeward.reports.witness",
}

__all__ = [*_HOMES]

if TYPE_CHECKING:
    from bronzeward.errors import InputError as InputError
    from bronzeward.inputs.case import Case as Case
    from bronzeward.inputs.case import Numerics as Numerics
    from bronzeward.inputs.case import load_case as load_case
    from bronzeward.inputs.case_values import Axis as Axis
    from bronzeward.inputs.case_values import varied as varied
    from bronzeward.inputs.furnace_log import load_log as load_log
    from bronzeward.inputs.layer_measurements import read_measurements as read_measurements
    from bronzeward.inputs.schedule import Schedule as Schedule
    from bronzeward.inputs.strand import Strand as Strand
    from bronzeward.materials.kinetics import KineticSet as KineticSet
    from bronzeward.materials.kinetics import load_set as load_set
    from bronzeward.model.batch import simulate_many as simulate_many
    from bronzeward.model.result import Result as Result
    from bronzeward.model.simulation import run as run
    from bronzeward.model.simulation import simulate as simulate
    from bronzeward.plots.comparison import draw_comparison as draw_comparison
    from bronzeward.plots.furnace_deviation import plot_programme as plot_programme
    from bronzeward.plots.verdict import plot_verdict as plot_verdict
    from bronzeward.plots.witness import plot_witness as plot_witness
    from bronzeward.reports.calibration import fit_report as fit_report
    from bronzeward.reports.comparison import comparison_table as comparison_table
    from bronzeward.reports.furnace_deviation import deviation_sentences as deviation_sentences
    from bronzeward.reports.furnace_deviation import deviation_table as deviation_table
    from bronzeward.reports.verdict import verdict_report as verdict_report
    from bronzeward.reports.witness import witness_report as witness_report
    from bronzeward.studies.calibration import fit as fit
    from bronzeward.studies.ensemble import Spread as Spread
    from bronzeward.studies.furnace_deviation import compare_programme as compare_programme
    from bronzeward.studies.furnace_load import Furnace as Furnace
    from bronzeward.studies.furnace_margins import margins as margins
    from bronzeward.studies.optimise.limits import Free as Free
    from bronzeward.studies.optimise.limits import Limit as Limit
    from bronzeward.studies.optimise.limits import Rules as Rules
    from bronzeward.studies.optimise.shortest import shorten as shorten
    from bronzeward.studies.optimise.shortest import trade_off as trade_off
    from bronzeward.studies.sweep import sweep as sweep
    from bronzeward.studies.uncertainty import band as band
    from bronzeward.studies.verdict import verdict as verdict
    from bronzeward.studies.witness import witness as witness
    from bronzeward.thermo import load_table as load_table


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module 'bronzeward' has no attribute '{name}'")
    if name in ("run", "simulate"):
        import_module("bronzeward.accessor")  # their Datasets answer to `.bronzeward`
    return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted([*globals(), *_HOMES])


if "xarray" in sys.modules:  # else xarray loads it when it first opens a file without being told how
    import_module("bronzeward.accessor")
