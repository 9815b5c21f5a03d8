"""Two settled readings of one fill that cannot both be right: the later counts, and the fill says so."""

from collections.abc import Callable

import numpy as np
import pandas as pd

from pipelines.derive.columns import floats
from pipelines.derive.fills.station_wide import limit_bar
from schemas.settled_twice import allowed_bar, at_15_c

APART = "settled_readings_apart"
_COLUMNS = ("fill_id", "settled_pressure_bar", "settled_c", "settled_gauge_id", "at")


def with_readings_apart(
    fills: pd.DataFrame,
    logged: pd.DataFrame,
    readings: pd.DataFrame,
    used: Callable[[], pd.DataFrame],
    gauges: pd.DataFrame,
    check_gauge_limit_bar: float,
    settle_hours: float,
) -> pd.DataFrame:
    """Fills with `settled_readings_apart` among the `value_flags` of those whose last two readings disagree.

    Compared are readings with their temperature, taken after `settle_hours`, with no next fill and no dive of the
    unit between them: a third reading that agrees with the second answers the question.

    Parameters
    ----------
    fills : DataFrame
        With each fill's later readings in its own row.
    logged, readings : DataFrame
        Current rows of `fills` and `fill_readings`.
    used : callable
        Gives unit_id, at (UTC): when gas was taken from a unit, or it was filled again; most runs need not ask.
    gauges : DataFrame
        gauge_id, accuracy_class, span_bar, step_bar.
    check_gauge_limit_bar, settle_hours : float
        Policy's.
    """
    found = readings[readings["settled_pressure_bar"].notna()]
    if found.empty:
        return fills
    found = found[found["fill_id"].isin(fills["fill_id"])]
    own = logged[logged["fill_id"].isin(found["fill_id"]) & logged["settled_pressure_bar"].notna()]
    of = fills.drop_duplicates("fill_id").set_index("fill_id")
    cold_at = own["fill_id"].map(of["filled_at"]) + pd.Timedelta(hours=settle_hours)  # where the log does not say when
    own = own.assign(at=own["settled_at"].fillna(cold_at))
    both = pd.concat([own, found.assign(at=found["read_at"])])[list(_COLUMNS)]
    both["hours"] = (both["at"] - both["fill_id"].map(of["filled_at"])).dt.total_seconds() / 3600.0
    both = both[both["settled_c"].notna() & (both["hours"] >= settle_hours)].sort_values("at", kind="stable")
    last = both.groupby("fill_id").tail(2)
    last = last[last.groupby("fill_id")["at"].transform("size") == 2]
    if last.empty:
        return fills
    by_fill = last.groupby("fill_id")
    first, second = by_fill.head(1).set_index("fill_id"), by_fill.tail(1).set_index("fill_id")
    second = second.loc[first.index]  # both stand in order of time, where readings of many fills interleave
    o2, he = (
        of[f"analysed_{gas}_pct"]
        .fillna(of[f"target_{gas}_pct"])
        .reindex(first.index)
        .to_numpy("float64", na_value=np.nan)
        for gas in ("o2", "he")
    )
    a, b = (at_15_c(floats(r["settled_pressure_bar"]), floats(r["settled_c"]), o2, he) for r in (first, second))
    limits, steps = _limits(first, second, gauges, check_gauge_limit_bar)
    days = (second["hours"] - first["hours"]).to_numpy() / 24.0
    apart = np.abs(a - b) > allowed_bar(np.fmax(a, b), limits, steps, days)
    if apart.any():
        apart &= ~_used_between(of["unit_id"].reindex(first.index), first["at"], second["at"], used())
    return _flagged(fills, set(first.index[apart]))


def _limits(
    first: pd.DataFrame, second: pd.DataFrame, gauges: pd.DataFrame, check_gauge_limit_bar: float
) -> tuple[np.ndarray, np.ndarray]:
    """Limits of error of both gauges, none for one gauge read twice; and the steps they are read to."""
    known = gauges.drop_duplicates("gauge_id", keep="last").set_index("gauge_id")
    limits, steps = np.zeros(len(first)), np.zeros(len(first))
    for rows in (first, second):
        gauge = rows["settled_gauge_id"]
        limits += np.where(gauge.isna(), check_gauge_limit_bar, limit_bar(gauge, known))
        steps += gauge.map(known["step_bar"]).astype("float64").fillna(0.5).to_numpy()
    gauge, other = (rows["settled_gauge_id"].astype("object").fillna("").to_numpy(object) for rows in (first, second))
    return np.where(gauge == other, 0.0, limits), steps


def _used_between(units: pd.Series, since: pd.Series, until: pd.Series, used: pd.DataFrame) -> np.ndarray:
    out = np.zeros(len(units), bool)
    for n, (unit, begin, end) in enumerate(zip(units, since, until, strict=True)):
        at = used.loc[used["unit_id"] == unit, "at"]
        out[n] = bool(((at > begin) & (at <= end)).any())
    return out


def _flagged(fills: pd.DataFrame, apart: set[str]) -> pd.DataFrame:
    if not apart:
        return fills
    flags = fills["value_flags"] if "value_flags" in fills else pd.Series([[]] * len(fills), index=fills.index)
    made = [
        [*(old if isinstance(old, list | tuple | np.ndarray) else []), *([APART] if fill in apart else [])]
        for old, fill in zip(flags, fills["fill_id"], strict=True)
    ]
    return fills.assign(value_flags=pd.Series(made, index=fills.index, dtype="object"))


def uses(fills: pd.DataFrame, tanks: pd.DataFrame, dives: pd.DataFrame, cylinders: pd.DataFrame) -> pd.DataFrame:
    """When gas was taken from a unit by a dive, or it was filled: unit_id, at. A side's dive is one of its set too."""
    at = dives[["member_id", "dive_id", "started_at"]].rename(columns={"started_at": "at"})
    dived = tanks[["member_id", "dive_id", "unit_id"]].dropna(subset="unit_id").merge(at, on=["member_id", "dive_id"])
    sides = dived.assign(unit_id=dived["unit_id"].map(cylinders.set_index("cylinder_id")["set_id"])).dropna()
    filled = fills[["unit_id", "filled_at"]].rename(columns={"filled_at": "at"})
    return pd.concat([dived[["unit_id", "at"]], sides[["unit_id", "at"]], filled], ignore_index=True)
