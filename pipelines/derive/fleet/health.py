"""The fleet: what may be filled today and why not, what leaks, and one cylinder's life."""

import numpy as np
import pandas as pd

from pipelines.derive.fills.slips import stop_below_start
from pipelines.derive.fleet.cylinder_life import build_cylinder_life
from pipelines.derive.fleet.findings import finding_reasons
from pipelines.derive.fleet.holders import STATION, loans_of_cylinders, look_up
from pipelines.derive.fleet.inspections import cylinder_states_on, local_day, noon_of
from pipelines.derive.units import cylinders_of_units_on, set_membership
from schemas.policy import Policy
from schemas.tables import TABLES
from shared.inspection.state import States

# short this often, and this much oftener than the fleet's middle: where all fills are short it is not the cylinder
SHORT_SHARE, SHORT_ABOVE_FLEET, SHORT_LEAST_FILLS = 0.3, 0.2, 5


def build_fleet(
    inputs: dict[str, pd.DataFrame],
    units: pd.DataFrame,
    fill_quality: pd.DataFrame,
    dive_tank_use: pd.DataFrame,
    leaks: tuple[pd.DataFrame, pd.DataFrame],
    policy: Policy,
    as_of_on: pd.Timestamp,
) -> dict[str, pd.DataFrame]:
    """The tables cylinder_health and cylinder_life.

    Parameters
    ----------
    inputs : dict of DataFrame
    units, fill_quality, dive_tank_use : DataFrame
    leaks : tuple of DataFrame
        Rates and intervals, as `build_leaks` gives them.
    policy : Policy
    as_of_on : Timestamp
        Today.
    """
    today = pd.Timestamp(as_of_on)
    cylinders = inputs["cylinders"].sort_values("cylinder_id", ignore_index=True)
    inputs = inputs | {"cylinders": cylinders}
    rates, intervals = leaks
    filled = _fills_by_cylinder(inputs, fill_quality, policy)

    health = pd.DataFrame(
        {name: cylinders[name].astype("str") for name in ("cylinder_id", "owner_id", "set_id", "status")}
    )
    everywhere = pd.Series(today, index=cylinders.index)
    _, states = cylinder_states_on(inputs, policy, cylinders["cylinder_id"], everywhere)
    health["last_visual_on"] = states.last_visual_on.astype("datetime64[us]")
    health["last_hydrostatic_on"] = states.last_hydrostatic_on.astype("datetime64[us]")
    health["next_due_on"] = states.due_on.astype("datetime64[us]")
    health["next_due_kind"] = pd.Series(states.due_kind, dtype="str").where(states.due_kind != "")
    health["days_to_due"] = ((health["next_due_on"] - today).dt.days).astype("Int64")
    health["inspection_state"] = pd.Series(states.state, dtype="str")
    health["rule_set"] = cylinders["rule_set"].fillna(policy.rule_set).astype("str")

    out = loans_of_cylinders(inputs, today, policy.time_zone).set_index("cylinder_id")
    owner = cylinders["owner_id"].fillna(STATION)
    health["held_by"] = look_up(cylinders["cylinder_id"], out["member_id"]).fillna(owner).astype("str")

    health = health.merge(_fill_counts(filled, health), on="cylinder_id", how="left")
    for name in ("fills_since_hydrostatic", "fills_out_of_date"):
        health[name] = health[name].fillna(0).astype("Int64")
    health = health.merge(_leaks_by_cylinder(cylinders, rates, inputs, today), on="cylinder_id", how="left")
    health["leak_flag"] = health["leak_flag"].astype("boolean")
    health["last_seen_at"] = _last_seen(health["cylinder_id"], inputs, filled, dive_tank_use, policy)
    health["score_reasons"] = _reasons(inputs, health, states, units, intervals, out, filled, today, policy.time_zone)
    return {
        "cylinder_health": health[TABLES["cylinder_health"].columns],
        "cylinder_life": build_cylinder_life(inputs, filled, dive_tank_use, intervals, policy),
    }


def _fills_by_cylinder(inputs: dict[str, pd.DataFrame], fill_quality: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    """Each fill once a cylinder that took part, with whether that cylinder was in test that day."""
    day = local_day(fill_quality["filled_at"], policy.time_zone)
    pairs = cylinders_of_units_on(inputs, fill_quality["unit_id"], day)
    place, states = cylinder_states_on(inputs, policy, pairs["cylinder_id"], pairs["on"])
    pairs = pairs[place >= 0].assign(
        in_test=states.in_test, hydrostatic_before=states.last_hydrostatic_on.astype("datetime64[us]")
    )
    wanted = [
        "fill_id",
        "filled_at",
        "start_pressure_bar",
        "stop_pressure_bar",
        "target_pressure_bar",
        "settled_pressure_bar_15c",
    ]
    fills = fill_quality[wanted].reset_index(drop=True)
    fills["start_pressure_bar"] = fills["start_pressure_bar"].mask(stop_below_start(fills))
    made = pairs.merge(fills, left_on="row", right_index=True, how="left")
    settled = made["settled_pressure_bar_15c"]
    made["short"] = np.where(settled.notna(), settled < made["target_pressure_bar"] - policy.filling.short_bar, np.nan)
    return made


def _fill_counts(filled: pd.DataFrame, health: pd.DataFrame) -> pd.DataFrame:
    last = look_up(filled["cylinder_id"], health.set_index("cylinder_id")["last_hydrostatic_on"])
    by = filled.assign(
        since=last.isna() | (filled["on"] >= last),
        out=~filled["in_test"].astype(bool),
        short=filled["short"].astype("float64"),
    ).groupby("cylinder_id")
    return (
        pd.DataFrame(
            {
                "fills_since_hydrostatic": by["since"].sum(),
                "fills_out_of_date": by["out"].sum(),
                "short_fill_share": by["short"].mean(),
            }
        )
        .rename_axis("cylinder_id")
        .reset_index()
        .astype({"cylinder_id": "str"})
    )


def _leaks_by_cylinder(
    cylinders: pd.DataFrame, rates: pd.DataFrame, inputs: dict[str, pd.DataFrame], today: pd.Timestamp
) -> pd.DataFrame:
    """A cylinder's own rate where it has one, else that of the joined set it belongs to today."""
    names = ["leak_bar_per_day", "leak_low_bar_per_day", "leak_high_bar_per_day", "leak_flag"]
    by_unit = rates.set_index("unit_id")[names]
    members = set_membership(inputs)
    now = members[~(members["from_on"] > today) & ~(members["to_on"] < today)].drop_duplicates(
        "cylinder_id", keep="last"
    )
    set_of = look_up(cylinders["cylinder_id"], now.set_index("cylinder_id")["set_id"])
    own = cylinders["cylinder_id"].isin(by_unit.index)
    unit = cylinders["cylinder_id"].where(own, set_of)
    found = by_unit.reindex(unit.to_numpy()).reset_index(drop=True)
    found["leak_basis"] = pd.Series(np.where(own, "cylinder", "set"), dtype="str").where(
        found["leak_bar_per_day"].notna()
    )
    found.insert(0, "cylinder_id", cylinders["cylinder_id"].astype("str"))
    return found


def _last_seen(
    cylinder_id, inputs: dict[str, pd.DataFrame], filled: pd.DataFrame, dive_tank_use: pd.DataFrame, policy: Policy
) -> pd.Series:
    """The last record of each cylinder: a fill, a dive, a loan, an inspection."""
    dives = inputs["dives"][["member_id", "dive_id", "started_at"]].merge(
        dive_tank_use[["member_id", "dive_id", "unit_id"]], on=["member_id", "dive_id"], how="inner"
    )
    dived = cylinders_of_units_on(inputs, dives["unit_id"], local_day(dives["started_at"], policy.time_zone))
    dived["at"] = dives["started_at"].to_numpy("datetime64[us]")[dived["row"].to_numpy()]
    loans = inputs["loans"]
    moved = pd.concat(
        [
            loans[["unit_id", "out_at"]].set_axis(["unit_id", "at"], axis=1),
            loans[["unit_id", "back_at"]].set_axis(["unit_id", "at"], axis=1),
        ]
    ).dropna(subset=["at"])
    lent = cylinders_of_units_on(inputs, moved["unit_id"], local_day(moved["at"], policy.time_zone))
    lent["at"] = moved["at"].to_numpy("datetime64[us]")[lent["row"].to_numpy()]
    inspected = inputs["inspections"][["cylinder_id", "inspected_on"]].set_axis(["cylinder_id", "at"], axis=1)
    inspected = inspected.assign(at=noon_of(inspected["at"], policy.time_zone).dt.tz_localize(None))
    filled_at = filled[["cylinder_id"]].assign(at=filled["filled_at"].to_numpy("datetime64[us]"))
    all_seen = pd.concat(
        [filled_at, dived[["cylinder_id", "at"]], lent[["cylinder_id", "at"]], inspected], ignore_index=True
    )
    last = all_seen.groupby("cylinder_id")["at"].max()
    return look_up(cylinder_id, last).astype("datetime64[us]").dt.tz_localize("UTC")


def _reasons(
    inputs: dict[str, pd.DataFrame],
    health: pd.DataFrame,
    states: States,
    units: pd.DataFrame,
    intervals: pd.DataFrame,
    out: pd.DataFrame,
    filled: pd.DataFrame,
    today: pd.Timestamp,
    time_zone: str,
) -> pd.Series:
    """Everything that stands against each cylinder, worst first, as codes."""
    ids = health["cylinder_id"]
    said: list[list[str]] = [list(codes) for codes in states.reasons]

    def note(mask, code: str) -> None:
        for i in np.flatnonzero(np.asarray(pd.Series(mask).fillna(False), bool)):
            said[i].append(code)

    leaks = health["leak_flag"].fillna(False).astype(bool)
    note(leaks & health["leak_basis"].eq("cylinder"), "leaks")
    note(leaks & health["leak_basis"].eq("set"), "set_leaks")
    note(_side_of_flagged_set(ids, health, inputs), "side_leaks")
    lent = ids.isin(out.index)
    note(ids.isin(out.index[out["overdue"].astype(bool)]), "loan_overdue")
    note(lent & ~pd.Series(states.in_test, index=health.index), "out_of_test_on_loan")
    note(_unusual_use(ids, intervals, today, time_zone), "unexplained_use")
    counted = filled.dropna(subset=["short"]).groupby("cylinder_id").size()
    enough = look_up(ids, counted).fillna(0) >= SHORT_LEAST_FILLS
    share = health["short_fill_share"]
    usual = share[enough].median() if enough.any() else 0.0
    note(enough & (share >= SHORT_SHARE) & (share >= usual + SHORT_ABOVE_FLEET), "often_short")
    for code, who in finding_reasons(inputs, units).items():
        note(ids.isin(who), code)
    if (not_taken := inputs.get("inspections_not_taken")) is not None:
        note(ids.isin(not_taken["cylinder_id"]), "inspection_not_taken")
    return pd.Series(said, index=health.index, dtype="object")


def _side_of_flagged_set(ids, health: pd.DataFrame, inputs: dict[str, pd.DataFrame]) -> pd.Series:
    """A cylinder whose own gauge says that it leaks while the other side of its joined set does not."""
    kind = inputs["cylinders"].set_index("cylinder_id")["set_kind"]
    joined = look_up(ids, kind).eq("manifolded")
    flag = health["leak_flag"].fillna(False).astype(bool) & health["leak_basis"].eq("cylinder")
    flagged = flag.groupby(health["set_id"]).transform("sum")
    return joined & flag & (flagged == 1)


def _unusual_use(ids, intervals: pd.DataFrame, today: pd.Timestamp, time_zone: str) -> pd.Series:
    """A large drop nobody logged in the last two months, where that is not this cylinder's habit."""
    by = intervals.groupby("unit_id")["unexplained"]
    rare = by.mean() < 0.34
    ended = local_day(intervals["to_at"], time_zone)
    recent = intervals[(ended >= today - pd.Timedelta(days=60)) & intervals["unexplained"]]
    units = set(recent["unit_id"]) & set(rare.index[rare])
    return ids.isin(units)
