"""A few new fills of a station of many, judged by what the last run learned: the verdict that somebody waits for.

A cylinder's fills hang on its own past, on what all fills of the station say of gauges, room and rates, and on what its
readings have taught. The first is computed again for the cylinders concerned, the second for all, and the third is
taken as the last run left it: what is read today teaches tomorrow.
"""

from collections.abc import Callable, Collection, Sequence

import numpy as np
import pandas as pd

from pipelines.derive.fills.context import FillContext, fill_context
from pipelines.derive.fills.learned import Learned, from_frame
from pipelines.derive.fills.settling import settle_by
from pipelines.derive.fills.settling_then import settle_then_by
from pipelines.derive.fills.station_fills import estimate
from pipelines.derive.fills.step import judged, taken_for, with_this_month
from pipelines.derive.units import set_membership
from schemas.policy import Policy

MOST_SINCE, MOST_FILLS = 1000, 20_000
"""Where more were made since the first that is new, or hang together with the new ones, all are judged at once."""


class SomeFills:
    """All fills of some cylinders of a station of many, judged by what the last run learned.

    `all_fills` are those of the station, with what all of them say of each.
    """

    def __init__(
        self,
        inputs: dict[str, pd.DataFrame],
        policy: Policy,
        all_fills: pd.DataFrame,
        context: FillContext,
        learned: Sequence[Learned],
        gauges: pd.DataFrame,
    ):
        self.all_fills, self._inputs, self._policy, self._context = all_fills, inputs, policy, context
        self._estimates = estimate(context.fills, policy)
        self.judged = judged(
            context,
            settle_by(self._estimates, learned, policy),
            with_this_month(gauges, all_fills),
            inputs | {"fills": _theirs_and_placed(inputs["fills"], context.fills["fill_id"])},
            policy,
            settled_known_at={one.station: one.settled_known_at for one in learned},
        )
        """Their rows as they stand in `fills_judged`."""

    def taken_for(self, learned_then: pd.DataFrame, since: pd.Timestamp) -> pd.DataFrame:
        """The rows of `fills_before_dives` of those made since a day began, by `settling_learned_then` of that day."""
        settled = settle_then_by(self._estimates, from_frame(learned_then), self._policy)
        then = taken_for(self._context, settled, self._policy)
        return then[then["filled_at"] >= since].reset_index(drop=True)


def judge_some(
    inputs: dict[str, pd.DataFrame],
    units: pd.DataFrame,
    policy: Policy,
    water_readings: pd.DataFrame | None,
    learned: pd.DataFrame,
    gauges: pd.DataFrame,
    which: Callable[[pd.DataFrame], Collection[str]],
    *,
    far_back: bool = False,
    all_fills: pd.DataFrame | None = None,
) -> SomeFills | None:
    """Some fills, and the others of their cylinders.

    Parameters
    ----------
    inputs, units, policy, water_readings
        As of `prepare_fills`.
    learned, gauges : DataFrame
        settling_learned and gauge_check as the last run left them.
    which : callable
        The ids of those that are new or have changed, by all fills as they stand in `all_fills`.
    far_back : bool
        Whether they may lie far back.
    all_fills : DataFrame, optional
        All fills as they stand in `all_fills`, where they are at hand.

    Returns
    -------
    SomeFills or None
        None where all fills are to be judged at once: none is named, they lie far back, or their station has learned
        nothing yet.
    """
    known = from_frame(learned)
    there: list[pd.DataFrame] = []

    def of_their_cylinders(fills: pd.DataFrame) -> np.ndarray:
        new = fills["fill_id"].isin(which(fills)).to_numpy(bool)
        kept = fills["unit_id"].isin(_hang_together(inputs, set(fills["unit_id"][new]))).to_numpy(bool)
        stations = {one.station for one in known}
        on_a_filling_gauge = new & fills["settled_pressure_bar"].notna() & ~fills["settled_on_check_gauge"]
        first = int(np.argmax(new)) if new.any() else 0
        unfit = not new.any() or kept.sum() > MOST_FILLS or (len(fills) - first > MOST_SINCE and not far_back)
        # of a filling gauge that read a settled pressure the months count, by fills that may not be at hand
        unfit |= bool(on_a_filling_gauge.any()) or _gauge_is_left_out(fills, kept)
        if unfit or not set(fills["station"][kept]) <= stations:
            return np.zeros(len(fills), bool)
        there.append(fills)
        return kept

    context = fill_context(inputs, units, policy, water_readings, only=of_their_cylinders, all_fills=all_fills)
    return SomeFills(inputs, policy, there[0], context, known, gauges) if there else None


def _gauge_is_left_out(fills: pd.DataFrame, kept: np.ndarray) -> bool:
    """Whether a reading of these fills was made on a gauge that fills at their station, and none of them."""
    read = fills[kept & fills["settled_pressure_bar"].notna().to_numpy(bool)]
    asked = pd.MultiIndex.from_frame(read[["station", "settled_gauge"]])
    filling, theirs = (pd.MultiIndex.from_frame(some[["station", "gauge"]]) for some in (fills, fills[kept]))
    return bool((asked.isin(filling) & ~asked.isin(theirs)).any())


def hanging_together(inputs: dict[str, pd.DataFrame]) -> dict[str, str]:
    """Of each unit that ever shared a cylinder one that stands for all which hang together so."""
    found: dict[str, str] = {}

    def stands_for(unit: str) -> str:
        while found.setdefault(unit, unit) != unit:
            found[unit] = unit = found[found[unit]]
        return unit

    members = set_membership(inputs)
    for pair in zip(members["set_id"].astype("str"), members["cylinder_id"].astype("str"), strict=True):
        one, other = map(stands_for, pair)
        found[max(one, other)] = min(one, other)
    return {unit: stands_for(unit) for unit in list(found)}


def _hang_together(inputs: dict[str, pd.DataFrame], units: set[str]) -> set[str]:
    """The units that share a cylinder with these, or with one that does, at any time."""
    together = hanging_together(inputs)
    theirs = {together.get(unit, unit) for unit in units}
    return units | {unit for unit, one in together.items() if one in theirs}


def _theirs_and_placed(fills: pd.DataFrame, fill_ids: pd.Series) -> pd.DataFrame:
    """These fills, and one of each source at each station: where compressors stand is known by what came of them."""
    placed = ~fills.duplicated(["station_id", "source_id"])
    return fills[placed | fills["fill_id"].isin(fill_ids)]
