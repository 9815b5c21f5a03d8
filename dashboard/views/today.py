"""Today: every unit that was filled lately, with what is to be done next, in the order of the work."""

import pandas as pd

from dashboard import board, parts, since
from dashboard.access import ALONE, LOCAL_NETWORK, MANAGER, OPERATOR, may_see
from dashboard.data import Snapshot
from schemas import holds, words

TITLE = "Today"
#: roles that may open this page; what tables each sees stands in access.py
OPEN_TO = (ALONE, LOCAL_NETWORK, MANAGER, OPERATOR)

WEIGHTS = {board.HELD: 4, board.ANALYSE: 3, board.LOOK: 3, board.COOLING: 2, board.READY: 1}
NEXT = {
    board.COOLING: "A reading before then is still falling. Log the settled reading: it makes every later estimate "
    "surer.",
    board.READY: "Look at the tag, the analysis and the cylinder itself before it goes.",
}


def page(snapshot: Snapshot) -> None:
    fills, units, health, life, sources = (
        snapshot.table(t) for t in ("fill_quality", "units", "cylinder_health", "cylinder_life", "gas_sources")
    )
    failed = holds.failed_sources(sources)
    if len(failed):
        parts.show(
            parts.bar(
                "Do not fill from " + ", ".join(failed["source_id"]),
                4,
                parts.lines(*(f"{words.capital(holds.why_failed(row))}." for row in failed.to_dict("records"))),
            )
        )
    now = moment(snapshot, fills)
    if now < pd.Timestamp.now(tz="UTC") - pd.Timedelta(hours=1):
        parts.show(parts.note(f"As it stood {words.clock(now, snapshot.zone)}: this station's day is not the clock's."))
    found = board.tasks(
        fills,
        units,
        health,
        life,
        now,
        snapshot.zone,
        within_bar=float(snapshot.policy("filling", "check_gauge_limit_bar")),
        settle_hours=float(snapshot.policy("filling", "settle_hours")),
    )
    if not found:
        parts.show(parts.plain(f"Nothing was filled in the last {board.DAYS} days, and no hold stands."))
    counts = [f"{heading}: {n}" for state, heading in board.HEADINGS.items() if (n := _count(found, state))]
    if len(counts) > 1:
        parts.show(parts.plain(". ".join(counts) + "."))
    # who works at the compressor looks for the next unit first
    first = snapshot.viewer.role in (ALONE, MANAGER)
    if first:
        news(snapshot, fills, health, life)
    for state, heading in board.HEADINGS.items():
        rows = [task for task in found if task.state == state]
        if rows and state == board.HELD_LONGER:
            parts.show(
                parts.heading(f"{heading}: {len(rows)}", 2),
                parts.items(
                    f"{task.unit_id}, filled {words.day(task.fill['filled_at'].tz_convert(snapshot.zone))}: {task.says}"
                    for task in rows
                ),
            )
        elif rows:
            parts.show(parts.heading(f"{heading}: {len(rows)}", 2, NEXT.get(state, "")), _listed(snapshot, state, rows))
    if not first:
        news(snapshot, fills, health, life)
    parts.show(parts.caution(words.WHO_DECIDES))


def news(snapshot: Snapshot, fills: pd.DataFrame, health: pd.DataFrame, life: pd.DataFrame) -> None:
    """What has changed since yesterday morning."""
    today = snapshot.as_of_on
    begin = (today - pd.Timedelta(days=1)).tz_localize(snapshot.zone, nonexistent="shift_forward").tz_convert("UTC")
    seen = {name: snapshot.table(name) for name in ("air_quality", "rejects") if may_see(snapshot.viewer, name)}
    said = since.changes(
        begin,
        today,
        fills,
        health,
        life,
        seen.get("air_quality"),
        seen.get("rejects"),
        float(snapshot.policy("fleet", "due_soon_days")),
    )
    kinds = ["fill", "inspection", *["air test"] * ("air_quality" in seen), *["problem"] * ("rejects" in seen)]
    nothing = f"No {', '.join(kinds)} or loan is known since yesterday."
    parts.show(parts.heading("Since yesterday", 2), parts.items(said) if said else parts.plain(nothing))


def moment(snapshot: Snapshot, fills: pd.DataFrame) -> pd.Timestamp:
    """The clock's time; half an hour after the last fill where the station's day is that of its data or a given one."""
    now = pd.Timestamp.now(tz="UTC")
    if snapshot.station.get("today", "clock") == "clock" or fills.empty:
        return now
    return min(now, fills["filled_at"].max() + pd.Timedelta(minutes=30))


def _count(found: list[board.Task], state: str) -> int:
    return sum(task.state == state for task in found)


def _listed(snapshot: Snapshot, state: str, rows: list[board.Task]) -> parts.Markup:
    newest = sorted(rows, key=lambda t: t.fill["filled_at"], reverse=True)
    if state == board.COOLING:
        newest = sorted(rows, key=lambda t: t.worth_reading_at)
    return parts.table(
        ["Unit", "Mix", "Stopped at", "What is next"],
        [
            (
                parts.lines(
                    parts.tag(task.unit_id, WEIGHTS.get(state, 1)), words.clock(task.fill["filled_at"], snapshot.zone)
                ),
                words.mix(task.fill["o2_pct"], task.fill["he_pct"]),
                words.number(task.fill["stop_pressure_bar"], 0, "bar"),
                parts.lines(task.says, f"Air: {holds.air(task.fill)}"),
            )
            for task in newest
        ],
        figures=(2,),
        half=(1,),
        whole=(0, 3),
        says=board.HEADINGS[state],
    )
