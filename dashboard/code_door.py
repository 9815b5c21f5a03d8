"""On the local network: the station code, which lets a phone log; given once for as long as its page stands open."""

import threading
import time
from pathlib import Path

import streamlit as st

from dashboard import parts
from dashboard.data import Snapshot
from schemas import words
from schemas.station_code import Attempts, code_version, is_code

#: hours for which a code that was given holds
HOLDS_H = 12.0
_GIVEN = "station_code_given"
_attempts: dict[Path, Attempts] = {}
#: one try at a time, so that many at once are counted too, and cost no more memory than one
_one_try = threading.Lock()


def is_set(published: Path) -> bool:
    """Whether the manager has set a code."""
    return bool(code_version(published.parent))


def given(published: Path) -> bool:
    """Whether this browser has given the code that holds now."""
    version, at = st.session_state.get(_GIVEN, ("", 0.0))
    return bool(version) and version == code_version(published.parent) and 0 <= time.time() - at < HOLDS_H * 3600


def try_code(published: Path, typed: str) -> str:
    """Take a typed code; why it is not taken, or the empty text."""
    station = published.parent
    with _one_try:
        tries, now_s = _attempts.setdefault(station.resolve(), Attempts()), time.monotonic()
        if wait := tries.wait_s(now_s):
            return (
                f"Too many wrong codes were typed here. Wait {words.plural(int(wait // 60) + 1, 'minute')}; until then "
                "none is taken, from nobody."
            )
        version = code_version(station)
        if not is_code(station, typed):
            tries.wrong(now_s)
            return "That is not the station code. Ask the manager."
    st.session_state[_GIVEN] = (version, time.time())
    return ""


def show(snapshot: Snapshot) -> None:
    """Asks for the code."""
    parts.show(parts.plain("To log from this phone, type the station code. It holds until this page is closed."))
    with st.form("station_code", enter_to_submit=True, border=False):
        typed = st.text_input("Station code", type="password", key="station_code_typed", width=220)
        if st.form_submit_button("Give the code", type="primary"):
            why_not = try_code(snapshot.published, typed)
            if not why_not:
                st.rerun()
            parts.show(parts.refusal([why_not]))
