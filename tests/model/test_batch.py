"""Many cases in one call give what single runs give."""

from __future__ import annotations

import numpy as np
import pytest

from bronzeward.errors import InputError
from bronzeward.growth.compiled import Packed
from bronzeward.growth.problem import Problem
from bronzeward.inputs.case import Case, Numerics
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.strand import Strand
from bronzeward.materials.kinetics import load_set
from bronzeward.model import answers, batch
from bronzeward.model.batch import run_batch, simulate_many
from bronzeward.model.ready_engine import warm_engine
from bronzeward.model.simulation import run_case, simulate
from closeness import close

STRAND = Strand.round(24, 44)
PACKED = Strand.round(30, 40, [(60, 0.3)], porosity=0.01)
QUICK = Schedule.start(20).ramp(100, to=240)
LONG = Schedule.start(20).ramp(50, to=210).hold(4).ramp(50, to=430).hold(2)


def _case(strand: Strand = STRAND, schedule: Schedule = QUICK, **factors: float) -> Case:
    # a result must say its inputs; here they do not matter
    return Case(strand, schedule, load_set().scaled(factors))


@pytest.mark.parametrize("case", [_case(), _case(PACKED, LONG, eta=2.0)])
def test_batch_of_one_is_the_single_run(case: Case) -> None:
    single = answers.numbers(run_case(case))
    batch = run_batch([case])
    assert batch["status"][0] == 0
    for name, value in single.items():
        # the same steps on the same numbers; compiled and interpreted exp may differ in the last digit
        np.testing.assert_allclose(batch[name][0], value, rtol=1e-6, atol=1e-12, err_msg=name)


def test_quick_batch_is_close_to_the_single_run() -> None:
    cases = [_case(PACKED, LONG, eta=2.0), _case(schedule=LONG, epsilon=0.3)]
    exact, quick = run_batch(cases), run_batch(cases, precision="quick")
    for name in ("shell_at_first_liquid", "eta_at_peritectic", "overfill_at_first_liquid", "peak_liquid_tin"):
        np.testing.assert_allclose(quick[name], exact[name], rtol=2e-3, atol=5e-4, err_msg=name)


def test_answers_do_not_depend_on_threads_or_order() -> None:
    cases = [_case(STRAND if k % 2 else PACKED, eta=1.0 + k / 10) for k in range(40)]
    one = run_batch(cases, workers=1, precision="quick")
    two = run_batch(cases, workers=2, precision="quick")
    back = run_batch(cases[::-1], workers=2, precision="quick")
    for name, column in one.items():
        np.testing.assert_array_equal(column, two[name])
        np.testing.assert_array_equal(column, back[name][::-1])


def test_progress_reaches_the_total() -> None:
    seen: list[tuple[int, int]] = []
    run_batch([_case()] * 20, progress=lambda done, total: seen.append((done, total)), precision="quick")
    assert seen[-1] == (20, 20)
    assert [done for done, _ in seen] == sorted(done for done, _ in seen)


def test_a_run_that_cannot_finish_spoils_no_other(monkeypatch: pytest.MonkeyPatch) -> None:
    run_many = batch.run_many

    def fail_on_thin(runs: list[tuple[Packed[Problem], object, object]], *rest: object) -> None:
        if any(problem.parts.perimeter < 5e-5 for problem, _, _ in runs):
            raise ArithmeticError
        run_many(runs, *rest)  # type: ignore[arg-type]

    warm_engine()
    monkeypatch.setattr(batch, "run_many", fail_on_thin)
    found = run_batch([_case(), _case(Strand.round(10, 20))], precision="quick")
    assert found["status"].tolist() == [0, batch.STOPPED]
    assert np.isfinite(found["shell_at_first_liquid"][0])
    assert np.isnan(found["shell_at_first_liquid"][1])


def test_many_as_a_dataset() -> None:
    detail = Numerics(tolerance=1e-4)
    data = simulate_many({"bare": STRAND, "packed": PACKED}, {"ramp": QUICK}, ["default", "mei1992"], numerics=detail)
    assert dict(data.sizes) == {"strand": 2, "schedule": 1, "kinetic_set": 2}
    assert data["shell_at_first_liquid"].attrs["units"] == "m"
    single = answers.numbers(simulate(PACKED, QUICK, "mei1992", numerics=detail))
    mine = data.sel(strand="packed", schedule="ramp", kinetic_set="mei1992")
    assert float(mine["shell_at_first_liquid"]) == close(single["shell_at_first_liquid"], rel=1e-6)


def test_bad_input_is_named() -> None:
    with pytest.raises(InputError, match="workers is 0"):
        run_batch([_case()], workers=0)
    with pytest.raises(InputError, match="allowed: run, quick"):
        run_batch([_case()], precision="fast")
    assert run_batch([])["status"].shape == (0,)


def test_a_run_longer_than_usual_is_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    """It is run again with a longer record, also among others."""
    whole = run_batch([_case(schedule=LONG), _case()])
    monkeypatch.setattr(batch, "USUAL_ROWS", 3)
    again = run_batch([_case(schedule=LONG), _case()])
    for name, column in whole.items():
        np.testing.assert_array_equal(again[name], column, err_msg=name)
