"""Which fill a dive started with, and what else its cylinders had done just before.

Done once for all members, because another member's dive may lie between.
"""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

KEY = ["member_id", "dive_id", "tank_no"]
LINK_COLUMNS = [
    *KEY,
    "unit",
    "fill_id",
    "filled_at",
    "dives_since_fill",
    "last_dive_at",
    "last_dive_minutes",
    "last_dive_water_c",
    "dived_at_once",
]
CLOCKS_DIFFER = pd.Timedelta(minutes=15)
"""Two dives follow each other, though the clocks of two computers say that they overlap by so much."""
DECIMALS = 6
"""Of what a dive says of its fill so many are given on: far more than a gauge tells."""
LEAST_APART = pd.Timedelta(minutes=5)
"""Nobody hands over a back cylinder within so long of the beginning of a dive."""


def dived_unit(unit_id: pd.Series, units: pd.DataFrame) -> pd.Series:
    """The unit that is filled and dived as one: a cylinder of a joined set stands for its set."""
    listed = zip(units["unit_id"].tolist(), units["set_id"].tolist(), units["joined"].tolist(), strict=True)
    set_of = {unit: whole for unit, whole, joined in listed if joined is True and isinstance(whole, str)}
    place, named = pd.factorize(unit_id)  # of many fills and dives each unit is looked up once
    dived = pd.array([set_of.get(unit, unit) for unit in named.tolist()], dtype="str")
    return pd.Series(dived.take(place, allow_fill=True), unit_id.index)


def link_fills(
    dive_tanks: pd.DataFrame, dives: pd.DataFrame, fills: pd.DataFrame, units: pd.DataFrame, days: int = 60
) -> pd.DataFrame:
    """Join each cylinder of each dive to the last fill before it.

    Parameters
    ----------
    dive_tanks, dives : DataFrame
        Of all members.
    fills : DataFrame
        fill_id, unit_id, filled_at.
    units : DataFrame
    days : int
        A fill longer ago is not taken to be the one dived.

    Returns
    -------
    DataFrame
        A row a dive_tanks row: `unit` (as `dived_unit`), `fill_id` (empty when another dive with the
        unit lies between, or the fill is too old), `filled_at` of that last fill, `dives_since_fill`
        (dives with the unit between fill and this dive), the unit's last dive before this one, and
        `dived_at_once` (another member wore the unit at the same time).
    """
    when = dives[["member_id", "dive_id", "started_at", "duration_min", "water_c"]]
    rows = dive_tanks[[*KEY, "unit_id", "role"]].merge(when, on=["member_id", "dive_id"], how="inner")
    rows["unit"] = dived_unit(rows["unit_id"], units)
    rows = rows.sort_values(["started_at", *KEY], ignore_index=True)
    uses = rows.loc[rows["unit"].notna(), ["unit", "started_at", "member_id", "dive_id", "duration_min", "water_c"]]
    uses = uses.drop_duplicates(["unit", "member_id", "dive_id"]).reset_index(drop=True)
    uses["use_no"] = uses.groupby("unit").cumcount()
    by_unit = uses.groupby("unit")
    uses["last_dive_at"] = by_unit["started_at"].shift()
    uses["last_dive_minutes"] = by_unit["duration_min"].shift()
    uses["last_dive_water_c"] = by_unit["water_c"].shift()

    filled = pd.DataFrame(
        {
            "unit": dived_unit(fills["unit_id"], units),
            "fill_id": fills["fill_id"].astype("str"),
            "filled_at": fills["filled_at"],
        }
    )
    filled = filled[filled["unit"].notna() & filled["filled_at"].notna()].sort_values("filled_at", ignore_index=True)
    # dives with the unit before each fill: the number of the last one, plus one
    before = pd.merge_asof(
        filled,
        uses[["unit", "started_at", "use_no"]],
        left_on="filled_at",
        right_on="started_at",
        by="unit",
        allow_exact_matches=False,
    )
    filled["uses_before"] = before["use_no"].fillna(-1).to_numpy() + 1
    linked = pd.merge_asof(uses, filled, left_on="started_at", right_on="filled_at", by="unit")
    linked["dives_since_fill"] = (linked["use_no"] - linked["uses_before"]).astype("Int64")
    young = (linked["started_at"] - linked["filled_at"]) <= pd.Timedelta(days=days)
    linked.loc[~young, ["dives_since_fill"]] = pd.NA
    linked["fill_id"] = linked["fill_id"].where((young & (linked["dives_since_fill"] == 0)).fillna(False).astype(bool))
    linked["filled_at"] = linked["filled_at"].where(young)

    keep = [c for c in LINK_COLUMNS if c != "tank_no"]
    linked["dived_at_once"] = linked["use_no"].index.isin(_worn_at_once(rows, linked))
    out = rows[[*KEY, "unit"]].merge(linked[keep], on=["unit", "member_id", "dive_id"], how="left")
    out["dived_at_once"] = out["dived_at_once"].fillna(False).astype(bool)
    return out[LINK_COLUMNS].astype({"unit": "str", "fill_id": "str"})


def _worn_at_once(rows: pd.DataFrame, uses: pd.DataFrame) -> pd.Index:
    """Places of the uses of a unit as back gas that overlap with one of another member."""
    back = rows.loc[(rows["role"] == "back").fillna(False).astype(bool), ["unit", "member_id", "dive_id"]]
    key = ["unit", "member_id", "dive_id"]
    worn = uses[pd.MultiIndex.from_frame(uses[key]).isin(pd.MultiIndex.from_frame(back))]
    lasts = (pd.to_timedelta(worn["duration_min"].fillna(0.0), unit="min") - CLOCKS_DIFFER).clip(lower=LEAST_APART)
    of_unit = worn.groupby("unit")
    next_at, next_member = of_unit["started_at"].shift(-1), of_unit["member_id"].shift(-1)
    clash = (next_at < worn["started_at"] + lasts) & (next_member != worn["member_id"])
    with_last = clash.groupby(worn["unit"]).shift(fill_value=False).astype(bool)
    return worn.index[clash | with_last]


def last_fills(links: pd.DataFrame, fills: pd.DataFrame, units: pd.DataFrame) -> NDArray:
    """Place in `fills` of the last fill before each link, by unit and time; -1 where there is none.

    The mix inside is the last fill's also when another dive lies between.
    """
    units_of, filled_at = dived_unit(fills["unit_id"], units).tolist(), _moments(fills["filled_at"])
    at = {key: row for row, key in enumerate(zip(units_of, filled_at, strict=True)) if isinstance(key[0], str)}
    asked = zip(links["unit"].tolist(), _moments(links["filled_at"]), strict=True)
    return np.array([at.get(key, -1) for key in asked], int)


def _moments(times: pd.Series) -> list[int]:
    return times.to_numpy("datetime64[us]").astype("int64").tolist()


def first_water_readings(fits: pd.DataFrame, dives: pd.DataFrame, least_sd_c: float = 4.0) -> pd.DataFrame:
    """What cylinders held on their first dive after a fill, as a reading in the water of that dive.

    Parameters
    ----------
    fits : DataFrame
        The `dive_fits` frame of `build_member_dives`, of one or more members.
    dives : DataFrame
        member_id, dive_id and started_at of theirs.
    least_sd_c : float
        Fits whose trace says less than this about the starting temperature say nothing of the fill.

    Returns
    -------
    DataFrame
        fill_id, member_id, pressure_bar (gauge reading at water_c had nothing been breathed), water_c, minutes
        (how long the cylinder had been in the water when the trace ended), sd_bar, dived_at (when the dive began).
        What was believed of the fill beforehand is taken out again, so that it is not counted twice.
    """
    use = fits[fits["fill_id"].notna() & fits["settled_sd_bar"].notna() & (fits["start_data_sd_c"] <= least_sd_c)]
    out = use[["fill_id", "member_id", "dive_id", "settled_bar", "water_c", "minutes", "settled_sd_bar"]].rename(
        columns={"settled_bar": "pressure_bar", "settled_sd_bar": "sd_bar"}
    )
    # an earlier dive comes out otherwise in the last digits when its member hands in another
    out = out.round(dict.fromkeys(("pressure_bar", "water_c", "minutes", "sd_bar"), DECIMALS))
    out = out.sort_values("sd_bar").drop_duplicates("fill_id").sort_values("fill_id", ignore_index=True)
    began = dives.drop_duplicates(["member_id", "dive_id"]).set_index(["member_id", "dive_id"])["started_at"]
    at = began.reindex(pd.MultiIndex.from_frame(out[["member_id", "dive_id"]])).to_numpy("datetime64[us]")
    return out.drop(columns="dive_id").assign(dived_at=pd.Series(at, out.index).dt.tz_localize("UTC"))


def unknown_as_nan(values: pd.Series) -> np.ndarray:
    """Float array of a column that may be missing or nullable."""
    if isinstance(values.dtype, np.dtype) and values.dtype.kind in "fiu":
        return values.to_numpy("float64")
    return pd.to_numeric(values, errors="coerce").to_numpy("float64", na_value=np.nan)
