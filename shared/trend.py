"""A member's breathing rate over time: a level that wanders, shifted by conditions shared by all.

On the log of the rate y of a dive with conditions x:

    y = level + x·effects + scatter,    level: a random walk in days, begun at the population's mean.

The effects, the variances and the population's mean are shared by all members (`shared.trend_fit`
finds them); the level is each member's own and comes from a Kalman filter, which knows at each dive
only the dives before it. Scatter and walk are shared, so three dives give a wide but sane band.
Reference for filter and random walk with noise: Durbin and Koopman, Time Series Analysis by State
Space Methods, chapters 2 and 4 (from memory).
"""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

DAYS_A_MONTH = 30.44
Z80 = 1.2815515655446004
Z95 = 1.959963984540054

CONDITIONS = ("depth", "cold", "dry_suit", "semidry_suit", "duration")
"""Mean depth per 10 m, water per 10 K colder, suits against a wet suit, duration per 10 minutes."""

REFERENCE_DEPTH_M, REFERENCE_WATER_C, REFERENCE_DURATION_MIN = 15.0, 15.0, 45.0

WEIGHS_LESS_FROM_Z = 2.0
"""From this many standard deviations off its prediction a dive weighs less (Huber's weights)."""

SURPRISE_EDGES = np.linspace(-6.0, 6.0, 121)
"""Bins of standardised surprises."""

OUTLIER_Z = 3.0
"""From here it is named."""


@dataclass(frozen=True)
class SharedModels:
    """What all members share, one entry a fit; M fits, K conditions.

    Variances are of log rate. The level walks by time (`walk_var_day`) and by dive (`walk_var_dive`).
    `slope_var`, per day², is the prior of a slope and `slope_walk_share` the part of the walk that is left
    about a slope. `surprises` counts how far the rates of next dives fell from what an earlier fit had
    predicted of them, in the bins of `SURPRISE_EDGES`; `z_low` and `z_high` are its tenth and ninetieth
    percentile, with a normal prior, and stretch what is predicted now.
    """

    mean_log: Floats
    between_var: Floats
    scatter_var: Floats
    walk_var_day: Floats
    walk_var_dive: Floats
    slope_var: Floats
    slope_walk_share: Floats
    effects: Floats
    effects_cov: Floats
    z_low: Floats
    z_high: Floats
    surprises: Floats

    def __len__(self) -> int:
        return len(self.mean_log)

    def pick(self, index) -> "SharedModels":
        """The entries at these places."""
        return SharedModels(*(getattr(self, f.name)[index] for f in fields(self)))


def prior_model(conditions: int = len(CONDITIONS)) -> SharedModels:
    """Where learning starts: median 16 L/min, 0.28 between divers, 0.15 within, no effects.

    These three are a judgement without a published source. The walk (0.03 a month and 0.02 a dive) and
    the slope (2 % a month) are ours and as uncertain; all of them move with the data.
    """
    return SharedModels(
        mean_log=np.array([np.log(16.0)]),
        between_var=np.array([0.28**2]),
        scatter_var=np.array([0.15**2]),
        walk_var_day=np.array([0.03**2 / DAYS_A_MONTH]),
        walk_var_dive=np.array([0.02**2]),
        slope_var=np.array([(0.02 / DAYS_A_MONTH) ** 2]),
        slope_walk_share=np.array([0.5]),
        effects=np.zeros((1, conditions)),
        effects_cov=np.diag(np.full(conditions, EFFECT_PRIOR_SD**2))[None],
        z_low=np.array([-Z80]),
        z_high=np.array([Z80]),
        surprises=np.zeros((1, len(SURPRISE_EDGES) - 1)),
    )


EFFECT_PRIOR_SD = 0.12
"""Prior spread of each effect, log rate per unit of its condition."""


def design(mean_depth_m: Floats, water_c: Floats, dry: Floats, semidry: Floats, duration_min: Floats) -> Floats:
    """Conditions of dives in the order of `CONDITIONS`, (n, 5); an unknown one stands at its reference."""
    columns = np.column_stack([
        (np.asarray(mean_depth_m, float) - REFERENCE_DEPTH_M) / 10.0,
        (REFERENCE_WATER_C - np.asarray(water_c, float)) / 10.0,
        np.asarray(dry, float),
        np.asarray(semidry, float),
        (np.clip(np.asarray(duration_min, float), 5.0, 120.0) - REFERENCE_DURATION_MIN) / 10.0,
    ])
    return np.where(np.isfinite(columns), columns, 0.0)


@dataclass(frozen=True)
class Dives:
    """Dives of many members, flat, ordered by member and then time. n dives, K conditions."""

    member: Ints
    day: Floats
    log_rmv: Floats
    conditions: Floats
    measurement_var: Floats

    def __len__(self) -> int:
        return len(self.day)

    def keep(self, mask) -> "Dives":
        return Dives(*(getattr(self, f.name)[mask] for f in fields(self)))

    def layout(self) -> tuple[Ints, Ints]:
        """Start and count of each member's dives, most dives first, so that a prefix is still active."""
        starts = np.flatnonzero(np.r_[True, self.member[1:] != self.member[:-1]]) if len(self) else np.zeros(0, int)
        counts = np.diff(np.r_[starts, len(self)])
        order = np.argsort(-counts, kind="stable")
        return starts[order], counts[order]


@dataclass(frozen=True)
class Levels:
    """What was known of each member around each dive, at reference conditions, log rate.

    `before_*`: just before the dive (the walk since the last one included); `level`, `level_var`: after
    it. `lean` (n, K) is how far the level moves when an effect is one lower: the conditions it was seen
    in, by weight; with the effects' covariance it gives what their uncertainty does to any prediction.
    `z` is the standardised surprise, `weight` between 0 and 1.
    """

    before: Floats
    before_var: Floats
    before_lean: Floats
    level: Floats
    level_var: Floats
    lean: Floats
    z: Floats
    weight: Floats

    def pick(self, index) -> "Levels":
        """The rows at these places."""
        return Levels(*(getattr(self, f.name)[index] for f in fields(self)))


def filter_levels(dives: Dives, models: SharedModels, model_of: Ints) -> Levels:
    """Run every member's filter under every fit that one of the dives asks for, all at once.

    Parameters
    ----------
    dives : Dives
        n dives.
    models : SharedModels
        M fits.
    model_of : ndarray of int, (n,)
        The fit that holds for each dive's row. The row's level comes from all the member's dives up to
        it, filtered under that fit alone.

    Returns
    -------
    Levels
        Of n rows.
    """
    n, conditions = dives.conditions.shape
    m = len(models)
    out = Levels(*(np.empty((n, conditions) if name in ("before_lean", "lean") else n) for name in
                   (f.name for f in fields(Levels))))
    starts, counts = dives.layout()
    if n == 0:
        return out
    members = len(starts)
    level = np.broadcast_to(models.mean_log, (members, m)).copy()
    var = np.broadcast_to(models.between_var, (members, m)).copy()
    lean = np.zeros((members, m, conditions))
    fixed = dives.conditions @ models.effects.T
    for step in range(int(counts[0])):
        active = int(np.searchsorted(-counts, -step, side="left"))
        row = starts[:active] + step
        level, var, lean = level[:active], var[:active], lean[:active]
        if step:
            gap = np.maximum(dives.day[row] - dives.day[row - 1], 0.0)
            var = var + models.walk_var_day * gap[:, None] + models.walk_var_dive
        own = (np.arange(active), model_of[row])
        out.before[row], out.before_var[row], out.before_lean[row] = level[own], var[own], lean[own]
        noise = models.scatter_var + dives.measurement_var[row][:, None]
        spread = var + noise
        surprise = dives.log_rmv[row][:, None] - level - fixed[row]
        inflate = np.maximum(np.abs(surprise) / np.sqrt(spread) / WEIGHS_LESS_FROM_Z, 1.0)
        gain = var / (spread * inflate)
        level = level + gain * surprise
        var = var * (1.0 - gain)
        lean = lean + gain[..., None] * (dives.conditions[row][:, None, :] - lean)
        out.level[row], out.level_var[row], out.lean[row] = level[own], var[own], lean[own]
        out.weight[row] = 1.0 / inflate[own]
        away = dives.conditions[row] - out.before_lean[row]
        full = spread[own] + effects_var(away, models, model_of[row])
        out.z[row] = surprise[own] / np.sqrt(full)
    return out


def effects_var(away: Floats, models: SharedModels, model_of: Ints) -> Floats:
    """Variance that the effects' uncertainty adds at conditions so far away from those seen, (…, K) → (…)."""
    return np.einsum("...i,...ij,...j->...", away, models.effects_cov[model_of], away)


def running_mean(dives: Dives) -> Floats:
    """Mean conditions of each member's dives up to and with each dive, (n, K)."""
    if not len(dives):
        return dives.conditions.copy()
    total = np.cumsum(dives.conditions, axis=0)
    first = np.r_[True, dives.member[1:] != dives.member[:-1]]
    start = np.maximum.accumulate(np.where(first, np.arange(len(dives)), 0))
    before = np.where((start > 0)[:, None], total[start - 1], 0.0)
    return (total - before) / (np.arange(len(dives)) - start + 1)[:, None]


def level_band(
    levels: Levels, at_conditions: Floats, models: SharedModels, model_of: Ints
) -> tuple[Floats, Floats, Floats]:
    """Rate of a member at given conditions with its 80 % band, L/min, each (n,)."""
    mean = levels.level + np.einsum("nk,nk->n", at_conditions, models.effects[model_of])
    sd = np.sqrt(levels.level_var + effects_var(at_conditions - levels.lean, models, model_of))
    return np.exp(mean), np.exp(mean - Z80 * sd), np.exp(mean + Z80 * sd)
