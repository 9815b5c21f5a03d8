"""Fleet: what may not be filled, what is due, what leaks or fills short, and one cylinder's life."""

import pandas as pd
import streamlit as st

from dashboard import charts_fleet, fills, parts
from dashboard.access import ALONE, LOCAL_NETWORK, MANAGER, OPERATOR
from dashboard.data import Snapshot
from dashboard.rows import each, said_yes
from dashboard.views import manager_log, plan_log, saved
from schemas import holds, words
from schemas.codes import all_codes, sentence
from schemas.reading_units import text

TITLE = "Fleet"
#: roles that may open this page; what tables each sees stands in access.py
OPEN_TO = (ALONE, LOCAL_NETWORK, MANAGER, OPERATOR)

MOST_EVENTS = 80
MOST_NAMED = 12
#: cells of one group that are shown at once
MOST_CELLS = 24
#: reasons that are shown at once
MOST_REASONS = 8
#: fewer fills say nothing of a cylinder; from this share on it is the station that fills short
LEAST_FILLS, MOSTLY_SHORT = 3, 0.5
#: events of which a log tells the day, not the hour
BY_DAY = ("inspected", "manufactured", "joined", "left")
PARTS = {
    "state": "Every cylinder",
    "leaks": "Leaks in storage, short fills",
    "plan": "Visits and bookings",
    "life": "One cylinder's life",
}


def page(snapshot: Snapshot) -> None:
    health = snapshot.table("cylinder_health")
    if health.empty:
        parts.show(parts.plain("No cylinder is in the register yet."))
        return
    parts.show(parts.caution(words.WHO_DECIDES))
    saved.show(snapshot)
    part = parts.chosen_part("More on Fleet", PARTS, "fleet_part", "state")
    if part == "state":
        states(snapshot, health)
    elif part == "leaks":
        leaks(snapshot, health)
    elif part == "plan":
        plan(snapshot, health)
    else:
        one_life(snapshot, health)


def groups(health: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Cylinders by what may be done with them, next due first in each."""
    ordered = health.sort_values(["next_due_on", "cylinder_id"], na_position="first")
    gone = ordered["status"].isin(["withdrawn", "condemned"]) | (ordered["inspection_state"] == "condemned")
    soon, in_date = ((ordered["inspection_state"] == state).fillna(False) & ~gone for state in ("due_soon", "in_date"))
    return {
        # also a state that nobody has heard of
        "barred": ordered[~(gone | soon | in_date)],
        "soon": ordered[soon],
        "in_date": ordered[in_date],
        "gone": ordered[gone],
    }


def grouped(snapshot: Snapshot) -> dict[str, pd.DataFrame]:
    """The same of all cylinders of a snapshot, to be read alone."""
    return snapshot.once("cylinders by what may be done", lambda: groups(snapshot.table("cylinder_health")))


def states(snapshot: Snapshot, health: pd.DataFrame) -> None:
    units = snapshot.table("units").drop_duplicates("unit_id").set_index("unit_id")
    names = snapshot.names()
    gas = snapshot.once("gas of cylinders", lambda: holds.of_cylinders(fills.inside(snapshot)))
    by = grouped(snapshot)
    headings = {
        "barred": ("May not be filled", 4),
        "soon": (f"Due within {snapshot.policy('fleet', 'due_soon_days')} days", 3),
        "in_date": ("In date", 1),
        "gone": ("Withdrawn or condemned", 4),
    }
    for key, (heading, weight) in headings.items():
        rows = by[key]
        if rows.empty:
            continue
        parts.show(parts.heading(f"{heading}: {len(rows)}", 2), _cells(rows, units, names, gas, weight))
    reasons(health)


def reasons(health: pd.DataFrame) -> None:
    """What stands against them, a line a reason: those that forbid filling first, then the rarest."""
    rows = health[["cylinder_id", "score_reasons"]].explode("score_reasons").dropna()
    if rows.empty:
        return
    by = rows.groupby("score_reasons")["cylinder_id"].agg(["size", list])
    by = by.assign(forbids=by.index.isin(words.FORBIDS_FILLING), minor=by.index.isin(words.MINOR_REASONS))
    by = by.sort_values(["forbids", "minor", "size"], ascending=[False, True, True])
    known = all_codes()
    parts.show(
        parts.heading("What stands against them", 2, "What to do opens below each."),
        parts.one_by_one(
            [
                parts.line(
                    parts.Markup(f"<strong>{parts.text(sentence(code))}</strong>"),
                    parts.named(row["list"]) if row["size"] <= MOST_NAMED else words.plural(row["size"], "cylinder"),
                    [
                        text(known[code].fix) if code in known else "",
                        parts.named(row["list"]) if row["size"] > MOST_NAMED else "",
                    ],
                )
                for code, row in by.to_dict("index").items()
            ],
            MOST_REASONS,
        ),
    )


def _cells(
    rows: pd.DataFrame, units: pd.DataFrame, names: dict[str, str], gas: dict[str, str], weight: int
) -> parts.Markup:
    """A cell a cylinder: the word against the gas inside it, what bars it, its day; the rest opens below.

    The word against the gas weighs as much as an expired date; those with one stand first.
    """
    made = []
    for row in each(rows):
        size = ""
        if row.cylinder_id in units.index:
            unit = units.loc[row.cylinder_id]
            size = (
                f"{words.capacity(unit['water_capacity_l'], unit['working_pressure_bar'], 0)} {unit['material'] or ''}"
            )
        holder = (
            f"with {names.get(row.held_by, row.held_by)}"
            if words.known(row.held_by) and row.held_by != "station"
            else ""
        )
        word = {"out_of_date": "out of date", "unknown": "no inspection known", "condemned": "condemned"}.get(
            row.inspection_state, ""
        )
        word = row.status if row.status in ("withdrawn", "condemned") else word
        against = gas.get(row.cylinder_id, "")
        first = parts.lines(
            parts.Markup(f"<strong>{parts.text(row.cylinder_id)}</strong>"),
            f"its gas: {against}" if against else "",
            word,
            f"due {words.day(row.next_due_on)}" if words.known(row.next_due_on) else "no date known",
            holder if weight > 1 or against else "",
        )
        of_set = f"set {row.set_id}" if words.known(row.set_id) else ""
        more = parts.lines(
            words.KINDS.get(row.next_due_kind, ""), size, of_set, "" if weight > 1 or against else holder
        )
        worst = max(weight, 4 if against in ("called back", "on hold") else 3 if against else 1)
        inside = f"<details><summary>{first}</summary>{more}</details>" if more else first
        made.append((not against, f'<div class="bar-{worst}">{inside}</div>'))
    cells = [cell for _, cell in sorted(made, key=lambda one: one[0])]
    shown, rest = (cells[:MOST_CELLS], cells[MOST_CELLS:]) if len(cells) > MOST_CELLS + 4 else (cells, [])
    hidden = f'<div class="fleet">{"".join(rest)}</div>'
    others = f"<details><summary>Show all {len(cells)}</summary>{hidden}</details>" if rest else ""
    return parts.Markup(f'<div class="fleet">{"".join(shown)}</div>{others}')


def leaks(snapshot: Snapshot, health: pd.DataFrame) -> None:
    flagged = health[said_yes(health["leak_flag"])]
    parts.show(
        parts.heading(
            "Leaks in storage",
            2,
            "From content between readings, not from pressure alone: a change of temperature is no leak.",
        )
    )
    if flagged.empty:
        parts.show(parts.plain("No cylinder is flagged."))
    for row in each(flagged):
        basis = " Measured on the set: it stands on both its cylinders." if row.leak_basis == "set" else ""
        parts.show(
            parts.bar(
                f"{row.cylinder_id} loses {words.number(row.leak_bar_per_day, 1, 'bar')} a day",
                3,
                "80 % interval "
                f"{words.between(row.leak_low_bar_per_day, row.leak_high_bar_per_day, 1, 'bar')}.{basis} Find it "
                "with soapy water; a leaking "
                "burst disc or neck: depressurise slowly, out of service, to an inspector.",
            )
        )
    if health["leak_bar_per_day"].notna().any():
        parts.figure(
            charts_fleet.leak_rates(health, float(snapshot.policy("fleet", "leak_flag_bar_per_day"))),
            "Leak rates with intervals, the largest first.",
            "leaks",
        )
    parts.show(parts.heading("Short fills", 2, "Cylinders whose fills settle short most often."))
    short = health.dropna(subset=["short_fill_share"])
    short = short[short["fills_since_hydrostatic"].fillna(0) >= LEAST_FILLS]
    usual = short["short_fill_share"].median()
    short = short[short["short_fill_share"] > 0].sort_values(
        ["short_fill_share", "fills_since_hydrostatic"], ascending=False
    )
    if usual >= MOSTLY_SHORT:
        parts.show(
            parts.plain(
                f"Half of the cylinders fill short {words.share(usual)} of the time or more: that is how they are "
                "filled, not the cylinders. See Filling, Over the season."
            )
        )
    short = short.head(12)
    if short.empty:
        parts.show(parts.plain("None."))
    else:
        parts.show(
            parts.table(
                ["Cylinder", "Fills short", "Fills since its hydrostatic test"],
                [
                    (r.cylinder_id, words.share(r.short_fill_share), words.number(r.fills_since_hydrostatic))
                    for r in each(short)
                ],
                figures=(1, 2),
                says="Cylinders that fill short",
                kept=True,
            )
        )


def _visits(visits: pd.DataFrame) -> None:
    """What each visit takes."""
    parts.show(parts.heading("Which to send on which visit", 2))
    if visits.empty:
        parts.show(
            parts.plain("No visit is planned. Book one here or in visits.csv; the next run says what to send on it.")
        )
    else:
        for visit_on, rows in visits.groupby("visit_on"):
            back = words.day(rows["in_service_after"].max())
            parts.show(
                parts.heading(
                    f"{words.day(visit_on)}: {words.plural(len(rows), 'cylinder')}", 3, f"Back in service {back}."
                ),
                parts.table(
                    ["Cylinder", "Kind", "Due", "The visit is"],
                    [
                        (r.cylinder_id, words.KINDS.get(r.kind, r.kind), words.day(r.due_on), _early(r.days_early))
                        for r in each(rows)
                    ],
                    figures=(3,),
                    says="What to send on this visit",
                    kept=True,
                    even=True,
                ),
            )


def plan(snapshot: Snapshot, health: pd.DataFrame) -> None:
    visits = snapshot.table("inspection_plan").sort_values(["visit_on", "cylinder_id"])
    with parts.place():
        _visits(visits)
    plan_log.visit(snapshot, health, visits)
    cover = snapshot.table("booking_cover").sort_values("starts_on")
    parts.show(parts.heading("Bookings", 2, "Cylinders needed, and in service then if the plan is kept."))
    plan_log.booking(snapshot)
    if cover.empty:
        parts.show(parts.plain("No booking is known."))
        return
    for row in each(cover[cover["short_by"].fillna(0) > 0]):
        parts.show(
            parts.bar(
                f"{words.day(row.starts_on)} to {words.day(row.ends_on)}: short by {row.short_by}",
                3,
                f"Freed by: {row.freed_by}" if words.known(row.freed_by) else "Nothing in the plan frees them.",
            )
        )
    parts.figure(charts_fleet.booking_cover(cover), "Cylinders needed and in service for each booking.", "cover")


def _events(snapshot: Snapshot, events: pd.DataFrame, names: dict[str, str], heading: str, most: int) -> None:
    if heading:
        parts.show(parts.heading(heading, 2))
    parts.show(
        parts.table(
            ["When", "What", "Figure", "More"],
            [
                (
                    _when(e, snapshot.zone),
                    _event(e.event),
                    _figure(e),
                    names.get(e.code, e.code) if words.known(e.code) else "",
                )
                for e in each(events.head(most))
            ],
            figures=(2,),
            says=heading or "Events",
            kept=True,
        )
    )
    if len(events) > most:
        parts.show(parts.note(f"The newest {most} of {len(events)}."))


def _when(event, zone: str) -> str:
    """A moment; what is known by its day alone reads as a day."""
    if str(event.event).startswith(BY_DAY):
        return words.day(event.at.tz_convert(zone))
    return words.clock(event.at, zone)


def _event(event: str) -> str:
    kind = str(event).removeprefix("inspected_")
    return words.KINDS.get(kind, kind.replace("_", " "))


def _figure(event) -> str:
    """The figure of an event with the unit it has there."""
    if not words.known(event.value):
        return ""
    units = {"arrived": "bar", "filled": "bar", "returned": "bar", "dived": "L", "unexplained_use": "bar"}
    unit = units.get(event.event, "kg" if str(event.event).startswith(("inspected", "manufactured")) else "")
    more = {"filled": f" at {words.number(15, 0, '°C')}", "dived": " used"}.get(event.event, "")
    return words.number(event.value, 1 if unit == "kg" else 0, unit) + more


def _early(days) -> str:
    if not words.known(days):
        return "its date is not known: the sooner the better"
    return f"{words.plural(abs(int(days)), 'day')} {'late' if days < 0 else 'early'}" if int(days) else "on the day"


def one_life(snapshot: Snapshot, health: pd.DataFrame) -> None:
    chosen = st.selectbox("Cylinder", sorted(health["cylinder_id"]), key="cylinder", bind="query-params")
    row = health[health["cylinder_id"] == chosen].iloc[0]
    weight = (
        4
        if row["inspection_state"] in words.BARRED_STATES or row["status"] != "in_service"
        else 3
        if row["inspection_state"] == "due_soon"
        else 1
    )
    state = words.INSPECTION.get(row["inspection_state"], words.UNKNOWN)
    if row["status"] != "in_service":
        state = f"May not be filled: {row['status']}"
    parts.show(
        parts.bar(
            f"{chosen}: {state}",
            weight,
            parts.reasons(row, "score_reasons"),
        )
    )
    names = snapshot.names()
    parts.show(
        parts.facts(
            [
                (
                    "Next due",
                    words.day(row["next_due_on"]),
                    f"{words.KINDS.get(row['next_due_kind'], '')}, {words.days_away(row['days_to_due'])}"
                    if words.known(row["next_due_on"])
                    else "",
                ),
                ("Last visual inspection", words.day(row["last_visual_on"])),
                ("Last hydrostatic test", words.day(row["last_hydrostatic_on"])),
                ("Rule set", row["rule_set"] if words.known(row["rule_set"]) else words.UNKNOWN),
                (
                    "Fills since hydrostatic test",
                    words.number(row["fills_since_hydrostatic"]),
                    f"{words.number(row['fills_out_of_date'])} of them out of date"
                    if words.known(row["fills_out_of_date"])
                    else "",
                ),
                (
                    "Leak",
                    words.with_interval(
                        row["leak_bar_per_day"], row["leak_low_bar_per_day"], row["leak_high_bar_per_day"], 1, "bar/day"
                    ),
                    "80 % interval",
                ),
                ("Held by", names.get(row["held_by"], row["held_by"]) if words.known(row["held_by"]) else "station"),
                ("Last seen", words.clock(row["last_seen_at"], snapshot.zone)),
            ]
        )
    )
    manager_log.inspection(snapshot, chosen)
    events = snapshot.table("cylinder_life", cylinder_id=chosen).sort_values("at", ascending=False)
    events = events[events["event"] != "interval"]
    if events.empty:
        parts.show(parts.plain("Nothing is logged of it."))
        return
    parts.figure(
        charts_fleet.life(events),
        "Pressures at arrival and of settled fills, and events of this cylinder over time.",
        "life",
    )
    looked_at = events["event"].str.startswith(BY_DAY)
    _events(snapshot, events[looked_at], names, "Inspections and findings", len(events))
    others = events[~looked_at]
    title = f"Fills, dives and loans ({len(others)})"
    parts.opens(title, f"events_{chosen}", lambda: _events(snapshot, others, names, "", MOST_EVENTS))
