"""Where to stop the next fill: what a person types and what the snapshot knows, handed to one function of `shared`.

Nothing is computed here about what has happened; the arithmetic is `shared.filling_limits.advise_stop`.
"""

import re
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from dashboard.rows import Row
from schemas import words
from shared.fill_heat import BANK_BAR, COMPRESSOR_RISE_K, FillConditions, wall_heat_capacity_j_k, wall_mass_kg
from shared.filling_limits import FillingRules, Learned, StopAdvice, advise_stop, filling_rules
from shared.settling import Z80

USUAL_MINUTES = 10.0


@dataclass(frozen=True)
class Asked:
    """What the person at the valve types."""

    start_pressure_bar: float
    target_pressure_bar: float
    ambient_c: float
    fill_minutes: float
    o2_pct: float
    he_pct: float
    source_id: str
    from_bank: bool
    decanted: bool


def needs_oxygen_service(asked: Asked, limit_pct: float) -> bool:
    """Oxygen or rich gas is decanted into it, or the mix itself is above the limit."""
    return asked.o2_pct > limit_pct or (asked.decanted and asked.o2_pct > 21.0)


def oxygen_limit_pct(rules: FillingRules, of_policy: Any) -> float:
    """The station's own limit, else the rule set's."""
    return float(of_policy) if words.known(of_policy) else rules.oxygen_limit_pct


def sources_to_choose(register: pd.DataFrame, fills: pd.DataFrame) -> list[str]:
    """Compressors and banks, the last used first; those of the register that were never used last."""
    used = list(fills.sort_values("filled_at", ascending=False)["source_id"].dropna().unique())
    return list(dict.fromkeys([*used, *sorted(register["source_id"].dropna())])) or ["source not known"]


def kind_of_source(register: pd.DataFrame, source_id: str) -> str:
    """`compressor` or `bank` as the register has it; '' where it has not."""
    kinds = register.loc[register["source_id"] == source_id, "kind"].dropna()
    return str(kinds.iloc[0]) if len(kinds) else ""


def conditions(unit: Row, cylinders: int, asked: Asked) -> FillConditions:
    """The heat balance's view of the next fill; the wall's mass is the stamped one or an estimate."""
    capacity, working = float(unit["water_capacity_l"]), float(unit["working_pressure_bar"])
    estimate = float(wall_mass_kg([unit["material"]], [capacity], [working])[0])
    stamped = unit.get("empty_mass_kg")
    mass = float(stamped) if words.known(stamped) and 0.4 * estimate <= stamped <= 2.5 * estimate else estimate
    delivery_bar = max(asked.target_pressure_bar + 20.0, BANK_BAR) if asked.from_bank else np.nan
    one = [
        asked.start_pressure_bar,
        asked.target_pressure_bar,
        asked.ambient_c,
        asked.fill_minutes,
        capacity,
        float(max(cylinders, 1)),
        float(wall_heat_capacity_j_k([unit["material"]], [mass])[0]),
        asked.ambient_c + (0.0 if asked.from_bank else COMPRESSOR_RISE_K),
        delivery_bar,
        asked.o2_pct,
        asked.he_pct,
        np.nan,
    ]
    return FillConditions(*(np.array([v]) for v in one))


def learned_for(model: pd.DataFrame, source_id: str, material: str, water_capacity_l: float) -> Learned:
    """What settled fills taught of fills like this: the same source, material and size, else the nearest to that."""
    if model.empty:
        return Learned()
    like = (
        4 * (model["source_id"] == source_id)
        + 2 * (model["material"] == material)
        + model["size"].map(lambda s: _covers(s, water_capacity_l)).astype(int)
    ).fillna(0)
    best = model[like == like.max()]
    row = best.sort_values("settled_fills").iloc[-1]
    sd = (row["effect_high_bar"] - row["effect_low_bar"]) / (2 * Z80)
    return Learned(float(row["effect_bar"]), float(sd), settled_fills=int(model["settled_fills"].sum()))


def _covers(size, water_capacity_l: float) -> bool:
    """Whether a size class such as '8.5 to 11 L', 'under 5 L' or 'over 16 L' holds a capacity."""
    edges = [float(n) for n in re.findall(r"\d+(?:\.\d+)?", str(size))]
    if not edges:
        return False
    low, high = (
        (0.0, edges[0])
        if "under" in str(size)
        else (edges[0], np.inf)
        if "over" in str(size)
        else (edges[0], edges[-1])
    )
    return low < water_capacity_l <= high


def advise(
    unit: Row, cylinders: int, asked: Asked, model: pd.DataFrame, rule_set: str, filling_policy: dict
) -> StopAdvice:
    """Stop pressure for the next fill of a unit.

    Raises
    ------
    ValueError
        The permitted pressure is not known, or the station's settings lack what they ask for.
    """
    return advise_stop(
        conditions(unit, cylinders, asked),
        asked.target_pressure_bar,
        float(unit["permitted_bar"]),
        filling_rules(rule_set),
        learned_for(model, asked.source_id, unit["material"], float(unit["water_capacity_l"])),
        hot_limit=filling_policy.get("hot_limit") or "permitted",
        relief_bar=filling_policy.get("relief_bar"),
        test_pressure_bar=float(unit["test_pressure_bar"]),
        working_pressure_bar=float(unit["working_pressure_bar"]),
        valve_rating_known=bool(unit["valve_rating_known"]) if words.known(unit.get("valve_rating_known")) else False,
        least_settled_fills=int(filling_policy.get("overshoot_least_settled_fills") or 50),
    )
