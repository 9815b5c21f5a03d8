"""What the manager logs: an inspection on Fleet; a purity test, hours and work at a compressor on Air."""

import streamlit as st

from dashboard import entry_door, fills, in_celsius, parts
from dashboard.access import may_log
from dashboard.data import Snapshot
from dashboard.entry_form import EntryForm
from schemas import fields as f
from schemas import words

RESULTS = {"pass": "passed", "fail": "failed", "condemned": "condemned"}
EVENTS = {
    "reading": "hours read",
    "filter_change": "filter changed",
    "oil_change": "oil changed",
    "service": "service",
}
ODOUR = {"": "not noted", "none": "none", "some": "some"}


def inspection(snapshot: Snapshot, cylinder: str) -> None:
    """An inspection or test of one cylinder."""
    if not may_log(snapshot.viewer, "inspection"):
        return
    form = EntryForm(snapshot, "inspection", "inspections", cylinder, "fleet")
    form.row["cylinder_id"] = cylinder
    with _folded(f"Log an inspection of {cylinder}", form):
        with st.form(f"inspection_{form.token}", enter_to_submit=False, border=False):
            with st.container(horizontal=True):
                form.choice("Kind", f.INSPECTION_KIND, f.INSPECTION_KIND.choices, None, said=words.KINDS, width=220)
                form.choice("Outcome", f.RESULT, f.RESULT.choices, None, said=RESULTS)
                form.day("Day", f.INSPECTED_ON, entry_door.today(snapshot))
                form.text("Inspector", f.INSPECTOR)
                form.number("Permanent expansion, %", f.PERMANENT_EXPANSION_PCT, None)
                form.number("Mass found, kg", f.FOUND_MASS_KG, None)
                form.choice("Finding", f.FINDING, f.FINDING.choices, None)
                form.text("Note", f.NOTE, width=320)
                form.who("Who logs it")
            form.submitted("Save the inspection")
        parts.show(parts.caution("What counts is the inspector's paper and the stamp: log what stands there."))


def air_test(snapshot: Snapshot, compressor: str) -> None:
    """A laboratory's or a tube's test of one compressor's air."""
    if not may_log(snapshot.viewer, "air_test"):
        return
    form = EntryForm(snapshot, "air_test", "air_tests", compressor, "air")
    form.row["compressor_id"] = compressor
    with _folded(f"Log an air test of {compressor}", form):
        parts.show(parts.note("Leave empty what was not measured: empty is not good."))
        with st.form(f"air_test_{form.token}", enter_to_submit=False, border=False):
            with st.container(horizontal=True):
                form.day("Day of the sample", f.SAMPLED_ON, entry_door.today(snapshot))
                form.text("Who tested", f.LABORATORY)
                form.number("O₂, %", f.O2_PCT, None)
                form.number("CO, ppm", f.CO_PPM, None)
                form.number("CO₂, ppm", f.CO2_PPM, None)
                form.number("Oil, mg/m³", f.OIL_MG_M3, None)
                form.number("Water, mg/m³", f.WATER_MG_M3, None)
                form.number("Hydrocarbons, ppm", f.HYDROCARBONS_PPM, None)
                odour = form.choice("Odour", f.ODOUR, list(ODOUR), "", said=ODOUR)
                form.who("Who logs it")
            form.row["odour"] = {"none": False, "some": True}.get(odour or "")
            form.submitted("Save the air test")
        parts.show(parts.caution("If anything is beyond its limit: stop filling from it now, before the run says so."))


def compressor(snapshot: Snapshot, compressor: str) -> None:
    """Hours, and work done at one compressor."""
    if not may_log(snapshot.viewer, "compressor"):
        return
    form = EntryForm(snapshot, "compressor", "compressor_log", compressor, "air")
    form.row["compressor_id"] = compressor
    form.doubts["If it is right"] = lambda row: in_celsius.asked(
        row,
        in_celsius.surroundings(fills.lately(snapshot)),
        form.units,
        "ambient_c",
        "at the intake",
        above_k=in_celsius.ROOM_OF_COMPRESSOR_K,
    )
    with (
        _folded(f"Log hours or work at {compressor}", form),
        st.form(f"compressor_{form.token}", enter_to_submit=False, border=False),
    ):
        with st.container(horizontal=True):
            form.number("Hour counter, h", f.HOURS, None)
            form.choice("What", f.EVENT, f.EVENT.choices, "reading", said=EVENTS)
            form.number("Intake, °C", f.AMBIENT_C, None)
            form.number("Outlet, °C", f.OUTLET_C, None)
            form.who("Who logs it")
            form.moment(f.READ_AT)
        parts.show(parts.note("A timed run tells what it delivers: what it pumped up, from where to where, how long."))
        with st.container(horizontal=True):
            form.number("Pumped from, bar", f.PUMPED_FROM_BAR, None)
            form.number("to, bar", f.PUMPED_TO_BAR, None)
            form.number("Litres pumped up", f.PUMPED_VOLUME_L, None)
            form.number("Minutes", f.PUMPED_MINUTES, None)
        form.submitted("Save the reading")


def _folded(title: str, form: EntryForm):
    """A form behind a word; open while something of it was refused."""
    return st.expander(title, expanded=form.was_refused)
