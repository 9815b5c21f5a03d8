"""Fill labels of a day on screen, to be printed from the browser."""

import pandas as pd
import streamlit as st

from dashboard import parts
from dashboard.access import LOCAL_NETWORK
from dashboard.data import Snapshot
from schemas import labels, words


def show(snapshot: Snapshot, fills: pd.DataFrame, of_day: pd.DataFrame) -> None:
    """The labels, once asked for: while they stand here, printing the page prints them alone."""
    if snapshot.viewer.role == LOCAL_NETWORK:  # a label says who analysed and for whom
        parts.show(parts.note("Labels bear names: they are printed at the station's own machine."))
        return
    if not st.toggle("Labels to print", key="labels"):
        return
    parts.show(*sheet(snapshot, fills, of_day))


def sheet(snapshot: Snapshot, fills: pd.DataFrame, of_day: pd.DataFrame) -> list[parts.Markup]:
    """Cautions, a label for each fill that may have one, and why the others have none."""
    names, ppo2_bar = snapshot.names(), float(snapshot.policy("filling", "ppo2_bar"))
    made = pd.Timestamp(snapshot.manifest.created_at)
    made = made.tz_localize("UTC") if made.tz is None else made
    rows = of_day.assign(superseded=labels.superseded(fills).reindex(of_day.index)).to_dict("records")
    without = [(row, why) for row in rows if (why := labels.withheld(row))]
    given = [
        _label(
            labels.label(row, snapshot.zone, ppo2_bar, names),
            words.clock(made, snapshot.zone),
        )
        for row in rows
        if not labels.withheld(row)
    ]
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


def _label(one: labels.Label, made_at: str) -> str:
    suit = f'<div class="mix">{parts.text(labels.NOT_BREATHABLE)}</div>' if one.not_breathable else ""
    lines = "".join(f"<dt>{parts.text(term)}</dt><dd>{parts.text(value)}</dd>" for term, value in one.lines)
    write = '<span class="write">&nbsp;</span>'
    return (
        f'<div class="label"><div class="unit">{parts.text(one.unit_id)}</div>{suit}'
        f'<div class="mix">{parts.text(one.mix)}</div><dl>{lines}</dl>'
        f"<div>My analysis: O₂ {write} % He {write} % signed {write}</div>"
        f"<small>{parts.text(labels.ANALYSE)} {parts.text(made_at)}</small></div>"
    )
