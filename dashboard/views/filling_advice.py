"""Where to stop the next fill of the cylinder asked for."""

import pandas as pd

from dashboard import parts, words
from dashboard.data import Snapshot
from dashboard.standing import Standing


def show(snapshot: Snapshot, standing: Standing | None, fills: pd.DataFrame) -> None:
    parts.show(parts.heading("Where to stop the next fill", 2))
    if standing is None:
        parts.show(parts.plain("Name the cylinder or set above first."))
        return
    if not standing.may_be_filled:
        parts.show(parts.bar("No pressure is advised: it may not be filled", 4, parts.lines(*standing.why_not)))
        return
    permitted = standing.unit["permitted_bar"]
    parts.show(parts.bar(f"Never above {words.number(permitted, 0, 'bar')}", 2, "The permitted pressure: the least of cylinder and valve, hot or cold."))
