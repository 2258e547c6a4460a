"""A fit of growth constants as text, and as a kinetic file."""

from __future__ import annotations

from pathlib import Path
from textwrap import wrap

import numpy as np
import tomli_w

from bronzeward.files import write_text
from bronzeward.materials.kinetics import plain_set
from bronzeward.reports.text_table import table
from bronzeward.studies.calibration import Fit
from bronzeward.studies.quantiles import NORMAL_95
from bronzeward.units import ZERO_CELSIUS


def fit_report(fit: Fit) -> str:
    """What was fitted, how well, and what the data leave open; at most 80 columns."""
    rows = []
    for phase, factor in fit.factors.items():
        constant = fit.kinetics.constant(phase)
        after, before = (
            " to ".join(f"{middle * np.exp(z * error):.2f}" for z in (-NORMAL_95, NORMAL_95))
            for middle, error in ((factor, fit.factor_errors[phase]), (1.0, fit.prior_errors[phase]))
        )
        energy = f"{constant.activation / 1e3:.1f} ±{fit.energy_errors[phase]:.1f}"
        energy_before = f"±{fit.prior_energy_errors[phase]:.1f}"
        rows.append([phase, after, before, f"{constant.prefactor:.3e}", energy, energy_before])
    heads = ["phase", "factor, 90 %", "before", "m2/s", "kJ/mol", "before"]
    celsius = fit.middle - ZERO_CELSIUS
    lines = [table(heads, rows), "", f"Factors: of the base set at {celsius:.0f} °C; activation energies with one sd."]
    lines += [
        f"{phase}: thickness^(2 + m) ~ time, m = {fit.kinetics.constant(phase).slowing:+.2f} ±{error:.2f}, before "
        f"±{fit.prior_exponent_errors[phase]:.2f}"
        for phase, error in fit.exponent_errors.items()
    ]
    goodness = f"chi-square {fit.chi_square:.2f} with {fit.degrees:.1f} degrees of freedom"
    lines.append(goodness + (f", p = {fit.p_value:.2g}" if np.isfinite(fit.p_value) else ""))
    lines.append(f"Thicknesses of the model itself count as known to {100 * fit.model_scatter:g} %.")
    lines += ["- " + "\n  ".join(wrap(remark, 76)) for remark in fit.remarks]
    body = [
        [m.sample[:26], m.layer[:20], m.shown(m.mean), m.shown(c), f"{r:+z.1f}"]
        for m, c, r in zip(fit.measurements, fit.computed, fit.residuals, strict=True)
    ]
    lines += ["", table(["sample", "layer", "measured", "computed", "off by sd"], body)]
    return "\n".join(lines)


def write_kinetics(fit: Fit, path: str | Path, overwrite: bool = False) -> Path:
    """Write the fitted set as a kinetic file that every command takes."""
    return write_text(tomli_w.dumps(plain_set(fit.kinetics)), path, overwrite)
