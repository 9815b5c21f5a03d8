"""Log it where it happens: what an operator writes down of the unit asked for."""

import math
from collections.abc import Mapping
from typing import Any

import pandas as pd
import streamlit as st

from dashboard import being_filled, code_door, entry_door, in_bar, in_celsius, parts
from dashboard.access import LOCAL_NETWORK, may_log
from dashboard.data import Snapshot
from dashboard.entry_form import EntryForm, just_saved, open_anew
from dashboard.rows import each
from dashboard.unit_field import field_key, typed_in
from dashboard.views import corrections, filling_labels, filling_log_after, next_act, saved
from schemas import fields as f
from schemas import reading_units, words
from schemas.advice import methods_to_choose, source_of, sources_to_choose, station_of
from schemas.clearance import FillClearance
from shared.gas.constants import AIR_O2_PCT

#: what may be logged here, as people choose it
KINDS = {
    "stop": "The stop",
    "analysis": "Its analysis",
    "settled": "A settled reading",
    "release": "A release",
    "return": "Its return",
    "loan": "A loan",
}
#: to look at, not to log
TAG = {"tag": "Its tag"}
PAGE = "filling"
#: the surroundings of a fill so long ago are not those of the next
_SAME_SURROUNDINGS = pd.Timedelta(hours=6)
#: two stops of a unit within this are one that two people wrote down, unless somebody says otherwise
_SAME_FILL = pd.Timedelta(minutes=20)


def _begin(snapshot: Snapshot, form: EntryForm, unit_id: str) -> None:
    """What is read at the start is best noted then: the board and other phones show it, and the stop begins with it."""
    if not st.form_submit_button("It is being filled now", key=f"{form.token}_begin"):
        return
    field = f.START_PRESSURE_BAR
    typed, why = form.row.get(field.name), form.unread(field)
    start = None if typed is None else float(reading_units.typed(field.name, typed, form.units))
    if start is not None and not float(field.low or 0.0) <= start <= float(field.high or math.inf):
        why = [f"Read at the start: {typed:g} cannot be."]
    if why:
        parts.show(parts.refusal(why))
        return
    being_filled.begin(snapshot.published, being_filled.Begun(unit_id, entry_door.now(), start, form.by.strip()))
    st.rerun()


_HOT = parts.caution("A gauge that was just stopped reads hot gas. Analyse before it is handed over.")


def kinds(snapshot: Snapshot) -> dict[str, str]:
    """What the viewer may log here."""
    return {kind: title for kind, title in KINDS.items() if may_log(snapshot.viewer, kind)}


def may_ever(snapshot: Snapshot) -> bool:
    """Whether the viewer may log here, or may once the station code is given."""
    by_code = snapshot.viewer.role == LOCAL_NETWORK and code_door.is_set(snapshot.published)
    return by_code or bool(kinds(snapshot))


def show(snapshot: Snapshot, clearance: FillClearance | None, fills: pd.DataFrame) -> None:
    if clearance is None or clearance.unit is None:
        parts.show(parts.plain("Name a cylinder or set of the register above first: what is logged is logged of it."))
        return
    if not kinds(snapshot):
        code_door.show(snapshot)
        return
    saved.show(snapshot)
    allowed = _fitting(kinds(snapshot) | TAG, clearance)
    place = f"log_{clearance.unit_id}"
    unit_id = str(clearance.whole or clearance.unit_id)
    named = {str(clearance.unit_id), unit_id}
    was_saved = just_saved(*named, *(corrections.about(name) for name in named))
    for kind in was_saved:
        for name in named:
            corrections.done(kind, name)
    if "stop" in was_saved:
        next_act.remember(unit_id)
        being_filled.end(snapshot.published, unit_id)
        for kind in ("analysis", "settled"):  # begun before this fill, they would be of the one before it
            open_anew(kind, str(clearance.unit_id))
    if "analysis" in was_saved:
        st.session_state[place] = "tag"
    if st.session_state.get(place) not in allowed:  # what was asked for is not to be logged of it
        st.session_state.pop(place, None)
    stopped = next_act.fill_just_stopped(unit_id)
    with parts.place():
        if stopped and st.session_state.get(place, next(iter(allowed))) == "stop":
            next_act.offer(snapshot, unit_id, stopped, place)
            parts.show(next_act.worth_reading(snapshot, stopped, len(clearance.cylinders)))
    kind = parts.chosen_part("What to log", allowed, place, next(iter(allowed)))
    if kind == "tag":
        filling_labels.tag(snapshot, clearance)
        return
    _FORMS[kind](snapshot, clearance, fills)


def _fitting(allowed: dict[str, str], clearance: FillClearance) -> dict[str, str]:
    """Of what may be logged, what there is to log of this unit."""
    out = filling_log_after.lent(clearance)
    fits = {"release": bool(clearance.held), "return": out, "loan": not out}
    return {kind: title for kind, title in allowed.items() if fits.get(kind, True)}


def _stop(snapshot: Snapshot, clearance: FillClearance, fills: pd.DataFrame) -> None:
    """Three numbers, and the rest begun with what the last fill was like."""
    unit_id = str(clearance.whole or clearance.unit_id)
    wrong = corrections.to_correct("stop", unit_id, lambda: corrections.newest_stop(snapshot, unit_id))
    if wrong is None and next_act.fill_just_stopped(unit_id):
        next_act.instead_of_the_form(unit_id)
        parts.show(_HOT)
        return
    under_way = None if wrong else next_act.being_filled_now(snapshot, unit_id)
    with parts.place():
        if wrong:
            parts.show(corrections.SAYS)
        elif under_way:
            next_act.show_being_filled(snapshot, under_way)
        elif not clearance.may_be_filled:
            parts.show(
                parts.note("It may not be filled today. If it was filled all the same, log that: it will be held.")
            )
    # whoever comes from the advice has just typed there what this form is begun with
    typed_before = field_key(f"start_{clearance.unit_id}") in st.session_state
    about = corrections.about(unit_id) if wrong else unit_id
    form = EntryForm(snapshot, "stop", "fills", about, PAGE, anew=typed_before and not wrong)
    form.row |= {"unit_id": unit_id, "fill_id": wrong["fill_id"] if wrong else form.key}
    form.doubts = {
        "If it is psi": lambda row: (
            in_bar.asked(row, clearance.unit, form.units, "stop_pressure_bar", "a stop of")
            or in_bar.asked(row, clearance.unit, form.units, "second_stop_pressure_bar", "a stop of the other side of")
        ),
        "If it is right": lambda row: (
            in_celsius.asked(row, in_celsius.surroundings(fills), form.units, "ambient_c", "around it")
            or in_celsius.asked(
                row, in_celsius.surroundings(fills), form.units, "wall_c", "at its wall", above_k=in_celsius.WALL_K
            )
        ),
        "If this is another": lambda row: logged_already(snapshot, fills, row),
    }
    begun = _likely(snapshot, clearance, fills) | (_as_logged(wrong) if wrong else {})
    if under_way and under_way.start_bar is not None:  # perhaps read on another phone
        begun["start"] = under_way.start_bar
    with st.form(f"stop_{form.token}", enter_to_submit=False, border=False):
        with st.container(horizontal=True):
            form.number("Read at the start, bar", f.START_PRESSURE_BAR, begun["start"])
            form.number("Stopped at, bar", f.STOP_PRESSURE_BAR, begun.get("stop"))
            if len(clearance.cylinders) > 1:
                form.number("Other side, bar", f.SECOND_STOP_PRESSURE_BAR, begun.get("second_stop"))
            form.number("Wanted once cold, bar", f.TARGET_PRESSURE_BAR, begun["target"])
            form.number("Surroundings, °C", f.AMBIENT_C, begun["ambient"])
            form.who("Who filled", f.OPERATOR)
        inside = (
            "source_id",
            "fill_method",
            "target_o2_pct",
            "target_he_pct",
            "gauge_id",
            "fill_minutes",
            "wall_c",
            "member_id",
            "filled_at",
        )
        lacking = not form.begun("fill_method", begun["method"])
        summary = f"From {begun['source'] or 'a source not named'}, {words.mix(begun['o2'], begun['he'])}"
        with (
            st.expander(
                f"{form.begun('summary', summary)}: change, or add more", expanded=lacking or form.refused(inside)
            ),
            st.container(horizontal=True),
        ):
            form.choice("From", f.SOURCE_ID, begun["sources"], begun["source"], other=True)
            form.choice(
                "How the mix got in",
                f.FILL_METHOD,
                f.FILL_METHOD.choices,
                begun["method"],
                said=words.FILL_METHODS,
                width=260,
            )
            form.number("O₂ wanted, %", f.TARGET_O2_PCT, begun["o2"])
            form.number("He wanted, %", f.TARGET_HE_PCT, begun["he"])
            form.choice("Gauge", f.GAUGE_ID, begun["gauges"], begun["gauge"], other=True)
            form.number("Minutes it took", f.FILL_MINUTES, begun.get("minutes"))
            form.number("Wall, °C", f.WALL_C, begun.get("wall"))
            if names := snapshot.names():
                ordered = sorted(names, key=lambda m: names[m].casefold())
                form.choice("For", f.MEMBER_ID, ordered, begun.get("member"), said=names, width=260)
            elif wrong:  # whose cylinder it is stays with it where no names are shown
                form.row["member_id"] = wrong.get("member_id")
            if wrong:
                form.row["filled_at"] = pd.Timestamp(wrong["filled_at"])
            else:
                form.moment(f.FILLED_AT)
        form.row["station_id"] = station_of(fills, str(form.row.get("source_id")))
        form.submitted("Save the correction" if wrong else "Save the stop", folded=inside)
        if not wrong and not under_way:
            _begin(snapshot, form, unit_id)
    newest = corrections.newest_stop(snapshot, unit_id)
    corrections.offer("stop", unit_id, newest, "the stop", "filled_at", snapshot.zone)
    parts.show(_HOT)


def logged_already(snapshot: Snapshot, fills: pd.DataFrame, row: Mapping[str, Any]) -> str:
    """Of a stop that somebody else has just logged of the same unit, perhaps on another phone: who and when."""
    of_unit = fills[(fills["unit_id"] == row["unit_id"]) & (fills["fill_id"] != row["fill_id"])]
    known = [(fill.filled_at, fill.stop_pressure_bar, getattr(fill, "operator", "")) for fill in each(of_unit)]
    for entry in entry_door.pending(snapshot):
        said = entry.row
        if entry.source == "fills" and said.get("unit_id") == row["unit_id"] and said.get("fill_id") != row["fill_id"]:
            at = pd.to_datetime(said.get("filled_at"), utc=True, errors="coerce")
            known.append((at, pd.to_numeric(said.get("stop_pressure_bar"), errors="coerce"), said.get("operator")))
    near = [one for one in known if abs(one[0] - row["filled_at"]) < _SAME_FILL]
    if not near:
        return ""
    at, bar, by = max(near, key=lambda one: one[0])
    who = f" by {by}" if words.known(by) and by and snapshot.viewer.role != LOCAL_NETWORK else ""
    return (
        f"a stop of {row['unit_id']} at {words.number(bar, 0, 'bar')} was logged{who} at "
        f"{words.hour(at, snapshot.zone)}."
    )


def _likely(snapshot: Snapshot, clearance: FillClearance, fills: pd.DataFrame) -> dict:
    """What the fields are begun with: what was typed for the advice, else what the last fills were like."""
    last = clearance.last_fill
    register = snapshot.table("gas_sources")
    typed = st.session_state
    key = clearance.unit_id
    sources = sources_to_choose(register, fills) if len(register) or fills["source_id"].notna().any() else []
    source = typed.get(f"source_{key}") or (_of(last, "source_id") if last is not None else None)
    source = source or (sources[0] if sources else None)
    o2 = typed_in(f"o2_{key}", f.O2_PCT) or _of(last, "target_o2_pct") or _of(last, "o2_pct") or AIR_O2_PCT
    o2 = AIR_O2_PCT if abs(o2 - AIR_O2_PCT) < 0.1 else o2
    he = typed_in(f"he_{key}", f.HE_PCT) or _of(last, "target_he_pct") or 0.0
    known = source_of(register, str(source))
    methods = methods_to_choose(o2, he, known)
    newest = fills.sort_values("filled_at").iloc[-1] if len(fills) else None
    room = _of(newest, "ambient_c")
    typed_room = typed_in(f"ambient_{key}", f.AMBIENT_C)
    # a field that still holds what it was begun with has not been typed into
    typed_room = None if room is not None and typed_room is not None and abs(typed_room - room) < 0.5 else typed_room
    recent = newest is not None and abs(entry_door.now() - newest["filled_at"]) < _SAME_SURROUNDINGS
    of_source = fills[fills["source_id"] == source].sort_values("filled_at")
    gauge = _of(of_source.iloc[-1], "gauge_id") if len(of_source) else None
    return {
        "start": typed_in(f"start_{key}", f.START_PRESSURE_BAR),
        "target": typed_in(f"target_{key}", f.TARGET_PRESSURE_BAR) or _of(clearance.unit, "permitted_bar"),
        "ambient": typed_room if typed_room is not None else room if recent else None,
        "o2": o2,
        "he": he,
        "source": source,
        "sources": sources,
        "method": typed.get(f"method_{key}_{source}") or (methods[0] if len(methods) == 1 or known.is_bank else None),
        "gauge": gauge,
        "gauges": sorted(fills["gauge_id"].dropna().unique()),
    }


def _as_logged(row: Mapping[str, str]) -> dict[str, Any]:
    """What the fields of a correction are begun with: the stop as it was logged, blank where it said nothing."""
    figures = {
        "start": "start_pressure_bar",
        "stop": "stop_pressure_bar",
        "second_stop": "second_stop_pressure_bar",
        "target": "target_pressure_bar",
        "ambient": "ambient_c",
        "o2": "target_o2_pct",
        "he": "target_he_pct",
        "minutes": "fill_minutes",
        "wall": "wall_c",
    }
    words_of = {"source": "source_id", "method": "fill_method", "gauge": "gauge_id", "member": "member_id"}
    return {name: corrections.figure(row, column) for name, column in figures.items()} | {
        name: row.get(column) or None for name, column in words_of.items()
    }


def _of(row: pd.Series | None, column: str):
    """What a row says; None where it says nothing."""
    return row[column] if row is not None and words.known(row[column]) else None


_FORMS = {
    "stop": _stop,
    "analysis": filling_log_after.analysis,
    "settled": filling_log_after.settled,
    "release": filling_log_after.release,
    "return": filling_log_after.came_back,
    "loan": filling_log_after.loan,
}
