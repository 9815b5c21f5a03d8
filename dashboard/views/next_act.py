"""What comes next for a unit whose stop was just logged in this browser: one button, and the form it opens."""

import pandas as pd
import streamlit as st

from dashboard import being_filled, board, entry_door, parts
from dashboard.access import LOCAL_NETWORK
from dashboard.data import Snapshot
from dashboard.views import corrections
from schemas import words
from schemas.codes import codes_that

#: by unit: the fill whose stop was saved here last, and when
_STOPPED = "stop_just_logged"
#: for so long its form does not begin another: two stops of a unit are seldom nearer
STAYS = pd.Timedelta(minutes=20)
#: what holds a fill back for more than the want of an analysis
_HOLDS = codes_that(lambda c: c.severity == "stop" and not c.asks_analysis)


def remember(unit_id: str) -> None:
    """The stop of this unit was saved just now, the last of what this browser saved."""
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
    more = row is not None and any(code in _HOLDS for code in words.listed(row["reasons"]))
    st.button(
        "Log its analysis",
        type="secondary" if more else "primary",
        key=f"next_analysis_{unit_id}",
        on_click=_turn,
        args=(place, "analysis"),
    )


def worth_reading(snapshot: Snapshot, fill_id: str, cylinders: int) -> parts.Markup | str:
    """From when on a settled reading of the fill says what it will say; nothing before it is judged."""
    judged = snapshot.table("fill_quality", fill_id=fill_id).to_dict("records")
    if not judged or judged[0]["gas_c_basis"] == "settled":
        return ""
    at = board.worth_reading_at(
        judged[0],
        snapshot.table("units"),
        cylinders,
        float(snapshot.policy("filling", "check_gauge_limit_bar")),
        float(snapshot.policy("filling", "settle_hours")),
    )
    return (
        "" if pd.isna(at) else parts.note(f"Cold, and worth a settled reading, from {words.clock(at, snapshot.zone)}.")
    )


def _analysis_waits(snapshot: Snapshot, fill_id: str) -> bool:
    mine = (e.row for e in entry_door.pending(snapshot) if e.source == "fill_readings")
    return any(row.get("fill_id") == fill_id and row.get("analysed_o2_pct") for row in mine)


def being_filled_now(snapshot: Snapshot, unit_id: str) -> being_filled.Begun | None:
    """That somebody is filling this unit, on this phone or another."""
    listed = being_filled.now(snapshot.published, entry_door.now())
    return next((one for one in listed if one.unit_id == unit_id), None)


def in_words(snapshot: Snapshot, begun: being_filled.Begun) -> str:
    """'since 14:02 (6 min), 40 bar read at the start, by Ines'; no names where none are shown."""
    minutes = (entry_door.now() - begun.at).total_seconds() / 60.0
    read = f", {words.number(begun.start_bar, 0, 'bar')} read at the start" if begun.start_bar is not None else ""
    by = f", by {begun.by}" if begun.by and snapshot.viewer.role != LOCAL_NETWORK else ""
    return f"since {words.hour(begun.at, snapshot.zone)} ({words.number(minutes, 0, 'min')}){read}{by}"


def show_being_filled(snapshot: Snapshot, begun: being_filled.Begun) -> None:
    """That a fill of it is under way, above the form of its stop; and a way to take that back."""
    parts.show(parts.note(f"Being filled {in_words(snapshot, begun)}. Log the stop when it is done."))
    take_back = (snapshot.published, begun.unit_id)
    st.button("It is not being filled", key=f"not_filled_{begun.unit_id}", on_click=being_filled.end, args=take_back)


def instead_of_the_form(unit_id: str) -> None:
    """What stands where the form of a stop was, for the stop has been logged."""
    with st.container(horizontal=True):
        st.button("Log another stop", key=f"another_{unit_id}", on_click=_forget, args=(unit_id,))
        st.button("Correct this one", key=f"correct_{unit_id}", on_click=corrections.begin, args=("stop", unit_id))


def _forget(unit_id: str) -> None:
    st.session_state.get(_STOPPED, {}).pop(unit_id, None)


def _turn(place: str, kind: str) -> None:
    st.session_state[place] = kind
