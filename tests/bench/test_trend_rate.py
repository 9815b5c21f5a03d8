"""A member's changes beside the same by full matrices."""

import time

import numpy as np
import pytest
from scipy.linalg import cho_factor, cho_solve

from shared.trend.change import change
from shared.trend.filters import CLASSES, follow
from shared.trend.level import SCATTER_VAR, YEAR_DAYS, prior_model
from tests.shared.season import make_season
from tests.shared.test_trend import Dense
from tests.shared.trend_grades import as_dives

pytestmark = pytest.mark.once

DIVES = 400


def by_full_matrices(dives, weight, model):
    """The change of the last row alone, by class, from Cholesky factors of the whole covariance."""
    found = np.empty(CLASSES)
    short = dives.keep(slice(0, 1))
    for g in range(CLASSES):
        dense = Dense(short, weight[:1], g, model)
        t = dives.day - dives.day[0]
        ends = np.array([t[-1], max(t[-1] - YEAR_DAYS, 0.0)])
        whole = dense.levels(t, t) + np.diag(SCATTER_VAR[g] / weight + dives.measurement_var)
        rest = dives.log_rmv - model.mean_log[0] - dives.conditions @ model.effects[0]
        found[g] = dense.levels(t, ends) @ np.array([1.0, -1.0]) @ cho_solve(cho_factor(whole), rest)
    return found


def test_the_changes_of_all_rows_are_ahead_of_full_matrices_for_one(measured):
    dives = as_dives(make_season(members=1, least_dives=DIVES, most_dives=DIVES, days=2000.0, seed=8, wrong_share=0.0))
    model, at = prior_model(), np.zeros(len(dives), int)
    seconds = {"ours": 9e9, "bare": 9e9}
    for _ in range(3):
        began = time.process_time()
        levels, history = follow(dives, model, at)
        ours = change(dives, history, model, at)
        seconds["ours"] = min(seconds["ours"], time.process_time() - began)
        began = time.process_time()
        bare = by_full_matrices(dives, levels.weight, model)
        seconds["bare"] = min(seconds["bare"], time.process_time() - began)
    assert ours.mean[-1] == pytest.approx(bare, rel=1e-6, abs=1e-8)
    work = f"changes of a member's {len(dives)} rows"
    measured(work, seconds["ours"], "SciPy: one row by full matrices", seconds["bare"])
