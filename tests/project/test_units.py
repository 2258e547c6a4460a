"""Constants of conversion against those of scipy, which knows them by CODATA and the definitions of the SI."""

from __future__ import annotations

from scipy import constants

from bronzeward import units


def test_constants_are_those_of_scipy() -> None:
    of_scipy = (constants.zero_Celsius, constants.hour, constants.micro, constants.R)
    assert of_scipy == (units.ZERO_CELSIUS, units.HOUR, units.MICROMETRE, units.GAS_CONSTANT)
