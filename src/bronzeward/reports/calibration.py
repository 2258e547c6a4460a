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
from bronzeward.units import ZERO_CELSIUS


def fit_report(fit: Fit) -> str:
    """What was fitted, how well, and what the data leave open; at most 80 columns."""
    rows = []
    for phase, factor in fit.factors.items():
        error = fit.factor_errors[phase]
        low, high = (factor * np.exp(z * error) for z in (-1.645, 1.645))
        constant = fit.kinetics.constant(phase)
        rows.append(
            [phase, f"{factor:.3f}", f"{low:.3f} to {high:.3f}", f"{fit.middle[phase] - ZERO_CELSIUS:.0f}",
             f"{constant.prefactor:.3e}", f"{constant.activation / 1e3:.1f}"]
        )  # fmt: skip
    heads = ["phase", "factor", "90 % interval", "at °C", "m2/s", "kJ/mol"]
    lines = [table(heads, rows), ""]
    goodness = f"chi-square {fit.chi_square:.2f} with {fit.degrees} degrees of freedom"
    lines.append(goodness + (f", p = {fit.p_value:.2g}" if fit.degrees > 0 else ""))
    lines += ["- " + "\n  ".join(wrap(remark, 76)) for remark in fit.remarks]
    body = [
        [m.sample[:28], m.layer[:20], f"{m.mean * 1e6:.3g}", f"{c * 1e6:.3g}", f"{r:+.1f}"]
        for m, c, r in zip(fit.measurements, fit.computed, fit.residuals, strict=True)
    ]
    lines += ["", table(["sample", "layer", "measured µm", "computed µm", "off by se"], body)]
    return "\n".join(lines)


def write_kinetics(fit: Fit, path: str | Path, overwrite: bool = False) -> Path:
    """Write the fitted set as a kinetic file that every command takes."""
    return write_text(tomli_w.dumps(plain_set(fit.kinetics)), path, overwrite)
