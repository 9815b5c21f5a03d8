"""What the manager books: a visit of the inspector, begun with what is due and on none yet; cylinders for a course."""

import datetime as dt

import pandas as pd
import streamlit as st

from dashboard import entry_door, parts
from dashboard.access import may_log
from dashboard.data import Snapshot
from dashboard.entry_form import EntryForm
from dashboard.rows import each
from schemas import fields as f
from schemas import words

#: a visit takes along what falls due so long after the first date it must keep
TOGETHER = pd.Timedelta(days=60)
#: days between a visit and the cylinders' return that a new form begins with
AWAY_DAYS = 14
MOST_NAMED = 6
_OFFERED = {"": "all kinds", **{kind: words.KINDS.get(kind, kind) for kind in f.INSPECTION_KIND.choices}}


def without_visit(health: pd.DataFrame, planned: pd.DataFrame) -> tuple[pd.DataFrame, int]:
    """Cylinders in service that no planned visit takes: by due date; and how many have none known."""
    on_none = ~health["cylinder_id"].isin(planned["cylinder_id"])
    kept = ~health["status"].isin(["withdrawn", "condemned"]) & (health["inspection_state"] != "condemned")
    left = health[on_none & kept].sort_values(["next_due_on", "cylinder_id"])
    return left[left["next_due_on"].notna()], int(left["next_due_on"].isna().sum())


def visit(snapshot: Snapshot, health: pd.DataFrame, planned: pd.DataFrame) -> None:
    """Book a visit; which cylinders it takes, the plan says after the next run."""
    due, unknown = without_visit(health, planned)
    first = due["next_due_on"].min()
    together = due[due["next_due_on"] <= max(first, snapshot.as_of_on) + TOGETHER]
    with parts.place():
        if len(together):
            named = [f"{r.cylinder_id} by {words.day(r.next_due_on)}" for r in each(together.head(MOST_NAMED))]
            more = f" and {len(together) - MOST_NAMED} more" if len(together) > MOST_NAMED else ""
            parts.show(parts.plain(f"Due and on no visit: {', '.join(named)}{more}."))
        if unknown:
            on_none = f"{words.plural(unknown, 'cylinder')} in service and on no visit"
            parts.show(parts.plain(f"No due date is known for {on_none}: see Every cylinder."))
    if not may_log(snapshot.viewer, "visit"):
        return
    today = entry_door.today(snapshot)
    on = max(first.date(), today) if len(together) else today + dt.timedelta(days=AWAY_DAYS)
    form = EntryForm(snapshot, "visit", "visits", "", "fleet")
    with (
        st.expander("Book a visit of the inspector", expanded=form.was_refused),
        st.form(f"visit_{form.token}", enter_to_submit=False, border=False),
    ):
        with st.container(horizontal=True):
            form.day("Day of the visit", f.VISIT_ON, on, ahead=True)
            form.number("Cylinders it takes", f.CAPACITY, float(len(together)) or None)
            form.day("Back by", f.BACK_ON, on + dt.timedelta(days=AWAY_DAYS), ahead=True)
            form.choice(
                "Kinds it offers", f.KINDS_TAKEN, ["", *f.INSPECTION_KIND.choices], "", said=_OFFERED, width=220
            )
            form.who("Who books the visit")
        form.submitted("Save the visit")


def booking(snapshot: Snapshot) -> None:
    """Book cylinders for some days."""
    if not may_log(snapshot.viewer, "booking"):
        return
    form = EntryForm(snapshot, "booking", "bookings", "", "fleet")
    with (
        st.expander("Book cylinders for a course", expanded=form.was_refused),
        st.form(f"booking_{form.token}", enter_to_submit=False, border=False),
    ):
        with st.container(horizontal=True):
            form.day("First day", f.STARTS_ON, ahead=True)
            form.day("Last day", f.ENDS_ON, ahead=True)
            form.number("Cylinders needed", f.CYLINDERS_NEEDED)
            form.choice("Only of", f.MATERIAL, ["", *f.MATERIAL.choices], "", said={"": "any material"})
            form.number("Only of this size, L", f.WATER_CAPACITY_L, None)
            form.who("Who books them")
        form.submitted("Save the booking")
