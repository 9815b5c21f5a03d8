"""What was saved and is being computed, and what became of what this browser saved."""

from collections.abc import Mapping

import pandas as pd
import streamlit as st

from dashboard import entry_door, parts
from dashboard.access import may_log, may_see
from dashboard.data import Snapshot
from dashboard.run_after_entry import trouble_of
from schemas import words
from schemas.entries import Written, entry_source
from schemas.reading_units import text

#: entries of this browser that are shown at most, the newest
MOST_SHOWN = 3
#: after which what was computed is told of no more
ANSWER_STAYS = pd.Timedelta(minutes=2)
#: what an entry of a source is called, and how it reads in a line
NAMES = {
    "fills": "the stop",
    "fill_readings": "the reading",
    "releases": "the release",
    "returns": "the return",
    "loans": "the loan",
    "inspections": "the inspection",
    "visits": "the visit",
    "bookings": "the booking",
    "air_tests": "the air test",
    "compressor_log": "the reading of the compressor",
    "links": "what a name means",
    "cylinders": "the cylinder",
    "members": "the member",
    "withdrawals": "what is left as it is",
    "sources": "the source of gas",
    "compressors": "the compressor",
}
LINES = {
    "fills": "the stop of {unit_id} at {stop}",
    "releases": "the release of fill {fill_id}",
    "returns": "the return of {unit_id}",
    "loans": "the loan of {unit_id}",
    "inspections": "{kind_said} of {cylinder_id} on {inspected_on}",
    "visits": "the inspector's visit on {visit_on}",
    "bookings": "{cylinders_needed} cylinders from {starts_on} to {ends_on}",
    "air_tests": "an air test of {compressor_id} on {sampled_on}",
    "compressor_log": "{compressor_id} at {hours} h",
    "links": "what {source_ref} is: {target_id}",
    "cylinders": "the cylinder {cylinder_id} of the register",
    "members": "the member {member_id}",
    "withdrawals": "problem {key} is left as it is: {reason}",
    "sources": "the {kind} {source_id}",
    "compressors": "{compressor_id} as a compressor",
}


def show(snapshot: Snapshot, *, answered: bool = False) -> None:
    """Entries that wait for a run, and how those of this browser came out; for who may log anything.

    `answered`: what was saved last has its answer farther down, beside its form, where the focus goes.
    """
    if any(may_log(snapshot.viewer, kind) for kind in ("stop", "inspection")):
        with parts.place():
            _show(snapshot, answered)


def newest_own(snapshot: Snapshot) -> Written | None:
    """What this browser saved last, where it waits for a run."""
    waiting = {entry.file: entry for entry in entry_door.pending(snapshot)}
    mine = [file for file in st.session_state.get("saved_entries", []) if file in waiting]
    return waiting[mine[-1]] if mine else None


def _show(snapshot: Snapshot, answered: bool) -> None:
    waiting, own = entry_door.pending(snapshot), st.session_state.get("saved_entries", [])[-MOST_SHOWN:]
    if waiting:
        bar = parts.bar(
            "Saved, being computed",
            2,
            parts.lines(
                *(said(snapshot, entry) for entry in waiting[-MOST_SHOWN:]),
                f"and {len(waiting) - MOST_SHOWN} before" if len(waiting) > MOST_SHOWN else "",
                _when(snapshot),
            ),
        )
        mine = newest_own(snapshot)
        parts.show(parts.answer(bar) if mine and not answered else bar)
        if mine:
            parts.tell(f"Saved, being computed. {said(snapshot, mine)}")
    taken, left, computed = snapshot.taken_in(), [], []
    for file in own:
        if file not in taken:
            left.append(file)
        elif taken[file] != "accepted":
            bar = parts.bar(f"Saved, but not taken: {_kind(file)}", 4, parts.lines(*_why(snapshot, file)))
            parts.show(parts.answer(bar))
            parts.tell(f"Not taken: {_kind(file)}. {' '.join(_why(snapshot, file))}")
            left.append(file)
        elif _stays(file):
            computed.append(file)
            left.append(file)
    if computed:
        _computed(snapshot, computed, alone=not waiting)
    st.session_state["saved_entries"] = left


def _computed(snapshot: Snapshot, files: list[str], *, alone: bool) -> None:
    """What has been computed, and of a fill how it was judged."""
    named = ", ".join(dict.fromkeys(_kind(file) for file in files))
    of = st.session_state.get("saved_fills", {})
    fills = list(dict.fromkeys(of[file] for file in files if of.get(file)))[-1:]
    judged = snapshot.table("fill_quality", fill_id=fills[0]) if fills else pd.DataFrame()
    heading = f"Saved and computed: {named}."
    if judged.empty:
        made, words_said = parts.note(f"{heading} What it changes stands on this page."), heading
    else:
        row = judged.iloc[0]
        verdict = f"{row['unit_id']}: {words.VERDICTS.get(row['verdict'], words.UNKNOWN)}"
        weighty = [code for code in words.listed(row["reasons"]) if code not in words.MINOR_REASONS]
        why = words.with_fix(weighty[0], dict(row)) if weighty else ""
        cold = words.with_interval(
            row["settled_pressure_bar_15c"], row["settled_low_bar_15c"], row["settled_high_bar_15c"], 0, "bar"
        )
        will_read = text(f"Cold, at 15 °C: {cold}, asked for ")
        will_read += f"{words.number(row['target_pressure_bar'], 0, 'bar')}."
        bar = parts.bar(verdict, words.VERDICT_WEIGHT.get(row["verdict"], 2), parts.lines(why, will_read))
        made = parts.Markup(parts.note(heading) + bar)
        words_said = f"{heading} {verdict}."
    parts.show(parts.answer(made) if alone else made)
    if alone:
        parts.tell(words_said)


def _stays(file: str) -> bool:
    """Whether the answer to what was saved still stands: for a while, so that whoever looked away finds it."""
    first = st.session_state.setdefault("answered_at", {}).setdefault(file, entry_door.now())
    return entry_door.now() - first < ANSWER_STAYS


def _when(snapshot: Snapshot) -> str:
    """When the figures follow, or why they do not."""
    trouble, held = trouble_of(snapshot.published), snapshot.held()
    if not (trouble or held):
        return "The figures follow with the next run."
    if not may_see(snapshot.viewer, "runs"):
        return "The last run did not publish. Tell who runs the station."
    return f"The run failed: {trouble}" if trouble else f"The last run published nothing. {held}"


def said(snapshot: Snapshot, entry: Written) -> str:
    """An entry in a line."""
    days = {name: _day(value) for name, value in entry.row.items() if name.endswith("_on")}
    row: dict[str, str] = _Row({**entry.row, **days, "stop": _stop(entry.row)})
    row["kind_said"] = words.KINDS.get(entry.row.get("kind", ""), "an inspection")
    form = LINES.get(entry.source, "an entry")
    if entry.source == "fill_readings":
        of_gas = "analysed_o2_pct" in row or "co_ppm" in row
        form = f"{'the analysis' if of_gas else 'a settled reading'} of {{of_fill}}"
        row["of_fill"] = _fill(snapshot, row["fill_id"])
    what = form.format_map(row)
    when = f", {words.clock(entry.at, snapshot.zone)}" if entry.at is not None else ""
    by = f", by {row['entered_by']}" if may_see(snapshot.viewer, "runs") and entry.row.get("entered_by") else ""
    return f"{what[0].upper()}{what[1:]}{when}{by}."


def _fill(snapshot: Snapshot, fill_id: str) -> str:
    """A fill as people know it: which unit, and when it was filled."""
    judged = snapshot.table("fill_quality", fill_id=fill_id)[["unit_id", "filled_at"]].to_dict("records")
    waiting = [e.row for e in entry_door.pending(snapshot) if e.source == "fills" and e.row.get("fill_id") == fill_id]
    for row in [*judged, *waiting]:
        return f"{row['unit_id']}, filled {words.clock(pd.Timestamp(row['filled_at']), snapshot.zone)}"
    return f"fill {fill_id}"


def _day(typed: str) -> str:
    day = pd.to_datetime(typed, errors="coerce")
    return typed if pd.isna(day) else words.day(day)


def _stop(row: Mapping[str, str]) -> str:
    try:
        return words.number(float(row["stop_pressure_bar"]), 0, "bar").replace("\u00a0", " ")
    except (KeyError, ValueError):
        return words.UNKNOWN


class _Row(dict):
    def __missing__(self, name: str) -> str:
        return words.UNKNOWN


def _kind(file: str) -> str:
    return NAMES.get(entry_source(file) or "", "the entry")


def _why(snapshot: Snapshot, file: str) -> list[str]:
    if not may_see(snapshot.viewer, "rejects"):
        return ["Ask who runs the station: Inbox says why."]
    found = snapshot.table("rejects", file=file)
    return [f"{r.message} {r.fix}" for r in found.itertuples()] or ["Inbox says why."]
