"""Coverage and calls over many seasons with other truths.

A small form runs always; the whole with COLDFILL_SOAK=full.
"""

import os

import numpy as np
import pytest

from tests.shared.season import make_season
from tests.shared.trend_grades import grade, pooled

FULL = os.environ.get("COLDFILL_SOAK") == "full"
pytestmark = pytest.mark.soak
OTHERS = ("drift", "late", "learn", "step", "half", "ill")


def drawn_kind(rng):
    return {
        "members": int(rng.integers(15, 60)),
        "most_dives": int(rng.integers(25, 120)),
        "days": float(rng.choice([300, 500, 720])),
        "scatter": float(rng.uniform(0.09, 0.16)),
        "walk_dive": float(rng.choice([0, 0.01])),
        "walk_month": float(rng.choice([0, 0.015, 0.03])),
        "between": float(rng.uniform(0.2, 0.35)),
        "median": float(rng.uniform(13, 22)),
        "depth": float(rng.uniform(0, 0.08)),
        "differ": float(rng.choice([0, 1, 1.5])),
        "cold": float(rng.uniform(0, 0.1)),
        "dry": float(rng.uniform(0, 0.12)),
        "bend": float(rng.uniform(-0.02, 0.03)),
        "wrong_share": float(rng.uniform(0, 0.04)),
        "uneven": float(rng.uniform(0, 0.3)),
        "ended_by_gas": float(rng.choice([0, 0, 0.5, 1])),
        "pauses": float(rng.choice([0, 0, 0.5])),
        "kinds": {"steady": 6, **{kind: int(rng.integers(0, 3)) for kind in OTHERS}},
    }


def test_coverage_over_seasons_of_all_kinds():
    rng = np.random.default_rng(2031)
    grades = [grade(make_season(seed=500 + seed, **drawn_kind(rng))) for seed in range(30 if FULL else 3)]
    for kind in ("steady", *OTHERS):

        def rows(g, kind=kind):
            return g.sampled & ~g.few & (g.kind == kind)

        if sum(rows(g).sum() for g in grades) > 60:
            print(
                f"{kind}: change held {pooled(grades, lambda g: g.held(), rows):.3f}, called "
                f"{pooled(grades, lambda g: g.called() != 0, rows):.3f}"
            )
    assert 0.74 <= pooled(grades, lambda g: g.next_inside) <= 0.87
    assert 0.74 <= pooled(grades, lambda g: g.known_inside) <= 0.87
    assert 0.74 <= pooled(grades, lambda g: g.level_held) <= 0.89
    assert 0.07 <= pooled(grades, lambda g: g.next_over) <= 0.13
    assert 0.74 <= pooled(grades, lambda g: g.held(), lambda g: g.sampled & ~g.few) <= 0.89
