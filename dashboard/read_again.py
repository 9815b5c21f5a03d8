"""A settled reading that cannot be of this fill, by what was read before or is expected: to be read again."""

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from schemas import fields, reading_units, words
from schemas.settled_twice import allowed_bar, at_15_c

#: limits of two check gauges added up, and the step they are read to, bar
_GAUGES_BAR, _STEP_BAR = 1.0, 1.0
#: so many times the half of an 80 % interval are no chance where nothing was read yet
_SURELY = 3.0


def asked(
    row: Mapping[str, Any],
    fill: Mapping[str, Any] | None,
    before: Iterable[Mapping[str, str]],
    units: str,
    zone: str,
    settle_hours: float,
) -> str:
    """The question about a settled reading; empty where it agrees, or nothing can be said.

    Parameters
    ----------
    row : mapping
        As the form holds it, figures in `units`, with its moment.
    fill : mapping or None
        Of `fill_quality`, once it is judged.
    before : iterable of mappings
        Settled readings of this fill that are saved and not yet computed, figures metric, as text.
    """
    typed, warm = row.get("settled_pressure_bar"), row.get("settled_c")
    if typed is None or warm is None:
        return ""
    bar, at_c = (
        float(reading_units.typed(column, float(value), units))
        for column, value in (("settled_pressure_bar", typed), ("settled_c", warm))
    )
    if not (_possible(bar, fields.SETTLED_PRESSURE_BAR) and _possible(at_c, fields.SETTLED_C)):
        return ""  # refused where it stands, with the unit it may be of
    mix = (fill["o2_pct"], fill["he_pct"]) if fill is not None else (np.nan, np.nan)
    read = float(at_15_c(bar, at_c, *mix))
    if not np.isfinite(read):
        return ""
    for one in before:
        if one.get("settled_pressure_bar") and one.get("settled_c"):
            known = float(at_15_c(float(one["settled_pressure_bar"]), float(one["settled_c"]), *mix))
            if abs(read - known) > allowed_bar(max(read, known), _GAUGES_BAR, _STEP_BAR):
                at = words.hour(pd.Timestamp(one["read_at"]), zone)
                return _question(read, f"{words.number(known, 0, 'bar')} by the reading of {at}")
    if fill is None or not words.known(fill["settled_pressure_bar_15c"]):
        return ""
    mid, low, high = (float(fill[f"settled_{what}bar_15c"]) for what in ("pressure_", "low_", "high_"))
    settled = fill["gas_c_basis"] == "settled"
    wide = (1.0 if settled else _SURELY) * (high - low) / 2.0 + allowed_bar(max(read, mid), _GAUGES_BAR, _STEP_BAR)
    hours = (row["read_at"] - fill["filled_at"]).total_seconds() / 3600.0
    if abs(read - mid) <= wide or (read > mid and hours < settle_hours):  # what is still warm reads more
        return ""
    span = f"{words.number(low, 0)} to {words.number(high, 0, 'bar')}"
    return _question(read, f"{span} {'by its readings so far' if settled else 'expected of this fill'}")


def _possible(value: float, field: fields.Field) -> bool:
    return (field.low is None or value >= field.low) and (field.high is None or value <= field.high)


def _question(read_bar: float, against: str) -> str:
    at = f"{words.number(read_bar, 0, 'bar')} at {words.number(15, 0, '°C')}"
    return f"this is {at}, against {against}. Look again: the right cylinder, a slip, gas used since?"
