"""Figures of one fill that hardly go together: slips of the pen, most likely, but they may have happened."""

import numpy as np
import pandas as pd

from pipelines.derive.columns import floats
from pipelines.derive.fleet.inspections import local_day

TWO_READINGS_BAR = 2.0
"""Two readings of one gauge, a step each, may differ by so much with nothing added between."""
CLOCKS_DIFFER = pd.Timedelta(minutes=15)
"""Stop and analysis are written down on two clocks, or from memory."""
FASTEST_BAR_MIN, LEAST_RISE_BAR = 300.0, 20.0
"""No panel fills a cylinder faster (41 bar a minute is a usual limit: a cylinder inspectors' training note)."""
WARMEST_SHARE = 1.15
"""A closed cylinder reads so much more after some 30 K of warming (CoolProp's air equation: 200 bar at 0 °C reads 228
at 25 °C and 234 at 30 °C)."""


def fill_slips(c: pd.DataFrame, time_zone: str) -> dict[str, np.ndarray]:
    """A mask a code, over the fills of a context (see `fills_context`)."""
    start, stop, minutes = (floats(c[k]) for k in ("start_pressure_bar", "stop_pressure_bar", "fill_minutes"))
    rise = stop - start
    rate = rise / np.where(minutes > 0, minutes, np.nan)
    return {
        "stop_below_start": -rise > TWO_READINGS_BAR,
        "analysed_before_stop": _analysed_before(c, time_zone),
        "fill_rate_doubtful": (rise > LEAST_RISE_BAR) & (rate > FASTEST_BAR_MIN),
        # with its temperature a reading is compared with the heat of the fill; without, with what no warming makes
        "settled_reading_doubtful": ~np.isfinite(floats(c["settled_c"]))
        & (floats(c["settled_pressure_bar"]) > WARMEST_SHARE * stop),
    }


def _analysed_before(c: pd.DataFrame, time_zone: str) -> np.ndarray:
    """Analyses dated before the stop; where the hour of either was not written, by the day."""
    early = (c["analysed_at"] < c["filled_at"] - CLOCKS_DIFFER).to_numpy(bool, na_value=False)
    by_day = (local_day(c["analysed_at"], time_zone) < c["filled_on"]).to_numpy(bool, na_value=False)
    no_hour = np.array(["date_without_time" in marks for marks in c["marks"]], bool)
    return np.where(no_hour, by_day, early)
