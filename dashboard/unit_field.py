"""A field for a figure in the reader's unit, which the page computes with in metric."""

import math

import numpy as np
import streamlit as st

from dashboard import parts
from schemas import reading_units
from schemas.fields import Field
from schemas.typed_number import NotANumber, as_typed, typed_number


def field_key(key: str) -> str:
    """The key of a field's widget: one a system of units, so that 200 bar never become 200 psi."""
    return key if reading_units.current() == reading_units.METRIC else f"{key}_{reading_units.current()}"


#: what fields for figures let a browser fill in; number_fields.js knows them by it
FIGURES = "off"


def read_figure(text: str | None, field: Field) -> float | None:
    """What stands in a field for a figure of this column, in the reader's unit; None where nothing does.

    Raises
    ------
    NotANumber
        It is none, or could be two.
    """
    metric = reading_units.unit_of(field.name)
    how = reading_units.shown(metric)
    most = None if field.high is None else float(how.of(field.high))
    return typed_number(text, (how.unit or field.unit).removeprefix("molar "), most, coarse=metric == "bar")


def number_field(
    label: str,
    field: Field,
    value: float | None,
    key: str,
    *,
    digits: int = 0,
    placeholder: str = "",
    width: int = 156,
) -> float | None:
    """A field for a figure within the bounds of its column, begun with `value`; label and value are metric.

    Gives the figure in the column's own unit; None where nothing is typed, or what is refused below it.
    """
    how = reading_units.shown(reading_units.unit_of(field.name))
    low, high = (float(how.of(bound or 0.0)) for bound in (field.low, field.high))
    if how.of(1.0) != 1.0:
        # whole figures on the screen, and none beyond the bound
        low, high = math.ceil(low), math.floor(high)
    begun = None if value is None else float(np.clip(how.of(value), low, high))
    shown = None if begun is None else as_typed(round(begun, max(digits, 0)))
    if begun is not None and shown is not None:
        # what is begun with is shown rounded and kept as it is: a permitted pressure must not come back as more
        st.session_state.setdefault(_begun_key(key), {})[shown] = begun
    with st.container(width=width, gap=None):
        text = st.text_input(
            reading_units.label(label), shown, key=field_key(key), placeholder=placeholder, autocomplete=FIGURES
        )
        try:
            typed = st.session_state.get(_begun_key(key), {}).get(text)
            typed = read_figure(text, field) if typed is None else typed
            if typed is not None and not low <= typed <= high:
                raise NotANumber(f"Not between {low:g} and {high:g}.")
        except NotANumber as why:
            parts.show(parts.refusal([str(why)]))
            return None
    return None if typed is None else float(how.back(typed))


def typed_in(key: str, field: Field) -> float | None:
    """What stands in such a field now, in the column's own unit; None where nothing does that can be taken."""
    text = st.session_state.get(field_key(key))
    try:
        typed = st.session_state.get(_begun_key(key), {}).get(text)
        typed = read_figure(text, field) if typed is None else typed
    except NotANumber:
        return None
    return None if typed is None else float(reading_units.shown(reading_units.unit_of(field.name)).back(typed))


def _begun_key(key: str) -> str:
    return f"{field_key(key)}_begun"
