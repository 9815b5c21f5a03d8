"""The manager books a visit and cylinders for a course by the page; the plan's own words say what is due."""

import datetime as dt

import pandas as pd
from test_logging import MOMENT, field, log, rows, station
from test_pages import run, said

from dashboard.views.plan_log import without_visit

__all__ = ["station"]


def test_only_what_is_in_service_with_a_known_date_and_on_no_visit_is_due():
    health = pd.DataFrame(
        {
            "cylinder_id": ["late", "soon", "planned", "unknown", "condemned", "gone"],
            "next_due_on": pd.to_datetime(["2031-05-01", "2031-07-01", "2031-06-01", None, "2031-05-01", "2031-05-01"]),
            "status": ["in_service"] * 5 + ["withdrawn"],
            "inspection_state": ["out_of_date", "due_soon", "in_date", "unknown", "condemned", "in_date"],
        }
    )
    due, unknown = without_visit(health, pd.DataFrame({"cylinder_id": ["planned"]}))
    assert list(due["cylinder_id"]) == ["late", "soon"] and unknown == 1


def test_a_visit_is_booked_with_what_is_due_and_a_return_before_it_is_refused(station):
    test = run(station, "fleet", "manager", fleet_part="plan")
    assert "Due and on no visit:" in said(test)
    # a date that has passed cannot be kept any more
    assert field(test, "Day of the visit").value >= MOMENT.date()
    wrong = {"Day of the visit": dt.date(2031, 7, 3), "Back by": dt.date(2031, 7, 2), "Who books the visit": "Boss"}
    text = log(test, "Save the visit", **wrong)
    assert "Not saved" in text and rows(station) == []
    log(test, "Save the visit", **{"Back by": dt.date(2031, 8, 1), "Cylinders it takes": 6.0})
    (row,) = rows(station)
    assert (row["capacity"], row["back_on"], row["entered_by"]) == ("6", "2031-08-01", "Boss")
    assert row["visit_on"] == "2031-07-03"
    assert "kinds" not in row
    assert "visit on" in said(test) and "being computed" in said(test)


def test_cylinders_are_booked_for_days(station):
    test = run(station, "fleet", "manager", fleet_part="plan")
    typed = {"First day": dt.date(2031, 7, 5), "Last day": dt.date(2031, 7, 7), "Cylinders needed": 4.0}
    log(test, "Save the booking", **typed, **{"Who books them": "Boss"})
    (row,) = rows(station)
    kept = {c: row[c] for c in ("starts_on", "ends_on", "cylinders_needed")}
    assert kept == {"starts_on": "2031-07-05", "ends_on": "2031-07-07", "cylinders_needed": "4"}
    assert "water_capacity_l" not in row and "material" not in row


def test_an_operator_books_nothing(station):
    test = run(station, "fleet", "operator", fleet_part="plan")
    assert not [b for b in test.button if b.label in ("Save the visit", "Save the booking")]
