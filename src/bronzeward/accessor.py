"""`dataset.bronzeward`: what can be asked of the Dataset of a run.

xarray loads this module when it looks for ways to open a file, `simulate` when it makes a Dataset.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import xarray as xr
from xarray.backends import BackendEntrypoint

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from bronzeward.model.layer_stack import Layer


@xr.register_dataset_accessor("bronzeward")  # type: ignore[no-untyped-call]
class RunAccessor:
    """Answers, figures and report of one run."""

    def __init__(self, dataset: xr.Dataset) -> None:
        self._dataset = dataset

    def answers(self) -> dict[str, Any]:
        """All answers as plain data, as `bronzeward run --json` has them."""
        from bronzeward.reports.summary import answers

        return answers(self._dataset)

    def sentences(self) -> list[str]:
        """The answers in words."""
        from bronzeward.reports.summary import sentences

        return sentences(self._dataset)

    def plot(self, against: str = "time", **more: Any) -> Figure:
        """Temperature, phases, layers and liquid against "time" or "temperature"."""
        from bronzeward.plots.run_history import draw_history

        return draw_history(self._dataset, against=against, **more)

    def section(self, moment: str | Sequence[str] = "first liquid") -> Figure:
        """The strand to scale at one moment or several: what a quench there should show."""
        from bronzeward.plots.section import draw_section

        return draw_section(self._dataset, [moment] if isinstance(moment, str) else list(moment))

    def at(self, moment: str) -> xr.Dataset:
        """All that is known of one moment, such as "first liquid", "12 h" or "before eta decomposes"."""
        from bronzeward.model.asked_moments import state_at
        from bronzeward.model.result import as_result

        stored = as_result(self._dataset)
        result, row = state_at(stored, moment)
        return (self._dataset if result is stored else result.to_dataset()).isel(time=row)

    def layers(self, moment: str = "first liquid") -> list[Layer]:
        """What lies where at a moment, from the centre outwards: phase (None is void), inner and outer radius [m]."""
        from bronzeward.model.asked_moments import state_at
        from bronzeward.model.layer_stack import layers_at
        from bronzeward.model.result import as_result

        return layers_at(*state_at(as_result(self._dataset), moment))

    def report(self, path: str | Path, overwrite: bool = False) -> Path:
        """Write the page to hand on; its path."""
        from bronzeward.reports.run_page import write_report

        return write_report(self._dataset, path, overwrite)


class RunFile(BackendEntrypoint):
    """`xarray.open_dataset(path, engine="bronzeward")`: a result, refused where it is damaged."""

    description = "Results of bronzeward, checked when they are opened"

    def open_dataset(self, filename_or_obj: Any, *, drop_variables: str | Iterable[str] | None = None) -> xr.Dataset:
        """The Dataset of a result file.

        Raises
        ------
        InputError
            When the file is not a whole result.
        """
        from bronzeward.model.result import read_netcdf

        left_out = [drop_variables] if isinstance(drop_variables, str) else list(drop_variables or ())
        return read_netcdf(filename_or_obj).to_dataset().drop_vars(left_out)

    def guess_can_open(self, filename_or_obj: object) -> bool:
        """False: other engines open such files, too, and are asked first."""
        return False
