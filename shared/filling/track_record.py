"""What earlier predictions turned out to be worth, and what that says of the next.

An '80 %' interval that has held 60 % of the time is too narrow, whatever it was computed from; predictions that were
high oftener than low are biased. Both are read off the record of predictions made before the answer was known.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shared.gas.constants import Z80

Array = NDArray[np.float64]

MEMORY, MEMORY_SHARE = 100.0, 0.25
"""So many answers back, and at most this share of the record, one counts for half: causes of error come and go, and
what was wrong before anything was learned says nothing of today."""
FORGOTTEN = 60.0
"""So many halvings ago an answer counts for nothing in a number of 53 bits."""
BIAS_PRIOR, WIDTH_PRIOR = 25.0, 20.0
"""So many answers' worth of trust that a prediction is not biased, and that its interval is as wide as it should be."""
HELD = 0.8
MOST_WIDENING = 2.5


LATEST, LEAST_ANSWERS = 200, 20
"""A record is made of so many latest answers, and judged from so few on."""
BY_CHANCE = 0.05
"""So seldom would a record as poor come about by chance before it is called so."""


@dataclass(frozen=True)
class Record:
    """How the latest predictions turned out, with their answers.

    `off` is the median of prediction less answer. `too_narrow`: the 80 % intervals held fewer than chance explains;
    `biased`: the predictions were high oftener than low, or the reverse.
    """

    answers: int
    inside: int
    off: float
    too_narrow: bool
    biased: bool


def record(predicted: ArrayLike, low: ArrayLike, high: ArrayLike, answer: ArrayLike) -> Record:
    """The record of predictions in the order of time, all in one unit; NaN where there was none."""
    values = np.column_stack([np.asarray(v, float) for v in (predicted, low, high, answer)])
    values = values[np.isfinite(values).all(axis=1)][-LATEST:]
    n = len(values)
    if not n:
        return Record(0, 0, float("nan"), False, False)
    inside = int(((values[:, 3] >= values[:, 1]) & (values[:, 3] <= values[:, 2])).sum())
    off = values[:, 0] - values[:, 3]
    higher = int((off > 0).sum())
    rare = at_most(inside, n, HELD)
    lopsided = 2.0 * at_most(min(higher, n - higher), n, 0.5)
    enough = n >= LEAST_ANSWERS
    return Record(n, inside, float(np.median(off)), enough and rare < BY_CHANCE, enough and lopsided < BY_CHANCE)


def at_most(hits: int, n: int, share: float) -> float:
    """Probability of so many hits or fewer in n tries that each hit with this probability (binomial distribution).

    Raises
    ------
    OverflowError
        More than about a thousand tries; a record holds fewer.
    """
    return math.fsum(math.comb(n, k) * share**k * (1.0 - share) ** (n - k) for k in range(hits + 1))


@dataclass(frozen=True)
class Correction:
    """What to add to the next prediction, in its own standard deviations, and the factor on those, 1 or more: answers
    have noise of their own, so a record that held too often is no reason to narrow."""

    shift_sd: float = 0.0
    widening: float = 1.0


def correction(off_sd: ArrayLike) -> Correction:
    """The correction that a record asks for.

    Parameters
    ----------
    off_sd : array_like
        Answer less prediction over the prediction's standard deviation, in the order of time, as first predicted.
    """
    off = np.asarray(off_sd, float)
    off = off[np.isfinite(off)]
    if not off.size:
        return Correction()
    memory = min(MEMORY, max(MEMORY_SHARE * off.size, 1.0))
    off = off[-int(FORGOTTEN * memory) :]
    weight = 0.5 ** (np.arange(off.size)[::-1] / memory)
    # an answer far off says that it is wrong itself, not that all others are biased
    shift = float(weight @ np.clip(off, -2.5, 2.5) / (weight.sum() + BIAS_PRIOR))
    away = np.abs(off - shift)
    order = np.argsort(away, kind="stable")
    share = (np.cumsum(weight[order]) - 0.5 * weight[order]) / weight.sum()
    needed = float(np.interp(HELD, share, away[order])) / Z80
    trust = weight.sum() / (weight.sum() + WIDTH_PRIOR)
    widening = float(np.exp(trust * np.log(max(needed, 1e-3))))
    return Correction(shift, float(np.clip(widening, 1.0, MOST_WIDENING)))
