"""What was mistyped in a form is corrected there: the same row once more, begun with what was saved, and newer."""

from collections.abc import Callable, Mapping

import pandas as pd
import streamlit as st

from dashboard import entry_door, parts
from dashboard.data import Snapshot
from schemas import words

#: an entry can be corrected by form for so long; later by a newer row in a file
MAY_CORRECT = pd.Timedelta(hours=24)
#: of which kind and unit somebody said that the newest entry is wrong
_WRONG = "entries_to_correct"

SAYS = parts.note("What is saved here takes the place of what was logged; both are kept.")

Row = Mapping[str, str]


def about(unit_id: str) -> str:
    """What the form of a correction is about."""
    return f"{unit_id}, corrected"


def to_correct(kind: str, unit_id: str, newest: Callable[[], Row | None]) -> Row | None:
    """The entry that is being corrected, as it was saved."""
    return newest() if (kind, unit_id) in st.session_state.get(_WRONG, ()) else None


def offer(kind: str, unit_id: str, row: Row | None, what: str, at: str, zone: str) -> None:
    """A way to correct the newest entry, or back from there; `at` is the column of its moment."""
    if (kind, unit_id) in st.session_state.get(_WRONG, ()):
        st.button("Leave it as it was", key=f"leave_{kind}_{unit_id}", on_click=done, args=(kind, unit_id))
    elif row:
        hour = words.hour(pd.Timestamp(row[at]), zone)
        st.button(f"Correct {what} of {hour}", key=f"correct_{kind}_{unit_id}", on_click=begin, args=(kind, unit_id))


def begin(kind: str, unit_id: str) -> None:
    """The newest entry of this kind is wrong."""
    st.session_state.setdefault(_WRONG, set()).add((kind, unit_id))


def done(kind: str, unit_id: str) -> None:
    """It has been corrected, or is right."""
    st.session_state.get(_WRONG, set()).discard((kind, unit_id))


def newest_stop(snapshot: Snapshot, unit_id: str) -> Row | None:
    """The last stop of a unit that was saved by form and can be corrected there."""
    return entry_door.newest(snapshot, "fills", "filled_at", lambda row: row.get("unit_id") == unit_id, _since())


def newest_reading(snapshot: Snapshot, fills: Mapping[str, str], column: str) -> Row | None:
    """The last reading of these fills with this figure, likewise."""
    return entry_door.newest(
        snapshot,
        "fill_readings",
        "read_at",
        lambda row: row.get("fill_id") in fills and bool(row.get(column)),
        _since(),
    )


def figure(row: Row | None, column: str) -> float | None:
    """What a saved entry says, metric."""
    return float(row[column]) if row and row.get(column) else None


def _since() -> pd.Timestamp:
    return entry_door.now() - MAY_CORRECT
