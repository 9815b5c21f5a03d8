"""What comes next for a unit whose stop was just logged in this browser: one button, and the form it opens."""

from collections.abc import Mapping

import pandas as pd
import streamlit as st

from dashboard import entry_door
from dashboard.data import Snapshot
from schemas import words
from schemas.codes import codes_that

#: by unit: the fill whose stop was saved here last, and when; those of which somebody said that they are wrong
_STOPPED, _WRONG = "stop_just_logged", "stop_to_correct"
#: for so long its form does not begin another: two stops of a unit are seldom nearer
STAYS = pd.Timedelta(minutes=20)
#: a stop logged by form can be corrected by form for so long; later by a newer row in a file
MAY_CORRECT = pd.Timedelta(hours=24)
_LACKS_ANALYSIS = codes_that(lambda c: c.asks_analysis)


def remember(unit_id: str) -> None:
    """The stop of this unit was saved just now, the last of what this browser saved."""
    st.session_state.get(_WRONG, {}).pop(unit_id, None)
    if fills := list(st.session_state.get("saved_fills", {}).values()):
        st.session_state.setdefault(_STOPPED, {})[unit_id] = (fills[-1], entry_door.now())


def fill_just_stopped(unit_id: str) -> str | None:
    """The fill of this unit that was stopped and logged here, while what comes next is its analysis or its tag."""
    fill_id, at = st.session_state.get(_STOPPED, {}).get(unit_id, (None, None))
    return fill_id if at is not None and entry_door.now() - at < STAYS else None


def offer(snapshot: Snapshot, unit_id: str, fill_id: str, place: str) -> None:
    """The one button of what comes next, under what has been found of the fill; `place` holds what is logged."""
    judged = snapshot.table("fill_quality", fill_id=fill_id).to_dict("records")
    row = judged[0] if judged else None
    if (row is not None and row["mix_verdict"] != "not_analysed") or _analysis_waits(snapshot, fill_id):
        st.button("Show its tag", type="primary", key=f"next_tag_{unit_id}", on_click=_turn, args=(place, "tag"))
        return
    # what is held for more than that is not helped by an analysis alone
    held = words.listed(row["reasons"]) if row is not None and row["verdict"] == "stop" else []
    more = any(code not in _LACKS_ANALYSIS | words.MINOR_REASONS for code in held)
    st.button(
        "Log its analysis",
        type="secondary" if more else "primary",
        key=f"next_analysis_{unit_id}",
        on_click=_turn,
        args=(place, "analysis"),
    )


def _analysis_waits(snapshot: Snapshot, fill_id: str) -> bool:
    mine = (e.row for e in entry_door.pending(snapshot) if e.source == "fill_readings")
    return any(row.get("fill_id") == fill_id and row.get("analysed_o2_pct") for row in mine)


def instead_of_the_form(unit_id: str) -> None:
    """What stands where the form of a stop was, for the stop has been logged."""
    with st.container(horizontal=True):
        st.button("Log another stop", key=f"another_{unit_id}", on_click=_forget, args=(unit_id,))
        st.button("Correct this one", key=f"correct_{unit_id}", on_click=_say_wrong, args=(unit_id,))


# --- a stop that was mistyped --------------------------------------------------------------------
def correction_of(unit_id: str) -> str:
    """What the form of a correction is about."""
    return f"{unit_id}, corrected"


def to_correct(snapshot: Snapshot, unit_id: str) -> Mapping[str, str] | None:
    """The stop that is being corrected, as it was logged."""
    return _newest(snapshot, unit_id) if st.session_state.get(_WRONG, {}).get(unit_id) else None


def offer_correction(snapshot: Snapshot, unit_id: str) -> None:
    """A way to the newest stop that was logged by form, or back from there."""
    if st.session_state.get(_WRONG, {}).get(unit_id):
        st.button("Leave it as it was", key=f"leave_{unit_id}", on_click=_say_right, args=(unit_id,))
    elif row := _newest(snapshot, unit_id):
        at = words.hour(pd.Timestamp(row["filled_at"]), snapshot.zone)
        st.button(
            f"Correct the stop of {at}",
            key=f"correct_{unit_id}",
            on_click=_say_wrong,
            args=(unit_id,),
        )


def _newest(snapshot: Snapshot, unit_id: str) -> Mapping[str, str] | None:
    return entry_door.newest_fill(snapshot, unit_id, entry_door.now() - MAY_CORRECT)


def _forget(unit_id: str) -> None:
    st.session_state.get(_STOPPED, {}).pop(unit_id, None)


def _say_wrong(unit_id: str) -> None:
    st.session_state.setdefault(_WRONG, {})[unit_id] = True


def _say_right(unit_id: str) -> None:
    st.session_state.get(_WRONG, {}).pop(unit_id, None)


def _turn(place: str, kind: str) -> None:
    st.session_state[place] = kind
