"""How far a member's level has moved over a stretch of days, and how fast it moves, seen from each dive.

For each row the level now is set against the level so many days before, both from the dives up to the
row: a fixed-lag smoother. Its sums run from a mark once a stretch, forwards to each row and backwards to
each earlier dive, so that every dive is taken up twice whatever the length of the stretch: O(n).
Reference: de Jong and Mackinnon, Covariances for smoothed estimates in state space models, 1988; Durbin
and Koopman § 4.4 to 4.7 (both from memory).
"""

from dataclasses import dataclass, fields

import numpy as np
from scipy.special import ndtr

from shared.trend.filters import History, passage
from shared.trend.level import (
    DAYS_A_MONTH,
    LEAST_DAYS,
    LEAST_DIVES,
    WALK_OF,
    WALKS,
    YEAR_DAYS,
    Bools,
    Dives,
    Floats,
    Ints,
    SharedModels,
    effects_var,
)
from shared.trend.next_dive import A_MOMENT, mixture_quantile, window_start

RECENT_DAYS = 180.0
LEAST_SLOPE_DAYS = 60.0
LARGE_DRIFT_SD = 0.01


@dataclass(frozen=True)
class Step:
    """What dives do to an error made before them, by class: (…, G) but for `evidence` (…, G, 2, C).

    An error (level, drift) before becomes (`ll` level + `ld` drift, `dl` level + `dd` drift) after;
    `evidence` and `nn`, `nt`, `tt` are what the dives say of it: sums of errors and of their precision.
    """

    ll: Floats
    ld: Floats
    dl: Floats
    dd: Floats
    evidence: Floats
    nn: Floats
    nt: Floats
    tt: Floats

    def pick(self, index) -> "Step":
        """The entries at these places."""
        return Step(*(getattr(self, f.name)[index] for f in fields(self)))

    def put(self, index, other: "Step") -> None:
        """Take over these entries from another."""
        for f in fields(self):
            getattr(self, f.name)[index] = getattr(other, f.name)

    @classmethod
    def blank(cls, shape: tuple[int, ...], columns: int) -> "Step":
        """Entries that change nothing and say nothing."""
        one, none = np.ones(shape), np.zeros(shape)
        evidence = np.zeros((*shape, 2, columns))
        return cls(one, none.copy(), none.copy(), one.copy(), evidence, none.copy(), none.copy(), none.copy())


def one_dive(history: History, row: Ints, gap_days: Floats) -> Step:
    """A dive so many days after the moment that its step begins at."""
    way = passage(gap_days)
    kept, moved = 1.0 - history.level_gain[row], -history.drift_gain[row]
    reach, carried = np.broadcast_to(way.reach, kept.shape), np.broadcast_to(way.carried, kept.shape)
    seen = history.error[row] / history.error_var[row][..., None]
    return Step(
        kept,
        kept * reach,
        moved,
        moved * reach + carried,
        np.stack([seen, reach[..., None] * seen], axis=-2),
        1.0 / history.error_var[row],
        reach / history.error_var[row],
        reach**2 / history.error_var[row],
    )


def joined(first: Step, then: Step) -> Step:
    """One stretch of dives after another."""
    ll, ld, dl, dd = first.ll, first.ld, first.dl, first.dd
    level = ll[..., None] * then.evidence[..., 0, :] + dl[..., None] * then.evidence[..., 1, :]
    drift = ld[..., None] * then.evidence[..., 0, :] + dd[..., None] * then.evidence[..., 1, :]
    return Step(
        then.ll * ll + then.ld * dl,
        then.ll * ld + then.ld * dd,
        then.dl * ll + then.dd * dl,
        then.dl * ld + then.dd * dd,
        first.evidence + np.stack([level, drift], axis=-2),
        first.nn + ll * (then.nn * ll + 2 * then.nt * dl) + then.tt * dl**2,
        first.nt + then.nn * ll * ld + then.nt * (ll * dd + dl * ld) + then.tt * dl * dd,
        first.tt + ld * (then.nn * ld + 2 * then.nt * dd) + then.tt * dd**2,
    )


def _runs(begins: Bools) -> tuple[Ints, Ints]:
    """First row and length of each run, longest first."""
    starts = np.flatnonzero(begins)
    counts = np.diff(np.r_[starts, len(begins)])
    order = np.argsort(-counts, kind="stable")
    return starts[order], counts[order]


@dataclass(frozen=True)
class Window:
    """Which rows a stretch of days ending at each row is made of."""

    since: Floats  # the day the stretch begins at
    last_before: Ints  # the last dive at or before it
    block_first: Ints  # first dive of the row's block of so many days
    whole: Bools  # whether the record is as long as the stretch


def window(dives: Dives, days: float) -> Window:
    """Stretches of so many days up to each row, or from the member's first dive on where that is later."""
    first, rows = dives.first_row(), np.arange(len(dives))
    origin = dives.day[first]
    since = np.maximum(dives.day - days, origin)
    # members lie on one axis, each in its own stretch, so that one sorted search serves all
    width = float(np.ptp(dives.day)) if len(dives) else 0.0
    far = (width + days + 1.0) * (np.cumsum(dives.first_of_member()) - 1)
    last_before = np.clip(np.searchsorted(far + dives.day, far + since + A_MOMENT, side="right") - 1, first, rows)
    block = np.floor((dives.day - origin) / days)
    begins = dives.first_of_member()
    begins[1:] |= block[1:] != block[:-1]
    whole = block > 0
    return Window(since, np.where(whole, last_before, first), np.maximum.accumulate(np.where(begins, rows, 0)), whole)


@dataclass(frozen=True)
class Past:
    """Level and drift at the beginning of each row's stretch, by what is known at the row; columns as in `History`.

    `with_*` are covariances with level and drift at the row.
    """

    level: Floats
    drift: Floats
    level_var: Floats
    level_drift: Floats
    drift_var: Floats
    level_with_level: Floats
    level_with_drift: Floats
    drift_with_level: Floats
    drift_with_drift: Floats


def look_back(dives: Dives, history: History, days: float) -> Past:
    """Smooth each member's level and drift so many days before each dive, by class, (n, G)."""
    at = window(dives, days)
    forth, back = _sums(dives, history, at)
    begin = at.last_before
    # by case: no dive of the stretch lies before the block; the first that does; only those of the block
    crosses = at.whole & (begin + 1 < at.block_first)
    way = forth
    if crosses.any():
        way = Step.blank(forth.ll.shape, forth.evidence.shape[-1])
        way.put(slice(None), forth)
        way.put(crosses, joined(back.pick(begin[crosses] + 1), forth.pick(crosses)))
    first = Step.blank(forth.ll.shape, forth.evidence.shape[-1])
    late = np.flatnonzero(at.whole)
    first.put(late, one_dive(history, begin[late] + 1, dives.day[begin[late] + 1] - at.since[late]))
    way = joined(first, way)
    gone = passage(np.where(at.whole, np.maximum(at.since - dives.day[begin], 0.0), 0.0))
    level = history.level[begin] + gone.reach[..., None] * history.drift[begin]
    drift = history.drift[begin] * gone.carried[..., None]
    ll0, ld0, dd0 = history.level_var[begin], history.level_drift[begin], history.drift_var[begin]
    ll = ll0 + gone.reach * (2 * ld0 + gone.reach * dd0) + gone.level_var
    ld = (ld0 + gone.reach * dd0) * gone.carried + gone.level_drift
    dd = dd0 * gone.carried**2 + gone.drift_var
    evidence_level, evidence_drift = way.evidence[..., 0, :], way.evidence[..., 1, :]
    on_ll, on_ld = way.nn * ll + way.nt * ld, way.nn * ld + way.nt * dd
    on_dl, on_dd = way.nt * ll + way.tt * ld, way.nt * ld + way.tt * dd
    return Past(
        level + ll[..., None] * evidence_level + ld[..., None] * evidence_drift,
        drift + ld[..., None] * evidence_level + dd[..., None] * evidence_drift,
        ll - (ll * on_ll + ld * on_dl),
        ld - (ll * on_ld + ld * on_dd),
        dd - (ld * on_ld + dd * on_dd),
        ll * way.ll + ld * way.ld,
        ll * way.dl + ld * way.dd,
        ld * way.ll + dd * way.ld,
        ld * way.dl + dd * way.dd,
    )


def _sums(dives: Dives, history: History, at: Window) -> tuple[Step, Step]:
    """From the state after each block's first dive to each dive of the block; and from after each dive of a
    block to after the first dive of the member's next block."""
    n, columns = len(dives), history.level.shape[-1]
    gap = np.maximum(np.diff(np.r_[0.0, dives.day]), 0.0)
    forth, back = Step.blank((n, history.level.shape[1]), columns), Step.blank((n, history.level.shape[1]), columns)
    begins = at.block_first == np.arange(n)
    starts, counts = _runs(begins)
    for step in range(1, int(counts[0]) if n else 0):
        row = starts[: np.searchsorted(-counts, -step, side="left")] + step
        forth.put(row, joined(forth.pick(row - 1), one_dive(history, row, gap[row])))
    same = np.r_[dives.member[1:] == dives.member[:-1], False]
    ends, lengths = starts + counts - 1, counts
    followed = same[ends]
    ends, lengths = ends[followed], lengths[followed]
    for step in range(int(lengths[0]) if len(lengths) else 0):
        row = ends[: np.searchsorted(-lengths, -step, side="left")] - step
        next_dive = one_dive(history, row + 1, gap[row + 1])
        back.put(row, next_dive if step == 0 else joined(next_dive, back.pick(row + 1)))
    return forth, back


@dataclass(frozen=True)
class Moved:
    """A figure by class for each row: mean and deviation, (n, G), log rate or log rate a day."""

    mean: Floats
    sd: Floats


def _at_conditions(columns: Floats, var: Floats, history: History, models: SharedModels, model_of: Ints) -> Moved:
    """Put population's mean and effects to columns that do not answer to the member's start but by `one`."""
    mean, effects = models.mean_log[model_of], models.effects[model_of]
    by = np.concatenate([np.ones((len(mean), 1)), -mean[:, None], -effects], axis=1)[:, None, :]
    value = (columns * by).sum(axis=-1) - columns[..., 1] * history.start_off
    away_from = columns[..., 2:] - columns[..., 1, None] * history.start_conditions
    var = var + columns[..., 1] ** 2 / history.start_precision
    var = var + effects_var(away_from, models.member_effects_cov()[model_of][:, None])
    return Moved(value, np.sqrt(np.maximum(var, 1e-12)))


def change(dives: Dives, history: History, models: SharedModels, model_of: Ints, days: float = YEAR_DAYS) -> Moved:
    """Level at each dive less the level so many days before, or at the first dive where that is later."""
    past = look_back(dives, history, days)
    var = history.level_var + past.level_var - 2 * past.level_with_level
    return _at_conditions(history.level - past.level, var, history, models, model_of)


def slope(dives: Dives, history: History, models: SharedModels, model_of: Ints, days: float = RECENT_DAYS) -> Moved:
    """By how much the level moved a day over so many days before each dive.

    Days before the member's first dive count with the drift at that dive, which nothing but the prior says
    much of: so the slope is wide at first, and narrows as the record grows.
    """
    past = look_back(dives, history, days)
    missing = np.maximum(days - (dives.day - window(dives, days).since), 0.0)[:, None]
    columns = (history.level - past.level + missing[..., None] * past.drift) / days
    var = history.level_var + past.level_var - 2 * past.level_with_level
    var = var + missing * (2 * (past.drift_with_level - past.level_drift) + missing * past.drift_var)
    return _at_conditions(columns, var / days**2, history, models, model_of)


def changing_share(history: History, models: SharedModels, model_of: Ints) -> Floats:
    """How likely each class is if the member is one of those that drift, (n, G).

    An interval of a change is that of the dives alone: the thought that most members are steady decides
    whether a change is called, but must not pull the figure of one who changes to zero, nor narrow that of
    one who does not. So classes without a large drift hand their share to those with one and a like walk.
    """
    drifts = np.array([w.drift_sd >= LARGE_DRIFT_SD for w in WALKS])
    prior = np.array([w.prior_share for w in WALKS])
    alike = np.array([w.walk_sd for w in WALKS])
    now = models.walk_share[model_of]
    want = np.zeros_like(now)
    for j in np.flatnonzero(drifts):
        same = alike == alike[j]
        handed = now[:, same & ~drifts].sum(axis=1)
        want[:, j] = now[:, j] + handed * prior[j] / prior[same & drifts].sum()
    share = history.share * (want / now)[:, WALK_OF]
    return share / share.sum(axis=1, keepdims=True)


def chance_risen(moved: Moved, history: History) -> Floats:
    """Probability that the change is upwards, most members being steady, (n,)."""
    return (history.share * ndtr(moved.mean / moved.sd)).sum(axis=1)


def quantiles(moved: Moved, share: Floats, chances: tuple[float, ...], close: float) -> Floats:
    """Quantiles of a figure that each class has its own belief of, (n, len(chances)), to within `close`."""
    return np.stack([mixture_quantile(moved.mean, moved.sd, share, c, close) for c in chances], axis=1)


def has_change(dives: Dives) -> Bools:
    """Whether the record is long enough for a change to be stated, (n,)."""
    return dives.day - dives.day[dives.first_row()] >= LEAST_DAYS


def too_few(dives: Dives) -> Bools:
    """Whether fewer than 8 dives, or less than 90 days, stand behind each row, (n,)."""
    return ~has_change(dives) | (np.arange(len(dives)) - dives.first_row() + 1 < LEAST_DIVES)


def too_few_for_slope(dives: Dives) -> Bools:
    """Whether fewer than 8 dives, or less than 60 days, lie in the 180 days before each row, (n,)."""
    start = window_start(dives, RECENT_DAYS)
    count = np.arange(len(dives)) - start + 1
    return (count < LEAST_DIVES) | (dives.day - dives.day[start] < LEAST_SLOPE_DAYS)


def pct_per_month(slope_per_day: Floats) -> Floats:
    """Slope of log rate per day as per cent a month of 30.44 days."""
    return 100.0 * np.expm1(DAYS_A_MONTH * np.asarray(slope_per_day))
