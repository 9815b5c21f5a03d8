"""The air behind each fill: from its source through the banks to the compressors and their tests."""

import numpy as np
import pandas as pd

from pipelines.derive.air.purity_tests import STATES, air_on_days, air_record
from pipelines.derive.fleet.inspections import local_day
from schemas.codes.fills import AIR_STATES
from schemas.policy import Policy
from shared.air.sources import NOTHING_KNOWN, Feed, feed_of, feeds

IN_DOUBT = ("failed", "failed_later")
BOUGHT_PCT = 90.0
"""A bank of so much oxygen or helium that names no feed holds bought gas: no compressor of a station makes it."""


def feeds_of_sources(inputs: dict[str, pd.DataFrame]) -> dict[str, Feed]:
    """What feeds each source and compressor that any register, log or test names."""
    sources = inputs["sources"].drop_duplicates("source_id", keep="last")
    named = set().union(
        *(inputs[t]["compressor_id"].dropna() for t in ("compressors", "compressor_log", "air_tests") if t in inputs)
    )
    names, kinds, fed_by = (
        sources[c].astype(object).where(sources[c].notna(), None).tolist() for c in ("source_id", "kind", "fed_by")
    )
    return feeds(names, kinds, fed_by, named)


def air_state_of_fills(
    inputs: dict[str, pd.DataFrame], policy: Policy, as_of_on: pd.Timestamp | None = None
) -> pd.DataFrame:
    """The state of the air behind each fill, by the tests of all compressors that may have fed its source.

    Returns
    -------
    DataFrame
        On the index of the fills: air_state (the worst of its compressors'), compressor_id (the one that decides),
        failed_on, last_good_on, co_measured (its tests have measured carbon monoxide by then).
        `source_unknown`: nobody knows where the gas came from, while a compressor of that station stood failed or is
        in doubt. `not_traced`: no compressor is known to have fed it, and none of the station is in doubt. Where
        nobody wrote down a source and not one compressor of the station had a test in date, the best of theirs.

    Notes
    -----
    Air that a bank took in before a failed test and still held after the next good one is not followed: the advice is
    to drain the bank.
    """
    fills = inputs["fills"]
    known = feeds_of_sources(inputs)
    record = air_record(inputs["air_tests"], policy, as_of_on)
    if not (_compressors(known) or len(record.compressors)):
        return _not_traced(fills.index)
    by = pd.DataFrame(
        {
            "source_id": fills["source_id"].astype(object).to_numpy(),
            "station": fills["station_id"].astype(object).where(fills["station_id"].notna(), "").to_numpy(),
            "day": local_day(fills["filled_at"], policy.time_zone).to_numpy("datetime64[us]"),
            "blended": (fills["fill_method"] == "partial_pressure").to_numpy(bool),
        }
    ).groupby(["source_id", "station", "day", "blended"], dropna=False, sort=False)
    # fills of one day and source have the same air behind them
    of_fill, rows = by.ngroup().to_numpy(), by.size().index.to_frame(index=False)
    rows["row"] = np.arange(len(rows))
    feed = rows["source_id"].map({s: feed_of(s, known) for s in rows["source_id"].unique() if isinstance(s, str)})
    rows["compressors"] = [f.compressors if isinstance(f, Feed) else () for f in feed]
    rows["open"] = [not (f if isinstance(f, Feed) else NOTHING_KNOWN).traced for f in feed]
    rows["open"] &= ~_bought(inputs).reindex(rows["source_id"]).fillna(False).to_numpy(bool) | rows["blended"]
    traced = rows.explode("compressors").dropna(subset=["compressors"]).rename(columns={"compressors": "compressor_id"})
    found = _states(traced, record, policy)
    if rows["open"].any():  # of most stations every source is traced
        may_have = _may_have_fed(rows[rows["open"]], traced, sorted(_compressors(known) | set(record.compressors)))
        suspected = _states(may_have, record, policy)
        nowhere = rows.loc[[not isinstance(f, Feed) or f is NOTHING_KNOWN for f in feed], "row"]
        at_best = _best_is_not_good(suspected[suspected["row"].isin(nowhere)])
        suspected = suspected[suspected["state"].isin(IN_DOUBT)].assign(state="source_unknown")
        found = pd.concat([found, suspected, at_best], ignore_index=True)
    found["rank"] = pd.Categorical(found["state"], categories=AIR_STATES, ordered=True).codes
    # of several in one state the one that failed last says why
    found = found.sort_values(["row", "rank", "failed_on"], ascending=[True, True, False], kind="stable")
    worst = found.drop_duplicates("row").set_index("row").reindex(rows["row"])
    lacks_co = found[found["co_missing"].astype(bool)]["row"]
    made = pd.DataFrame(
        {
            "air_state": worst["state"].fillna("not_traced").astype("str").to_numpy(),
            "last_good_on": worst["last_good_on"].to_numpy("datetime64[us]"),
            "failed_on": worst["failed_on"].to_numpy("datetime64[us]"),
            "compressor_id": worst["compressor_id"].astype("str").to_numpy(),
            "co_measured": ~rows["row"].isin(lacks_co).to_numpy(),
        }
    )
    made = made.iloc[of_fill].set_axis(fills.index)
    return made.astype({"air_state": "str", "compressor_id": "str"})


def _not_traced(index: pd.Index) -> pd.DataFrame:
    """What is known of the air of fills where nothing names a compressor."""
    never = pd.Series(pd.NaT, index, dtype="datetime64[us]")
    made = pd.DataFrame({"air_state": "not_traced", "last_good_on": never, "failed_on": never}, index)
    return made.assign(compressor_id=None, co_measured=True).astype({"air_state": "str", "compressor_id": "str"})


def _bought(inputs: dict[str, pd.DataFrame]) -> pd.Series:
    """Banks of bought gas, by source_id."""
    sources = inputs["sources"].drop_duplicates("source_id", keep="last").set_index("source_id")
    pure = (sources["o2_pct"] >= BOUGHT_PCT) | (sources["he_pct"] >= BOUGHT_PCT)
    return pure & (sources["kind"] == "bank") & sources["fed_by"].isna()


def _compressors(known: dict[str, Feed]) -> set[str]:
    return {name for feed in known.values() for name in feed.compressors}


def _best_is_not_good(pairs: pd.DataFrame) -> pd.DataFrame:
    """Of each row the compressor that stood best, where even that one had no test in date; none where one failed."""
    rank = pd.Series(pd.Categorical(pairs["state"], categories=AIR_STATES, ordered=True).codes, pairs.index)
    best = pairs.assign(rank=rank).sort_values(["row", "rank"], ascending=[True, False], kind="stable")
    best = best.drop_duplicates("row").drop(columns="rank")
    return best[best["state"].isin(("overdue", "never_tested", "partly_tested"))]


def _may_have_fed(rows: pd.DataFrame, traced: pd.DataFrame, compressors: list[str]) -> pd.DataFrame:
    """Rows of unknown origin with each compressor that may have fed them.

    A compressor belongs to the stations whose fills came from it. One that no fill names may stand at any of them, and
    where no fill of a station names one, any may stand there.
    """
    named = traced[["compressor_id", "station"]].drop_duplicates()
    stations = named.groupby("compressor_id")["station"].agg(set).to_dict()
    placed = set().union(*stations.values())
    pairs = [
        rows[["row", "day"]].assign(compressor_id=name)[
            _at_one_of(rows["station"], stations.get(name, {""})) | ~rows["station"].isin(placed).to_numpy()
        ]
        for name in compressors
    ]  # fmt: skip
    return pd.concat(pairs) if pairs else rows[["row", "day"]].iloc[:0].assign(compressor_id="")


def _at_one_of(station: pd.Series, stations: set[str]) -> np.ndarray:
    everywhere = "" in stations
    return np.ones(len(station), bool) if everywhere else (station.isin(stations) | (station == "")).to_numpy()


def _states(pairs: pd.DataFrame, record, policy: Policy) -> pd.DataFrame:
    """The state of each pair of fill and compressor; each compressor and day is looked up once."""
    once = pairs[["compressor_id", "day"]].drop_duplicates()
    state = air_on_days(record, once["compressor_id"].to_numpy(object), once["day"].to_numpy("datetime64[D]"), policy)
    state["co_missing"] = ["co_ppm" in missing and len(missing) < len(record.asked_for) for missing in state["missing"]]
    known = pd.concat([once.reset_index(drop=True), state.drop(columns=["missing", "due_on"])], axis=1)
    return pairs[["row", "compressor_id", "day"]].merge(known, on=["compressor_id", "day"], how="left")


def sources_today(inputs: dict[str, pd.DataFrame], policy: Policy, as_of_on: pd.Timestamp) -> pd.DataFrame:
    """How the air of each source stands today: source_id, air_state, compressor_id, failed_on."""
    known = feeds_of_sources(inputs)
    if not _compressors(known):
        names = pd.Index(sorted(known), dtype="str")
        of_each = _not_traced(names)[["air_state", "compressor_id", "failed_on"]]
        return of_each.rename_axis("source_id").reset_index()
    record = air_record(inputs["air_tests"], policy, as_of_on)
    pairs = [(source, name) for source, feed in known.items() for name in feed.compressors]
    frame = pd.DataFrame(pairs, columns=["source_id", "compressor_id"], dtype="object")
    today = np.full(len(frame), np.datetime64(as_of_on, "D"))
    state = air_on_days(record, frame["compressor_id"].to_numpy(object), today, policy)
    frame = pd.concat([frame, state], axis=1)
    frame["rank"] = pd.Categorical(frame["state"], categories=STATES, ordered=True).codes
    worst = frame.sort_values(["source_id", "rank", "failed_on"], ascending=[True, True, False], kind="stable")
    worst = worst.drop_duplicates("source_id").set_index("source_id").reindex(sorted(known))
    worst = _open_sources_today(worst, frame, known, _bought(inputs))
    return pd.DataFrame(
        {
            "source_id": worst.index.astype("str"),
            "air_state": worst["state"].fillna("not_traced").astype("str").to_numpy(),
            "compressor_id": worst["compressor_id"].astype("str").to_numpy(),
            "failed_on": worst["failed_on"].to_numpy("datetime64[us]"),
        }
    )


def _open_sources_today(
    worst: pd.DataFrame, of_compressors: pd.DataFrame, known: dict[str, Feed], bought: pd.Series
) -> pd.DataFrame:
    """Banks of which nobody says what feeds them are in doubt while any compressor stands failed."""
    failed = of_compressors[of_compressors["state"] == "failed"].sort_values("failed_on", ascending=False)
    if failed.empty:
        return worst
    open_ended = np.array([not known[s].traced for s in worst.index]) & (worst["state"] != "failed").to_numpy()
    open_ended &= ~bought.reindex(worst.index).fillna(False).to_numpy(bool)
    why = {"state": "source_unknown", "compressor_id": failed["compressor_id"].iloc[0]}
    return worst.assign(
        **{name: worst[name].astype(object).where(~open_ended, value) for name, value in why.items()},
        failed_on=worst["failed_on"].where(~open_ended, failed["failed_on"].iloc[0]),
    )
