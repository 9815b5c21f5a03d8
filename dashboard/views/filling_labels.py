"""Fill labels on screen, to be printed from the browser: of a day, and of what one unit holds now."""

from collections.abc import Mapping
from typing import Any

import pandas as pd
import streamlit as st

from dashboard import entry_door, fills, parts
from dashboard.access import LOCAL_NETWORK
from dashboard.data import Snapshot
from schemas import labels, words
from schemas.clearance import FillClearance


def show(snapshot: Snapshot, of_day: pd.DataFrame) -> None:
    """The labels, once asked for: while they stand here, printing the page prints them alone."""
    if snapshot.viewer.role == LOCAL_NETWORK:  # a label says who analysed and for whom
        parts.show(parts.note("Labels bear names: they are printed at the station's own machine."))
        return
    if not st.toggle("Labels to print", key="labels"):
        return
    parts.show(*sheet(snapshot, of_day))


def sheet(snapshot: Snapshot, of_day: pd.DataFrame) -> list[parts.Markup]:
    """Cautions, a label for each fill that may have one, and why the others have none."""
    made = _made_at(snapshot)
    rows = of_day.assign(superseded=fills.superseded(snapshot, of_day)).to_dict("records")
    without = [(row, why) for row in rows if (why := labels.withheld(row))]
    given = [_label(_of(snapshot, row), made) for row in rows if not labels.withheld(row)]
    shown = [parts.caution(f"{labels.ANALYSE} {labels.ONE_FILL}")]
    if given:
        shown += [
            parts.note("Print this page from the browser: the labels alone are printed."),
            parts.Markup(f'<div class="labels">{"".join(given)}</div>'),
        ]
    else:
        shown.append(parts.plain("No fill of this day gets a label."))
    if without:
        shown.append(
            parts.table(
                ["Without a label", "Filled", "Why"],
                [(row["unit_id"], words.clock(row["filled_at"], snapshot.zone), why) for row, why in without],
                says="Fills without a label",
                kept=True,
            )
        )
    return shown


def tag(snapshot: Snapshot, clearance: FillClearance) -> None:
    """The tag of what is inside now, to show or print where one stands; on a nameless view it bears no names."""
    waiting = {entry.row.get("fill_id") for entry in entry_door.pending(snapshot)}
    filling = [e for e in entry_door.pending(snapshot) if e.source == "fills" and _is_of(e.row, clearance)]
    if filling:
        parts.show(parts.plain("A fill of it is saved and being computed: its tag follows with its verdict."))
        return
    made = _made_at(snapshot)
    labels_given = []
    for row in clearance.inside.assign(superseded=False).to_dict("records"):
        filled = f"{row['unit_id']}, filled {words.clock(row['filled_at'], snapshot.zone)}"
        if row["fill_id"] in waiting:
            parts.show(parts.plain(f"{filled}: what you saved of it is being computed, and its tag with it."))
        elif why := labels.withheld(row):
            parts.show(parts.bar(f"No tag for {filled}", 4, why))
        else:
            labels_given.append(_label(_of(snapshot, row), made))
    if labels_given:
        parts.show(
            parts.note("Print this page from the browser: the tag alone is printed."),
            parts.Markup(f'<div class="labels">{"".join(labels_given)}</div>'),
            parts.caution(f"{labels.ANALYSE} {labels.ONE_FILL}"),
        )
    elif clearance.inside.empty:
        parts.show(parts.plain("No fill of it is known: there is nothing to put on a tag."))


def _is_of(row: Mapping[str, str], clearance: FillClearance) -> bool:
    return row.get("unit_id") in (clearance.whole, clearance.unit_id)


def _made_at(snapshot: Snapshot) -> str:
    made = pd.Timestamp(snapshot.manifest.created_at)
    return words.clock(made.tz_localize("UTC") if made.tz is None else made, snapshot.zone)


def _of(snapshot: Snapshot, row: Any) -> labels.Label:
    ppo2_bar = float(snapshot.policy("filling", "ppo2_bar"))
    return labels.label(row, snapshot.zone, ppo2_bar, snapshot.names())


def _label(one: labels.Label, made_at: str) -> str:
    warning = f'<div class="mix">{parts.text(one.warning)}</div>' if one.warning else ""
    depth = f'<div class="depth">{parts.text(one.depth)}</div>' if one.depth else ""
    lines = "".join(f"<dt>{parts.text(term)}</dt><dd>{parts.text(value)}</dd>" for term, value in one.lines)
    write = '<span class="write">&nbsp;</span>'
    return (
        f'<div class="label"><div class="unit">{parts.text(one.unit_id)}</div>{warning}'
        f'<div class="mix">{parts.text(one.mix)}</div>{depth}<dl>{lines}</dl>'
        f"<div>My analysis: O₂ {write} % He {write} % signed {write}</div>"
        f"<small>{parts.text(labels.ANALYSE)} {parts.text(made_at)}</small></div>"
    )
