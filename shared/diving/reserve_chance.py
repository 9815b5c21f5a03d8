"""Chance that a diver's next dive goes below the reserve policy, from the dives before it.

Each past dive says how much room it left: the log of the rate its start content and profile would have
borne, less the log of the rate now expected at its conditions. The next dive's room is drawn from a
smooth distribution over the past rooms, the newer the likelier, and the dive goes below when the
scatter of its rate exceeds that room. Nothing is sampled: every answer is a sum of cumulative
distributions. A station's own record of earlier chances then corrects what it finds too high or too low.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LEAST_DIVES = 5
"""Fewer known dives say nothing of the next."""

MOST_DIVES = 150
"""Older dives than this many weigh too little to matter."""

HALF_AFTER_DAYS = 120.0
SAME_TRIP_WEIGHT, SAME_TRIP_DAYS = 1.0, 5.0
"""A dive of the last days counts up to twice: a trip or a course is more like itself than like the year."""

ROOM_SD, ROOM_SD_DIVES = 0.3, 3.0
"""Spread of a diver's room on the log scale before it is seen, and how many dives that belief weighs."""

ROOM_MEAN, ROOM_MEAN_SD = 0.5, 0.6
"""Where divers' mean rooms lie before they are seen."""

ALIKE = 1.5
"""Dives after one another are alike: so many of them tell of the mean what one independent dive would."""

BANDWIDTH = 1.0
"""Kernel width in units of Silverman's n^(-1/5) rule."""

TAIL_DIVES = 4.0
"""Degrees of freedom of the kernel's tails beyond the dives that stand behind it."""

SHORTENS, SHORTENS_DIVES, USUAL_SCATTER = 0.15, 6.0, 0.15
"""How far a dive is cut short when more is breathed, before it is seen (0: not at all, 1: fully), its weight in
dives, and the scatter of log rate that this weight is meant at."""

MOST_ODDITY = 0.5
"""A log rate further off its expectation than this is a wrong record rather than a hard dive."""

MOST_ROOM = 1.5
"""More room than this, or a larger lack of it, says no more than this: a pool dive is no measure of the spread."""


@dataclass(frozen=True)
class PastDives:
    """What is known, before each of n dives, of up to J dives that preceded it; all arrays (n, J).

    known : whether the place holds a dive
    age_days : days before the dive that is predicted
    newer : dives of these that are newer
    critical_rmv_l_min : rate that the dive would have borne, L/min
    log_rmv : log of the rate breathed; NaN where it says nothing of the diver
    expected_log_rmv, expected_sd : rate now expected at that dive's conditions, log, and its deviation
    """

    known: NDArray[np.bool_]
    age_days: Floats
    newer: Floats
    critical_rmv_l_min: Floats
    log_rmv: Floats
    expected_log_rmv: Floats
    expected_sd: Floats


def chance_next_below(past: PastDives, half_after_dives: float = 30.0) -> Floats:
    """Chance that each of n dives goes below the policy, seen before it.

    Parameters
    ----------
    past : PastDives
        The dives before each, (n, J).
    half_after_dives : float
        A dive with so many newer ones weighs half.

    Returns
    -------
    ndarray, (n,)
        0 to 1; NaN with fewer than `LEAST_DIVES` known dives.

    Notes
    -----
    Weighted kernel density with Student's t kernels (Silverman, Density Estimation, 1986, § 3.4, from
    memory), its kernels drawn towards the mean so that smoothing does not widen it (West 1993, from
    memory), its mean and variance mixed with what is believed of any diver. Where a diver who breathes
    more is seen to end the dive sooner, that share of the rate's scatter is taken out of both sides.
    Constants were set on simulated seasons; what they miss, `fit_correction` learns from the station.
    """
    from scipy.special import stdtr

    known = past.known & ~np.isnan(past.critical_rmv_l_min) & np.isfinite(past.expected_log_rmv)
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        weight = 0.5 ** (past.age_days / HALF_AFTER_DAYS + past.newer / half_after_dives)
        weight = np.where(known, weight * (1.0 + SAME_TRIP_WEIGHT * np.exp(-past.age_days / SAME_TRIP_DAYS)), 0.0)
        weight /= weight.sum(axis=1, keepdims=True)
        count = 1.0 / (weight**2).sum(axis=1)
        room = np.log(past.critical_rmv_l_min) - past.expected_log_rmv
        room = np.where(known, np.clip(room, -MOST_ROOM, MOST_ROOM), 0.0)
        oddity = np.where(known & np.isfinite(past.log_rmv), past.log_rmv - past.expected_log_rmv, 0.0)

        shortens = _shortens(room, oddity, weight, count)
        room = room - shortens[:, None] * np.clip(oddity, -MOST_ODDITY, MOST_ODDITY)
        rate_var = (past.expected_sd * (1.0 - shortens[:, None])) ** 2

        mean = (weight * room).sum(axis=1)
        seen_var = (weight * (room - mean[:, None]) ** 2).sum(axis=1)
        var = _mixed_with_prior(seen_var, count)
        mean_var = var * ALIKE / count
        prior_share = mean_var / (mean_var + ROOM_MEAN_SD**2)
        centre = mean + prior_share * (ROOM_MEAN - mean)
        total_var = var + mean_var * (1.0 - prior_share)
        # by the mean deviation, so that one odd dive does not blur all the others
        usual_sd = np.sqrt(np.pi / 2.0) * (weight * np.abs(room - mean[:, None])).sum(axis=1)
        kernel_var = BANDWIDTH**2 * count**-0.4 * np.minimum(_mixed_with_prior(usual_sd**2, count), var)
        kernel_var = np.minimum(kernel_var, total_var)
        drawn_in = np.sqrt(np.clip((total_var - kernel_var) / np.maximum(seen_var, 1e-9), 0.0, 1.0))
        # what neither the past rooms nor the kernel hold of the variance goes into the kernel
        kernel_var = np.maximum(total_var - drawn_in**2 * seen_var, kernel_var)
        at = centre[:, None] + drawn_in[:, None] * (room - mean[:, None])
        score = np.where(known, -at / np.sqrt(rate_var + kernel_var[:, None]), 0.0)
        below = stdtr(TAIL_DIVES + count[:, None], score)
    chance = (weight * np.where(known, below, 0.0)).sum(axis=1)
    return np.where(known.sum(axis=1) >= LEAST_DIVES, chance, np.nan)


def _mixed_with_prior(var: Floats, count: Floats) -> Floats:
    """Variance of rooms seen over so many dives, with what is believed of any diver."""
    return (ROOM_SD_DIVES * ROOM_SD**2 + count * var) / (ROOM_SD_DIVES + count - 1.0)


def _shortens(room: Floats, oddity: Floats, weight: Floats, count: Floats) -> Floats:
    """Slope of room on how far the rate was off, (n,): what a diver who breathes more leaves out of the dive."""
    room = room - (weight * room).sum(axis=1, keepdims=True)
    oddity = oddity - (weight * oddity).sum(axis=1, keepdims=True)
    with_it = count * (weight * room * oddity).sum(axis=1)
    of_it = count * (weight * oddity**2).sum(axis=1)
    believed = SHORTENS_DIVES * USUAL_SCATTER**2
    return np.clip((with_it + SHORTENS * believed) / (of_it + believed), 0.0, 1.0)


CORRECTION_PRIOR_SD = (0.2, 0.15)
"""Deviation of shift and stretch before any record: little is corrected until much is seen."""

MOST_SCORE = 3.5
_SCORES = np.linspace(-MOST_SCORE, MOST_SCORE, 141)


@dataclass(frozen=True)
class Record:
    """Chances said so far and what came of them, counted by score: `said` dives, `below` of them below."""

    said: Floats
    below: Floats

    @classmethod
    def empty(cls) -> "Record":
        """Nothing said yet."""
        return cls(np.zeros(_SCORES.size), np.zeros(_SCORES.size))

    def with_dives(self, chance: Floats, below: NDArray[np.bool_]) -> "Record":
        """The record with these dives added; chances not known are passed over."""
        known = np.isfinite(chance)
        place = np.round((_scores(chance[known]) + MOST_SCORE) / (_SCORES[1] - _SCORES[0])).astype(int)
        size = _SCORES.size
        return Record(
            self.said + np.bincount(place, minlength=size),
            self.below + np.bincount(place, weights=below[known].astype(float), minlength=size),
        )


def _scores(chance: Floats) -> Floats:
    from scipy.special import ndtri

    return np.clip(ndtri(np.clip(chance, 0.0, 1.0)), -MOST_SCORE, MOST_SCORE)


def fit_correction(record: Record) -> tuple[float, float]:
    """Shift and stretch of a chance's normal score that fit what came of the chances said so far.

    Greatest posterior of a probit regression, begun at no correction (0, 1) with `CORRECTION_PRIOR_SD`;
    Fisher scoring (McCullagh and Nelder, Generalized Linear Models, § 2.5, from memory).
    """
    from scipy.special import ndtr

    begin, precision = np.array([0.0, 1.0]), np.array(CORRECTION_PRIOR_SD) ** -2.0
    found = begin.copy()
    at = np.column_stack([np.ones_like(_SCORES), _SCORES])
    for _ in range(30):
        score = at @ found
        p = np.clip(ndtr(score), 1e-6, 1.0 - 1e-6)
        density = np.exp(-0.5 * score**2) / np.sqrt(2.0 * np.pi)
        slope = at.T @ ((record.below - record.said * p) * density / (p * (1.0 - p))) - precision * (found - begin)
        information = (at * (record.said * density**2 / (p * (1.0 - p)))[:, None]).T @ at + np.diag(precision)
        step = np.linalg.solve(information, slope)
        found = found + step
        if np.abs(step).max() < 1e-9:
            break
    return float(found[0]), float(found[1])


def corrected(chance: Floats, shift: Floats | float, stretch: Floats | float) -> Floats:
    """Chances after the correction; without any, (0, 1), they stay but for the last 0.0002 at both ends."""
    from scipy.special import ndtr

    return ndtr(shift + stretch * _scores(np.asarray(chance, float)))
