"""What later readings teach about fills, and what is then believed of each fill: one joint posterior.

There are several estimates of what a fill settles to: by the heat balance from its stop pressure, by its wall's
temperature, by a check gauge next day, by the filling gauge when the cylinder comes back unused, by a transmitter in
the water. Each is an estimate of the same number. It is off by causes that it shares with other estimates (a gauge
reads high, a wall is heavier than thought, a room is draughtier) and by noise of its own:

    settled pressure = estimate + Σ lever × cause + noise

Causes are a few numbers with priors. Where a fill has two estimates, their difference tells of the causes alone, as
the fill's own pressure cancels; given the causes, its pressure is the weighted mean of its estimates. Both follow
from one likelihood, so no reading teaches and is weighed again. Linear and Gaussian, so the answer is closed:
normal equations that grow with each reading. Readings far off count little (Student t). Units are many and each
touches only its own fills: their cause is eliminated first, which keeps the matrix small.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.linalg import lapack

from shared.filling.settling_causes import NONE, Causes, Estimates, Fills
from shared.filling.settling_posterior import Posterior

Array = NDArray[np.float64]

TAIL_DEGREES = 4.0
"""Degrees of freedom of the readings' errors: heavy tails, after common practice in robust regression."""
WEIGHT_OF_NORMAL, SCATTER_OF_NORMAL = 1.0534, 0.7863
"""Mean weight, and mean weight × square, of standard normal errors under these tails (quadrature): dividing by
them makes information and scatter right for errors that are normal after all."""
NOISE_PRIOR_READINGS = 8.0
"""So many readings' worth of trust in the stated noise before the data's own scatter counts."""
READING_SHARE = 0.75
"""Share of a reading's stated variance that is counted as its own when the heat balance's is taken from it."""
LEAST_NOISE_SCALE, MOST_SCATTER = 0.3, 9.0
MANY = 0.3
AT_ONCE = 2000
UNUSED, SLIGHT_USE, USE = 0.6, 0.1 / 15.0, 0.3 / 220.0
"""Of cylinders that may have come back unused: the share that did, and the share a bar that was used a little (15
bar at most) or more. Judgement, no source."""
SLIGHT_USE_BAR = 15.0


@dataclass(frozen=True)
class Prediction:
    """Settled pressures, bar, with their SD."""

    bar: Array
    sd_bar: Array


@dataclass(frozen=True)
class _Mean:
    """Weighted means of fills' estimates: value, noise variance of their own, levers on the causes in `columns`."""

    bar: Array
    variance: Array
    columns: NDArray
    levers: Array
    own_per: Array


class Belief:
    """What is believed of causes and fills after some readings, for one speed at which gauges may walk.

    Start from the prior, `learn` in the order of time, ask `settled`.
    """

    def __init__(self, causes: Causes, estimates: Estimates, fills: Fills, walk_sd: float = 0.2):
        self.causes, self.estimates, self.fills, self.walk_sd = causes, estimates, fills, walk_sd
        p, units = len(causes), len(causes.own_levels)
        self._information = causes.prior_information + causes.walk_information / walk_sd**2
        self._information_vector = np.zeros(p)
        self._own_information = np.full(units, 1.0 / causes.own_sd**2)
        self._own_information_vector = np.zeros(units)
        self._cross = np.zeros((units, p))
        self._scatter, self._weight = NOISE_PRIOR_READINGS, NOISE_PRIOR_READINGS
        self.trust = np.ones(len(estimates.bar))
        self.readings = 0
        self._solve()

    @classmethod
    def taken_up(cls, posterior: Posterior, causes: Causes, estimates: Estimates, fills: Fills) -> "Belief":
        """What was believed once, of other fills: it can be asked, and weighs their readings, but learns no more."""
        made, known = cls.__new__(cls), posterior.over(causes)
        made.causes, made.estimates, made.fills, made.walk_sd = causes, estimates, fills, known.walk_sd
        made.mean, made.covariance, made.own_mean = known.mean, known.covariance, known.own_mean
        made._own_variance, made._own_to_shared = known.own_variance, known.own_to_shared
        made._scatter, made._weight, made.readings = known.scatter, known.weight, known.readings
        made.trust = np.ones(len(estimates.bar))
        return made

    def posterior(self, log_weight: float = 0.0) -> Posterior:
        """What is believed now, by the names of the causes."""
        return Posterior(
            self.walk_sd, log_weight, list(self.causes.column), [str(u) for u in self.causes.own_levels],
            self.mean, self.covariance, self.own_mean, self._own_variance, self._own_to_shared,
            self._scatter, self._weight, self.readings,
        )  # fmt: skip

    @property
    def noise_scale(self) -> float:
        """How many times its stated noise (as SD) the heat balance really scatters."""
        return float(np.sqrt(max(self._scatter / self._weight, LEAST_NOISE_SCALE**2)))

    def _solve(self) -> None:
        share = self._cross / self._own_information[:, None]
        schur = self._information - self._cross.T @ share
        self.covariance = _inverse(schur)
        self.mean = self.covariance @ (self._information_vector - share.T @ self._own_information_vector)
        self.own_mean = (self._own_information_vector - self._cross @ self.mean) / self._own_information
        self._own_to_shared = -share @ self.covariance
        self._own_variance = 1.0 / self._own_information - np.einsum("ij,ij->i", self._own_to_shared, share)

    def of_causes(self, columns: NDArray, levers: Array, own: NDArray, own_per: Array) -> tuple[Array, Array]:
        """Mean and variance of Σ lever × cause, bar and bar², with levers (rows, columns) on these causes alone."""
        mean = levers @ self.mean[columns] + own_per * self.own_mean[own]
        variance = np.einsum("ij,ij->i", levers @ self.covariance[np.ix_(columns, columns)], levers)
        variance += own_per**2 * self._own_variance[own]
        variance += 2.0 * own_per * np.einsum("ij,ij->i", self._own_to_shared[own[:, None], columns], levers)
        return mean, np.maximum(variance, 0.0)

    def _columns(self, fills: NDArray) -> NDArray:
        """The causes that act on any estimate of some fills: of fills of some months few."""
        f = self.fills
        rows = np.concatenate([f.model[fills], f.wall[fills], f.readings[:, fills].ravel()])
        return self.estimates.acting(rows, len(self.causes))

    def _weighted(self, fills: NDArray, ranks: Sequence[int], at_stop: bool = True) -> _Mean:
        """Mean of what was known of some fills at stop and of these ranks of readings."""
        e, f, columns = self.estimates, self.fills, self._columns(fills)
        model, wall = f.model[fills], f.wall[fills]
        of_model = 1.0 / (self.noise_scale * e.sd_bar[model]) ** 2
        of_wall = np.where(wall >= 0, self.trust[wall] / e.sd_bar[wall] ** 2, 0.0)
        together = 1.0 / (1.0 / (of_model + of_wall) + f.stop_sd_bar[fills] ** 2) if at_stop else np.zeros(len(fills))
        share = of_wall / (of_model + of_wall)
        later = f.readings[list(ranks)][:, fills]
        rows = np.vstack([model, wall, later])
        weight = np.vstack(
            [
                together * (1.0 - share),
                together * share,
                np.where(later >= 0, self.trust[later] / e.sd_bar[later] ** 2, 0.0),
            ]
        )
        total = np.maximum(weight.sum(axis=0), 1e-9)
        parts = weight / total
        bar = np.where(weight > 0, e.bar[rows] * parts, 0.0).sum(axis=0)
        own_per = (parts * e.own_per[rows]).sum(axis=0)
        return _Mean(bar, 1.0 / total, columns, e.levers(rows, parts, columns, len(self.causes)), own_per)

    def settled(self, fills: NDArray, ranks: Sequence[int] | None = None, at_stop: bool = True) -> Prediction:
        """Settled pressure of some fills from all their estimates, or from these ranks of readings only; with what was
        known at stop, unless not `at_stop`.
        """
        asked = range(len(self.fills.readings)) if ranks is None else ranks
        return _in_chunks(lambda some: self._settled(some, asked, at_stop), fills)

    def _settled(self, fills: NDArray, ranks: Sequence[int], at_stop: bool) -> Prediction:
        known = self._weighted(fills, ranks, at_stop)
        own = self.estimates.own[self.fills.model[fills]]
        mean, variance = self.of_causes(known.columns, known.levers, own, known.own_per)
        return Prediction(known.bar + mean, np.sqrt(variance + known.variance))

    def settled_unlearned(self, fills: NDArray, least_trust: float = 0.0) -> Prediction:
        """As `settled`, of fills whose own readings have taught nothing yet: each is trusted as far as it deserves; a
        firm one that deserves less than `least_trust` is left out.
        """
        learned = self.trust.copy()
        self._weigh(fills)
        rows = self.fills.readings[:, fills]
        rows = rows[rows >= 0]
        self.trust[rows[self.estimates.firm[rows] & (self.trust[rows] < least_trust)]] = 0.0
        said = self.settled(fills)
        self.trust = learned
        return said

    def share_at_stop(self, fills: NDArray) -> Array:
        """What share of a fill's belief rests on what was known at stop, 1 without any later reading."""
        e, row = self.estimates, self.fills.readings[:, fills]
        later = np.where(row >= 0, self.trust[row] / e.sd_bar[row] ** 2, 0.0).sum(axis=0)
        model, wall = self.fills.model[fills], self.fills.wall[fills]
        known = 1.0 / (self.noise_scale * e.sd_bar[model]) ** 2
        known = known + np.where(wall >= 0, self.trust[wall] / e.sd_bar[wall] ** 2, 0.0)
        first = 1.0 / (1.0 / known + self.fills.stop_sd_bar[fills] ** 2)
        return first / (first + later)

    def effect(self, fills: NDArray) -> Prediction:
        """What the causes come to in the heat balance's estimate of some fills: a correction, bar."""
        return _in_chunks(self._effect, fills)

    def _effect(self, fills: NDArray) -> Prediction:
        e, row = self.estimates, self.fills.model[fills]
        columns = e.acting(row, len(self.causes))
        levers = e.levers(row[None], np.ones((1, len(row))), columns, len(self.causes))
        mean, variance = self.of_causes(columns, levers, e.own[row], e.own_per[row])
        return Prediction(mean, np.sqrt(variance))

    def reading(self, fills: NDArray, rank: int, ranks: Sequence[int] = ()) -> Prediction:
        """What the reading of a rank should come to, by what was known at stop and of other ranks; its noise in it."""
        return _in_chunks(lambda some: self._against(some, rank, ranks)[0], fills)

    def _against(self, fills: NDArray, rank: int, ranks: Sequence[int]) -> tuple[Prediction, _Mean, Array, Array]:
        """A rank's reading by the others, those others, and its levers and unit lever less theirs.

        A rank of -1 is the wall, by the heat balance alone.
        """
        e = self.estimates
        if rank == NONE:
            row, model = self.fills.wall[fills], self.fills.model[fills]
            columns, one = self._columns(fills), np.ones((1, len(fills)))
            known = _Mean(
                e.bar[model], (self.noise_scale * e.sd_bar[model]) ** 2, columns,
                e.levers(model[None], one, columns, len(self.causes)), e.own_per[model],
            )  # fmt: skip
        else:
            row = self.fills.readings[rank, fills]
            known = self._weighted(fills, ranks)
        its_own = e.levers(row[None], np.ones((1, len(row))), known.columns, len(self.causes))
        levers, own_per = known.levers - its_own, known.own_per - e.own_per[row]
        mean, variance = self.of_causes(known.columns, levers, e.own[row], own_per)
        sd = np.sqrt(known.variance + e.sd_bar[row] ** 2 + variance)
        return Prediction(known.bar + mean, sd), known, levers, own_per

    def learn(self, fills: NDArray, ranks: NDArray) -> None:
        """Add readings, in the order in which they became known: of each of some fills that of a rank (-1: its wall).

        Weights come from what was believed before these readings; where they are many against those known, once more
        from what is believed with them.
        """
        if not len(fills):
            return
        turns = 1 if len(fills) < MANY * self.readings else 4
        before, foreseen = self._state(), []
        for turn in range(turns):
            parts = []
            for rank in np.unique(ranks):
                at = fills[ranks == rank]
                row = self.fills.wall[at] if rank == NONE else self.fills.readings[rank, at]
                said, known, levers, own_per = self._against(at, rank, range(max(rank, 0)))
                off = self.estimates.bar[row] - said.bar
                self.trust[row] = self._trusted(row, off, said.sd_bar)
                parts.append((row, known, levers, own_per))
                if turn == 0:  # what was believed without these readings tells the noise, not what fits them
                    foreseen.append((row, known.variance, off, said.sd_bar, self.fills.stop_sd_bar[at] ** 2))
            self._restore(before)
            for part in parts:
                self._add(*part)
            for seen in foreseen:
                self._scatter_of(*seen)
            self._solve()
        self.readings += len(fills)

    def learn_cause(self, levers: Array, value: float, sd: float) -> None:
        """Add what was found out about causes themselves, such as a gauge's offset on a calibrator."""
        self._information += np.outer(levers, levers) / sd**2
        self._information_vector += levers * (value / sd**2)
        self._solve()

    def _trusted(self, row: NDArray, off_bar: Array, sd_bar: Array) -> Array:
        """How far each reading is to be believed, 1 for one as near as expected."""
        far = (off_bar / sd_bar) ** 2
        weight = (TAIL_DEGREES + 1.0) / (TAIL_DEGREES + far) / WEIGHT_OF_NORMAL
        # lower than expected, a cylinder that came back may have been used after all
        unused = UNUSED * np.exp(-0.5 * np.minimum(far, 200.0)) / (np.sqrt(2.0 * np.pi) * sd_bar)
        used = USE + np.where((off_bar < 0) & (off_bar > -SLIGHT_USE_BAR), SLIGHT_USE, 0.0)
        return np.maximum(np.where(self.estimates.unused[row], weight * unused / (unused + used), weight), 1e-6)

    def _add(self, row: NDArray, known: _Mean, levers: Array, own_per: Array) -> None:
        e, units = self.estimates, len(self._own_information)
        precision = 1.0 / (known.variance + e.sd_bar[row] ** 2 / self.trust[row])
        error, own = e.bar[row] - known.bar, e.own[row]
        weighted, columns = levers * precision[:, None], known.columns
        self._information[np.ix_(columns, columns)] += levers.T @ weighted
        self._information_vector[columns] += weighted.T @ error
        self._own_information += np.bincount(own, precision * own_per**2, minlength=units)
        self._own_information_vector += np.bincount(own, precision * own_per * error, minlength=units)
        by_unit = sparse.csr_matrix((own_per, (own, np.arange(len(own)))), shape=(units, len(own)))
        self._cross[:, columns] += by_unit @ weighted

    def _scatter_of(
        self, row: NDArray, known_variance: Array, off_bar: Array, sd_bar: Array, stop_variance: Array
    ) -> None:
        """Learn how large the heat balance's own noise is, from firm readings."""
        firm = np.flatnonzero(self.estimates.firm[row])
        if not firm.size:
            return
        scale2 = self._scatter / self._weight
        off, variance, trust = off_bar[firm], sd_bar[firm] ** 2, self.trust[row[firm]]
        # a reading's own noise is stated with care; taken whole it would leave too little for the heat balance
        variance = variance - (1.0 - READING_SHARE) * self.estimates.sd_bar[row[firm]] ** 2
        of_model = np.maximum(known_variance[firm] - stop_variance[firm], 1e-4)
        # what the square leaves once everything else has its share, as a multiple of the noise stated for it; a
        # reading says it the better the more of its variance is this noise
        square = trust * off**2 * WEIGHT_OF_NORMAL / SCATTER_OF_NORMAL - (variance - of_model)
        counts = (of_model / variance) ** 2
        self._scatter += float(np.sum(counts * scale2 * np.clip(square / of_model, -MOST_SCATTER, MOST_SCATTER)))
        self._weight += float(np.sum(counts))

    def _state(self):
        return (
            self._information.copy(),
            self._information_vector.copy(),
            self._own_information.copy(),
            self._own_information_vector.copy(),
            self._cross.copy(),
            self._scatter,
            self._weight,
        )

    def _restore(self, state) -> None:
        arrays, (self._scatter, self._weight) = state[:5], state[5:]
        (
            self._information,
            self._information_vector,
            self._own_information,
            self._own_information_vector,
            self._cross,
        ) = (a.copy() for a in arrays)

    def weigh_again(self) -> None:
        """Judge all readings by what is believed in the end, each by all others of its fill."""
        self._weigh(np.arange(len(self.fills)))

    def _weigh(self, fills: NDArray) -> None:
        """Judge the readings of some fills by what is believed now, each by all others of its fill."""
        for rank in range(NONE, len(self.fills.readings)):
            row = (self.fills.wall if rank == NONE else self.fills.readings[rank])[fills]
            on = np.flatnonzero(row >= 0)
            if on.size:
                others = [r for r in range(len(self.fills.readings)) if r != rank]
                said = self.reading(fills[on], rank, others)
                row = row[on]
                self.trust[row] = self._trusted(row, self.estimates.bar[row] - said.bar, said.sd_bar)


def _in_chunks(ask: Callable[[NDArray], Prediction], fills: NDArray) -> Prediction:
    """What is asked of fills, of some thousands at a time: on fills of one time few causes act."""
    if len(fills) <= AT_ONCE:
        return ask(fills)
    said = [ask(fills[first : first + AT_ONCE]) for first in range(0, len(fills), AT_ONCE)]
    return Prediction(np.concatenate([s.bar for s in said]), np.concatenate([s.sd_bar for s in said]))


def _inverse(positive: Array) -> Array:
    """Inverse of a positive definite matrix, symmetric to the last bit."""
    if not len(positive):
        return positive
    factor, trouble = lapack.dpotrf(positive, lower=1)
    if trouble == 0:
        lower, trouble = lapack.dpotri(factor, lower=1)
    if trouble != 0:
        raise np.linalg.LinAlgError("The information of causes is not positive definite.")
    return np.tril(lower) + np.tril(lower, -1).T
