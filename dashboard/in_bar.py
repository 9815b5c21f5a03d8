"""A gauge read in bar and typed into a field for psi: what is saved would be a fifteenth of what is inside."""

from collections.abc import Mapping
from typing import Any

import pandas as pd

from schemas import reading_units, words
from shared.gas.units import bar_from_psi, psi_from_bar

#: of what a unit may be filled to: a figure below the one in psi, and within the others if it were bar, is asked about
_TOO_LITTLE, _AS_BAR = 1 / 3, (0.3, 1.3)


def asked(row: Mapping[str, Any], unit: pd.Series | None, units: str, column: str, what: str) -> str:
    """The question about a figure typed in psi that may be bar; empty where there is none.

    Parameters
    ----------
    row : mapping
        As a form holds it, figures in `units`.
    unit : Series or None
        What is filled; without its permitted pressure, what was wanted stands for it.
    column, what : str
        Of the figure, and how the question begins.
    """
    typed = row.get(column)
    if units != reading_units.US or typed is None:
        return ""
    wanted = row.get("target_pressure_bar")
    full = bar_from_psi(wanted) if wanted else 0.0
    if unit is not None and words.known(unit["permitted_bar"]):  # what was wanted may be typed in bar as well
        full = float(unit["permitted_bar"])
    if not _AS_BAR[0] * full <= typed <= _AS_BAR[1] * full or bar_from_psi(typed) >= _TOO_LITTLE * full:
        return ""
    bar, most = bar_from_psi(typed), reading_units.grouped(float(psi_from_bar(full)) // 1, 0)
    return f"{what} {typed:g} psi is {bar:.0f} bar, where up to {most} psi may be inside: is it bar?"
