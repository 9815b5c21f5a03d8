"""First steps: a station that holds little yet is led through register, sources and first fill, by form or workbook."""

from dataclasses import replace

import pandas as pd
import streamlit as st

from dashboard import entry_door, hand_in, parts
from dashboard.access import may_log
from dashboard.data import Snapshot
from dashboard.entry_form import EntryForm
from dashboard.views import saved
from schemas import fields as f
from schemas import reading_units, words

PAGE = "filling"
STEPS = {
    "register": "1. Cylinders",
    "sources": "2. Where gas comes from",
    "fill": "3. First fill",
    "members": "Members",
}
#: workbooks that are offered, in the order in which a station needs them
WORKBOOKS = {
    "cylinders": "cylinders",
    "inspections": "their inspections",
    "members": "members",
    "sources": "compressors and banks",
    "fills": "fills",
}
MATERIALS = {"steel": "steel", "aluminium": "aluminium", "composite": "composite"}
_INSPECTED = {"visual": "Last visual passed on", "hydrostatic": "Last hydrostatic passed on"}
_PLUS = {"yes": "yes, a +", "no": "no"}


def wanted(snapshot: Snapshot, fills: pd.DataFrame) -> bool:
    """Whether the station has no fill yet and the viewer may keep its registers."""
    return fills.empty and may_log(snapshot.viewer, "cylinder")


def show(snapshot: Snapshot) -> bool:
    """The steps, with what is done; gives whether a first fill can be logged now."""
    units, sources = snapshot.table("units"), snapshot.table("gas_sources")
    waiting = entry_door.pending(snapshot)
    there = {
        "register": len(units) + sum(e.source == "cylinders" for e in waiting),
        "members": len(snapshot.table("people")) + sum(e.source == "members" for e in waiting),
        "sources": len(sources) + sum(e.source == "sources" for e in waiting),
        "fill": sum(e.source == "fills" for e in waiting),
    }
    parts.show(
        parts.heading(
            "First steps",
            2,
            "Three steps to the first verdict: type them in one by one, or fill in a workbook and hand it in below.",
        ),
        parts.Markup(f"<p>{parts.lines(*(_said(step, there[step]) for step in ('register', 'sources', 'fill')))}</p>"),
    )
    first_open = next((step for step in ("register", "sources") if not there[step]), "fill")
    if wanted_step := st.session_state.pop("next_first_step", None):
        st.session_state["first_step"] = wanted_step
    step = parts.chosen_part("Step", STEPS, "first_step", first_open)
    if step == "register":
        _cylinder(snapshot)
    elif step == "members":
        _member(snapshot)
    elif step == "sources":
        _source(snapshot)
    else:
        parts.show(
            parts.plain(
                "Name the cylinder below and log its stop: what it read at the start, where it stopped, and how warm "
                "the room was. Its verdict stands there a moment later."
                if len(units)
                else "Register a cylinder first."
            )
        )
    after = {"register": "fill" if there["sources"] else "sources", "sources": "fill"}.get(step, "")
    if after and there[step]:
        st.button(f"Next: {NEXT_STEPS[after]}", on_click=_go_on, args=(after,), key=f"go_on_{after}")
    saved.show(snapshot)  # near the button that was pressed: on a phone the top of the page is far
    workbooks(snapshot)
    return bool(len(units)) and step == "fill"


NEXT_STEPS = {"sources": "where gas comes from", "fill": "the first fill"}


def _go_on(step: str) -> None:
    st.session_state["next_first_step"] = step


FORMS = {"register": "A cylinder", "sources": "A source of gas", "members": "A member"}


def registers(snapshot: Snapshot) -> None:
    """The same forms and workbooks at any time, for a station that is at work."""
    workbooks(snapshot)
    if st.toggle("Add to a register by form", key="register_by_form"):
        chosen = parts.chosen_part("Register", FORMS, "register_form", "register")
        {"register": _cylinder, "sources": _source, "members": _member}[chosen](snapshot)


def _said(step: str, count: int) -> parts.Markup:
    done = {
        "register": ("no cylinder yet", "cylinder", "cylinders"),
        "sources": ("no compressor or bank yet", "source", "sources"),
        "fill": ("none yet", "fill saved", "fills saved"),
    }[step]
    title = STEPS[step]
    return parts.lines(f"{title}: {words.plural(count, done[1], done[2]) if count else done[0]}")


def _cylinder(snapshot: Snapshot) -> None:
    """One cylinder by its stamps; what the stamps do not say stays unknown."""
    form = EntryForm(snapshot, "cylinder", "cylinders", "new", PAGE)
    owners = ["station", *sorted(snapshot.names())]
    with st.form(f"cylinder_{form.token}", enter_to_submit=False, border=False):
        with st.container(horizontal=True):
            form.text("Its name or number", f.CYLINDER_ID)
            form.choice("Owner", f.OWNER_ID, owners, "station", said=snapshot.names(), other=True)
            form.choice("Material", f.MATERIAL, f.MATERIAL.choices, None, said=MATERIALS)
            if reading_units.current() == reading_units.US:
                form.number("Rated content in cu ft", f.RATED_CAPACITY_CUFT, None)
                form.number("Service pressure, psi", f.SERVICE_PRESSURE_PSI, None)
                plus = form.choice("Stamped with a plus", f.PLUS_MARKED, list(_PLUS), None, said=_PLUS)
                form.row["plus_marked"] = {"yes": True, "no": False}.get(plus or "")
            else:
                form.number("Water capacity in litres", f.WATER_CAPACITY_L, None)
                form.number("Working pressure, bar", f.WORKING_PRESSURE_BAR, None)
            form.number("Valve rated for, bar", f.VALVE_PRESSURE_BAR, None)
            form.day("Made in", f.MANUFACTURED_ON, month_will_do=True, may_be_recent=False)
            for kind, label in _INSPECTED.items():
                form.day(label, replace(f.INSPECTED_ON, name=kind), month_will_do=True)  # as stamps say it
            form.who("Who enters it")
        form.row["status"] = "in_service"
        passed = {kind: day for kind in _INSPECTED if (day := form.row.pop(kind)) is not None}
        form.also = [
            (
                "inspections",
                {"cylinder_id": form.row["cylinder_id"], "kind": kind, "inspected_on": day, "result": "pass"},
            )
            for kind, day in passed.items()
        ]
        form.submitted("Save the cylinder")
    parts.show(
        parts.note(
            "Read the stamps, not the old log. Without the days of its inspections no fill of it may be handed over. "
            "Enter a set of two by the workbook."
        )
    )


def _member(snapshot: Snapshot) -> None:
    form = EntryForm(snapshot, "member", "members", "new", PAGE)
    with st.form(f"member_{form.token}", enter_to_submit=False, border=False):
        with st.container(horizontal=True):
            form.text("Short name or number", f.MEMBER_ID)
            form.text("Name to show", f.DISPLAY_NAME, width=220)
            form.text("Address for sign-in, if any", f.EMAIL, width=260)
            form.who("Who enters it")
        form.submitted("Save the member")


def _source(snapshot: Snapshot) -> None:
    form = EntryForm(snapshot, "source", "sources", "new", PAGE)
    fed_by = sorted(snapshot.table("gas_sources")["source_id"])
    with st.form(f"source_{form.token}", enter_to_submit=False, border=False):
        with st.container(horizontal=True):
            form.text("Its name", f.SOURCE_ID)
            form.choice("Kind", f.SOURCE_KIND, f.SOURCE_KIND.choices, "compressor")
            form.choice("A bank: fed by", f.FED_BY, fed_by, None, other=True)
            form.number("A bank: oxygen, %", f.O2_PCT, None)
            form.number("A bank: size in litres", f.BANK_CAPACITY_L, None)
            form.who("Who enters it")
        if form.row["kind"] == "compressor":  # its hours and air tests are logged of it by this name
            form.also = [("compressors", {"compressor_id": form.row["source_id"]})]
        form.submitted("Save the source")
    parts.show(
        parts.caution(
            "Until a purity test of a compressor is logged (page Air), its air counts as never tested and every fill "
            "from it says so."
        )
    )


def _empty_workbook(snapshot: Snapshot, source: str) -> bytes:
    from schemas.log_workbook import known_names, template_bytes  # a tenth of what pages load, and seldom asked for

    return template_bytes(source, known_names(snapshot.table))


def workbooks(snapshot: Snapshot) -> None:
    """Empty workbooks with the station's own names, and a place to hand in filled ones."""
    with st.expander("By workbook instead: fetch an empty one, hand in a filled one"):
        source = st.selectbox("Workbook for", list(WORKBOOKS), format_func=parts.label(WORKBOOKS), key="workbook_of")
        st.download_button(
            f"Fetch {source}.xlsx",
            lambda: _empty_workbook(snapshot, source),
            f"{source}.xlsx",
            key=f"workbook_{source}",
        )
        parts.show(
            parts.note(
                "Units stand in its notes and stay metric; cylinders, members and sources of this station are in its "
                "lists. Delete the example row."
            )
        )
        hand_in.show(snapshot)
