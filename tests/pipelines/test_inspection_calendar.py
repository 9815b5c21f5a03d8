"""The calendar file is what RFC 5545 asks for, and a later file moves events instead of adding some."""

import re

import pandas as pd

from pipelines.publish.calendar import inspection_calendar

TODAY = pd.Timestamp("2031-05-01")


def health(due="2031-09-14"):
    return pd.DataFrame(
        {
            "cylinder_id": ["T17-L", "A,4;ü"],
            "status": ["in_service"] * 2,
            "rule_set": ["uk", "uk"],
            "next_due_on": pd.to_datetime([due, "2031-04-01"]),
            "next_due_kind": ["hydrostatic", "visual"],
        }
    )


PLAN = pd.DataFrame(
    {"visit_on": pd.to_datetime(["2031-09-01"] * 2), "cylinder_id": ["T17-L", "B"], "kind": ["hydrostatic", "visual"]}
)


def read(text: bytes):
    """A reader of its own for RFC 5545: folding (§ 3.1), properties, nested components."""
    assert text.endswith(b"\r\n") and b"\n" not in text.replace(b"\r\n", b"")
    assert all(len(line) <= 75 for line in text.split(b"\r\n"))
    lines = re.sub(r"\r\n[ \t]", "", text.decode("utf-8")).split("\r\n")[:-1]
    stack: list[dict] = [{"parts": []}]
    for line in lines:
        name, _, value = line.partition(":")
        name = name.split(";")[0]
        if name == "BEGIN":
            stack.append({"is": value, "parts": []})
        elif name == "END":
            done = stack.pop()
            assert done["is"] == value
            stack[-1]["parts"].append(done)
        else:
            stack[-1].setdefault(name, value)
    assert len(stack) == 1 and len(stack[0]["parts"]) == 1
    return stack[0]["parts"][0]


def test_every_event_has_what_the_standard_requires():
    """RFC 5545 § 3.6 (VERSION, PRODID), § 3.6.1 (UID, DTSTAMP, DTSTART), § 3.6.6 (alarm); from memory."""
    calendar = read(inspection_calendar(health(), PLAN, TODAY, "Pier, north"))
    assert calendar["is"] == "VCALENDAR" and calendar["VERSION"] == "2.0" and calendar["PRODID"]
    events = calendar["parts"]
    assert [e["is"] for e in events] == ["VEVENT"] * 3
    for event in events:
        assert re.fullmatch(r"\d{8}T\d{6}Z", event["DTSTAMP"]) and re.fullmatch(r"\d{8}", event["DTSTART"])
        for alarm in event["parts"]:
            assert (
                alarm["is"] == "VALARM"
                and alarm["ACTION"] == "DISPLAY"
                and alarm["DESCRIPTION"]
                and alarm["TRIGGER"].startswith("-P")
            )
        first, after = (pd.Timestamp(event[name]) for name in ("DTSTART", "DTEND"))
        assert after == first + pd.Timedelta(days=1)  # § 3.8.2.2: the end is not part of the event
    due, visit = ({a["TRIGGER"] for a in e["parts"]} for e in events[1:])
    assert (due, visit) == ({"-P60D", "-P14D"}, {"-P7D", "-P1D"})
    late = events[0]
    assert late["SUMMARY"] == r"A\,4\;ü: visual inspection was due\, may not be filled" and not late["parts"]


def test_on_its_day_a_cylinder_is_still_in_test_and_one_out_of_service_is_not_called():
    """In test up to and including the day: it is late from the next on."""
    due = {str(day): read(inspection_calendar(health(day), PLAN.iloc[:0], TODAY, "Pier"))["parts"][-1]["SUMMARY"]
           for day in ("2031-05-01", "2031-05-02")}  # fmt: skip
    assert set(due.values()) == {"T17-L: hydrostatic test due"}
    gone = health().assign(status=["in_service", "withdrawn"])
    (event,) = read(inspection_calendar(gone, PLAN.iloc[:0], TODAY, "Pier"))["parts"]
    assert event["SUMMARY"].startswith("T17-L")


def test_a_moved_date_keeps_its_identifier_and_goes_before_the_older_one():
    old = read(inspection_calendar(health(), PLAN, TODAY, "Pier"))["parts"]
    new = read(inspection_calendar(health("2036-09-02"), PLAN.iloc[:0], TODAY + pd.Timedelta(days=130), "Pier"))[
        "parts"
    ]
    by_uid = {e["UID"]: e for e in old}
    moved = next(e for e in new if e["SUMMARY"].startswith("T17-L"))
    assert moved["UID"] in by_uid and moved["DTSTART"] == "20360902"
    assert int(moved["SEQUENCE"]) > int(by_uid[moved["UID"]]["SEQUENCE"])


def test_the_same_figures_give_the_same_file():
    assert inspection_calendar(health(), PLAN, TODAY, "Pier") == inspection_calendar(health(), PLAN, TODAY, "Pier")


def test_a_general_library_reads_it_back():
    from icalendar import Calendar

    back = Calendar.from_ical(inspection_calendar(health(), PLAN, TODAY, "Pier"))
    days = sorted(e.decoded("dtstart") for e in back.walk("VEVENT"))
    assert [str(d) for d in days] == ["2031-04-01", "2031-09-01", "2031-09-14"]
    assert not [error for component in back.walk() for error in component.errors]
