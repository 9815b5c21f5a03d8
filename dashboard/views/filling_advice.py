"""Where to stop the next fill of the cylinder asked for."""

import numpy as np
import pandas as pd
import streamlit as st

from dashboard import parts
from dashboard.advice import (
    USUAL_MINUTES,
    Asked,
    advise,
    kind_of_source,
    needs_oxygen_service,
    oxygen_limit_pct,
    sources_to_choose,
)
from dashboard.data import Snapshot
from dashboard.standing import Standing
from schemas import words
from schemas.codes import sentence
from shared.constants import AIR_O2_PCT
from shared.filling_limits import filling_rules, refusals

SOURCES = {"compressor": "the compressor", "bank": "a bank"}


def show(snapshot: Snapshot, standing: Standing | None, fills: pd.DataFrame) -> None:
    parts.show(
        parts.heading(
            "Where to stop the next fill",
            2,
            "Computed from the heat of the fill and from what settled readings here have taught. Advice only.",
        )
    )
    if standing is None:
        parts.show(parts.plain("Name the cylinder or set above first."))
        return
    if not standing.may_be_filled:
        parts.show(parts.bar("No pressure is advised: it may not be filled", 4, parts.lines(*standing.why_not)))
        return
    unit = standing.unit
    needed = {"permitted pressure": "permitted_bar", "size": "water_capacity_l", "material": "material"}
    lacking = [name for name, column in needed.items() if not words.known(unit[column])]
    if lacking or unit["material"] not in ("steel", "aluminium", "composite"):
        parts.show(
            parts.bar(
                "No pressure is advised",
                3,
                f"Not in the register: {', '.join(lacking) or 'a known material'}. Read the stamps and add it.",
            )
        )
        return
    asked = _asked(snapshot, standing, fills)
    if asked is None:
        return
    found = _refused(snapshot, standing, asked, fills)
    if found:
        parts.show(
            parts.bar(
                "No pressure is advised: do not fill it with this",
                4,
                parts.lines(*(words.mended(code) for code in found)),
            )
        )
        return
    if asked.target_pressure_bar <= asked.start_pressure_bar:
        parts.show(parts.plain("It reads as much already. Let it cool and read it again."))
        return
    _answer(snapshot, standing, asked)


def _asked(snapshot: Snapshot, standing: Standing, fills: pd.DataFrame) -> Asked | None:
    """What is typed, begun with what the last fill was like."""
    unit, last = standing.unit, standing.last_fill
    permitted = float(unit["permitted_bar"])
    newest = fills.sort_values("filled_at").iloc[-1] if len(fills) else None
    register = snapshot.table("gas_sources")
    sources = sources_to_choose(register, fills)
    usual_source = last["source_id"] if last is not None and words.known(last["source_id"]) else sources[0]
    key = standing.unit_id
    with st.container(horizontal=True, key="advice_fields"):
        start = st.number_input(
            "Reads now, bar", 0.0, 450.0, None, 5.0, key=f"start_{key}", width=160, format="%.0f", placeholder="type it"
        )
        target = st.number_input(
            "Wanted once cold, bar", 1.0, 450.0, permitted, 5.0, key=f"target_{key}", width=180, format="%.0f"
        )
        ambient = st.number_input(
            "Surroundings, °C",
            -20.0,
            50.0,
            _told(newest, "ambient_c", 15.0),
            1.0,
            key=f"ambient_{key}",
            width=160,
            format="%.0f",
        )
        usual = _told(last, "fill_minutes", USUAL_MINUTES)
        fill_minutes = st.number_input(
            "Minutes it takes", 0.5, 300.0, usual, 1.0, key=f"minutes_{key}", width=160, format="%.0f"
        )
        o2 = st.number_input(
            "O₂ wanted, %",
            5.0,
            100.0,
            round(_told(last, "o2_pct", 20.9), 1),
            1.0,
            key=f"o2_{key}",
            width=150,
            format="%.1f",
        )
        he = st.number_input(
            "He wanted, %",
            0.0,
            95.0,
            round(_told(last, "he_pct", 0.0), 1),
            1.0,
            key=f"he_{key}",
            width=150,
            format="%.1f",
        )
        source = st.selectbox(
            "From",
            sources,
            sources.index(usual_source) if usual_source in sources else 0,
            key=f"source_{key}",
            width=180,
        )
        kind = kind_of_source(register, source) or st.selectbox(
            "That is (it is not in the register)",
            list(SOURCES),
            format_func=parts.label(SOURCES),
            key=f"kind_{key}_{source}",
            width=220,
        )
        decanted = st.checkbox("Oxygen is decanted into it", key=f"decanted_{key}")
    if start is None:
        parts.show(parts.plain("Type what it reads now: nothing is advised for a cylinder nobody has read."))
        return None
    if o2 + he > 100:
        parts.show(parts.bar("Oxygen and helium make more than 100 %", 3))
        return None
    o2 = AIR_O2_PCT if he == 0 and abs(o2 - AIR_O2_PCT) < 0.1 else o2
    return Asked(
        float(start),
        float(target),
        float(ambient),
        float(fill_minutes),
        float(o2),
        float(he),
        source,
        kind == "bank",
        bool(decanted),
    )


def _told(row: pd.Series | None, column: str, otherwise: float) -> float:
    """What a row says, where there is one and it says something."""
    return float(row[column]) if row is not None and words.known(row[column]) else otherwise


def _refused(snapshot: Snapshot, standing: Standing, asked: Asked, fills: pd.DataFrame) -> list[str]:
    rules = filling_rules(snapshot.station.get("rule_set") or "uk")
    limit = oxygen_limit_pct(rules, snapshot.policy("filling", "oxygen_limit_pct"))
    return refusals(
        list(standing.cylinders["inspection_state"]),
        withdrawn=bool((standing.cylinders["status"] == "withdrawn").any()),
        open_findings=bool(standing.open_findings),
        arrival_bar=asked.start_pressure_bar,
        least_arrival_bar=float(snapshot.policy("filling", "least_arrival_bar", 2.0)),
        oxygen_service_needed=needs_oxygen_service(asked, limit),
        oxygen_clean=bool(standing.oxygen_clean),
        air_state="failed" if _air_failed(snapshot, asked.source_id) else "",
    )


def _air_failed(snapshot: Snapshot, source_id: str) -> bool:
    """Whether the air of anything that may feed this source stands failed today."""
    register = snapshot.table("gas_sources")
    return bool((register.loc[register["source_id"] == source_id, "air_state"] == "failed").any())


def _answer(snapshot: Snapshot, standing: Standing, asked: Asked) -> None:
    model = snapshot.table("settling_model")
    try:
        told = advise(
            standing.unit,
            len(standing.cylinders),
            asked,
            model,
            snapshot.station.get("rule_set") or "uk",
            snapshot.station.get("policy", {}).get("filling", {}),
        )
    except ValueError as error:
        parts.show(parts.bar("No pressure is advised", 3, str(error)))
        return
    permitted = float(standing.unit["permitted_bar"])
    parts.show(
        parts.caution(
            "Stand clear, fill slowly, feel it with the back of the hand: hot means slower. Gauge, stamp and "
            "relief valve come before this number."
        )
    )
    if not np.isfinite(told.settles_to_bar):
        parts.show(
            parts.bar(
                f"Never above {words.number(permitted, 0, 'bar')}",
                2,
                "What it will settle to is not known for this gas and temperature.",
            )
        )
        return
    parts.show(
        parts.bar(
            f"Stop at {words.number(np.floor(told.stop_pressure_bar), 0, 'bar')}",
            2,
            parts.lines(
                "It then reads "
                f"{words.with_interval(told.settles_to_bar, told.settles_low_bar, told.settles_high_bar, 0, 'bar')} at "
                f"{words.number(told.reference_c, 0, '°C')}, 80 % interval.",
                sentence(told.limited_by) if told.limited_by else "",
                *(words.mended(code) for code in told.notes),
            ),
        )
    )
    short = told.short_bar
    parts.show(
        parts.facts(
            [
                ("Short of what was wanted", words.number(short, 0, "bar") if short >= 0.5 else "nothing"),
                ("A fill twice as slow would gain", words.number(told.slower_gain_bar, 1, "bar")),
                (
                    "A top-up once it is cool would gain",
                    words.number(told.top_up_gain_bar, 1, "bar"),
                    "to the same stop pressure",
                ),
                ("Gas at stop", words.number(told.gas_c, 0, "°C")),
                ("Permitted", words.number(permitted, 0, "bar")),
                (
                    "Learned from",
                    words.plural(int(model["settled_fills"].sum()) if len(model) else 0, "settled reading"),
                    "of this station",
                ),
            ]
        )
    )
