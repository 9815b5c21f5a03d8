"""What was published of each fill at first, and predicted before its reading was known: never rewritten."""

import pandas as pd

from pipelines.derive.columns import in_time
from schemas.frames import conform
from schemas.tables import TABLES
from shared.filling.track_record import record

#: two readings of one fill within so much are one reading, bar
SAME_READING_BAR = 0.5


def with_first_published(fills: pd.DataFrame, first: pd.DataFrame | None) -> pd.DataFrame:
    """Add handed_over_*: what was first published of each fill, or today's belief for a new one.

    Parameters
    ----------
    fills : DataFrame
        fill_id, verdict, settled_pressure_bar_15c and more.
    first : DataFrame or None
        fill_id, handed_over_verdict, handed_over_settled_bar_15c, as first published.
    """
    verdict, bar = fills["verdict"].astype(object), fills["settled_pressure_bar_15c"].astype(float)
    if first is not None and len(first):
        before = first.drop_duplicates("fill_id")
        place = pd.Index(before["fill_id"].to_numpy(object)).get_indexer(fills["fill_id"].to_numpy(object))
        known, then = place >= 0, before.iloc[place].set_axis(fills.index)
        verdict = verdict.where(~known, then["handed_over_verdict"].astype(object))
        bar = bar.where(~known, then["handed_over_settled_bar_15c"].astype(float))
    return fills.assign(handed_over_verdict=verdict.astype("str"), handed_over_settled_bar_15c=bar)


def kept_checks(check: pd.DataFrame, first: pd.DataFrame | None) -> pd.DataFrame:
    """Predictions published before stay, as long as their reading does."""
    if first is None or first.empty:
        return check
    both = check.merge(first, on="fill_id", how="left", suffixes=("", "_before"), validate="one_to_one")
    near = (both["measured_bar"] - both["measured_bar_before"]).abs() < SAME_READING_BAR
    same = (both["measured_bar_before"].notna() & near).to_numpy(bool)
    for name in ("settled_fills_before", "predicted_bar", "predicted_low_bar", "predicted_high_bar"):
        both[name] = both[name].where(~same, both[name + "_before"])
    return both[check.columns]


def settling_record(check: pd.DataFrame, fills: pd.DataFrame, corrections: pd.DataFrame) -> pd.DataFrame:
    """The table `settling_record`: how predictions turned out, as they were published, station by station.

    Parameters
    ----------
    check : DataFrame
        `settling_check`.
    fills : DataFrame
        fill_id, station_id, filled_at.
    corrections : DataFrame
        station_id, shift_bar, widening: what the record says of the next predictions.
    """
    named = ["predicted_bar", "predicted_low_bar", "predicted_high_bar", "measured_bar"]
    known = check.merge(fills[["fill_id", "station_id", "filled_at"]], on="fill_id", how="inner")
    rows = []
    for station, mine in known.take(in_time(known)).groupby("station_id", dropna=False):
        found = record(*(mine[name] for name in named))
        rows.append(
            {
                "station_id": station,
                "answers": found.answers,
                "answers_inside": found.inside,
                "predicted_off_bar": found.off,
                "too_narrow": found.too_narrow,
                "biased": found.biased,
            }
        )
    columns = [c for c in TABLES["settling_record"].fields if c not in ("shift_bar", "widening")]
    table = pd.DataFrame(rows, columns=columns)
    table = table.astype({"station_id": "str"}).merge(
        corrections.astype({"station_id": "str"}), on="station_id", how="left"
    )
    return conform(table, TABLES["settling_record"].fields.values())
