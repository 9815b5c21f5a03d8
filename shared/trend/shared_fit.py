"""Learning, month by month, what all members share: effects, population, how many change and scatter how much.

A member's filters (`shared.trend.filters`) hold all that a fit asks of its dives: the cross products of
each class. So a fit takes a few rounds of expectation and maximisation over members and classes, however
many dives there are, and a new month only leads the filters on. Weak priors hold what few members cannot.
"""

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from scipy.special import expit, ndtr

from shared.trend.filters import Levels, Tracks, advance
from shared.trend.level import (
    CONDITIONS,
    EFFECT_PRIOR_SD,
    INNOVATION_EDGES,
    LONGEST_DURATION_MIN,
    OUTLIER_Z,
    REFERENCE_DEPTH_M,
    REFERENCE_DURATION_MIN,
    SCATTERS,
    SHORTEST_DURATION_MIN,
    WALKS,
    Dives,
    Floats,
    Ints,
    SharedModels,
    prior_model,
)
from shared.trend.next_dive import drawn_rows, place_of_next

MEAN_PRIOR_SD = 0.2
BETWEEN_PRIOR_MEMBERS = 4.0
SHARE_PRIOR_MEMBERS = 6.0
TAIL_PRIOR_DIVES = 100.0
KEPT_A_MONTH = 0.97
"""Share of the weight of past innovations that is left a month later: early fits knew little."""

DEPTH, DURATION = CONDITIONS.index("depth"), CONDITIONS.index("duration")
MOST_DURATION_EFFECT, NEWTON_STEPS, LEAST_SPREAD = 0.1, 6, 0.02

LEAST_DIVES_TO_FIT = 10
ROUNDS, FIRST_ROUNDS, CLOSE = 8, 40, 1e-5


def fit_shared(tracks: Tracks, begin: SharedModels, answers: Floats | None = None) -> SharedModels:
    """What all members share, from the dives that the tracks have seen; begins at an earlier fit.

    `answers` are the coefficients of `DurationAnswers.log_jacobian`.

    Returns
    -------
    SharedModels
        One entry. Under 10 dives: as it was.
    """
    if tracks.dives.sum() < LEAST_DIVES_TO_FIT:
        return begin
    seen = tracks.pick(tracks.dives > 0)
    conditions = seen.products.shape[-1] - 2
    prior = prior_model(conditions)
    first = bool((begin.walk_share == prior.walk_share).all())
    model = begin
    for _ in range(FIRST_ROUNDS if first else ROUNDS):
        new = _round(seen, model, prior, np.zeros(4) if answers is None else answers)
        moved = max(np.abs(new.walk_share - model.walk_share).max(), np.abs(new.effects - model.effects).max(),
                    np.abs(new.mean_log - model.mean_log).max())  # fmt: skip
        model = new
        if moved < CLOSE:
            break
    return model


def _round(seen: Tracks, model: SharedModels, prior: SharedModels, answers: Floats) -> SharedModels:
    """One round: how likely each member is of each class, and what fits best if so."""
    between, conditions = model.between_var[0], model.effects.shape[1]
    own = seen.products[..., 1, :]
    precision = own[..., 1] + 1.0 / between
    # the member's own start taken out: Woodbury's identity
    products = seen.products - own[..., :, None] * (own / precision[..., None])[..., None, :]
    by = np.r_[1.0, -model.mean_log[0], -model.effects[0]]
    misfit = ((products * by).sum(axis=-1) * by).sum(axis=-1)
    log_share = model.class_log_share()[0] - 0.5 * (misfit + np.log(precision * between) + seen.log_spread)
    share = np.exp(log_share - log_share.max(axis=1, keepdims=True))
    share /= share.sum(axis=1, keepdims=True)
    normal = (share[..., None, None] * products).sum(axis=(0, 1))
    held = np.r_[1.0 / MEAN_PRIOR_SD**2, 1.0 / EFFECT_PRIOR_SD[:conditions] ** 2]
    hessian = normal[1:, 1:] + np.diag(held)
    target = normal[1:, 0] + held * np.r_[prior.mean_log[0], np.zeros(conditions)]
    found, cov = _with_answers(hessian, target, answers, model)
    by = np.r_[1.0, -found]
    off = (own * by).sum(axis=-1) / precision
    apart = (share * (off**2 + 1.0 / precision)).sum()
    members = len(share)
    between = (apart + BETWEEN_PRIOR_MEMBERS * prior.between_var[0]) / (members + BETWEEN_PRIOR_MEMBERS)
    walks, scatters = (share.sum(axis=0).reshape(len(WALKS), len(SCATTERS)).sum(axis=a) for a in (1, 0))
    weighed = members + SHARE_PRIOR_MEMBERS
    return replace(
        model,
        mean_log=found[:1],
        mean_var=cov[:1, 0],
        between_var=np.array([between]),
        walk_share=(walks[None] + SHARE_PRIOR_MEMBERS * prior.walk_share) / weighed,
        scatter_share=(scatters[None] + SHARE_PRIOR_MEMBERS * prior.scatter_share) / weighed,
        effects=found[None, 1:],
        effects_cov=cov[None, 1:, 1:],
    )


def _with_answers(hessian: Floats, target: Floats, answers: Floats, model: SharedModels) -> tuple[Floats, Floats]:
    """Solve for mean and effects where duration answers to the rate: Newton's steps on one effect."""
    if not answers.any():
        return _floats(np.linalg.solve(hessian, target)), _floats(np.linalg.inv(hessian))
    found = np.r_[model.mean_log[0], model.effects[0]]
    at, power = 1 + DURATION, np.arange(1, 5)
    for _ in range(NEWTON_STEPS):
        effect = found[at]
        slope = target - hessian @ found
        slope[at] += (answers * power * effect ** (power - 1)).sum()
        curved = hessian.copy()
        curved[at, at] -= min((answers[1:] * power[1:] * (power[1:] - 1) * effect ** (power[1:] - 2)).sum(), 0.0)
        found = found + np.linalg.solve(curved, slope)
        found[at] = np.clip(found[at], -MOST_DURATION_EFFECT, MOST_DURATION_EFFECT)
    return _floats(found), _floats(np.linalg.inv(curved))


def _floats(values: Any) -> Floats:
    return np.asarray(values, np.float64)


@dataclass
class DurationAnswers:
    """How far the length of members' dives answers to their rate, instead of the rate to duration.

    A dive that ends when the gas is used up is short because the diver breathed much: with u the duration
    in units of its condition, δ its effect and e the scatter, u = gas/rate, so that the density of the
    scatter is that of the rate only times 1 + δu (full-information likelihood of simultaneous equations).
    Left out, δ is drawn towards -1/u and swallows every change of the rate. Where a plan ends the dive,
    u does not answer and nothing is added. Which of both a member does is seen in what is alike from dive
    to dive: the gas used, or the time at pressure.
    """

    alike: Floats  # sums over each member's dives: 1, log time at pressure, its square, log gas, its square
    powers: Floats  # sums of u to u⁴

    @classmethod
    def none(cls, members: int) -> "DurationAnswers":
        """Nothing seen yet."""
        return cls(np.zeros((members, 5)), np.zeros((members, 4)))

    def add(self, member: Ints, conditions: Floats, log_rmv: Floats, z: Floats) -> None:
        """Take in dives; `z` is how surprising each rate was: wrong records say nothing here."""
        duration = conditions[:, DURATION]
        u = duration + REFERENCE_DURATION_MIN / 10.0
        seen = (duration != 0) & (u > SHORTEST_DURATION_MIN / 10) & (u < LONGEST_DURATION_MIN / 10)
        seen &= np.abs(z) < OUTLIER_Z
        depth_m = np.maximum(REFERENCE_DEPTH_M + 10.0 * conditions[seen, DEPTH], 0.0)
        time = np.log(u[seen] * (1.0 + depth_m / 10.0))
        gas = time + log_rmv[seen]
        np.add.at(self.alike, member[seen], np.column_stack([np.ones(len(gas)), time, time**2, gas, gas**2]))
        np.add.at(self.powers, member[seen], u[seen, None] ** np.arange(1, 5))

    def ended_by_gas(self) -> Floats:
        """Probability that a member's dives are ended by their gas, (m,)."""
        n = np.maximum(self.alike[:, 0], 1.0)
        time, gas = (self.alike[:, i + 1] / n - (self.alike[:, i] / n) ** 2 + LEAST_SPREAD**2 for i in (1, 3))
        return expit(0.5 * np.maximum(n - 2, 0) * np.log(time / gas))

    def log_jacobian(self) -> Floats:
        """Coefficients of δ to δ⁴ in the sum of log(1 + δu) over dives that their gas ended, (4,)."""
        total = (self.ended_by_gas()[:, None] * self.powers).sum(axis=0)
        return total * np.array([1.0, -1.0, 1.0, -1.0]) / np.arange(1, 5)


class Learner:
    """Leads all members' filters through the months and fits what they share before each."""

    def __init__(self, dives: Dives):
        n, conditions = dives.conditions.shape
        self.dives = dives
        self.place = np.cumsum(dives.first_of_member()) - 1
        self.tracks = Tracks.begin(int(self.place[-1]) + 1 if n else 0, conditions)
        self.levels = Levels.blank(n, conditions)
        self.fits: list[SharedModels] = []
        self.fit_of = np.zeros(n, int)
        self.innovations = np.zeros(len(INNOVATION_EDGES) - 1)
        self.drawn = drawn_rows(dives)
        self.answers = DurationAnswers.none(len(self.tracks.dives))

    def next_fit(self, begin: SharedModels) -> SharedModels:
        """The fit of a month, from the dives taken so far."""
        return with_innovations(fit_shared(self.tracks, begin, self.answers.log_jacobian()), self.innovations)

    def take(self, rows, model: SharedModels) -> None:
        """Lead on through a month's dives (sorted places) under that month's fit."""
        self.innovations = KEPT_A_MONTH * self.innovations
        self.fits.append(model)
        if not len(rows):
            return
        self.fit_of[rows] = len(self.fits) - 1
        part = replace(self.dives.keep(rows), member=self.place[rows])
        room = Levels.blank(len(rows), part.conditions.shape[1])
        advance(self.tracks, part, model, np.zeros(len(rows), int), room)
        self.levels.put(rows, room)
        self.answers.add(part.member, part.conditions, part.log_rmv, room.z)
        before = rows[~self.dives.first_of_member()[rows]] - 1
        used, of = np.unique(self.fit_of[before], return_inverse=True)
        if len(before):
            fits = together([self.fits[i] for i in used])
            places = place_of_next(self.dives, self.levels.pick(before), fits, of, before, self.drawn)
            self.innovations = self.innovations + np.histogram(places, INNOVATION_EDGES)[0]


def together(models: list[SharedModels]) -> SharedModels:
    """Fits side by side."""
    return SharedModels(*(np.concatenate([getattr(m, f.name) for m in models]) for f in fields(SharedModels)))


def with_innovations(model: SharedModels, counts: Floats) -> SharedModels:
    """The same fit with these innovations and the percentiles that follow."""
    with_prior = counts + TAIL_PRIOR_DIVES * np.diff(ndtr(INNOVATION_EDGES))
    z_low, z_high = np.interp([0.1, 0.9], np.cumsum(with_prior) / with_prior.sum(), INNOVATION_EDGES[1:])
    return replace(model, innovations=counts[None], z_low=np.array([z_low]), z_high=np.array([z_high]))
