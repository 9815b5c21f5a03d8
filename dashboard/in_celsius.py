"""A temperature read in one unit and typed into a field for the other: 54 °F into one for °C, 12 °C into one for °F."""

from collections.abc import Mapping
from typing import Any

import pandas as pd

from schemas import reading_units, words
from shared.gas.units import c_from_f

#: what fills of so long ago say of the surroundings here, where so many do
_LOOKED_AT, _LEAST_FILLS = pd.Timedelta(days=400), 10
#: by which a day may be colder or warmer than what was logged; without a log, a place where people work
_ROOM_K, _ANYWHERE = 8.0, (-10.0, 42.0)
#: the wall of a cylinder that was just filled, above its surroundings
WALL_K = 40.0
#: the room a compressor stands in, likewise
ROOM_OF_COMPRESSOR_K = 15.0


def surroundings(fills: pd.DataFrame) -> tuple[float, float]:
    """Between what temperatures the surroundings of a fill lie here, °C: as logged, one in a hundred left out."""
    logged = fills[["filled_at", "ambient_c"]].dropna()
    logged = logged[logged["filled_at"] > logged["filled_at"].max() - _LOOKED_AT]["ambient_c"]
    if len(logged) < _LEAST_FILLS:
        return _ANYWHERE
    low, high = (float(logged.quantile(q)) for q in (0.01, 0.99))
    return low - _ROOM_K, high + _ROOM_K


def asked(
    row: Mapping[str, Any], range_c: tuple[float, float], units: str, column: str, what: str, *, above_k: float = 0.0
) -> str:
    """The question about a temperature that is none of here; empty where there is none.

    Parameters
    ----------
    row : mapping
        As a form holds it, figures in `units`.
    range_c : (float, float)
        See `surroundings`; `above_k` widens it upwards.
    column, what : str
        Of the figure, and what it is the temperature of.
    """
    typed = row.get(column)
    return "" if typed is None else question(float(typed), range_c, units, what, above_k=above_k)


def question(typed: float, range_c: tuple[float, float], units: str, what: str, *, above_k: float = 0.0) -> str:
    """As `asked`, of a figure in the reader's unit."""
    low, high = range_c[0], range_c[1] + above_k
    in_f = units == reading_units.US
    celsius = float(c_from_f(typed)) if in_f else typed
    if low <= celsius <= high:
        return ""
    own, other = ("°F", "°C") if in_f else ("°C", "°F")
    otherwise = typed if in_f else float(c_from_f(typed))
    usual = f"{words.number(low, 0, '°C')} to {words.number(high, 0, '°C')}"
    here = f"{typed:g} {own} {what} is not usual here ({usual})".replace("  ", " ")
    if not low <= otherwise <= high:
        return f"{here}: is it right?"
    meant = f"{typed:g} °C is {1.8 * typed + 32:.0f} °F" if in_f else f"{typed:g} °F is {otherwise:.0f} °C"
    return f"{here}, and {meant}: is it {other}?"
