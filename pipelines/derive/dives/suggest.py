"""Which unit a tank of a dive probably was, where nothing says so: a suggestion for a person, never taken by itself."""

import numpy as np
import pandas as pd

from schemas.codes import codes_that
from schemas.tank_names import tank_name

#: of a size that a dive computer states: within so much it may be this one
SIZE_L, SIZE_SHARE = 0.6, 0.06
#: a fill so long before a dive may be what was dived
FILL_DAYS = 14
#: within which an analysis, and a reading before the dive, agree with what the dive says
MIX_PCT, PRESSURE_BAR = 1.5, 15.0
#: weights of what speaks for a unit; without one that says whose it was nothing is suggested
WEIGHTS = {
    "tank_on_loan": 4,
    "tank_owned": 3,
    "tank_filled_for": 3,
    "tank_size_fits": 2,
    "tank_filled_before": 1,
    "tank_mix_fits": 1,
    "tank_pressure_fits": 1,
}
WHOSE = codes_that(lambda c: c.says_whose)
#: other units that are offered to choose from
MOST_OTHERS = 6
KEY = ["member_id", "dive_id", "tank_no"]


def suggest_units(
    tanks: pd.DataFrame,
    dives: pd.DataFrame,
    units: pd.DataFrame,
    cylinders: pd.DataFrame,
    loans: pd.DataFrame,
    fills: pd.DataFrame,
) -> pd.DataFrame:
    """Tanks without a unit, each with the one that size, owner, date and the fill before speak for.

    Parameters
    ----------
    tanks, dives, cylinders, loans : DataFrame
        Current rows of the sources `dive_tanks`, `dives`, `cylinders` and `loans`.
    units, fills : DataFrame
        Published `units` and `fill_quality`.

    Returns
    -------
    DataFrame
        A row a tank, as `tank_suggestions` declares it. Tanks that the files give one name are one to their member,
        and have one suggestion. It is empty where two units are as likely, or nothing says whose it was.
    """
    when = dives[["member_id", "dive_id", "started_at", "duration_min"]]
    known = tanks.merge(when, on=["member_id", "dive_id"], how="inner")
    lost = known[known["unit_id"].isna()].reset_index(drop=True)
    named = lost["tank_ref"].notna()
    by_dive = [tank_name(d, n) for d, n in zip(lost["dive_id"], lost["tank_no"], strict=True)]
    lost["source_ref"] = lost["tank_ref"].where(named, pd.Series(by_dive, index=lost.index, dtype="str"))
    out = lost[[*KEY, "source_ref", "tank_ref", "role", "water_capacity_l", "o2_pct", "start_pressure_bar"]].assign(
        started_at=lost["started_at"], suggested_unit_id=None, reasons=[[] for _ in range(len(lost))],
        other_unit_ids=[[] for _ in range(len(lost))],
    )  # fmt: skip
    whole = _dived_as_one(units)
    if lost.empty or whole.empty:
        return out
    pairs = _pairs(lost, known, whole, units, cylinders, loans, fills)
    found = {name: _best(group) for name, group in pairs.groupby(["member_id", "source_ref"], sort=False)}
    answers = [found.get(key, (None, [], [])) for key in zip(out["member_id"], out["source_ref"], strict=True)]
    return out.assign(
        suggested_unit_id=[a[0] for a in answers],
        reasons=[a[1] for a in answers],
        other_unit_ids=[a[2] for a in answers],
    )


def _dived_as_one(units: pd.DataFrame) -> pd.DataFrame:
    """Cylinders and joined sets, without the sides of these."""
    joined = units["joined"].fillna(False).astype(bool)
    side = joined & units["set_id"].notna() & (units["unit_id"] != units["set_id"])
    return units.loc[~side, ["unit_id", "water_capacity_l"]].rename(columns={"water_capacity_l": "unit_capacity_l"})


def _pairs(lost, known, whole, units, cylinders, loans, fills) -> pd.DataFrame:
    """Every tank with every unit that it may have been, and what speaks for it, a column each."""
    lost = lost.drop(columns="unit_id")
    pairs = lost.merge(whole.assign(unit_id=whole["unit_id"].astype("str")), how="cross")
    apart = (pairs["water_capacity_l"] - pairs["unit_capacity_l"]).abs()
    sized = apart.notna()
    fits = apart <= np.maximum(SIZE_L, SIZE_SHARE * pairs["unit_capacity_l"])
    pairs = pairs[fits | ~sized].assign(tank_size_fits=(fits & sized)).sort_values("started_at", kind="stable")
    set_of = dict(zip(units["unit_id"], units["set_id"].where(units["joined"].fillna(False)), strict=True))
    used = known[known["unit_id"].notna()].assign(
        unit_id=lambda k: [set_of.get(u) if isinstance(set_of.get(u), str) else u for u in k["unit_id"]]
    )
    pairs = _not_dived_by_others(pairs, used)
    owner = cylinders.assign(
        unit_id=[set_of.get(c) if isinstance(set_of.get(c), str) else c for c in cylinders["cylinder_id"]]
    )
    owned = set(zip(owner["unit_id"], owner["owner_id"], strict=True))
    pairs["tank_owned"] = [pair in owned for pair in zip(pairs["unit_id"], pairs["member_id"], strict=True)]
    pairs["tank_on_loan"] = _on_loan(pairs, loans)
    return _with_fill(pairs, fills)


def _not_dived_by_others(pairs: pd.DataFrame, used: pd.DataFrame) -> pd.DataFrame:
    """Without units that somebody is known to have dived at that very time; with the last use before."""
    minutes = pd.to_timedelta(used["duration_min"].fillna(0.0), unit="min")
    began = used["started_at"]
    uses = pd.DataFrame({"unit_id": used["unit_id"].astype("str"), "used_at": began, "used_until": began + minutes})
    uses = uses.sort_values("used_at")
    ends = pairs["started_at"] + pd.to_timedelta(pairs["duration_min"].fillna(0.0), unit="min")
    pairs = pairs.assign(ends_at=ends).sort_values("ends_at", kind="stable")
    uses["used_at"], pairs["ends_at"] = (s.astype("datetime64[us, UTC]") for s in (uses["used_at"], pairs["ends_at"]))
    pairs = pd.merge_asof(pairs, uses, left_on="ends_at", right_on="used_at", by="unit_id")
    return pairs[~(pairs["used_until"] > pairs["started_at"])].sort_values("started_at", kind="stable")


def _on_loan(pairs: pd.DataFrame, loans: pd.DataFrame) -> np.ndarray:
    out = loans[["unit_id", "member_id", "out_at", "back_at"]]
    place = pairs[["unit_id", "member_id", "started_at"]].assign(place=range(len(pairs)))
    met = place.merge(out, on=["unit_id", "member_id"])
    held = met[(met["out_at"] <= met["started_at"]) & ~(met["back_at"] < met["started_at"])]
    return np.isin(np.arange(len(pairs)), held["place"].to_numpy())


def _with_fill(pairs: pd.DataFrame, fills: pd.DataFrame) -> pd.DataFrame:
    """What the last fill before the dive says, where nobody else dived the unit since."""
    of = fills[["unit_id", "filled_at", "member_id", "o2_pct", "settled_pressure_bar_15c"]].rename(
        columns={"member_id": "filled_for", "o2_pct": "filled_o2_pct"}
    )
    pairs = pd.merge_asof(
        pairs.sort_values("started_at", kind="stable"),
        of.assign(unit_id=of["unit_id"].astype("str")).sort_values("filled_at"),
        left_on="started_at",
        right_on="filled_at",
        by="unit_id",
        tolerance=pd.Timedelta(days=FILL_DAYS),
    )
    fresh = pairs["filled_at"].notna() & ~(pairs["used_at"] > pairs["filled_at"])
    mix = (pairs["o2_pct"] - pairs["filled_o2_pct"]).abs()
    pressure = (pairs["start_pressure_bar"] - pairs["settled_pressure_bar_15c"]).abs()
    return pairs.assign(
        tank_filled_before=fresh,
        tank_filled_for=fresh & (pairs["filled_for"] == pairs["member_id"]).fillna(False),
        tank_mix_fits=fresh & (mix <= MIX_PCT),
        tank_pressure_fits=fresh & (pressure <= PRESSURE_BAR),
    )


def _best(group: pd.DataFrame) -> tuple[str | None, list[str], list[str]]:
    """Of one tank, over its dives: the unit, what speaks for it, and the next likely ones."""
    share = group.groupby("unit_id")[list(WEIGHTS)].mean()
    score = (share * pd.Series(WEIGHTS)).sum(axis=1)
    # one that was impossible on some of the dives is the less likely
    score *= group.groupby("unit_id")["dive_id"].nunique() / group["dive_id"].nunique()
    ranked = score.sort_values(ascending=False, kind="stable")
    ranked = ranked[ranked > 0]
    if ranked.empty:
        return None, [], []
    first = str(ranked.index[0])
    why = [name for name in WEIGHTS if share.at[first, name] >= 0.5]
    sure = bool(set(why) & set(WHOSE)) and (len(ranked) == 1 or ranked.iloc[0] - ranked.iloc[1] >= 1.0)
    names = [str(u) for u in ranked.index]
    return (first, why, names[1 : MOST_OTHERS + 1]) if sure else (None, [], names[:MOST_OTHERS])
