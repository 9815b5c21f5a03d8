"""Invented members with dives, fills and traces, in the shapes that the earlier steps hand over."""

import numpy as np
import pandas as pd

from schemas.frames import empty
from schemas.sources import SOURCES
from schemas.tables import TABLES
from shared.gas.thermal import amount_free_l

NOON = pd.Timestamp("2031-03-01 12:00", tz="UTC")


def unit(unit_id="U1", capacity_l=12.0, permitted_bar=232.0, material="steel", empty_mass_kg=14.0):
    return {
        "unit_id": unit_id,
        "material": material,
        "water_capacity_l": capacity_l,
        "permitted_bar": permitted_bar,
        "empty_mass_kg": empty_mass_kg,
    }


def units_frame(*rows):
    return pd.DataFrame(list(rows) or [unit()]).astype({"unit_id": "str", "material": "str"})


def make_dive(
    dive_id,
    day,
    *,
    rmv=16.0,
    depth_m=20.0,
    minutes=40,
    start_bar=225.0,
    capacity_l=12.0,
    water_c=12.0,
    suit="wet",
    fill=None,
    dives_since_fill=0,
    step_s=10,
    member_id="M1",
    unit_id="U1",
    **dive,
):
    """One square dive with a slow way up; gas at the water's temperature. Returns its rows by table."""
    t = np.arange(0, minutes * 60 + 1, step_s, dtype=float)
    down, up = depth_m / 18 * 60, depth_m / 9 * 60
    depth = np.interp(t, [0, down, max(minutes * 60 - up, down), minutes * 60], [0, depth_m, depth_m, 0])
    ambient = 1.01325 + 1025 * 9.80665 * depth / 1e5
    pressure_time = np.r_[0, np.cumsum((ambient[1:] + ambient[:-1]) / 2 * np.diff(t) / 60)]
    start = float(amount_free_l(capacity_l, start_bar, water_c))
    amount = start - rmv * pressure_time
    pressures = np.linspace(-0.5, 320, 1200)
    tank_bar = np.interp(amount, amount_free_l(capacity_l, pressures, water_c), pressures)
    started = NOON + pd.Timedelta(days=day)
    mean_depth = float(np.trapezoid(depth, t) / t[-1])
    key = {"member_id": member_id, "dive_id": dive_id}
    used = rmv * pressure_time[-1]
    return {
        "dives": {**key, "started_at": started, "water": "salt", "water_c": water_c, "suit": suit, **dive},
        "dive_consumption": {
            **key,
            "started_at": started,
            "fill_id": fill,
            "dives_since_fill": dives_since_fill,
            "duration_min": float(minutes),
            "mean_depth_m": mean_depth,
            "max_depth_m": depth_m,
            "gas_used_free_l": used,
            "rmv_l_min": rmv,
            "rmv_low_l_min": rmv * 0.985,
            "rmv_high_l_min": rmv * 1.015,
            "method": "trace",
            "flags": [],
        },
        "dive_tank_use": {
            **key,
            "tank_no": 1,
            "unit_id": unit_id,
            "role": "back",
            "o2_pct": 20.95,
            "he_pct": 0.0,
            "start_pressure_bar": start_bar,
            "end_pressure_bar": tank_bar[-1],
            "gas_used_free_l": used,
            "fill_id": fill,
        },
        "dive_surfacing": {
            **key,
            "surfaced_bar": tank_bar[-1],
            "least_bar": tank_bar[-1],
            "most_bar": tank_bar[-1],
            "surfaced_free_l": amount[-1] - float(amount_free_l(capacity_l, 0.0, water_c)),
            "back_cylinders": 1,
            "back_ends": 1,
            "apart": False,
        },
        "dive_tanks": {**key, "tank_no": 1, "unit_id": unit_id, "role": "back", "water_capacity_l": capacity_l},
        "dive_trace": pd.DataFrame(
            {
                **key,
                "t_s": t,
                "depth_m": depth,
                "ambient_bar_abs": ambient,
                "tank_bar": tank_bar,
                "gas_c": water_c,
                "usable_free_l": amount - float(amount_free_l(capacity_l, 0.0, water_c)),
                "back_amount_free_l": amount,
                "unusable_free_l": float(amount_free_l(capacity_l, 10.0, water_c)),
                "one_side_usable_free_l": np.nan,
            }
        ),
    }


def frames(*dives, fills=(), units=None):
    """The tables of these dives, every column of the contract there."""
    made = {}
    for name in ("dives", "dive_tanks"):
        made[name] = _complete([d[name] for d in dives], SOURCES[name].fields)
    for name in ("dive_consumption", "dive_tank_use"):
        made[name] = _complete([d[name] for d in dives], TABLES[name].fields)
    made["dive_trace"] = pd.concat([d["dive_trace"] for d in dives], ignore_index=True)
    made["dive_surfacing"] = pd.DataFrame([d["dive_surfacing"] for d in dives]).astype(
        {"dive_id": "str", "member_id": "str"}
    )
    made["fill_quality"] = _complete(list(fills), TABLES["fill_quality"].fields)
    made["units"] = units if units is not None else units_frame()
    return made


def _complete(rows, fields):
    blank = empty(fields.values())
    if not rows:
        return blank
    frame = pd.DataFrame(rows).reindex(columns=list(blank.columns))
    for name, dtype in blank.dtypes.items():
        if dtype != "object":
            frame[name] = frame[name].astype(dtype)
    return frame


def a_fill(fill_id, target_bar=232.0, stop_bar=232.0, settled_bar=232.0, capacity_l=12.0):
    """A fill with its own split of the shortfall."""
    return {
        "fill_id": fill_id,
        "unit_id": "U1",
        "water_capacity_l": capacity_l,
        "target_pressure_bar": target_bar,
        "stop_pressure_bar": stop_bar,
        "settled_pressure_bar_15c": settled_bar,
        "stopped_early_free_l": capacity_l * (target_bar - stop_bar),
        "cooling_free_l": capacity_l * (stop_bar - settled_bar),
    }
