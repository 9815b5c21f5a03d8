"""A member's slopes beside the same regressions by a bare library: `pytest tests/bench -s` shows both times."""

import time

import numpy as np
import pytest
from scipy.linalg import cho_factor, cho_solve

from shared.trend import prior_model
from shared.trend_slope import WINDOW_DAYS, slopes, window_start
from tests.shared.season import make_season
from tests.shared.test_trend import as_dives, dense

DIVES = 1000


def bare_slopes(dives, model):
    """Generalised least squares by Cholesky factors of each window's covariance."""
    walk, noise = dense(dives, model)
    covariance = walk * model.slope_walk_share[0] + noise
    found = np.empty(len(dives))
    for last, first in enumerate(window_start(dives, WINDOW_DAYS)):
        of = slice(first, last + 1)
        x = np.column_stack([np.ones(last + 1 - first), dives.day[of] - dives.day[last]])
        solved = cho_solve(cho_factor(covariance[of, of]), np.column_stack([x, dives.log_rmv[of]]))
        both = x.T @ solved
        both[1, 1] += 1 / model.slope_var[0]
        found[last] = np.linalg.solve(both[:, :2] + 1e-12 * np.eye(2), both[:, 2])[1]
    return found


def test_the_slopes_of_a_thousand_dives_are_ahead_of_bare_regressions(capsys):
    dives = as_dives(make_season(members=1, most_dives=DIVES, days=3000.0, seed=8, wrong_share=0.0))
    model, at, sure = prior_model(), np.zeros(len(dives), int), np.ones(len(dives))
    seconds = {"ours": 9e9, "bare": 9e9}
    for _ in range(3):
        began = time.process_time()
        ours, _ = slopes(dives, sure, model, at)
        seconds["ours"] = min(seconds["ours"], time.process_time() - began)
        began = time.process_time()
        bare = bare_slopes(dives, model)
        seconds["bare"] = min(seconds["bare"], time.process_time() - began)
    assert ours[1:] == pytest.approx(bare[1:], rel=1e-5, abs=1e-9)
    with capsys.disabled():
        print(f"\n{len(dives)} slopes: {seconds['ours'] * 1e3:.0f} ms, bare {seconds['bare'] * 1e3:.0f} ms")
    assert seconds["ours"] < seconds["bare"]
