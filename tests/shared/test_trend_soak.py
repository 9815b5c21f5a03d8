"""Coverage over many seasons with other truths.

A small form runs always; the whole with COLDFILL_SOAK=full.
"""

import os

import numpy as np
import pytest

from shared.trend import Z80, filter_levels, level_band, running_mean
from shared.trend_slope import next_dive
from tests.shared.season import make_season
from tests.shared.test_trend import as_dives, month_by_month

FULL = os.environ.get("COLDFILL_SOAK") == "full"
pytestmark = pytest.mark.soak


def drawn_kind(rng):
    return {
        "members": int(rng.integers(15, 60)),
        "most_dives": int(rng.integers(25, 90)),
        "days": float(rng.choice([300, 500, 720])),
        "scatter": float(rng.uniform(0.12, 0.18)),
        "walk_dive": float(rng.choice([0, 0.01, 0.02, 0.03])),
        "walk_month": float(rng.choice([0, 0.02, 0.04])),
        "between": float(rng.uniform(0.2, 0.35)),
        "median": float(rng.uniform(13, 22)),
        "depth": float(rng.uniform(0, 0.08)),
        "cold": float(rng.uniform(0, 0.1)),
        "dry": float(rng.uniform(0, 0.12)),
        "bend": float(rng.uniform(-0.02, 0.03)),
        "wrong_share": float(rng.uniform(0, 0.04)),
        "drift_sd_month": float(rng.choice([0, 0.01])),
        "uneven": float(rng.uniform(0, 0.3)),
    }


def test_coverage_over_seasons_of_all_kinds():
    rng = np.random.default_rng(2031)
    inside, over, level, known = [], [], [], []
    for seed in range(30 if FULL else 4):
        season = make_season(seed=500 + seed, **drawn_kind(rng))
        dives = as_dives(season)
        models, month = month_by_month(dives)
        levels = filter_levels(dives, models, month)
        _, low, high = level_band(levels, running_mean(dives), models, month)
        ahead = next_dive(dives, levels, models, month)
        before = np.flatnonzero(dives.member[1:] == dives.member[:-1])
        came = season.rmv[before + 1]
        inside.append((came >= ahead[before, 0]) & (came <= ahead[before, 1]))
        over.append(came > ahead[before, 1])
        known.append(np.abs(levels.z[before + 1]) < Z80)
        shift = np.concatenate(
            [
                np.cumsum(s) / np.arange(1, len(s) + 1)
                for s in np.split(season.true_mean - season.true_level, np.flatnonzero(np.diff(season.member)) + 1)
            ]
        )
        truth = np.exp(season.true_level + shift)
        level.append((truth >= low) & (truth <= high))
    assert 0.74 <= np.concatenate(inside).mean() <= 0.87
    assert 0.74 <= np.concatenate(known).mean() <= 0.87
    assert 0.74 <= np.concatenate(level).mean() <= 0.87
    assert 0.07 <= np.concatenate(over).mean() <= 0.13
