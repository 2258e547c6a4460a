"""Closeness of numbers whose size says nothing: lengths in m, rates in m2/s, shares."""

from __future__ import annotations

import pytest


def close(expected: object, rel: float = 1e-6) -> object:
    """Equal to within a share of what is expected, and to nothing else where that is zero.

    `pytest.approx` adds 1e-12 to what it allows, within which all lengths in m and rates in m2/s are alike; where an
    absolute tolerance is meant, it is said: `pytest.approx(expected, abs=...)`.
    """
    return pytest.approx(expected, rel=rel, abs=0.0)
