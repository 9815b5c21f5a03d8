"""What a fill's context takes from all fills of its station: how gauges are read, the room, usual rates.

Worked out over all fills, each by those before it; with it the rest of a context needs a cylinder's own fills alone.
"""

import numpy as np
import pandas as pd

from pipelines.derive.columns import floats, looked_up
from pipelines.derive.fills.slips import stop_below_start
from shared.filling.conditions import USUAL_BANK_BAR_MIN, USUAL_FREE_L_MIN
from shared.filling.gauges import DEFAULT_CLASS, DEFAULT_SPAN_BAR, limit_of_error_bar, read_step_bar, step_seen_bar
from shared.filling.room import filtered_c
from shared.gas.mixing import TRACE_PCT, is_plain_air

CHECK_STEP_BAR = 0.1
CHECK_GAUGE = "check gauge"
WRITTEN = {"start_pressure_bar": "written_start_bar", "stop_pressure_bar": "written_stop_bar"}
"""Pressures to compute with, and as they were written."""
ASSUMED_AMBIENT_SD_K = 5.0
"""What a temperature that the settings state for all fills is worth."""
RATE_SD, RATE_SD_TRUST = 0.5, 4.0
"""Scatter of the logarithm of a source's rate before its fills say it, and how many fills' worth that is trusted."""


def with_station_wide(fills: pd.DataFrame, inputs: dict[str, pd.DataFrame], units: pd.DataFrame) -> pd.DataFrame:
    """The fills with these columns.

    Parameters
    ----------
    fills : DataFrame
        In the order of time, with filled_on, station, ambient_assumed and start_assumed.
    inputs : dict of DataFrame
        With gauges, sources and compressors.
    units : DataFrame
        unit_id and water_capacity_l.
    """
    fills = _with_gauge(fills, inputs["gauges"])
    fills = _with_pressures(fills)
    fills = _with_room(fills)
    fills = _with_source(fills, inputs)
    fills = _with_usual_rate(fills, units)
    return _with_reading_gauge(fills)


def steps_bar(gauge: pd.Series, *readings: pd.Series) -> pd.Series:
    """Step of each gauge as all its readings show it."""
    rows = pd.concat(readings)
    by = pd.concat([gauge] * len(readings))
    found = {name: read_step_bar(values.to_numpy(float)) for name, values in rows.groupby(by)}
    return pd.Series(found, dtype="float64", index=pd.Index(list(found), dtype=object))


def limit_bar(gauge: pd.Series, known: pd.DataFrame) -> np.ndarray:
    """Limit of error of each gauge, bar; a class or span nobody stated is the usual one."""
    accuracy_class = looked_up(gauge, known["accuracy_class"]).fillna(DEFAULT_CLASS)
    return limit_of_error_bar(
        floats(accuracy_class), floats(looked_up(gauge, known["span_bar"]).fillna(DEFAULT_SPAN_BAR))
    )


def as_written(fills: pd.DataFrame) -> pd.DataFrame:
    """The fills with start and stop as somebody wrote them, for what people see and what limits are asked."""
    return fills.assign(**{name: fills[written] for name, written in WRITTEN.items()})


def _with_gauge(fills: pd.DataFrame, gauges: pd.DataFrame) -> pd.DataFrame:
    fills["gauge"] = fills["gauge_id"].astype(object).where(fills["gauge_id"].notna(), "gauge of " + fills["station"])
    known = gauges.drop_duplicates("gauge_id", keep="last").set_index("gauge_id")

    def at(by: pd.Series) -> pd.Series:
        return looked_up(fills["gauge"], by)

    fills["gauge_limit_bar"] = limit_bar(fills["gauge"], known)
    fills["gauge_checked_on"] = at(known["checked_on"]).astype("datetime64[us]")
    fills["gauge_offset_stated_bar"] = at(known["offset_bar"]).astype(float)
    code = pd.factorize(fills["gauge"])[0]
    seen = np.fmax(*(step_seen_bar(code, floats(fills[c])) for c in ("stop_pressure_bar", "start_pressure_bar")))
    # people may read a gauge to fewer marks than it has
    fills["gauge_step_bar"] = np.fmax(floats(at(known["step_bar"])), seen)
    fills["gauge_since"] = fills.groupby(["station", "gauge"])["filled_on"].transform("min")
    return fills


def _with_pressures(fills: pd.DataFrame) -> pd.DataFrame:
    """Of a fill that ends below its start nobody knows which of the two it ended with: computed is with neither."""
    unclear = stop_below_start(fills)
    start, stop = (floats(fills[name]) for name in WRITTEN)
    fills["most_read_bar"] = np.where(unclear, start, stop)
    for name, written in WRITTEN.items():
        fills[written] = fills[name]
        fills[name] = fills[name].mask(unclear)
    return fills


def _with_room(fills: pd.DataFrame) -> pd.DataFrame:
    """The room's temperature at each fill, from what was logged then and just before."""
    hours = fills["filled_at"].to_numpy("datetime64[s]").astype(float) / 3600.0
    logged = np.where(fills["ambient_assumed"], np.nan, floats(fills["ambient_c"]))
    room, sd, walk = (np.full(len(fills), np.nan) for _ in range(3))
    for rows in fills.groupby("station").indices.values():
        room[rows], sd[rows], walk[rows] = filtered_c(hours[rows], logged[rows])
    known = np.isfinite(room)
    fills["room_c"] = np.where(known, room, floats(fills["ambient_c"]))
    fills["room_sd_k"] = np.where(known, sd, ASSUMED_AMBIENT_SD_K)
    fills["room_walk_k2_h"] = walk
    return fills


def _with_source(fills: pd.DataFrame, inputs: dict[str, pd.DataFrame]) -> pd.DataFrame:
    sources = inputs["sources"].drop_duplicates("source_id", keep="last").set_index("source_id")

    def at(by: pd.Series) -> pd.Series:
        return looked_up(fills["source_id"], by)

    fills["source"] = fills["source_id"].astype(object).where(fills["source_id"].notna(), "")
    kind = at(sources["kind"]).astype(object)
    by_log = fills["source_id"].isin(inputs["compressors"]["compressor_id"])
    fills["source_kind"] = kind.where(kind.notna(), np.where(by_log, "compressor", ""))
    fills["source_known"] = (fills["source_kind"] != "").to_numpy()
    fills["source_o2_pct"] = at(sources["o2_pct"]).astype(float)
    fills["source_he_pct"] = at(sources["he_pct"]).astype(float)
    fills["source_oxygen_compatible"] = at(sources["oxygen_compatible"]).astype("boolean")
    described_air = is_plain_air(floats(sources["o2_pct"]), floats(sources["he_pct"]))
    fills["other_gas_kept"] = bool(((sources["kind"] != "compressor") & ~described_air).any())
    # a station handles helium where its log or its sources name some
    seen = [floats(fills[k]) >= TRACE_PCT for k in ("target_he_pct", "analysed_he_pct", "source_he_pct")]
    named = pd.Series(np.logical_or.reduce(seen), fills.index)
    fills["helium_kept"] = named.groupby(fills["station"]).transform("any").astype(bool)
    return fills


def gas_to_fill(fills: pd.DataFrame, capacity_l: np.ndarray) -> np.ndarray:
    """What a fill's minutes go with: bar from a bank, where people watch the gauge rise; else litres, for a compressor
    gives so many a minute whatever hangs on it.
    """
    risen = floats(fills["stop_pressure_bar"]) - floats(fills["start_pressure_bar"])
    return np.where((fills["source_kind"] == "bank").to_numpy(), risen, capacity_l * risen)


def _with_usual_rate(fills: pd.DataFrame, units: pd.DataFrame) -> pd.DataFrame:
    """The rate usual for each fill's source by the fills before it, and the scatter of its logarithm."""
    capacity = units.drop_duplicates("unit_id").set_index("unit_id")["water_capacity_l"]
    rate = gas_to_fill(fills, floats(looked_up(fills["unit_id"], capacity))) / floats(fills["fill_minutes"])
    risen = floats(fills["stop_pressure_bar"]) - floats(fills["start_pressure_bar"])
    bank = (fills["source_kind"] == "bank").to_numpy()
    by = [fills["source"], bank]
    # a rise that no gauge shows teaches no rate
    log = np.log(pd.Series(rate, fills.index).where((risen >= 1.0) & (rate > 0)))
    before = log.groupby(by).shift()
    usual = before.groupby(by).expanding().median().droplevel(list(range(len(by)))).reindex(log.index)
    usual = usual.fillna(pd.Series(np.log(np.where(bank, USUAL_BANK_BAR_MIN, USUAL_FREE_L_MIN)), log.index))
    off = (log - usual).clip(-1.5, 1.5) ** 2
    summed = off.groupby(by).cumsum().groupby(by).shift().groupby(by).ffill().fillna(0.0)
    counted = off.notna().groupby(by).cumsum().groupby(by).shift().fillna(0.0)
    fills["usual_rate"] = np.exp(floats(usual))
    fills["rate_scatter"] = np.sqrt((RATE_SD_TRUST * RATE_SD**2 + summed) / (RATE_SD_TRUST + counted))
    return fills


def _with_reading_gauge(fills: pd.DataFrame) -> pd.DataFrame:
    """The gauge of each settled reading, as finely as it was read so far."""
    given = fills["settled_gauge_id"].astype(object)
    fills["settled_gauge"] = given.where(given.notna(), CHECK_GAUGE + " of " + fills["station"])
    fills["settled_on_check_gauge"] = ~fills["settled_gauge"].isin(fills["gauge"].unique())
    reading = floats(fills["settled_pressure_bar"])
    fills["settled_step_bar"] = step_seen_bar(
        pd.factorize(fills["settled_gauge"])[0], reading, otherwise_bar=CHECK_STEP_BAR
    )
    return fills
