"""Where to stop the next fill of the cylinder asked for."""

from dataclasses import asdict, replace
from dataclasses import fields as fields_of

import numpy as np
import pandas as pd
import streamlit as st
from streamlit.delta_generator import DeltaGenerator as Container

from dashboard import in_celsius, parts
from dashboard.data import Snapshot
from dashboard.unit_field import number_field
from schemas import fields as f
from schemas import reading_units, words
from schemas.advice import (
    Asked,
    advise,
    inside_of,
    learned_for,
    methods_to_choose,
    refused,
    source_of,
    sources_to_choose,
    station_of,
)
from schemas.clearance import FillClearance
from schemas.codes import sentence
from schemas.policy import Filling
from shared.filling.conditions import usual_minutes
from shared.filling.stop_advice import StopAdvice
from shared.gas.constants import AIR_O2_PCT
from shared.gas.mixing import share_for_per_cent

#: rise of a usual fill, for the minutes it is begun with where no fill of this one was timed
USUAL_RISE_BAR = 150.0
SOURCES = {"compressor": "the compressor", "bank": "a bank"}


def show(snapshot: Snapshot, clearance: FillClearance | None, fills: pd.DataFrame) -> None:
    parts.show(
        parts.heading(
            "Where to stop the next fill",
            2,
            "Computed from the heat of the fill and from what settled readings here have taught. Advice only.",
        )
    )
    if clearance is None:
        parts.show(parts.plain("Name the cylinder or set above first."))
        return
    if not clearance.may_be_filled:
        parts.show(parts.plain("No pressure is advised: it may not be filled, for what stands above."))
        return
    unit = clearance.unit
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
    # under what is typed stands the answer; what it is taken for can be read and changed below it
    typed, answer = st.container(horizontal=True, key="advice_fields"), st.container()
    with st.container(key="advice_taken_for"):
        parts.show(parts.note("Taken for this; change what differs:"))
        taken_for = st.container(horizontal=True, key="advice_more_fields")
    with answer:
        _said(snapshot, clearance, fills, typed, taken_for)


def _said(
    snapshot: Snapshot, clearance: FillClearance, fills: pd.DataFrame, typed: Container, taken_for: Container
) -> None:
    asked = _asked(snapshot, clearance, fills, typed, taken_for)
    if asked is None:
        return
    found = _refused(snapshot, clearance, asked)
    if found:
        parts.show(
            parts.bar(
                "No pressure is advised: do not fill it with this",
                4,
                parts.lines(*(words.with_fix(code) for code in found)),
            )
        )
        return
    if not asked.source.known and len(clearance.failed_sources):
        parts.show(
            parts.bar(
                f"{asked.source.source_id} is not in the register",
                3,
                "While a compressor's air stands failed, make sure that it is not where this gas comes from.",
            )
        )
    _answer(snapshot, clearance, asked, fills)


def _asked(
    snapshot: Snapshot, clearance: FillClearance, fills: pd.DataFrame, typed: Container, taken_for: Container
) -> Asked | None:
    """What is typed, begun with what the last fill was like."""
    unit, last = clearance.unit, clearance.last_fill
    newest = fills.sort_values("filled_at").iloc[-1] if len(fills) else None
    register = snapshot.table("gas_sources")
    sources = sources_to_choose(register, fills)
    usual_source = last["source_id"] if last is not None and words.known(last["source_id"]) else sources[0]
    key = clearance.unit_id
    with typed:
        start = number_field("Reads now, bar", f.START_PRESSURE_BAR, None, f"start_{key}", placeholder="type it")
        target = number_field(
            "Wanted once cold, bar", f.TARGET_PRESSURE_BAR, float(unit["permitted_bar"]), f"target_{key}"
        )
    with taken_for:
        ambient = number_field("Surroundings, °C", f.AMBIENT_C, last_or(newest, "ambient_c", 15.0), f"ambient_{key}")
        gas = number_field("The cylinder itself, °C", f.AMBIENT_C, None, f"gas_{key}", placeholder="as room")
        _ask_of_warmth(fills, ambient)
        o2 = number_field("O₂ wanted, %", f.O2_PCT, last_or(last, "o2_pct", 20.9), f"o2_{key}", digits=1)
        he = number_field("He wanted, %", f.HE_PCT, last_or(last, "he_pct", 0.0), f"he_{key}", digits=1)
        source = source_of(
            register,
            st.selectbox(
                "From",
                sources,
                sources.index(usual_source) if usual_source in sources else 0,
                key=f"source_{key}",
                width=156,
            ),
        )
        if not source.kind:
            kind = st.selectbox(
                "That is (it is not in the register)",
                list(SOURCES),
                format_func=parts.label(SOURCES),
                key=f"kind_{key}_{source.source_id}",
                width=220,
            )
            source = replace(source, kind=kind)
        usual = usual_minutes(
            source.is_bank, float(unit["water_capacity_l"]), float(target or 200.0) - float(start or 0)
        )
        minutes = number_field(
            "Minutes it takes", f.FILL_MINUTES, last_or(last, "fill_minutes", float(usual)), f"minutes_{key}"
        )
        methods = methods_to_choose(float(o2 or np.nan), float(he or 0.0), source)
        method = methods[0]
        if len(methods) > 1:
            # a ready bank is what a bank is for; how a compressor's mix is made only a person can say
            method = st.selectbox(
                "How the mix gets in",
                methods,
                0 if source.is_bank else None,
                format_func=parts.label(words.FILL_METHODS),
                key=f"method_{key}_{source.source_id}",
                placeholder="choose",
                width=260,
            )
    if start is None:
        parts.show(parts.plain("Type what it reads now: nothing is advised for a cylinder nobody has read."))
        return None
    if method is None:
        parts.show(parts.plain("Say below how the mix gets in: oxygen that is decanted asks for a clean cylinder."))
        return None
    if target is None or ambient is None or minutes is None or o2 is None or he is None:
        parts.show(parts.plain("A figure is missing: pressure wanted, surroundings, minutes, oxygen and helium."))
        return None
    for gas_name, value in (("oxygen", o2), ("helium", he)):
        if share_for_per_cent(value):
            parts.show(
                parts.bar(f"{value:g} % {gas_name}: a share? Did you mean {100 * value:g} %?", 3, "Type per cent.")
            )
            return None
    if o2 + he > 100:
        parts.show(parts.bar("Oxygen and helium make more than 100 %", 3))
        return None
    o2 = AIR_O2_PCT if he == 0 and abs(o2 - AIR_O2_PCT) < 0.1 else o2
    return Asked(start, target, ambient, minutes, o2, he, source, method, np.nan if gas is None else gas)


def last_or(row: pd.Series | None, column: str, otherwise: float) -> float:
    """What a row says, where there is one and it says something."""
    return float(row[column]) if row is not None and words.known(row[column]) else otherwise


def _refused(snapshot: Snapshot, clearance: FillClearance, asked: Asked) -> list[str]:
    return refused(clearance, asked, snapshot.table("gas_sources"), _rule_set(snapshot), _filling(snapshot))


def _rule_set(snapshot: Snapshot) -> str:
    return str(snapshot.station.get("rule_set") or "uk")


def _filling(snapshot: Snapshot) -> Filling:
    return Filling(**{one.name: snapshot.policy("filling", one.name) for one in fields_of(Filling)})


def _answer(snapshot: Snapshot, clearance: FillClearance, asked: Asked, fills: pd.DataFrame) -> None:
    unit = clearance.unit
    station = station_of(fills, asked.source.source_id)
    learned = learned_for(
        snapshot.table("settling_model"),
        station,
        asked.source.source_id,
        unit["material"],
        float(unit["water_capacity_l"]),
    )
    try:
        advice = advise(
            unit,
            len(clearance.cylinders),
            asked,
            learned,
            _rule_set(snapshot),
            _filling(snapshot),
            inside_of(clearance),
        )
    except ValueError as error:
        parts.show(parts.bar("No pressure is advised", 3, str(error)))
        return
    permitted = float(unit["permitted_bar"])
    row = asdict(advice) | {"permitted_bar": permitted, "target_pressure_bar": asked.target_pressure_bar}
    if advice.nothing_to_add:
        _nothing_to_add(advice, row)
    else:
        _stop_at(advice, row)
    parts.show(
        parts.caution(
            "Stand clear, fill slowly, feel it with the back of the hand: hot means slower. Gauge, stamp and "
            "relief valve come before this number."
        )
    )
    facts: list[tuple] = [
        ("What is inside settles at", words.number(advice.inside_settles_bar, 0, "bar"), "before anything is added"),
        (
            "Short of what was wanted",
            words.number(advice.short_bar, 0, "bar") if advice.short_bar >= 0.5 else "nothing",
        ),
        *([] if advice.nothing_to_add else [("Gas at stop", words.number(advice.gas_c, 0, "°C"))]),
        ("Permitted", words.number(permitted, 0, "bar"), f"settled at {words.number(advice.reference_c, 0, '°C')}"),
        (
            "Learned from",
            words.plural(learned.settled_fills, "settled reading"),
            "of this station",
        ),
    ]
    if advice.short_bar >= 0.5:
        facts[2:2] = [
            ("A fill twice as slow would gain", *_gain(advice.slower_gain_bar, advice.slower_stop_bar)),
            ("A top-up once it is cool would gain", *_gain(advice.top_up_gain_bar, advice.top_up_stop_bar)),
        ]
    parts.show(parts.facts(facts))


def _gain(gain_bar: float, stop_bar: float) -> tuple[str, str]:
    if gain_bar < 0.05:
        return "nothing", ""
    return words.number(gain_bar, 1, "bar"), f"stopping at {words.down(stop_bar, 'bar')}"


def _nothing_to_add(advice: StopAdvice, row: dict) -> None:
    over = advice.nothing_to_add == "inside_above_permitted"
    parts.show(
        parts.bar(
            f"Nothing to add: it settles at {words.number(advice.inside_settles_bar, 0, 'bar')}",
            4 if over else 2,
            parts.lines(*(words.with_fix(code, row) for code in (advice.nothing_to_add, *advice.notes))),
        )
    )


def _stop_at(advice: StopAdvice, row: dict) -> None:
    stop = f"Stop at {words.down(advice.stop_pressure_bar, 'bar')}"
    why = sentence(advice.limited_by, row) if advice.limited_by else ""
    notes = [words.with_fix(code, row) for code in advice.notes]
    if not np.isfinite(advice.settles_to_bar):
        unknown = "What it will settle to is not known for this gas and temperature."
        parts.show(parts.bar(stop, 2, parts.lines(unknown, why, *notes)))
        return
    reads = words.with_interval(advice.settles_to_bar, advice.settles_low_bar, advice.settles_high_bar, 0, "bar")
    at = words.number(advice.reference_c, 0, "°C")
    parts.show(parts.bar(stop, 2, parts.lines(f"It then reads {reads} at {at}, 80 % interval.", why, *notes)))


def _ask_of_warmth(fills: pd.DataFrame, ambient_c: float | None) -> None:
    """A temperature of the other unit would move the advice: it is asked about beside its field."""
    units = reading_units.current()
    typed = None if ambient_c is None else float(reading_units.shown("°C").of(ambient_c))
    if typed is not None and (
        why := in_celsius.question(round(typed, 1), in_celsius.surroundings(fills), units, "around it")
    ):
        parts.show(parts.refusal([why]))
