"""The terms of `settling`: estimates of fills' settled pressures, and the causes that estimates share, numbered."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

NONE = -1


@dataclass(frozen=True)
class Term:
    """One kind of cause, for m estimates.

    `of` names the group (terms of one group share their numbers), `level` says which of `levels` acts on each
    estimate (-1: none), `per` how many bar of settled pressure one unit of it makes. `prior_sd` is in that unit;
    `stated` gives some levels an SD of their own. With `step` the numbers of one level are a random walk over those
    whole steps of time from zero before the first; how far it walks in a step is `walk_sd` of the belief, times
    `prior_sd`.
    """

    of: str
    level: NDArray
    levels: Sequence[str]
    per: Array
    prior_sd: float
    stated: Mapping[str, float] = field(default_factory=dict)
    step: NDArray | None = None


@dataclass(frozen=True)
class Causes:
    """All causes but the units' own, numbered, with their prior as an information matrix.

    `walk_prior_sd` says of the groups that walk how far, as a multiple of a belief's `walk_sd`, they do in one step.
    """

    column: dict[tuple[str, str, int], int]
    prior_information: Array
    walk_information: Array
    own_levels: NDArray
    own_sd: float
    walk_prior_sd: Mapping[str, float] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.prior_information)


@dataclass(frozen=True)
class Estimates:
    """m estimates of n fills' settled pressures.

    `column[t]` is the cause of term t that acts on each (-1: none) and `per[t]` its lever; `own` the fill's unit with
    `own_per`. `unused` marks those that hold only if nobody used the cylinder; `firm` those that tell how large the
    heat balance's noise really is.
    """

    bar: Array
    sd_bar: Array
    column: NDArray
    per: Array
    own: NDArray
    own_per: Array
    unused: NDArray
    firm: NDArray

    def acting(self, rows: NDArray, causes: int) -> NDArray:
        """The causes, in order, that act on any of some estimates; a row of -1 has none."""
        acts = np.zeros(causes + 1, bool)
        acts[self.column[:, rows[rows >= 0]]] = True
        return np.flatnonzero(acts[:causes])

    def levers(self, rows: NDArray, parts: Array, columns: NDArray, causes: int) -> Array:
        """Levers of n mixtures of k estimates each, as a dense array (n, columns).

        Parameters
        ----------
        rows, parts : ndarray, (k, n)
            Which estimates, -1 for none, and how much each counts.
        columns : ndarray
            The causes that may act on any of them (see `acting`).
        """
        place = np.full(causes + 1, len(columns))
        place[columns] = np.arange(len(columns))
        # one column more takes what acts on nothing
        wide, n = len(columns) + 1, rows.shape[1]
        at = np.where(rows >= 0, place[self.column[:, rows]], len(columns)) + wide * np.arange(n)
        made = np.bincount(at.ravel(), (self.per[:, rows] * parts).ravel(), minlength=n * wide)
        return made.astype(float, copy=False).reshape(n, wide)[:, :-1]


@dataclass(frozen=True)
class Fills:
    """Which estimates each of n fills has, by their row; -1 for none.

    `model` and `wall` are made at stop and share the stop reading, whose noise is `stop_sd_bar`; `readings` (ranks,
    n) come later, in the order in which they became known.
    """

    model: NDArray
    wall: NDArray
    readings: NDArray
    stop_sd_bar: Array

    def __len__(self) -> int:
        return len(self.model)


def number_causes(terms: Sequence[Term], own: Term) -> tuple[Causes, NDArray, Array]:
    """Number the levels of all terms; `own` is the term of the many units, eliminated in the belief.

    Returns
    -------
    causes : Causes
    column, per : ndarray, (terms, m)
        As in `Estimates`.
    """
    columns: dict[tuple[str, str, int], int] = {}
    prior: list[tuple[int, int, float, bool]] = []
    index, per = [], []
    for term in terms:
        code = np.asarray(term.level, int)
        step = np.zeros(len(code), int) if term.step is None else np.asarray(term.step, int)
        lowest = int(step.min(initial=0))
        span = int(step.max(initial=0)) - lowest + 1
        keys, of = np.unique((code + 1) * span + (step - lowest), return_inverse=True)
        pairs = np.column_stack([keys // span - 1, keys % span + lowest])
        place = np.full(len(pairs), NONE)
        before: tuple[str, int, int] | None = None
        for i, (kind, at) in enumerate(pairs):
            if kind < 0:
                continue
            level = str(term.levels[kind])
            key = (term.of, level, int(at))
            if key not in columns:
                columns[key] = len(columns)
                sd = term.stated.get(level, term.prior_sd)
                if term.step is None:
                    prior.append((columns[key], columns[key], sd, False))
                elif before is not None and before[0] == level:
                    sd = term.prior_sd * np.sqrt(float(at - before[1]))
                    prior.append((columns[key], before[2], sd, True))
                else:
                    prior.append((columns[key], columns[key], term.prior_sd, True))
            place[i] = columns[key]
            before = (level, int(at), columns[key])
        index.append(place[of.ravel()])
        per.append(np.nan_to_num(np.asarray(term.per, float)))
    information, walk = np.zeros((2, len(columns), len(columns)))
    for one, other, sd, walks in prior:
        into, precision = (walk if walks else information), 1.0 / sd**2
        into[one, one] += precision
        if other != one:
            into[other, other] += precision
            into[one, other] -= precision
            into[other, one] -= precision
    walks_sd = {term.of: term.prior_sd for term in terms if term.step is not None}
    causes = Causes(columns, information, walk, np.asarray(own.levels, dtype=object), own.prior_sd, walks_sd)
    return causes, np.array(index), np.array(per)
