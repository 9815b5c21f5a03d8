"""Where the published gas of a dive cannot have been: pages say that it is not known, and draw nothing of it."""

import pandas as pd

from dashboard.rows import Row
from schemas import words

#: free litres under nothing that rounding and a gauge at its stop may still make
NOTHING_LEFT_FREE_L = -5.0
WHY = (
    "By its pressures less than nothing was left in the cylinder, which cannot be: a transmitter was lost, or a "
    "pressure or size is wrong. Ask the diver: it may also have run empty. Until the dive's file is corrected its "
    "margin is not known and its rate is doubtful."
)


def cannot_be(reserve: pd.DataFrame) -> pd.Series:
    """Dives whose gas would have been less than nothing at the end or at the least margin, a mask."""
    there = reserve["required_free_l_there"] + reserve["least_margin_free_l"]
    return (reserve["surfaced_free_l"] < NOTHING_LEFT_FREE_L) | (there < NOTHING_LEFT_FREE_L)


def cannot_have_been(reserve: Row) -> bool:
    """The same for one dive."""
    return bool(cannot_be(reserve.to_frame().T).iloc[0])


def above_unusable(profile: pd.DataFrame) -> pd.Series:
    """Gas over time that the margin is counted from, with gaps where less than nothing was left in all."""
    left = profile["required_free_l"] + profile["margin_free_l"]
    return left.where(profile["usable_free_l"] >= NOTHING_LEFT_FREE_L)


def number(value: float, unit: str = "L") -> str:
    """A content or gauge pressure; below nothing it is not known."""
    below = words.known(value) and value < (NOTHING_LEFT_FREE_L if unit == "L" else -1.0)
    return words.UNKNOWN if below else words.number(value, 0, unit)
