"""Trend of each member's breathing rate, and what conditions do to it.

`fit_trend_months` learns what all members share, once a calendar month, from dives begun before it.
`build_member_trend` then needs one member's dives alone. No row sees a later dive.
"""

import hashlib
import json
from dataclasses import fields

import numpy as np
import pandas as pd

from schemas.frames import conform
from schemas.policy import Policy
from schemas.tables import TABLES
from shared.breathing import rate_doubtful
from shared.trend import (
    CONDITIONS,
    OUTLIER_Z,
    Z80,
    Z95,
    Dives,
    SharedModels,
    design,
    filter_levels,
    level_band,
    prior_model,
    running_mean,
)
from shared.trend_fit import fit_shared
from shared.trend_slope import next_dive, pct_per_month, slopes, too_few

MODEL_VERSION = "1"

OUT_OF_TREND = {
    "gas_missing",
    "gas_shared",
    "not_open_circuit",
    "loop_tanks_recorded",
    "mean_depth_missing",
    "not_breathable",
    "end_above_start",
    "no_tanks",
    "duplicate_dive",
    "clock_reset",
    "rate_doubtful",
}
"""Flags of a dive that keep it out of the trend even if a rate is stated."""

WATER_IS_KNOWN_DAYS = 60

MODEL_COLUMNS = ("month_on", "version", "dives", "fingerprint", "model")
STATE_COLUMNS = ("level_log", "level_var", "measurement_var", *(f"lean_{c}" for c in CONDITIONS))
AT_COLUMNS = tuple(f"at_{c}" for c in CONDITIONS)


def trend_rows(consumption: pd.DataFrame, dives: pd.DataFrame) -> pd.DataFrame:
    """Every dive of `consumption` by member and time, with its conditions and whether the trend takes it.

    Adds `in_trend`, `month_on`, `day`, `log_rmv`, `measurement_var` and the columns `at_…`. A water
    temperature not recorded is the member's last recorded one of 60 days or less before; else the
    reference stands in, which says nothing.
    """
    known = [c for c in ("water_c", "suit", "gas_shared") if c in dives]
    rows = consumption.drop(columns=[c for c in known if c in consumption and c != "water_c"])
    rows = rows.rename(columns={"water_c": "seen_water_c"})
    rows = rows.merge(dives[["member_id", "dive_id", *known]], on=["member_id", "dive_id"], how="left")
    rows = rows.sort_values(["member_id", "started_at", "dive_id"], kind="stable", ignore_index=True)
    rows["day"] = (rows["started_at"] - pd.Timestamp("1970-01-01", tz="UTC")) / pd.Timedelta(days=1)
    rows["month_on"] = rows["started_at"].dt.tz_localize(None).dt.to_period("M").dt.start_time.astype("datetime64[us]")
    rmv = rows["rmv_l_min"].to_numpy(float)
    with np.errstate(invalid="ignore", divide="ignore"):
        rows["log_rmv"] = np.log(rmv)
        width = np.log(rows["rmv_high_l_min"].to_numpy(float) / rows["rmv_low_l_min"].to_numpy(float))
    sd = np.where(np.isfinite(width), np.clip(width / (2 * Z80), 0.0, 0.5), 0.01)
    rows["measurement_var"] = sd**2
    flagged = np.array([bool(OUT_OF_TREND.intersection(codes_of(f))) for f in rows["flags"]], bool)
    shared = rows["gas_shared"].fillna(False).to_numpy(bool) if "gas_shared" in rows else np.zeros(len(rows), bool)
    rows["in_trend"] = np.isfinite(rmv) & ~rate_doubtful(rmv) & ~flagged & ~shared
    suit = rows["suit"].to_numpy(object) if "suit" in rows else np.full(len(rows), "", object)
    rows[list(AT_COLUMNS)] = design(
        rows["mean_depth_m"].to_numpy(float),
        _water(rows),
        suit == "dry",
        suit == "semidry",
        rows["duration_min"].to_numpy(float),
    )
    return rows


def codes_of(flags) -> list[str]:
    """The codes of one cell; an empty cell has none."""
    return list(flags) if isinstance(flags, (list, tuple, np.ndarray)) else []


def _water(rows: pd.DataFrame) -> np.ndarray:
    water = rows["water_c"].astype(float) if "water_c" in rows else pd.Series(np.nan, index=rows.index)
    if "seen_water_c" in rows:
        water = rows["seen_water_c"].astype(float).fillna(water)
    last = water.groupby(rows["member_id"]).ffill()
    day = rows["day"].where(water.notna()).groupby(rows["member_id"]).ffill()
    return last.where(rows["day"] - day <= WATER_IS_KNOWN_DAYS).to_numpy(float)


def _flat(rows: pd.DataFrame) -> Dives:
    return Dives(
        member=pd.factorize(rows["member_id"])[0].astype(int),
        day=rows["day"].to_numpy(float),
        log_rmv=rows["log_rmv"].to_numpy(float),
        conditions=rows[list(AT_COLUMNS)].to_numpy(float),
        measurement_var=rows["measurement_var"].to_numpy(float),
    )


def fit_trend_months(
    consumption: pd.DataFrame,
    dives: pd.DataFrame,
    policy: Policy,
    previous: pd.DataFrame | None = None,
    as_of_on: pd.Timestamp | None = None,
) -> pd.DataFrame:
    """A row a calendar month: what all members share, fitted from dives begun before that month.

    Parameters
    ----------
    consumption, dives : DataFrame
        Of all members.
    policy : Policy
        Not used yet; every builder takes it.
    previous : DataFrame, optional
        An earlier result. A month whose dives before it are the same keeps its row; a dive that came
        late makes the months after it new.
    as_of_on : Timestamp, optional
        Months go on to this day's.

    Returns
    -------
    DataFrame
        `month_on`, `version`, `dives` (used), `fingerprint`, `model` (JSON).
    """
    rows = trend_rows(consumption, dives)
    rows = rows[rows["in_trend"]].reset_index(drop=True)
    months = _months(rows, as_of_on)
    earlier = previous if previous is not None else pd.DataFrame({"fingerprint": [], "model": []})
    kept = dict(zip(earlier["fingerprint"], earlier["model"], strict=True))
    flat = _flat(rows)
    month_of = rows["month_on"].to_numpy("datetime64[us]")
    digests = _digests(rows)
    made: list[tuple] = []
    model, digest = None, hashlib.sha256(MODEL_VERSION.encode())
    for month in months:
        before = month_of < month.to_datetime64()
        fingerprint = digest.hexdigest()[:16]
        if made and made[-1][3] == fingerprint:
            text = made[-1][4]
        elif fingerprint in kept:
            text = kept[fingerprint]
        else:
            text = _to_json(fit_shared(flat.keep(before), model))
        model = _from_json([text]) if before.any() else None
        made.append((month, f"{MODEL_VERSION}-{fingerprint[:8]}", int(before.sum()), fingerprint, text))
        if month in digests:
            digest.update(digests[month])
    frame = pd.DataFrame(made, columns=list(MODEL_COLUMNS))
    text = dict.fromkeys(("version", "fingerprint", "model"), "str")
    return frame.astype({"month_on": "datetime64[us]", "dives": "int64", **text})


def _months(rows: pd.DataFrame, as_of_on: pd.Timestamp | None) -> pd.DatetimeIndex:
    ends = list(rows["month_on"].agg(["min", "max"])) if len(rows) else []
    if as_of_on is not None:
        ends.append(pd.Timestamp(as_of_on).to_period("M").start_time)
    return pd.date_range(min(ends), max(ends), freq="MS") if ends else pd.DatetimeIndex([])


def _digests(rows: pd.DataFrame) -> dict[pd.Timestamp, bytes]:
    """A digest of each month's dives; rounding keeps it from turning on the last bit of a float."""
    numbers = rows[["day", "log_rmv", "measurement_var", *AT_COLUMNS]].round(9)
    used = pd.concat([rows[["member_id", "dive_id"]], numbers], axis=1)
    hashed = pd.util.hash_pandas_object(used, index=False).to_numpy()
    places = rows.groupby("month_on").indices
    return {pd.Timestamp(str(month)): hashed[at].tobytes() for month, at in places.items()}


def _to_json(model: SharedModels) -> str:
    return json.dumps({f.name: getattr(model, f.name).tolist() for f in fields(SharedModels)})


def _from_json(texts: list[str]) -> SharedModels:
    read = [json.loads(t) for t in texts]
    return SharedModels(*(np.concatenate([np.asarray(r[f.name], float) for r in read]) for f in fields(SharedModels)))


def models_for(model: pd.DataFrame, month_on: pd.Series) -> tuple[SharedModels, np.ndarray]:
    """Fits that these months ask for, and which of them each row has; a month not fitted has the last before it."""
    if not len(model) or not len(month_on):
        return prior_model(), np.zeros(len(month_on), int)
    ordered = model.sort_values("month_on", ignore_index=True)
    place = np.searchsorted(ordered["month_on"].to_numpy(), month_on.to_numpy("datetime64[us]"), side="right") - 1
    used, of = np.unique(np.maximum(place, 0), return_inverse=True)
    return _from_json(list(ordered["model"].iloc[used])), of.astype(int)


def build_member_trend(
    consumption: pd.DataFrame, dives: pd.DataFrame, model: pd.DataFrame, policy: Policy
) -> dict[str, pd.DataFrame]:
    """Trend rows of one member (or of several), each from the dives up to it.

    Returns
    -------
    dict of DataFrame
        `consumption_trend`: a row a dive in the trend. Beyond the contract: `next_low_l_min`,
        `next_high_l_min` (80 % of the next dive), `flags`, `model_version`.
        `trend_state` (internal): a row for every dive of `consumption`: conditions and what was known of
        the level after it, for the reserve's prediction.
    """
    rows = trend_rows(consumption, dives)
    taken = rows["in_trend"].to_numpy(bool)
    inside = rows[taken].reset_index(drop=True)
    models, of = models_for(model, inside["month_on"])
    flat = _flat(inside)
    levels = filter_levels(flat, models, of)
    level, low, high = level_band(levels, running_mean(flat), models, of)
    slope, slope_sd = slopes(flat, levels.weight, models, of)
    few = too_few(flat)
    ahead = next_dive(flat, levels, models, of)
    trend = np.where(
        few,
        "too_few",
        np.where(slope - Z80 * slope_sd > 0, "rising", np.where(slope + Z80 * slope_sd < 0, "falling", "steady")),
    )
    versions = dict(zip(model["month_on"], model["version"], strict=True)) if len(model) else {}
    made = pd.DataFrame(
        {
            "member_id": inside["member_id"],
            "dive_id": inside["dive_id"],
            "started_at": inside["started_at"],
            "level_rmv_l_min": level,
            "level_low_l_min": low,
            "level_high_l_min": high,
            "planning_rmv_l_min": ahead[:, 1],
            "slope_pct_per_month": pct_per_month(slope),
            "slope_low_pct": pct_per_month(slope - Z80 * slope_sd),
            "slope_high_pct": pct_per_month(slope + Z80 * slope_sd),
            "slope_sure": ~few & (np.abs(slope) > Z95 * slope_sd),
            "trend": trend,
            "next_low_l_min": ahead[:, 0],
            "next_high_l_min": ahead[:, 1],
            "flags": [["outlier_dive"] if far else [] for far in np.abs(levels.z) > OUTLIER_Z],
            "model_version": pd.Series([versions.get(m, "prior") for m in inside["month_on"]], dtype="str"),
        }
    )
    keep = ("next_low_l_min", "next_high_l_min", "flags", "model_version")
    declared = TABLES["consumption_trend"].fields
    return {
        "consumption_trend": conform(made, declared.values(), keep=[k for k in keep if k not in declared]),
        "trend_state": _states(rows, taken, levels, model),
    }


def _states(rows: pd.DataFrame, taken: np.ndarray, levels, model: pd.DataFrame) -> pd.DataFrame:
    """What was known after each dive; a dive outside the trend leaves the knowledge as it was."""
    state = rows[["member_id", "dive_id", "started_at", "month_on", "day", *AT_COLUMNS]].copy()
    state["in_trend"] = taken
    found = np.column_stack([levels.level, levels.level_var, rows["measurement_var"].to_numpy()[taken], levels.lean])
    values = np.full((len(rows), len(STATE_COLUMNS)), np.nan)
    values[taken] = found
    state[list(STATE_COLUMNS)] = values
    state["level_day"] = state["day"].where(taken)
    state["level_month_on"] = state["month_on"].where(taken)
    known = [*STATE_COLUMNS, "level_day", "level_month_on"]
    state[known] = state.groupby("member_id")[known].ffill()
    models, of = models_for(model, state["month_on"])
    begin = state["level_log"].isna().to_numpy()
    state.loc[begin, "level_log"] = models.mean_log[of][begin]
    state.loc[begin, "level_var"] = models.between_var[of][begin]
    state.loc[begin, ["measurement_var", *(f"lean_{c}" for c in CONDITIONS)]] = 0.0
    state["level_day"] = state["level_day"].fillna(state["day"])
    state["level_month_on"] = state["level_month_on"].fillna(state["month_on"])
    return state


def build_condition_effects(model: pd.DataFrame, as_of_on: pd.Timestamp | None = None) -> pd.DataFrame:
    """What conditions do to the rate by the newest fit, with 80 % intervals, per cent."""
    rows = model.sort_values("month_on")
    if as_of_on is not None:
        rows = rows[rows["month_on"] <= as_of_on]
    declared = TABLES["condition_effects"].fields.values()
    if not len(rows) or not rows["dives"].iloc[-1]:
        return conform(pd.DataFrame({"condition": pd.Series([], dtype="str")}), declared)
    last = _from_json([rows["model"].iloc[-1]])
    effect, sd = last.effects[0], np.sqrt(np.diag(last.effects_cov[0]))
    made = pd.DataFrame(
        {
            "condition": list(CONDITIONS),
            "effect_pct": 100 * np.expm1(effect),
            "effect_low_pct": 100 * np.expm1(effect - Z80 * sd),
            "effect_high_pct": 100 * np.expm1(effect + Z80 * sd),
        }
    )
    return conform(made, declared)
