"""Seasons run through the trend month by month, and how what was stated compares with what is true."""

from dataclasses import dataclass

import numpy as np

from shared.gas.constants import Z80
from shared.trend.change import (
    RECENT_DAYS,
    Moved,
    chance_risen,
    change,
    changing_share,
    quantiles,
    slope,
    too_few,
    too_few_for_slope,
)
from shared.trend.filters import Levels, follow
from shared.trend.level import (
    CALLED_FROM_CHANCE,
    DAYS_A_MONTH,
    YEAR_DAYS,
    Dives,
    SharedModels,
    design,
    prior_model,
    running_mean,
)
from shared.trend.next_dive import level_band, next_dive
from shared.trend.shared_fit import Learner, together


def as_dives(season):
    conditions = design(
        season.mean_depth_m, season.water_c, season.suit == "dry", season.suit == "semidry", season.duration_min
    )
    return Dives(season.member, season.day, np.log(season.rmv), conditions, np.full(len(season.day), 0.01**2))


def month_by_month(dives) -> tuple[SharedModels, np.ndarray]:
    """Each dive under the fit of the dives begun before its month, as the pipeline does it."""
    month = np.floor(dives.day / DAYS_A_MONTH).astype(int)
    learner, model = Learner(dives), prior_model()
    for m in range(month.min(), month.max() + 1):
        model = learner.next_fit(model)
        learner.take(np.flatnonzero(month == m), model)
    return together(learner.fits), learner.fit_of


@dataclass
class Grades:
    """Of one season: rows of dives, and what is known of each."""

    dives: Dives
    models: SharedModels
    model_of: np.ndarray
    levels: Levels
    kind: np.ndarray
    last: np.ndarray  # each member's last dive
    sampled: np.ndarray  # the last dives and every tenth: rows whose figures are known here
    few: np.ndarray
    true_change: np.ndarray
    change: np.ndarray  # low, middle, high
    risen: np.ndarray
    true_slope: np.ndarray  # a month
    slope: np.ndarray  # of 95 %, of 80 %, middle, …
    few_for_slope: np.ndarray
    level_held: np.ndarray
    next_inside: np.ndarray  # of the dives that follow another
    next_over: np.ndarray
    known_inside: np.ndarray

    def called(self, chance=CALLED_FROM_CHANCE):
        """-1 falling, 1 rising, 0 steady."""
        return np.where(self.risen >= chance, 1, np.where(self.risen <= 1 - chance, -1, 0)) * ~self.few

    def held(self):
        return (self.change[:, 0] <= self.true_change) & (self.true_change <= self.change[:, 2])


def _moved(season, dives, days):
    """True change of the level over so many days up to each dive, or from the first dive on."""
    moved = np.zeros(len(dives))
    for m in np.unique(dives.member):
        of = np.flatnonzero(dives.member == m)
        day, level = dives.day[of], season.true_level[of]
        moved[of] = level - np.interp(np.maximum(day - days, day[0]), day, level)
    return moved


def grade(season) -> Grades:
    """Everything about one season."""
    dives = as_dives(season)
    models, of = month_by_month(dives)
    levels, history = follow(dives, models, of)
    share = changing_share(history, models, of)
    by_year, by_day = change(dives, history, models, of), slope(dives, history, models, of)
    _, low, high = level_band(levels, running_mean(dives), models, of)
    ahead = next_dive(dives, levels, models, of)
    last = np.r_[dives.member[1:] != dives.member[:-1], True]
    sampled = last | (np.arange(len(dives)) % 10 == 0)

    def figures(moved, chances, close):
        found = np.full((len(dives), len(chances)), np.nan)
        found[sampled] = quantiles(Moved(moved.mean[sampled], moved.sd[sampled]), share[sampled], chances, close)
        return found

    shift = (season.true_mean - season.true_level)[:, None]
    usual = running_mean(Dives(dives.member, dives.day, dives.log_rmv, shift, dives.measurement_var))[:, 0]
    truth = np.exp(season.true_level + usual)
    before = np.flatnonzero(dives.member[1:] == dives.member[:-1])
    came = season.rmv[before + 1]
    recent = np.minimum(np.maximum(dives.day - dives.day[dives.first_row()], 1.0), RECENT_DAYS) / DAYS_A_MONTH
    return Grades(
        dives,
        models,
        of,
        levels,
        season.kind,
        last,
        sampled,
        too_few(dives),
        _moved(season, dives, YEAR_DAYS),
        figures(by_year, (0.1, 0.5, 0.9), 1e-5),
        chance_risen(by_year, history),
        _moved(season, dives, RECENT_DAYS) / recent,
        DAYS_A_MONTH * figures(by_day, (0.025, 0.1, 0.5, 0.9, 0.975), 1e-7),
        too_few_for_slope(dives),
        (low <= truth) & (truth <= high),
        (came >= ahead[before, 0]) & (came <= ahead[before, 1]),
        came > ahead[before, 1],
        np.abs(levels.z[before + 1]) < Z80,
    )


def pooled(grades, what, where=lambda g: slice(None)) -> float:
    """Mean of something over the rows that count, of all seasons."""
    return float(np.concatenate([what(g)[where(g)] for g in grades]).mean())
