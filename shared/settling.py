"""What settled fills teach: a correction of predicted settled pressures, with how sure it is.

A prediction from the heat balance is off because a gauge reads high, a wall is heavier than thought, a room
is draughtier. Each such cause is one number per level (this gauge, this unit, this station), with a prior; a
settled reading says what their sum, each times how much it matters for that fill, comes to. That is linear
and Gaussian, so the answer is closed: normal equations that grow with each reading. Readings far off count
little (Student t), so one rogue does not move the model. Units are many and each touches only its own fills:
they are eliminated first, which keeps the matrix small.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

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
Z80 = 1.2815515655446004
"""Half width of an 80 % interval in standard deviations of a normal distribution."""


@dataclass(frozen=True)
class Term:
    """One cause of error, at one kind of level, for n fills.

    `of` names the parameter group (terms of one group share their numbers), `level` says which of `levels` acts on
    each fill (-1 for none), `per` how many bar of settled pressure one unit of it makes.
    `prior_sd` is in that unit; `stated` gives some levels a (mean, SD) of their own. With `step` the numbers of one
    level are a random walk over those whole steps of time (`prior_sd` for one step, from zero before the first).
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
    prior_pull: Array
    index: NDArray
    per: Array
    own: NDArray
    own_per: Array
    own_levels: NDArray
    own_sd: float

    def rows(self, rows: NDArray) -> "Design":
        """The same for some of the fills."""
        return Design(
            self.columns,
            self.prior_information,
            self.prior_pull,
            self.index[:, rows],
            self.per[:, rows],
            self.own[rows],
            self.own_per[rows],
            self.own_levels,
            self.own_sd,
        )


def design(terms: Sequence[Term], own: Term) -> Design:
    """Number the levels of all terms; `own` is the term of the many units, eliminated in the fit."""
    columns: dict[tuple[str, str, int], int] = {}
    prior: list[tuple[int, int, float]] = []
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
                    prior.append((columns[key], columns[key], sd))
                elif before is not None and before[0] == level:
                    prior.append((columns[key], before[2], term.prior_sd * np.sqrt(float(at - before[1]))))
                else:
                    prior.append((columns[key], columns[key], term.prior_sd))
            place[i] = columns[key]
            before = (level, int(at), columns[key])
        index.append(place[of.ravel()])
        per.append(np.nan_to_num(np.asarray(term.per, float)))
    information = np.zeros((len(pull), len(pull)))
    for one, other, sd in prior:
        precision = 1.0 / sd**2
        information[one, one] += precision
        if other != one:
            information[other, other] += precision
            information[one, other] -= precision
            information[other, one] -= precision
    return Design(
        columns,
        information,
        np.array(pull),
        np.array(index),
        np.array(per),
        np.asarray(own.level, int),
        np.nan_to_num(np.asarray(own.per, float)),
        np.asarray(own.levels, dtype=object),
        own.prior_sd,
    )


@dataclass(frozen=True)
class Correction:
    """A correction of predicted settled pressures, bar, and the SD of what was learned."""

    mean_bar: Array
    sd_bar: Array


class SettlingFit:
    """What is known after some readings. Start from the prior, `learn` in the order of time, ask `correct`."""

    def __init__(self, design: Design):
        self.design = design
        p, units = len(design.prior_pull), len(design.own_levels)
        self._information = design.prior_information.copy()
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

    def learn(self, rows: Design, error_bar: Array, noise_sd_bar: Array) -> None:
        """Add readings: `error_bar` is measured less predicted, `noise_sd_bar` its stated noise.

        Weights come from what was believed before these readings; where they are many against those known, once
        more from what is believed with them.
        """
        if not len(error_bar):
            return
        passes = 1 if len(error_bar) < MANY * self.readings else 3
        before = self._state()
        stated = noise_sd_bar**2
        scale = self.noise_scale**2
        for turn in range(passes):
            known = self.correct(rows)
            miss = error_bar - known.mean_bar
            spread = scale * stated + (known.sd_bar**2 if turn == 0 else 0.0)
            weight = (TAIL_DEGREES + 1.0) / (TAIL_DEGREES + miss**2 / spread) / WEIGHT_OF_NORMAL
            self._restore(before)
            self._add(rows, error_bar, weight / (scale * stated))
            self._scatter += float(
                np.sum(weight * miss**2 / (spread / scale)) * WEIGHT_OF_NORMAL / SCATTER_OF_NORMAL
            )
            self._weight += len(error_bar)
            self._solve()
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
    starts, last = [0], 0
    levels = [0.0]
    while levels[-1] <= (known_before.max(initial=0)):
        levels.append(max(levels[-1] + 1.0, levels[-1] * growth))
    step = np.searchsorted(np.asarray(levels), known_before, side="right")
    changes = np.flatnonzero(np.diff(step)) + 1
    starts = np.concatenate([[last], changes])
    return starts.astype(int)
