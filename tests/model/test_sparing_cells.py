"""How many cells alpha has in a quick batch: by how deep tin can get into it, and by what eats it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from bronzeward.growth.slots import ALPHA
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.kinetics import load_set
from bronzeward.materials.properties import load_properties
from bronzeward.model.boundary_tables import build_regimes
from bronzeward.model.problem_builder import MOST_IN_ALPHA, Settings, alpha_depth, build_problem, quadrature
from bronzeward.thermo import load_table
from closeness import close


def test_depth_of_a_hold_in_closed_form() -> None:
    """2 sqrt(D t) with D as at the most tin alpha holds; of a ramp, scipy's quadrature of D."""
    from scipy.integrate import quad

    kinetics = load_set()
    law = kinetics.constant("alpha")
    most = np.exp(law.exponent * MOST_IN_ALPHA)
    plain = replace(law, exponent=0.0)
    hold = alpha_depth(kinetics, *quadrature(np.array([0.0, 3600.0]), np.array([700.0]), np.array([700.0])))
    assert hold == close(2.0 * np.sqrt(float(plain.at(700.0)) * most * 3600.0), rel=1e-8)
    area, _ = quad(lambda t: float(plain.at(600.0 + 100.0 * t)), 0.0, 1.0, epsrel=1e-10)
    ramp = alpha_depth(kinetics, *quadrature(np.array([5.0, 3605.0]), np.array([600.0]), np.array([700.0])))
    # nine points of the trapezoidal rule
    assert ramp == close(2.0 * np.sqrt(area * most * 3600.0), rel=0.03)


def test_the_most_tin_in_alpha_is_what_the_description_says() -> None:
    table = load_table()
    regimes = build_regimes(table, 293.15, 973.15)
    most = regimes.x_in[:, ALPHA][regimes.present[:, ALPHA].astype(bool)].max()
    assert most == close(MOST_IN_ALPHA, rel=0.02)


def test_few_cells_serve_where_alpha_matters_little() -> None:
    def cells(hottest: float, hours: float = 1.0, **settings: object) -> int:
        schedule = Schedule.start(20).ramp(100, to=hottest).hold(hours)
        regimes = build_regimes(load_table(), 293.15, hottest + 273.15)
        own = Settings(**{"sparing": True, **settings})
        return int(
            build_problem(Strand.round(24, 44), schedule, load_set(), regimes, load_properties(), own).cells[ALPHA]
        )

    assert cells(215) == 8
    assert cells(400) == 20
    # tin gets through all copper
    assert cells(515, 1000.0) == 40
    # beta forms
    assert cells(600, 0.001) == 40
    assert cells(215, alpha_cells=5) == 5
    assert cells(215, sparing=False) == 40
