"""Filling: may this one be filled, what is held back, what is really in the fills, where to stop."""

import pandas as pd
import streamlit as st

from dashboard import fills as of_fills
from dashboard import parts
from dashboard.access import ALONE, LOCAL_NETWORK, MANAGER, OPERATOR
from dashboard.data import Snapshot
from dashboard.views import (
    filling_advice,
    filling_day,
    filling_held,
    filling_log,
    filling_recipe,
    filling_season,
    first_steps,
    saved,
)
from schemas import holds, words
from schemas.clearance import FillClearance, fill_clearance, fillable_units

TITLE = "Filling"
#: roles that may open this page; what tables each sees stands in access.py
OPEN_TO = (ALONE, LOCAL_NETWORK, MANAGER, OPERATOR)
#: what the pressure of a fill rests on, by the basis of its gas temperature
_READ_OR_NOT = {"settled": "read once settled", "wall": "computed", "model": "computed"}

PARTS = {
    "held": "Held back",
    "day": "Fills of a day",
    "advice": "Where to stop",
    "recipe": "Recipe",
    "season": "Over the season",
}
LOG = {"log": "Log it"}
#: the unit that another page turned to
ARRIVED_AT = "unit_arrived_at"
#: the part about the unit named, under which stands what is known of it; above any other that is kept short
ABOUT_IT = ("advice",)


def page(snapshot: Snapshot) -> None:
    units, health, sources = (snapshot.table(t) for t in ("units", "cylinder_health", "gas_sources"))
    fills = of_fills.inside(snapshot)
    beginning = first_steps.wanted(snapshot, fills)
    if beginning and not first_steps.show(snapshot):
        return
    listed = fillable_units(units)
    if beginning and len(listed) == 1:  # there is nothing to choose
        st.session_state.setdefault("unit", listed[0])
    chosen = st.selectbox(
        "Which cylinder or set?",
        listed,
        index=None,
        accept_new_options=True,
        key="unit",
        bind="query-params",
        placeholder="Type its name, or pick it",
    )
    clearance = fill_clearance(chosen, units, health, fills, sources) if chosen else None
    _turn_to_advice(chosen)
    brief = st.session_state.get("filling_part", "advice") not in ABOUT_IT
    with parts.place():
        if clearance and st.session_state.get(ARRIVED_AT) == chosen and not st.session_state.get("saved_entries"):
            answer(clearance, brief=brief, opened=True)
        elif clearance:
            answer(clearance, brief=brief)
        else:
            parts.show(parts.note("Type or pick one: whether it may be filled today, and why not, stands here first."))
            not_to_fill_from(holds.failed_sources(sources))
    if not (beginning or (clearance and st.session_state.get("filling_part") == "log")):
        saved.show(snapshot)
    offered = PARTS | (LOG if filling_log.may_ever(snapshot) else {})
    part = parts.chosen_part("More on Filling", offered, "filling_part", _part_first(chosen, beginning))
    if part == "held":
        filling_held.show(snapshot, fills, clearance)
    elif part == "day":
        parts.by_itself(filling_day.show, snapshot)
    elif part == "advice":
        parts.by_itself(filling_advice.show, snapshot, clearance, of_fills.lately(snapshot))
    elif part == "recipe":
        parts.by_itself(filling_recipe.show, snapshot, clearance, of_fills.lately(snapshot))
    elif part == "log":
        named = {str(clearance.unit_id), str(clearance.whole)} if clearance else set()
        filling_log.show(snapshot, clearance, of_fills.lately(snapshot, named))
    else:
        filling_season.show(snapshot)
    if clearance and clearance.unit is not None and part in ABOUT_IT:
        known_of(snapshot, clearance)


def _part_first(chosen: str | None, beginning: bool) -> str:
    """The part that stands open first: of a station without a fill, that which logs one."""
    return "log" if beginning else "advice" if chosen else "held"


def _turn_to_advice(chosen: str | None) -> None:
    """Whoever names a unit while the hold list stands there wants to know where to stop."""
    before = st.session_state.get("unit_before", chosen)
    st.session_state["unit_before"] = chosen
    if chosen and before != chosen and st.session_state.get("filling_part") == "held":
        st.session_state["filling_part"] = "advice"


def answer(clearance: FillClearance, *, brief: bool = False, opened: bool = False) -> None:
    """The answer at the compressor, the worst first; `brief` folds away what is not the worst.

    `opened`: from another page, which may have been scrolled far down: the focus goes to the answer.
    """
    verdict = _verdict(clearance, brief=brief)
    parts.show(parts.answer(verdict) if opened else verdict)
    if opened:
        parts.tell(f"{clearance.unit_id or clearance.asked}: whether it may be filled, and what is next for it.")
    if clearance.unit is None:
        parts.show(parts.caution(words.WHO_DECIDES))
        return
    fill = clearance.last_fill
    if not clearance.held and fill is not None and fill["verdict"] in ("attention", "short"):
        said = f"Last fill: {words.VERDICTS[fill['verdict']]}"
        reasons = _first_of(fill) if brief else parts.reasons(fill)
        parts.show(parts.bar(said, words.VERDICT_WEIGHT[fill["verdict"]], reasons))
    findings = [words.with_fix(code, row) for code, row in clearance.look_first]
    if findings:
        parts.show(parts.bar("Look first", 3, parts.lines(*dict.fromkeys(findings))))


def known_of(snapshot: Snapshot, clearance: FillClearance) -> None:
    """The figures behind the answer, and the caution."""
    unit, due, fill = clearance.unit, clearance.next_due, clearance.last_fill
    parts.show(parts.heading(f"What is known of {clearance.unit_id}", 2))
    rows: list[tuple] = [
        (
            "Permitted pressure",
            words.number(unit["permitted_bar"], 0, "bar"),
            "least of cylinder and valve; read the stamps",
        ),
        (
            "Next due",
            words.day(due["next_due_on"]) if due is not None else words.UNKNOWN,
            f"{words.KINDS.get(due['next_due_kind'], due['next_due_kind'])}, {words.days_away(due['days_to_due'])}"
            if due is not None
            else "",
        ),
        (
            "Size",
            f"{words.capacity(unit['water_capacity_l'], unit['working_pressure_bar'])} {unit['material']}",
            ("both sides together" if clearance.unit_id == clearance.whole else "this side alone")
            if len(clearance.cylinders) > 1
            else "",
        ),
    ]
    clean = _oxygen_service(clearance.oxygen_clean)
    rows.append(("Oxygen service today", clean, "by its inspections; the label on it decides"))
    if fill is None:
        rows.append(("Last fill", words.UNKNOWN, "no fill logged"))
    else:
        when = words.clock(fill["filled_at"], snapshot.zone)
        rows += [
            ("Last mix", words.mix(fill["o2_pct"], fill["he_pct"]), words.MIX_VERDICTS.get(fill["mix_verdict"], "")),
            (
                f"Last pressure at {words.number(15, 0, '°C')}",
                words.with_interval(
                    fill["settled_pressure_bar_15c"],
                    fill["settled_low_bar_15c"],
                    fill["settled_high_bar_15c"],
                    0,
                    "bar",
                ),
                f"{_READ_OR_NOT.get(fill['gas_c_basis'], words.UNKNOWN)}, 80 % interval; filled {when}",
            ),
            ("Air of its last fill", holds.air(fill), "by the tests of its source"),
        ]
    holder = [h for h in clearance.cylinders["held_by"].dropna().unique() if h != "station"]
    if holder:
        names = snapshot.names()
        rows.append(("Out with", ", ".join(names.get(h, h) for h in holder)))
    parts.show(parts.facts(rows))
    if clearance.remarks:
        parts.show(parts.items(clearance.remarks))
    least = snapshot.policy("filling", "least_arrival_bar")
    parts.show(
        parts.caution(
            f"{words.WHO_DECIDES} Arrived under {words.number(least, 0, 'bar')}, wet, dented, or a stamp that "
            "differs from this page: do not "
            "fill, send it to inspection. Stand clear, fill slowly, never above the stamp. Oxygen only into a "
            "cylinder, valve and whip "
            "that are clean for it, opened slowly."
        )
    )


def _verdict(clearance: FillClearance, *, brief: bool) -> parts.Markup:
    """The one that counts, the worst first, in one bar: no word of 'may' stands beside a 'do not'."""
    name = clearance.unit_id or clearance.asked
    failed = _failed_lines(clearance.failed_sources)
    held = [_hold(clearance, row, brief=brief) for row in clearance.held]
    if not clearance.may_be_filled:
        word = f"{name}: may not be filled"
        word += ", and what is in it not handed over" if held else ""
        return parts.bar(word, 4, parts.Markup(parts.lines(*clearance.why_not) + "".join(held)))
    dates = "Its dates allow a fill: look at the stamp, the valve and the cylinder itself first."
    sources = ", ".join(clearance.failed_sources["source_id"])
    if held:
        more = parts.lines(dates) + (_not_from(sources, failed, brief=brief) if sources else "")
        return parts.bar(f"{name}: hold, do not hand it over", 4, parts.Markup("".join(held) + more))
    look = f"In date by the log{_in_short(clearance)}. Look at the stamp, the valve and the cylinder itself first."
    if not sources:
        return parts.bar(f"{name}: may be filled today", 1, look)
    why = _not_from(sources, failed, brief=brief)
    return parts.bar(f"{name}: may be filled today, but not from {sources}", 3, parts.Markup(parts.text(look) + why))


def _in_short(clearance: FillClearance) -> str:
    """What it may hold, what is due next and whether it is clean for oxygen, as far as they are known."""
    permitted = words.number(clearance.unit["permitted_bar"], 0, "bar")
    due = f"; next due {words.day(clearance.next_due['next_due_on'])}" if clearance.next_due is not None else ""
    return f"{due}; permitted {permitted}; oxygen service {_oxygen_service(clearance.oxygen_clean)}"


def _not_from(sources: str, failed: list[str], *, brief: bool) -> str:
    title = f"Not from {sources}: air test failed"
    return parts.folded(title, failed) if brief else f"<br>{parts.lines(f'Not from {sources}:', *failed)}"


def _hold(clearance: FillClearance, row: dict, *, brief: bool) -> parts.Markup:
    """Why the gas of one fill is held; of several, which one."""
    which = "" if len(clearance.inside) == 1 else f"The gas of {row['unit_id']} ({row['fill_id']}): "
    return parts.Markup(f"<div>{parts.text(which)}{_first_of(row) if brief else parts.reasons(row)}</div>")


def _first_of(row) -> parts.Markup:
    """The worst reason; the others fold away."""
    found = words.listed(row["reasons"])
    if not found:
        return parts.text("No reason is published.")
    first, *others = [words.with_fix(code, dict(row)) for code in found]
    return parts.Markup(parts.text(first) + parts.folded(words.plural(len(others), "more reason"), others))


def not_to_fill_from(failed: pd.DataFrame) -> None:
    """Compressors and banks whose air stands failed, whatever is to be filled."""
    if len(failed):
        named = ", ".join(failed["source_id"])
        parts.show(parts.bar(f"Do not fill from {named}", 4, parts.lines(*_failed_lines(failed))))


def _failed_lines(failed: pd.DataFrame) -> list[str]:
    why = dict.fromkeys(holds.why_failed(row) for row in failed.to_dict("records"))
    return [*(f"{words.capital(line)}." for line in why), "Until what failed passes a test."] if why else []


def _oxygen_service(clean: bool | None) -> str:
    return words.UNKNOWN if clean is None else "clean" if clean else "not clean"
