"""What a member's earlier dives teach about cylinders, kit and diver, before a dive is fitted for good.

One dive says little about how cylinders follow the water, what wing and suit take on a descent, or how far the gas
starts from the air; earlier dives together say it. Every cylinder is first fitted by itself; what that fit says of
the common values adds up in order of time: a dive learns from its member's dives before it, and from the station's
dives of the months before it. No dive learns from a later one, so a new dive changes no earlier figure.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.derive.dives.prior import (
    COMMON,
    CONTENT,
    FIRST,
    MEMBER_SD,
    RATE_LAG_LN_SD,
    RATE_SD_LN_SD,
    START,
    STATION_SD,
    USUAL_AIR,
    USUAL_RATE_LAG_S,
    USUAL_RATE_SD,
    Learned,
    by_basis,
    expected,
    fill_of_rows,
    maps_of,
)
from shared.diving import tank_learning
from shared.diving.tank_grid import SHARED_COUNT
from shared.diving.tank_learning import (
    RATE_LAGS_S,
    RATE_SDS,
    earlier,
    passed_on,
    posterior,
    spread_evidence,
    spread_factor,
)
from shared.diving.tank_records import TankFits

_NU = 4.0

LESSON_COUNTS = 0.4
"""A dive's lesson counts for less than one: the model of a cylinder is simpler than cylinders are."""

MISFIT_SD = np.array([0.3, 0.25, 0.3, 0.1, 0.3, 0.3, 1.0, 0.05])
"""What all dives of a member err in together, however many they are: how it is breathed on the way down and up is no
accident, and looks like warmth, film or wing."""

_MISFIT = np.diag(MISFIT_SD**2)

STATION_COUNTS = 0.5
"""Dives of other members count for half in how far starts scatter."""


@dataclass(frozen=True)
class Station:
    """What all members' dives begun before each month taught; by month as in `month_number`."""

    months: NDArray = field(default_factory=lambda: np.empty(0, int))
    information: NDArray = field(default_factory=lambda: np.empty((0, len(COMMON), len(COMMON))))
    vector: NDArray = field(default_factory=lambda: np.empty((0, len(COMMON))))
    spread: NDArray = field(default_factory=lambda: np.empty((0, 2, 0, 0)))  # after a last known temperature, from air

    def before(self, month: int) -> int:
        """Place of what was known when a month began, -1 where nothing was."""
        return int(np.searchsorted(self.months, month, side="right")) - 1


def month_number(started_at: pd.Series) -> NDArray:
    """Months since the year 0 (UTC) of each dive's beginning."""
    return started_at.to_numpy("datetime64[us]").astype("datetime64[M]").astype(int) + 12 * 1970


@dataclass(frozen=True)
class Lessons:
    """What each row by itself teaches; arrays by row, rows in order of time."""

    month: NDArray
    information: NDArray  # of the common values
    vector: NDArray
    start_k: NDArray  # start beside what was said of it, by trace and fill alone
    start_sd_k: NDArray
    stated_sd_k: NDArray
    last_known: NDArray
    from_air: NDArray
    rate: NDArray  # evidence of steadiness


def lessons_of(rows: pd.DataFrame, by_trace: NDArray, first: TankFits, duration_s: NDArray) -> Lessons:
    """What each row by itself teaches of its member; nothing of rows that shared the breathing with others."""
    information, vector = tank_learning.shared_information(first)
    teaches = rows["sole_supply"].to_numpy(bool) & np.isfinite(first.used_free_l)
    information[~teaches], vector[~teaches] = 0.0, 0.0
    content, content_sd, free_l_bar = fill_of_rows(rows)
    content_sd = content_sd / np.sqrt(_believed(first, content, content_sd, free_l_bar))
    mean, cov = expected(rows, by_basis(rows, 1.0, USUAL_AIR), np.nan_to_num(content), content_sd)
    maps = maps_of(rows, by_trace, free_l_bar)
    scale = _scale(rows)
    of_shared, of_vector = passed_on(*_scaled(information, vector, scale), _scaled_cov(cov, scale), mean / scale)
    maps = maps / scale[:, :, None]
    transposed = maps.transpose(0, 2, 1)
    common = LESSON_COUNTS * transposed @ of_shared @ maps
    common_vector = LESSON_COUNTS * (transposed @ of_vector[:, :, None])[:, :, 0]

    # how far the start lies from what was said: by trace and fill, gauges and kit as dives before have them
    now, now_cov = posterior(
        *passed_on(earlier(common), earlier(common_vector), _MISFIT), FIRST, np.diag(STATION_SD**2 + MEMBER_SD**2)
    )
    cov[:, START, START] = 1e6
    maps = maps * scale[:, :, None]
    moved = maps.copy()
    moved[:, START] = 0.0
    prior_mean = mean + (moved @ now[:, :, None])[:, :, 0]
    prior_cov = cov + moved @ now_cov @ moved.transpose(0, 2, 1)
    prior_mean[:, START] = 0.0
    found, found_cov = posterior(
        *_scaled(information, vector, scale), prior_mean / scale, _scaled_cov(prior_cov, scale)
    )
    start = found[:, START] - rows["start_c"].to_numpy(float)
    start_sd = np.sqrt(found_cov[:, START, START])
    says = teaches & (start_sd < 8.0)
    basis = rows["start_basis"].to_numpy(str)
    stated_sd = np.where(rows["start_sd_c"] > 0, rows["start_sd_c"], np.nan)
    use = np.flatnonzero(teaches & by_trace)
    rate = np.zeros((len(rows), RATE_SDS.size, RATE_LAGS_S.size))
    rate[use] = tank_learning.rate_evidence(first.take(use), duration_s[use])
    return Lessons(
        month_number(rows["started_at"]),
        _eight_digits(common, MEMBER_SD[:, None] * MEMBER_SD),
        _eight_digits(common_vector, MEMBER_SD),
        np.round(np.where(says, start - now[:, START], np.nan), 6),
        np.round(np.sqrt(start_sd**2 + rows["air_sd_c"].to_numpy(float) ** 2 + now_cov[:, START, START]), 6),
        stated_sd,
        basis == "last_known",
        (basis != "last_known") & (basis != "assumed"),
        rate,
    )


def _believed(first: TankFits, content: NDArray, content_sd: NDArray, free_l_bar: NDArray) -> NDArray:
    """Weight of each fill's word, 1 or less: less where the dive began with other gas than the fill left."""
    own_bar = np.sqrt(np.maximum(first.spread[:, 1 + CONTENT, 1 + CONTENT], 0.0)) / free_l_bar
    apart_bar = (first.unknowns[:, 1 + CONTENT] - content) / free_l_bar
    sd = np.sqrt(own_bar**2 + (content_sd / free_l_bar) ** 2 + STATION_SD[4] ** 2 + MEMBER_SD[4] ** 2)
    return np.nan_to_num(np.minimum((_NU + 1.0) / (_NU + (apart_bar / sd) ** 2), 1.0), nan=1.0)


def _scale(rows: pd.DataFrame) -> NDArray:
    """(rows, SHARED_COUNT) units in which the shared unknowns are of like size, for matrices that invert well."""
    scale = np.ones((len(rows), SHARED_COUNT))
    scale[:, CONTENT] = rows["capacity_l"].to_numpy(float)
    return scale


def _scaled(information: NDArray, vector: NDArray, scale: NDArray) -> tuple[NDArray, NDArray]:
    return information * scale[:, :, None] * scale[:, None, :], vector * scale


def _scaled_cov(covariance: NDArray, scale: NDArray) -> NDArray:
    return covariance / scale[:, :, None] / scale[:, None, :]


def lessons_frame(lessons: Lessons) -> pd.DataFrame:
    """What a member's rows teach the station, one row each: columns of numbers, read back by `station_of`."""
    upper = np.triu_indices(len(COMMON))
    numbers = {f"information_{k}": lessons.information[:, i, j] for k, (i, j) in enumerate(zip(*upper, strict=True))}
    numbers |= {f"vector_{k}": lessons.vector[:, k] for k in range(len(COMMON))}
    return pd.DataFrame({"month": lessons.month} | numbers | {n: getattr(lessons, n) for n in _OF_STARTS})


def _eight_digits(values: NDArray, unit: NDArray) -> NDArray:
    """Values, in a unit each, to eight digits of the greatest of their row.

    An earlier dive comes out otherwise in the last digits when its member hands in another, and the dives of all
    members who dived later would be computed anew for it.
    """
    scaled = values * unit
    greatest = np.abs(scaled).max(axis=tuple(range(1, scaled.ndim)), keepdims=True, initial=0.0)
    with np.errstate(divide="ignore"):
        step = 10.0 ** (np.floor(np.log10(greatest)) - 7.0)
    return np.where(greatest > 0.0, np.round(scaled / np.where(greatest > 0.0, step, 1.0)) * step / unit, values)


_OF_STARTS = ("start_k", "start_sd_k", "stated_sd_k", "last_known", "from_air")


def station_of(members: list[pd.DataFrame]) -> Station:
    """What all members' dives taught, month by month.

    Parameters
    ----------
    members : list of DataFrame
        `lessons_frame` of each, always in the same order, so that sums are the same to the last digit.
    """
    members = [m for m in members if len(m)]
    return _station_of(pd.concat(members, ignore_index=True), [len(m) for m in members]) if members else Station()


def station_of_all(lessons: pd.DataFrame) -> Station:
    """As `station_of`, of the rows of all members, each with its `member_id`; members in the order of their first."""
    if lessons.empty:
        return Station()
    owner, members = pd.factorize(lessons["member_id"])
    if (np.diff(owner) < 0).any():
        lessons = lessons.take(np.argsort(owner, kind="stable"))
    return _station_of(lessons, np.bincount(owner, minlength=len(members)).tolist())


def _station_of(rows: pd.DataFrame, counts: list[int]) -> Station:
    """What the rows of all members taught; so many are the first one's, and so on."""
    n = len(COMMON)
    upper = np.triu_indices(n)
    scatter = np.diag(MEMBER_SD**2) + _MISFIT
    month = rows["month"].to_numpy(int)
    triangles = rows[[c for c in rows if c.startswith("information_")]].to_numpy(float)
    vectors = rows[[f"vector_{k}" for k in range(n)]].to_numpy(float)
    spreads = np.stack(_spreads(*(rows[c].to_numpy() for c in _OF_STARTS)), axis=1)
    months = np.unique(month) + 1
    information, vector = np.zeros((months.size, n, n)), np.zeros((months.size, n))
    spread = np.zeros((months.size, *spreads.shape[1:]))
    last = np.cumsum(counts)
    for own in map(slice, last - counts, last):
        until = np.searchsorted(month[own], months, side="left")
        # a member without a dive yet adds nothing, not even a rounding
        some = slice(np.searchsorted(until, 1), None)
        until = until[some] - 1
        whole = np.zeros((own.stop - own.start, n, n))
        whole[:, upper[0], upper[1]] = whole[:, upper[1], upper[0]] = triangles[own]
        whole, its_vector = (np.cumsum(values, axis=0)[until] for values in (whole, vectors[own]))
        passed, its = passed_on(whole, its_vector, scatter)
        information[some] += passed
        vector[some] += its
        spread[some] += STATION_COUNTS * np.cumsum(spreads[own], axis=0)[until]
    return Station(months, information, vector, spread)


def station_frame(station: Station) -> pd.DataFrame:
    """A row a month, read back by `station_of_frame`. Its 630 numbers are one text: they are looked at together alone,
    and as columns they would be more than half of all columns that a run of few dives hashes, writes and reads.
    """
    flat = [
        a.reshape(len(station.months), int(np.prod(a.shape[1:])))
        for a in (station.information, station.vector, station.spread)
    ]
    known = np.concatenate(flat, axis=1)
    known = np.ascontiguousarray(known) + 0.0  # one zero
    texts = pd.Series([row.tobytes().hex() for row in known], dtype="str")
    return pd.DataFrame({"month": station.months, "known": texts})


def station_of_frame(frame: pd.DataFrame) -> Station:
    """The months of a `station_frame`, or some of them."""
    if frame.empty:
        return Station()
    n, flat = len(COMMON), np.array([np.frombuffer(bytes.fromhex(text)) for text in frame["known"]])
    information, vector, spread = np.split(flat, [n * n, n * n + n], axis=1)
    return Station(
        frame["month"].to_numpy(int),
        information.reshape(-1, n, n),
        vector,
        spread.reshape(len(frame), 2, *spread_evidence(0.0, 1.0).shape[1:]),
    )


def _summed(values: NDArray, until: NDArray) -> NDArray:
    """Sums over the first so many rows."""
    total = np.concatenate([np.zeros_like(values[:1]), np.cumsum(values, axis=0)])
    return total[until]


def _spreads(
    start_k: NDArray, start_sd_k: NDArray, stated_sd_k: NDArray, last_known: NDArray, from_air: NDArray
) -> list[NDArray]:
    """Evidence of how far starts scatter, after a last known temperature and from the air, of each row."""
    off, sd = start_k / stated_sd_k, start_sd_k / stated_sd_k
    return [
        spread_evidence(np.where(use.astype(bool), off, np.nan), sd, usual)
        for use, usual in ((last_known, 1.0), (from_air, USUAL_AIR))
    ]


def learn(rows: pd.DataFrame, by_trace: NDArray, first: TankFits, lessons: Lessons, station: Station) -> Learned:
    """What each row is fitted with for good, from the dives before it.

    `rows` are in order of time; cylinders of one dive learn from the dives before it alone.
    """
    n = len(rows)
    dive = rows["dive"].to_numpy(int)
    begins = np.searchsorted(dive, dive, side="left")  # rows of one dive are neighbours
    mean0, cov0 = np.repeat(FIRST[None], n, axis=0), np.repeat(np.diag(STATION_SD**2 + MEMBER_SD**2)[None], n, axis=0)
    usual = np.ones((n, 2))
    scatter, spreads = np.diag(MEMBER_SD**2), _spreads(*(getattr(lessons, name) for name in _OF_STARTS))
    months, of_month = np.unique(lessons.month, return_inverse=True)
    at = np.array([station.before(int(month)) for month in months], int)
    heard = at >= 0
    if heard.any():
        until = np.searchsorted(lessons.month, station.months[at[heard]], side="left")
        own, own_vector = passed_on(
            _summed(lessons.information, until), _summed(lessons.vector, until), scatter + _MISFIT
        )
        of_others, its_cov = posterior(
            station.information[at[heard]] - own, station.vector[at[heard]] - own_vector, FIRST, np.diag(STATION_SD**2)
        )
        own_spread = np.stack([_summed(evidence, until) for evidence in spreads], axis=1)
        others = station.spread[at[heard]] - STATION_COUNTS * own_spread
        place = np.where(heard, np.cumsum(heard) - 1, -1)[of_month]
        mine, place = place >= 0, place[place >= 0]
        mean0[mine], cov0[mine] = of_others[place], (its_cov + scatter)[place]
        usual[mine] = spread_factor(others)[place]
    sums = [
        np.concatenate([np.zeros_like(v[:1]), np.cumsum(v, axis=0)])[begins]
        for v in (lessons.information, lessons.vector)
    ]
    mean, cov = posterior(*passed_on(sums[0], sums[1], _MISFIT), mean0, cov0)
    factors = [
        spread_factor(np.concatenate([np.zeros_like(e[:1]), np.cumsum(e, axis=0)])[begins], usual[:, k], 0.35)
        for k, e in enumerate(spreads)
    ]
    rates = np.concatenate([np.zeros_like(lessons.rate[:1]), np.cumsum(lessons.rate, axis=0)])[begins]
    rate_sd, rate_lag_s = tank_learning.steadiness(
        RATE_COUNTS * rates, USUAL_RATE_SD, RATE_SD_LN_SD, USUAL_RATE_LAG_S, RATE_LAG_LN_SD
    )
    content, content_sd, free_l_bar = fill_of_rows(rows)
    maps = maps_of(rows, by_trace, free_l_bar)
    moved, moved_cov = (maps @ mean[:, :, None])[:, :, 0], maps @ cov @ maps.transpose(0, 2, 1)
    weight = _weight(first, content + moved[:, CONTENT], np.hypot(content_sd, np.sqrt(moved_cov[:, CONTENT, CONTENT])))
    said, scatter_cov = expected(
        rows, by_basis(rows, factors[0], USUAL_AIR * factors[1]), content, content_sd / np.sqrt(weight)
    )
    return Learned(said + moved, scatter_cov + moved_cov, rate_sd, rate_lag_s)


RATE_COUNTS = 0.6
"""Evidence of how steady a diver breathes counts for so much: the model of a cylinder is simpler than cylinders are."""


def _weight(first: TankFits, content: NDArray, sd: NDArray) -> NDArray:
    """Weight of each fill's word beside what the dive's own readings say, 1 or less."""
    own = np.maximum(first.spread[:, 1 + CONTENT, 1 + CONTENT], 0.0)
    z2 = (first.unknowns[:, 1 + CONTENT] - content) ** 2 / (own + sd**2)
    return np.nan_to_num(np.minimum((_NU + 1.0) / (_NU + z2), 1.0), nan=1.0)
