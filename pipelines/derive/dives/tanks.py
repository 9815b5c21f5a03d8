"""The cylinders of each dive: size, mix, role, and how warm their gas was at the start.

The register comes before the dive file for sizes; the dive's own mix before the fill's analysis before
the fill's target.
"""

from collections import Counter
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.derive.dives.links import last_fills, unknown_as_nan
from pipelines.derive.dives.samples import first_places, places_of
from shared.diving.tank_heat import WALL_J_K_L
from shared.filling.conditions import believed_wall_mass
from shared.gas import cooling, thermal
from shared.gas.constants import AIR_O2_PCT, BREATHABLE_LEAST_O2_PCT, BREATHABLE_MOST_AR_PCT
from shared.gas.walls import surface_m2, wall_heat_capacity_j_k, wall_mass_kg

BREATHED = ("back", "stage", "deco", "bailout")
LOOP = ("oxygen", "diluent")
TWIN_FROM_L = 18.5
"""Without a register a back unit larger than any single cylinder is taken as two."""

CAPACITY_TOLERANCE = 0.02
NEXT_SD_C = 3.0
ASSUMED_START_C, ASSUMED_START_SD_C = 15.0, 8.0
AMBIENT_SD_C, OF_MONTH_SD_C = 1.5, 4.0
"""Air beside a dive against that beside a fill the same day, growing with the days between; against its month's."""

LAST_KNOWN_HOURS = 6.0
ONE_WATER_SD_C = 1.5
"""One temperature for a whole dive: the deepest, the coldest or the mean, as the log has it."""

WATER_DAYS = 30.0
USUAL_WATER_C, ANY_WATER_SD_C = 12.0, 6.0
_LAG_LN_SD = 0.35
USUAL_MATERIAL, USUAL_WORKING_BAR, USUAL_CONTENT_BAR = "steel", 232.0, 200.0
"""Of a cylinder that no register names, and of one whose pressure nobody wrote down: only its heat hangs on them."""

OF_FILL = [
    "analysed_o2_pct",
    "analysed_he_pct",
    "target_o2_pct",
    "target_he_pct",
    "target_ar_pct",
    "gas_c",
    "gas_and_wall_c",
    "in_test",
    "max_operating_depth_m",
    "max_operating_depth_deco_m",
    "settled_pressure_bar_15c",
    "settled_low_bar_15c",
    "settled_high_bar_15c",
]
"""What a dive's cylinder has of its last fill."""


def resolve_tanks(
    dives: pd.DataFrame, dive_tanks: pd.DataFrame, units: pd.DataFrame, links: pd.DataFrame, fills: pd.DataFrame
) -> pd.DataFrame:
    """A row a cylinder of the given dives, by dive and tank number.

    Returns
    -------
    DataFrame
        The input columns and: `dive` (place in `dives`), `unit`, `capacity_l`, `capacity_sd_pct`,
        `cylinders`, `joined`, `supply` (one number for a dive's rows of one unit), `o2`, `he`, `ar` (what is in
        it), fill_id, fill columns as `fill_…`, and masks `back`, `capacity_differs`, `mix_assumed_air`,
        `set_side_named`, `not_breathable`, `lost` (a row of which nothing but its being there is known).
    """
    dive, number = places_of(dive_tanks["dive_id"], dives["dive_id"]), unknown_as_nan(dive_tanks["tank_no"])
    order = np.lexsort((number, dive))
    order = order[dive[order] >= 0]
    rows, dive, number = dive_tanks.iloc[order].reset_index(drop=True), dive[order], number[order]
    link = first_places(
        _of_number(dive, number),
        _of_number(places_of(links["dive_id"], dives["dive_id"]), unknown_as_nan(links["tank_no"])),
    )
    last = np.append(last_fills(links, fills, units), -1)[link]
    of_links = links.drop(columns=["member_id", "dive_id", "tank_no"]).reset_index(drop=True).reindex(link)
    of_fills = fills.reset_index(drop=True).reindex(index=last, columns=OF_FILL).add_prefix("fill_")
    beside = [frame.reset_index(drop=True) for frame in (of_links, of_fills)]
    rows = pd.concat([rows, *beside], axis=1)

    unit = rows["unit"]
    register = units.drop_duplicates("unit_id") if units["unit_id"].duplicated().any() else units
    pairs = zip(units["unit_id"].tolist(), units["set_id"].tolist(), strict=True)
    sides = Counter(whole for side, whole in pairs if isinstance(whole, str) and whole != side)
    listed = register.reset_index(drop=True).reindex(places_of(unit, register["unit_id"])).reset_index(drop=True)
    registered, stated = unknown_as_nan(listed["water_capacity_l"]), unknown_as_nan(rows["water_capacity_l"])
    capacity = np.where(np.isfinite(registered), registered, stated)
    sd_pct = np.nan_to_num(unknown_as_nan(listed["capacity_sd_pct"]), nan=0.0)
    sd_pct = np.where(np.isfinite(registered), sd_pct, 1.0)
    joined = listed["joined"].eq(True).to_numpy(bool, na_value=False)
    cylinders = np.where(joined, [sides.get(u, 2) for u in unit.tolist()], 1.0)
    back = (rows["role"] == "back").to_numpy(bool)
    cylinders = np.where(~np.isfinite(registered) & back & (capacity > TWIN_FROM_L), 2.0, cylinders)

    # two rows on one joined set are its two posts: each stands for its half
    supply = pd.factorize(unit)[0]
    supply = np.where(supply >= 0, supply, -1 - np.nan_to_num(number).astype(int))
    numbers, supply = np.unique(supply, return_inverse=True)
    supply = dive * numbers.size + supply
    _, same, together = np.unique(supply, return_inverse=True, return_counts=True)
    shared_by = np.where(unit.notna(), together[same], 1.0)
    posts = np.where(np.isfinite(registered), shared_by, 1.0)
    whole = capacity / posts
    differs = (
        np.isfinite(registered)
        & np.isfinite(stated)
        & (
            np.minimum(np.abs(stated / registered - 1.0), np.abs(stated * posts / registered - 1.0))
            > CAPACITY_TOLERANCE
        )
    )
    o2, he, ar, assumed = _mix(rows)
    lost = assumed & unit.isna().to_numpy(bool)
    for column in ("water_capacity_l", "start_pressure_bar", "end_pressure_bar"):
        lost &= ~np.isfinite(unknown_as_nan(rows[column]))
    named = joined & (rows["unit_id"] != unit).to_numpy(bool) & (posts == 1)
    found = dict(
        dive=dive,
        started_at=dives["started_at"].array.take(dive),
        supply=supply,
        capacity_l=whole,
        wall_j_k_l=listed["material"].map(WALL_J_K_L).fillna(WALL_J_K_L["steel"]).to_numpy(float),
        set_capacity_l=capacity,
        capacity_sd_pct=sd_pct,
        cylinders=np.maximum(cylinders / posts, 0.5),
        wall_j_k=_wall_j_k(listed, whole, registered / posts),
        working_bar=unknown_as_nan(listed["working_pressure_bar"]) if "working_pressure_bar" in listed else np.nan,
        joined=joined,
        posts=posts,
        o2=o2,
        he=he,
        ar=ar,
        capacity_differs=differs,
        mix_assumed_air=assumed & ~lost,
        lost=lost,
        set_side_named=named,
        not_breathable=(o2 < BREATHABLE_LEAST_O2_PCT) | (np.nan_to_num(ar) > BREATHABLE_MOST_AR_PCT),
        back=back,
        breathed=rows["role"].isin(BREATHED).to_numpy(),
        loop=rows["role"].isin(LOOP).to_numpy(),
    )
    return pd.concat([rows, pd.DataFrame(found)], axis=1)


def _of_number(dive: NDArray, number: NDArray) -> NDArray:
    """One number for a dive and one of its cylinders."""
    return dive * 1000.0 + number


def supplies_of_dives(rows: pd.DataFrame, among: NDArray, dives: int) -> NDArray:
    """How many supplies each of so many dives has among some of the rows; the posts of a joined set are one."""
    _, first = np.unique(rows["supply"].to_numpy(int)[among], return_index=True)
    return np.bincount(rows["dive"].to_numpy(int)[among][first], minlength=dives)


def _wall_j_k(listed: pd.DataFrame, capacity_l: NDArray, registered_l: NDArray) -> NDArray:
    """Heat capacity of the wall, J/K, by the register's material and mass; as a usual steel cylinder's without.

    `listed` is what the register has of each row's unit.
    """
    named = listed["material"].astype(object) if "material" in listed else pd.Series(None, listed.index, dtype=object)
    material = named.where(named.notna(), USUAL_MATERIAL).to_numpy()
    working, stamped = (
        unknown_as_nan(listed[c]) if c in listed else np.full(len(listed), np.nan)
        for c in ("working_pressure_bar", "empty_mass_kg")
    )
    working = np.where(np.isfinite(working), working, USUAL_WORKING_BAR)
    share = registered_l / unknown_as_nan(listed["water_capacity_l"])  # a post stands for its half
    mass_kg = believed_wall_mass(material, capacity_l, working, stamped * share).mass_kg
    steel = np.full(len(listed), USUAL_MATERIAL, object)
    of_usual = wall_heat_capacity_j_k(steel, wall_mass_kg(steel, capacity_l, working))
    heat = wall_heat_capacity_j_k(material, mass_kg)
    return np.where(np.isfinite(heat), heat, of_usual)


def _mix(rows: pd.DataFrame) -> tuple[NDArray, NDArray, NDArray, NDArray]:
    """O2, He, Ar per cent of what is inside, and where air had to be assumed."""
    candidates = [
        ("o2_pct", "he_pct", "ar_pct"),
        ("fill_analysed_o2_pct", "fill_analysed_he_pct", "fill_target_ar_pct"),
        ("fill_target_o2_pct", "fill_target_he_pct", "fill_target_ar_pct"),
    ]
    o2, he, ar = np.full((3, len(rows)), np.nan)
    for names in candidates:
        values = [unknown_as_nan(rows[name]) for name in names]
        open_ = ~np.isfinite(o2) & np.isfinite(values[0])
        o2, he, ar = (np.where(open_, value, kept) for value, kept in zip(values, (o2, he, ar), strict=True))
    assumed = ~np.isfinite(o2)
    o2 = np.where(assumed, AIR_O2_PCT, o2)
    return o2, np.nan_to_num(he), np.where(ar > 0, ar, np.nan), assumed


@dataclass(frozen=True)
class Ambient:
    """Median ambient temperatures of a station's fills, °C, with ascending keys: days since 1970 (UTC), months
    (12 × year + month), and months of any year (1 to 12).
    """

    by_day: pd.Series
    by_month: pd.Series
    by_month_of_year: pd.Series


def ambient_of_fills(fills: pd.DataFrame) -> Ambient:
    """The median ambient temperature of each day's fills, and of the days of each month, rounded to 0.1 °C.

    Parameters
    ----------
    fills : DataFrame
        filled_at, ambient_c, of the whole station.
    """
    known = fills[fills["ambient_c"].notna()]
    by_day = known["ambient_c"].astype("float64").groupby(_day(known["filled_at"])).median()
    on = pd.to_datetime(by_day.index.to_numpy(), unit="D")
    month_of_year = on.month.to_numpy()
    usual = pd.Series(by_day.to_numpy(float))
    by_month, by_month_of_year = (
        usual.groupby(keys).median().round(1) for keys in (12 * on.year.to_numpy() + month_of_year, month_of_year)
    )
    return Ambient(by_day, by_month, by_month_of_year)


def _day(moments: pd.Series) -> NDArray[np.int64]:
    """Days since 1970 (UTC)."""
    return moments.to_numpy("datetime64[us]").astype("datetime64[D]").astype("int64")


def _looked_up(table: pd.Series, keys: NDArray[np.int64]) -> NDArray:
    """The value of each key in a table with ascending keys, NaN where there is none."""
    if not len(table):
        return np.full(len(keys), np.nan)
    at = np.minimum(np.searchsorted(table.index.to_numpy(), keys), len(table) - 1)
    return np.where(table.index.to_numpy()[at] == keys, table.to_numpy(float)[at], np.nan)


def air_of_dives(dives: pd.DataFrame, ambient: Ambient, member_id: pd.Series | None = None) -> pd.DataFrame:
    """Air temperature where each dive began, from the nearest that is known.

    Best first: the dive's own; ambient of that day's fills; of the nearest day with fills within three, or of the
    member's last dive within three; the median of the month's fills, this year's before any year's; of the member's
    dives of that month before this one. A later dive says nothing of an earlier one.

    Parameters
    ----------
    dives : DataFrame
        started_at, air_c.
    ambient : Ambient
        From `ambient_of_fills`.
    member_id : Series, optional
        Whose each dive is; of one member where it is not given.

    Returns
    -------
    DataFrame
        A row a dive, in order: air_c (NaN where nothing is known), air_sd_c (what the distance in time adds), `basis`
        (`air`, `ambient`, `nearby`, `month`, `assumed`).
    """
    given = dives["started_at"].reset_index(drop=True)
    who = np.zeros(len(dives), "int64") if member_id is None else pd.factorize(member_id)[0]
    in_time = np.lexsort((given.to_numpy("datetime64[us]"), who))
    who = who[in_time]
    started = given.iloc[in_time].reset_index(drop=True)
    day, own = _day(started), unknown_as_nan(dives["air_c"])[in_time]
    air, away_days = own.copy(), np.zeros(len(dives))
    for off in (0, -1, 1, -2, 2, -3, 3):
        found = _looked_up(ambient.by_day, day + off)
        use = ~np.isfinite(air) & np.isfinite(found)
        air, away_days = np.where(use, found, air), np.where(use, abs(off), away_days)
    last_c, last_at = (
        known.groupby(who).ffill().groupby(who).shift() for known in (pd.Series(own), started.where(np.isfinite(own)))
    )
    ago_days = np.ceil((started - last_at).dt.total_seconds().to_numpy() / 86400.0)
    use = ~np.isfinite(air) & (ago_days <= 3.0)
    air, away_days = np.where(use, last_c, air), np.where(use, ago_days, away_days)
    near = np.isfinite(air)
    month = started.dt.month.to_numpy()
    for usual, keys in (
        (ambient.by_month, 12 * started.dt.year.to_numpy() + month),
        (ambient.by_month_of_year, month),
    ):
        air = np.where(np.isfinite(air), air, _looked_up(usual, keys))
    for row in np.flatnonzero(~np.isfinite(air)).tolist():
        begins = np.searchsorted(who, who[row])
        earlier = own[begins:row][month[begins:row] == month[row]]
        earlier = earlier[np.isfinite(earlier)]
        air[row] = np.median(earlier) if earlier.size else np.nan
    basis = np.select(
        [np.isfinite(own), near & (away_days == 0), near, np.isfinite(air)],
        ["air", "ambient", "nearby", "month"],
        "assumed",
    )
    sd = np.where(near, AMBIENT_SD_C * np.sqrt(1.0 + away_days), OF_MONTH_SD_C)
    sd = np.where(np.isfinite(own), 0.0, sd)
    found = pd.DataFrame({"air_c": air, "air_sd_c": sd, "basis": basis}, index=in_time)
    return found.sort_index()


def start_temperature(
    rows: pd.DataFrame, dives: pd.DataFrame, air: pd.DataFrame
) -> tuple[NDArray, NDArray, NDArray, NDArray]:
    """Gas temperature at the start of the dive as known beforehand.

    Best first: the unit's last known gas temperature (fill stop, or end of a dive, within 6 h) relaxed to
    air; the air's; 15 °C.

    Parameters
    ----------
    air : DataFrame
        From `air_of_dives`, a row a dive in the order of `dives`.

    Returns
    -------
    start_c, start_sd_c : ndarray
        The standard deviation is that of a start beside a known air.
    air_sd_c : ndarray
        What not knowing the air itself adds to it.
    basis : ndarray of str
        `last_known`, or as `air_of_dives` has it.
    """
    place = rows["dive"].to_numpy(int)
    started = dives["started_at"].iloc[place].reset_index(drop=True)
    air = air.iloc[place]
    surroundings, air_sd = air["air_c"].to_numpy(float), air["air_sd_c"].to_numpy(float)
    since_fill_s = (started - rows["filled_at"].reset_index(drop=True)).dt.total_seconds().to_numpy()
    ended = rows["last_dive_at"] + pd.to_timedelta(rows["last_dive_minutes"].fillna(45.0), unit="min")
    since_dive_s = (started - ended.reset_index(drop=True)).dt.total_seconds().to_numpy()
    from_dive = np.isfinite(since_dive_s) & (~np.isfinite(since_fill_s) | (since_dive_s < since_fill_s))
    # gas leaves the water a little colder than the water
    known_c = np.where(from_dive, unknown_as_nan(rows["last_dive_water_c"]) - 2.0, unknown_as_nan(rows["fill_gas_c"]))
    elapsed = np.where(from_dive, since_dive_s, since_fill_s)
    together_c = np.where(from_dive, known_c, unknown_as_nan(rows["fill_gas_and_wall_c"]))
    together_c = np.where(np.isfinite(together_c), together_c, known_c)
    recent = np.isfinite(known_c) & np.isfinite(elapsed) & (elapsed >= 0) & (elapsed <= LAST_KNOWN_HOURS * 3600.0)
    away = np.where(np.isfinite(surroundings), surroundings, ASSUMED_START_C)
    bodies = _heat_of(rows, away)
    known_c, together_c = np.where(recent, known_c, away), np.where(recent, together_c, away)
    elapsed = np.where(recent, elapsed, 0.0)
    relaxed, _ = cooling.cooled_c(known_c, together_c, away, elapsed, *bodies)
    lags = elapsed / cooling.time_constant_s(*bodies)
    uncertain = np.abs(together_c - away) * lags * np.exp(-lags) * _LAG_LN_SD
    unknown = ~np.isfinite(surroundings)
    air_sd = np.where(unknown, ASSUMED_START_SD_C, air_sd)

    basis = np.where(recent, "last_known", air["basis"].to_numpy(str))
    start = np.where(recent, relaxed, away)
    # an assumed start is not divided into gas and air: 8 K holds both
    sd = np.select([recent, unknown], [np.hypot(NEXT_SD_C, uncertain), 0.0], NEXT_SD_C)
    return start, sd, np.where(recent, air_sd * (1.0 - np.exp(-lags)), air_sd), basis


def _heat_of(rows: pd.DataFrame, gas_c: NDArray) -> tuple[NDArray, NDArray, NDArray]:
    """Heat capacities of gas and wall, J/K, and surface, m², of each row: what it cools by."""
    capacity = np.nan_to_num(rows["capacity_l"].to_numpy(float), nan=12.0)
    start = unknown_as_nan(rows["start_pressure_bar"])
    mix = [rows[c].to_numpy(float) for c in ("o2", "he", "ar")]
    held = np.where(np.isfinite(start), np.clip(start, 1.0, 400.0), USUAL_CONTENT_BAR)
    at_c = np.clip(gas_c, -30.0, 60.0)
    of_gas = cooling.gas_heat_capacity_j_k(capacity, thermal.density_mol_l(held, at_c, *mix, strict=False), at_c, *mix)
    wall = np.nan_to_num(rows["wall_j_k"].to_numpy(float), nan=580.0 * 12.0)
    return np.nan_to_num(of_gas, nan=2000.0), wall, surface_m2(capacity, rows["cylinders"].to_numpy(float))


def station_water_by_month(dives: pd.DataFrame) -> pd.DataFrame:
    """The station's median water temperature by month, of dives that state one: columns year, month, water_c."""
    stated = dives[dives["water_c"].notna()]
    started = stated["started_at"].dt
    frame = pd.DataFrame({"year": started.year, "month": started.month, "water_c": stated["water_c"]})
    frame = frame.astype({"year": "int64", "month": "int64"})
    return frame.groupby(["year", "month"], as_index=False)["water_c"].median()


def water_of_dives(
    dives: pd.DataFrame, sampled_c: NDArray, station_water: pd.DataFrame | None = None
) -> tuple[NDArray, NDArray, NDArray]:
    """Water temperature of each dive as one number: recorded, else by the dives before it.

    Best first: the member's last dive of the month before this one; the station's median of the month before, of the
    same month in earlier years, and of any earlier month; 12 °C. A later dive says nothing of an earlier one.

    Parameters
    ----------
    dives : DataFrame
        In order of time.
    sampled_c : ndarray
        Mean of the dive's samples, NaN without.
    station_water : DataFrame, optional
        From `station_water_by_month`.

    Returns
    -------
    water_c, water_sd_c : ndarray
    assumed : ndarray of bool
    """
    stated = unknown_as_nan(dives["water_c"])
    known = np.where(np.isfinite(sampled_c), sampled_c, stated)
    filled, sd = known.copy(), np.where(np.isfinite(sampled_c), 0.5, ONE_WATER_SD_C)
    started = dives["started_at"].reset_index(drop=True)
    table = station_water if station_water is not None else station_water_by_month(dives.iloc[:0])
    number = (12 * table["year"] + table["month"] - 1).to_numpy(int)
    medians = table["water_c"].to_numpy(float)
    place = np.arange(len(known))
    last = np.maximum.accumulate(np.concatenate([[-1], np.where(np.isfinite(known), place, -1)[:-1]])[: len(known)])
    at = started.to_numpy("datetime64[us]")
    recent = (last >= 0) & (at - at[last] <= np.timedelta64(round(WATER_DAYS * 86400e6), "us"))
    last_c = known[last]
    for row in np.flatnonzero(~np.isfinite(known)).tolist():
        month = 12 * started[row].year + started[row].month - 1
        earlier = number < month
        same = earlier & ((month - number) % 12 == 0)
        choices = (
            (np.array([last_c[row]]) if recent[row] else np.empty(0), OF_MONTH_SD_C),
            (medians[number == month - 1], OF_MONTH_SD_C),
            (medians[same], OF_MONTH_SD_C),
            (medians[earlier], ANY_WATER_SD_C),
            (np.array([USUAL_WATER_C]), ANY_WATER_SD_C),
        )
        values, sd[row] = next((v, s) for v, s in choices if v.size)
        filled[row] = np.median(values)
    return filled, sd, ~np.isfinite(known)
