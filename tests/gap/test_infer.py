"""The joint inference: bounded least squares, the Gaussian posterior, robustness."""

import numpy as np
import pytest
from scipy import sparse
from scipy.optimize import lsq_linear

from yieldwatch.gap.infer import Rows, _bounded, solve
from yieldwatch.gap.mechanisms.base import Column


def column(name: str, mean: float, sd: float, lower: float = -np.inf, upper: float = np.inf) -> Column:
    return Column("level", name, np.zeros(1), None, mean, sd, lower, upper)


@pytest.mark.sourced
def test_bounded_minimum_agrees_with_a_general_purpose_solver():
    # Source: scipy.optimize.lsq_linear, another algorithm (trust region reflective), same problem.
    rng = np.random.default_rng(5)
    for _ in range(20):
        a, b = rng.normal(size=(30, 8)), rng.normal(size=30)
        lower, upper = np.full(8, -0.1), np.full(8, 0.2)

        ours = _bounded(a.T @ a, a.T @ b, lower, upper, np.zeros(8))

        theirs = lsq_linear(a, b, (lower, upper), tol=1e-14).x
        assert np.allclose(ours, theirs, atol=1e-6)


def test_posterior_of_one_unknown_matches_the_closed_form():
    # Conjugate Gaussian by hand: prior N(0, 0.1²), 25 values y = -x + N(0, 0.05²) with mean -0.06.
    #   precision = 1/0.01 + 25/0.0025 = 100 + 10 000; mean = 10 000 x 0.06 / 10 100 = 0.0594059
    values = np.full(25, -0.06)
    rows = Rows("toy", sparse.csr_matrix(np.ones((25, 1))), values, np.ones(25), 0.05, 1.0)

    posterior = solve([column("x", 0.0, 0.1)], [rows], 4000, np.random.default_rng(1), 1)

    assert posterior.estimate[0] == pytest.approx(0.0594059, abs=1e-6)
    # Standard deviation 1/sqrt(10 100) = 0.00995; 4000 draws know it to 1.1 %, so 4 % is over three sigma.
    assert posterior.draws[:, 0].std() == pytest.approx(0.00995, rel=0.04)


def test_a_few_wild_values_do_not_move_the_estimate():
    rng = np.random.default_rng(2)
    values = -0.05 + rng.normal(0.0, 0.005, 200)
    values[::20] = -0.9
    rows = Rows("toy", sparse.csr_matrix(np.ones((200, 1))), values, np.ones(200), None, 1.0)

    posterior = solve([column("x", 0.0, 1.0)], [rows], 10, rng)

    # One value in twenty at 0.9 would pull a plain mean to 0.0925.
    assert posterior.estimate[0] == pytest.approx(0.05, abs=0.002)


def test_a_loss_is_never_negative():
    rows = Rows("toy", sparse.csr_matrix(np.ones((50, 1))), np.full(50, 0.03), np.ones(50), 0.01, 1.0)

    posterior = solve([column("loss", 0.0, 0.1, 0.0)], [rows], 100, np.random.default_rng(3))

    assert posterior.estimate[0] == 0.0
    assert posterior.draws.min() >= 0.0


def test_two_causes_with_one_shape_stay_unsure_and_opposed():
    # Only their sum is seen: each keeps nearly its prior's doubt, and what one gains the other loses.
    rows = Rows("toy", sparse.csr_matrix(np.ones((100, 2))), np.full(100, -0.06), np.ones(100), 0.005, 1.0)

    posterior = solve([column("a", 0.03, 0.02), column("b", 0.03, 0.02)], [rows], 4000, np.random.default_rng(4))

    a, b = posterior.draws.T
    assert a.std() > 0.012
    assert np.corrcoef(a, b)[0, 1] < -0.95
    assert (a + b).std() < 0.002
