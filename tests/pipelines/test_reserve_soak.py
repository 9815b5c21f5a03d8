"""Chances stated before dives against what came of them, over invented members.

A small form runs always; the whole with COLDFILL_SOAK=full.
"""

import os

import numpy as np
import pandas as pd
import pytest

from pipelines.build.divers import build_member_trend, fit_trend_months
from pipelines.build.reserve import build_member_reserve
from schemas.policy import Policy
from tests.pipelines.diver_frames import frames, make_dive

FULL = os.environ.get("COLDFILL_SOAK") == "full"
pytestmark = pytest.mark.soak


def member(name, rng, dives):
    level, depth, start = np.log(rng.uniform(13, 21)), rng.uniform(14, 32), rng.uniform(195, 228)
    rows = []
    for i in range(dives):
        level += rng.normal(0, 0.015)
        metres = float(np.clip(rng.normal(depth, 5), 6, 44))
        rows.append(
            make_dive(
                f"{name}-{i}",
                i * float(rng.uniform(5, 9)),
                member_id=name,
                depth_m=metres,
                minutes=int(rng.uniform(26, 40)),
                rmv=float(np.exp(level + 0.05 * (metres - 20) / 10 + rng.normal(0, 0.14))),
                step_s=30,
                start_bar=float(np.clip(rng.normal(start, 8), 150, 235)),
                water_c=float(rng.uniform(6, 18)),
            )
        )
    return rows


def test_stated_chances_hold():
    rng = np.random.default_rng(11)
    names = [f"M{i}" for i in range(40 if FULL else 8)]
    f = frames(*(dive for name in names for dive in member(name, rng, 60 if FULL else 35)))
    policy = Policy()
    model = fit_trend_months(f["dive_consumption"], f["dives"], policy)
    trend = build_member_trend(f["dive_consumption"], f["dives"], model, policy)
    parts = []
    for name in names:
        by_member = {k: v for k, v in {**f, **trend}.items() if "member_id" in v and k != "fill_quality"}
        mine = {k: v[v["member_id"] == name] for k, v in by_member.items()}
        parts.append(
            build_member_reserve(
                name,
                mine["dives"],
                mine["dive_consumption"],
                mine["dive_trace"],
                mine["consumption_trend"],
                f["fill_quality"],
                f["units"],
                policy,
                tank_use=mine["dive_tank_use"],
                state=mine["trend_state"],
                model=model,
            )["dive_reserve"]
        )
    rows = pd.concat(parts)
    rows = rows[rows["chance_before"].notna()]
    chance, below = rows["chance_before"].to_numpy(float), rows["below_policy"].to_numpy(bool)
    print("\nchances:", len(chance), "mean", chance.mean().round(3), "below", below.mean().round(3))
    assert chance.mean() == pytest.approx(below.mean(), abs=0.03 if FULL else 0.08)
    for low, high in ((0, 0.1), (0.1, 0.3), (0.3, 0.6), (0.6, 1.0)):
        part = (chance >= low) & (chance < high)
        if part.sum() < 60:
            continue
        print(f"{low}-{high}: {part.sum()} dives, said {chance[part].mean():.3f}, came {below[part].mean():.3f}")
        allowed = 0.06 + 2.6 * np.sqrt(0.25 / part.sum())
        assert abs(chance[part].mean() - below[part].mean()) < allowed
