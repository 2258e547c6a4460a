"""The time stepping method: order conditions, stability, and the order seen when it is used."""

from __future__ import annotations

import numpy as np
import pytest

from bronzeward.growth import step

A = np.array(step.WEIGHTS).reshape(step.STAGES, step.STAGES)
B = A[-1]
LOWER = np.array(step.LOWER_ORDER)
C = np.array(step.NODES)
ONE = np.ones(step.STAGES)

#: Right-hand sides of the order conditions, by the rooted tree they stand for: E. Hairer, S. P. Noersett, G. Wanner,
#: Solving Ordinary Differential Equations I (Springer 1993), table II.2.2.
CONDITIONS = {
    1: [(ONE, 1.0)],
    2: [(C, 1 / 2)],
    3: [(C**2, 1 / 3), (A @ C, 1 / 6)],
    4: [(C**3, 1 / 4), (C * (A @ C), 1 / 8), (A @ C**2, 1 / 12), (A @ A @ C, 1 / 24)],
}

#: A few roundings of sums of numbers up to 16.
ROUNDING = 2e-14


@pytest.mark.parametrize("order", [1, 2, 3, 4])
def test_order_conditions(order: int) -> None:
    for vector, value in CONDITIONS[order]:
        assert abs(B @ vector - value) < ROUNDING


@pytest.mark.parametrize("order", [1, 2, 3])
def test_embedded_method_has_order_three(order: int) -> None:
    for vector, value in CONDITIONS[order]:
        assert abs(LOWER @ vector - value) < ROUNDING


def test_embedded_method_has_not_order_four() -> None:
    # else the error estimate would vanish with the error
    assert max(abs(LOWER @ vector - value) for vector, value in CONDITIONS[4]) > 1e-3


def test_stages_lie_at_their_nodes_with_one_diagonal() -> None:
    np.testing.assert_allclose(A.sum(axis=1), C, atol=ROUNDING)
    np.testing.assert_array_equal(np.diag(A), step.GAMMA)
    np.testing.assert_array_equal(np.triu(A, 1), 0.0)


def stability(z: complex) -> complex:
    """R(z) = 1 + z b (I - z A)^-1 1."""
    return complex(1.0 + z * (B @ np.linalg.solve(np.eye(step.STAGES) - z * A, ONE)))


def test_l_stable() -> None:
    # A-stable: bounded by one on the imaginary axis, no pole in the left half plane (1 / gamma = 4 > 0)
    worst = max(abs(stability(1j * y)) for y in np.logspace(-3, 6, 2000))
    assert worst <= 1.0 + ROUNDING
    # and R vanishes far out: the last stage is the step itself
    assert abs(1.0 - B @ np.linalg.solve(A, ONE)) < ROUNDING
    assert abs(stability(-1e8)) < 1e-7


def test_order_four_on_a_stage_by_stage_run() -> None:
    """The coefficients as `gather_known` and `store_derivative` use them, on y' = -y^2 cos t."""
    errors = []
    for count in (8, 16, 32, 64):
        h, y, t = 2.0 / count, 1.0, 0.0
        for _ in range(count):
            slopes: list[float] = []
            for stage in range(step.STAGES):
                known = y + h * float(np.dot(A[stage, :stage], slopes))
                gh, turn = step.GAMMA * h, np.cos(t + C[stage] * h)
                # known - z = gh z^2 cos
                z = known if turn == 0 else (np.sqrt(1.0 + 4.0 * gh * turn * known) - 1.0) / (2.0 * gh * turn)
                slopes.append(float((z - known) / gh))
            y, t = float(z), t + h
        errors.append(abs(y - 1.0 / (1.0 + np.sin(2.0))))
    orders = np.log2(np.array(errors[:-1]) / errors[1:])
    # the last halving must be within a tenth of four: the next term of the expansion is one order smaller
    assert abs(orders[-1] - 4.0) < 0.1
