"""The chance that a dive goes below the reserve policy, as it stood before it, and how the record corrects it.

Nothing of a dive or of a later one is in its chance: rooms come from earlier dives of the member, the rate
from what the trend knew before it, the correction from dives of earlier calendar months.
"""

import numpy as np
import pandas as pd

from pipelines.derive.divers.trend import AT_COLUMNS, codes_of, predicted_rates
from schemas.policy import Policy
from shared.diving.reserve_chance import MOST_DIVES, PastDives, Record, chance_next_below, corrected, fit_correction

CORRECTION_COLUMNS = ("month_on", "dives", "shift", "stretch")


def chance_before_each(margins: pd.DataFrame, state: pd.DataFrame, model: pd.DataFrame, policy: Policy) -> np.ndarray:
    """Chance of going below before each dive of one member, uncorrected, (rows of margins,).

    Parameters
    ----------
    margins : DataFrame
        dive_id, critical_rmv_l_min, log_rmv of the member's dives.
    state : DataFrame
        `trend_state` of every dive of the member, judged or not.
    model : DataFrame
        The trend's shared fits.

    Returns
    -------
    ndarray
        0 to 1; NaN while fewer than five earlier dives of the last `watch_days` have a margin.
    """
    if len(state) < 2 or not len(margins):
        return np.full(len(margins), np.nan)
    state = state.sort_values(["started_at", "dive_id"], kind="stable", ignore_index=True)
    state = state.drop_duplicates("dive_id", ignore_index=True)
    dives = _with_margins(state, margins, ["dive_id"])
    day = state["day"].to_numpy(float)[1:]
    chance = _chances(dives, np.arange(1, len(state)), day, state.iloc[:-1], model, policy)
    return pd.Series(np.r_[np.nan, chance], index=state["dive_id"]).reindex(margins["dive_id"]).to_numpy(float)


def chance_on(day: float, margins: pd.DataFrame, state: pd.DataFrame, model: pd.DataFrame, policy: Policy) -> pd.Series:
    """Chance for a dive on a day, uncorrected, by member_id; `state` holds dives begun before it alone."""
    key = ["member_id", "dive_id"]
    rows = state[state["member_id"].isin(margins["member_id"])]
    rows = rows.sort_values(["member_id", "started_at", "dive_id"], kind="stable").drop_duplicates(key)
    if not len(rows):
        return pd.Series(dtype="float64")
    rows = rows.reset_index(drop=True)
    dives = _with_margins(rows, margins, key)
    last = np.flatnonzero(~rows["member_id"].duplicated(keep="last").to_numpy(bool))
    # of each member's dives those before its end alone
    begin = np.r_[0, last[:-1] + 1]
    chance = _chances(dives, last + 1, np.full(len(last), day), rows.iloc[last], model, policy, begin)
    return pd.Series(chance, index=rows["member_id"].iloc[last].to_numpy(object))


def _with_margins(state: pd.DataFrame, margins: pd.DataFrame, key: list[str]) -> pd.DataFrame:
    """Each dive's day and trend, in their order, with its margin where it has one."""
    known = margins.drop_duplicates(key)[[*key, "critical_rmv_l_min", "log_rmv"]]
    return state[[*key, "day", *AT_COLUMNS]].merge(known, on=key, how="left").drop(columns=key)


def _chances(
    dives: pd.DataFrame,
    at: np.ndarray,
    day: np.ndarray,
    before: pd.DataFrame,
    model: pd.DataFrame,
    policy: Policy,
    begin: np.ndarray | int = 0,
) -> np.ndarray:
    """Chance before each of n places in members' dives, by time; `before` is the trend's state at each, n rows, and
    `begin` where the dives of its member begin.
    """
    judged = np.flatnonzero(dives["critical_rmv_l_min"].notna().to_numpy(bool))
    end, first = np.searchsorted(judged, at), np.searchsorted(judged, begin)
    most = min(MOST_DIVES, int(np.diff(np.r_[first, len(judged)]).max()))
    if not most:
        return np.full(len(at), np.nan)
    place = end[:, None] - 1 - np.arange(most)[None, :]
    own = place >= np.reshape(first, (-1, 1))
    rows = judged[np.maximum(place, 0)]
    age = day[:, None] - dives["day"].to_numpy(float)[rows]
    known = own & (age <= policy.reserve.watch_days)
    # dives of the same moment differ by their place alone
    age = np.maximum(age, 0.0)
    expected, sd = predicted_rates(before, dives[list(AT_COLUMNS)].to_numpy(float)[rows], day, model)
    past = PastDives(
        known=known,
        age_days=age,
        newer=np.broadcast_to(np.arange(most, dtype=float), rows.shape),
        critical_rmv_l_min=dives["critical_rmv_l_min"].to_numpy(float)[rows],
        log_rmv=dives["log_rmv"].to_numpy(float)[rows],
        expected_log_rmv=expected,
        expected_sd=sd,
    )
    return chance_next_below(past, policy.reserve.watch_dives)


def month_of(started_at: pd.Series) -> pd.Series:
    """First day of each dive's calendar month, UTC."""
    return started_at.dt.tz_localize(None).dt.to_period("M").dt.start_time.astype("datetime64[us]")


def is_tested(margins: pd.DataFrame, chance: str) -> np.ndarray:
    """Dives that show whether a chance held: it was stated, and a direct ascent was an option."""
    floor = np.array(["no_direct_ascent" in codes_of(f) for f in margins["flags"]], bool)
    return (margins[chance].notna() & margins["below_policy"].notna()).to_numpy(bool) & ~floor


def fit_corrections(margins: pd.DataFrame, as_of_on: pd.Timestamp) -> pd.DataFrame:
    """What the station's own record corrects of chances, a row a calendar month, from dives begun before it.

    Parameters
    ----------
    margins : DataFrame
        started_at, chance_drawn, below_policy, flags of all members.
    as_of_on : Timestamp
        Months go on to this day's.

    Returns
    -------
    DataFrame
        `month_on`, `dives` (chances tested before it), `shift` and `stretch` of a chance's normal score.
    """
    rows = margins[is_tested(margins, "chance_drawn")]
    month = month_of(rows["started_at"])
    ends = [pd.Timestamp(as_of_on).to_period("M").start_time, *(month.agg(["min", "max"]) if len(rows) else [])]
    chance = rows["chance_drawn"].to_numpy(float)
    below = rows["below_policy"].astype(bool).to_numpy()
    places = {pd.Timestamp(m): at for m, at in rows.reset_index(drop=True).groupby(month.to_numpy()).indices.items()}
    record, dives, made = Record.empty(), 0, []
    shift, stretch, fresh = 0.0, 1.0, False
    for on in pd.date_range(min(ends), max(ends), freq="MS"):
        if fresh:
            shift, stretch = fit_correction(record)
        made.append((on, dives, shift, stretch))
        seen = places.get(on, np.zeros(0, int))
        fresh = bool(len(seen))
        if fresh:
            record, dives = record.with_dives(chance[seen], below[seen]), dives + len(seen)
    frame = pd.DataFrame(made, columns=list(CORRECTION_COLUMNS))
    return frame.astype({"month_on": "datetime64[us]", "dives": "int64", "shift": "float64", "stretch": "float64"})


def correct_chances(chance: np.ndarray, month_on: pd.Series, correction: pd.DataFrame) -> np.ndarray:
    """Chances as stated: corrected by the record before their month; a month not fitted has the last before it."""
    ordered = correction.sort_values("month_on")
    place = np.searchsorted(ordered["month_on"].to_numpy(), month_on.to_numpy("datetime64[us]"), side="right") - 1
    shift = np.where(place >= 0, np.r_[ordered["shift"].to_numpy(float), 0.0][place], 0.0)
    stretch = np.where(place >= 0, np.r_[ordered["stretch"].to_numpy(float), 1.0][place], 1.0)
    return corrected(chance, shift, stretch)
