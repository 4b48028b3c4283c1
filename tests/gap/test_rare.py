"""What is a trace on most farms and much on some: the mixture of both priors, and what follows from it."""

import numpy as np
import pytest
from scipy import integrate, sparse, stats

from yieldwatch.gap.infer import Rows, solve
from yieldwatch.gap.mechanisms.base import Column, Rare
from yieldwatch.gap.rare import rare_draws

LICHEN = Rare("lichen", 0.25)


def layer(trace: float = 0.001, sd: float = 0.025) -> Column:
    return Column("soiling", "layer", np.zeros(1), None, 0.0, sd, rare=LICHEN, trace=trace)


@pytest.mark.sourced
@pytest.mark.parametrize("seen", [0.0, 0.01, 0.03, 0.06])
def test_chance_of_more_than_a_trace_agrees_with_numerical_integration(seen):
    # Source: scipy.integrate.quad of likelihood times half-normal prior, for one unknown read as `seen` to within 0.012.
    error, wide, trace = 0.012, 0.025, 0.001
    evidence = [
        integrate.quad(lambda x, s=s: stats.norm.pdf(seen, x, error) * stats.halfnorm.pdf(x, scale=s), 0, 6 * s, limit=200)[0]
        for s in (trace, wide)
    ]
    much = 0.25 * evidence[1] / (0.25 * evidence[1] + 0.75 * evidence[0])
    precision, target = np.array([[error**-2 + wide**-2]]), np.array([seen / error**2])

    draws = rare_draws([layer()], LICHEN, precision, target, 40_000, np.random.default_rng(1))[:, 0]

    # A trace is under 4 of its deviations; of the wide prior's mass some 7 % at most lies there as well when nothing is seen.
    below = integrate.quad(lambda x: stats.norm.pdf(seen, x, error) * stats.halfnorm.pdf(x, scale=wide), 0, 4 * trace)[0]
    assert (draws > 4 * trace).mean() == pytest.approx(much * (1.0 - below / evidence[1]), abs=0.01)


@pytest.mark.sourced
@pytest.mark.parametrize("seen", [0.0, 0.02, 0.05])
def test_of_rivals_one_at_most_is_there_as_often_as_numerical_integration_says(seen):
    # Source: scipy.integrate.quad of likelihood times half-normal prior. Each of two rivals alone would be read as `seen`.
    error, wide = 0.012, 0.025
    rivals = Rare("plants", 0.2, one_of=True)
    columns = [Column("shading", name, np.zeros(1), None, 0.0, wide, rare=rivals) for name in ("high", "low")]
    both = lambda x: stats.norm.pdf(seen, x, error) * stats.halfnorm.pdf(x, scale=wide)  # noqa: E731
    there = integrate.quad(both, 0, 6 * wide, limit=200)[0]
    much = 0.2 * there / (0.2 * there + 0.8 * stats.norm.pdf(seen, 0.0, error))
    precision = np.full((2, 2), error**-2) + np.eye(2) * wide**-2

    draws = rare_draws(columns, rivals, precision, np.full(2, seen / error**2), 40_000, np.random.default_rng(1))

    assert (draws.max(axis=1) > 0.0).mean() == pytest.approx(much, abs=0.01)
    assert (draws.min(axis=1) == 0.0).all()
    assert (draws[:, 0] > 0.0).mean() == pytest.approx(much / 2.0, abs=0.01)


def test_rivals_that_explain_alike_are_told_together():
    # Each alone is as likely as not nil; that neither is there is out of the question.
    rivals = Rare("plants", 0.2, one_of=True)
    columns = [Column("shading", name, np.zeros(1), None, 0.0, 0.2, rare=rivals) for name in ("high", "low")]
    rows = Rows("toy", sparse.csr_matrix(np.ones((50, 2))), np.full(50, -0.1), np.ones(50), 0.02, 1.0)

    posterior = solve(columns, [rows], 400, np.random.default_rng(4))

    assert posterior.estimate.sum() == pytest.approx(0.1, abs=0.01)


@pytest.mark.parametrize(("true", "most"), [(0.0, 0.002), (0.05, 0.051)])
def test_little_is_told_as_a_trace_and_much_as_much(true, most):
    rng = np.random.default_rng(4)
    rows = Rows("toy", sparse.csr_matrix(np.ones((200, 1))), -true + rng.normal(0.0, 0.02, 200), np.ones(200), 0.02, 4.0)

    posterior = solve([layer()], [rows], 400, rng)

    assert 0.8 * true <= posterior.estimate[0] <= most


def test_what_shares_the_evidence_follows_each_draw_of_what_is_rare():
    # Only the sum of the two is read, to 0.1 %: what the layer does not take, age does, in the estimate and in every draw.
    rng = np.random.default_rng(5)
    rows = Rows("sum", sparse.csr_matrix(np.ones((1, 2))), np.array([-0.08]), np.ones(1), 0.001, 1.0)
    age = Column("degradation", "age", np.zeros(1), None, 0.05, 0.02)

    posterior = solve([layer(), age], [rows], 400, rng)

    assert posterior.estimate.sum() == pytest.approx(0.08, abs=0.001)
    assert posterior.draws.sum(axis=1) == pytest.approx(0.08, abs=0.006)
    assert posterior.draws[:, 0].std() > 0.005
