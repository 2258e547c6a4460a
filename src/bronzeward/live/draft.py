"""What a page is about: a case as plain data and the limits it is held against. Every change makes a new one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

from bronzeward.inputs.case import Case, case_from_data
from bronzeward.inputs.case_values import with_values
from bronzeward.live.programme import Programme
from bronzeward.studies.optimise.limits import Limit


@dataclass(frozen=True)
class Draft:
    """Inputs with the keys of a case file, and limits."""

    inputs: Mapping[str, Any]
    limits: tuple[Limit, ...] = ()

    def case(self) -> Case:
        """The case, read once.

        Raises
        ------
        InputError
            When the inputs describe none.
        """
        return self._case

    @cached_property
    def _case(self) -> Case:
        return case_from_data(self.inputs, Path())

    @property
    def programme(self) -> Programme | None:
        """The furnace programme; None for a measured log."""
        return Programme.from_data(self.inputs["schedule"])

    def with_programme(self, programme: Programme) -> Draft:
        """The same with another programme, checked.

        Raises
        ------
        InputError
            When it is none that can be run.
        """
        return replace(self, inputs={**self.inputs, "schedule": programme.to_data()})._checked()

    def with_value(self, path: str, value: float) -> Draft:
        """The same with another value at a dotted path, checked.

        Raises
        ------
        InputError
            When the case then is none.
        """
        return replace(self, inputs=with_values(self.inputs, {path: value}))._checked()

    def _checked(self) -> Draft:
        self.case()
        return self
