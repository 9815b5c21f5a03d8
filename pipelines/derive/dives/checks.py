"""What stands against a dive's record, and the dive against the very fill it began with."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.derive.dives.built import Built
from pipelines.derive.dives.fit import NEAR_END_S, rise_limit_bar
from pipelines.derive.dives.links import unknown_as_nan
from pipelines.derive.dives.samples import water_density
from schemas.policy import Policy
from shared.gas.constants import ATM_BAR, GRAVITY_M_S2
from shared.gas.mixing import max_operating_depth_m

BREATHES_SHARE = 0.35
FASTEST_M_S = 5.0
"""Nobody sinks or rises so fast between two samples: a spike of the sensor (no source)."""
LEAST_DEPTH_M = 0.5
"""A dive that never was as deep as this was recorded without its depth."""
MOST_OF_WORKING = 1.5
"""Nobody dives a cylinder above the pressure of its test, usually one and a half times what it works at (common
practice, no source)."""


def dive_flags(
    built: Built, missing: NDArray, has_rows: NDArray, start_bar: NDArray, end_bar: NDArray, below_zero: NDArray
) -> tuple[list[list[str]], NDArray]:
    """Codes of each dive, and the dives for which no rate may be stated."""
    dives, rows, samples = built.dives, built.rows, built.samples
    n, dive = len(dives), built.dive
    counted, breathed = built.counted, rows["breathed"].to_numpy(bool)

    def any_of(mask: NDArray) -> NDArray:
        return np.bincount(dive[np.asarray(mask, bool)], minlength=n) > 0

    def true(column: str) -> NDArray:
        return dives[column].fillna(False).astype(bool).to_numpy()

    closed = not_open(dives)
    loop = ~closed & any_of(rows["loop"].to_numpy(bool))
    bad_gas = any_of(breathed & rows["not_breathable"].to_numpy(bool))
    rising = any_of(counted & (end_bar - start_bar > rise_limit_bar(rows))) | below_zero
    no_depth = (built.place < 0) & has_rows
    duration = built.grid.duration_s[rows["place"].to_numpy(int)]
    felt, basis = counted & np.isfinite(built.fits.used_free_l), rows["start_basis"].to_numpy(str)
    marks = {
        "not_open_circuit": closed,
        "loop_tanks_recorded": loop,
        "no_tanks": ~has_rows & ~closed & ~bad_gas,
        "gas_missing": missing & ~closed & ~no_depth,
        "mean_depth_missing": no_depth & ~closed,
        "mean_depth_only": built.flat & ~closed,
        "depths_contradict": has_flag(dives, "depths_contradict"),
        "not_breathable": bad_gas,
        "end_above_start": rising & ~closed,
        "gas_shared": true("gas_shared"),
        "surface_tail_cut": samples.tail_cut,
        "surfaced_midway": samples.midway,
        "transmitters_swapped": samples.swapped,
        "start_temperature_assumed": any_of(felt & (basis == "assumed")),
        "air_of_other_days": any_of(felt & np.isin(basis, ("nearby", "month"))),
        "may_have_run_empty": any_of(built.ran_out & counted),
        "water_temperature_assumed": built.water_assumed,
        "capacity_differs": any_of(rows["capacity_differs"]),
        "set_side_named": any_of(rows["set_side_named"]),
        "mix_assumed_air": any_of(rows["mix_assumed_air"].to_numpy(bool) & breathed),
        "sides_not_joined": np.isin(np.arange(n), list(built.sides.apart)),
        "pressure_rose": any_of(built.readings.rose & breathed),
        "trace_not_usable": any_of(breathed & (built.readings.count >= 2) & ~built.by_trace & ~built.sides.left_out),
        "trace_starts_late": any_of(built.by_trace & breathed & (built.readings.first_s > NEAR_END_S)),
        "trace_ends_early": any_of(built.by_trace & breathed & (duration - built.readings.last_s > NEAR_END_S)),
        **_against_fill(built, any_of),
        "cylinder_in_two_dives": any_of(rows["dived_at_once"].eq(True).to_numpy(bool, na_value=False)),
        **_impossible(built, any_of(counted & (rows["start_bar"] > MOST_OF_WORKING * rows["working_bar"])), has_rows),
    }
    lists: list[list[str]] = [[] for _ in range(n)]
    for code, mask in marks.items():
        for i in np.flatnonzero(mask).tolist():
            lists[i].append(code)
    for i, dive_id in enumerate(dives["dive_id"].tolist() if built.flags else ()):
        lists[i] += sorted(built.flags.get(dive_id, set()) - set(lists[i]))
    return lists, closed | loop | bad_gas | missing | rising | (built.place < 0)


def _impossible(built: Built, start_too_high: NDArray, has_rows: NDArray) -> dict[str, NDArray]:
    """Figures of one dive that cannot have been."""
    samples = built.samples
    jumps = np.zeros(len(built.dives), bool)
    within = np.diff(samples.dive) == 0
    with np.errstate(invalid="ignore", divide="ignore"):
        fast = np.abs(np.diff(samples.depth_m)) > FASTEST_M_S * np.diff(samples.t_s)
    jumps[samples.dive[1:][within & fast]] = True
    deepest = samples.reduce(np.maximum, samples.depth_m)
    deepest = np.where(np.isfinite(deepest), deepest, unknown_as_nan(built.dives["max_depth_m"]))
    return {
        "depth_jumps": jumps,
        "no_depth": has_rows & (deepest < LEAST_DEPTH_M),
        "start_pressure_doubtful": start_too_high,
    }


def _against_fill(built: Built, any_of) -> dict[str, NDArray]:
    rows, policy = built.rows, built.policy
    filled = rows["fill_id"].notna().to_numpy()
    breathed = rows["breathed"].to_numpy(bool)
    tolerance = policy.filling.mix_tolerance_pct
    differs = np.zeros(len(rows), bool)
    for own, analysed in (("o2_pct", "fill_analysed_o2_pct"), ("he_pct", "fill_analysed_he_pct")):
        differs |= np.nan_to_num(np.abs(unknown_as_nan(rows[own]) - unknown_as_nan(rows[analysed]))) > tolerance + 1e-9
    out_of_test = (rows["fill_in_test"] == False).fillna(False).to_numpy(bool)  # noqa: E712  missing is neither
    return {
        "set_mix_differs": any_of(filled & breathed & differs),
        "beyond_mod": any_of(breathed & (depth_on_gas_m(built) > mod_m(rows, policy))),
        "filled_out_of_test": any_of(filled & out_of_test),
    }


def richest_o2_pct(rows: pd.DataFrame, policy: Policy) -> NDArray:
    """The most oxygen that anything says of each row's gas: the dive's record, its fill, or an analysis of it.

    A fill that nobody analysed counts with the mix asked for.
    """
    analysed = unknown_as_nan(rows["fill_analysed_o2_pct"])
    # the fill's own depth comes from the richer of its two analyses, or from plain air
    by_depth = 100.0 * policy.filling.ppo2_bar / (unknown_as_nan(rows["fill_max_operating_depth_m"]) / 10.0 + 1.0)
    of_fill = np.fmax(analysed, by_depth)
    of_fill = np.where(np.isfinite(of_fill), of_fill, unknown_as_nan(rows["fill_target_o2_pct"]))
    return np.fmax(rows["o2"].to_numpy(float), of_fill)


def mod_m(rows: pd.DataFrame, policy: Policy) -> NDArray:
    """Maximum operating depth of each row's gas, m, by the richest that is said of it."""
    deco = (rows["role"] == "deco").to_numpy(bool)
    ppo2 = np.where(deco, policy.filling.ppo2_deco_bar, policy.filling.ppo2_bar)
    return max_operating_depth_m(richest_o2_pct(rows, policy), ppo2)


def _deepest_on_gas(built: Built, deepest_bar_abs: NDArray) -> NDArray:
    """Greatest ambient pressure at which each row was breathed, bar abs; NaN where nothing says when it was."""
    rows, rate = built.rows, built.fits.rate_l_min
    counted, dive = built.counted, built.dive
    supplies = np.bincount(dive[counted], minlength=len(built.dives))
    out = np.where(counted & ((supplies[dive] == 1) | rows["back"].to_numpy(bool)), deepest_bar_abs[dive], np.nan)
    breathed = counted & built.by_trace & (supplies[dive] > 1) & ~rows["sole_supply"].to_numpy(bool)
    if breathed.any():
        positive = np.where(breathed[:, None], np.maximum(np.nan_to_num(rate), 0.0), 0.0)
        total = np.zeros((len(built.dives), positive.shape[1]))
        np.add.at(total, dive, positive)
        breathing = positive > np.maximum(BREATHES_SHARE * total[dive], 3.0)
        ambient = built.grid.ambient_bar_abs[rows["place"].to_numpy(int)]
        ambient = np.where(breathing, 0.5 * (ambient[:, 1:] + ambient[:, :-1]), -np.inf).max(axis=1)
        out = np.where(breathed, np.where(np.isfinite(ambient), ambient, np.nan), out)
    # decompression gas known by its ends was given its time (`late_breathing_shares`): before that it stands still
    late = np.flatnonzero(counted & ~built.by_trace & (rows["role"] == "deco").to_numpy(bool) & np.isnan(out))
    for row in late.tolist():
        of_row = np.maximum(np.nan_to_num(rate[row]), 0.0)
        if of_row.max() > 3.0 and of_row.min() < 0.1 * of_row.max():
            ambient = built.grid.ambient_bar_abs[int(rows["place"].iloc[row])]
            out[row] = (0.5 * (ambient[1:] + ambient[:-1]))[of_row > BREATHES_SHARE * of_row.max()].max()
    return out


def _ambient_deepest(built: Built) -> tuple[NDArray, NDArray, NDArray]:
    dives = built.dives
    surface = np.nan_to_num(unknown_as_nan(dives["surface_pressure_bar_abs"]), nan=ATM_BAR)
    bar_per_m = water_density(dives["water"], built.policy) * GRAVITY_M_S2 / 1e5
    depth = built.samples.reduce(np.maximum, built.samples.depth_m)
    depth = np.where(np.isfinite(depth), depth, unknown_as_nan(dives["max_depth_m"]))
    return surface, bar_per_m, surface + bar_per_m * depth


def depth_on_gas_m(built: Built) -> NDArray:
    """Greatest depth at which each row was breathed, m."""
    surface, bar_per_m, deepest = _ambient_deepest(built)
    with np.errstate(invalid="ignore"):
        return (_deepest_on_gas(built, deepest) - surface[built.dive]) / bar_per_m[built.dive]


def max_ppo2_bar(built: Built, deepest_bar_abs: NDArray) -> NDArray:
    """Greatest partial pressure of oxygen of each dive, bar; empty on closed circuit.

    By the mix of the record, unless fill or analysis found more than the tolerance beyond it.
    """
    o2, richest = built.rows["o2"].to_numpy(float), richest_o2_pct(built.rows, built.policy)
    richer = richest > o2 + built.policy.filling.mix_tolerance_pct + 1e-9
    each = _deepest_on_gas(built, deepest_bar_abs) * np.where(richer, richest, o2) / 100.0
    out = np.full(len(built.dives), -np.inf)
    known = np.isfinite(each)
    np.maximum.at(out, built.dive[known], each[known])
    # of a cylinder whose record was refused, or that names no mix, nothing is known: it may have been the richest
    unknown = built.rows["lost"].to_numpy(bool) | built.rows["mix_assumed_air"].to_numpy(bool)
    out[built.dive[unknown & built.rows["breathed"].to_numpy(bool)]] = np.nan
    out[has_flag(built.dives, "tank_rejected")] = np.nan
    return np.where(np.isfinite(out) & ~not_open(built.dives), out, np.nan)


def has_flag(dives: pd.DataFrame, code: str) -> NDArray:
    """Dives of whose record intake said `code`."""
    if "value_flags" not in dives:
        return np.zeros(len(dives), bool)
    flags = dives["value_flags"].to_numpy(object)
    return np.array([isinstance(f, (list, np.ndarray)) and code in f for f in flags.tolist()], bool)


def not_open(dives: pd.DataFrame) -> NDArray:
    """Dives by a mode other than open circuit, also one that `mode` has no word for."""
    mode = dives["mode"]
    named = mode.notna().to_numpy(bool) & (mode != "open_circuit").fillna(False).to_numpy(bool)
    return named | has_flag(dives, "not_open_circuit")
