"""From fits to the published rows of dives, cylinders and traces."""

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipelines.derive.dives.built import Built
from pipelines.derive.dives.checks import dive_flags, has_flag, max_ppo2_bar
from pipelines.derive.dives.fit import GAUGE_SCATTER_BAR, TRANSMITTER_SCATTER_BAR
from pipelines.derive.dives.links import unknown_as_nan
from pipelines.derive.dives.samples import first_places, from_grid, water_density
from pipelines.derive.dives.tanks import supplies_of_dives
from shared.diving.breathing import LEAST_RMV_L_MIN, ambient_bar_abs, ideal_used_free_l, rate_doubtful, rmv_l_min
from shared.diving.tank_grid import START, STEPS
from shared.diving.tank_learning import without_prior
from shared.gas import thermal
from shared.gas.constants import ATM_BAR, FREE_LITRE_MOL, GRAVITY_M_S2, Z80

MODEL_WIDENS = 1.0
"""Cylinders are less simple than their model; set on simulated seasons of several kinds of physics."""

MEAN_DEPTH_SD = 0.012
"""How computers average, and what a steady depth leaves out of the gas's temperature."""

TOGETHER = 0.5
"""Correlation of the errors of a dive's cylinders: they shared air and water."""

SUDDEN_BAR = 2.0
"""Departures of readings from the fit that last for several steps and exceed this are events, such as a free flow."""


def row_sd(built: Built) -> NDArray:
    """Standard deviation of each row's used gas but for its cylinder's size, free litres: fit, and gauge."""
    capacity = built.rows["capacity_l"].to_numpy(float)
    # written pressures carry their gauge's scatter in the fit already
    scatter = np.where(built.by_trace, TRANSMITTER_SCATTER_BAR, 0.0)
    return MODEL_WIDENS * np.hypot(built.fits.used_sd_free_l, capacity * scatter)


def size_share(built: Built) -> NDArray:
    """Standard deviation of each row's capacity, as a share: one error for all dives of a unit."""
    return np.nan_to_num(built.rows["capacity_sd_pct"].to_numpy(float)) / 100.0


def size_sd_of_dives(built: Built, used: NDArray) -> NDArray:
    """What the sizes of a dive's cylinders leave open of its gas, free litres: rows of one unit err together."""
    counted = built.counted & np.isfinite(used)
    _, first, of = np.unique(built.rows["supply"].to_numpy(int)[counted], return_index=True, return_inverse=True)
    of_unit = np.bincount(of, (size_share(built) * used)[counted], minlength=first.size)
    return np.sqrt(np.bincount(built.dive[counted][first], of_unit**2, minlength=len(built.dives)))


def used_of_rows(built: Built) -> NDArray:
    """Gas used of each row, free litres; a cylinder carried and not breathed gives none back as it cools."""
    used = built.fits.used_free_l
    carried = ~built.rows["back"].to_numpy(bool) & (used < 0.0)
    return np.where(carried, 0.0, used)


def end_pressures(built: Built) -> tuple[NDArray, NDArray]:
    """Start and end of each row, gauge bar: read where known, else modelled."""
    start, end = (built.rows[c].to_numpy(float) for c in ("start_bar", "end_bar"))
    modelled = built.fits.modelled_bar
    return np.where(np.isfinite(start), start, modelled[:, 0]), np.where(np.isfinite(end), end, modelled[:, -1])


def cooling_of_rows(built: Built) -> NDArray:
    """p_start − p(n_start, T_end), bar."""
    rows, fits = built.rows, built.fits
    start, _ = end_pressures(built)
    later = thermal.pressure_of_free_l(
        rows["capacity_l"], fits.start_free_l, fits.end_c, rows["o2"], rows["he"], rows["ar"], strict=False
    )
    return start - later


def consumption_table(built: Built, cooling_bar: NDArray) -> pd.DataFrame:
    """`dive_consumption`, with what each row of cylinders lost by cooling (`cooling_of_rows`)."""
    dives, rows, fits, counted = built.dives, built.rows, built.fits, built.counted
    n = len(dives)
    used, sd = used_of_rows(built), row_sd(built)
    start, end = end_pressures(built)
    capacity = rows["capacity_l"].to_numpy(float)
    has_rows = np.bincount(built.dive[counted], minlength=n) > 0
    missing = np.bincount(built.dive[counted & ~np.isfinite(used)], minlength=n) > 0
    missing |= has_flag(dives, "tank_rejected")
    missing |= np.array(["gas_missing" in built.flags.get(d, ()) for d in dives["dive_id"].tolist()], bool)

    duration = built.grid.duration_s[built.place] / 60.0
    bar_min = built.grid.bar_min[built.place, -1]
    stated_min = unknown_as_nan(dives["duration_min"])
    duration = np.where(np.isfinite(duration), duration, stated_min)

    total = built.by_dive(used, counted)
    alone, summed = np.sqrt(built.by_dive(sd**2, counted)), built.by_dive(sd, counted)
    spread = np.sqrt((1 - TOGETHER) * alone**2 + TOGETHER * summed**2)
    # cylinders breathed in turns were fitted together, so their sum is surer than its parts
    for number, of_sum in built.fitted.together_sd.items():
        spread[number] = np.sqrt(
            of_sum**2
            + np.maximum(alone[number] ** 2 - np.sum(fits.used_sd_free_l[counted & (built.dive == number)] ** 2), 0)
        )
    spread = np.where(built.flat, np.hypot(spread, _rounding(built) * total), spread)
    spread = np.hypot(spread, size_sd_of_dives(built, used))
    # what comes out negative was not breathed from what is recorded
    below_zero = has_rows & (total <= 0)
    flags, blocked = dive_flags(built, missing, has_rows, start, end, below_zero)
    usable = has_rows & ~blocked & np.isfinite(bar_min) & (bar_min > 0) & np.isfinite(total)
    with np.errstate(invalid="ignore", divide="ignore"):
        rate = np.where(usable, rmv_l_min(total, bar_min), np.nan)
    for row in np.flatnonzero(rate_doubtful(rate)).tolist():
        flags[row].append("rate_doubtful")
    # gas may be lost beside the breathing; less than a diver needs was not breathed by anybody
    usable &= ~(rate < LEAST_RMV_L_MIN)
    total, spread = np.where(usable, total, np.nan), np.where(usable, spread, np.nan)
    low, high = np.maximum(total - Z80 * spread, 0.0), total + Z80 * spread

    ideal = np.where(usable, built.by_dive(ideal_used_free_l(capacity, start, end), counted), np.nan)
    back = counted & rows["back"].to_numpy(bool)
    with np.errstate(invalid="ignore", divide="ignore"):
        cooling = built.by_dive(cooling_bar * capacity, back) / built.by_dive(capacity, back)
    one_unit = supplies_of_dives(rows, counted, n) == 1
    ideal_rmv = rmv_l_min(ideal, bar_min)
    sac = np.where(one_unit, ideal_rmv / np.where(one_unit, built.by_dive(capacity, counted), np.nan), np.nan)
    suit = (rows["role"] == "suit").to_numpy(bool)
    has_suit = np.bincount(built.dive[suit & np.isfinite(used)], minlength=n) > 0

    surface = np.nan_to_num(unknown_as_nan(dives["surface_pressure_bar_abs"]), nan=ATM_BAR)
    bar_per_m = water_density(dives["water"], built.policy) * GRAVITY_M_S2 / 1e5
    with np.errstate(invalid="ignore", divide="ignore"):
        mean_ambient = bar_min / duration
    mean_depth = np.where(
        built.samples.has, (mean_ambient - surface) / bar_per_m, unknown_as_nan(dives["mean_depth_m"])
    )
    max_depth = built.samples.reduce(np.maximum, built.samples.depth_m)
    max_depth = np.where(np.isfinite(max_depth), max_depth, unknown_as_nan(dives["max_depth_m"]))
    deepest = ambient_bar_abs(max_depth, surface, water_density(dives["water"], built.policy))

    first_back = first_places(np.arange(n), np.where(back, built.dive, -1))
    traced = np.bincount(built.dive[counted & built.by_trace], minlength=n)
    whole = traced == np.bincount(built.dive[counted], minlength=n)
    method = pd.Series(np.where(whole, "trace", "ends"), dtype="str").where(usable)
    gap = pd.Series(built.sides.gap_bar, dtype=float).reindex(range(n)).to_numpy()
    return pd.DataFrame(
        {
            "dive_id": dives["dive_id"],
            "member_id": dives["member_id"],
            "started_at": dives["started_at"],
            "fill_id": rows["fill_id"].reindex(first_back).astype("str").array,
            "dives_since_fill": rows["dives_since_fill"].reindex(first_back).astype("Int64").array,
            "duration_min": duration,
            "mean_depth_m": mean_depth,
            "max_depth_m": max_depth,
            "mean_ambient_bar_abs": mean_ambient,
            "gas_used_free_l": total,
            "gas_used_low_free_l": low,
            "gas_used_high_free_l": high,
            "cooling_bar": np.where(usable, cooling, np.nan),
            "rmv_l_min": rmv_l_min(total, bar_min),
            "rmv_low_l_min": rmv_l_min(low, bar_min),
            "rmv_high_l_min": rmv_l_min(high, bar_min),
            "ideal_rmv_l_min": ideal_rmv,
            "sac_bar_min": sac,
            "suit_gas_free_l": np.where(has_suit, built.by_dive(used, suit & np.isfinite(used)), np.nan),
            "second_gauge_gap_bar": gap,
            "max_ppo2_bar": max_ppo2_bar(built, deepest),
            "water_c": np.where(built.water_assumed, np.nan, built.water_c),
            "method": method,
            "flags": pd.Series(flags, dtype="object"),
        }
    )


def _rounding(built: Built) -> NDArray:
    """Standard deviation, as a share, of what a mean depth and a duration as written leave open."""
    mean_m, minutes = (unknown_as_nan(built.dives[c]) for c in ("mean_depth_m", "duration_min"))

    def written_to(values: NDArray, fine: float) -> float:
        """Standard deviation of rounding to whole numbers where all of them are, else to `fine`."""
        known = values[built.flat]
        return (1.0 if np.allclose(known, np.round(known)) else fine) / np.sqrt(12.0)

    of_depth = 0.1 * written_to(mean_m, 0.1) / (1.0 + 0.1 * mean_m)
    of_time = written_to(minutes, 0.1) / np.where(minutes > 0, minutes, np.nan)
    return np.sqrt(of_depth**2 + of_time**2 + MEAN_DEPTH_SD**2)


def tank_table(built: Built, cooling_bar: NDArray) -> pd.DataFrame:
    """`dive_tank_use`, with what each row lost by cooling (`cooling_of_rows`)."""
    rows, fits = built.rows, built.fits
    start, end = end_pressures(built)
    used = np.where(built.sides.left_out & np.isfinite(end), 0.0, used_of_rows(built))
    sd = np.hypot(row_sd(built), size_share(built) * used)
    sd = np.where(built.sides.left_out, 0.0, sd)
    unknown = rows["lost"].to_numpy(bool) | rows["mix_assumed_air"].to_numpy(bool)
    return pd.DataFrame(
        {
            "dive_id": rows["dive_id"],
            "member_id": rows["member_id"],
            "tank_no": rows["tank_no"].astype("Int64"),
            "unit_id": rows["unit_id"],
            "role": rows["role"],
            "o2_pct": np.where(unknown, np.nan, rows["o2"].to_numpy(float)),
            "he_pct": np.where(unknown, np.nan, rows["he"].to_numpy(float)),
            "start_pressure_bar": start,
            "end_pressure_bar": end,
            "gas_used_free_l": used,
            "gas_used_low_free_l": np.maximum(used - Z80 * sd, 0.0),
            "gas_used_high_free_l": used + Z80 * sd,
            "cooling_bar": cooling_bar,
            "start_gas_c": fits.start_c,
            "fill_id": rows["fill_id"].astype("str"),
        }
    )


def trace_table(built: Built, consumption: pd.DataFrame) -> pd.DataFrame:
    """Back gas at every sample of the dives whose rate is stated."""
    rows, fits, samples = built.rows, built.fits, built.samples
    stated = consumption["rmv_l_min"].notna().to_numpy() & samples.has
    back = np.flatnonzero(built.counted & rows["back"].to_numpy(bool) & stated[built.dive])
    places = rows["place"].to_numpy(int)[back]
    index, amount = from_grid(samples, built.grid, places, fits.amount_free_l[back])
    _, gas_c = from_grid(samples, built.grid, places, fits.gas_c[back])
    _, event_bar = from_grid(samples, built.grid, places, events_bar(built)[back])
    with_rate = np.flatnonzero(built.counted & built.by_trace & stated[built.dive])
    at_rate, rate = from_grid(
        samples, built.grid, rows["place"].to_numpy(int)[with_rate], nodes_of_steps(fits.rate_l_min[with_rate])
    )
    lengths = np.diff(np.append(samples.starts, samples.t_s.size))[places]
    row = np.repeat(back, lengths)
    capacity = rows["capacity_l"].to_numpy(float)[row]
    mix = tuple(rows[c].to_numpy(float)[row] for c in ("o2", "he", "ar"))
    bar = thermal.pressure_of_free_l(capacity, amount, gas_c, *mix, strict=False)
    sudden = event_bar != 0.0
    bar = bar + event_bar
    amount[sudden] = thermal.amount_free_l(
        capacity[sudden], np.maximum(bar[sudden], 0.0), gas_c[sudden], *(m[sudden] for m in mix), strict=False
    )
    to_litres = capacity / FREE_LITRE_MOL
    empty = to_litres * thermal.density_mol_l(0.0, gas_c, *mix, strict=False)
    unusable = to_litres * thermal.density_mol_l(built.policy.reserve.unusable_bar, gas_c, *mix, strict=False)
    n = samples.t_s.size

    def total(values: NDArray) -> NDArray:
        return np.bincount(index, values, minlength=n)

    litres = total(capacity)
    keep = np.flatnonzero(litres > 0)
    usable = amount - empty
    usable = np.where(np.abs(usable) < 1e-9, 0.0, usable)  # held at an empty gauge
    lesser = np.full(n, np.inf)
    np.minimum.at(lesser, index, usable)
    many = np.bincount(index, minlength=n)
    breathed = np.where(
        np.bincount(at_rate, minlength=n) > 0, np.bincount(at_rate, np.maximum(rate, 0.0), minlength=n), np.nan
    )
    twin = total((rows["cylinders"].to_numpy(float)[row] > 1).astype(float)) > 0
    one_side = np.where(many > 1, lesser, np.where(twin, 0.5 * total(usable), np.nan))
    # of a set found not joined only the breathed side is here
    apart = np.isin(samples.dive, list(built.sides.apart)) & (litres > 0)
    one_side = np.where(apart, total(usable), one_side)
    return pd.DataFrame(
        {
            "member_id": built.dives["member_id"].array.take(samples.dive[keep]),
            "dive_id": built.dives["dive_id"].array.take(samples.dive[keep]),
            "t_s": samples.t_s[keep],
            "depth_m": samples.depth_m[keep],
            "ambient_bar_abs": samples.ambient_bar_abs[keep],
            "tank_bar": total(bar * capacity)[keep] / litres[keep],
            "gas_c": total(gas_c * capacity)[keep] / litres[keep],
            "usable_free_l": total(usable)[keep],
            "back_amount_free_l": total(amount)[keep],
            "unusable_free_l": total(unusable)[keep],
            "one_side_usable_free_l": one_side[keep],
            "rmv_l_min": breathed[keep],
        }
    )


def nodes_of_steps(values: NDArray) -> NDArray:
    """Values of steps brought to the nodes between them."""
    edged = np.concatenate([values[:, :1], values, values[:, -1:]], axis=1)
    return 0.5 * (edged[:, 1:] + edged[:, :-1])


def events_bar(built: Built) -> NDArray:
    """(rows, nodes) what the readings say beyond the smooth fit, bar: zero but for events that last."""
    left = np.where(np.isfinite(built.fits.residual_bar[:, :STEPS]), built.fits.residual_bar[:, :STEPS], 0.0)
    around = np.stack([np.roll(left, 1, axis=1), left, np.roll(left, -1, axis=1)])
    around[0, :, 0], around[2, :, -1] = left[:, 0], left[:, -1]
    lasting = np.median(around, axis=0)
    limit = SUDDEN_BAR + built.readings.step_bar[:, None]
    return nodes_of_steps(np.where(built.by_trace[:, None] & (np.abs(lasting) > limit), lasting, 0.0))


def fits_table(built: Built) -> pd.DataFrame:
    """What each trace by itself says of how warm its gas was at the start, and so of the fill it began with."""
    rows, fits = built.rows, built.fits
    first = built.fitted.first
    use = np.flatnonzero(built.by_trace & rows["sole_supply"].to_numpy(bool) & np.isfinite(fits.used_free_l))
    part = rows.iloc[use]
    # a start's prior hangs on no other unknown
    mean, sd = without_prior(
        first.start_c[use],
        first.sd_of(START)[use],
        first.prior_mean[use, START],
        first.prior_precision[use, START, START] ** -0.5,
    )
    capacity, mix = part["capacity_l"].to_numpy(float), tuple(part[c].to_numpy(float) for c in ("o2", "he", "ar"))
    water = part["water_c"].to_numpy(float)
    first = fits.modelled_bar[use, 0]
    held = thermal.amount_free_l(capacity, first, mean, *mix, strict=False)
    settled = thermal.pressure_of_free_l(capacity, held, water, *mix, strict=False)
    warmer = thermal.pressure_of_free_l(
        capacity, thermal.amount_free_l(capacity, first, mean + 1.0, *mix, strict=False), water, *mix, strict=False
    )
    minutes = built.readings.last_s[use] / 60.0
    long_enough = minutes >= built.policy.filling.settle_minutes_in_water
    settled_sd = np.where(long_enough, np.hypot(np.abs(warmer - settled) * sd, GAUGE_SCATTER_BAR), np.nan)
    return pd.DataFrame(
        {
            "member_id": part["member_id"],
            "dive_id": part["dive_id"],
            "tank_no": part["tank_no"],
            "fill_id": part["fill_id"],
            "start_c": fits.start_c[use],
            "start_sd_c": fits.sd_of(START)[use],
            "start_basis": part["start_basis"],
            "stated_c": part["start_c"],
            "stated_sd_c": part["start_sd_c"],
            "air_sd_c": part["air_sd_c"],
            "start_data_c": mean,
            "start_data_sd_c": sd,
            "settled_bar": settled,
            "settled_sd_bar": settled_sd,
            "water_c": water,
            "minutes": minutes,
        }
    ).reset_index(drop=True)
