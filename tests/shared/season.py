"""Seasons of breathing rates with known truth, from a process of their own.

Levels wander by dive or by day, rates answer to depth, cold, suits and time with a bend that the model
does not have, scatter differs from member to member, and some records are wrong.
"""

from dataclasses import dataclass

import numpy as np


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
    drift_month: np.ndarray  # a member's steady drift, log per month
    effects: dict


def make_season(
    members=60,
    most_dives=90,
    days=720.0,
    seed=1,
    scatter=0.14,
    walk_dive=0.0,
    walk_month=0.03,
    between=0.25,
    median=17.0,
    depth=0.05,
    cold=0.07,
    dry=0.06,
    duration=-0.02,
    bend=0.0,
    wrong_share=0.02,
    drift_sd_month=0.0,
    uneven=0.2,
    tail_df=None,
):
    """Effects are log rate per 10 m, per 10 K colder, for a dry suit, per 10 minutes."""
    rng = np.random.default_rng(seed)
    parts = []
    for m in range(members):
        n = int(rng.integers(3, most_dives + 1))
        day = np.sort(rng.uniform(0, days, n))
        if rng.random() < 0.5:  # trips: several dives on a few days
            day = np.sort(np.floor(rng.choice(rng.uniform(0, days, max(2, n // 5)), n)) + rng.integers(1, 4, n) * 0.12)
        gap = np.diff(day, prepend=day[0])
        step = rng.normal(0, 1, n) * np.sqrt(walk_dive**2 * (np.arange(n) > 0) + walk_month**2 * gap / 30.44)
        drift = rng.normal(0, drift_sd_month)
        level = np.log(median) + rng.normal(0, between) + np.cumsum(step) + drift * day / 30.44
        water = 12 - 6 * np.cos(2 * np.pi * (day + 40) / 365) + rng.normal(0, 1.5, n) + rng.normal(0, 3)
        suit = np.where(water < rng.normal(9, 2), "dry", np.where(rng.random(n) < 0.15, "semidry", "wet"))
        mean_depth = np.clip(rng.gamma(4, 1, n) * rng.uniform(2.5, 6), 4, 45)
        minutes = np.clip(rng.normal(46, 11, n) - 0.5 * (mean_depth - 15), 15, 90)
        d = (mean_depth - 15) / 10
        mean = (
            level
            + depth * d
            + bend * d**2
            + cold * (15 - water) / 10
            + dry * (suit == "dry")
            + 0.4 * dry * (suit == "semidry")
            + duration * (minutes - 45) / 10
        )
        own = scatter * np.exp(rng.normal(0, uneven))
        noise = rng.normal(0, own, n) if tail_df is None else own * rng.standard_t(tail_df, n)
        wrong = rng.random(n) < wrong_share
        noise = noise + wrong * rng.choice([-1, 1], n, p=[0.4, 0.6]) * rng.uniform(0.5, 1.0, n)
        parts.append(
            (
                np.full(n, m),
                day,
                np.exp(mean + noise),
                level,
                mean,
                mean_depth,
                water,
                suit,
                minutes,
                wrong,
                np.full(n, drift),
            )
        )
    joined = [np.concatenate(p) for p in zip(*parts, strict=True)]
    return Season(*joined, effects={"depth": depth, "cold": cold, "dry_suit": dry, "duration": duration})
