"""Numbers beyond all sense: refused in one line that says what is allowed, before anything overflows."""

from __future__ import annotations

import copy
import tomllib
from pathlib import Path
from typing import Any

import pytest

from bronzeward.errors import InputError
from bronzeward.inputs.case import case_from_data
from bronzeward.inputs.case_values import with_values
from bronzeward.inputs.starter import text
from bronzeward.materials.kinetics import set_from_data

BASE = tomllib.loads(text())
ROW = {
    "phase": "alpha", "kind": "interdiffusion", "prefactor": 1e-8, "activation_energy_kJ_per_mol": 100.0,
    "t_min_C": 100.0, "t_max_C": 230.0, "factor_1sigma": 2.0,
}  # fmt: skip


def with_constant(**changes: Any) -> dict[str, Any]:
    data = copy.deepcopy(BASE)
    data["kinetics"] = {"constants": {"inherits": "default", "constant": [{**ROW, **changes}]}}
    return data


def with_pack(fraction: float) -> dict[str, Any]:
    data = copy.deepcopy(BASE)
    data["strand"] |= {"pack_transport": "parallel channels"}
    data["strand"]["pack"] = [{"outer_diameter_um": 60.0, "copper_fraction": fraction}]
    return data


def with_cool(**changes: float) -> dict[str, Any]:
    data = copy.deepcopy(BASE)
    data["schedule"]["steps"].insert(4, {"cool_half_time_h": 2.0, "to_C": 60.0, **changes})
    return data


NUMBERS = [key for key in ROW if key not in ("phase", "kind")]
TERMS = ((-1e-3, 100.0), (1e308, 60.0), (1.0, 1e6))
SENSELESS = {
    **{f"{key} {v:g}": with_constant(**{key: v}) for key in NUMBERS for v in (-1e5, 1e308)},
    **{f"prefactor {v:g}": with_constant(prefactor=v) for v in (1e-320, 1e-300, 1e7)},
    **{f"energy {v:g}": with_constant(activation_energy_kJ_per_mol=v) for v in (1e-320, 1e6, 1e300)},
    **{f"exponent {v:g}": with_constant(composition_exponent=v) for v in (-1e6, 1e3, 1e308)},
    **{f"terms {a:g} {e:g}": with_constant(more_terms=[[a, e]]) for a, e in TERMS},
    "faster than any liquid": with_constant(prefactor=1e4, activation_energy_kJ_per_mol=60.0),
    "range turned round": with_constant(t_min_C=300.0),
    **{f"factor {v:g}": with_values(BASE, {"kinetics.factors.alpha": v}) for v in (1e-320, 1e300)},
    **{f"copper {v:g}": with_pack(v) for v in (1e-320, 1e-300, 0.0)},
    **{f"ramp {v:g}": with_values(BASE, {"schedule.steps.0.ramp_C_per_h": v}) for v in (1e-320, 1e308)},
    **{f"cool {v:g}": with_cool(cool_half_time_h=v) for v in (1e-320, 1e308)},
}  # fmt: skip


@pytest.mark.parametrize("data", SENSELESS.values(), ids=SENSELESS)
def test_senseless_numbers_are_refused(data) -> None:
    """Any warning, such as numpy's of an overflow, fails the test too."""
    with pytest.raises(InputError, match=r"allowed|must be|is above") as told:
        case_from_data(data, Path())
    assert "\n" not in str(told.value)


@pytest.mark.parametrize("place", ["²", "9" * 5000, "-1", "1e3"])
def test_places_in_a_path_are_plain_numbers(place) -> None:
    with pytest.raises(InputError, match="must be a number from 0"):
        with_values(BASE, {f"schedule.steps.{place}.hold_h": 1.0})


def test_what_a_conversion_makes_is_held_to_it_too() -> None:
    """D within its bounds times a width within its own may be less than what stored inputs may say."""
    row = {**ROW, "phase": "eta", "kind": "interdiffusion", "prefactor": 1e-28, "homogeneity_range": 1e-5}
    with pytest.raises(InputError, match="prefactor is 1e-33; allowed are 1e-30"):
        set_from_data({"inherits": "default", "constant": [row]}, "kinetics")
