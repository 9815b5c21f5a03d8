"""Beliefs that differ in how far gauges may walk, weighed by how well each predicted what came; and when they learn."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from shared.filling.settling import Belief, Prediction
from shared.filling.settling_causes import Array, Causes, Estimates, Fills
from shared.filling.settling_posterior import Posterior

WALK_SDS = {0.2: 0.8, 0.8: 0.2}
"""How far a gauge may move in a month (SD, bar), and how likely each is to begin with. Judgement, no source."""


class Beliefs:
    """Several beliefs that differ in how far gauges may walk, weighed by how well each predicted what came.

    A gauge that stays and one that drifts ask for different memories; the readings decide. Weights start from
    `WALK_SDS` and follow the density that each belief gave to readings before it knew them.
    """

    def __init__(self, causes: Causes, estimates: Estimates, fills: Fills):
        self.beliefs = [Belief(causes, estimates, fills, sd) for sd in WALK_SDS]
        self._score = np.log(list(WALK_SDS.values()))

    @classmethod
    def taken_up(cls, known: Sequence[Posterior], causes: Causes, estimates: Estimates, fills: Fills) -> "Beliefs":
        """As `Belief.taken_up`, of each."""
        made = cls.__new__(cls)
        made.beliefs = [Belief.taken_up(one, causes, estimates, fills) for one in known]
        made._score = np.array([one.log_weight for one in known])
        return made

    def posteriors(self) -> list[Posterior]:
        """What each came to."""
        return [b.posterior(float(score)) for b, score in zip(self.beliefs, self._score, strict=True)]

    @property
    def weight(self) -> Array:
        """Weight of each belief; they add to one."""
        w = np.exp(self._score - self._score.max())
        return w / w.sum()

    @property
    def best(self) -> Belief:
        """The belief that predicted best."""
        return self.beliefs[int(np.argmax(self._score))]

    def learn(self, fills: NDArray, ranks: NDArray) -> None:
        """As `Belief.learn`, in each."""
        for belief in self.beliefs:
            belief.learn(fills, ranks)

    def learn_cause(self, levers: Array, value: float, sd: float) -> None:
        """As `Belief.learn_cause`, in each."""
        for belief in self.beliefs:
            belief.learn_cause(levers, value, sd)

    def weigh_again(self) -> None:
        """As `Belief.weigh_again`, in each."""
        for belief in self.beliefs:
            belief.weigh_again()

    def score(self, fills: NDArray, rank: int) -> None:
        """Weigh the beliefs by readings that none of them has learned from."""
        for i, belief in enumerate(self.beliefs):
            said = belief.reading(fills, rank)
            measured = belief.estimates.bar[belief.fills.readings[rank, fills]]
            off = np.minimum(((measured - said.bar) / said.sd_bar) ** 2, 9.0)
            self._score[i] += float(np.sum(-0.5 * off - np.log(said.sd_bar)))

    def settled(self, fills: NDArray, ranks: Sequence[int] | None = None, at_stop: bool = True) -> Prediction:
        """As `Belief.settled`, over the beliefs."""
        return self._mixed([b.settled(fills, ranks, at_stop) for b in self._that_count()])

    def settled_unlearned(self, fills: NDArray, least_trust: float = 0.0) -> Prediction:
        """As `Belief.settled_unlearned`, over the beliefs."""
        return self._mixed([b.settled_unlearned(fills, least_trust) for b in self._that_count()])

    def reading(self, fills: NDArray, rank: int, ranks: Sequence[int] = ()) -> Prediction:
        """As `Belief.reading`, over the beliefs."""
        return self._mixed([b.reading(fills, rank, ranks) for b in self._that_count()])

    def _that_count(self) -> list[Belief]:
        return [b for w, b in zip(self.weight, self.beliefs, strict=True) if w >= 1e-3]

    def _mixed(self, said: list[Prediction]) -> Prediction:
        if len(said) == 1:
            return said[0]
        weight = self.weight[self.weight >= 1e-3]
        weight = weight / weight.sum()
        mean = np.sum([w * p.bar for w, p in zip(weight, said, strict=True)], axis=0)
        square = np.sum([w * (p.sd_bar**2 + p.bar**2) for w, p in zip(weight, said, strict=True)], axis=0)
        return Prediction(mean, np.sqrt(np.maximum(square - mean**2, 1e-12)))


def growing_blocks(known_before: NDArray, period: NDArray | None = None, *, growth: float = 1.2) -> NDArray:
    """Cut fills in the order of time into blocks that are predicted from one state of knowledge.

    Parameters
    ----------
    known_before : ndarray of int
        For each fill, in the order of time, how many readings were known before it.
    period : ndarray, optional
        The period that each fill falls in, such as its month: what is known in one is not held back in the next.

    Returns
    -------
    ndarray
        First position of each block: a new one begins whenever the number of known readings has grown by
        a fifth, so 100,000 readings make about sixty blocks, and with each period.
    """
    levels = [0.0]
    while levels[-1] <= known_before.max(initial=0):
        levels.append(max(levels[-1] + 1.0, levels[-1] * growth))
    step = np.searchsorted(np.asarray(levels), known_before, side="right")
    new = np.diff(step) != 0
    if period is not None:
        new |= period[1:] != period[:-1]
    return np.concatenate([[0], np.flatnonzero(new) + 1]).astype(int)
