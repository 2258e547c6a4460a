"""A file of layers to be filled in once the best pair of samples has been made, with the cases of these samples."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import tomli_w

from bronzeward.files import write_text
from bronzeward.inputs.case import Case
from bronzeward.studies.witness_samples import Sample
from bronzeward.units import ZERO_CELSIUS

if TYPE_CHECKING:
    import xarray as xr

COLUMNS = (
    "sample", "case", "temperature_C", "time_h", "layer", "mean_um", "sd_um", "readings", "below_um", "note",
)  # fmt: skip


def case_paths(path: Path) -> list[Path]:
    """The case files that may be written beside a file of layers."""
    return [path.with_name(f"{path.stem}_W{k}.toml") for k in (1, 2)]


def write_layers(
    case: Case, data: xr.Dataset, samples: Sequence[Sample], path: str | Path, overwrite: bool = False
) -> list[Path]:
    """Write both, a case only for a sample that follows the plan; the files written.

    The columns mean_um, sd_um and readings are left empty; the note says what is expected.
    """
    path, text = Path(path), io.StringIO()
    rows, written = csv.writer(text, lineterminator="\n"), []
    rows.writerow(COLUMNS)
    by_name = {sample.name: sample for sample in samples}
    for k, (name, case_path) in enumerate(zip(data.attrs["pair"], case_paths(path), strict=True), start=1):
        sample = by_name[str(name)]
        celsius = f"{float(sample.schedule.temperature[-1]) - ZERO_CELSIUS:g}"
        origin = ["", celsius, f"{sample.schedule.hours:g}"]
        if sample.run == 0:
            inputs = {"title": str(name), **case.strand.to_data(), "schedule": sample.schedule.to_data()}
            written.append(write_text(tomli_w.dumps(inputs), case_path, overwrite))
            origin = [case_path.name, "", ""]
        for layer in data["layer"].values:
            width, look = data["layer_width"].sel(sample=name, layer=layer), data["look"].sel(sample=name, layer=layer)
            if np.isfinite(width) and layer not in ("shell", "core"):
                low, middle, high = (1e6 * float(value) for value in look)
                note = f"{name}: expected {middle:.2f} ({low:.2f} to {high:.2f})"
                rows.writerow([f"W{k}", *origin, str(layer), "", "", "", "", note])
                origin = ["", "", ""]
    return [*written, write_text(text.getvalue(), path, overwrite)]
