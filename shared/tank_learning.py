"""What many fitted traces teach about one diver's cylinders, fed back as the prior of each.

A single trace says little about lag, conductance, wing or how far the gas starts from the air; many of
them together say it well. Common values go to where all traces are likeliest; how far single dives scatter
around them follows from the fits. Priors hold both, so that few dives change little.
"""

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

_FACTORS = np.exp(np.linspace(np.log(0.15), np.log(3.0), 31))
_STATED = np.exp(np.linspace(np.log(0.5), np.log(1.4), 9))
_STATED_LN_SD = 0.3


def without_prior(mean: NDArray, sd: NDArray, prior_mean: NDArray, prior_sd: NDArray) -> tuple[NDArray, NDArray]:
    """A normal posterior with its normal prior taken out again; infinite sd where only the prior spoke."""
    mean, sd, prior_mean, prior_sd = np.broadcast_arrays(
        *(np.asarray(a, float) for a in (mean, sd, prior_mean, prior_sd))
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        precision = 1.0 / sd**2 - 1.0 / prior_sd**2
        some = precision > 1e-3 / prior_sd**2
        centre = np.where(some, (mean / sd**2 - prior_mean / prior_sd**2) / precision, mean)
        spread = np.where(some, 1.0 / np.sqrt(np.where(some, precision, 1.0)), np.inf)
    return centre, spread


def pool_spread(off: ArrayLike, sds: ArrayLike, usual: float = 1.0, usual_ln_sd: float = 0.5) -> float:
    """How far values scatter around nothing, from estimates that are themselves unsure.

    Parameters
    ----------
    off, sds : array_like, (n,)
        One a dive, freed of its prior; infinite or NaN sds say nothing.
    usual, usual_ln_sd : float
        Prior of the spread: median, and scatter of its logarithm.

    Returns
    -------
    float
        Posterior mean over a grid of spreads, and of factors on the stated sds, for these are never quite
        right: stated too large, they would explain the spread away. Estimates beyond four standard deviations
        are pulled in to that, so that one wild dive does not widen all.
    """
    y, s = np.asarray(off, float), np.asarray(sds, float)
    use = np.isfinite(y) & np.isfinite(s)
    y, s = y[use], s[use]
    reach = 4.0 * np.hypot(s, usual)
    y = np.clip(y, -reach, reach)
    spreads = usual * _FACTORS
    variance = (_STATED[:, None, None] * s) ** 2 + spreads[:, None] ** 2
    log_share = -0.5 * (np.log(variance) + y**2 / variance).sum(axis=2) - 0.5 * (np.log(_FACTORS) / usual_ln_sd) ** 2
    log_share -= 0.5 * (np.log(_STATED) / _STATED_LN_SD)[:, None] ** 2
    share = np.exp(log_share - log_share.max()).sum(axis=0)
    return float((share @ spreads) / share.sum())


def likeliest(
    evidence: Callable[[tuple[float, ...]], float],
    now: Sequence[float],
    first: Sequence[float],
    sd: Sequence[float],
    step: Sequence[float],
    least: Sequence[float],
    most: Sequence[float],
    sweeps: int = 2,
) -> tuple[float, ...]:
    """Common values near where evidence and prior together are greatest.

    Parameters
    ----------
    evidence : callable
        Log likelihood of all dives for common values.
    now : sequence of float
        Where to begin.
    first, sd : sequence of float
        Normal prior of each value.
    step, least, most : sequence of float
        Reach of the search and its bounds.
    sweeps : int
        Each goes through the values one by one, a parabola through three points, with half the step of
        the sweep before.
    """
    at = [float(v) for v in now]
    best = evidence(tuple(at))

    def with_prior(value: float, place: int, log_likelihood: float) -> float:
        return log_likelihood - 0.5 * ((value - first[place]) / sd[place]) ** 2

    for sweep in range(sweeps):
        for place in range(len(at)):
            reach = step[place] / 2**sweep
            middle = at[place]
            low, high = max(middle - reach, least[place]), min(middle + reach, most[place])
            tried = {middle: best}
            for value in (low, high):
                if value != middle:
                    tried[value] = evidence((*at[:place], value, *at[place + 1 :]))
            score = {value: with_prior(value, place, likelihood) for value, likelihood in tried.items()}
            top = max(score, key=score.__getitem__)
            if top == middle and len(score) == 3:
                a, b, c = score[low], score[middle], score[high]
                top = _vertex(low, middle, high, a, b, c)
                at[place] = top
                best = evidence(tuple(at))
                if with_prior(top, place, best) < score[middle]:
                    at[place], best = middle, tried[middle]
            else:
                at[place], best = top, tried[top]
    return tuple(at)


def _vertex(low: float, middle: float, high: float, a: float, b: float, c: float) -> float:
    """Where a parabola through three points is greatest, the middle one being the highest."""
    left, right = middle - low, high - middle
    lower = left * right * (left + right)
    curve = (left * (c - b) + right * (a - b)) / lower
    slope = (left**2 * (c - b) - right**2 * (a - b)) / lower
    return float(np.clip(middle - slope / (2.0 * curve), low, high)) if curve < 0 else middle
