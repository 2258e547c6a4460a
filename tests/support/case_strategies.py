"""Cases drawn by hypothesis: strands and schedules inside what is allowed, in the units people write."""

from __future__ import annotations

from hypothesis import strategies as st

from bronzeward.inputs.strand import Strand


def floats(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high, allow_nan=False, allow_infinity=False)


@st.composite
def strands(draw: st.DrawFn) -> Strand:
    """Core of 10 to 120 um in a sleeve, a pack or both, in copper by its ratio, or beside copper."""
    core = draw(floats(10, 120))
    more = {
        "porosity": draw(floats(0, 0.1)),
        "initial_eta": draw(floats(0, 0.05)) * core * 1e-6,
        "initial_epsilon": draw(floats(0, 0.05)) * core * 1e-6,
    }
    kind = draw(st.sampled_from(["round", "ratio", "couple"]))
    if kind == "couple":
        return Strand.couple(core, draw(floats(0.5, 6.0)) * core, **more)
    if kind == "ratio":
        return Strand.from_ratio(core, draw(floats(0.5, 10.0)), **more)
    diameters = [core]
    for _ in range(draw(st.integers(1, 3))):
        diameters.append(diameters[-1] * draw(floats(1.2, 2.0)))
    sleeve = diameters.pop(1) if len(diameters) == 2 or draw(st.booleans()) else None
    return Strand.round(core, sleeve, [(outer, draw(floats(0.1, 1.0))) for outer in diameters[1:]], **more)


@st.composite
def step_tables(draw: st.DrawFn) -> list[dict[str, object]]:
    """Steps of a case file, from 20 C on, that are allowed and heat."""
    here, steps = 20.0, []
    for _ in range(draw(st.integers(1, 4))):
        target = draw(st.integers(25, 420).map(float).filter(lambda c, here=here: c != here))
        steps.append({"ramp_C_per_h": draw(floats(5.0, 500.0)), "to_C": target})
        here = target
        if draw(st.booleans()):
            steps.append({"hold_h": draw(floats(0.1, 50.0))})
        if here > 60 and draw(st.integers(0, 3)) == 0:
            steps.append({"cool_half_time_h": draw(floats(0.2, 5.0)), "to_C": 50.0, "room_C": 20.0})
            here = 50.0
    if draw(st.booleans()):
        steps.append({"quench": True})
    return steps
