"""What many fitted traces teach about one diver's cylinders and kit, in closed form.

A trace's fit is a normal likelihood in the few unknowns that dives share: how warm the gas starts beside the air,
films, cooling, wing, and how a gauge differs from what the fill says was inside. Each dive scatters around its diver's
common values, divers around their station's, all normally, so what dives teach adds up: one small matrix and one
vector a dive.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shared.diving.tank_grid import DEPARTURES, KNOTS, SHARED, UNKNOWNS, log_steady_precision, steady_precision
from shared.diving.tank_records import TankFits

_FACTORS = np.exp(np.linspace(np.log(0.15), np.log(3.0), 31))
_STATED = np.exp(np.linspace(np.log(0.5), np.log(1.4), 9))
_STATED_LN_SD = 0.3

RATE_SDS = np.exp(np.linspace(np.log(0.05), np.log(0.5), 7))
RATE_LAGS_S = np.exp(np.linspace(np.log(60.0), np.log(600.0), 4))
"""Grid on which the steadiness of a diver's breathing is weighed: scatter as a share, and memory in s."""


def shared_information(fits: TankFits) -> tuple[NDArray, NDArray]:
    """What the readings of each row by themselves say of its shared unknowns.

    Parameters
    ----------
    fits : TankFits
        Fitted with `likelihood`.

    Returns
    -------
    information : ndarray, (rows, shared, shared)
        With all other unknowns integrated out under their priors.
    vector : ndarray, (rows, shared)
        Information times mean. Zeros for a row that was not fitted.
    """
    return _of_block(fits, SHARED)


def _of_block(fits: TankFits, block: slice) -> tuple[NDArray, NDArray]:
    fine = np.isfinite(fits.used_free_l)
    places = np.arange(UNKNOWNS)
    mine, others = places[block], np.setdiff1d(places, places[block])
    information, vector = np.zeros((len(fine), mine.size, mine.size)), np.zeros((len(fine), mine.size))
    if not fine.any():
        return information, vector
    data, its, prior = fits.information[fine], fits.vector[fine], fits.prior_precision[fine]
    rest = data[:, others[:, None], others] + prior[:, others[:, None], others]
    its_rest = its[:, others] + _times(prior[:, others[:, None], others], fits.prior_mean[fine][:, others])
    across = data[:, mine[:, None], others]
    solved = np.linalg.solve(rest, np.concatenate([across.transpose(0, 2, 1), its_rest[:, :, None]], axis=2))
    left = data[:, mine[:, None], mine] - across @ solved[:, :, :-1]
    information[fine] = 0.5 * (left + left.transpose(0, 2, 1))
    vector[fine] = its[:, mine] - (across @ solved[:, :, -1:])[:, :, 0]
    return information, vector


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


def passed_on(
    information: NDArray, vector: NDArray, scatter: NDArray, centre: NDArray | float = 0.0
) -> tuple[NDArray, NDArray]:
    """What is known of a group's common values from one of its members, itself known through a normal likelihood.

    Parameters
    ----------
    information, vector : ndarray, (…, n, n) and (…, n)
        Of the member's values.
    scatter : ndarray, (…, n, n)
        Covariance of members around the common values.
    centre : ndarray, (…, n)
        What is added to the common values for this member.

    Returns
    -------
    information, vector : ndarray
        Of the common values; they add up over members.

    Notes
    -----
    With S the inverse scatter and Q = (Λ + S)⁻¹: information S − S·Q·S, vector S·Q·η less information × centre.
    """
    inverse = np.linalg.inv(scatter)
    share = inverse @ np.linalg.inv(information + inverse)
    of_common = inverse - share @ inverse
    return of_common, _times(share, vector) - _times(of_common, np.broadcast_to(centre, vector.shape))


def posterior(information: NDArray, vector: NDArray, mean: NDArray, covariance: NDArray) -> tuple[NDArray, NDArray]:
    """Mean and covariance after what has been added up, from a normal prior; broadcasts over leading axes."""
    prior = np.linalg.inv(covariance)
    cov = np.linalg.inv(prior + information)
    return _times(
        cov, _times(np.broadcast_to(prior, information.shape), np.broadcast_to(mean, vector.shape)) + vector
    ), cov


def earlier(values: NDArray) -> NDArray:
    """Sums over the rows before each."""
    total = np.cumsum(values, axis=0)
    return np.concatenate([np.zeros_like(total[:1]), total[:-1]])


def spread_evidence(off: ArrayLike, sds: ArrayLike, usual: float = 1.0) -> NDArray:
    """Log likelihoods, (n, stated, spreads), of values that scatter around nothing by usual × a grid of factors.

    Parameters
    ----------
    off, sds : array_like, (n,)
        Estimates, freed of their prior, and how unsure each is; infinite or NaN says nothing.
    usual : float
        The spread that the grid's factors multiply.

    Notes
    -----
    The stated sds are never quite right: too large, they would explain the spread away, so factors on them are
    weighed as well. Estimates beyond four standard deviations are pulled in to that, so that one wild dive does not
    widen all.
    """
    y, s = np.atleast_1d(np.asarray(off, float)), np.atleast_1d(np.asarray(sds, float))
    known = np.isfinite(y) & np.isfinite(s)
    y, s = np.where(known, y, 0.0), np.where(known, s, 1.0)
    reach = 4.0 * np.hypot(s, usual)
    y = np.clip(y, -reach, reach)[:, None, None]
    variance = (_STATED[:, None] * s[:, None, None]) ** 2 + (usual * _FACTORS) ** 2
    return np.where(known[:, None, None], -0.5 * (np.log(variance) + y**2 / variance), 0.0)


def spread_factor(evidence: NDArray, usual: ArrayLike = 1.0, usual_ln_sd: float = 0.5) -> NDArray:
    """Posterior mean of the factor, from sums of `spread_evidence` over its last two axes.

    `usual` and `usual_ln_sd` are the prior's median, (…), and the scatter of its logarithm.
    """
    log_share = evidence - 0.5 * (np.log(_FACTORS / np.asarray(usual, float)[..., None, None]) / usual_ln_sd) ** 2
    log_share = log_share - 0.5 * (np.log(_STATED) / _STATED_LN_SD)[:, None] ** 2
    share = np.exp(log_share - log_share.max(axis=(-2, -1), keepdims=True)).sum(axis=-2)
    return (share @ _FACTORS) / share.sum(axis=-1)


def rate_evidence(fits: TankFits, duration_s: NDArray) -> NDArray:
    """Log likelihoods, (rows, len(RATE_SDS), len(RATE_LAGS_S)), of how steady the diver breathed on each dive.

    The scatter is a share of the fits' reference rate. Zeros for a row that was not fitted.
    """
    fitted = np.flatnonzero(np.isfinite(fits.used_free_l) & np.isfinite(duration_s))
    made = np.zeros((len(duration_s), RATE_SDS.size, RATE_LAGS_S.size))
    information, vector = (part[fitted] for part in _of_block(fits, DEPARTURES))
    duration_s, reference_rate = np.asarray(duration_s)[fitted], fits.reference_rate_l_min[fitted]
    out = made[fitted]
    steady = [steady_precision(duration_s, np.full(len(duration_s), lag)) for lag in RATE_LAGS_S]
    variances = (reference_rate[:, None] * RATE_SDS) ** 2
    # with the vector as one more row and column, one factor gives the determinant and vectorᵀ · both⁻¹ · vector; the
    # corner must lie above that, which is largest where the prior says least
    widest = [information + of_lag / variances[:, -1, None, None] for of_lag in steady]
    solved = [np.linalg.solve(both, vector[:, :, None])[:, :, 0] for both in widest]
    most = np.max([(vector * one).sum(axis=1) for one in solved], axis=0)
    corner = 2.0 * most + 1.0
    beside = np.zeros((len(vector), KNOTS + 1, KNOTS + 1))
    beside[:, KNOTS, :KNOTS] = vector
    beside[:, KNOTS, KNOTS] = corner
    for column, of_lag in enumerate(steady):
        log_steady = log_steady_precision(duration_s, np.full(len(duration_s), RATE_LAGS_S[column]))
        for row, variance in enumerate(variances.T):
            beside[:, :KNOTS, :KNOTS] = information + of_lag / variance[:, None, None]
            diagonal = np.diagonal(np.linalg.cholesky(beside), axis1=1, axis2=2)
            log_both = 2.0 * np.log(diagonal[:, :KNOTS]).sum(axis=1)
            fits_so_well = corner - diagonal[:, KNOTS] ** 2
            out[:, row, column] = 0.5 * (log_steady - KNOTS * np.log(variance) - log_both + fits_so_well)
    made[fitted] = out - out.mean(axis=(1, 2), keepdims=True)
    return made


def steadiness(
    evidence: NDArray, usual_sd: float, usual_sd_ln_sd: float, usual_lag_s: float, usual_lag_ln_sd: float
) -> tuple[NDArray, NDArray]:
    """Scatter of the rate as a share, and its memory in s: posterior means of their logs, (…), from evidence sums."""
    of_sd = -0.5 * (np.log(RATE_SDS / usual_sd) / usual_sd_ln_sd) ** 2
    of_lag = -0.5 * (np.log(RATE_LAGS_S / usual_lag_s) / usual_lag_ln_sd) ** 2
    log_share = evidence + of_sd[:, None] + of_lag
    share = np.exp(log_share - log_share.max(axis=(-2, -1), keepdims=True))
    share /= share.sum(axis=(-2, -1), keepdims=True)
    return np.exp(share.sum(axis=-1) @ np.log(RATE_SDS)), np.exp(share.sum(axis=-2) @ np.log(RATE_LAGS_S))


def _times(matrices: NDArray, vectors: NDArray) -> NDArray:
    return (matrices @ vectors[..., None])[..., 0]
