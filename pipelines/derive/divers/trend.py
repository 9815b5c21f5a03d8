"""Trend of each member's breathing rate, and what conditions do to it.

`fit_trend_months` learns what all members share, once a calendar month, from dives begun before it.
`build_member_trend` then needs one member's dives alone. No row sees a later dive.
"""

import hashlib
import json
from dataclasses import fields

import numpy as np
import pandas as pd

from schemas.codes import codes_that
from schemas.frames import conform
from schemas.tables import TABLES
from shared.diving.breathing import rate_doubtful
from shared.gas.constants import Z80
from shared.trend.change import (
    chance_risen,
    change,
    changing_share,
    has_change,
    pct_per_month,
    quantiles,
    slope,
    too_few,
    too_few_for_slope,
)
from shared.trend.filters import Levels, before_any, follow
from shared.trend.level import (
    CALLED_FROM_CHANCE,
    CONDITIONS,
    DAYS_A_MONTH,
    OUTLIER_Z,
    Dives,
    SharedModels,
    design,
    prior_model,
    running_mean,
)
from shared.trend.next_dive import level_band, next_dive, rate_of_next
from shared.trend.shared_fit import Learner, together

MODEL_VERSION = "2"

OUT_OF_TREND = codes_that(lambda c: c.out_of_trend)
"""Flags of a dive that keep it out of the trend even if a rate is stated."""

WATER_IS_KNOWN_DAYS = 60

ROWS_AT_ONCE = 2000
"""So many rows' filters are held at once, but a member is never split."""

MODEL_COLUMNS = ("month_on", "version", "dives", "fingerprint", "model")
LEVEL_STATES = {
    "level_log": "level",
    "drift_log_day": "drift",
    "level_var": "level_var",
    "level_drift_cov": "level_drift",
    "drift_var": "drift_var",
    "walk_var_day": "walk_var_day",
    "drift_var_day2": "drift_var_day2",
    "scatter_var": "scatter_var",
}
"""Columns of `trend_state` by the field of `Levels` that they hold."""

STATE_COLUMNS = (
    *LEVEL_STATES,
    "measurement_var",
    *(f"{part}_{c}" for part in ("level_conditions", "drift_conditions") for c in CONDITIONS),
)
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
    previous: pd.DataFrame | None = None,
    as_of_on: pd.Timestamp | None = None,
) -> pd.DataFrame:
    """A row a calendar month: what all members share, fitted from dives begun before that month.

    Parameters
    ----------
    consumption, dives : DataFrame
        Of all members.
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
    of_month = {pd.Timestamp(str(month)): np.sort(at) for month, at in rows.groupby("month_on").indices.items()}
    digests = _digests(rows)
    learner = _Months(rows, of_month)
    made: list[tuple] = []
    before, digest = 0, hashlib.sha256(MODEL_VERSION.encode())
    for month in months:
        fingerprint = digest.hexdigest()[:16]
        if made and made[-1][3] == fingerprint:
            text = made[-1][4]
        elif fingerprint in kept:
            text = kept[fingerprint]
        else:
            text = _to_json(learner.fit(made))
        made.append((month, f"{MODEL_VERSION}-{fingerprint[:8]}", before, fingerprint, text))
        if month in digests:
            digest.update(digests[month])
            before += len(of_month[month])
    frame = pd.DataFrame(made, columns=list(MODEL_COLUMNS))
    text = dict.fromkeys(("version", "fingerprint", "model"), "str")
    return frame.astype({"month_on": "datetime64[us]", "dives": "int64", **text})


class _Months:
    """Leads all members' filters through months whose fits are known, only where one is asked for that is not."""

    def __init__(self, rows: pd.DataFrame, of_month: dict[pd.Timestamp, np.ndarray]):
        self.rows, self.of_month = rows, of_month
        self.learner: Learner | None = None
        self.taken = 0

    def fit(self, made: list[tuple]) -> SharedModels:
        """The fit that follows these months' rows of the result."""
        if self.learner is None:
            self.learner = Learner(_flat(self.rows))
        for month, _, _, _, text in made[self.taken :]:
            self.learner.take(self.of_month.get(month, np.zeros(0, int)), _from_json([text]))
        self.taken = len(made)
        return self.learner.next_fit(_from_json([made[-1][4]]) if made else prior_model())


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
    read = ({name: np.asarray(value, float) for name, value in json.loads(text).items()} for text in texts)
    return together([SharedModels(**values) for values in read])


def models_for(model: pd.DataFrame, month_on: pd.Series) -> tuple[SharedModels, np.ndarray]:
    """Fits that these months ask for, and which of them each row has; a month not fitted has the last before it."""
    if not len(model) or not len(month_on):
        return prior_model(), np.zeros(len(month_on), int)
    ordered = model.sort_values("month_on", ignore_index=True)
    place = np.searchsorted(ordered["month_on"].to_numpy(), month_on.to_numpy("datetime64[us]"), side="right") - 1
    used, of = np.unique(np.maximum(place, 0), return_inverse=True)
    return _from_json(list(ordered["model"].iloc[used])), of.astype(int)


def build_member_trend(consumption: pd.DataFrame, dives: pd.DataFrame, model: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Trend rows of one member (or of several), each from the dives up to it.

    Returns
    -------
    dict of DataFrame
        `consumption_trend`: a row a dive in the trend. Beyond the contract: `chance_risen` (that the level
        rose over the 12 months), `next_low_l_min`, `next_high_l_min` (80 % of the next dive), `flags`,
        `model_version`.
        `trend_state` (internal): a row for every dive of `consumption`: conditions and what was known of
        the level after it, for the reserve's prediction.
    """
    rows = trend_rows(consumption, dives)
    taken = rows["in_trend"].to_numpy(bool)
    inside = rows[taken].reset_index(drop=True)
    models, of = models_for(model, inside["month_on"])
    flat = _flat(inside)
    levels = Levels.blank(len(flat), len(CONDITIONS))
    figures = [np.zeros((0, len(_FIGURES)))]
    for part in _some_members(flat.member):
        found, figure = _rows_of(flat.keep(part), models, of[part])
        levels.put(part, found)
        figures.append(figure)
    level, low, high = level_band(levels, running_mean(flat), models, of)
    ahead = next_dive(flat, levels, models, of)
    figured = pd.DataFrame(np.concatenate(figures), columns=list(_FIGURES))
    few, risen = too_few(flat), figured["chance_risen"].to_numpy()
    named = np.select([few, risen >= CALLED_FROM_CHANCE, risen <= 1 - CALLED_FROM_CHANCE],
                      ["too_few", "rising", "falling"], "steady")  # fmt: skip
    figured.loc[~has_change(flat), list(_CHANGES)] = np.nan
    sure = (figured["slope_lowest_pct"] > 0) | (figured["slope_highest_pct"] < 0)
    versions = dict(zip(model["month_on"], model["version"], strict=True)) if len(model) else {}
    made = inside[["member_id", "dive_id", "started_at"]].assign(
        level_rmv_l_min=level,
        level_low_l_min=low,
        level_high_l_min=high,
        planning_rmv_l_min=ahead[:, 1],
        **{name: figured[name] for name in _FIGURES},
        slope_sure=sure.to_numpy() & ~too_few_for_slope(flat),
        trend=named,
        next_low_l_min=ahead[:, 0],
        next_high_l_min=ahead[:, 1],
        flags=[["outlier_dive"] if far else [] for far in np.abs(levels.z) > OUTLIER_Z],
        model_version=pd.Series([versions.get(m, "prior") for m in inside["month_on"]], dtype="str"),
    )
    return {
        "consumption_trend": conform(made, TABLES["consumption_trend"].fields.values()),
        "trend_state": _states(rows, taken, levels, model),
    }


_SLOPES = ("slope_lowest_pct", "slope_low_pct", "slope_pct_per_month", "slope_high_pct", "slope_highest_pct")
_CHANGES = ("change_12m_low_pct", "change_12m_pct", "change_12m_high_pct", "chance_risen")
_FIGURES = (*_SLOPES, *_CHANGES)


def _some_members(member: np.ndarray):
    """Slices of whole members' rows, of some thousand rows each."""
    ends = np.flatnonzero(np.r_[member[1:] != member[:-1], True]) + 1 if len(member) else np.zeros(0, int)
    start = end = 0
    for at in ends:
        if at - start > ROWS_AT_ONCE and end > start:
            yield slice(start, end)
            start = end
        end = int(at)
    if end > start:
        yield slice(start, end)


def _rows_of(flat: Dives, models: SharedModels, of: np.ndarray) -> tuple[Levels, np.ndarray]:
    """What was known after each dive of some members, and slope and change in the order of `_FIGURES`."""
    levels, history = follow(flat, models, of)
    share = changing_share(history, models, of)
    by_day = slope(flat, history, models, of)
    by_year = change(flat, history, models, of)
    slopes = quantiles(by_day, share, (0.025, 0.1, 0.5, 0.9, 0.975), close=1e-5 / DAYS_A_MONTH)
    changes = quantiles(by_year, share, (0.1, 0.5, 0.9), close=1e-5)
    risen = chance_risen(by_year, history)
    return levels, np.column_stack([pct_per_month(slopes), 100 * np.expm1(changes), risen])


def _states(rows: pd.DataFrame, taken: np.ndarray, levels: Levels, model: pd.DataFrame) -> pd.DataFrame:
    """What was known after each dive; a dive outside the trend leaves the knowledge as it was."""
    state = rows[["member_id", "dive_id", "started_at", "month_on", "day", *AT_COLUMNS]].copy()
    state["in_trend"] = taken
    found = [getattr(levels, name) for name in LEVEL_STATES.values()]
    values = np.full((len(rows), len(STATE_COLUMNS)), np.nan)
    values[taken] = np.column_stack(
        [*found, rows["measurement_var"].to_numpy()[taken], levels.level_conditions, levels.drift_conditions]
    )
    state[list(STATE_COLUMNS)] = values
    state["level_day"] = state["day"].where(taken)
    state["level_month_on"] = state["month_on"].where(taken)
    known = [*STATE_COLUMNS, "level_day", "level_month_on"]
    state[known] = state.groupby("member_id")[known].ffill()
    begin = state["level_log"].isna().to_numpy()
    models, of = models_for(model, state["month_on"])
    unknown = before_any(models, of)
    for column, name in LEVEL_STATES.items():
        state.loc[begin, column] = getattr(unknown, name)[begin]
    state[list(STATE_COLUMNS)] = state[list(STATE_COLUMNS)].fillna(0.0)
    state["level_day"] = state["level_day"].fillna(state["day"])
    state["level_month_on"] = state["level_month_on"].fillna(state["month_on"])
    return state


def predicted_rates(
    state: pd.DataFrame, at_conditions: np.ndarray, to_day: np.ndarray, model: pd.DataFrame
) -> tuple[np.ndarray, np.ndarray]:
    """Log rate of a later dive, and its deviation, by what was known after each row of `trend_state`.

    Parameters
    ----------
    state : DataFrame
        n rows of `trend_state`.
    at_conditions : ndarray, (n, J, K)
        Conditions to predict at, as in the state's columns `at_…`.
    to_day : ndarray, (n,)
        The later dive's day.
    model : DataFrame
        The monthly fits.

    Returns
    -------
    mean, sd : ndarray, (n, J)
        The deviation is stretched by what past errors showed.
    """
    models, of = models_for(model, state["level_month_on"])
    values = {name: state[column].to_numpy(float) for column, name in LEVEL_STATES.items()}
    seen_in = {
        p: state[[f"{p}_{c}" for c in CONDITIONS]].to_numpy(float) for p in ("level_conditions", "drift_conditions")
    }
    nothing = np.zeros(len(state))
    levels = Levels(**values, **seen_in, innovation=nothing, z=nothing, weight=nothing + 1.0)
    gap = np.maximum(to_day - state["level_day"].to_numpy(float), 0.0)
    mean, sd = rate_of_next(levels, at_conditions, state["measurement_var"].to_numpy(float), gap, models, of)
    return mean, sd * ((models.z_high - models.z_low)[of] / (2 * Z80))[:, None]


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
