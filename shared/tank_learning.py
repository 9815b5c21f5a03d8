"""What many fitted traces teach about one diver's cylinders, fed back as the prior of each.

A single trace says little about lag, conductance, wing or how far the gas starts from the air; many of
them together say it well. The dives' own values are taken to scatter around a common centre; centre and
spread go by scoring towards their likeliest values, held by priors of their own so that few dives change
little.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray


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


@dataclass(frozen=True)
class Pool:
    """A common centre, how sure it is, and the spread of dives around it."""

    centre: float
    centre_sd: float
    spread: float

    @property
    def sd(self) -> float:
        """Standard deviation of the next one."""
        return float(np.hypot(self.centre_sd, self.spread))


def pool(means: ArrayLike, sds: ArrayLike, now: Pool, first: Pool, counts_as: float = 6.0) -> Pool:
    """One scoring step of a common centre and spread.

    Parameters
    ----------
    means, sds : array_like, (n,)
        Posteriors of the dives' own values, fitted with the prior N(now.centre, now.sd).
    now : Pool
        What they were fitted with.
    first : Pool
        Prior: of the centre N(first.centre, first.centre_sd); of the spread as if `counts_as` dives had shown it.

    Notes
    -----
    With f = 1 − sd²/prior², the share of its own value that a dive's trace shows, a posterior mean scatters
    around the centre with variance f·prior²: the centre's score is Σ(mean − centre)/Σf and the spread's
    Σ((mean − centre)² − f·prior²)/Σf². Steps are bounded and means beyond four spreads pulled in, so that
    one wild dive does not widen all.
    """
    mean, sd = np.asarray(means, float), np.asarray(sds, float)
    use = np.isfinite(mean) & np.isfinite(sd)
    if not use.any():
        return now
    prior = now.sd
    off = np.clip(mean[use] - now.centre, -4.0 * prior, 4.0 * prior)
    shown = np.clip(1.0 - (sd[use] / prior) ** 2, 0.02, 1.0)
    holds = (prior / first.centre_sd) ** 2
    weight = shown.sum() + holds
    step = (off.sum() + holds * (first.centre - now.centre)) / weight
    centre = now.centre + float(
        np.clip(step, -1.5 * first.spread - first.centre_sd, 1.5 * first.spread + first.centre_sd)
    )
    of_square = (shown**2).sum()
    square = prior**2 + (((off - step) ** 2 - shown * prior**2).sum() + counts_as * (first.spread**2 - prior**2)) / (
        of_square + counts_as
    )
    spread = float(np.sqrt(np.clip(square, (0.3 * now.spread) ** 2, (2.0 * max(now.spread, first.spread)) ** 2)))
    return Pool(centre, float(spread / np.sqrt(weight)), max(spread, 0.15 * first.spread))


def pool_variance(values: ArrayLike, usual: float, counts_as: float = 8.0) -> float:
    """A mean square that `usual` holds near where few are known."""
    known = np.asarray(values, float)
    known = known[np.isfinite(known)]
    if known.size:
        known = np.minimum(known, 6.0 * max(float(np.median(known)), 1e-4))
    return float((known.sum() + counts_as * usual) / (known.size + counts_as))


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
