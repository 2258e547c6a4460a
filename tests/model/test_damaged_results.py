"""Results that were cut off, altered or made up: one line that says what is wrong, and no figure of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bronzeward.errors import InputError
from bronzeward.inputs.case import load_case
from bronzeward.inputs.starter import STARTER
from bronzeward.model.result import Result, Variable, read_netcdf, write_netcdf
from bronzeward.model.simulation import run_case


@pytest.fixture(scope="module")
def run() -> Result:
    return run_case(load_case(STARTER))


def without(name):
    return lambda run: replace(run, variables={k: v for k, v in run.variables.items() if k != name})


def values(name, change, dims=None):
    def damaged(run: Result) -> Result:
        old = run.variables[name]
        return replace(
            run, variables={**run.variables, name: Variable(old.dims if dims is None else dims, change(old.values))}
        )

    return damaged


def attribute(name, value):
    return lambda run: replace(run, attributes={**run.attributes, name: value})


DAMAGES = {
    "no time": (without("time"), "no variable time"),
    "no phase": (without("phase"), "no variable phase"),
    "no layers": (without("thickness"), "no variable thickness"),
    "turned": (values("amount", np.transpose, ("phase", "time")), "dimensions phase, time instead of time, phase"),
    "one value": (values("temperature", lambda v: v[0], ()), "the dimensions none"),
    "text": (values("tin_used", lambda v: v.astype(str)), "tin_used does not hold numbers"),
    "numbers": (values("event_name", lambda v: np.arange(len(v))), "event_name does not hold text"),
    "other phases": (values("phase", lambda v: v[::-1]), "its phases are not"),
    "backwards": (values("time", lambda v: v[::-1]), "times do not increase"),
    "for ages": (values("time", lambda v: v * 1e100), "times go beyond"),
    "no temperature": (values("temperature", lambda v: v * np.nan), "not between 0 and"),
    "hot": (values("temperature", lambda v: v * 1e300), "not between 0 and"),
    "below nothing": (values("temperature", lambda v: v - 1000.0), "not between 0 and"),
    "far events": (values("event_row", lambda v: v + 10**6), "outside its history"),
    "events of no time": (values("event_time", lambda v: v * np.nan), "an event has no time"),
    "events of no temperature": (values("event_temperature", lambda v: v * np.nan), "an event has no time"),
    "no shares": (values("volume_fraction", lambda v: v * np.nan), "volume_fraction does not add up"),
    "shares below 0": (values("tin_fraction", lambda v: 2 * v - v.mean(axis=1, keepdims=True)), "does not add up"),
    "no amounts": (values("amount", lambda v: v * np.nan), "amount holds what is no number"),
    "amounts of a planet": (values("amount", lambda v: v * 1e300), "none that can be meant"),
    "no voids": (values("void_fraction", lambda v: v * np.inf), "void_fraction holds"),
    "no radii": (values("outer_radius", lambda v: v * np.nan), "no layer has radii"),
    "radii of a planet": (values("inner_radius", lambda v: v * 1e300), "larger than any strand"),
    "no inputs": (attribute("inputs", 3), "no text in the attribute inputs"),
    **{
        f"inputs {text[:30]}": (attribute("inputs", text), "its inputs are no case")
        for text in ('{"a": 1}', '{"schedule": 3}', '{"schedule": {"steps": [3]}}')
    },
    **{
        f"inputs {text[:30]}": (attribute("inputs", text), "no JSON table in the attribute inputs")
        for text in ("x", "[1]", "[" * 100_000)
    },
    "no number": (attribute("eta_limit_K", "hot"), "no number in the attribute eta_limit_K"),
}


@pytest.mark.filterwarnings("ignore:invalid value encountered")
@pytest.mark.parametrize(("damage", "said"), DAMAGES.values(), ids=DAMAGES)
def test_damages_are_told_in_one_line(run, tmp_path, damage, said) -> None:
    path = write_netcdf(damage(run), tmp_path / "damaged.nc")
    with pytest.raises(InputError, match="damaged result") as refused:
        read_netcdf(path)
    assert said in str(refused.value)
    assert "\n" not in str(refused.value)
    assert len(str(refused.value)) < 300 + len(str(path))


@pytest.mark.parametrize("share", [0.0, 0.001, 0.1, 0.5, 0.9, 0.999])
def test_files_cut_off_are_told_by_all_that_read_them(run, command, in_folder, share) -> None:
    whole = write_netcdf(run, in_folder / "whole.nc").read_bytes()
    (in_folder / "cut.nc").write_bytes(whole[: int(share * len(whole))])
    for words in (("plot", "cut.nc"), ("report", "cut.nc"), ("compare", "whole.nc", "cut.nc"), ("run", "cut.nc")):
        code, out, errors = command(*words)
        assert (code, out, errors.count("\n")) == (2, "", 1)
    assert sorted(path.name for path in in_folder.iterdir()) == ["cut.nc", "whole.nc"]
