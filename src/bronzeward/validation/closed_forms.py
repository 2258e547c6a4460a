"""Checks against closed forms, conservation and limits: what can be known exactly.

The value to compare with is computed here from a formula, never by the growth engine.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.kinetics import KineticSet, load_set
from bronzeward.materials.phases import PHASES
from bronzeward.materials.plane_couple import growth_from_integrated, integrated_from_growth
from bronzeward.model.result import Result, names
from bronzeward.units import HOUR, ZERO_CELSIUS
from bronzeward.validation.check import Check
from bronzeward.validation.laboratory import TIN_LEAN, TIN_RICH, Laboratory
from bronzeward.validation.outcome import Outcome

Array = NDArray[np.float64]

_FINE = {"tolerance": 1e-7, "seed_nm": 0.1}


def closed_forms(laboratory: Laboratory) -> list[Outcome]:
    """All of them."""
    return [
        *_couple_round_trip(laboratory),
        *_plane_couple(laboratory),
        *_large_core(laboratory),
        *_ramp(laboratory),
        *_conservation(laboratory),
        *_lever_rules(laboratory),
        *_equilibrium(laboratory),
    ]


def _outcome(
    name: str, topic: str, value: float, computed: float, tolerance: float, unit: str, reason: str, remark: str = ""
) -> Outcome:
    check = Check(name, topic, {}, value, unit, tolerance, "absolute", reason, "computed", "derived", "")
    return Outcome(check, computed, remark)


def _compositions(laboratory: Laboratory, kelvin: float) -> tuple[list[float], list[float]]:
    """Tin in eta and epsilon, and their molar volumes [m3/mol], in the description's own terms."""
    volumes = laboratory.properties.molar_volume
    middle = [float(np.mean(laboratory.table.boundaries_of(label, kelvin))) for label in ("eta", "epsilon")]
    return middle, [volumes["eta"], volumes["epsilon"]]


def _exact_couple(laboratory: Laboratory, kinetics: KineticSet, celsius: float) -> Array:
    """Growth constants of eta and epsilon between solid tin and copper [m2/s]."""
    kelvin = celsius + ZERO_CELSIUS
    x, volumes = _compositions(laboratory, kelvin)
    rates = [float(kinetics.constant(label).at(kelvin)) for label in ("eta", "epsilon")]
    return growth_from_integrated(rates, volumes, x, (1.0, 0.0))


def _couple_round_trip(laboratory: Laboratory) -> list[Outcome]:
    phases, known = ("eta", "epsilon", "delta"), laboratory.properties
    volumes, x = [known.molar_volume[p] for p in phases], [known.compound_tin[p] for p in phases]
    growth = np.array([3e-16, 7e-17, 2e-18])
    back = growth_from_integrated(integrated_from_growth(growth, volumes, x, (0.98, 0.01)), volumes, x, (0.98, 0.01))
    worst = float(np.max(np.abs(back / growth - 1.0)))
    reason = "both ways solve the same balance; rounding"
    return [_outcome("couple_round_trip", "closed form", 0.0, worst, 1e-12, "1", reason, "three layers")]


def _plane_couple(laboratory: Laboratory) -> list[Outcome]:
    exact = 1e6 * np.sqrt(_exact_couple(laboratory, load_set(), 215.0) * 48 * HOUR)
    layers = laboratory.couple("default", 215.0, 48.0, **_FINE)
    reason, remark = "one part in a million: tolerance 1e-7 a step", "growth engine against k_i from the balance"
    return [
        _outcome(f"engine_couple_{label}", "closed form", w, layers[label], 1e-6 * w, "um", reason, remark)
        for label, w in zip(("eta", "epsilon"), exact.tolist(), strict=True)
    ]


def _large_core(laboratory: Laboratory) -> list[Outcome]:
    """Shells round cores of two large radii, extrapolated to an endless one."""
    exact = 1e6 * float(np.sqrt(_exact_couple(laboratory, load_set(), 215.0) * 48 * HOUR).sum())
    shells = []
    for radius in (2e4, 4e4):
        strand = Strand.round(2 * radius, 3 * radius)
        history = laboratory.run(strand, Schedule.start(215).hold(48), "default", tolerance=1e-7, seed_nm=0.1)
        shells.append(1e6 * float(history["shell_thickness"][-1]))
    reason = "one part in a million: tolerance 1e-7 a step, (layer over radius)^2 = 2e-7"
    remark = f"core radius 20 and 40 mm: {shells[0]:.6f} and {shells[1]:.6f} µm"
    return [_outcome(
        "large_core_is_plane", "closed form", exact, 2 * shells[1] - shells[0], 1e-6 * exact, "um", reason, remark
    )]  # fmt: skip


def _ramp(laboratory: Laboratory) -> list[Outcome]:
    """One activation energy in both layers: w^2 grows as the integral of k(T(t))."""
    from scipy.integrate import quad

    plain = load_set()
    law = plain.constant("eta")
    energy = {"eta": law.activation, "epsilon": law.activation}
    same = tuple(replace(c, activation=energy.get(c.phase, c.activation)) for c in plain.constants)
    kinetics = replace(plain, constants=same)
    schedule = Schedule.start(20).ramp(25, to=180)
    history = laboratory.run(Strand.couple(400.0, 400.0), schedule, kinetics, tolerance=1e-7, seed_nm=0.01)
    top = _exact_couple(laboratory, kinetics, 180.0)
    end = float(law.at(180 + ZERO_CELSIUS))
    last = float(schedule.time[-1])
    done, _ = quad(lambda t: float(law.at(schedule.temperature_at(t))) / end, 0.0, last, epsrel=1e-12)
    exact = 1e6 * float(np.sqrt(top * done).sum())
    computed = 1e6 * float(history["shell_thickness"][-1])
    reason, remark = "one part in a million: tolerance 1e-7 a step", "20 to 180 °C, 25 °C/h"
    return [_outcome("engine_ramp", "closed form", exact, computed, 1e-6 * exact, "um", reason, remark)]


def _conservation(laboratory: Laboratory) -> list[Outcome]:
    plan = Schedule.start(20).ramp(25, to=210).hold(24).ramp(25, to=400).hold(24).ramp(50, to=665).hold(50)
    worst = {"total_atoms": 0.0, "total_tin": 0.0}
    for strand in (TIN_LEAN, TIN_RICH):
        history = laboratory.run(strand, plan)
        for name in worst:
            total = history[name]
            worst[name] = max(worst[name], float(np.max(np.abs(total / total[0] - 1.0))))
    reason = "rounding over some hundred steps, through every event"
    return [
        _outcome(f"conservation_{name}", "conservation", 0.0, value, 1e-10, "1", reason, "two strands, 20 to 665 °C")
        for name, value in worst.items()
    ]


def _around(history: Result, event: str) -> tuple[int, Array]:
    """The first row after an event, and the atoms each phase gained in it."""
    row = int(history["event_row"][names(history, "event_name").index(event)])
    return row, history["amount"][row] - history["amount"][row - 1]


def _lever_rules(laboratory: Laboratory) -> list[Outcome]:
    """Melting and the peritectic by hand, from the state just before."""
    history = laboratory.run(TIN_RICH, Schedule.start(20).ramp(50, to=430))
    liquid, solid, eta, epsilon = (PHASES.index(name) for name in ("liquid", "(Sn)", "eta", "epsilon"))
    row, gained = _around(history, "tin melts")
    x = float(history["liquid_composition"][row])
    tin = float(history["amount"][row - 1, solid])
    x_eta = _composition(history, row - 1, eta)
    dissolved = tin * (1.0 - x) / (x - x_eta)
    outcomes = [
        _outcome(
            "eutectic_lever_rule", "closed form", dissolved / tin, -float(gained[eta]) / tin, 1e-6, "1",
            "the event is one exact balance; roots are iterated to 1e-14", "eta dissolved by one atom of tin",
        )
    ]  # fmt: skip
    row, gained = _around(history, "eta decomposes")
    before = float(history["amount"][row - 1, eta])
    x = float(history["liquid_composition"][row])
    x_eta, x_epsilon = _composition(history, row - 1, eta), _composition(history, row, epsilon)
    share = (x_eta - x_epsilon) / (x - x_epsilon)
    outcomes.append(
        _outcome(
            "peritectic_lever_rule", "closed form", share, float(gained[liquid]) / before, 1e-4, "1",
            "epsilon and liquid move along their boundaries in the last step before the event",
            "atoms of liquid from one atom of eta",
        )
    )  # fmt: skip
    return outcomes


def _composition(history: Result, row: int, phase: int) -> float:
    tin = history["tin_fraction"][row, phase] * history["total_tin"][row]
    return float(tin / history["amount"][row, phase])


def _equilibrium(laboratory: Laboratory) -> list[Outcome]:
    """After a very long hold every phase has the share that the lever rule gives."""
    strand = Strand.from_ratio(2.0, 5.4)
    history = laboratory.run(strand, Schedule.start(20).ramp(100, to=500).hold(2000), "default", tolerance=1e-5)
    exact = laboratory.table.fractions(500 + ZERO_CELSIUS, 1.0 / (1.0 + strand.copper_tin_ratio()))
    worst = float(np.max(np.abs(history["mole_fraction"][-1] - exact)))
    where = " and ".join(p for p, share in zip(PHASES, exact, strict=False) if share > 0)
    reason = "tolerance 1e-5 of the run and 1e-5 of the table"
    return [_outcome("long_hold", "equilibrium", 0.0, worst, 1e-4, "1", reason, f"2000 h at 500 °C: {where}")]
