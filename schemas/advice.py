"""Where to stop the next fill: what a person types and what the snapshot knows, handed to one function of `shared`;
for the page and for the calculator at the compressor.

Nothing is computed here about what has happened; the arithmetic is `shared.filling.stop_advice.advise_stop`.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from schemas import words
from schemas.clearance import FillClearance, Row
from schemas.policy import Filling
from shared.filling.conditions import believed_wall_mass, delivery
from shared.filling.heat import FillConditions
from shared.filling.limits import FillingRules, filling_rules, refusals
from shared.filling.size_class import size_class
from shared.filling.stop_advice import Learned, Mix, StopAdvice, advise_stop
from shared.gas.constants import AIR_O2_PCT, Z80
from shared.gas.mixing import OxygenService, is_plain_air, oxygen_service
from shared.gas.walls import wall_heat_capacity_j_k


@dataclass(frozen=True)
class Source:
    """A compressor or bank as the register and its log have it; NaN and '' where they say nothing."""

    source_id: str
    kind: str
    o2_pct: float = np.nan
    outlet_rise_k: float = np.nan
    known: bool = True

    @property
    def is_bank(self) -> bool:
        return self.kind == "bank"


@dataclass(frozen=True)
class Asked:
    """What the person at the valve types; `gas_c` is what the gas inside is at, NaN: as the surroundings."""

    start_pressure_bar: float
    target_pressure_bar: float
    ambient_c: float
    fill_minutes: float
    o2_pct: float
    he_pct: float
    source: Source
    fill_method: str
    gas_c: float = np.nan


def needs_oxygen_service(asked: Asked, limit_pct: float) -> OxygenService:
    """Whether this fill may go into an oxygen-clean unit only."""
    return oxygen_service(
        asked.fill_method, asked.o2_pct, asked.he_pct, source_o2_pct=asked.source.o2_pct, limit_pct=limit_pct
    )


def oxygen_limit_pct(rules: FillingRules, of_policy: Any) -> float:
    """The station's own limit, else the rule set's."""
    return float(of_policy) if words.known(of_policy) else rules.oxygen_limit_pct


def sources_to_choose(register: pd.DataFrame, fills: pd.DataFrame) -> list[str]:
    """Compressors and banks, the last used first; those of the register that were never used last."""
    used = list(fills.sort_values("filled_at", ascending=False)["source_id"].dropna().unique())
    return list(dict.fromkeys([*used, *sorted(register["source_id"].dropna())])) or ["source not known"]


def source_of(register: pd.DataFrame, source_id: str) -> Source:
    """What the register and the log say of a source."""
    rows = register[register["source_id"] == source_id]
    if rows.empty:
        return Source(source_id, "", known=False)
    row = rows.iloc[0]
    o2, rise = (float(row[name]) if words.known(row[name]) else np.nan for name in ("o2_pct", "outlet_rise_k"))
    return Source(source_id, str(row["kind"]) if words.known(row["kind"]) else "", o2, rise)


def methods_to_choose(asked_o2_pct: float, he_pct: float, source: Source) -> list[str]:
    """Ways a mix may be made; one where there is no question, the most likely first where there is one."""
    if is_plain_air(asked_o2_pct, he_pct) and not source.is_bank:
        return ["air"]
    if source.is_bank:
        return ["banked_mix", "partial_pressure", "continuous"]
    return ["partial_pressure", "continuous", "banked_mix"]


def station_of(fills: pd.DataFrame, source_id: str) -> Any:
    """The station at which a source was last filled from; where it never was, that of the last fill of all."""
    logged = fills.sort_values("filled_at")
    of_source = logged[logged["source_id"] == source_id]
    rows = of_source if len(of_source) else logged
    return rows["station_id"].iloc[-1] if len(rows) else None


def air_failed(register: pd.DataFrame, source_id: str) -> bool:
    """Whether the air of anything that may feed this source stands failed today."""
    return bool((register.loc[register["source_id"] == source_id, "air_state"] == "failed").any())


def refused(
    clearance: FillClearance, asked: Asked, register: pd.DataFrame, rule_set: str, filling: Filling
) -> list[str]:
    """Why the unit may not be filled with this today, as codes, worst first."""
    limit = oxygen_limit_pct(filling_rules(rule_set), filling.oxygen_limit_pct)
    return refusals(
        list(clearance.cylinders["inspection_state"]),
        withdrawn=bool((clearance.cylinders["status"] == "withdrawn").any()),
        open_findings=bool(clearance.open_findings),
        arrival_bar=asked.start_pressure_bar,
        least_arrival_bar=float(filling.least_arrival_bar),
        oxygen_service_needed=bool(needs_oxygen_service(asked, limit).needed),
        oxygen_clean=bool(clearance.oxygen_clean),
        air_state="failed" if air_failed(register, asked.source.source_id) else "",
    )


def inside_of(clearance: FillClearance) -> list[Mix]:
    """What may be in it now, besides the mix asked for: its last mix, or where that is not known, air."""
    last = clearance.last_fill
    if last is None or not words.known(last["o2_pct"]):
        return [(AIR_O2_PCT, 0.0, np.nan)]
    return [(float(last["o2_pct"]), float(last["he_pct"]) if words.known(last["he_pct"]) else 0.0, np.nan)]


def conditions(unit: Row, cylinders: int, asked: Asked) -> FillConditions:
    """The heat balance's view of the next fill; the wall's mass is the stamped one or an estimate."""
    capacity, working = float(unit["water_capacity_l"]), float(unit["working_pressure_bar"])
    stamped = float(unit["empty_mass_kg"]) if words.known(unit.get("empty_mass_kg")) else np.nan
    mass = believed_wall_mass([unit["material"]], [capacity], [working], [stamped]).mass_kg
    delivery_c, delivery_bar = delivery(
        asked.source.is_bank, asked.ambient_c, asked.target_pressure_bar, asked.source.outlet_rise_k
    )
    one = [
        asked.start_pressure_bar,
        asked.target_pressure_bar,
        asked.ambient_c,
        asked.fill_minutes,
        capacity,
        float(max(cylinders, 1)),
        float(wall_heat_capacity_j_k([unit["material"]], mass)[0]),
        float(delivery_c),
        float(delivery_bar),
        asked.o2_pct,
        asked.he_pct,
        np.nan,
        asked.gas_c,
    ]
    return FillConditions(*(np.array([v]) for v in one))


def learned_for(
    model: pd.DataFrame, station_id: Any, source_id: str, material: str, water_capacity_l: float
) -> Learned:
    """What settled fills of a station taught of fills like this: the same source, material and size, else the nearest.

    Stations share nothing. Where the model knows one station alone it is taken for that, named or not.
    """
    alone = len(model["station_id"].drop_duplicates()) == 1
    rows = model if alone else model[model["station_id"] == station_id]
    if rows.empty:
        return Learned()
    like = (
        4 * (rows["source_id"] == source_id)
        + 2 * (rows["material"] == material)
        + (rows["size"] == size_class(water_capacity_l)).astype(int)
    ).fillna(0)
    row = rows[like == like.max()].sort_values("settled_fills").iloc[-1]
    sd = (row["effect_high_bar"] - row["effect_low_bar"]) / (2 * Z80)
    return Learned(float(row["effect_bar"]), float(sd), settled_fills=int(rows["settled_fills"].sum()))


def advise(
    unit: Row,
    cylinders: int,
    asked: Asked,
    learned: Learned,
    rule_set: str,
    filling: Filling,
    inside: list[Mix] | None = None,
) -> StopAdvice:
    """Stop pressure for the next fill of a unit; `inside` is what may be in it now.

    Raises
    ------
    ValueError
        The permitted pressure is not known, or the station's settings lack what they ask for.
    """
    test_bar = float(unit["test_pressure_bar"]) if words.known(unit["test_pressure_bar"]) else np.nan
    return advise_stop(
        conditions(unit, cylinders, asked),
        asked.target_pressure_bar,
        float(unit["permitted_bar"]),
        filling_rules(rule_set),
        learned,
        inside=inside or [],
        hot_limit=filling.hot_limit,
        relief_bar=filling.relief_bar,
        test_pressure_bar=test_bar,
        working_pressure_bar=float(unit["working_pressure_bar"]),
        valve_rating_known=bool(unit["valve_rating_known"]) if words.known(unit.get("valve_rating_known")) else False,
        least_settled_fills=filling.overshoot_least_settled_fills,
    )
