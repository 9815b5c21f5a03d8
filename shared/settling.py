"""What settled fills teach: a correction of predicted settled pressures, with how sure it is.

A prediction from the heat balance is off because a gauge reads high, a wall is heavier than thought, a room
is draughtier. Each such cause is one number per level (this gauge, this unit, this station), with a prior; a
settled reading says what their sum, each times how much it matters for that fill, comes to. That is linear
and Gaussian, so the answer is closed: normal equations that grow with each reading. Readings far off count
little (Student t), so one rogue does not move the model. Units are many and each touches only its own fills:
they are eliminated first, which keeps the matrix small.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

TAIL_DEGREES = 4.0
"""Degrees of freedom of the readings' errors: heavy tails, after common practice in robust regression."""
WEIGHT_OF_NORMAL, SCATTER_OF_NORMAL = 1.0534, 0.7863
"""Mean weight, and mean weight × square, of standard normal errors under these tails (quadrature): dividing by
them makes information and scatter right for errors that are normal after all."""
NOISE_PRIOR_READINGS = 12.0
"""So many readings' worth of trust in the stated noise before the data's own scatter counts."""
MANY = 0.3
WALK_SDS = {0.2: 0.8, 0.8: 0.2}
"""How far a gauge may move in a month (SD, bar), and how likely each is to begin with. Judgement, no source."""
Z80 = 1.2815515655446004
"""Half width of an 80 % interval in standard deviations of a normal distribution."""


@dataclass(frozen=True)
class Term:
    """One cause of error, at one kind of level, for n fills.

    `of` names the parameter group (terms of one group share their numbers), `level` says which of `levels` acts on
    each fill (-1 for none), `per` how many bar of settled pressure one unit of it makes.
    `prior_sd` is in that unit; `stated` gives some levels a (mean, SD) of their own. With `step` the numbers of one
    level are a random walk over those whole steps of time from zero before the first; how far it walks in a step is
    `walk_sd` of the fit, times `prior_sd`.
    """

    of: str
    level: NDArray
    levels: Sequence[str]
    per: Array
    prior_sd: float
    stated: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    step: NDArray | None = None


@dataclass(frozen=True)
class Design:
    """Terms turned into indices: `index[t]` is each fill's column of term t (-1: none), `own` the unit's."""

    columns: dict[tuple[str, str, int], int]
    prior_information: Array
    walk_information: Array
    prior_pull: Array
    index: NDArray
    per: Array
    own: NDArray
    own_per: Array
    own_levels: NDArray
    own_sd: float

    def rows(self, rows: NDArray) -> "Design":
        """The same for some of the fills."""
        return replace(
            self, index=self.index[:, rows], per=self.per[:, rows], own=self.own[rows], own_per=self.own_per[rows]
        )

    def without(self, terms: Sequence[int]) -> "Design":
        """The same with some terms, by place, out of action: what acts on a reading but not on the fill."""
        per = self.per.copy()
        per[list(terms)] = 0.0
        return replace(self, per=per)


def design(terms: Sequence[Term], own: Term) -> Design:
    """Number the levels of all terms; `own` is the term of the many units, eliminated in the fit."""
    columns: dict[tuple[str, str, int], int] = {}
    prior: list[tuple[int, int, float, bool]] = []
    pull: list[float] = []
    index, per = [], []
    for term in terms:
        code = np.asarray(term.level, int)
        step = np.zeros(len(code), int) if term.step is None else np.asarray(term.step, int)
        lowest = int(step.min(initial=0))
        span = int(step.max(initial=0)) - lowest + 1
        keys, of = np.unique((code + 1) * span + (step - lowest), return_inverse=True)
        pairs = np.column_stack([keys // span - 1, keys % span + lowest])
        place = np.full(len(pairs), -1)
        before: tuple[str, int, int] | None = None
        for i, (kind, at) in enumerate(pairs):
            if kind < 0:
                continue
            level = str(term.levels[kind])
            key = (term.of, level, int(at))
            new = key not in columns
            if new:
                columns[key] = len(pull)
                mean, sd = term.stated.get(level, (0.0, term.prior_sd)) if term.step is None else (0.0, 0.0)
                pull.append(mean / sd**2 if sd else 0.0)
                if term.step is None:
                    prior.append((columns[key], columns[key], sd, False))
                elif before is not None and before[0] == level:
                    prior.append((columns[key], before[2], term.prior_sd * np.sqrt(float(at - before[1])), True))
                else:
                    prior.append((columns[key], columns[key], term.prior_sd, True))
            place[i] = columns[key]
            before = (level, int(at), columns[key])
        index.append(place[of.ravel()])
        per.append(np.nan_to_num(np.asarray(term.per, float)))
    information, walk = np.zeros((2, len(pull), len(pull)))
    for one, other, sd, walks in prior:
        into, precision = (walk if walks else information), 1.0 / sd**2
        into[one, one] += precision
        if other != one:
            into[other, other] += precision
            into[one, other] -= precision
            into[other, one] -= precision
    return Design(
        columns, information, walk, np.array(pull), np.array(index), np.array(per), np.asarray(own.level, int),
        np.nan_to_num(np.asarray(own.per, float)), np.asarray(own.levels, dtype=object), own.prior_sd,
    )


@dataclass(frozen=True)
class Correction:
    """A correction of predicted settled pressures, bar, and the SD of what was learned."""

    mean_bar: Array
    sd_bar: Array


class SettlingFit:
    """What is known after some readings. Start from the prior, `learn` in the order of time, ask `correct`."""

    def __init__(self, design: Design, walk_sd: float = 0.2):
        self.design = design
        p, units = len(design.prior_pull), len(design.own_levels)
        self._information = design.prior_information + design.walk_information / walk_sd**2
        self._pull = design.prior_pull.copy()
        self._own_information = np.full(units, 1.0 / design.own_sd**2)
        self._own_pull = np.zeros(units)
        self._cross = np.zeros((units, p))
        self._scatter, self._weight = NOISE_PRIOR_READINGS, NOISE_PRIOR_READINGS
        self.readings = 0
        self._solve()

    @property
    def noise_scale(self) -> float:
        """How many times the stated noise (as SD) the readings really scatter."""
        return float(np.sqrt(self._scatter / self._weight))

    def _solve(self) -> None:
        share = self._cross / self._own_information[:, None]
        schur = self._information - self._cross.T @ share
        self.covariance = np.linalg.inv(0.5 * (schur + schur.T))
        self.mean = self.covariance @ (self._pull - share.T @ self._own_pull)
        self.own_mean = (self._own_pull - self._cross @ self.mean) / self._own_information
        self._own_to_shared = -share @ self.covariance
        self._own_variance = 1.0 / self._own_information - np.einsum("ij,ij->i", self._own_to_shared, share)

    def correct(self, rows: Design) -> Correction:
        """Correction for fills numbered by the same design (see `Design.rows`)."""
        mean = rows.own_per * self.own_mean[rows.own]
        variance = rows.own_per**2 * self._own_variance[rows.own]
        acts = [np.where(i >= 0, v, 0.0) for i, v in zip(rows.index, rows.per, strict=True)]
        at = [np.maximum(i, 0) for i in rows.index]
        for a, (i, v) in enumerate(zip(at, acts, strict=True)):
            mean = mean + v * self.mean[i]
            variance = variance + 2.0 * v * rows.own_per * self._own_to_shared[rows.own, i]
            for b in range(a, len(at)):
                twice = 1.0 if a == b else 2.0
                variance = variance + twice * v * acts[b] * self.covariance[i, at[b]]
        return Correction(mean, np.sqrt(np.maximum(variance, 0.0)))

    def learn(self, rows: Design, error_bar: Array, noise_sd_bar: Array, firm: NDArray | None = None) -> None:
        """Add readings: `error_bar` is measured less predicted, `noise_sd_bar` its stated noise.

        Only `firm` readings (all, unless said) tell how large the noise really is; the stated noise of the others
        is taken as it is. Weights come from what was believed before these readings; where they are many against
        those known, once more from what is believed with them.
        """
        if not len(error_bar):
            return
        passes = 1 if len(error_bar) < MANY * self.readings else 5
        before = self._state()
        stated = noise_sd_bar**2
        firm = np.ones(len(error_bar), bool) if firm is None else firm
        scale = np.where(firm, self.noise_scale**2, 1.0)
        for turn in range(passes):
            known = self.correct(rows)
            miss = error_bar - known.mean_bar
            spread = scale * stated + (known.sd_bar**2 if turn == 0 else 0.0)
            weight = (TAIL_DEGREES + 1.0) / (TAIL_DEGREES + miss**2 / spread) / WEIGHT_OF_NORMAL
            self._restore(before)
            self._add(rows, error_bar, weight / (scale * stated))
            squares = (weight * miss**2 / (spread / scale))[firm]
            self._scatter += float(squares.sum()) * WEIGHT_OF_NORMAL / SCATTER_OF_NORMAL
            self._weight += int(firm.sum())
            self._solve()
            scale = np.where(firm, self.noise_scale**2, 1.0)
        self.readings += len(error_bar)

    def _state(self):
        return (
            self._information.copy(),
            self._pull.copy(),
            self._own_information.copy(),
            self._own_pull.copy(),
            self._cross.copy(),
            self._scatter,
            self._weight,
        )

    def _restore(self, state) -> None:
        arrays, (self._scatter, self._weight) = state[:5], state[5:]
        self._information, self._pull, self._own_information, self._own_pull, self._cross = (
            a.copy() for a in arrays
        )

    def _add(self, rows: Design, error: Array, precision: Array) -> None:
        p, units = len(self.mean), len(self._own_information)
        self._own_information += np.bincount(rows.own, precision * rows.own_per**2, minlength=units)
        self._own_pull += np.bincount(rows.own, precision * rows.own_per * error, minlength=units)
        for i, v in zip(rows.index, rows.per, strict=True):
            on = i >= 0
            w = precision[on] * v[on]
            self._pull += np.bincount(i[on], w * error[on], minlength=p)
            np.add.at(self._cross, (rows.own[on], i[on]), w * rows.own_per[on])
            for j, u in zip(rows.index, rows.per, strict=True):
                both = on & (j >= 0)
                np.add.at(self._information, (i[both], j[both]), precision[both] * v[both] * u[both])


class SettlingFits:
    """Several fits that differ in how far gauges may walk, weighed by how well each foretold what came.

    A gauge that stays and one that drifts ask for different memories; the readings decide. Weights start from
    `WALK_SDS` and follow the density that each fit gave to readings before it knew them.
    """

    def __init__(self, design: Design):
        self.fits = [SettlingFit(design, sd) for sd in WALK_SDS]
        self._score = np.log(list(WALK_SDS.values()))

    @property
    def weight(self) -> Array:
        """Weight of each fit; they add to one."""
        w = np.exp(self._score - self._score.max())
        return w / w.sum()

    @property
    def best(self) -> SettlingFit:
        """The fit that foretold best."""
        return self.fits[int(np.argmax(self._score))]

    def learn(self, rows: Design, error_bar: Array, noise_sd_bar: Array, firm: NDArray | None = None) -> None:
        """As `SettlingFit.learn`, in each."""
        for fit in self.fits:
            fit.learn(rows, error_bar, noise_sd_bar, firm)

    def score(self, rows: Design, error_bar: Array, noise_sd_bar: Array) -> None:
        """Weigh the fits by readings that none of them has learned from."""
        for i, fit in enumerate(self.fits):
            told = fit.correct(rows)
            sd = np.hypot(told.sd_bar, fit.noise_scale * noise_sd_bar)
            off = np.minimum(((error_bar - told.mean_bar) / sd) ** 2, 9.0)
            self._score[i] += float(np.sum(-0.5 * off - np.log(sd)))

    def foretell(self, rows: Design, noise_sd_bar: Array) -> Correction:
        """Correction and the SD of one fill's settled pressure, its own noise included."""
        mean, square = np.zeros(len(noise_sd_bar)), np.zeros(len(noise_sd_bar))
        for w, fit in zip(self.weight, self.fits, strict=True):
            if w < 1e-4:
                continue
            told = fit.correct(rows)
            mean += w * told.mean_bar
            square += w * (told.sd_bar**2 + (fit.noise_scale * noise_sd_bar) ** 2 + told.mean_bar**2)
        return Correction(mean, np.sqrt(np.maximum(square - mean**2, 1e-12)))


def growing_blocks(known_before: NDArray, *, growth: float = 1.2) -> NDArray:
    """Cut fills in the order of time into blocks that are predicted from one state of knowledge.

    Parameters
    ----------
    known_before : ndarray of int
        For each fill, in the order of time, how many readings were known before it.

    Returns
    -------
    ndarray
        First position of each block: a new one begins whenever the number of known readings has grown by
        a fifth, so 100,000 readings make about sixty fits.
    """
    levels = [0.0]
    while levels[-1] <= known_before.max(initial=0):
        levels.append(max(levels[-1] + 1.0, levels[-1] * growth))
    step = np.searchsorted(np.asarray(levels), known_before, side="right")
    return np.concatenate([[0], np.flatnonzero(np.diff(step)) + 1]).astype(int)
