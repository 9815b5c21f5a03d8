"""A member's last twelve months in few figures, for screen and print alike: frames of a snapshot in, words out."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from schemas import trend_words, words
from schemas.reading_units import shown

MOST_CYLINDERS = 8
CYLINDER_HEAD = ("Cylinder", "Dives", "Rate", "Fill low by", "Least margin", "Surfaced with")


@dataclass(frozen=True)
class Season:
    """What stands of a season: a sentence, figures with their basis, shares of the shortfall, cylinders."""

    change: str
    figures: tuple[tuple[str, str, str], ...]
    shortfall: str
    causes: tuple[tuple[str, float], ...]
    cylinders: tuple[tuple[str, ...], ...]


def of_last_year(rows: pd.DataFrame, as_of_on: pd.Timestamp, days: float) -> pd.DataFrame:
    """Dives of the last so many days up to a day, by `started_at`; the same days as those of the reserve's watch."""
    tomorrow = pd.Timestamp(as_of_on).tz_localize("UTC") + pd.Timedelta(days=1)
    at = rows["started_at"]
    return rows[(at < tomorrow) & (at >= tomorrow - pd.Timedelta(days=days + 1))]


def cause_shares(reserve: pd.DataFrame) -> dict[str, float]:
    """What share of the gas that was short each cause took, over dives below policy; they add to one. Empty of none.

    A dive counts by its own shortfall, so that one far below weighs more than one just below.
    """
    below = reserve["below_policy"].fillna(False).astype(bool) & reserve["cause_shares"].notna()
    thin = reserve[below & (reserve["least_margin_free_l"] < 0)]
    short_l = -thin["least_margin_free_l"].to_numpy(float)
    if not short_l.sum() > 0:
        return {}
    # as published they are texts; pages have read them already
    shares = [json.loads(s) if isinstance(s, str) else s for s in thin["cause_shares"]]
    of_each = pd.DataFrame(shares).reindex(columns=list(words.CAUSES)[:-1]).fillna(0.0)
    total = short_l @ of_each.to_numpy(float) / short_l.sum()
    return dict(zip(of_each.columns, (float(v) for v in total), strict=True))


def by_cylinder(consumption: pd.DataFrame, tanks: pd.DataFrame, reserve: pd.DataFrame) -> pd.DataFrame:
    """A row for what was on the back: dives, and medians of what they came to; those dived most first.

    Columns: unit_id ('A1 + A2' of two), dives, rated, rmv_l_min, low_bar, margin_free_l, surfaced_bar.
    """
    back = tanks[(tanks["role"] == "back") & tanks["unit_id"].notna()].sort_values(["dive_id", "unit_id"])
    of_dive = back.groupby("dive_id")["unit_id"].agg(lambda ids: " + ".join(dict.fromkeys(ids))).rename("unit_id")
    rows = consumption[["dive_id", "rmv_l_min"]].merge(of_dive, left_on="dive_id", right_index=True)
    rows = rows.merge(
        reserve[["dive_id", "least_margin_free_l", "surfaced_bar", "fill_low_bar"]], on="dive_id", how="left"
    )
    made = rows.groupby("unit_id").agg(
        dives=("dive_id", "size"),
        rated=("rmv_l_min", "count"),
        rmv_l_min=("rmv_l_min", "median"),
        low_bar=("fill_low_bar", "median"),
        margin_free_l=("least_margin_free_l", "median"),
        surfaced_bar=("surfaced_bar", "median"),
    )
    return made.reset_index().sort_values(["dives", "unit_id"], ascending=[False, True], ignore_index=True)


def season(
    consumption: pd.DataFrame,
    trend: pd.DataFrame,
    reserve: pd.DataFrame,
    tanks: pd.DataFrame,
    watch: Mapping[str, Any] | None,
    as_of_on: pd.Timestamp,
    days: float,
    surfacing_min_bar: float,
    chance: float,
) -> Season:
    """The season of one member.

    Parameters
    ----------
    consumption, trend, reserve, tanks : DataFrame
        Published `dive_consumption`, `consumption_trend`, `dive_reserve` and `dive_tank_use` of that member.
    watch : mapping or None
        The member's row of `reserve_watch`.
    as_of_on : Timestamp
        The day of the snapshot.
    days : float
        How far back the season goes.
    surfacing_min_bar : float
        The policy's least pressure at the surface, bar.
    chance : float
        From which chance a change is called one, see `shared.trend.level`.
    """
    dives = of_last_year(consumption, as_of_on, days)
    kept = reserve.drop(columns="started_at").merge(dives[["dive_id", "started_at"]], on="dive_id")
    ordered = trend.sort_values("started_at")
    now = ordered.iloc[-1] if len(ordered) else None
    shares = cause_shares(kept)
    table = by_cylinder(dives, tanks, kept)
    surfaced = kept["surfaced_bar"].dropna()
    figures = [
        (
            "90th-percentile rate of the next dive",
            words.number(now["planning_rmv_l_min"], 1, "L/min") if now is not None else words.UNKNOWN,
            words.plural(len(ordered), "dive"),
        ),
        (
            "Level at the usual conditions",
            words.with_interval(now["level_rmv_l_min"], now["level_low_l_min"], now["level_high_l_min"], 1, "L/min")
            if now is not None
            else words.UNKNOWN,
            "80 % interval",
        ),
        (
            "Surfaced with, median",
            words.number(surfaced.median() if len(surfaced) else None, 0, "bar"),
            f"from {words.between(surfaced.min(), surfaced.max(), 0, 'bar')}; of {words.plural(len(surfaced), 'dive')}"
            if len(surfaced)
            else "no end pressure of back gas is recorded",
        ),
        (
            f"Surfaced below {words.number(surfacing_min_bar, 0, 'bar')}",
            words.of(watch["dives_below_surfacing_min"], watch["dives_surfaced_known"])
            if watch is not None
            else words.UNKNOWN,
            "common practice, not a published limit",
        ),
        (
            "Below this policy",
            words.of(watch["dives_below_policy"], watch["dives_considered"] - watch["dives_not_assessed"])
            if watch is not None
            else words.UNKNOWN,
            f"not assessed: {words.number(watch['dives_not_assessed'])}" if watch is not None else "",
        ),
    ]
    return Season(
        change=trend_words.year_sentence(now, ordered["started_at"].iloc[0] if len(ordered) else None, chance),
        figures=tuple(figures),
        shortfall=_shortfall(kept, shares),
        causes=tuple(sorted(((words.CAUSES[c], v) for c, v in shares.items()), key=lambda t: -t[1])),
        cylinders=tuple(_cylinder(row) for row in table.head(MOST_CYLINDERS).to_dict("records")),
    )


def _shortfall(kept: pd.DataFrame, shares: dict[str, float]) -> str:
    """How much was short over the season, or why that is not said."""
    below = kept["below_policy"].fillna(False).astype(bool)
    judged, thin = int(kept["below_policy"].notna().sum()), int(below.sum())
    if not judged:
        return "Not known yet: no dive of the last year could be judged against this policy."
    if not thin:
        rest = len(kept) - judged
        others = f" {words.plural(rest, 'dive')} could not be judged." if rest else ""
        none = f"None of {words.plural(judged, 'judged dive')} went below this policy"
        return f"{none}: there is no shortfall to share out.{others}"
    went = f"{words.plural(thin, 'dive')} went below this policy"
    if not shares:
        return f"{went}; by how much and why is not known."
    explained = below & (kept["least_margin_free_l"] < 0) & kept["cause_shares"].notna()
    short = words.number(-kept.loc[explained, "least_margin_free_l"].sum(), 0, "L")
    if int(explained.sum()) < thin:
        return f"{went}; of {int(explained.sum())} it is known why, short by {short} in all. Of that:"
    return f"{went}, by {short} in all. Of that:"


def _cylinder(row: Mapping[str, Any]) -> tuple[str, ...]:
    low = row["low_bar"]
    return (
        str(row["unit_id"]),
        words.number(row["dives"]),
        words.number(row["rmv_l_min"], 1, "L/min"),
        "nothing" if words.known(low) and low < 1 else words.number(low, 0, "bar"),
        words.number(row["margin_free_l"], 0, "L"),
        words.number(row["surfaced_bar"], 0, "bar"),
    )


def strip(consumption: pd.DataFrame, width: float, height: float) -> list[tuple[float, float]]:
    """Places of a season's rates on a strip of so many points, oldest left, the least at the bottom; empty below three.

    Each is (x, y) with y downwards, as drawings count.
    """
    rows = consumption.dropna(subset=["rmv_l_min"]).sort_values("started_at")
    if len(rows) < 3:
        return []
    rate = shown("L/min").of(rows["rmv_l_min"].to_numpy(float))
    at = rows["started_at"].astype("int64").to_numpy(float)
    across = (at - at.min()) / max(np.ptp(at), 1.0) * width
    up = (rate - rate.min()) / max(np.ptp(rate), 1e-9) * height
    return [(round(float(x), 1), round(float(height - y), 1)) for x, y in zip(across, up, strict=True)]
