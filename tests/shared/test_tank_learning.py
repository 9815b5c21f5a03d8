"""What dives teach: against dense algebra, and in limit cases."""

import numpy as np
import pytest

from shared.diving.tank_learning import (
    earlier,
    passed_on,
    posterior,
    spread_evidence,
    spread_factor,
    steadiness,
    without_prior,
)


def pooled(seen, sds, usual=1.0):
    return float(usual * spread_factor(spread_evidence(seen, sds, usual).sum(axis=0)))


def test_nothing_known_is_the_usual():
    assert pooled([np.nan], [1.0]) == pytest.approx(1.0, rel=0.15)
    assert pooled([5.0, np.nan], [np.inf, 1.0]) == pooled([np.nan], [1.0])


def test_it_finds_the_spread_of_many():
    rng = np.random.default_rng(1)
    seen = 0.4 * rng.standard_normal(300) + 0.3 * rng.standard_normal(300)
    assert pooled(seen, np.full(300, 0.3)) == pytest.approx(0.4, abs=0.05)


def test_one_wild_dive_widens_little():
    rng = np.random.default_rng(2)
    seen = 0.5 * rng.standard_normal(60)
    assert pooled(np.append(seen, 1e6), np.full(61, 0.1)) < 1.8 * pooled(seen, np.full(60, 0.1))


def test_a_prior_taken_out_again():
    mean, sd = without_prior(np.array([1.0]), np.array([np.sqrt(0.5)]), np.array([0.0]), np.array([1.0]))
    assert (mean[0], sd[0]) == pytest.approx((2.0, 1.0))


def test_what_members_pass_on_is_the_regression_of_them_all():
    """Reference: generalised least squares over all members at once, with a dense covariance."""
    rng = np.random.default_rng(3)
    n, members = 3, 5
    roots = rng.standard_normal((members, n, n))
    errors = roots @ roots.transpose(0, 2, 1) + 0.1 * np.eye(n)
    scatter = np.diag([0.5, 1.0, 2.0])
    seen, centre = rng.standard_normal((members, n)), rng.standard_normal((members, n))
    information = np.linalg.inv(errors)
    passed = [passed_on(i, i @ s, scatter, c) for i, s, c in zip(information, seen, centre, strict=True)]
    mean, cov = posterior(sum(p[0] for p in passed), sum(p[1] for p in passed), np.zeros(n), 1e8 * np.eye(n))

    whole = np.zeros((members * n, members * n))
    for k in range(members):
        whole[k * n : k * n + n, k * n : k * n + n] = errors[k] + scatter
    design = np.tile(np.eye(n), (members, 1))
    dense = np.linalg.inv(design.T @ np.linalg.solve(whole, design))
    assert cov == pytest.approx(dense, rel=1e-5)
    assert mean == pytest.approx(dense @ design.T @ np.linalg.solve(whole, (seen - centre).ravel()), rel=1e-5)


def test_nobody_learns_from_oneself_or_later():
    assert earlier(np.array([1.0, 2.0, 4.0])) == pytest.approx([0.0, 1.0, 3.0])


def test_without_evidence_breathing_is_as_usual():
    sd, lag = steadiness(np.zeros((7, 4)), 0.16, 0.5, 180.0, 0.5)
    assert sd == pytest.approx(0.16, rel=0.1) and lag == pytest.approx(180.0, rel=0.15)
