"""`coldfill gas stop --unit U --station DIR`: where to stop a unit of a station, by what its settled readings taught.

The same function with the same parameters as the page *Where to stop*.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import typer

from pipelines.cli.calculator_line import answer, bar, degrees, refusal
from schemas import words
from schemas.advice import (
    Asked,
    Source,
    advise,
    inside_of,
    learned_for,
    methods_to_choose,
    refused,
    source_of,
    sources_to_choose,
    station_of,
)
from schemas.clearance import FillClearance, fill_clearance
from schemas.codes import sentence
from shared.filling.conditions import usual_minutes
from shared.gas.constants import AIR_O2_PCT

CAUTION = (
    "Advice only, computed from the heat of the fill and from what settled readings of this station have taught. Stand "
    "clear, fill slowly, feel it with the back of the hand: hot means slower. Gauge, stamp, relief valve, local rules "
    "and the person at the valve come before this number."
)


@dataclass(frozen=True)
class UnitAsked:
    """What was typed; None where nothing was."""

    unit: str
    station: Path
    start_bar: float | None
    ambient_c: float | None
    target_bar: float | None
    minutes: float | None
    source: str | None
    method: str | None
    o2_pct: float
    he_pct: float


def stop_of_unit(typed: UnitAsked, as_json: bool) -> None:
    """Print where to stop, or end with the option that is lacking or why it may not be filled."""
    from pipelines.station.settings import SettingsError, load_station
    from schemas.snapshot import NothingPublished, read_manifest, read_table

    try:
        station = load_station(typed.station)
        manifest = read_manifest(station.published)
    except (SettingsError, NothingPublished) as error:
        raise refusal(f"--station: {' '.join(str(error).split())}") from None
    names = ("units", "cylinder_health", "fill_quality", "gas_sources", "settling_model")
    units, health, fills, register, model = (read_table(station.published, manifest, name) for name in names)
    clearance = fill_clearance(typed.unit, units, health, fills, register)
    if not clearance.may_be_filled or clearance.unit is None:
        raise _not_to_be_filled(f"{typed.unit} may not be filled. {' '.join(clearance.why_not)}")
    _known(clearance)
    source = _source(typed, clearance, register, fills)
    asked = _asked(typed, clearance, source)
    rule_set, filling = station.policy.rule_set, station.policy.filling
    if codes := refused(clearance, asked, register, rule_set, filling):
        raise _not_to_be_filled(f"Do not fill {typed.unit} with this. {' '.join(words.with_fix(c) for c in codes)}")
    unit = clearance.unit
    learned = learned_for(
        model, station_of(fills, source.source_id), source.source_id, unit["material"], float(unit["water_capacity_l"])
    )
    try:
        advice = advise(unit, len(clearance.cylinders), asked, learned, rule_set, filling, inside_of(clearance))
    except ValueError as error:
        raise refusal(f"--unit: no pressure is advised. {error}") from None
    row = vars(advice) | {"permitted_bar": unit["permitted_bar"], "target_pressure_bar": asked.target_pressure_bar}
    result: dict[str, Any] = {
        "unit": clearance.unit_id,
        "source": source.source_id,
        "stop_pressure_bar": advice.stop_pressure_bar,
        "capped": bool(advice.limited_by),
        "settles_to_bar": _or_none(advice.settles_to_bar),
        "settles_low_bar": _or_none(advice.settles_low_bar),
        "settles_high_bar": _or_none(advice.settles_high_bar),
        "short_bar": _or_none(advice.short_bar),
        "gas_c": _or_none(advice.gas_c),
        "settled_fills": learned.settled_fills,
        "limit_checked": True,
        "as_of_on": manifest.as_of_on,
    }
    known = f"By what was known on {words.day(pd.Timestamp(manifest.as_of_on))}: nothing later is in it."
    says = _says(advice, row, learned.settled_fills, asked, clearance)
    answer(result, [CAUTION, *_held(clearance), known], says, as_json)


def _not_to_be_filled(line: str) -> typer.Exit:
    """The end of a command that was asked well and found something against it: exit code 1."""
    typer.echo(line, err=True)
    return typer.Exit(1)


def _known(clearance: FillClearance) -> None:
    unit = clearance.unit
    needed = {"permitted pressure": "permitted_bar", "size": "water_capacity_l", "material": "material"}
    lacking = [name for name, column in needed.items() if not words.known(unit[column])]
    if lacking or unit["material"] not in ("steel", "aluminium", "composite"):
        raise refusal(
            f"--unit: not in the register: {', '.join(lacking) or 'a known material'}. Read the stamps and add it."
        )


def _source(typed: UnitAsked, clearance: FillClearance, register: Any, fills: Any) -> Source:
    """That which was named, else that of its last fill."""
    last = clearance.last_fill
    listed = sources_to_choose(register, fills)
    usual = last["source_id"] if last is not None and words.known(last["source_id"]) else listed[0]
    source = source_of(register, typed.source or str(usual))
    registered = [name for name in listed if source_of(register, name).kind]
    if not source.kind and not registered:
        raise refusal(
            "--source: no compressor and no bank is in the register, and what the gas comes from decides how hot it "
            "gets: hand in compressors.csv or sources.csv, run, and ask again"
        )
    if not source.kind:
        raise refusal(f"--source: {source.source_id} is not in the register; name one of {', '.join(registered)}")
    return source


def _asked(typed: UnitAsked, clearance: FillClearance, source: Source) -> Asked:
    if typed.start_bar is None:
        raise refusal("--start-bar: missing; nothing is advised for a cylinder nobody has read")
    if typed.ambient_c is None:
        raise refusal("--ambient-c: missing; say how warm it is around the cylinder")
    of_bank = source.is_bank and np.isfinite(source.o2_pct) and typed.o2_pct == AIR_O2_PCT
    o2_pct = source.o2_pct if of_bank else typed.o2_pct  # a bank gives what is in it, unless a mix is asked for
    methods = methods_to_choose(o2_pct, typed.he_pct, source)
    method = typed.method or (methods[0] if len(methods) == 1 or source.is_bank else None)
    if method not in methods:
        raise refusal(f"--method: say how the mix gets in: {', '.join(methods)}")
    target = float(clearance.unit["permitted_bar"]) if typed.target_bar is None else typed.target_bar
    size = float(clearance.unit["water_capacity_l"])
    usual = float(usual_minutes(source.is_bank, size, target - typed.start_bar))
    minutes = usual if typed.minutes is None else typed.minutes
    return Asked(typed.start_bar, target, typed.ambient_c, minutes, o2_pct, typed.he_pct, source, method)


def _held(clearance: FillClearance) -> list[str]:
    return [f"What is in {clearance.unit_id} is held: do not hand it over."] if clearance.held else []


def _says(advice: Any, row: dict, settled_fills: int, asked: Asked, clearance: FillClearance) -> list[str]:
    notes = [words.with_fix(code, row) for code in advice.notes]
    if advice.nothing_to_add:
        return [
            f"Nothing to add: it settles at {bar(advice.inside_settles_bar)}",
            words.with_fix(advice.nothing_to_add, row),
            *notes,
        ]
    stop = np.floor(advice.stop_pressure_bar)  # no gauge is read closer, and never above
    says = [f"{clearance.unit_id}: stop at {bar(float(stop))}, from {asked.source.source_id}"]
    if np.isfinite(advice.settles_to_bar):
        says.append(
            f"It then reads {bar(advice.settles_to_bar)} ({advice.settles_low_bar:.0f} to "
            f"{advice.settles_high_bar:.0f}) at {degrees(advice.reference_c)}, 80 % interval."
        )
    else:
        says.append("What it will settle to is not known for this gas and temperature.")
    if advice.limited_by:
        says.append(sentence(advice.limited_by, row))
    return [*says, *notes, f"(learned from {words.plural(settled_fills, 'settled reading')} of this station)"]


def _or_none(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
