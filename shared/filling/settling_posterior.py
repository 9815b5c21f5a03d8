"""What a belief came to, by the names of its causes: enough to judge fills that were not there when it was learned."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shared.filling.settling_causes import Array, Causes

Cause = tuple[str, str, int]


@dataclass(frozen=True)
class Posterior:
    """Means and covariances of p causes and u units' own, in units of each cause, and how the readings scattered.

    `log_weight` is how well this belief predicted, against others of the same station (see `Beliefs`).
    """

    walk_sd: float
    log_weight: float
    names: list[Cause]
    units: list[str]
    mean: Array
    covariance: Array
    own_mean: Array
    own_variance: Array
    own_to_shared: Array
    scatter: float
    weight: float
    readings: int

    def over(self, causes: Causes) -> "Posterior":
        """The same over other causes and units: a new one has its prior, and a gauge has walked on since its last step.

        Parameters
        ----------
        causes : Causes
            Those of the fills asked for; causes and units that act on none of them are left out.
        """
        place = {name: i for i, name in enumerate(self.names)}
        names = list(causes.column)
        at = np.full(len(names), -1)
        more = np.zeros((len(names), len(names)))
        for i, name in enumerate(names):
            at[i] = place.get(name, -1)
            if at[i] < 0 and name[0] not in causes.walk_prior_sd:
                more[i, i] = 1.0 / causes.prior_information[i, i]
        for walk in _walks(names, causes.walk_prior_sd):
            self._walk_on(walk, names, causes, place, at, more)
        known = at >= 0
        unit_at = _places(self.units, causes.own_levels)
        unit_known = unit_at >= 0
        both = np.ix_(at, at)
        return Posterior(
            self.walk_sd,
            self.log_weight,
            names,
            list(causes.own_levels),
            np.where(known, self.mean[at], 0.0),
            np.where(np.outer(known, known), self.covariance[both], 0.0) + more,
            np.where(unit_known, self.own_mean[unit_at], 0.0),
            np.where(unit_known, self.own_variance[unit_at], causes.own_sd**2),
            np.where(np.outer(unit_known, known), self.own_to_shared[np.ix_(unit_at, at)], 0.0),
            self.scatter,
            self.weight,
            self.readings,
        )

    def _walk_on(
        self, walk: list[int], names: list[Cause], causes: Causes, place: dict[Cause, int], at: NDArray, more: Array
    ) -> None:
        """Steps after the last one known: that one, and what a gauge may have moved since; before it: the prior."""
        of, level, _ = names[walk[0]]
        variance = (self.walk_sd * causes.walk_prior_sd[of]) ** 2
        known = sorted(step for o, one, step in place if (o, one) == (of, level))
        first = None
        for i in walk:
            step = names[i][2]
            if at[i] >= 0:
                continue
            until = [s for s in known if s < step]
            if until:
                at[i] = place[of, level, until[-1]]
                moved = variance * (step - until[-1])
            else:
                first = step if first is None else first
                moved = variance * (1 + step - first)
            earlier = [j for j in walk if names[j][2] < step and more[j, j] > 0 and at[j] == at[i]]
            for j in earlier:  # what it had moved by then it has moved since
                more[i, j] = more[j, i] = more[j, j]
            more[i, i] = moved


def _walks(names: list[Cause], of: Mapping[str, float]) -> Iterator[list[int]]:
    """Places of the steps of each level that walks, in the order of time."""
    found: dict[tuple[str, str], list[int]] = {}
    for i, name in enumerate(names):
        if name[0] in of:
            found.setdefault(name[:2], []).append(i)
    for walk in found.values():
        yield sorted(walk, key=lambda i: names[i][2])


def _places(units: list[str], asked: NDArray) -> NDArray:
    place = {unit: i for i, unit in enumerate(units)}
    return np.array([place.get(unit, -1) for unit in asked], int)
