"""A few new fills of a station of many, judged by what the last run learned: the verdict that somebody waits for.

A cylinder's fills hang on its own past, on what all fills of the station say of gauges, room and rates, and on what its
readings have taught. The first is computed again for the cylinders concerned, the second for all, and the third is
taken as the last run left it. What a new reading teaches comes with the whole run, and moves old fills by hairs.
"""

from collections.abc import Collection

import numpy as np
import pandas as pd

from pipelines.derive.fills.context import fill_context
from pipelines.derive.fills.learned import from_frame
from pipelines.derive.fills.settling import estimate, settle_by
from pipelines.derive.fills.step import judged
from pipelines.derive.units import set_membership
from schemas.policy import Policy

MOST_SINCE, MOST_FILLS = 1000, 20_000
"""Where more were made since the first that is new, or hang together with the new ones, all are judged at once."""


def judge_some(
    inputs: dict[str, pd.DataFrame],
    units: pd.DataFrame,
    policy: Policy,
    water_readings: pd.DataFrame | None,
    learned: pd.DataFrame,
    gauges: pd.DataFrame,
    fill_ids: Collection[str],
) -> pd.DataFrame | None:
    """The rows of fill_quality of some fills, and of the others of their cylinders.

    Parameters
    ----------
    inputs, units, policy, water_readings
        As of `prepare_fills`.
    learned, gauges : DataFrame
        settling_learned and gauge_check as the last run left them.
    fill_ids : collection of str
        The fills that are new, or have changed.

    Returns
    -------
    DataFrame or None
        With the column `anew`: false for fills before the first of these, of which only `latest_fill` may have changed,
        and a hold that ends with it. None where all fills are to be judged at once: the new ones lie far back, or their
        station has learned nothing yet.
    """
    known = from_frame(learned)
    asked: list[int] = []

    def of_their_cylinders(fills: pd.DataFrame) -> np.ndarray:
        new = fills["fill_id"].isin(fill_ids).to_numpy(bool)
        kept = fills["unit_id"].isin(_hang_together(inputs, set(fills["unit_id"][new]))).to_numpy(bool)
        stations = {one.station for one in known}
        on_a_filling_gauge = new & fills["settled_pressure_bar"].notna() & ~fills["settled_on_check_gauge"]
        first = int(np.argmax(new)) if new.any() else 0
        unfit = not new.any() or len(fills) - first > MOST_SINCE or kept.sum() > MOST_FILLS
        # of a filling gauge that read a settled pressure the months count, by fills that may not be at hand
        if unfit or on_a_filling_gauge.any() or not set(fills["station"][kept]) <= stations:
            return np.zeros(len(fills), bool)
        asked.extend(np.flatnonzero(kept))
        return kept

    context = fill_context(inputs, units, policy, water_readings, only=of_their_cylinders)
    if not asked:
        return None
    settled = settle_by(estimate(context.fills, policy), known, policy)
    frame = judged(
        context,
        settled,
        _this_month(gauges, context.fills),
        inputs | {"fills": _theirs_and_placed(inputs["fills"], context.fills["fill_id"])},
        policy,
        settled_known_at={one.station: one.settled_known_at for one in known},
    )
    filled = frame["filled_at"]
    return frame.assign(anew=filled >= filled[frame["fill_id"].isin(fill_ids)].min())


def _hang_together(inputs: dict[str, pd.DataFrame], units: set[str]) -> set[str]:
    """The units that share a cylinder with these, or with one that does, at any time."""
    members = set_membership(inputs)[["set_id", "cylinder_id"]].astype("str")
    found = set(units)
    while True:
        near = members["set_id"].isin(found) | members["cylinder_id"].isin(found)
        more = set(members["set_id"][near]) | set(members["cylinder_id"][near])
        if more <= found:
            return found
        found |= more


def _this_month(gauges: pd.DataFrame, fills: pd.DataFrame) -> pd.DataFrame:
    """The gauges' months; one that the last run did not know yet is as the last it knew."""
    last = gauges.sort_values("month_on").drop_duplicates("gauge_id", keep="last")
    month = fills["filled_on"].max().to_period("M").to_timestamp()
    return pd.concat([gauges, last[last["month_on"] < month].assign(month_on=month)], ignore_index=True)


def _theirs_and_placed(fills: pd.DataFrame, fill_ids: pd.Series) -> pd.DataFrame:
    """These fills, and one of each source at each station: where compressors stand is known by what came of them."""
    placed = ~fills.duplicated(["station_id", "source_id"])
    return fills[placed | fills["fill_id"].isin(fill_ids)]
