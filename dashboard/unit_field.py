"""A field for a figure in the reader's unit, which the page computes with in metric."""

import math

import numpy as np
import streamlit as st

from schemas import reading_units
from schemas.fields import Field


def field_key(key: str) -> str:
    """The key of a field's widget: one a system of units, so that 200 bar never become 200 psi."""
    return key if reading_units.current() == reading_units.METRIC else f"{key}_{reading_units.current()}"


def number_field(
    label: str,
    field: Field,
    value: float | None,
    step: float,
    key: str,
    *,
    digits: int = 0,
    placeholder: str = "",
    width: int = 156,
) -> float | None:
    """A field for a figure within the bounds of its column, begun with `value`; label, value and step are metric.

    Gives the figure in the column's own unit.
    """
    how = reading_units.shown(reading_units.unit_of(field.name))
    same = how.of(1.0) == 1.0
    low, high = (float(how.of(bound or 0.0)) for bound in (field.low, field.high))
    if not same:
        # whole figures on the screen, and none beyond the bound
        low, high = math.ceil(low), math.floor(high)
    # what is begun with is shown rounded and kept as it is: a permitted pressure must not come back as more
    begun = None if value is None else float(np.clip(round(value, 2) if same else how.of(value), low, high))
    typed = st.number_input(
        reading_units.label(label),
        float(low),
        float(high),
        begun,
        step * how.step,
        key=field_key(key),
        width=width,
        format=f"%.{digits}f",
        placeholder=placeholder or None,
    )
    return None if typed is None else float(how.back(typed))


def typed_in(key: str, column: str) -> float | None:
    """What stands in such a field now, in the column's own unit; None where nothing does."""
    typed = st.session_state.get(field_key(key))
    return None if typed is None else float(reading_units.shown(reading_units.unit_of(column)).back(typed))
