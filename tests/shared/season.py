"""Seasons of breathing rates with known truth, from a process of their own.

Members are of kinds: most are steady; some drift all along, or only in their last year, learn and level
out, step, are ill for a while, or stop halfway. Rates answer to depth, cold, suits and time, with a bend
that the model does not have and by member a little differently; scatter differs from member to member,
some records are wrong, and of some members it is the gas that ends the dives.
"""

from dataclasses import dataclass

import numpy as np

A_MONTH = 30.44
CHANGERS = ("drift", "late", "learn", "step")


@dataclass
class Season:
    member: np.ndarray
    day: np.ndarray
    rmv: np.ndarray
    true_level: np.ndarray  # log rate at depth 15 m, 15 °C water, wet suit, 45 min
    true_mean: np.ndarray  # log rate of that dive without its scatter
    mean_depth_m: np.ndarray
    water_c: np.ndarray
    suit: np.ndarray
    duration_min: np.ndarray
    wrong: np.ndarray
    kind: np.ndarray
    effects: dict


def _movement(rng, kind, months, gaps, walk_month, walk_dive, drift_sd_month):
    n, span = len(months), months[-1]
    walk = rng.normal(0, 1, n) * np.sqrt(walk_month**2 * gaps + walk_dive**2 * (np.arange(n) > 0))
    level = np.cumsum(walk) + rng.normal(0, drift_sd_month) * months
    way = rng.choice([-1, 1], p=[0.7, 0.3])
    a_month = way * rng.uniform(0.015, 0.023)
    begins, lasts = rng.uniform(0.3, 0.9), rng.uniform(4, 9)
    if kind == "drift":
        return level + a_month * months
    if kind == "late":
        return level + a_month * np.maximum(months - (span - 12), 0)
    if kind == "half":
        return level + a_month * np.minimum(months, span / 2)
    if kind == "learn":
        return level - rng.uniform(0.2, 0.4) * (1 - np.exp(-months / lasts))
    if kind == "step":
        return level + way * rng.uniform(0.12, 0.3) * (months > begins * span)
    if kind == "ill":
        return level + 0.2 * ((months > begins * span) & (months < begins * span + 3))
    return level


def _member(rng, kind, n, days, o):
    day = np.sort(rng.uniform(0, days, n))
    if rng.random() < o["trips"]:  # several dives on a few days
        day = np.sort(np.floor(rng.choice(rng.uniform(0, days, max(2, n // 5)), n)) + rng.integers(1, 4, n) * 0.12)
    if rng.random() < o["pauses"]:
        day = np.where(day > rng.uniform(0.2, 0.6) * days, day + 365, day)
    months = (day - day[0]) / A_MONTH
    gaps = np.diff(months, prepend=months[0])
    level = np.log(o["median"]) + rng.normal(0, o["between"])
    level = level + _movement(rng, kind, months, gaps, o["walk_month"], o["walk_dive"], o["drift_sd_month"])
    water = 12 - 6 * np.cos(2 * np.pi * (day + 40) / 365) + rng.normal(0, 1.5, n) + rng.normal(0, 3)
    suit = np.where(water < rng.normal(9, 2), "dry", np.where(rng.random(n) < 0.15, "semidry", "wet"))
    mean_depth = np.clip(rng.gamma(4, 1, n) * rng.uniform(2.5, 6), 4, 45)
    minutes = np.clip(rng.normal(46, 11, n) - 0.5 * (mean_depth - 15), 15, 90)
    d = (mean_depth - 15) / 10
    fixed = (
        level
        + rng.normal(o["depth"], o["differ"] * 0.015) * d
        + o["bend"] * d**2
        + rng.normal(o["cold"], o["differ"] * 0.02) * (15 - water) / 10
        + o["dry"] * (suit == "dry")
        + 0.4 * o["dry"] * (suit == "semidry")
    )
    own = o["scatter"] * np.exp(rng.normal(0, o["uneven"]))
    noise = rng.normal(0, own, n) if o["tail_df"] is None else own * rng.standard_t(o["tail_df"], n)
    if rng.random() < o["ended_by_gas"]:
        gas = rng.choice([2400.0, 3000.0]) * np.clip(rng.normal(0.72, 0.04, n), 0.3, 0.9)
        for _ in range(60):
            rate = np.exp(fixed + noise + o["duration"] * (minutes - 45) / 10)
            minutes = 0.5 * minutes + 0.5 * np.clip(gas / (rate * (1 + mean_depth / 10)), 5, 120)
    mean = fixed + o["duration"] * (minutes - 45) / 10
    wrong = rng.random(n) < o["wrong_share"]
    noise = noise + wrong * rng.choice([-1, 1], n, p=[0.4, 0.6]) * rng.uniform(0.5, 1.0, n)
    return day, np.exp(mean + noise), level, mean, mean_depth, water, suit, minutes, wrong, np.full(n, kind)


def make_season(
    members=60,
    least_dives=3,
    most_dives=90,
    days=720.0,
    seed=1,
    scatter=0.14,
    walk_dive=0.0,
    walk_month=0.0,
    between=0.25,
    median=17.0,
    depth=0.05,
    cold=0.07,
    dry=0.06,
    duration=-0.02,
    bend=0.0,
    differ=0.0,
    wrong_share=0.02,
    drift_sd_month=0.0,
    uneven=0.2,
    tail_df=None,
    kinds=None,
    trips=0.5,
    pauses=0.0,
    ended_by_gas=0.0,
):
    """Effects are log rate per 10 m, per 10 K colder, for a dry suit, per 10 minutes; `kinds` are their shares."""
    options = dict(locals())
    rng = np.random.default_rng(seed)
    kinds = kinds or {"steady": 1.0}
    share = np.array(list(kinds.values()), float)
    parts = []
    for m in range(members):
        kind = str(rng.choice(list(kinds), p=share / share.sum()))
        n = int(rng.integers(least_dives, most_dives + 1))
        length = days if np.ndim(days) == 0 else float(rng.uniform(*days))
        parts.append((np.full(n, m), *_member(rng, kind, n, length, options)))
    joined = [np.concatenate(p) for p in zip(*parts, strict=True)]
    return Season(*joined, effects={"depth": depth, "cold": cold, "dry_suit": dry, "duration": duration})
