"""Where to stop the next fill so that it holds what was asked for and never more than it may.

Two things are limited, whatever the station allows: what the gauge reads, and what the content settles to at the
rule set's reference temperature. The second binds where the gas is colder than that. Advice only: the marks on the
cylinder, local law, the inspector and the person at the valve decide.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from shared.filling import heat as fill_heat
from shared.filling.gauges import limit_of_error_bar
from shared.filling.limits import FillingRules
from shared.filling.permitted import SAME_MARK_BAR, above_permitted, most_at_bar
from shared.gas import thermal
from shared.gas.constants import REFERENCE_C, Z80

Array = NDArray[np.float64]
Mix = tuple[float, float, float]
"""Oxygen, helium and argon, molar per cent; argon NaN means air's share of the balance."""

Z99 = 2.3263478740408408
"""One in a hundred on one side of a normal distribution."""
RELIEF_MARGIN_BAR = 10.0
SLOWER = 2.0
"""The slower fill that the advice compares with takes so many times the minutes."""
HIGHEST_STOP_BAR = 450.0
HOT_GAS_C = 65.0
"""Gas warmer than this: stop and let it cool."""
LEAST_ADDED_BAR = 1.0
"""Less than this cannot be read off a panel gauge: there is nothing to add."""
COOLING_SD_SHARE = 0.1
"""Of the cooling that is counted on, as SD: what was learned of usual fills holds less well for an unusual one."""
LOST_IN_ANY_CASE_K = 2.0
WARMTH_COUNTED = 0.4
"""Share of the computed warmth that is counted on in the cold: another film, bank or pace may leave the rest out, and
there nothing else stands between the gauge and an overfill. A small top-up made slowly keeps none."""
WHOLE_FILL_BAR = 100.0
"""A learned correction is that of whole fills; a smaller addition, which warms less, has its share of it."""
UNSTATED_RISE_BAR = 100.0
"""Rise that stated minutes are taken to be of where the stop they belong to is no higher than the start."""


@dataclass(frozen=True)
class Learned:
    """What the settling model says of fills like this one: correction and its SD, and the noise of one fill, bar.

    `settled_fills` are those of the station where it is filled.
    """

    effect_bar: float = 0.0
    sd_bar: float = 4.0
    noise_bar: float = 1.5
    settled_fills: int = 0

    @property
    def fill_sd_bar(self) -> float:
        """SD of one fill's settled pressure, bar."""
        return float(np.hypot(self.sd_bar, self.noise_bar))


@dataclass(frozen=True)
class StopAdvice:
    """Where to stop, what comes of it, and what would do better. All pressures gauge, bar.

    `settles_to_bar` with its 80 % interval is at the rule set's reference temperature. `limited_by` is the code of the
    limit that binds, '' when the target does. `nothing_to_add` is the code of the reason why nothing is to be added,
    else ''; then the stop is what it reads now and the settled figures are those of what is inside. `most_now_bar` is
    the most it may read at its present temperature. Gains are of settled pressure, each with the stop that brings it.
    """

    stop_pressure_bar: float
    limited_by: str
    settles_to_bar: float
    settles_low_bar: float
    settles_high_bar: float
    short_bar: float
    gas_c: float
    reference_c: float
    inside_settles_bar: float
    nothing_to_add: str
    most_now_bar: float
    slower_gain_bar: float
    slower_stop_bar: float
    top_up_gain_bar: float
    top_up_stop_bar: float
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Case:
    """What binds a stop, settled once for a fill, a slower one and its top-up."""

    target_bar: float
    permitted_bar: float
    relief_bar: float | None
    #: °C, and the pressure that may be developed there
    developed: tuple[tuple[float, float], ...]
    overshoot: bool
    reference_c: float
    learned: Learned
    mix: Mix

    def to_reference(self, bar: Array, from_c: float | Array) -> Array:
        return thermal.settled_pressure_bar(bar, from_c, self.reference_c, *self.mix, strict=False)


@dataclass(frozen=True)
class _Stop:
    stop_bar: float
    limited_by: str
    settles_bar: float
    gas_c: float


def advise_stop(
    conditions: fill_heat.FillConditions,
    target_bar: float,
    permitted_bar: float,
    rules: FillingRules,
    learned: Learned,
    *,
    inside: Sequence[Mix] = (),
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
        One row; its stop pressure is the one that its minutes are stated for. `start_c` is what the gas inside is at.
    target_bar, permitted_bar : float
        Settled pressure asked for, and the least of working pressure and valve rating, gauge bar.
    rules : FillingRules
    learned : Learned
        From the station's settled fills.
    inside : sequence of Mix
        What may be inside now, besides the mix asked for; the one that settles highest counts.
    hot_limit : str
        `permitted`: the gauge never above the permitted pressure. `rule_set`: within all limits of the rule set; it
        needs relief_bar.
    relief_bar : float, optional
        The relief valve's setting.
    test_pressure_bar, working_pressure_bar : float
        Marks on the cylinder; NaN unknown: then no overshoot. Nor where the valve's rating is not known.
    least_settled_fills : int
        No overshoot before so many settled fills.

    Returns
    -------
    StopAdvice

    Raises
    ------
    ValueError
        `rule_set` without relief_bar, or no permitted pressure.

    Notes
    -----
    In every mode gas at the cool end (1 in 100) settles at or below the permitted pressure at the reference
    temperature, and where gas or room is colder than that, no more than two fifths of the warmth that the fill is
    computed to bring is counted on. Without an overshoot the gauge is held to the permitted pressure too; but then
    the gas is taken to end no colder than gas and room began, for compressed gas does not end below both. A top-up
    once cool counts on no warmth at all.
    """
    if hot_limit == "rule_set" and relief_bar is None:
        raise ValueError(
            "hot_limit is rule_set but relief_bar is not set: state the relief valve's setting, or use permitted"
        )
    if not np.isfinite(permitted_bar):
        raise ValueError("permitted_bar: read the working pressure and the valve's rating off the unit first")
    start_bar, start_c, ambient_c = (
        float(np.asarray(getattr(conditions, name))[0]) for name in ("start_pressure_bar", "start_c", "ambient_c")
    )
    mix = tuple(float(getattr(conditions, k)[0]) for k in ("o2_pct", "he_pct", "ar_pct"))
    marks = {"test_pressure": test_pressure_bar, "working_pressure": working_pressure_bar}
    notes = [] if valve_rating_known else ["read_the_valve"]
    overshoot = hot_limit == "rule_set"
    if overshoot and learned.settled_fills < least_settled_fills:
        overshoot = False
        notes.append("too_few_settled_fills")
    if overshoot and not (valve_rating_known and all(np.isfinite(marks[d.of]) for d in rules.developed)):
        overshoot = False
        notes.append("mark_unknown_no_overshoot")
    if above_permitted(target_bar, permitted_bar):
        notes.append("target_above_permitted")
    case = _Case(
        min(target_bar, permitted_bar),
        permitted_bar,
        relief_bar,
        tuple((d.temperature_c, d.factor * marks[d.of]) for d in rules.developed if np.isfinite(marks[d.of])),
        overshoot,
        rules.reference_c,
        learned,
        mix,  # type: ignore[arg-type]
    )
    settled = [
        thermal.settled_pressure_bar(max(start_bar, 0.0), start_c, rules.reference_c, *m, strict=False)
        for m in (mix, *inside)
    ]
    inside_bar = float(np.nanmax(settled)) if np.isfinite(settled).any() else np.nan
    if not np.isfinite(inside_bar):
        raise ValueError("what is inside cannot be computed: check pressure, temperature and mix")
    best = _best_stop(conditions, case)
    nothing = _nothing_to_add(start_bar, inside_bar, best, case)
    if nothing:
        best = _Stop(start_bar, best.limited_by, inside_bar, start_c)
    short = max(target_bar - best.settles_bar, 0.0)
    slower = top_up = best
    if short > 0 and not nothing:
        slower = _best_stop(replace(conditions, fill_minutes=conditions.fill_minutes * SLOWER), case)
    if short > 0:
        top_up = _top_up(conditions, best, ambient_c, case)
    if best.gas_c > HOT_GAS_C:
        notes.append("let_it_cool")
    if learned.settled_fills == 0:
        notes.append("nothing_learned_yet")
    spread = Z80 * learned.fill_sd_bar
    return StopAdvice(
        stop_pressure_bar=best.stop_bar,
        limited_by=best.limited_by,
        settles_to_bar=best.settles_bar,
        settles_low_bar=best.settles_bar - spread,
        settles_high_bar=best.settles_bar + spread,
        short_bar=short,
        gas_c=best.gas_c,
        reference_c=rules.reference_c,
        inside_settles_bar=inside_bar,
        nothing_to_add=nothing,
        most_now_bar=most_at_bar(permitted_bar, start_c, rules.reference_c, *case.mix),
        slower_gain_bar=float(np.clip(np.nan_to_num(slower.settles_bar - best.settles_bar), 0.0, short)),
        slower_stop_bar=slower.stop_bar,
        top_up_gain_bar=float(np.clip(np.nan_to_num(top_up.settles_bar - best.settles_bar), 0.0, short)),
        top_up_stop_bar=top_up.stop_bar,
        notes=tuple(notes),
    )


def _nothing_to_add(start_bar: float, inside_bar: float, best: _Stop, case: _Case) -> str:
    """Why nothing is to be added, as a code; '' where something is."""
    if above_permitted(inside_bar, case.permitted_bar):
        return "inside_above_permitted"
    if inside_bar >= case.target_bar - SAME_MARK_BAR:
        return "inside_holds_target"
    if best.stop_bar >= start_bar + LEAST_ADDED_BAR:
        return ""
    return "gauge_at_limit" if best.limited_by in ("permitted_pressure", "relief_limit") else "no_room_left"


def _best_stop(conditions: fill_heat.FillConditions, case: _Case, warmth: float = WARMTH_COUNTED) -> _Stop:
    """The highest stop within every limit, and what it settles to; `warmth` is the share of it counted on."""
    start_bar = max(float(conditions.start_pressure_bar[0]), 0.0)
    start_c = float(np.asarray(conditions.start_c)[0])
    room = max(HIGHEST_STOP_BAR - start_bar, LEAST_ADDED_BAR)
    stops = start_bar + np.concatenate([[0.0], np.linspace(0.5, room, 120)])
    gas_c = np.concatenate([[start_c], _gas_c(conditions, stops[1:])])
    learned = case.learned
    share = np.minimum((stops - start_bar) / WHOLE_FILL_BAR, 1.0)
    settled_15 = thermal.settled_pressure_bar(stops, gas_c, REFERENCE_C, *case.mix, strict=False)
    settled = case.to_reference(settled_15 + share * learned.effect_bar, REFERENCE_C)
    # what of the learned correction is the gauge's own offset is there however little is added
    offset = float(np.clip(learned.effect_bar, 0.0, limit_of_error_bar()))
    sd_bar = np.hypot(learned.fill_sd_bar, COOLING_SD_SHARE * np.maximum(stops - settled, 0.0))
    part = np.maximum(share * learned.effect_bar, offset) if learned.effect_bar > 0 else share * learned.effect_bar
    highest = case.to_reference(settled_15 + part, REFERENCE_C) + Z99 * sd_bar
    ambient_c = float(conditions.ambient_c[0])
    coldest_c = min(start_c, ambient_c)
    in_the_cold = coldest_c < case.reference_c
    if in_the_cold or not case.overshoot:
        # a wall colder than the room takes the warmth away
        counted = 0.0 if start_c < ambient_c else warmth
        left_k = np.maximum(counted * (gas_c - coldest_c) - LOST_IN_ANY_CASE_K, 0.0)
        less_warm = case.to_reference(stops, coldest_c + left_k) + offset
        highest = np.fmin(np.fmax(highest, less_warm), case.to_reference(stops, coldest_c) + offset)
    limits = {} if np.isnan(settled).all() else {"": _reaches(case.target_bar, settled, stops)}
    if not case.overshoot:
        limits["permitted_pressure"] = case.permitted_bar
    limits["settled_limit"] = _reaches(case.permitted_bar, highest, stops)
    for at_c, most_bar in case.developed:
        hot = thermal.settled_pressure_bar(highest, case.reference_c, at_c, *case.mix, strict=False)
        limits["developed_limit"] = min(limits.get("developed_limit", np.inf), _reaches(most_bar, hot, stops))
    if case.relief_bar is not None:
        limits["relief_limit"] = case.relief_bar - RELIEF_MARGIN_BAR
    limited_by = min(limits, key=lambda k: limits[k])
    stop = limits[limited_by]
    return _Stop(stop, limited_by, float(np.interp(stop, stops, settled)), float(np.interp(stop, stops, gas_c)))


def _reaches(bar: float, settled: Array, stops: Array) -> float:
    """The stop at which a settled pressure is reached; the first where it is reached already.

    Beyond what can be computed the last state that can is the answer, never a higher one.
    """
    known = np.isfinite(settled)
    if not known.any():
        return float(stops[0])
    return float(np.interp(bar, np.maximum.accumulate(settled[known]), stops[known]))


def _gas_c(conditions: fill_heat.FillConditions, stops: Array) -> Array:
    """Gas temperature, °C, for one fill stopped at several pressures.

    The minutes grow with what is added, from those stated for the conditions' own stop pressure.
    """
    one = {k: np.full(len(stops), float(np.asarray(v)[0])) for k, v in conditions.__dict__.items()}
    one["fill_minutes"] = one["fill_minutes"] * (stops - one["start_pressure_bar"]) / _stated_rise_bar(conditions)
    one["stop_pressure_bar"] = stops
    one["delivery_bar"] = np.where(np.isnan(one["delivery_bar"]), np.nan, np.maximum(one["delivery_bar"], stops + 20.0))
    return fill_heat.temperature_at_stop(fill_heat.FillConditions(**one), sensitivities=False).gas_c


def _stated_rise_bar(conditions: fill_heat.FillConditions) -> float:
    rise = float(conditions.stop_pressure_bar[0]) - float(conditions.start_pressure_bar[0])
    return rise if rise >= LEAST_ADDED_BAR else UNSTATED_RISE_BAR


def _top_up(conditions: fill_heat.FillConditions, first: _Stop, ambient_c: float, case: _Case) -> _Stop:
    """A second fill, within the same limits, once the first is as warm as the room."""
    cold_bar = float(
        thermal.settled_pressure_bar(first.settles_bar, case.reference_c, ambient_c, *case.mix, strict=False)
    )
    if not np.isfinite(cold_bar):
        return first
    again = replace(
        conditions,
        start_pressure_bar=np.array([cold_bar]),
        start_c=np.array([ambient_c]),
        stop_pressure_bar=np.array([cold_bar + _stated_rise_bar(conditions)]),
    )
    second = _best_stop(again, replace(case, overshoot=False), warmth=0.0)
    return second if second.stop_bar >= cold_bar + LEAST_ADDED_BAR else first
