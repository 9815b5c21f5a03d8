"""What is logged of a fill once it has been stopped, and of a unit that goes out and comes back."""

from collections.abc import Mapping
from typing import Any

import pandas as pd
import streamlit as st

from dashboard import entry_door, in_bar, in_celsius, parts, read_again
from dashboard.data import Snapshot
from dashboard.entry_form import EntryForm, open_anew
from dashboard.views import corrections
from schemas import fields as f
from schemas import words
from schemas.clearance import FillClearance
from schemas.codes import sentence

PAGE = "filling"
#: fills of a unit that a reading may belong to, the newest
MOST_FILLS = 6


def fills_to_choose(snapshot: Snapshot, clearance: FillClearance, fills: pd.DataFrame) -> dict[str, str]:
    """Fills of the unit by id, the newest first, also those that were saved just now; each with its words."""
    unit_id = clearance.whole or clearance.unit_id
    found = {
        entry.row["fill_id"]: pd.Timestamp(entry.row["filled_at"])
        for entry in entry_door.pending(snapshot)
        if entry.source == "fills" and entry.row.get("unit_id") == unit_id
    }
    own = fills[fills["unit_id"].isin([unit_id, clearance.unit_id])]
    found |= dict(zip(own["fill_id"], own["filled_at"], strict=True))
    newest = sorted(found, key=lambda fill: found[fill], reverse=True)[:MOST_FILLS]
    return {fill: words.clock(found[fill], snapshot.zone) for fill in newest}


def analysis(snapshot: Snapshot, clearance: FillClearance, fills: pd.DataFrame) -> None:
    """Oxygen and helium as analysed, on each side of a set, and carbon monoxide."""
    listed = fills_to_choose(snapshot, clearance, fills)
    if not listed:
        _no_fill()
        return
    unit_id = str(clearance.unit_id)
    before = corrections.newest_reading(snapshot, listed, "analysed_o2_pct")
    wrong = corrections.to_correct("analysis", unit_id, lambda: before)
    form = _form_of_reading(snapshot, "analysis", unit_id, listed, wrong)
    with st.form(f"analysis_{form.token}", enter_to_submit=False, border=False):
        with st.container(horizontal=True):
            if not wrong:
                _which_fill(form, listed)
            form.number("O₂ analysed, %", f.ANALYSED_O2_PCT, corrections.figure(wrong, "analysed_o2_pct"))
            form.number("He analysed, %", f.ANALYSED_HE_PCT, corrections.figure(wrong, "analysed_he_pct"))
            if len(clearance.cylinders) > 1:
                second = corrections.figure(wrong, "second_analysed_o2_pct")
                form.number("O₂, other side, %", f.SECOND_ANALYSED_O2_PCT, second)
            form.number("CO, ppm", f.CO_PPM, corrections.figure(wrong, "co_ppm"))
            form.who("Who analysed", f.READ_BY)
            if not wrong:
                form.moment(f.READ_AT)
        form.submitted("Save the correction" if wrong else "Save the analysis")
    corrections.offer("analysis", unit_id, before, "the analysis", "read_at", snapshot.zone)
    parts.show(
        parts.caution(
            "Let the analyser settle on its calibration gas first, and read every cylinder itself: the page cannot "
            "know what was not analysed."
        )
    )


def settled(snapshot: Snapshot, clearance: FillClearance, fills: pd.DataFrame) -> None:
    """A reading of the closed cylinder once it is cold; of these the station learns."""
    listed = fills_to_choose(snapshot, clearance, fills)
    if not listed:
        _no_fill()
        return
    unit_id = str(clearance.unit_id)
    before = corrections.newest_reading(snapshot, listed, "settled_pressure_bar")
    wrong = corrections.to_correct("settled", unit_id, lambda: before)
    form = _form_of_reading(snapshot, "settled", unit_id, listed, wrong)
    form.doubts["If it is psi"] = lambda row: in_bar.asked(
        row, clearance.unit, form.units, "settled_pressure_bar", "a reading of"
    )
    form.doubts["If it is right"] = lambda row: in_celsius.asked(
        row, in_celsius.surroundings(fills), form.units, "settled_c", "around it"
    )
    form.doubts["If it reads so"] = lambda row: _read_again(snapshot, fills, row, form.units)
    gauges = sorted(set(fills["gauge_id"].dropna()))
    with st.form(f"settled_{form.token}", enter_to_submit=False, border=False):
        with st.container(horizontal=True):
            if not wrong:
                _which_fill(form, listed)
            form.number("Reads now, bar", f.SETTLED_PRESSURE_BAR, corrections.figure(wrong, "settled_pressure_bar"))
            form.number("Surroundings, °C", f.SETTLED_C, corrections.figure(wrong, "settled_c"))
            gauge = (wrong or {}).get("settled_gauge_id") or None
            form.choice("Gauge (empty: the check gauge)", f.SETTLED_GAUGE_ID, gauges, gauge, other=True, width=220)
            form.who("Who read it", f.READ_BY)
            if not wrong:
                form.moment(f.READ_AT)
        form.submitted("Save the correction" if wrong else "Save the reading")
    corrections.offer("settled", unit_id, before, "the reading", "read_at", snapshot.zone)
    parts.show(
        parts.note("Read it closed, not used since, and lying in the same place for some hours: then it teaches most.")
    )


def _read_again(snapshot: Snapshot, fills: pd.DataFrame, row: Mapping[str, Any], units: str) -> str:
    """What was read of this fill before, or is expected of it, against this reading."""
    own = fills[fills["fill_id"] == row.get("fill_id")].to_dict("records")
    before = [
        e.row
        for e in reversed(entry_door.pending(snapshot))
        if e.source == "fill_readings"
        and e.row.get("fill_id") == row.get("fill_id")
        and pd.Timestamp(e.row["read_at"]) != row["read_at"]  # that one is being corrected
    ]
    hours = float(snapshot.policy("filling", "settle_hours"))
    return read_again.asked(row, own[0] if own else None, before, units, snapshot.zone, hours)


def release(snapshot: Snapshot, clearance: FillClearance, _fills: pd.DataFrame) -> None:
    """A hold that a person lifts, with the reason."""
    held = {row["fill_id"]: row for row in clearance.held}
    if not held:
        parts.show(parts.plain("No hold stands here."))
        return
    listed = {fill: f"{row['unit_id']}, {words.clock(row['filled_at'], snapshot.zone)}" for fill, row in held.items()}
    form = EntryForm(snapshot, "release", "releases", str(clearance.unit_id), PAGE)
    with st.form(f"release_{form.token}", enter_to_submit=False, border=False):
        with st.container(horizontal=True):
            _which_fill(form, listed)
            form.text("Why it may be handed over", f.REASON, width=320)
            form.who("Who releases it", f.RELEASED_BY)
            form.moment(f.RELEASED_AT)
        for fill, row in held.items():  # all of them: inside a form the page does not follow what is chosen
            reasons = [sentence(c, row) for c in words.listed(row["reasons"])]
            parts.show(parts.plain(f"{listed[fill]} is held for this:"), parts.items(reasons))
        form.submitted("Release it")
    parts.show(
        parts.caution(
            "A release makes nothing sound: it says, with your name, that you have looked into each of these. Gas "
            "that failed a test or is called back is drained, not released."
        )
    )


def came_back(snapshot: Snapshot, clearance: FillClearance, _fills: pd.DataFrame) -> None:
    """A loan that came back, with what it reads."""
    if not lent(clearance):
        parts.show(parts.plain("By the log it is not out on loan."))
        return
    form = EntryForm(snapshot, "return", "returns", str(clearance.unit_id), PAGE)
    form.row["unit_id"] = str(clearance.whole or clearance.unit_id)
    with st.form(f"return_{form.token}", enter_to_submit=False, border=False):
        with st.container(horizontal=True):
            form.number("Reads now, bar", f.BACK_PRESSURE_BAR, None)
            form.who("Who took it back")
            form.moment(f.BACK_AT)
        form.submitted("Save the return")
    least = words.number(snapshot.policy("filling", "least_arrival_bar"), 0, "bar")
    parts.show(parts.caution(f"Back under {least}, wet or dented: do not fill, send it to inspection."))


def loan(snapshot: Snapshot, clearance: FillClearance, _fills: pd.DataFrame) -> None:
    """A unit that goes out to a member."""
    if lent(clearance):
        parts.show(parts.plain("By the log it is out already: log its return first."))
        return
    names = snapshot.names()
    if not names:
        parts.show(parts.plain("No member is known yet. Drop members.csv into the inbox."))
        return
    with parts.place():
        if clearance.held:
            parts.show(parts.bar("Its last fill is held: do not hand it over", 4))
    form = EntryForm(snapshot, "loan", "loans", str(clearance.unit_id), PAGE)
    form.row["unit_id"] = str(clearance.whole or clearance.unit_id)
    with st.form(f"loan_{form.token}", enter_to_submit=False, border=False):
        with st.container(horizontal=True):
            ordered = sorted(names, key=lambda m: names[m].casefold())
            form.choice("To", f.MEMBER_ID, ordered, None, said=names, width=260)
            form.day("Due back", f.DUE_ON, ahead=True)
            form.who("Who lends it")
            form.moment(f.OUT_AT)
        form.submitted("Save the loan")


def lent(clearance: FillClearance) -> bool:
    """Whether somebody else than its owner has it."""
    rows = clearance.cylinders
    return len(rows) > 0 and bool((rows["held_by"].notna() & (rows["held_by"] != rows["owner_id"])).any())


def _form_of_reading(
    snapshot: Snapshot, kind: str, unit_id: str, listed: Mapping[str, str], wrong: corrections.Row | None
) -> EntryForm:
    """A reading of one of these fills; or once more that which was mistyped, of its own fill and moment."""
    form = EntryForm(snapshot, kind, "fill_readings", corrections.about(unit_id) if wrong else unit_id, PAGE)
    if wrong:
        form.row |= {"fill_id": wrong["fill_id"], "read_at": pd.Timestamp(wrong["read_at"])}
        with parts.place():
            parts.show(corrections.SAYS)
    else:
        form.doubts["If it is of the one chosen"] = lambda row: filled_since(form, listed, row)
        _turn_to_newer(form, kind, unit_id, listed)
    return form


def filled_since(form: EntryForm, listed: Mapping[str, str], row: Mapping[str, Any]) -> str:
    """Of a reading begun before the newest fill was logged, perhaps on another phone: which of the two it is of."""
    newest = next(iter(listed))
    if newest == row.get("fill_id") or newest == form.begun("newest fill", newest):
        return ""
    return f"since this form was opened a fill of {listed[newest]} was logged: is this reading of that one?"


def _turn_to_newer(form: EntryForm, kind: str, about: str, listed: Mapping[str, str]) -> None:
    """A form keeps the fills it was opened with: where a newer one is known by now, a way to it."""
    newest = next(iter(listed))
    with parts.place():
        if newest != form.begun("newest fill", newest):
            parts.show(parts.note(f"A fill of {listed[newest]} was logged since this form was opened."))
            st.button("Log it of that fill", key=f"newer_{form.token}", on_click=open_anew, args=(kind, about))


def _which_fill(form: EntryForm, listed: dict[str, str]) -> str | None:
    return form.choice("Fill of", f.FILL_ID, list(listed), next(iter(listed)), said=listed, width=260)


def _no_fill() -> None:
    parts.show(parts.plain("No fill of it is logged yet: log the stop first."))
