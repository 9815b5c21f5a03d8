"""Today: every unit that was filled lately, with what is to be done next, in the order of the work."""

from typing import Any

import pandas as pd
import streamlit as st

from dashboard import being_filled, board, entry_door, fills, parts, since
from dashboard.access import ALONE, LOCAL_NETWORK, MANAGER, OPERATOR, may_see
from dashboard.data import Chosen, Snapshot, Span
from dashboard.views import filling, filling_log, fleet, next_act
from schemas import holds, words

TITLE = "Today"
#: roles that may open this page; what tables each sees stands in access.py
OPEN_TO = (ALONE, LOCAL_NETWORK, MANAGER, OPERATOR)

#: units of one state that are shown at once
MOST_OF_A_STATE = 8
#: names in a line at a glance
MOST_NAMED = 6
#: units that one tap turns to
MOST_TO_TURN_TO = 12
WEIGHTS = {board.HELD: 4, board.HELD_LONGER: 4, board.ANALYSE: 3, board.LOOK: 3, board.COOLING: 2, board.READY: 1}
#: where the pages stand that a page may turn to
PAGES = "pages_to_turn_to"
#: what somebody said is being filled just now
FILLING = "Being filled"
#: what somebody opens a unit for in each state: a part of Filling, and of what is logged there
OPENS = {
    FILLING: ("log", "stop"),
    board.HELD: ("log", "release"),
    board.ANALYSE: ("log", "analysis"),
    board.COOLING: ("log", "settled"),
    board.LOOK: ("day", ""),
    board.READY: ("log", "tag"),
    board.OUT: ("log", "return"),
    board.EMPTY: ("advice", ""),
}
#: of ten seasons' events only these count
_LAST_EVENTS = Chosen(board.last_events, ("cylinder_id", "at", "event"))
NEXT = {
    board.COOLING: "A reading before then is still falling. Log the settled reading: it makes every later estimate "
    "surer.",
    board.READY: "Look at the tag, the analysis and the cylinder itself before it goes.",
}


def page(snapshot: Snapshot) -> None:
    units, health, sources = (snapshot.table(t) for t in ("units", "cylinder_health", "gas_sources"))
    failed = holds.failed_sources(sources)
    if len(failed):
        parts.show(
            parts.bar(
                "Do not fill from " + ", ".join(failed["source_id"]),
                4,
                parts.lines(*(f"{words.capital(holds.why_failed(row))}." for row in failed.to_dict("records"))),
            )
        )
    now = moment(snapshot, snapshot.table("fill_quality", ["filled_at"]))
    if now < pd.Timestamp.now(tz="UTC") - pd.Timedelta(hours=1):
        parts.show(parts.note(f"As it stood {words.clock(now, snapshot.zone)}: this station's day is not the clock's."))
    found = board.tasks(
        fills.inside(snapshot),
        units,
        health,
        snapshot.table("cylinder_life", ("cylinder_id", "at", "event"), _LAST_EVENTS),
        now,
        snapshot.zone,
        within_bar=float(snapshot.policy("filling", "check_gauge_limit_bar")),
        settle_hours=float(snapshot.policy("filling", "settle_hours")),
    )
    under_way = being_filled.now(snapshot.published, entry_door.now())
    found = next_beside(found, {one.unit_id for one in under_way})
    if not found and not under_way:
        parts.show(parts.plain(f"Nothing was filled in the last {board.DAYS} days, and no hold stands."))
    filling_now = [(FILLING, len(under_way), parts.named(one.unit_id for one in under_way))] if under_way else []
    parts.show(parts.counts([*filling_now, *at_a_glance(snapshot, found)]))
    # who works at the compressor looks for the next unit first
    first = snapshot.viewer.role in (ALONE, MANAGER)
    if first:
        news(snapshot, health)
    turn_to_a_unit(snapshot, found, [one.unit_id for one in under_way])
    if under_way:
        listed = [parts.line(parts.tag(one.unit_id, 2), f"{next_act.in_words(snapshot, one)}.") for one in under_way]
        parts.show(parts.heading(f"{FILLING}: {len(under_way)}", 2), parts.one_by_one(listed))
    for state, heading in board.HEADINGS.items():
        rows = [task for task in found if task.state == state]
        if rows:
            title = parts.heading(f"{heading}: {len(rows)}", 2, NEXT.get(state, ""))
            parts.show(title, _listed(snapshot, state, rows))
    if not first:
        news(snapshot, health)
    parts.show(parts.caution(words.WHO_DECIDES))


def next_beside(found: list[board.Task], being_filled_now: set[str]) -> list[board.Task]:
    """What is next for units that nobody is filling; a hold stands whatever somebody does with its unit."""
    held = (board.HELD, board.HELD_LONGER)
    return [task for task in found if task.unit_id not in being_filled_now or task.state in held]


def turn_to_a_unit(snapshot: Snapshot, found: list[board.Task], under_way: list[str]) -> None:
    """A tap on a unit opens Filling at what is next for it."""
    listed = {unit: FILLING for unit in under_way} | {t.unit_id: t.state for t in found if t.state in OPENS}
    pages = st.session_state.get(PAGES, {})
    if not listed or "filling" not in pages:
        return
    chosen = st.pills("Turn to a unit", list(listed)[:MOST_TO_TURN_TO], key="turn_to_unit")
    if chosen:
        part, kind = OPENS[listed[chosen]]
        part = part if part != "log" or filling_log.may_ever(snapshot) else "day"
        st.session_state["filling_part"], st.session_state[filling.ARRIVED_AT] = part, chosen
        if kind:
            st.session_state[f"log_{chosen}"] = kind
        st.switch_page(pages["filling"], query_params={**st.query_params.to_dict(), "unit": chosen})


def at_a_glance(snapshot: Snapshot, found: list[board.Task]) -> list[tuple[str, int, Any]]:
    """What there is to do, how many and which: of units, and of whatever else the viewer answers for."""
    listed: list[tuple[str, int, Any]] = [
        (heading, len(rows), parts.named(sorted(task.unit_id for task in rows), MOST_NAMED))
        for state, heading in board.HEADINGS.items()
        if (rows := [task for task in found if task.state == state])
    ]
    by = fleet.grouped(snapshot)
    listed += [
        (title, len(by[kind]), parts.named(sorted(by[kind]["cylinder_id"]), MOST_NAMED))
        for kind, title in (("barred", "May not be filled"), ("soon", "Inspection due soon"))
    ]
    if may_see(snapshot.viewer, "recall"):
        recalled, compressors = snapshot.table("recall"), snapshot.table("compressor_health")
        listed.append(
            ("To be called back for their air", len(recalled), parts.named(sorted(recalled["unit_id"]), MOST_NAMED))
        )
        look = compressors[compressors["state"] != "good"]
        listed.append(("Compressors to look at", len(look), parts.named(look["compressor_id"], MOST_NAMED)))
    if may_see(snapshot.viewer, "reserve_watch"):
        watch, names = snapshot.table("reserve_watch"), snapshot.names()
        thin = watch[watch["state"] == "thin"]["member_id"]
        listed.append(
            ("Divers whose reserves run thin", len(thin), parts.named((names.get(m, m) for m in thin), MOST_NAMED))
        )
    if may_see(snapshot.viewer, "rejects"):
        rejects = snapshot.table("rejects")
        still_open = rejects[rejects["resolved_at"].isna() & rejects["dismissed_at"].isna()]
        listed.append(
            (
                "Problems in the files",
                len(still_open),
                f"In {words.plural(still_open['file'].nunique(), 'file')}: see Inbox.",
            )
        )
    return [row for row in listed if row[1]]


def news(snapshot: Snapshot, health: pd.DataFrame) -> None:
    """What has changed since yesterday morning."""
    today = snapshot.as_of_on
    begin = (today - pd.Timedelta(days=1)).tz_localize(snapshot.zone, nonexistent="shift_forward").tz_convert("UTC")
    asked = ("air_quality", "rejects", "hold_releases", "corrections", "withdrawn")
    seen = {name: snapshot.table(name) for name in asked if may_see(snapshot.viewer, name)}
    said = since.changes(
        begin,
        today,
        snapshot.table("fill_quality", ("filled_at", "unit_id", "verdict"), filled_at=Span(begin)),
        health,
        snapshot.table("cylinder_life", ("cylinder_id", "at", "event", "code"), at=Span(begin)),
        seen.get("air_quality"),
        seen.get("rejects"),
        float(snapshot.policy("fleet", "due_soon_days")),
        seen.get("hold_releases"),
        seen.get("corrections"),
        seen.get("withdrawn"),
    )
    kinds = ["fill", "inspection", *["air test"] * ("air_quality" in seen), *["problem"] * ("rejects" in seen)]
    nothing = f"No {', '.join(kinds)} or loan is known since yesterday."
    parts.show(parts.heading("Since yesterday", 2), parts.items(said) if said else parts.plain(nothing))


def moment(snapshot: Snapshot, logged: pd.DataFrame) -> pd.Timestamp:
    """The clock's time; half an hour after the last fill where the station's day is that of its data or a given one."""
    now = pd.Timestamp.now(tz="UTC")
    if snapshot.station.get("today", "clock") == "clock" or logged.empty:
        return now
    return min(now, logged["filled_at"].max() + pd.Timedelta(minutes=30))


def _listed(snapshot: Snapshot, state: str, rows: list[board.Task]) -> parts.Markup:
    """A line a unit: what it is, its air and what stands against it; what to do and when it was filled open below."""
    newest = sorted(rows, key=lambda t: t.fill["filled_at"], reverse=True)
    if state == board.COOLING:
        newest = sorted(rows, key=lambda t: t.worth_reading_at)
    return parts.one_by_one([_line(snapshot, task) for task in newest], MOST_OF_A_STATE)


def _line(snapshot: Snapshot, task: board.Task) -> parts.Markup:
    fill = task.fill
    mix, stop = words.mix(fill["o2_pct"], fill["he_pct"]), words.number(fill["stop_pressure_bar"], 0, "bar")
    gas, air = f"{mix}, stopped at {stop}", f"air: {holds.air(fill)}"
    when = f"Filled {words.clock(fill['filled_at'], snapshot.zone)}."
    tag = parts.tag(task.unit_id, WEIGHTS.get(task.state, 1))
    if task.state == board.EMPTY:  # what was in it is no more
        return parts.line(tag, task.says, [f"Was {gas}; {air}.", *task.then, when])
    if task.state == board.HELD_LONGER and fill["air_state"] == "passed" and not holds.called_back(fill):
        return parts.line(tag, task.says, [*task.then, f"{words.capital(gas)}; {air}. {when}"])
    return parts.line(tag, parts.lines(f"{gas}; {air}", task.says), [*task.then, when])
