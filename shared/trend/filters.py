"""One filter a class for each member, side by side: what is known of a member's level at each dive.

Nothing that a filter multiplies with depends on what all members share. So each runs once over the
columns rate, one and conditions, from a level of zero: with effects b, a member's own start α and
c = (1, -α, -b), the level of the rates corrected for conditions is α + columns·c, and minus twice its log
likelihood is c'Qc with Q the cross products of the whitened errors. Whatever month's fit is asked for,
the answer follows from the same columns (augmented filter; Durbin and Koopman § 5.7 and 6.2, from memory).
"""

from dataclasses import dataclass, fields, replace

import numpy as np

from shared.trend.level import (
    DRIFT_LASTS_DAYS,
    DRIFT_VAR_DAY2,
    SCATTER_VAR,
    WALK_VAR_DAY,
    WEIGHS_LESS_FROM_Z,
    WRONG_FROM_Z,
    Dives,
    Floats,
    Ints,
    SharedModels,
    effects_var,
)

CLASSES = len(SCATTER_VAR)


@dataclass
class Tracks:
    """Where each member's filters stand; m members, G classes, C columns (rate, one, conditions).

    `level`, `drift` (m, G, C) and their variances (m, G) after the last dive of `day`; `products`
    (m, G, C, C) and `log_spread` (m, G) sum whitened errors and log variances over the dives so far.
    """

    dives: Ints
    day: Floats
    level: Floats
    drift: Floats
    level_var: Floats
    level_drift: Floats
    drift_var: Floats
    products: Floats
    log_spread: Floats

    @classmethod
    def begin(cls, members: int, conditions: int) -> "Tracks":
        """Members of whom nothing is known."""
        shape, columns = (members, CLASSES), 2 + conditions
        return cls(
            dives=np.zeros(members, int),
            day=np.zeros(members),
            level=np.zeros((*shape, columns)),
            drift=np.zeros((*shape, columns)),
            level_var=np.zeros(shape),
            level_drift=np.zeros(shape),
            drift_var=np.broadcast_to(DRIFT_VAR_DAY2, shape).copy(),
            products=np.zeros((*shape, columns, columns)),
            log_spread=np.zeros(shape),
        )

    def pick(self, index) -> "Tracks":
        """These members: a view where the index is a slice."""
        return Tracks(*(getattr(self, f.name)[index] for f in fields(self)))

    def put(self, index, other: "Tracks") -> None:
        """Take over these members from another."""
        for f in fields(self):
            getattr(self, f.name)[index] = getattr(other, f.name)


@dataclass(frozen=True)
class Passage:
    """What a stretch of time does to level and drift; of (…) the shape of the gap with classes last."""

    carried: Floats  # of the drift
    reach: Floats  # days' worth of drift that the level moves by
    level_var: Floats
    level_drift: Floats
    drift_var: Floats


def passage(gap_days: Floats, walk_var_day: Floats = WALK_VAR_DAY, drift_var_day2: Floats = DRIFT_VAR_DAY2) -> Passage:
    """Over gaps of (…) days, with classes as the last axis: walk, and a drift that slowly lets go.

    The drift is an Ornstein–Uhlenbeck process; level and drift have the variances of its integral.
    """
    part = np.asarray(gap_days, float)[..., None] / DRIFT_LASTS_DAYS
    lost = -np.expm1(-part)
    carried = 1.0 - lost
    # 2g - 2(1 - e) - (1 - e)^2, positive and of the third order in g
    third = np.where(part < 0.02, part**3 * (2 / 3 - part / 2 + 7 * part**2 / 30), 2 * part - 2 * lost - lost**2)
    size = drift_var_day2 * DRIFT_LASTS_DAYS
    return Passage(
        carried,
        DRIFT_LASTS_DAYS * lost,
        size * DRIFT_LASTS_DAYS * third + walk_var_day * (part * DRIFT_LASTS_DAYS),
        size * lost**2,
        drift_var_day2 * lost * (1.0 + carried),
    )


@dataclass(frozen=True)
class Belief:
    """What is believed of members at one moment under one fit each, at reference conditions; log rate, days.

    By class: `share` (probability), `level`, `drift`, their variances, and `start_off`, `start_precision`,
    `start_conditions` (m, G, K): by how much the member's start lies off the population's mean, how surely, and
    how it moves with the effects.
    """

    share: Floats
    level: Floats
    drift: Floats
    level_var: Floats
    level_drift: Floats
    drift_var: Floats
    level_conditions: Floats
    drift_conditions: Floats
    start_off: Floats
    start_precision: Floats
    start_conditions: Floats


def believe(tracks: Tracks, models: SharedModels, model_of: Ints) -> Belief:
    """Weigh the classes and find level and drift in each, for m members under these fits."""
    mean, effects = models.mean_log[model_of], models.effects[model_of]
    by = np.concatenate([np.ones((len(mean), 1)), -mean[:, None], -effects], axis=1)[:, None, :]
    crossed = (tracks.products * by[:, :, None, :]).sum(axis=-1)
    own = crossed[..., 1]
    precision = tracks.products[..., 1, 1] + 1.0 / models.start_var()[model_of][:, None]
    off = own / precision
    misfit = (crossed * by).sum(axis=-1) - own * off
    spread = np.log(precision * models.start_var()[model_of][:, None]) + tracks.log_spread
    log_share = models.class_log_share()[model_of] - 0.5 * (misfit + spread)
    share = np.exp(log_share - log_share.max(axis=1, keepdims=True))
    share /= share.sum(axis=1, keepdims=True)
    seen_in = tracks.products[..., 1, 2:] / precision[..., None]
    one, tilt = 1.0 - tracks.level[..., 1], tracks.drift[..., 1]
    return Belief(
        share,
        mean[:, None] + (tracks.level * by).sum(axis=-1) + one * off,
        (tracks.drift * by).sum(axis=-1) - tilt * off,
        tracks.level_var + one**2 / precision,
        tracks.level_drift - one * tilt / precision,
        tracks.drift_var + tilt**2 / precision,
        tracks.level[..., 2:] + one[..., None] * seen_in,
        tracks.drift[..., 2:] - tilt[..., None] * seen_in,
        off,
        precision,
        seen_in,
    )


@dataclass(frozen=True)
class Levels:
    """What was known of each member after each of n dives, weighed over the classes; log rate, days.

    `level` and `drift` with their variances and covariance are at reference conditions; `walk_var_day`,
    `drift_var_day2` (by which a drift turns) and `scatter_var` are this member's. `level_conditions` and
    `drift_conditions` (n, K): how far each falls when an effect is one higher, which is the conditions it was
    seen in; with the effects' covariance it says what their uncertainty does to any prediction. `innovation`
    is how far the dive itself fell from what was expected by the dives before it, `z` the same in standard
    deviations, and `weight` (0 to 1) what it counts for.
    """

    level: Floats
    drift: Floats
    level_var: Floats
    level_drift: Floats
    drift_var: Floats
    walk_var_day: Floats
    drift_var_day2: Floats
    scatter_var: Floats
    level_conditions: Floats
    drift_conditions: Floats
    innovation: Floats
    z: Floats
    weight: Floats

    @classmethod
    def blank(cls, n: int, conditions: int) -> "Levels":
        """Room for n rows."""
        return cls(*(np.zeros((n, conditions) if f.name.endswith("conditions") else n) for f in fields(cls)))

    def pick(self, index) -> "Levels":
        """The rows at these places."""
        return Levels(*(getattr(self, f.name)[index] for f in fields(self)))

    def put(self, index, other: "Levels") -> None:
        """Take over these rows from another."""
        for f in fields(self):
            getattr(self, f.name)[index] = getattr(other, f.name)


def _weighed(belief: Belief) -> tuple[Floats, ...]:
    """The first ten of `Levels`: means over classes, variances within and between them."""
    share = belief.share
    mean = [(share * part).sum(axis=1) for part in (belief.level, belief.drift)]
    level_off, drift_off = belief.level - mean[0][:, None], belief.drift - mean[1][:, None]
    spread = [
        (share * part).sum(axis=1)
        for part in (
            belief.level_var + level_off**2,
            belief.level_drift + level_off * drift_off,
            belief.drift_var + drift_off**2,
            WALK_VAR_DAY,
            DRIFT_VAR_DAY2,
            SCATTER_VAR,
        )
    ]
    seen_in = [(share[..., None] * part).sum(axis=1) for part in (belief.level_conditions, belief.drift_conditions)]
    return (*mean, *spread, *seen_in)


@dataclass(frozen=True)
class History:
    """What each of n rows needs for looking back: columns, gains and errors of every class."""

    level: Floats
    drift: Floats
    level_var: Floats
    level_drift: Floats
    drift_var: Floats
    level_gain: Floats
    drift_gain: Floats
    error: Floats
    error_var: Floats
    share: Floats
    start_off: Floats
    start_precision: Floats
    start_conditions: Floats

    @classmethod
    def blank(cls, n: int, conditions: int) -> "History":
        """Room for n rows."""
        wide = {"level": 2, "drift": 2, "error": 2, "start_conditions": 0}
        return cls(
            *(
                np.zeros((n, CLASSES, wide[f.name] + conditions) if f.name in wide else (n, CLASSES))
                for f in fields(cls)
            )
        )


def advance(
    tracks: Tracks,
    dives: Dives,
    models: SharedModels,
    model_of: Ints,
    levels: Levels,
    history: History | None = None,
) -> None:
    """Lead tracks through dives, in place, and write what was known into the dives' rows of `levels`.

    Parameters
    ----------
    tracks : Tracks
        Of all members that `dives.member` names by their place.
    dives : Dives
        n dives, all later than what the tracks have seen.
    models, model_of
        M fits, and which of them holds for each dive's row, (n,).
    levels, history
        Rooms of n rows, filled here.
    """
    if not len(dives):
        return
    starts = np.flatnonzero(dives.first_of_member())
    counts = np.diff(np.r_[starts, len(dives)])
    order = np.argsort(-counts, kind="stable")
    starts, counts = starts[order], counts[order]
    members = dives.member[starts]
    here = tracks.pick(members)
    columns = np.concatenate([dives.log_rmv[:, None], np.ones((len(dives), 1)), dives.conditions], axis=1)
    for step in range(int(counts[0])):
        active = slice(0, int(np.searchsorted(-counts, -step, side="left")))
        row = starts[active] + step
        _one_dive(here.pick(active), dives, columns, row, models, model_of[row], levels, history)
    tracks.put(members, here)


def _one_dive(now: Tracks, dives, columns, row, models, fit, levels: Levels, history: History | None) -> None:
    """The next dive of each of these members; `now` is a view and is moved on."""
    _pass_time(now, np.where(now.dives > 0, np.maximum(dives.day[row] - now.day, 0.0), 0.0))
    off, sd = innovation(now, dives.log_rmv[row], dives.conditions[row], dives.measurement_var[row], models, fit)
    levels.innovation[row], levels.z[row] = off, off / sd
    levels.weight[row] = weight = weight_of(off / sd)
    noise = SCATTER_VAR / weight[:, None] + dives.measurement_var[row][:, None]
    spread = now.level_var + noise
    error = columns[row][:, None, :] - now.level
    level_gain, drift_gain = now.level_var / spread, now.level_drift / spread
    now.level += level_gain[..., None] * error
    now.drift += drift_gain[..., None] * error
    now.drift_var -= drift_gain * now.level_drift
    now.level_drift *= 1.0 - level_gain
    now.level_var *= 1.0 - level_gain
    now.products += error[..., :, None] * (error / spread[..., None])[..., None, :]
    now.log_spread += np.log(spread)
    now.dives += 1
    now.day[:] = dives.day[row]
    after = believe(now, models, fit)
    for f, value in zip(fields(Levels), _weighed(after), strict=False):
        getattr(levels, f.name)[row] = value
    if history is None:
        return
    kept = (
        now.level, now.drift, now.level_var, now.level_drift, now.drift_var, level_gain, drift_gain, error, spread,
        after.share, after.start_off, after.start_precision, after.start_conditions,
    )  # fmt: skip
    for f, value in zip(fields(History), kept, strict=True):
        getattr(history, f.name)[row] = value


def _pass_time(now: Tracks, gap_days: Floats) -> None:
    way = passage(gap_days)
    now.level += way.reach[..., None] * now.drift
    now.drift *= way.carried[..., None]
    now.level_var += way.reach * (2 * now.level_drift + way.reach * now.drift_var) + way.level_var
    now.level_drift += way.reach * now.drift_var
    now.level_drift *= way.carried
    now.level_drift += way.level_drift
    now.drift_var *= way.carried**2
    now.drift_var += way.drift_var


def innovation(now: Tracks, log_rmv, conditions, measurement_var, models, fit: Ints) -> tuple[Floats, Floats]:
    """How far these rates fall from what was expected at their conditions, and the deviation of that, (m,)."""
    before = believe(now, models, fit)
    level = (before.share * before.level).sum(axis=1)
    seen_in = (before.share[..., None] * before.level_conditions).sum(axis=1)
    within = before.level_var + SCATTER_VAR + (before.level - level[:, None]) ** 2
    spread = (before.share * within).sum(axis=1) + measurement_var
    spread += effects_var(conditions - seen_in, models.member_effects_cov()[fit])
    return log_rmv - level - (conditions * models.effects[fit]).sum(axis=1), np.sqrt(spread)


def weight_of(z: Floats) -> Floats:
    """What a dive counts for that fell so many standard deviations off: in three parts, after Hampel.

    Whole to two; from there its pull stays the same; from four on it falls, since that is no dive of this
    kind but a wrong record.
    """
    far = np.maximum(np.abs(z), WEIGHS_LESS_FROM_Z)
    return WEIGHS_LESS_FROM_Z / far * np.minimum(WRONG_FROM_Z / far, 1.0) ** 2


def before_any(models: SharedModels, model_of: Ints) -> Levels:
    """What is known of a member without a dive, under the fit of each of n rows."""
    levels = Levels.blank(len(model_of), models.effects.shape[1])
    nobody = Tracks.begin(1, models.effects.shape[1]).pick(np.zeros(len(model_of), int))
    for f, value in zip(fields(Levels), _weighed(believe(nobody, models, model_of)), strict=False):
        getattr(levels, f.name)[:] = value
    return levels


def follow(dives: Dives, models: SharedModels, model_of: Ints) -> tuple[Levels, History]:
    """What was known after each dive of every member, from the dives up to it, under the fit of its row.

    Parameters
    ----------
    dives : Dives
        n dives from each member's first on.
    models : SharedModels
        M fits.
    model_of : ndarray of int, (n,)
        The fit that holds for each dive's row: the row follows from all the member's dives up to it,
        under that fit alone, but for the weight of a dive far off, which stays as it was first seen.

    Returns
    -------
    levels, history
        The second is what `shared.trend.change` looks back through.
    """
    n, conditions = dives.conditions.shape
    levels, history = Levels.blank(n, conditions), History.blank(n, conditions)
    place = np.cumsum(dives.first_of_member()) - 1
    tracks = Tracks.begin(int(place[-1]) + 1 if n else 0, conditions)
    advance(tracks, replace(dives, member=place), models, model_of, levels, history)
    return levels, history
