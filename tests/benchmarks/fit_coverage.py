"""How often the bands of a fitted set hold the truth: synthetic wires, each with two quench samples of its own.

Each wire has constants, exponents of growth included, drawn as the base set and `doubts.toml` spread them. Two samples,
held at 210 C for 6 and 24 h, are measured with the scatter of readings (7 %) and of the model (5 %) and fitted; a layer
thinner than 0.05 um is not seen.
Counted is how often the truth lies inside the 5 to 95 % band of a fresh ensemble: at the temperature of the samples
and away from it.

Usage: fit_coverage.py [REPEATS [MEMBERS [SEED]]]; 200 repeats of 19 members take some minutes. With 19 members the
ends of a band are the least and the largest of them, and the wires of one seed are all there are to its four counts.
"""

import sys
from dataclasses import replace

import numpy as np

from bronzeward.inputs.case import load_case
from bronzeward.inputs.layer_measurements import BLUR, Measurement, isothermal
from bronzeward.inputs.schedule import Schedule
from bronzeward.inputs.starter import STARTER
from bronzeward.materials.doubt_data import usual_spreads
from bronzeward.model.batch import run_batch
from bronzeward.studies.calibration import MODEL_SCATTER, _Model, fit
from bronzeward.studies.ensemble import Members, Spread
from bronzeward.studies.quantiles import quantiles

READINGS = 0.07
SEEN = 0.05e-6
WAVERING = usual_spreads()["growth_exponent"]

PLANS = {
    "24 h at 210 C, about to melt": Schedule.start(20).ramp(25, to=210).hold(24).ramp(25, to=226),
    "100 h at 150 C": Schedule.start(20).ramp(100, to=150).hold(100),
    "2 h at 300 C": Schedule.start(20).ramp(100, to=300).hold(2),
    "1 h at 400 C": Schedule.start(20).ramp(100, to=400).hold(1),
}
"""What is asked of each wire: its shell at the end of these."""


def spread(size: int, seed: int) -> Spread:
    """Constants and exponents of growth."""
    return Spread(size=size, seed=seed, growth_exponent=WAVERING)


def main(repeats: int = 200, size: int = 19, seed: int = 11) -> None:
    """Print how many of the repeats hold the truth, and the median width of the bands."""
    case = load_case(STARTER)
    plan = [
        Measurement(f"W{hours}", case.strand, isothermal(210, hours), (layer,), 1e-6, 1e-7, 4)
        for hours in (6, 24)
        for layer in ("eta", "epsilon")
    ]
    draw = np.random.default_rng([seed, 2])
    inside = dict.fromkeys(PLANS, 0)
    widths = {name: np.zeros((repeats, 2)) for name in PLANS}
    for k, truth in enumerate(Members(case, spread(repeats, seed))):
        model = _Model(plan, truth.kinetics, ["eta"])
        exact = model.thicknesses(np.zeros((1, model.size)))[0]
        means = exact * np.exp(np.hypot(READINGS, MODEL_SCATTER) * draw.standard_normal(len(plan)))
        data = [
            replace(m, mean=float(x), deviation=float(2.0 * READINGS * x))
            if x > SEEN
            else replace(m, mean=SEEN, deviation=BLUR * SEEN, readings=1, absent=True)
            for m, x in zip(plan, means, strict=True)
        ]
        found = fit(data, case.kinetics, exponent=WAVERING)
        for name, schedule in PLANS.items():
            bands = []
            for kinetics in (found.kinetics, case.kinetics)[: 2 if k < 5 else 1]:
                own = replace(case, schedule=schedule, kinetics=kinetics)
                members = [*Members(own, spread(size, 100 + k)), replace(truth, schedule=schedule)]
                *values, true = run_batch(members, precision="quick")["shell_at_end"]
                bands.append((*quantiles(np.array(values))[[0, -1]], true))
            low, high, true = bands[0]
            inside[name] += bool(low <= true <= high)
            widths[name][k] = [band[1] - band[0] for band in (bands[0], bands[-1])]
    for name, count in inside.items():
        after, before = np.median(widths[name][:, 0]), np.median(widths[name][:5, 1])
        error = np.sqrt(0.09 * repeats)
        print(f"{name:29} {count} of {repeats} (90 % +- {error:.1f}); band {before * 1e6:.2f} -> {after * 1e6:.2f} um")


if __name__ == "__main__":
    main(*(int(text) for text in sys.argv[1:]))
