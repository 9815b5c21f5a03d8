"""Did a cylinder get gas from elsewhere between two fills of the log?

Between fills a closed cylinder holds what it held, or less. A reading above that, at the valve, at the start or end of
a dive or when a loan comes back, says that somebody else filled it, with what nobody knows.
"""

import numpy as np
import pandas as pd

from pipelines.derive.columns import floats
from pipelines.derive.fleet.inspections import local_day
from pipelines.derive.units import cylinders_of_units_on
from schemas.policy import Policy
from shared.gas import thermal
from shared.gas.constants import REFERENCE_C
from shared.gas.mixing import is_plain_air

WARMER_K = 10.0
"""A cylinder that stood in the sun may be so much warmer than the logged surroundings."""
OTHER_GAUGE_BAR = 8.0
"""How far a dive computer's or a member's gauge may be off a station's. A judgement."""
UNLOGGED_C, UNLOGGED_K = 15.0, 20.0
"""Where no temperature stands beside a reading the gas was so warm, give or take."""
LOGGED_K = 10.0
WARM_HOURS = 6.0
"""After so long a fill has cooled: seven time constants."""


def gas_from_elsewhere(
    c: pd.DataFrame, chain: pd.DataFrame, readings: pd.DataFrame, policy: Policy, most_bar_15c: np.ndarray
) -> np.ndarray:
    """True for each fill before which its cylinders were filled by somebody who is not in the log.

    Parameters
    ----------
    c : DataFrame
        Fills in the order of time, with their gauges (see `fills_context`).
    chain : DataFrame
        Their cylinders (see `chain_of_fills`).
    readings : DataFrame
        What cylinders read between fills (see `readings_between`).
    most_bar_15c : ndarray
        The most that each fill can have settled to, bar at 15 °C.
    """
    n = len(c)
    if not n:
        return np.zeros(0, bool)
    rows = pd.DataFrame({"cylinder_id": chain["cylinder_id"], "at": c["filled_at"].to_numpy()[chain["row"]]})
    rows["row"], rows["high"], rows["low"] = chain["row"], most_bar_15c[chain["row"]], -np.inf
    if not len(readings):
        return _least_at_start(c, chain) > _bound_by_fills(rows, n)
    known_o2 = floats(c["analysed_o2_pct"].fillna(c["target_o2_pct"]))
    events = pd.concat([rows.assign(order=2), readings.assign(row=-1)], ignore_index=True)
    events = events.sort_values(["cylinder_id", "at", "order"], kind="stable", ignore_index=True)
    is_fill = events["row"] >= 0
    events["since"] = is_fill.groupby(events["cylinder_id"]).cumsum()
    events["high"] = events["high"].fillna(np.inf)
    between = [events["cylinder_id"], events["since"]]
    events["bound"] = events.groupby(between)["high"].cummin()
    before = events.groupby(between)["bound"].shift()
    filled = events["row"].where(is_fill).groupby(events["cylinder_id"]).ffill().fillna(-1).astype("int64")
    stated_o2 = np.where(filled >= 0, known_o2[filled], np.nan)
    other_mix = events["other_o2"].notna() & ~(
        np.abs(events["other_o2"] - stated_o2) <= policy.filling.mix_tolerance_pct + 1e-9
    )
    events["rise"] = (events["low"] > before) | (other_mix & (events["since"] > 0))
    # of the time between two fills: the least bound, and whether anything rose
    latest = events.groupby(["cylinder_id", "since"]).agg(bound=("bound", "last"), rise=("rise", "any"))
    place = pd.MultiIndex.from_arrays([events.loc[is_fill, "cylinder_id"], events.loc[is_fill, "since"] - 1])
    found = latest.reindex(place)
    of_row = events.loc[is_fill, "row"].to_numpy()
    bound, rose = np.full(n, -np.inf), np.zeros(n, bool)
    # of cylinders joined since, the fuller one bounds what the set reads
    np.maximum.at(bound, of_row, found["bound"].fillna(np.inf).to_numpy(float))
    np.logical_or.at(rose, of_row, found["rise"].fillna(False).to_numpy(bool))
    return rose | (_least_at_start(c, chain) > bound)


def _bound_by_fills(rows: pd.DataFrame, n: int) -> np.ndarray:
    """The most that cylinders can hold before each fill, bar at 15 °C, where nothing is read between: what the fill
    before left in them."""
    rows = rows.sort_values(["cylinder_id", "at"], kind="stable")
    before = rows["high"].fillna(np.inf).groupby(rows["cylinder_id"]).shift().fillna(np.inf)
    bound = np.full(n, -np.inf)
    np.maximum.at(bound, rows["row"].to_numpy(), before.to_numpy())
    return bound


def _least_at_start(c: pd.DataFrame, chain: pd.DataFrame) -> np.ndarray:
    """The least that each fill's start pressure can mean, bar at 15 °C; -inf where the start is only assumed."""
    first = chain.drop_duplicates("row").set_index("row")["before"].reindex(range(len(c))).to_numpy()
    gauge = c["gauge"].to_numpy(object)
    same = (first >= 0) & (gauge == gauge[np.maximum(first, 0)])
    off = np.where(same, 2.0 * floats(c["gauge_step_bar"]), np.sqrt(2.0) * floats(c["gauge_limit_bar"]))
    start, stop = floats(c["start_pressure_bar"]), floats(c["most_read_bar"])
    least = _at_15c(start - off, floats(c["ambient_c"]) + WARMER_K)
    # soon after its last fill it may read what it read then
    begun = c["filled_at"] - pd.to_timedelta(c["minutes"].astype(float), unit="min")
    since = (begun - c["filled_at"].iloc[np.maximum(first, 0)].set_axis(c.index)).dt.total_seconds().to_numpy()
    warm = (first >= 0) & (since < WARM_HOURS * 3600.0) & (start - off <= stop[np.maximum(first, 0)])
    return np.where(c["start_assumed"] | warm | ~np.isfinite(least), -np.inf, least)


def _at_15c(pressure_bar: np.ndarray, gas_c: np.ndarray) -> np.ndarray:
    """Bar at 15 °C of a reading; air will do, for a few bar do not matter here."""
    return np.asarray(thermal.settled_pressure_bar(np.maximum(pressure_bar, 0.0), gas_c, REFERENCE_C, strict=False))


def readings_between(
    inputs: dict[str, pd.DataFrame], c: pd.DataFrame, chain: pd.DataFrame, policy: Policy
) -> pd.DataFrame:
    """What cylinders read between fills: cylinder_id, at, order, low and high (bar at 15 °C), other_o2.

    `other_o2`: the oxygen a dive was breathed with, where that is not air; NaN else.

    Notes
    -----
    A loan that a fill lies in, or that came back on the day of one, was closed in the log when somebody got round to
    it: when its pressure was read is not known, and it is left out. One post of a set does not say what the set holds
    after a dive, for its isolator may have been shut.
    """
    loans = inputs["loans"].dropna(subset=["back_at", "back_pressure_bar"])
    # rejected or waiting rows of the log: something went in, and nobody knows what
    lost = inputs.get("fills_not_accepted")
    tested = bool((inputs["inspections"]["kind"] == "hydrostatic").any())
    if not (len(inputs["dives"]) or len(loans) or tested or (lost is not None and len(lost))):
        return _NOTHING_READ
    dives = inputs["dives"][["member_id", "dive_id", "started_at", "duration_min", "air_c", "water_c"]]
    dives = dives.assign(dated=_date_alone(inputs["dives"]))
    columns = ["member_id", "dive_id", "unit_id", "o2_pct", "he_pct", "start_pressure_bar", "end_pressure_bar"]
    tanks = inputs["dive_tanks"][columns].dropna(subset=["unit_id"]).merge(dives, on=["member_id", "dive_id"])
    tanks = tanks.dropna(subset=["started_at"])
    o2, he = floats(tanks["o2_pct"]), floats(tanks["he_pct"])
    other = np.where(np.isfinite(o2) & ~is_plain_air(o2, he), o2, np.nan)
    ended = tanks["started_at"] + pd.to_timedelta(tanks["duration_min"].astype(float).fillna(60.0), unit="min")
    parts = [
        _part(tanks, tanks["started_at"], "start_pressure_bar", "air_c").assign(other_o2=other),
        _part(tanks, ended, "end_pressure_bar", "water_c").assign(ended=True),
        _part(loans, loans["back_at"], "back_pressure_bar", None).assign(out_at=loans["out_at"]),
    ]
    if tested:
        parts.append(_emptied_by_test(inputs, c, chain, policy))
    if lost is not None and len(lost):
        parts.append(_part(lost, lost["filled_at"], None, None).assign(low=np.inf))
    made = pd.concat(parts, ignore_index=True)
    pairs = cylinders_of_units_on(inputs, made["unit_id"], local_day(made["at"], policy.time_zone))
    by_cylinder = made.iloc[pairs["row"].to_numpy()].reset_index(drop=True)
    by_cylinder["cylinder_id"] = pairs["cylinder_id"].set_axis(by_cylinder.index)
    joined = pairs["row"].duplicated(keep=False).to_numpy()
    by_cylinder.loc[joined & by_cylinder["ended"].to_numpy(bool), "high"] = np.nan
    return by_cylinder[~_around_a_fill(by_cylinder, c, chain, policy)].drop(columns=["unit_id", "out_at", "ended"])


_NOTHING_READ = pd.DataFrame(
    {"at": pd.Series([], dtype="datetime64[us, UTC]"), "order": np.zeros(0, int)}
    | {name: np.zeros(0) for name in ("other_o2", "low", "high")}
    | {"cylinder_id": pd.Series([], dtype="str")}
)


def _emptied_by_test(
    inputs: dict[str, pd.DataFrame], c: pd.DataFrame, chain: pd.DataFrame, policy: Policy
) -> pd.DataFrame:
    """Hydrostatic tests, for which a cylinder is filled with water: what it holds afterwards went in afterwards.

    On the day of a fill nobody knows which came first: such a test says nothing.
    """
    tests = inputs["inspections"]
    tests = tests[(tests["kind"] == "hydrostatic").fillna(False)][["cylinder_id", "inspected_on"]]
    filled = chain[["cylinder_id"]].assign(inspected_on=c["filled_on"].iloc[chain["row"]].array)
    tests = tests.merge(filled.drop_duplicates(), how="left", indicator=True)
    tests = tests[tests["_merge"] == "left_only"]
    ended = (tests["inspected_on"] + pd.Timedelta(days=1)).dt.tz_localize(
        policy.time_zone, ambiguous=True, nonexistent="shift_forward"
    )
    made = _part(tests.rename(columns={"cylinder_id": "unit_id"}), ended.dt.tz_convert("UTC"), None, None)
    return made.assign(high=policy.filling.least_arrival_bar + OTHER_GAUGE_BAR)


def _around_a_fill(by_cylinder: pd.DataFrame, c: pd.DataFrame, chain: pd.DataFrame, policy: Policy) -> np.ndarray:
    """True for loans during which, or on whose last day, their cylinder was filled."""
    around = np.zeros(len(by_cylinder), bool)
    if by_cylinder["out_at"].isna().all():
        return around
    loans = by_cylinder[["cylinder_id", "out_at", "at"]].reset_index().dropna(subset=["out_at"]).sort_values("out_at")
    filled = chain[["cylinder_id"]].assign(filled_at=c["filled_at"].iloc[chain["row"]].array)
    found = pd.merge_asof(
        loans, filled.sort_values("filled_at"), left_on="out_at", right_on="filled_at", by="cylinder_id",
        direction="forward",
    )  # fmt: skip
    day_back, day_filled = (local_day(found[k], policy.time_zone) for k in ("at", "filled_at"))
    around[found.loc[(day_filled <= day_back).to_numpy(bool), "index"]] = True
    return around


def _part(frame: pd.DataFrame, at: pd.Series, reading: str | None, temperature: str | None) -> pd.DataFrame:
    made = pd.DataFrame({"unit_id": frame["unit_id"].astype("str"), "at": at})
    made["order"], made["other_o2"], made["ended"] = 1, np.nan, False
    made["out_at"] = pd.Series(pd.NaT, made.index, dtype="datetime64[us, UTC]")
    if reading is None:
        return made.assign(low=np.nan, high=np.nan)
    bar = floats(frame[reading])
    logged = floats(frame[temperature]) if temperature else np.full(len(frame), np.nan)
    gas_c = np.where(np.isfinite(logged), logged, UNLOGGED_C)
    spread = np.where(np.isfinite(logged), LOGGED_K, UNLOGGED_K)
    made["low"] = _at_15c(bar - OTHER_GAUGE_BAR, gas_c + spread)
    made["high"] = _at_15c(bar + OTHER_GAUGE_BAR, gas_c - spread)
    # a day without an hour says nothing of before and after
    if "dated" in frame:
        made.loc[frame["dated"].to_numpy(bool), ["low", "high"]] = np.nan
    return made


def _date_alone(rows: pd.DataFrame) -> np.ndarray:
    flags = rows["value_flags"] if "value_flags" in rows else [None] * len(rows)
    return np.array([isinstance(f, list | tuple | np.ndarray) and "date_without_time" in f for f in flags], bool)
