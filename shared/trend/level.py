"""A member's breathing rate over time: a level that may stay, wander or drift, shifted by shared conditions.

On the log of the rate y of a dive with conditions x:

    y = level + x·effects + scatter,    d level = drift·dt + walk,    d drift = -drift/T·dt + …

Most members are steady, a few change a lot, and some scatter more than others. So how far the level
walks, how large a drift may be and how wide the scatter is belong to the member: each is one of a few
sizes (`WALKS`, `SCATTERS`), and every combination is a class with a filter of its own. How common each
size is, the population's mean and spread and the effects of conditions are shared by all members and
found by `shared.trend.shared_fit`. A member's own dives then say which classes it is likely to be of, and all
that is stated is weighed over the classes. Filters know at each dive only the dives before it.

References: Durbin and Koopman, Time Series Analysis by State Space Methods, chapters 2 to 6 (filter,
smoother, augmented filter of de Jong, from memory); Harrison and Stevens, Bayesian forecasting, 1976
(classes of dynamics side by side, from memory).
"""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from shared.gas.constants import Z80

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

DAYS_A_MONTH, YEAR_DAYS = 30.44, 365.0
#: from so many dives over so many days on, how a level has changed is said
LEAST_DIVES, LEAST_DAYS = 8, 90.0
Z95 = 1.959963984540054

CONDITIONS = ("depth", "cold", "dry_suit", "semidry_suit", "duration")
"""Mean depth per 10 m, water per 10 K colder, suits against a wet suit, duration per 10 minutes."""

REFERENCE_DEPTH_M, REFERENCE_WATER_C, REFERENCE_DURATION_MIN = 15.0, 15.0, 45.0
SHORTEST_DURATION_MIN, LONGEST_DURATION_MIN = 5.0, 120.0

EFFECT_PRIOR_SD = np.array([0.10, 0.10, 0.10, 0.10, 0.05])
"""Prior spread of each effect, log rate per unit of its condition: a judgement without a published source."""

EFFECT_BETWEEN_SD = np.array([0.015, 0.02, 0.015, 0.015, 0.005])
"""How far a member's own effects may lie from the shared ones: a judgement as well."""


DRIFT_LASTS_DAYS = 1500.0
"""Time constant of a drift: a large one turns within a year or two, else it goes on."""


@dataclass(frozen=True)
class Walk:
    """How a level moves: log rate by which it walks in a root month, and size of its drift a month."""

    name: str
    walk_sd: float
    drift_sd: float
    prior_share: float


WALKS = (
    Walk("steady", 0.003, 0.0, 0.40),
    Walk("wanders", 0.025, 0.0, 0.12),
    Walk("jumps", 0.08, 0.0, 0.05),
    Walk("drifts a little", 0.003, 0.005, 0.13),
    Walk("drifts", 0.003, 0.025, 0.18),
    Walk("drifts and wanders", 0.025, 0.025, 0.08),
    Walk("drifts and jumps", 0.08, 0.025, 0.04),
)
"""The sizes and how common they are taken to be before any dive: judgements without a published source,
chosen so that intervals hold on simulated seasons of steady, drifting, stepping and wandering divers."""
SCATTERS = (0.05, 0.075, 0.11, 0.165, 0.25)
SCATTER_PRIOR_SHARES = (0.05, 0.2, 0.4, 0.25, 0.1)
"""Log rate by which dives of one member scatter. About 0.15 is a judgement without a published source."""

WALK_OF = np.repeat(np.arange(len(WALKS)), len(SCATTERS))
SCATTER_OF = np.tile(np.arange(len(SCATTERS)), len(WALKS))
"""Which walk and which scatter each class has; G classes, walks outside, scatters inside."""

WALK_VAR_DAY = np.array([w.walk_sd**2 for w in WALKS])[WALK_OF] / DAYS_A_MONTH
DRIFT_VAR_DAY2 = (np.array([w.drift_sd for w in WALKS])[WALK_OF] / DAYS_A_MONTH) ** 2
SCATTER_VAR = np.array(SCATTERS)[SCATTER_OF] ** 2

CALLED_FROM_CHANCE, NAMED_FROM_CHANCE = 0.9, 0.975
"""A change is called from this probability of its sign; where others see a member's name, from the second."""

WEIGHS_LESS_FROM_Z = 2.0
"""From this many standard deviations off its prediction a dive weighs less."""

WRONG_FROM_Z = 4.0
"""And from here so much less that it seen_in the less the further it lies."""

OUTLIER_Z = 3.0
"""From here it is named."""

INNOVATION_EDGES = np.linspace(-6.0, 6.0, 121)
"""Bins of standardised innovations."""


@dataclass(frozen=True)
class SharedModels:
    """What all members share, one entry a fit; M fits, K conditions.

    `walk_share` and `scatter_share` say how common each of `WALKS` and `SCATTERS` is. `innovations` counts
    how far the rates of next dives fell from what had been predicted of them, in the bins of
    `INNOVATION_EDGES`; `z_low` and `z_high` are its tenth and ninetieth percentile, with a normal prior,
    and stretch what is predicted now.
    """

    mean_log: Floats
    mean_var: Floats
    between_var: Floats
    walk_share: Floats
    scatter_share: Floats
    effects: Floats
    effects_cov: Floats
    z_low: Floats
    z_high: Floats
    innovations: Floats

    def __len__(self) -> int:
        return len(self.mean_log)

    def pick(self, index) -> "SharedModels":
        """The entries at these places."""
        return SharedModels(*(getattr(self, f.name)[index] for f in fields(self)))

    def class_log_share(self) -> Floats:
        """Log prior probability of each class, (M, G)."""
        return np.log(self.walk_share[:, WALK_OF] * self.scatter_share[:, SCATTER_OF])

    def start_var(self) -> Floats:
        """Variance of a new member's level: members differ, and their mean is not known exactly, (M,)."""
        return self.between_var + self.mean_var

    def member_effects_cov(self) -> Floats:
        """Covariance of one member's effects: what is not known of the shared ones, and how members differ."""
        return self.effects_cov + np.diag(EFFECT_BETWEEN_SD[: self.effects.shape[1]] ** 2)


def prior_model(conditions: int = len(CONDITIONS)) -> SharedModels:
    """Where learning starts: median 16 L/min, 0.28 between divers, no effects, the prior shares."""
    return SharedModels(
        mean_log=np.array([np.log(16.0)]),
        mean_var=np.zeros(1),
        between_var=np.array([0.28**2]),
        walk_share=np.array([[w.prior_share for w in WALKS]]),
        scatter_share=np.array([SCATTER_PRIOR_SHARES]),
        effects=np.zeros((1, conditions)),
        effects_cov=np.diag(EFFECT_PRIOR_SD[:conditions] ** 2)[None],
        z_low=np.array([-Z80]),
        z_high=np.array([Z80]),
        innovations=np.zeros((1, len(INNOVATION_EDGES) - 1)),
    )


def design(mean_depth_m: Floats, water_c: Floats, dry: Floats, semidry: Floats, duration_min: Floats) -> Floats:
    """Conditions of dives in the order of `CONDITIONS`, (n, 5); an unknown one stands at its reference."""
    minutes = np.clip(np.asarray(duration_min, float), SHORTEST_DURATION_MIN, LONGEST_DURATION_MIN)
    columns = np.column_stack(
        [
            (np.asarray(mean_depth_m, float) - REFERENCE_DEPTH_M) / 10.0,
            (REFERENCE_WATER_C - np.asarray(water_c, float)) / 10.0,
            np.asarray(dry, float),
            np.asarray(semidry, float),
            (minutes - REFERENCE_DURATION_MIN) / 10.0,
        ]
    )
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
        """The dives at these places."""
        return Dives(*(getattr(self, f.name)[mask] for f in fields(self)))

    def first_of_member(self) -> Bools:
        """Whether each dive is its member's first, (n,)."""
        return np.r_[True, self.member[1:] != self.member[:-1]] if len(self) else np.zeros(0, bool)

    def first_row(self) -> Ints:
        """Row of the first dive of each dive's member, (n,)."""
        return np.maximum.accumulate(np.where(self.first_of_member(), np.arange(len(self)), 0))


def effects_var(away: Floats, cov: Floats) -> Floats:
    """Variance that the effects' uncertainty adds at conditions so far away from those seen, (…, K) → (…)."""
    return np.einsum("...i,...ij,...j->...", away, cov, away)


def running_mean(dives: Dives) -> Floats:
    """Mean conditions of each member's dives up to and with each dive, (n, K)."""
    if not len(dives):
        return dives.conditions.copy()
    total = np.cumsum(dives.conditions, axis=0)
    start = dives.first_row()
    before = np.where((start > 0)[:, None], total[start - 1], 0.0)
    return (total - before) / (np.arange(len(dives)) - start + 1)[:, None]
