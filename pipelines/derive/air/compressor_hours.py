"""What an hour meter says: hours run since an event, where the log is whole, and what is wrong with it where not.

A meter only rises, and never faster than the clock. A reading that fits neither is a slip of the pen or two rows
exchanged; a fall that stays is a new meter, and nobody knows what ran unread in between.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

CLOCK_SLACK_HOURS = 2.0
"""Readings are written to the hour or so."""


@dataclass(frozen=True)
class Meter:
    """A compressor's log with hours that add up.

    `run`: hours known to have run since the first reading, at each row; at a row whose own reading is a slip, those of
    the reading before. `broken`: places at which an unknown number of hours may be missing. `slips`: readings that
    were left out.
    """

    log: pd.DataFrame
    run: np.ndarray
    broken: np.ndarray
    slips: np.ndarray

    @property
    def hours(self) -> float:
        """What the meter shows last; NaN without a reading."""
        kept = self.log["hours"].to_numpy("float64")[~self.slips]
        return float(kept[-1]) if len(kept) else float("nan")

    def since(self, place: int) -> tuple[float, bool]:
        """Hours run since a row, at least, and whether none can be missing."""
        return float(self.run[-1] - self.run[place]), not self.broken[place + 1 :].any()


def read_meter(log: pd.DataFrame) -> Meter:
    """The meter of one compressor.

    Parameters
    ----------
    log : DataFrame
        Its log in the order of time: read_at, hours.
    """
    hours = log["hours"].to_numpy("float64")
    at = log["read_at"].to_numpy("datetime64[us]").astype("int64") / 3.6e9
    slips = _slips(hours, at)
    kept = np.flatnonzero(~slips)
    gained = np.diff(hours[kept])
    too_fast = gained > np.diff(at[kept]) + CLOCK_SLACK_HOURS
    fell = gained < 0
    step = np.where(fell | too_fast, 0.0, gained)
    # a meter that starts anew has run at least what it shows, where that fits into the time
    anew = fell & (hours[kept][1:] <= np.diff(at[kept]) + CLOCK_SLACK_HOURS)
    step = np.where(anew, hours[kept][1:], step)
    run, broken = np.full(len(log), np.nan), np.zeros(len(log), bool)
    run[kept] = np.concatenate([[0.0], np.cumsum(step)])[: len(kept)]
    broken[kept[1:]] = fell | too_fast
    run = pd.Series(run).ffill().fillna(0.0).to_numpy()
    return Meter(log, run, broken, slips)


def _slips(hours: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Readings that do not lie between their neighbours, which agree with each other; the last one if it ran ahead of
    the clock."""
    slips = np.zeros(len(hours), bool)
    before = 0
    for i in range(1, len(hours)):
        if i + 1 < len(hours):
            fits = hours[before] <= hours[i] <= hours[i + 1]
            agree = hours[before] <= hours[i + 1] <= hours[before] + at[i + 1] - at[before] + CLOCK_SLACK_HOURS
            slips[i] = not fits and agree
        else:
            slips[i] = hours[i] > hours[before] + at[i] - at[before] + CLOCK_SLACK_HOURS
        if not slips[i]:
            before = i
    return slips
