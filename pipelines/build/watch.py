"""Whose reserves run thin: the chance that the next dive goes below, and how far such chances held.

The next dive is taken to be like one of the last ones, at a rate that the trend predicts for it. What is
known of a dive's rate and start is what stood in the tables before it.
"""

import numpy as np
import pandas as pd

from pipelines.build.divers import AT_COLUMNS, predicted_rates
from schemas.codes.divers import CAUSE_WORDS, WATCH_REASONS
from schemas.frames import conform
from schemas.policy import Policy
from schemas.tables import TABLES
from schemas.words import share
from shared.reserve import chance_below

LEAST_DIVES = 5
NOT_ASSESSED_SHARE = 0.10
CHANCE_EDGES = (0.0, 0.02, 0.05, 0.10, 0.20, 0.40, 0.60, 1.0)


def _draws(state: pd.DataFrame, critical: np.ndarray, rows: np.ndarray, filled: np.ndarray):
    """Critical rates and conditions of the dives drawn from, and which of them can be judged."""
    return critical[rows], state[list(AT_COLUMNS)].to_numpy(float)[rows], filled & np.isfinite(critical[rows])


def chance_before_each(reserve: pd.DataFrame, state: pd.DataFrame, model: pd.DataFrame, policy: Policy) -> np.ndarray:
    """Chance of going below, as it stood before each dive of one member, (rows of reserve,).

    Drawn from the dives begun before it alone; NaN while fewer than five of them can be judged.
    """
    if len(state) < 2 or not len(reserve):
        return np.full(len(reserve), np.nan)
    state = state.sort_values(["started_at", "dive_id"], kind="stable", ignore_index=True)
    critical = reserve.set_index("dive_id")["critical_rmv_l_min"].reindex(state["dive_id"]).to_numpy(float)
    critical = np.where(critical == np.inf, 1e6, critical)
    n, most = len(state), policy.reserve.watch_dives
    rows = np.arange(1, n)[:, None] - 1 - np.arange(most)[None, :]
    day = state["day"].to_numpy(float)
    filled = (rows >= 0) & (day[1:, None] - day[np.maximum(rows, 0)] <= policy.reserve.watch_days)
    drawn, at, known = _draws(state, critical, np.maximum(rows, 0), filled)
    mean, sd = predicted_rates(state.iloc[:-1], at, day[1:], model)
    chance = chance_below(drawn, mean, sd, known)
    chance[known.sum(axis=1) < LEAST_DIVES] = np.nan
    by_dive = pd.Series(np.r_[np.nan, chance], index=state["dive_id"])
    return by_dive[~by_dive.index.duplicated()].reindex(reserve["dive_id"]).to_numpy(float)


def build_watch(
    reserve: pd.DataFrame, state: pd.DataFrame, model: pd.DataFrame, policy: Policy, as_of_on: pd.Timestamp
) -> dict[str, pd.DataFrame]:
    """A row a member with dives in the last 365 days, and the reliability of past chances.

    Parameters
    ----------
    reserve, state : DataFrame
        `dive_reserve` and `trend_state` of all members; `state` has every dive, judged or not.
    model : DataFrame
        The trend's shared fits.
    policy : Policy
    as_of_on : Timestamp
        Today.

    Returns
    -------
    dict of DataFrame
        `reserve_watch`, `reserve_reliability`.
    """
    watch = _watch(reserve, state, model, policy, as_of_on)
    return {"reserve_watch": watch, "reserve_reliability": _reliability(reserve)}


def _watch(reserve, state, model, policy: Policy, as_of_on: pd.Timestamp) -> pd.DataFrame:
    declared = TABLES["reserve_watch"].fields.values()
    today = pd.Timestamp(as_of_on).tz_localize("UTC") + pd.Timedelta(days=1)
    state = state[state["started_at"] < today].sort_values(["member_id", "started_at", "dive_id"], ignore_index=True)
    last = state.groupby("member_id").tail(policy.reserve.watch_dives)
    last = last[last["started_at"] >= today - pd.Timedelta(days=policy.reserve.watch_days + 1)]
    if not len(last):
        return conform(pd.DataFrame({"member_id": pd.Series([], dtype="str")}), declared)
    columns = ["below_policy", "least_margin_free_l", "critical_rmv_l_min", "cause", "cause_shares", "fill_low_bar"]
    last = last.merge(reserve[["member_id", "dive_id", *columns]], on=["member_id", "dive_id"], how="left")
    last["known"] = last["least_margin_free_l"].notna()
    last["not_assessed"] = last["below_policy"].isna()
    last["is_below"] = last["below_policy"].fillna(False).astype(bool)
    members = last.groupby("member_id", sort=True)
    made = pd.DataFrame(
        {
            "dives_considered": members.size(),
            "dives_not_assessed": members["not_assessed"].sum(),
            "dives_below_policy": members["is_below"].sum(),
            "known": members["known"].sum(),
            "median_margin_free_l": members["least_margin_free_l"].median(),
        }
    )
    made["chance_next_below"] = _chance_next(last, model, policy, today)
    made["main_cause"] = _main_cause(last).reindex(made.index).fillna("none")
    made["low_bar"] = last[last["is_below"]].groupby("member_id")["fill_low_bar"].median().reindex(made.index)
    made["state"] = _state(made, policy)
    made["reason"] = [_reason(row) for row in made.itertuples()]
    return conform(made.reset_index(), declared)


def _chance_next(last: pd.DataFrame, model: pd.DataFrame, policy: Policy, today: pd.Timestamp) -> np.ndarray:
    """Chance for a dive today by member, in the order of sorted member ids."""
    most = policy.reserve.watch_dives
    member = pd.factorize(last["member_id"], sort=True)[0]
    place = last.groupby("member_id").cumcount().to_numpy()
    count = member.max() + 1
    rows, filled = np.zeros((count, most), int), np.zeros((count, most), bool)
    rows[member, place], filled[member, place] = np.arange(len(last)), True
    critical = last["critical_rmv_l_min"].to_numpy(float)
    drawn, at, known = _draws(last, np.where(critical == np.inf, 1e6, critical), rows, filled)
    newest = last.groupby("member_id", sort=True).tail(1).sort_values("member_id")
    to_day = np.full(count, (today - pd.Timestamp("1970-01-01", tz="UTC")) / pd.Timedelta(days=1))
    mean, sd = predicted_rates(newest, at, to_day, model)
    chance = chance_below(drawn, mean, sd, known)
    return np.where(known.sum(axis=1) < LEAST_DIVES, np.nan, chance)


def _main_cause(last: pd.DataFrame) -> pd.Series:
    """The most frequent cause of the member's dives below policy; of equals the one with the larger shares."""
    below = last[last["is_below"] & last["cause_shares"].notna()]
    if not len(below):
        return pd.Series([], dtype="str")
    shares = pd.DataFrame(list(below["cause_shares"]), index=below["member_id"])
    most = pd.get_dummies(below["cause"]).set_axis(below["member_id"]).reindex(columns=shares.columns, fill_value=False)
    return (most.groupby(level=0).sum() + 0.5 * shares.groupby(level=0).mean()).idxmax(axis=1).astype("str")


def _state(made: pd.DataFrame, policy: Policy) -> np.ndarray:
    chance = made["chance_next_below"].to_numpy(float)
    unsure = made["dives_not_assessed"] > NOT_ASSESSED_SHARE * made["dives_considered"]
    watched = (chance >= policy.reserve.watch_chance) | (made["dives_below_policy"] > 0) | unsure
    few = (made["known"] < LEAST_DIVES) | ~np.isfinite(chance)
    return np.select(
        [few, chance >= policy.reserve.thin_chance, watched], ["too_few", "thin", "watch"], default="comfortable"
    )


def _reason(row) -> str:
    """What to know, in a few sentences, worst first."""
    words = {
        "known": row.known,
        "judged": row.dives_considered - row.dives_not_assessed,
        "considered": row.dives_considered,
        "below": row.dives_below_policy,
        "not_assessed": row.dives_not_assessed,
        "chance": share(row.chance_next_below),
        "main_cause": CAUSE_WORDS[row.main_cause],
        "short_bar": row.low_bar,
    }
    said = []
    if row.state == "too_few":
        said.append("too_few")
    if row.dives_below_policy:
        said.append("below")
        if row.main_cause in ("cooling", "started_short") and row.low_bar >= 5:
            said.append("short_fills")
    if row.state in ("thin", "watch"):
        said.append("chance")
    if row.dives_not_assessed and row.state != "too_few":
        said.append("not_assessed")
    if row.state == "comfortable":
        said.insert(0, "none_seen")
    return " ".join(WATCH_REASONS[s].format(**words) for s in said)


def _reliability(reserve: pd.DataFrame) -> pd.DataFrame:
    """Chance before each dive against what came of it; dives without a direct ascent are no test of it."""
    declared = TABLES["reserve_reliability"].fields.values()
    floor = np.array(["no_direct_ascent" in f for f in reserve["flags"]], bool)
    known = reserve["chance_before"].notna() & reserve["below_policy"].notna()
    rows = reserve[known.to_numpy(bool) & ~floor]
    edges, bins = np.array(CHANCE_EDGES), len(CHANCE_EDGES) - 1
    bin_of = np.clip(np.searchsorted(edges, rows["chance_before"].to_numpy(float), side="right") - 1, 0, bins - 1)
    dives = np.bincount(bin_of, minlength=bins)
    below = np.bincount(bin_of, weights=rows["below_policy"].astype(float).to_numpy(), minlength=bins)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = below / dives
    made = {"chance_from": edges[:-1], "chance_to": edges[1:], "dives": dives, "share_below": share}
    return conform(pd.DataFrame(made), declared)
