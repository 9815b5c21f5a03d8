"""Small hand-made dives in the shape of the inputs, for tests of rules."""

import numpy as np
import pandas as pd

from pipelines.derive.dives.step import build_member_dives
from schemas.policy import Policy

BOOLS = ("overhead", "mandatory_stops", "gas_shared")


def dive(dive_id="d1", started="2031-06-01 10:00", **more):
    """A row of `dives`."""
    row = {
        "dive_id": dive_id,
        "member_id": "m0",
        "started_at": pd.Timestamp(started, tz="UTC"),
        "mode": None,
        "surface_pressure_bar_abs": np.nan,
        "water": "salt",
        "air_c": 18.0,
        "water_c": 10.0,
        "duration_min": np.nan,
        "mean_depth_m": np.nan,
        "max_depth_m": np.nan,
        "suit": "dry",
        "team_size": pd.NA,
        "overhead": pd.NA,
        "mandatory_stops": pd.NA,
        "gas_shared": pd.NA,
    }
    return row | more


def tank(dive_id="d1", tank_no=1, **more):
    """A row of `dive_tanks`."""
    row = {
        "dive_id": dive_id,
        "member_id": "m0",
        "tank_no": tank_no,
        "unit_id": None,
        "role": "back",
        "water_capacity_l": 12.0,
        "o2_pct": 20.95,
        "he_pct": np.nan,
        "ar_pct": np.nan,
        "start_pressure_bar": 210.0,
        "end_pressure_bar": 70.0,
        "second_gauge_end_bar": np.nan,
    }
    return row | more


def profile(
    dive_id="d1",
    depth_m=18.0,
    minutes=40.0,
    step_s=10.0,
    tail_min=0.0,
    wobble_m=0.0,
    shift_s=0.0,
    bars=None,
    water_c=10.0,
):
    """Rows of `dive_samples`: down, along, up; `bars` maps a tank number to (start, end)."""
    t = np.arange(0.0, (minutes + tail_min) * 60.0 + 1e-9, step_s)
    down = np.minimum(depth_m, 0.3 * t)
    depth = np.clip(np.minimum(down, 0.15 * (minutes * 60.0 - t)), 0, None)
    depth = np.where(depth > 3, depth + wobble_m * np.sin((t + shift_s) / 77.0), depth)
    frame = pd.DataFrame({"dive_id": dive_id, "member_id": "m0", "t_s": t, "depth_m": depth, "water_c": water_c})
    used = np.concatenate([[0.0], np.cumsum(1.013 + 0.1 * depth[:-1])])
    for number in range(1, 7):
        frame[f"tank_{number}_bar"] = np.nan
        if bars and number in bars:
            start, end = bars[number]
            frame[f"tank_{number}_bar"] = start + (end - start) * np.where(
                t <= minutes * 60, used / used[t <= minutes * 60][-1], 1.0
            )
    return frame


def inputs(dives, tanks, samples=()):
    """The three frames with the dtypes that intake gives them."""
    dives = pd.DataFrame(dives, columns=list(dive()))
    dives = dives.astype(
        {"mode": "str", "water": "str", "suit": "str", "team_size": "Int64"} | {name: "boolean" for name in BOOLS}
    )
    dives["started_at"] = dives["started_at"].astype("datetime64[us, UTC]")
    tanks = pd.DataFrame(tanks, columns=list(tank())).astype({"unit_id": "str", "role": "str", "tank_no": "Int64"})
    numbers = [c for c in tanks if c.endswith(("_bar", "_pct", "_l"))]
    tanks[numbers] = tanks[numbers].astype("float64")
    samples = list(samples)
    frame = pd.concat(samples, ignore_index=True) if samples else profile().iloc[0:0]
    return {"dives": dives, "dive_tanks": tanks, "dive_samples": frame}


def units(*rows):
    """The `units` table; a row is (unit_id, set_id, side, joined, litres)."""
    frame = pd.DataFrame(rows, columns=["unit_id", "set_id", "side", "joined", "water_capacity_l"])
    return frame.assign(material="steel", capacity_sd_pct=0.0, permitted_bar=232.0, working_pressure_bar=232.0).astype(
        {"unit_id": "str", "set_id": "str", "side": "str", "joined": "boolean", "water_capacity_l": "float64"}
    )


def fills(*rows):
    """Fills; a row is a dict."""
    blank = {
        "fill_id": "f1",
        "unit_id": "c1",
        "filled_at": pd.Timestamp("2031-05-31 10:00", tz="UTC"),
        "gas_c": 40.0,
        "ambient_c": 16.0,
        "analysed_o2_pct": 20.9,
        "analysed_he_pct": np.nan,
        "target_o2_pct": 20.95,
        "target_he_pct": np.nan,
        "target_ar_pct": np.nan,
        "in_test": True,
        "max_operating_depth_m": 56.0,
        "max_operating_depth_deco_m": 66.0,
    }
    frame = pd.DataFrame([blank | row for row in rows], columns=list(blank))
    frame["filled_at"] = pd.to_datetime(frame["filled_at"], utc=True).astype("datetime64[us, UTC]")
    numbers = [c for c in frame if c.endswith(("_pct", "_m", "_c"))]
    frame[numbers] = frame[numbers].astype("float64")
    return frame.astype({"fill_id": "str", "unit_id": "str", "in_test": "boolean"})


C1 = ("c1", None, None, False, 12.0)
SET = [("s1", "s1", None, True, 24.0), ("s1-l", "s1", "left", True, 12.0), ("s1-r", "s1", "right", True, 12.0)]


def build(dives, tanks, samples=(), register=(C1,), filled=(), **more):
    return build_member_dives(
        "m0",
        inputs(dives, tanks, samples),
        units(*register),
        fills(*filled),
        Policy(),
        **more,
    )


def one(built):
    consumption = built["dive_consumption"]
    assert len(consumption) == 1
    return consumption.iloc[0]
