"""Seasons of divers with habits, to hold chances of a thin dive against what came.

Physics apart from the project's: compressibility by a cubic fit, the ascent by its own sums, breathing that
wanders within a dive. Two families with nothing in common but that: `club`, which the constants were set
on, and `coast`, which they were not.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

FIRST_DAY = pd.Timestamp("2029-01-03", tz="UTC")
BAR_PER_M = 1025 * 9.80665e-5
COLUMNS = [
    "member_id", "dive_id", "day", "margin", "critical", "mean_depth_m", "duration_min", "rmv", "max_depth_m",
    "water_c",
]  # fmt: skip


def litres(capacity_l, gauge_bar):
    """Free litres of air near 15 °C."""
    p = np.maximum(gauge_bar + 1.01325, 0.0)
    return capacity_l * p / (1 - 3.3e-4 * p + 2.05e-6 * p**2 - 1.0e-9 * p**3)


def needed(depth_m):
    """Two divers at 30 L/min: a minute, up at 9 m/min, three minutes at 5 m from below 10 m."""
    minutes = depth_m / 9.0
    bar_min = (1.01325 + BAR_PER_M * depth_m) + minutes * (1.01325 + BAR_PER_M * depth_m / 2)
    return 60.0 * (bar_min + np.where(depth_m > 10, 3 * (1.01325 + BAR_PER_M * 5), 0))


def square(t, metres):
    end = t[-1]
    down, up = metres / 18, metres / 9
    at = [0, down, max(end - up - 3, down + 0.1), max(end - 3, down + 0.2), end - 0.5, end]
    return np.interp(t, at, [0, metres, metres, min(5, metres), min(5, metres), 0])


def sloping(t, metres, deep_share=0.3):
    end, down = t[-1], metres / 18
    at = [0, down, down + deep_share * end / 2, end - 4, end - 0.6, end]
    return np.interp(t, at, [0, metres, metres * 0.9, min(5.5, metres), min(5, metres), 0])


@dataclass
class Diver:
    """One member's dives as they come."""

    name: str
    rng: np.random.Generator
    rows: list

    def dive(self, day, capacity_l, start_bar, shape, minutes, rmv, wander, turn_bar, water_c):
        """A dive in half minutes; from `turn_bar` the diver goes up, whatever was planned."""
        step, rng = 0.5, self.rng
        t = np.arange(int(minutes / step) + 1) * step
        depth = shape(t)
        rate = rmv * np.exp(wander * np.interp(t, np.linspace(0, t[-1], 8), rng.normal(0, 1, 8)))
        start = litres(capacity_l, start_bar)
        used = self._used(rate, depth, step)
        if turn_bar is not None:
            over = np.flatnonzero(used > start - litres(capacity_l, turn_bar))
            if over.size and over[0] > 6:
                here = depth[over[0]]
                up = np.maximum(here - 9 * step * np.arange(1, 60), 5)[: max(0, int((here - 5) / 9 / step))]
                cut = np.r_[depth[: over[0] + 1], up, np.full(6, min(5.0, here)), 2.5, 0.0]
                if len(cut) < len(depth):
                    depth, t, rate = cut, t[: len(cut)], rate[: len(cut)]
                    used = self._used(rate, depth, step)
        spare = start - litres(capacity_l, 10.0) - needed(depth)
        bar_min = self._used(np.ones_like(depth), depth, step)[-1]
        with np.errstate(divide="ignore", invalid="ignore"):
            factor = np.where(used > 1e-9, spare / used, np.where(spare < 0, 0.0, np.inf)).min()
        mean_rmv = used[-1] / bar_min
        self.rows.append((
            self.name, f"{self.name}-{len(self.rows):04d}", day, (spare - used).min(), max(factor, 0.0) * mean_rmv,
            depth.mean(), t[-1], mean_rmv, depth.max(), water_c,
        ))  # fmt: skip

    @staticmethod
    def _used(rate, depth, step):
        by_min = rate * (1.01325 + BAR_PER_M * depth)
        return np.r_[0.0, np.cumsum((by_min[1:] + by_min[:-1]) / 2 * step)]


def club(seed, members=60, harder=0.0, days=700):
    """Depths that run on from dive to dive, habits and fills that drift, courses, single and twin dives mixed,
    some who turn by the gauge, 6 to 110 dives each."""
    rng = np.random.default_rng(seed)
    rows = []
    for m in range(members):
        diver = Diver(f"M{m:03d}", rng, [])
        n = int(np.exp(rng.uniform(np.log(6), np.log(110))))
        holiday = np.floor(rng.uniform(0, days)) + rng.integers(0, 9, n // 2)
        day = np.sort(np.r_[np.floor(rng.uniform(0, days, n - n // 2)), holiday] + rng.uniform(0.35, 0.6, n))
        level = np.log(16) + rng.normal(0, 0.25)
        drift = rng.normal(0, 0.004) + (rng.random() < 0.25) * rng.normal(0, 0.02)
        scatter = 0.12 * np.exp(rng.normal(0, 0.25))
        usual_l, other_l = rng.choice([10.0, 12, 12, 15, 24]), rng.choice([12.0, 15, 24])
        other_share = rng.choice([0, 0, 0.3])
        depth, depth_sd, depth_drift = np.log(rng.uniform(12, 32)), rng.uniform(0.08, 0.35), rng.normal(0, 0.01)
        alike, away = rng.uniform(0, 0.9), rng.normal()
        plan, plan_sd = rng.uniform(30, 55) * (1.25 if usual_l > 16 else 1), rng.uniform(0.08, 0.25)
        target, lost = rng.choice([232.0, 232, 200]), rng.uniform(4, 22)
        lost_sd, lost_drift = rng.uniform(2, 8), rng.normal(0, 0.3)
        turn = rng.normal(70, 12) if rng.random() < 0.4 else None
        at = int(rng.integers(0, max(n - 8, 1)))
        course = range(at, at + int(rng.integers(5, 10))) if rng.random() < 0.35 and n > 12 else ()
        for i in range(n):
            month = day[i] / 30.44
            away = alike * away + np.sqrt(1 - alike**2) * rng.normal()
            metres = np.clip(np.exp(depth + depth_sd * away + depth_drift * month), 6, 55)
            minutes = np.clip(plan * np.exp(rng.normal(0, plan_sd)) * (22 / max(metres, 12)) ** 0.35, 12, 95)
            capacity_l = other_l if rng.random() < other_share else usual_l
            start = target - lost - lost_drift * month + rng.normal(0, lost_sd)
            if i and day[i] - day[i - 1] < 0.3 and rng.random() < 0.06:
                start -= rng.uniform(40, 90)
            if i in course:
                metres, minutes, capacity_l = rng.uniform(6, 18), rng.uniform(25, 40), 12.0
            metres, minutes = min(metres * (1 + harder), 60), minutes * (1 + harder)
            water = 11 - 6 * np.cos(2 * np.pi * (day[i] + 20) / 365) + rng.normal(0, 1.5)
            mean = level + drift * month + 0.05 * (metres * 0.6 - 15) / 10 + 0.05 * (15 - water) / 10
            shape = square if rng.random() < 0.5 else sloping
            diver.dive(
                day[i], capacity_l, max(start, 60), lambda t, s=shape, d=metres: s(t, d), minutes,
                np.exp(mean + rng.normal(0, scatter)), rng.uniform(0.03, 0.2), turn, water,
            )  # fmt: skip
        rows += diver.rows
    return pd.DataFrame(rows, columns=COLUMNS)


def coast(seed, members=50, harder=0.0):
    """Sites with depths of their own and favourites that change, cylinders by site, careless fills with a long
    tail, scatter that runs on from dive to dive, now and then a turn by the gauge, 6 to 140 dives each."""
    rng = np.random.default_rng(seed)
    rows = []
    sites = np.exp(rng.normal(np.log(19), 0.4, 14))
    for m in range(members):
        diver = Diver(f"M{m:03d}", rng, [])
        n = int(rng.choice([6, 9, 14, 25, 45, 80, 140], p=[0.15, 0.15, 0.15, 0.2, 0.15, 0.12, 0.08]))
        begin, span = rng.uniform(0, 300), rng.uniform(200, 800)
        day = np.sort(np.floor(rng.uniform(begin, begin + span, n)) + rng.choice([0.4, 0.55, 0.7], n))
        day = day + 1e-3 * np.arange(n)
        level, scatter = np.log(17) + rng.normal(0, 0.28), 0.09 + rng.gamma(2, 0.025)
        drift = rng.choice([0, 0, 0, -0.015, 0.012])
        favourites, own_l = rng.integers(0, 14, 3), rng.choice([10.0, 12, 12, 15, 24])
        twin_share = rng.choice([0, 0.2, 0.5]) if own_l < 20 else 0.9
        careless, patience, runs_on = rng.gamma(2, 5), rng.uniform(0.8, 1.25), 0.0
        for i in range(n):
            if rng.random() < 0.03:
                favourites = rng.integers(0, 14, 3)
            site = sites[rng.choice(favourites) if rng.random() < 0.8 else rng.integers(14)]
            metres = np.clip(site * np.exp(rng.normal(0, 0.12)) * (1 + harder), 5, 58)
            capacity_l = 24.0 if (metres > 28 or rng.random() < twin_share) and own_l != 10.0 else own_l
            minutes = patience * (58 - 0.7 * metres) * (1.35 if capacity_l > 20 else 1) * np.exp(rng.normal(0, 0.17))
            minutes = np.clip(minutes * (1 + 0.7 * harder), 10, 100)
            start = 228 - careless - rng.gamma(1.2, 6) - (rng.uniform(30, 110) if rng.random() < 0.02 else 0)
            runs_on = 0.6 * runs_on + 0.8 * rng.normal()
            water = 10 - 5 * np.cos(2 * np.pi * (day[i] + 30) / 365)
            mean = level + drift * (day[i] - day[0]) / 30.44 + 0.06 * (metres * 0.6 - 15) / 10 + 0.01 * (12 - water)
            turn = max(rng.normal(60, 12) - 30 * harder, 20) if rng.random() < 0.35 else None
            deep_share = rng.uniform(0.1, 0.6)
            diver.dive(
                day[i], capacity_l, max(start, 70), lambda t, d=metres, s=deep_share: sloping(t, d, s), minutes,
                np.exp(mean + scatter * runs_on), rng.uniform(0.05, 0.25), turn, water,
            )  # fmt: skip
        rows += diver.rows
    return pd.DataFrame(rows, columns=COLUMNS)


def as_tables(season, seed=0, rmv_sd=0.012):
    """`dive_consumption`, `dives` and margins of a season, rates measured with an error."""
    error = np.exp(np.random.default_rng(seed).normal(0, rmv_sd, len(season)))
    at = FIRST_DAY + pd.to_timedelta((season["day"] * 86400).round(), unit="s")
    key = {c: season[c].astype("str") for c in ("member_id", "dive_id")}
    started = {**key, "started_at": at.astype("datetime64[us, UTC]")}
    rmv = season["rmv"] * error
    consumption = pd.DataFrame({
        **started, **{c: season[c] for c in ("duration_min", "mean_depth_m", "water_c")}, "rmv_l_min": rmv,
        "rmv_low_l_min": rmv * np.exp(-1.28 * rmv_sd), "rmv_high_l_min": rmv * np.exp(1.28 * rmv_sd),
        "flags": [[] for _ in range(len(season))],
    })  # fmt: skip
    margins = pd.DataFrame({
        **started, "critical_rmv_l_min": season["critical"] * error, "log_rmv": np.log(rmv),
        "least_margin_free_l": season["margin"], "below_policy": pd.array(season["margin"] < 0, "boolean"),
        "flags": [[] for _ in range(len(season))],
    })  # fmt: skip
    return consumption, pd.DataFrame({**key, "suit": "wet", "gas_shared": False}), margins
