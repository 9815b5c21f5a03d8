"""Inspection dates and visits as an iCalendar file that phones import or subscribe to (RFC 5545)."""

import uuid
from datetime import timedelta

import pandas as pd

NAMESPACE = uuid.uuid5(uuid.NAMESPACE_DNS, "coldfill.invalid")
WORDS = {
    "visual": "visual inspection",
    "hydrostatic": "hydrostatic test",
    "eddy_current": "eddy-current test",
    "ultrasonic": "ultrasonic test",
    "valve_service": "valve service",
    "end_of_service_life": "end of service life",
}
DECIDES = "Law, the stamp on the cylinder and a competent inspector decide."


def inspection_calendar(
    cylinder_health: pd.DataFrame,
    inspection_plan: pd.DataFrame,
    as_of_on: pd.Timestamp,
    station_name: str,
    *,
    notice_days: int = 60,
) -> bytes:
    """The calendar: a day-long event for the next date of each cylinder, and one for each planned visit.

    Parameters
    ----------
    cylinder_health, inspection_plan : DataFrame
        As published.
    as_of_on : Timestamp
        The day of the figures; it stamps every event, so that the same figures give the same file.
    station_name : str
        Goes into the name and into the identifiers.
    notice_days : int
        A first alarm so many days before a date; a second one 14 days before.

    Returns
    -------
    bytes
        iCalendar text. The UID of an event hangs on station and cylinder, not on date or kind: a later
        file moves the event to the next date instead of adding one.
    """
    from icalendar import Calendar

    calendar = Calendar()
    for name, value in (
        ("prodid", "-//coldfill//inspections//EN"),
        ("version", "2.0"),
        ("calscale", "GREGORIAN"),
        ("method", "PUBLISH"),
        ("name", f"Inspections, {station_name}"),
        ("x-wr-calname", f"Inspections, {station_name}"),
    ):
        calendar.add(name, value)
    calendar.add("refresh-interval", timedelta(days=1), parameters={"VALUE": "DURATION"})
    day = pd.Timestamp(as_of_on)
    dated = cylinder_health.dropna(subset=["next_due_on", "next_due_kind"])
    dated = dated[dated["status"].eq("in_service")].sort_values(["next_due_on", "cylinder_id"])
    for row in dated.itertuples(index=False):
        what = WORDS.get(row.next_due_kind, row.next_due_kind)
        late = row.next_due_on < day
        calendar.add_component(
            _event(
                _uid(station_name, row.cylinder_id),
                row.next_due_on,
                day,
                f"{row.cylinder_id}: {what} {'was due, may not be filled' if late else 'due'}",
                f"In test up to and including this day under rule set {row.rule_set}. {DECIDES}",
                [] if late else [notice_days, 14],
            )
        )
    for visit_on, rows in inspection_plan.groupby("visit_on"):
        who = sorted(set(rows["cylinder_id"]))
        calendar.add_component(
            _event(
                _uid(station_name, "visit", f"{visit_on:%Y-%m-%d}"),
                visit_on,
                day,
                f"Inspector's visit: {len(who)} cylinder{'s' if len(who) > 1 else ''}",
                "; ".join(
                    f"{r.cylinder_id} ({WORDS.get(r.kind, r.kind)})"
                    for r in rows.sort_values("cylinder_id").itertuples()
                )
                + f". {DECIDES}",
                [7, 1],
            )
        )
    return calendar.to_ical()


def _uid(*parts: str) -> str:
    return str(uuid.uuid5(NAMESPACE, "/".join(map(str, parts))))


def _event(uid: str, on: pd.Timestamp, as_of_on: pd.Timestamp, summary: str, description: str, alarm_days: list[int]):
    from icalendar import Alarm, Event

    event = Event()
    stamp = pd.Timestamp(as_of_on).tz_localize("UTC").to_pydatetime()
    event.add("uid", uid)
    event.add("dtstamp", stamp)
    event.add("last-modified", stamp)
    # a later file goes before an earlier one
    event.add("sequence", max((pd.Timestamp(as_of_on) - pd.Timestamp("2020-01-01")).days, 0))
    event.add("dtstart", pd.Timestamp(on).date())
    event.add("dtend", (pd.Timestamp(on) + pd.Timedelta(days=1)).date())
    event.add("summary", summary)
    event.add("description", description)
    event.add("transp", "TRANSPARENT")
    event.add("categories", ["inspection"])
    for days in sorted(set(alarm_days), reverse=True):
        alarm = Alarm()
        alarm.add("action", "DISPLAY")
        alarm.add("description", summary)
        alarm.add("trigger", timedelta(days=-days))
        event.add_component(alarm)
    return event
