"""Hand in a file by a page: own dives of who has signed in, or anything by who runs the station."""

import pandas as pd
import streamlit as st

from dashboard import parts
from dashboard.access import DIVER, Refused, may_hand_in
from dashboard.data import Snapshot
from dashboard.rows import each
from dashboard.run_after_entry import ask_for_run
from schemas import words
from schemas.handed_in import LARGEST_BYTES, OF_A_MEMBER, NotTaken, hand_in
from schemas.sources import SOURCES

HOLDS = {"": "what its name says", "dives": "dives", "dive_tanks": "tanks of dives", "dive_samples": "samples of dives"}
#: handed in by this browser, the newest last
_HANDED = "handed_in_files"
MOST_SHOWN = 5
MOST_REASONS = 20


def show(snapshot: Snapshot) -> None:
    """The field for a file, and what became of those handed in from this browser."""
    if not may_hand_in(snapshot.viewer):
        return
    own = snapshot.viewer.role == DIVER
    with st.form("hand_in", clear_on_submit=True, border=False):
        file = st.file_uploader(
            "A dive computer's export (UDDF) or a CSV of own dives" if own else "A file: CSV, XLSX or UDDF",
            type=["uddf", "csv"] if own else ["uddf", "csv", "xlsx"],
            max_upload_size=LARGEST_BYTES >> 20,
            key="hand_in_file",
        )
        holds = dict(HOLDS) if own else {"": HOLDS[""]} | {name: name for name in SOURCES}
        source = st.selectbox(
            "A table holds", list(holds), format_func=parts.label(holds), key="hand_in_source", width=260
        )
        pressed = st.form_submit_button("Hand it in", type="primary")
    if pressed and file is None:
        parts.show(parts.refusal(["Choose a file first."]))
    elif pressed and file is not None:
        try:
            place = take(snapshot, file.name, file.getvalue(), source)
        except NotTaken as why:
            parts.show(parts.refusal([str(why)]))
        else:
            listed = st.session_state.setdefault(_HANDED, [])
            listed += [place] if place not in listed else []
    parts.show(
        parts.note(
            "It is looked at like every file of the station: what is wrong stands here with its reason. Dives go to "
            "your own season alone; a file that names another member is not taken."
            if own
            else "It lies in the inbox then, like a file that was copied there."
        )
    )
    for place in st.session_state.get(_HANDED, [])[-MOST_SHOWN:]:
        _outcome(snapshot, place)


def take(snapshot: Snapshot, name: str, content: bytes, source: str = "") -> str:
    """Write it into the inbox, and let a run follow; gives its place there.

    Raises
    ------
    Refused
        The viewer may hand in nothing.
    NotTaken
        See `schemas.handed_in`.
    """
    viewer = snapshot.viewer
    if not may_hand_in(viewer):
        raise Refused("You may not hand in files here. Ask who runs the station.")
    own = viewer.role == DIVER
    if own and source not in ("", *OF_A_MEMBER):
        raise Refused("Only own dives.")
    place = hand_in(snapshot.inbox, name, content, viewer.member_id if own else None, source)
    ask_for_run(snapshot.published)
    return place


def _outcome(snapshot: Snapshot, place: str) -> None:
    files = snapshot.table("ingest_files", file=place)
    shown = place.rpartition("/")[2]
    if files.empty:
        parts.show(parts.bar(f"Handed in, being looked at: {shown}", 2))
        return
    last = files.iloc[-1]
    taken, lost = last["rows_accepted"], last["rows_rejected"]
    rejects = snapshot.table("rejects", file=place)
    still_open = rejects[rejects["resolved_at"].isna()]
    reasons = reasons_of(still_open)
    if len(reasons) > MOST_REASONS:
        reasons[MOST_REASONS:] = [f"and {len(reasons) - MOST_REASONS} more, in the list of this page."]
    word = "Not taken" if not taken else "Taken in part" if len(still_open) else "Taken"
    parts.show(
        parts.bar(
            f"{word}: {shown}",
            4 if not taken else 3 if len(still_open) else 1,
            parts.lines(f"{words.plural(taken or 0, 'row')} taken, {words.number(lost or 0)} rejected.", *reasons),
        )
    )


def reasons_of(problems: pd.DataFrame) -> list[str]:
    """Each problem with its place and value; what to do stands once, with the first of its kind.

    Rows that were lost with their dive are told of by the dive's own reason.
    """
    alone = problems[problems["rule"] != "uddf_dive_rejected"]
    found, fixes = [], set()
    for row in each(alone if len(alone) else problems):
        place = f"line {row.line:.0f}: " if words.known(row.line) else ""
        column = f"{row.column} “{row.value}”: " if words.known(row.column) and words.known(row.value) else ""
        fix = f" {row.fix}" if words.known(row.fix) and row.fix not in fixes else ""
        fixes.add(row.fix)
        found.append(f"{place}{column}{row.message}{fix}")
    return found
