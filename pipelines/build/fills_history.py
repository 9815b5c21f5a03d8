"""What was published of each fill at first, and predicted before its reading was known: never rewritten."""

import pandas as pd

from pipelines.build.columns import looked_up

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
        before = first.drop_duplicates("fill_id").set_index("fill_id")
        known = fills["fill_id"].isin(before.index).to_numpy()
        verdict = verdict.where(~known, looked_up(fills["fill_id"], before["handed_over_verdict"]).astype(object))
        bar = bar.where(~known, looked_up(fills["fill_id"], before["handed_over_settled_bar_15c"]).astype(float))
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
