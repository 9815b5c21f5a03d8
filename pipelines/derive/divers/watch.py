"""Whose reserves run thin: the chance that the next dive goes below, what was seen, and how far such chances held."""

import numpy as np
import pandas as pd

from pipelines.derive.divers.reserve_chance import chance_on, correct_chances, is_tested
from schemas.codes.divers import CAUSE_WORDS, WATCH_REASONS
from schemas.frames import conform
from schemas.policy import Policy
from schemas.tables import TABLES
from schemas.words import number, share, under
from shared.diving.reserve_chance import LEAST_DIVES

NOT_ASSESSED_SHARE = 0.10
CHANCE_EDGES = (0.0, 0.02, 0.05, 0.10, 0.20, 0.40, 0.60, 1.0)


def build_watch(
    reserve: pd.DataFrame,
    margins: pd.DataFrame,
    correction: pd.DataFrame,
    state: pd.DataFrame,
    model: pd.DataFrame,
    policy: Policy,
    as_of_on: pd.Timestamp,
) -> dict[str, pd.DataFrame]:
    """A row a member with dives in the last `watch_days`, and the reliability of past chances.

    Parameters
    ----------
    reserve, margins, state : DataFrame
        `dive_reserve`, `reserve_margins` and `trend_state` of all members; `state` has every dive, judged or not.
    correction, model : DataFrame
        `reserve_correction`, and the trend's shared fits.
    policy : Policy
    as_of_on : Timestamp
        Today; later dives are not counted.

    Returns
    -------
    dict of DataFrame
        `reserve_watch`, `reserve_reliability`.
    """
    tomorrow = pd.Timestamp(as_of_on).tz_localize("UTC") + pd.Timedelta(days=1)
    state = state[state["started_at"] < tomorrow].sort_values(["member_id", "started_at", "dive_id"], ignore_index=True)
    drawn = _chance_today(margins, correction, state, model, policy, tomorrow)
    return {
        "reserve_watch": _watch(reserve, state, drawn, policy, tomorrow),
        "reserve_reliability": _reliability(reserve[reserve["started_at"] < tomorrow]),
    }


def _chance_today(margins, correction, state, model, policy: Policy, tomorrow: pd.Timestamp) -> pd.Series:
    """Chance for a dive today by member, corrected."""
    day = (tomorrow - pd.Timestamp("1970-01-01", tz="UTC")) / pd.Timedelta(days=1)
    drawn = chance_on(day, margins, state, model, policy)
    month = pd.Series([(tomorrow - pd.Timedelta(days=1)).tz_localize(None)] * len(drawn), dtype="datetime64[us]")
    return pd.Series(correct_chances(drawn.to_numpy(float), month, correction), index=drawn.index)


def _watch(reserve, state, chance: pd.Series, policy: Policy, tomorrow: pd.Timestamp) -> pd.DataFrame:
    declared = TABLES["reserve_watch"].fields.values()
    recent = state[state["started_at"] >= tomorrow - pd.Timedelta(days=policy.reserve.watch_days + 1)]
    if not len(recent):
        return conform(pd.DataFrame({"member_id": pd.Series([], dtype="str")}), declared)
    columns = ["below_policy", "below_surfacing_min", "surfaced_bar", "least_margin_free_l", "cause", "cause_shares"]
    recent = recent[["member_id", "dive_id"]].merge(
        reserve[["member_id", "dive_id", *columns, "fill_low_bar"]], on=["member_id", "dive_id"], how="left"
    )
    recent["known"] = recent["least_margin_free_l"].notna()
    recent["not_assessed"] = recent["below_policy"].isna()
    recent["is_below"] = recent["below_policy"].fillna(False).astype(bool)
    recent["surfaced_low"] = recent["below_surfacing_min"].fillna(False).astype(bool)
    recent["surfaced_known"] = recent["below_surfacing_min"].notna()
    members = recent.groupby("member_id", sort=True)
    made = pd.DataFrame(
        {
            "dives_considered": members.size(),
            "dives_not_assessed": members["not_assessed"].sum(),
            "dives_below_policy": members["is_below"].sum(),
            "known": members["known"].sum(),
            "median_margin_free_l": members["least_margin_free_l"].median(),
            "dives_surfaced_known": members["surfaced_known"].sum(),
            "dives_below_surfacing_min": members["surfaced_low"].sum(),
            "least_surfaced_bar": members["surfaced_bar"].min(),
        }
    )
    made["chance_next_below"] = chance.reindex(made.index).to_numpy(float)
    made["main_cause"] = _main_cause(recent).reindex(made.index).fillna("none")
    made["low_bar"] = recent[recent["is_below"]].groupby("member_id")["fill_low_bar"].median().reindex(made.index)
    made["state"] = _state(made, policy)
    made["reason"] = [_reason(row, policy) for row in made.itertuples()]
    return conform(made.reset_index(), declared)


def _main_cause(recent: pd.DataFrame) -> pd.Series:
    """The most frequent cause of the member's dives below policy; of equals the one with the larger shares."""
    below = recent[recent["is_below"] & recent["cause_shares"].notna()]
    if not len(below):
        return pd.Series([], dtype="str")
    shares = pd.DataFrame(list(below["cause_shares"]), index=below["member_id"])
    most = pd.get_dummies(below["cause"]).set_axis(below["member_id"]).reindex(columns=shares.columns, fill_value=False)
    return (most.groupby(level=0).sum() + 0.5 * shares.groupby(level=0).mean()).idxmax(axis=1).astype("str")


def _unsure(made: pd.DataFrame) -> pd.Series:
    return made["dives_not_assessed"] > NOT_ASSESSED_SHARE * made["dives_considered"]


def _state(made: pd.DataFrame, policy: Policy) -> np.ndarray:
    """What was seen is to be watched however few the dives are; a chance needs five."""
    chance = made["chance_next_below"].to_numpy(float)
    few = ((made["known"] < LEAST_DIVES) | ~np.isfinite(chance)).to_numpy(bool)
    seen = ((made["dives_below_policy"] > 0) | (made["dives_below_surfacing_min"] > 0)).to_numpy(bool)
    watched = seen | (~few & ((chance >= policy.reserve.watch_chance) | _unsure(made).to_numpy(bool)))
    return np.select(
        [~few & (chance >= policy.reserve.thin_chance), watched, few], ["thin", "watch", "too_few"], "comfortable"
    )


def _reason(row, policy: Policy) -> str:
    """Why the state is what it is, in a few sentences: what was seen apart from what is expected."""
    few = row.known < LEAST_DIVES or not np.isfinite(row.chance_next_below)
    words = {
        "known": row.known,
        "judged": row.dives_considered - row.dives_not_assessed,
        "considered": row.dives_considered,
        "below": row.dives_below_policy,
        "not_assessed": row.dives_not_assessed,
        "chance": share(row.chance_next_below),
        "main_cause": CAUSE_WORDS[row.main_cause],
        "short_bar": number(row.low_bar, 0, "bar"),
        "surfaced_low": row.dives_below_surfacing_min,
        "surfaced_known": row.dives_surfaced_known,
        "surfacing_min": number(policy.reserve.surfacing_min_bar, 0, "bar"),
        "least_surfaced": under(row.least_surfaced_bar, policy.reserve.surfacing_min_bar, "bar")
        if row.dives_below_surfacing_min
        else number(row.least_surfaced_bar, 0, "bar"),
    }
    expected = not few and row.chance_next_below >= policy.reserve.watch_chance
    codes = []
    if row.state == "comfortable":
        codes.append("none_seen")
    if row.dives_below_policy:
        codes.append("below" if row.dives_below_policy > 1 else "one_below")
    if row.dives_below_surfacing_min:
        codes.append("surfaced_low" if row.dives_below_surfacing_min > 1 else "one_surfaced_low")
    elif few and row.dives_surfaced_known:
        codes.append("none_surfaced_low")
    if row.dives_below_policy and row.main_cause in ("cooling", "started_short") and row.low_bar >= 5:
        codes.append("short_fills")
    if few:
        codes.append("too_few")
    elif expected:
        codes.append("chance" if row.dives_below_policy else "chance_alone")
    elif row.state == "watch":
        seen = row.dives_below_policy or row.dives_below_surfacing_min
        codes.append("for_what_was_seen" if seen else "for_what_is_not_known")
    if row.dives_not_assessed and not few and "for_what_is_not_known" not in codes:
        codes.append("not_assessed")
    return " ".join(WATCH_REASONS[c].format(**words) for c in codes)


def _reliability(reserve: pd.DataFrame) -> pd.DataFrame:
    """Chance before each dive against what came of it; dives without a direct ascent are no test of it."""
    declared = TABLES["reserve_reliability"].fields.values()
    rows = reserve[is_tested(reserve, "chance_before")]
    edges, bins = np.array(CHANCE_EDGES), len(CHANCE_EDGES) - 1
    chance = rows["chance_before"].to_numpy(float)
    bin_of = np.clip(np.searchsorted(edges, chance, side="right") - 1, 0, bins - 1)
    dives = np.bincount(bin_of, minlength=bins)
    below = np.bincount(bin_of, weights=rows["below_policy"].astype(float).to_numpy(), minlength=bins)
    stated = np.bincount(bin_of, weights=chance, minlength=bins)
    with np.errstate(invalid="ignore", divide="ignore"):
        made = pd.DataFrame({"share_below": below / dives, "mean_chance": stated / dives})
    return conform(made.assign(chance_from=edges[:-1], chance_to=edges[1:], dives=dives), declared)
