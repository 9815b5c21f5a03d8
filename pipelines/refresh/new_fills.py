"""New fills judged by what the last run learned, to be shown before all are judged again."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipelines.publish.parts import arrow_table
from pipelines.publish.snapshot import Publisher
from pipelines.refresh.engine import Refresh
from pipelines.refresh.fills import FILLS
from pipelines.refresh.step import step_digest
from pipelines.warehouse.first_published import kept_of
from pipelines.warehouse.store import Warehouse
from schemas.tables import TABLES

if TYPE_CHECKING:
    from pipelines.derive.fills.some import SomeFills

#: what of the last run new fills are judged by, and shown among
_NEEDED = ("fill_quality", "gauge_check", "settling_learned")
_HANDED_OVER = ["fill_id", "handed_over_verdict", "handed_over_settled_bar_15c"]


@dataclass(frozen=True)
class NewFills:
    """Rows of fill_quality that are new or changed, and of their cylinders' other fills whether they are the last.

    `judged` holds all fills of these cylinders, as the new `fill_ids` leave them.
    """

    rows: pd.DataFrame
    latest: dict[str, bool]
    fill_ids: set[str]
    judged: "SomeFills"

    def among_all(self, publisher: Publisher) -> dict[str, pa.Table]:
        """The parts of the table that change, with all other fills as the last snapshot has them."""
        new = arrow_table(self.rows, TABLES["fill_quality"])
        over = dict.fromkeys((fill for fill, is_last in self.latest.items() if not is_last), False)
        also = {"latest_fill": self.latest, "on_hold": over}  # a hold ends with the next fill
        return publisher.years_anew("fill_quality", new, "fill_id", ("filled_at", "fill_id"), also)


def judge_new_fills(
    refresh: Refresh,
    warehouse: Warehouse,
    news: tuple[set[str], set[str]] | None,
) -> NewFills | None:
    """The new fills (see `judge_some`).

    Parameters
    ----------
    refresh : Refresh
        With all that FILLS reads on its shelf; of what transmitters read in the water what the last run found.
    news : (set of str, set of str) or None
        The fills that are new or have changed, and the units that came back.

    Returns
    -------
    NewFills or None
        None where all are to be judged at once: few are there, nothing was kept of what was learned, or something
        else is new as well.
    """
    from pipelines.derive.fills.history import with_first_published
    from pipelines.derive.fills.some import judge_some
    from pipelines.derive.fills.step import MANY_FILLS

    publisher, fills = refresh.publisher, refresh.shelf["fills"]
    last = publisher.previous
    if news is None or last is None or len(fills) < MANY_FILLS or last.steps.get(FILLS.name) != step_digest(FILLS):
        return None
    if not all(publisher.has_previous(table, "all") for table in _NEEDED):
        return None
    shown = publisher.stored_previous("fill_quality", columns=_HANDED_OVER)
    gauges, learned = (publisher.read_previous(table, "all") for table in _NEEDED[1:])
    came_back = fills[fills["unit_id"].isin(news[1])].sort_values("filled_at").drop_duplicates("unit_id", keep="last")
    new = news[0] | set(came_back["fill_id"])
    there, now = shown["fill_id"], pa.chunked_array([pa.array(fills["fill_id"], pa.string())])
    gone, added = _not_in(there, now), _not_in(now, there)
    if learned.empty or len(gone) or set(added.to_pylist()) - new:
        return None
    given = refresh.given(FILLS)
    readings = given["water_readings"] if len(given["water_readings"]) else None
    some = judge_some(given, given["units"], given.policy, readings, learned, gauges, lambda _: new)
    if some is None:
        return None
    found, filled = some.judged, some.judged["filled_at"]
    # of those before the first that is new only `latest_fill` may have changed, and a hold that ends with it
    anew = filled >= filled[found["fill_id"].isin(new)].min()
    rows, others = found[anew], found[~anew]
    of_rows = pc.is_in(there, value_set=pa.array(rows["fill_id"], pa.string()))
    first = pd.concat([shown.filter(of_rows).to_pandas(use_threads=False), kept_of(warehouse, rows["fill_id"])])
    latest = dict(zip(others["fill_id"], others["latest_fill"].astype(bool), strict=True))
    return NewFills(with_first_published(rows, first.drop_duplicates("fill_id")), latest, new, some)


def _not_in(some: pa.ChunkedArray, others: pa.ChunkedArray) -> pa.ChunkedArray:
    return some.filter(pc.invert(pc.is_in(some, value_set=others.combine_chunks())))
