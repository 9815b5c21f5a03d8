"""Where to stop the next fill, and whether to fill at all.

Advice only: the marks on the cylinder, local law, the inspector and the person at the valve decide. Limits come
as cited data from `rules/filling_*.toml`; a local rule set is added as one more file.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np

from shared import fill_heat, thermal
from shared.constants import REFERENCE_C
from shared.rulebook import RULES, Citation, RuleError, citation, read_rules
from shared.settling import Z80

Z99 = 2.3263478740408408
"""One in a hundred on one side of a normal distribution."""
RELIEF_MARGIN_BAR = 10.0
SLOWER = 2.0
"""The slower fill that the advice compares with takes so many times the minutes."""
HIGHEST_STOP_BAR = 450.0
HOT_GAS_C = 65.0
"""Gas warmer than this: stop and let it cool."""


@dataclass(frozen=True)
class Developed:
    """The pressure a content develops at a temperature is at most a multiple of a marked pressure."""

    temperature_c: float
    of: str
    factor: float
    citation: Citation


@dataclass(frozen=True)
class FillingRules:
    """Limits of filling under one rule set."""

    name: str
    reference_c: float
    oxygen_limit_pct: float
    developed: tuple[Developed, ...]
    settled_citation: Citation
    oxygen_citation: Citation


def load_filling_rules(path: Path) -> dict[str, FillingRules]:
    """Read one rule file: its rules under each code it names.

    Raises
    ------
    RuleError
        A missing number or citation, or a limit of a pressure that no cylinder is marked with.
    """
    needed = {
        "": ("codes", "name"),
        "settled": ("reference_c",),
        "developed": ("temperature_c", "of", "factor"),
        "oxygen": ("limit_pct",),
    }
    read = read_rules(path, needed)
    for table in ("settled", "oxygen"):
        if table not in read:
            raise RuleError(f"{path.name}: table [{table}] is missing.")
    for entry in read.get("developed", []):
        if entry["of"] not in ("test_pressure", "working_pressure"):
            raise RuleError(f"{path.name}, line {entry['_line']}: `of` is test_pressure or working_pressure.")
    rules = FillingRules(
        read["name"],
        float(read["settled"]["reference_c"]),
        float(read["oxygen"]["limit_pct"]),
        tuple(
            Developed(float(e["temperature_c"]), e["of"], float(e["factor"]), citation(e))
            for e in read.get("developed", [])
        ),
        citation(read["settled"]),
        citation(read["oxygen"]),
    )
    return dict.fromkeys(read["codes"], rules)


@cache
def _all_rules() -> dict[str, FillingRules]:
    found: dict[str, FillingRules] = {}
    for path in sorted(RULES.glob("filling_*.toml")):
        found.update(load_filling_rules(path))
    return found


def filling_rules(rule_set: str) -> FillingRules:
    """Filling limits of a rule set by its code; European practice where a code has no file of its own."""
    rules = _all_rules()
    return rules.get(rule_set) or rules["adr"]


def refusals(
    inspection_states: Sequence[str],
    *,
    withdrawn: bool = False,
    open_findings: bool = False,
    arrival_bar: float | None = None,
    least_arrival_bar: float = 2.0,
    oxygen_service_needed: bool = False,
    oxygen_clean: bool = False,
    air_state: str = "",
) -> list[str]:
    """Why a unit may not be filled today, as codes, worst first; an empty list: nothing stands against it.

    Parameters
    ----------
    inspection_states : sequence of str
        State of each of the unit's cylinders today (`in_date`, `due_soon`, `out_of_date`, `condemned`, `unknown`); none
        at all counts as unknown.
    withdrawn, open_findings : bool
        A cylinder is withdrawn, or a finding or failed inspection is still open.
    arrival_bar : float, optional
        What it reads now; None when not typed yet.
    oxygen_service_needed, oxygen_clean : bool
        For the gas that is to be filled, and today.
    air_state : str
        Of the source's last air test.
    """
    states = list(inspection_states) or ["unknown"]
    found = []
    if "condemned" in states:
        found.append("fill_condemned")
    if withdrawn:
        found.append("fill_withdrawn")
    if "unknown" in states:
        found.append("fill_test_unknown")
    if "out_of_date" in states:
        found.append("fill_out_of_test")
    if open_findings:
        found.append("fill_finding_open")
    if arrival_bar is not None and arrival_bar < least_arrival_bar:
        found.append("fill_arrived_empty")
    if oxygen_service_needed and not oxygen_clean:
        found.append("fill_not_oxygen_clean")
    if air_state == "failed":
        found.append("fill_air_failed")
    return found


@dataclass(frozen=True)
class Learned:
    """What the settling model says of fills like this one: correction and its SD, and the noise of one fill, bar."""

    effect_bar: float = 0.0
    sd_bar: float = 4.0
    noise_bar: float = 1.5
    settled_fills: int = 0


@dataclass(frozen=True)
class StopAdvice:
    """Where to stop, what comes of it, and what would do better.

    `settles_to_bar` with its 80 % interval is at the rule set's reference temperature. `limited_by` is the code of the
    limit that binds, '' when the target does. Gains are bar of settled pressure.
    """

    stop_pressure_bar: float
    limited_by: str
    settles_to_bar: float
    settles_low_bar: float
    settles_high_bar: float
    short_bar: float
    gas_c: float
    reference_c: float
    slower_gain_bar: float
    top_up_gain_bar: float
    notes: tuple[str, ...]


def advise_stop(
    conditions: fill_heat.FillConditions,
    target_bar: float,
    permitted_bar: float,
    rules: FillingRules,
    learned: Learned,
    *,
    hot_limit: str = "permitted",
    relief_bar: float | None = None,
    test_pressure_bar: float = np.nan,
    working_pressure_bar: float = np.nan,
    valve_rating_known: bool = True,
    least_settled_fills: int = 50,
) -> StopAdvice:
    """Stop pressure for one fill.

    Parameters
    ----------
    conditions : FillConditions
        One row; its stop pressure is not read.
    target_bar, permitted_bar : float
        Settled pressure asked for, and the least of working pressure and valve rating, gauge bar.
    rules : FillingRules
    learned : Learned
        From the station's settled fills.
    hot_limit : str
        `permitted`: never above the permitted pressure. `rule_set`: within all limits of the rule set; it needs
        relief_bar.
    relief_bar : float, optional
        The relief valve's setting.
    test_pressure_bar, working_pressure_bar : float
        Marks on the cylinder; NaN unknown: then no overshoot.
    least_settled_fills : int
        No overshoot before so many settled fills.

    Returns
    -------
    StopAdvice

    Raises
    ------
    ValueError
        `rule_set` without relief_bar, or no permitted pressure.
    """
    if hot_limit == "rule_set" and relief_bar is None:
        raise ValueError(
            "hot_limit is rule_set but relief_bar is not set: state the relief valve's setting, or use permitted"
        )
    if not np.isfinite(permitted_bar):
        raise ValueError("permitted_bar: read the working pressure and the valve's rating off the unit first")
    notes = []
    if not valve_rating_known:
        notes.append("read_the_valve")
    stops = np.linspace(max(float(conditions.start_pressure_bar[0]) + 2.0, 5.0), HIGHEST_STOP_BAR, 90)
    settled_15, gas_c = _settles(conditions, stops, learned)
    mix = tuple(float(getattr(conditions, k)[0]) for k in ("o2_pct", "he_pct", "ar_pct"))
    settled = thermal.settled_pressure_bar(settled_15, REFERENCE_C, rules.reference_c, *mix, strict=False)
    sd = float(np.hypot(learned.sd_bar, learned.noise_bar))

    def stop_for(bar: float, at: np.ndarray = settled) -> float:
        known = np.isfinite(at)
        if not known.any():
            return float(permitted_bar)
        # beyond what can be computed the last state that can is the answer, never a higher one
        return float(np.interp(bar, at[known], stops[known]))

    limits = {"": stop_for(target_bar)}
    overshoot = hot_limit == "rule_set"
    if overshoot and learned.settled_fills < least_settled_fills:
        overshoot = False
        notes.append("too_few_settled_fills")
    marks = {"test_pressure": test_pressure_bar, "working_pressure": working_pressure_bar}
    if overshoot and not (np.isfinite(settled).any() and all(np.isfinite(marks[d.of]) for d in rules.developed)):
        overshoot = False
        notes.append("mark_unknown_no_overshoot")
    if overshoot:
        limits["settled_limit"] = stop_for(permitted_bar - Z99 * sd)
        for developed in rules.developed:
            hot = thermal.settled_pressure_bar(
                settled_15 + Z99 * sd, REFERENCE_C, developed.temperature_c, *mix, strict=False
            )
            limits["developed_limit"] = min(
                limits.get("developed_limit", np.inf), stop_for(developed.factor * marks[developed.of], hot)
            )
        limits["relief_limit"] = float(relief_bar or 0.0) - RELIEF_MARGIN_BAR
    else:
        limits["permitted_pressure"] = float(permitted_bar)
    limited_by = min(limits, key=lambda k: limits[k])
    stop = limits[limited_by]
    here = float(np.interp(stop, stops, settled))
    slower = replace(conditions, fill_minutes=conditions.fill_minutes * SLOWER)
    short = max(target_bar - here, 0.0)
    here_15 = float(np.interp(stop, stops, settled_15))
    slower_gain = float(_settles(slower, np.array([stop]), learned)[0][0]) - here_15 if short > 0 else 0.0
    gain = _top_up(conditions, stop, here_15, learned, mix) if short > 0 else 0.0
    gas_at_stop = float(np.interp(stop, stops, gas_c))
    if gas_at_stop > HOT_GAS_C:
        notes.append("let_it_cool")
    if learned.settled_fills == 0:
        notes.append("nothing_learned_yet")
    return StopAdvice(
        stop, limited_by, here, here - Z80 * sd, here + Z80 * sd, short, gas_at_stop, rules.reference_c,
        min(slower_gain, short), min(gain, short), tuple(notes),
    )


def _settles(
    conditions: fill_heat.FillConditions, stops: np.ndarray, learned: Learned
) -> tuple[np.ndarray, np.ndarray]:
    """Settled pressure at 15 °C, and gas temperature, for one fill stopped at several pressures.

    The minutes grow with what is added, from those stated for the conditions' own stop pressure.
    """
    one = {k: np.full(len(stops), float(v[0])) for k, v in conditions.__dict__.items()}
    usual = float(conditions.stop_pressure_bar[0]) - float(conditions.start_pressure_bar[0])
    one["fill_minutes"] = one["fill_minutes"] * (stops - one["start_pressure_bar"]) / max(usual, 1.0)
    one["stop_pressure_bar"] = stops
    one["delivery_bar"] = np.where(
        np.isnan(one["delivery_bar"]), np.nan, np.maximum(one["delivery_bar"], stops + 20.0)
    )
    state = fill_heat.temperature_at_stop(fill_heat.FillConditions(**one), sensitivities=False)
    mix = one["o2_pct"], one["he_pct"], one["ar_pct"]
    return thermal.settled_pressure_bar(
        stops, state.gas_c, REFERENCE_C, *mix, strict=False
    ) + learned.effect_bar, state.gas_c


def _top_up(conditions, stop: float, settled_15: float, learned: Learned, mix) -> float:
    """Bar of settled pressure gained by coming back to the same stop pressure once the gas is as warm as the room."""
    ambient = float(conditions.ambient_c[0])
    cold = float(thermal.settled_pressure_bar(settled_15, REFERENCE_C, ambient, *mix, strict=False))
    if not cold < stop - 0.5:
        return 0.0
    usual = float(conditions.stop_pressure_bar[0]) - float(conditions.start_pressure_bar[0])
    again = replace(
        conditions,
        start_pressure_bar=np.array([cold]),
        stop_pressure_bar=np.array([stop]),
        fill_minutes=conditions.fill_minutes * (stop - cold) / max(usual, 1.0),
    )
    at, _ = _settles(again, np.array([stop]), replace(learned, effect_bar=0.0))
    plain = float(at[0])
    # what was learned of a whole fill counts for the warm part of it only; the gauge's share cannot be told apart here
    share = (stop - cold) / max(usual, 1.0)
    return max(plain + share * learned.effect_bar - settled_15 if np.isfinite(plain) else 0.0, 0.0)
