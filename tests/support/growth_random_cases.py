"""Random strands, schedules and constants: usual ones, and all that inputs allow and physics does not forbid.

Usual: cores of 5 to 100 um, Cu:Sn 1.5 to 10, up to 8 steps. Wide: cores of 0.1 um to 5 mm, Cu:Sn 0.05 to 200, ramps of
1 to 20,000 C/h, up to 40 crossings of 227 and 415 C, holds on invariants and 1e-6 K beside them, of up to 10,000 h;
every set of constants, scaled ones and ones of two terms; tolerances of 1e-3 to 1e-6. Behind: wide ones of the strands'
other options. Cooled: usual ones that get liquid, are cooled and heated again. Case number k of a seed is always
the same case, so that a failure can be looked at alone.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cache
from math import pi, sqrt
from typing import Any

import numpy as np

from bronzeward.errors import InputError
from bronzeward.growth.problem import Problem
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import BEHIND_SHELL, BETWEEN_FILAMENTS, IN_CORE, PARALLEL_CHANNELS, Ring, Strand
from bronzeward.materials.growth_constants import COMPOUNDS, WIDE_PHASES
from bronzeward.materials.kinetics import KineticSet, available_sets, load_set
from bronzeward.materials.properties import load_properties
from bronzeward.model.problem_builder import Settings, build_problem, initial_amounts, slot_volumes
from growth_cases import (
    COLDEST_C,
    HOTTEST_C,
    MOST_EVENTS,
    MOST_ROWS,
    array_record,
    array_work,
    cache_folder,
    complaints,
    regimes,
    run_compiled,
)

LONGEST_HOLD_H = 10_000.0
MOST_CROSSINGS = 40
BESIDE = 1e-6
"""Distance from an invariant of the holds beside it [K]."""


@dataclass(frozen=True)
class RandomCase:
    """One case: what was drawn."""

    strand: Strand
    schedule: Schedule
    kinetics: KineticSet
    tolerance: float = 1e-3

    def problem(self, **settings: Any) -> Problem:
        """The arrays for the engine, with the step limits that `simulate` uses."""
        limits = {"longest_step": float(self.schedule.time[-1]) / 60, "widest_step": 10.0}
        chosen = Settings(**{**limits, "tolerance": self.tolerance, **settings})
        return build_problem(self.strand, self.schedule, self.kinetics, regimes(), load_properties(), chosen)

    def broken(self) -> list[str]:
        """What its compiled run did wrong."""
        problem, record = self.problem(), array_record(MOST_ROWS, MOST_EVENTS)
        run_compiled(problem, array_work(problem.n_cells), record, cache_folder())
        return complaints(problem, record)


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """A number between two limits, its logarithm uniform."""
    return float(low * (high / low) ** rng.random())


@cache
def default_set() -> KineticSet:
    """The default constants, read once for thousands of cases."""
    return load_set()


@cache
def shipped_sets() -> tuple[KineticSet, ...]:
    """Every set of constants in the databases."""
    return tuple(load_set(name) for name in available_sets())


def wide_kinetics(rng: np.random.Generator) -> KineticSet:
    """The default set, another, one scaled phase by phase, or one whose compounds follow two terms."""
    kind = rng.choice(["default", "other", "scaled", "two terms"], p=[0.35, 0.2, 0.3, 0.15])
    if kind == "default":
        return default_set()
    base = shipped_sets()[int(rng.integers(len(shipped_sets())))]
    if kind == "other":
        return base
    scaled = base.scaled({phase: log_uniform(rng, 0.1, 10.0) for phase in COMPOUNDS + WIDE_PHASES})
    if kind == "scaled":
        return scaled
    constants = []
    for constant in scaled.constants:
        if constant.phase in COMPOUNDS:
            # grain boundaries: a lower activation energy, as fast as the first term near 300 C
            lower = constant.activation * float(0.3 + 0.6 * rng.random())
            prefactor = constant.prefactor * float(np.exp((lower - constant.activation) / (8.314 * 573.0)))
            constant = replace(constant, terms=((prefactor * log_uniform(rng, 0.1, 3.0), lower),))
        constants.append(constant)
    return replace(scaled, constants=tuple(constants))


def with_rings(bare: Strand, rng: np.random.Generator, chances: list[float], least: float) -> Strand:
    """The strand with its copper in a sleeve, in packs of at least some share of copper, or in both."""
    copper, radius = bare.copper_area, bare.core_radius
    share = float(rng.choice([1.0, rng.random(), 0.0], p=chances))
    rings = []
    if share > 0.0:
        radius = sqrt(radius**2 + share * copper / pi)
        rings.append(Ring(radius, 1.0))
    if share < 1.0:
        parts = int(rng.integers(1, 4))
        for _ in range(parts):
            fraction = float(least + (1.0 - least) * rng.random())
            radius = sqrt(radius**2 + (1.0 - share) * copper / parts / (fraction * pi))
            rings.append(Ring(radius, fraction))
    return Strand(bare.core_radius, tuple(rings), porosity=bare.porosity)


def random_strand(rng: np.random.Generator) -> Strand:
    """Sleeve, sleeve with pack, pack alone, or a plane couple."""
    core, ratio = log_uniform(rng, 5.0, 100.0), log_uniform(rng, 1.5, 10.0)
    films = {}
    if rng.random() < 0.4:
        films = {name: float(rng.random() * 0.02) * 1e-6 * core for name in ("initial_eta", "initial_epsilon")}
    porosity = float(rng.choice([0.0, 0.025, 0.1 * rng.random()]))
    if rng.random() < 0.08:
        strand = replace(Strand.couple(core, core * ratio * 0.44), porosity=porosity)
    else:
        strand = with_rings(Strand.from_ratio(core, ratio, porosity=porosity), rng, [0.3, 0.55, 0.15], 0.15)
    return replace(strand, **films)


def random_schedule(rng: np.random.Generator) -> Schedule:
    """Up to 8 steps between 20 and 700 C, up and down, rates 1 to 2000 C/h, holds up to 200 h."""
    schedule = Schedule.start(float(rng.choice([20.0, 20.0 + 680.0 * rng.random()])))
    steps = int(rng.integers(1, 9))
    for k in range(steps):
        if k > 0 and rng.random() < 0.45:
            schedule = schedule.hold(float(rng.choice([200.0 * rng.random(), log_uniform(rng, 1e-3, 200.0)])))
            continue
        rate = log_uniform(rng, 1.0, 2000.0)
        # some targets lie close to a reaction, where layers are thin and few things are stable
        edge = float(rng.choice(regimes().edges[1:-1])) - 273.15
        target = 20.0 + 680.0 * rng.random()
        if rng.random() < 0.25:
            target = min(HOTTEST_C, edge + float(rng.normal()) * 3.0)
        if rng.random() < 0.05:
            target = float(round(target))
        if target + 273.15 != schedule.temperature[-1]:
            schedule = schedule.ramp(rate, to=target)
    return schedule if schedule.time.size > 1 else schedule.hold(1.0)


def random_case(seed: int, number: int) -> RandomCase:
    """Usual case `number` of a seed."""
    rng = np.random.default_rng([seed, number])
    factors = {}
    if rng.random() < 0.7:
        factors = {phase: log_uniform(rng, 0.1, 10.0) for phase in COMPOUNDS + WIDE_PHASES}
    return RandomCase(random_strand(rng), random_schedule(rng), default_set().scaled(factors))


def wide_strand(rng: np.random.Generator) -> Strand:
    """A round strand with or without sleeve and packs, or a plane couple."""
    core, ratio = log_uniform(rng, 0.1, 5000.0), log_uniform(rng, 0.05, 200.0)
    porosity = float(rng.choice([0.0, 0.025, 0.3 * rng.random()]))
    if rng.random() < 0.15:
        strand = replace(Strand.couple(core, core * ratio * 0.44), porosity=porosity)
    else:
        strand = with_rings(Strand.from_ratio(core, ratio, porosity=porosity), rng, [0.4, 0.45, 0.15], 0.1)
    return with_films(strand, rng) if rng.random() < 0.4 else strand


def with_films(strand: Strand, rng: np.random.Generator) -> Strand:
    """The strand with compound from storage, as far as its tin and copper allow."""
    eta, epsilon = (float(rng.choice([0.0, log_uniform(rng, 1e-4, 0.19)])) * strand.core_radius for _ in range(2))
    volumes, _ = slot_volumes(load_properties())
    plain, _ = initial_amounts(strand, volumes)
    for _ in range(60):
        filmed = replace(strand, initial_eta=eta, initial_epsilon=epsilon)
        with suppress(InputError):
            amount, _ = initial_amounts(filmed, volumes)
            if amount[0] > 0.05 * plain[0] and amount[-1] > 0.05 * plain[-1]:
                return filmed
        eta, epsilon = 0.5 * eta, 0.5 * epsilon
    return strand


def wide_target(rng: np.random.Generator) -> float:
    """A temperature [C], often one at or beside a reaction."""
    edges = regimes().edges[1:-1] - 273.15
    edge = float(rng.choice(edges))
    kind = rng.choice(["anywhere", "near", "beside", "on"], p=[0.6, 0.2, 0.1, 0.1])
    target = {
        "anywhere": COLDEST_C + (HOTTEST_C - COLDEST_C) * float(rng.random()),
        "near": edge + 3.0 * float(rng.normal()),
        "beside": edge + BESIDE * float(rng.choice([-1.0, 1.0])),
        "on": edge,
    }[str(kind)]
    return float(min(max(target, COLDEST_C), HOTTEST_C))


def to(schedule: Schedule, rate: float, target: float) -> Schedule:
    """The schedule with a ramp, unless it is at the target."""
    return schedule if target + 273.15 == schedule.temperature[-1] else schedule.ramp(rate, to=target)


def wide_schedule(rng: np.random.Generator) -> Schedule:
    """Up to eight ramps and holds; in a quarter of the cases crossings back and forth of 227 and 415 C among them."""
    schedule = Schedule.start(float(rng.choice([20.0, wide_target(rng)], p=[0.7, 0.3])))
    for _ in range(int(rng.integers(1, 9))):
        if rng.random() < 0.4:
            longest = float(rng.choice([200.0, LONGEST_HOLD_H], p=[0.8, 0.2]))
            schedule = schedule.hold(log_uniform(rng, 1e-3, longest))
        else:
            schedule = to(schedule, log_uniform(rng, 1.0, 20000.0), wide_target(rng))
    if rng.random() < 0.25:
        middle, rate = float(rng.choice([227.0, 415.0])), log_uniform(rng, 10.0, 20000.0)
        for k in range(int(rng.integers(2, MOST_CROSSINGS + 1))):
            away = log_uniform(rng, 0.5, 30.0) * (-1.0) ** k
            schedule = to(schedule, rate, middle + away)
    return schedule if schedule.time.size > 1 else schedule.hold(1.0)


def wide_case(seed: int, number: int) -> RandomCase:
    """Wide case `number` of a seed."""
    rng = np.random.default_rng([seed, number, 12])
    kinetics = wide_kinetics(rng)
    strand, schedule = wide_strand(rng), wide_schedule(rng)
    tolerance = float(10.0 ** rng.uniform(-6.0, -3.0)) if rng.random() < 0.7 else 1e-3
    return RandomCase(strand, schedule, kinetics, tolerance)


def behind_case(seed: int, number: int) -> RandomCase:
    """Wide case `number` of a seed with its void behind the shell, and in half of them channels in the packs."""
    case, rng = wide_case(seed, number), np.random.default_rng([seed, number, 13])
    transport = str(rng.choice([BETWEEN_FILAMENTS, PARALLEL_CHANNELS]))
    if case.strand.plane:
        return case
    return replace(case, strand=replace(case.strand, void_place=BEHIND_SHELL, pack_transport=transport))


def cooled_case(seed: int, number: int) -> RandomCase:
    """Case `number` of a seed that gets liquid, is cooled and heated again: layers dissolve, the last tin goes."""
    rng = np.random.default_rng([seed, number, 98])
    core, ratio = log_uniform(rng, 2.0, 200.0), log_uniform(rng, 0.3, 20.0)
    strand = Strand.from_ratio(core, ratio, void_place=str(rng.choice([IN_CORE, BEHIND_SHELL])))
    schedule = Schedule.start(float(rng.choice([20.0, rng.uniform(230.0, 500.0)])))
    for slowest, coldest, hottest, holds in (
        (5.0, 235.0, 410.0, True),
        (1.0, 228.0, 410.0, True),
        (1.0, 228.0, 640.0, False),
    ):
        schedule = to(schedule, log_uniform(rng, slowest, 2000.0), float(rng.uniform(coldest, hottest)))
        if holds and rng.random() < 0.5:
            schedule = schedule.hold(log_uniform(rng, 1e-2, 20.0))
    return RandomCase(strand, schedule, random_case(seed, number).kinetics)
