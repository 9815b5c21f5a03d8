"""What can be put right on the page Inbox: a role, a member, a missing row of a register, a unit, a problem to leave.

Each is one small file of a form, like any other entry; a run follows and closes what it settles.
"""

import hashlib

import pandas as pd
import streamlit as st

from dashboard import entry_door, parts
from dashboard.access import may_log, may_see
from dashboard.data import Snapshot
from dashboard.entry_form import EntryForm, who_logs
from dashboard.problems import Cause
from dashboard.rows import Row
from dashboard.views import saved
from schemas import fields as f
from schemas import words
from schemas.clearance import fillable_units
from schemas.codes import sentence
from schemas.entries import Written

PAGE = "inbox"
#: forms of one kind that stand on the page at once
MOST_SHOWN = 12
#: of these, those that stand open
AT_ONCE = 2
#: problems that one press dismisses, as the command does
MOST_DISMISSED = 200
ROLES = {
    "back": "back gas",
    "stage": "stage",
    "deco": "decompression gas",
    "bailout": "bailout",
    "suit": "suit gas",
    "oxygen": "oxygen of a rebreather",
    "diluent": "diluent of a rebreather",
}


def may_fix(snapshot: Snapshot) -> bool:
    """Whether the viewer may put anything right here."""
    return may_log(snapshot.viewer, "link")


def can_fix(cause: Cause) -> bool:
    """Whether one choice on the page puts it right."""
    return bool(cause.value) and (cause.rule in ("uddf_role_unknown", "uddf_no_member") or bool(cause.register))


def fix(snapshot: Snapshot, cause: Cause) -> bool:
    """The one choice that puts a cause right; gives whether the answer to what was saved last stands here."""
    if waiting := _said(snapshot, cause):
        return _answer(snapshot, waiting[-1])
    if cause.rule == "uddf_role_unknown":
        _link(snapshot, cause, "role", "It was carried as", ROLES, "Save the role")
    elif cause.rule == "uddf_no_member":
        _link(snapshot, cause, "member", "They are the dives of", snapshot.names(), "Save whose they are")
    elif cause.register == "cylinders":
        _cylinder(snapshot, cause.value)
    elif cause.register == "members":
        _member(snapshot, cause.value)
    return False


def _answer(snapshot: Snapshot, entry: Written) -> bool:
    """What was saved, in the place of its form; gives whether it is what this browser saved last."""
    last = saved.newest_own(snapshot)
    mine = last is not None and last.file == entry.file
    note = parts.note(f"Saved, being computed: {saved.said(snapshot, entry)}")
    parts.show(parts.answer(note) if mine else note)
    return mine


def _said(snapshot: Snapshot, cause: Cause) -> list[Written]:
    """What settles it, saved and not computed yet."""
    key = {"cylinders": "cylinder_id", "members": "member_id"}.get(cause.register, "source_ref")
    source = cause.register or "links"
    return [e for e in entry_door.pending(snapshot) if e.source == source and e.row.get(key) == cause.value]


def _about(*names: str) -> str:
    return hashlib.sha256("|".join(names).encode()).hexdigest()[:12]


def _link(snapshot: Snapshot, cause: Cause, kind: str, label: str, choices: dict[str, str], save: str) -> None:
    form = EntryForm(snapshot, "link", "links", _about(cause.key), PAGE)
    form.row |= {"source_ref": cause.value, "kind": kind, "member_id": cause.member_id or None}
    with (
        st.form(f"link_{form.token}", enter_to_submit=False, border=False),
        st.container(horizontal=True, vertical_alignment="bottom"),
    ):
        form.choice(label, f.TARGET_ID, list(choices), None, said=choices, width=260)
        form.by = who_logs()
        form.submitted(save, reminds=False)


def _cylinder(snapshot: Snapshot, name: str) -> None:
    form = EntryForm(snapshot, "register", "cylinders", name, PAGE)
    form.row |= {"cylinder_id": name, "status": "in_service"}
    names = {"station": "the station"} | snapshot.names()
    with (
        st.expander(f"Add {name} to the register", expanded=form.was_refused),
        st.form(f"cylinder_{form.token}", enter_to_submit=False, border=False),
    ):
        with st.container(horizontal=True):
            form.choice("Whose", f.OWNER_ID, list(names), "station", said=names, width=220)
            form.choice("Material", f.MATERIAL, f.MATERIAL.choices or (), None)
            form.number("Size, litres", f.WATER_CAPACITY_L, None)
            form.number("Working pressure, bar", f.WORKING_PRESSURE_BAR, None)
            form.number("Test pressure, bar", f.TEST_PRESSURE_BAR, None)
            form.number("Valve, bar", f.VALVE_PRESSURE_BAR, None)
            form.day("Made in", f.MANUFACTURED_ON, month_will_do=True, may_be_recent=False)
        form.by = who_logs()
        form.submitted(f"Add {name}", reminds=False)
        parts.show(
            parts.caution(
                "Read each figure off the stamp and the valve. It counts as out of test until an inspection is logged."
            )
        )


def _member(snapshot: Snapshot, name: str) -> None:
    form = EntryForm(snapshot, "register", "members", name, PAGE)
    form.row["member_id"] = name
    with (
        st.form(f"member_{form.token}", enter_to_submit=False, border=False),
        st.container(horizontal=True, vertical_alignment="bottom"),
    ):
        form.text("Name of the member", f.DISPLAY_NAME, width=260)
        form.by = who_logs()
        form.submitted(f"Add {name}", reminds=False)


# --- tanks without a unit -------------------------------------------------------------------------
def tanks(snapshot: Snapshot) -> bool:
    """Tanks of dives that no unit is known for, each with the one it probably was, to accept with one tap.

    Gives whether the answer to what was saved last stands among them.
    """
    if not may_see(snapshot.viewer, "tank_suggestions"):
        return False
    found = snapshot.table("tank_suggestions")
    known = set(zip(found["source_ref"], found["member_id"], strict=True))
    waiting = {
        pair: e
        for e in entry_door.pending(snapshot)
        if e.source == "links" and (pair := (e.row.get("source_ref"), e.row.get("member_id"))) in known
    }
    settled = [pair in waiting for pair in zip(found["source_ref"], found["member_id"], strict=True)]
    found = found[~pd.Series(settled, index=found.index, dtype=bool)]
    if found.empty and not waiting:
        return False
    groups = [g.sort_values("started_at") for _, g in found.groupby(["member_id", "source_ref"], sort=False)]
    groups.sort(key=lambda g: (not words.known(g["suggested_unit_id"].iloc[0]), -len(g)))
    parts.show(
        parts.heading(
            f"Tanks of dives without a unit: {len(groups)}",
            2,
            "Until somebody says which cylinder it was, the dive does not start from its fill. Where none is "
            "suggested, nothing says which, or two are as likely.",
        )
    )
    if not may_fix(snapshot):
        parts.show(parts.plain("Ask who runs the station to say which they were."))
        return False
    answered = [_answer(snapshot, entry) for entry in waiting.values()]
    names, whole = snapshot.names(), fillable_units(snapshot.table("units"))
    for group in groups[:AT_ONCE]:
        _tank(snapshot, group, names, whole)
    if len(groups) > AT_ONCE:
        with st.expander(f"Show all {len(groups)}"):
            for group in groups[AT_ONCE:MOST_SHOWN]:
                _tank(snapshot, group, names, whole)
    if len(groups) > MOST_SHOWN:
        parts.show(parts.note(f"The first {MOST_SHOWN} of {len(groups)}; the others follow as these are answered."))
    return any(answered)


def _tank(snapshot: Snapshot, group: pd.DataFrame, names: dict[str, str], whole: list[str]) -> None:
    row: Row = group.iloc[-1]
    suggested = str(row["suggested_unit_id"]) if words.known(row["suggested_unit_id"]) else None
    why = [sentence(code).rstrip(".") for code in words.listed(row["reasons"])]
    parts.show(
        parts.Markup(
            f"<h3>{parts.text(_whose(snapshot, group, names))}</h3>"
            + (
                f"<p>Probably <strong>{parts.text(suggested)}</strong>. {parts.text('. '.join(why))}.</p>"
                if suggested
                else ""
            )
        )
    )
    form = EntryForm(snapshot, "link", "links", _about(str(row["member_id"]), str(row["source_ref"])), PAGE)
    form.row |= {"source_ref": row["source_ref"], "kind": "cylinder", "member_id": row["member_id"]}
    likely = [*([suggested] if suggested else []), *words.listed(row["other_unit_ids"])]
    with (
        st.form(f"tank_{form.token}", enter_to_submit=False, border=False),
        st.container(horizontal=True, vertical_alignment="bottom"),
    ):
        form.choice("It was", f.TARGET_ID, list(dict.fromkeys([*likely, *whole])), suggested, width=220)
        form.by = who_logs()
        form.submitted("Accept" if suggested else "Save", reminds=False)


def _whose(snapshot: Snapshot, group: pd.DataFrame, names: dict[str, str]) -> str:
    """'Ilva Tarn, tk-0413, 12.0 L, back: 28 dives, 5 Apr 2031 to 3 May 2031'."""
    row = group.iloc[-1]
    first, last = (words.day(group["started_at"].iloc[n].tz_convert(snapshot.zone).tz_localize(None)) for n in (0, -1))
    own = str(row["tank_ref"]) if words.known(row["tank_ref"]) else f"tank {row['tank_no']}, which has no name"
    size = words.capacity(row["water_capacity_l"], None) if words.known(row["water_capacity_l"]) else "size not stated"
    when = last if len(group) == 1 else f"{words.plural(len(group), 'dive')}, {first} to {last}"
    role = ROLES.get(str(row["role"]), str(row["role"]))
    return f"{names.get(row['member_id'], row['member_id'])}: {own}, {size}, {role}. {words.capital(when)}"


# --- problems to leave ----------------------------------------------------------------------------
def dismissal(snapshot: Snapshot, found: list[Cause]) -> bool:
    """One cause that somebody decides to leave as it is, with the reason; gives as `fix` does."""
    left = [e for e in entry_door.pending(snapshot) if e.source == "withdrawals"]
    answered = _answer(snapshot, left[-1]) if left else False
    gone = {e.row.get("key") for e in left}
    listed = {c.key: c for c in found if c.numbers and not gone.issuperset(c.numbers)}
    if not listed or not may_log(snapshot.viewer, "dismiss"):
        return answered
    form = EntryForm(snapshot, "dismiss", "withdrawals", "problems", PAGE)
    with (
        st.expander("Leave one as it is, with the reason", expanded=form.was_refused),
        st.form(f"dismiss_{form.token}", enter_to_submit=False, border=False),
    ):
        with st.container(horizontal=True, vertical_alignment="bottom"):
            said = {key: cause.says for key, cause in listed.items()}
            which = form.choice("Which", f.WITHDRAWN_KEY, list(said), None, said=said, width=420)
            form.text("Why it stays so", f.REASON, width=320)
        form.by = who_logs()
        numbers = listed[which].numbers if which in listed else []
        form.row |= {"source": "problems", "key": None, "withdrawn_by": form.by}
        form.each = {"key": numbers[:MOST_DISMISSED]}
        form.at_saving(f.WITHDRAWN_AT)
        form.submitted("Leave it so", reminds=False)
        parts.show(
            parts.note(
                "The rows stay rejected, listed as dismissed with your name; `coldfill reinstate` takes it back."
            )
        )
    return answered
