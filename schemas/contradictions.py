"""Pairs of values in one row that cannot both be: one of the two is a slip, and nobody can say which."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray


@dataclass(frozen=True)
class Pair:
    """`higher` cannot lie below `lower`, but for `slack`; `flag` goes onto the row."""

    lower: str
    higher: str
    rule: str
    slack: float = 0.0
    flag: str = ""

    def contradicted(self, rows: pd.DataFrame) -> NDArray[np.bool_]:
        """Which rows of a typed frame hold both values the wrong way round."""
        lower, higher = (_comparable(rows[name]) for name in (self.lower, self.higher))
        return (lower > (higher + self.slack if self.slack else higher)).to_numpy(bool, na_value=False)


PAIRS: dict[str, tuple[Pair, ...]] = {
    "dives": (Pair("mean_depth_m", "max_depth_m", "mean_above_greatest", 0.5, "depths_contradict"),),
    "kits": (Pair("suit_buoyancy_at_depth_kg", "suit_buoyancy_kg", "buoyancy_contradicts", 0.5),),
    "gauges": (Pair("step_bar", "span_bar", "step_above_span"),),
    "compressor_log": (Pair("pumped_from_bar", "pumped_to_bar", "pumped_down"),),
    "loans": (Pair("out_at", "due_on", "due_before_out"),),
}
"""Depths are rounded to a metre or half a metre, so a square dive's mean may stand a little above its greatest."""


def shown(value: Any) -> str:
    """A day or a number as people read it."""
    return f"{value.day} {value:%b %Y}" if isinstance(value, pd.Timestamp) else f"{value:g}"


def _comparable(column: pd.Series) -> pd.Series:
    """Numbers as they are; a moment as its day, for a day has no hour."""
    if isinstance(column.dtype, pd.DatetimeTZDtype):
        return column.dt.tz_localize(None).dt.normalize()
    return column
