"""The fleet: what may be filled today and why not, what leaks, and one cylinder's life."""

import numpy as np
import pandas as pd

from pipelines.derive.fills.slips import stop_below_start
from pipelines.derive.fleet.cylinder_life import build_cylinder_life
from pipelines.derive.fleet.findings import finding_reasons
from pipelines.derive.fleet.holders import STATION, loans_of_cylinders, look_up
from pipelines.derive.fleet.inspections import cylinder_states_on, local_day
from pipelines.derive.units import cylinders_of_units_on, set_membership
from schemas.policy import Policy
from schemas.tables import TABLES
from shared.inspection.state import States

# short this often, and this much oftener than the fleet's middle: where all fills are short it is not the cylinder
#: events of a cylinder's life, besides inspections, at which somebody had it in hand
_SEEN = ("filled", "arrived", "dived", "lent", "returned")
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

    health = pd.concat([health, _fill_counts(filled, health)], axis=1)
    health = health.merge(_leaks_by_cylinder(cylinders, rates, inputs, today), on="cylinder_id", how="left")
    health["leak_flag"] = health["leak_flag"].astype("boolean")
    life = build_cylinder_life(inputs, filled, dive_tank_use, intervals, policy)
    health["last_seen_at"] = _last_seen(health["cylinder_id"], life)
    health["score_reasons"] = _reasons(inputs, health, states, units, intervals, out, today, policy.time_zone)
    return {"cylinder_health": health[TABLES["cylinder_health"].columns], "cylinder_life": life}


def _fills_by_cylinder(inputs: dict[str, pd.DataFrame], fill_quality: pd.DataFrame, policy: Policy) -> pd.DataFrame:
    """Each fill once a cylinder that took part, with its place in the register and whether it was in test that day."""
    day = local_day(fill_quality["filled_at"], policy.time_zone)
    pairs = cylinders_of_units_on(inputs, fill_quality["unit_id"], day)
    place, states = cylinder_states_on(inputs, policy, pairs["cylinder_id"], pairs["on"], with_reasons=False)
    known = place >= 0
    pairs = (pairs if known.all() else pairs[known]).assign(place=place[known], in_test=states.in_test)
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
    made = pd.concat([pairs, fills.take(pairs["row"].to_numpy()).set_axis(pairs.index)], axis=1)
    settled = made["settled_pressure_bar_15c"]
    made["short"] = np.where(settled.notna(), settled < made["target_pressure_bar"] - policy.filling.short_bar, np.nan)
    return made


def _fill_counts(filled: pd.DataFrame, health: pd.DataFrame) -> pd.DataFrame:
    """Of each cylinder of `health`, in its order: fills since the last hydrostatic test, fills out of date, and the
    share of short ones; `short_known` of how many that is known."""
    place, n = filled["place"].to_numpy("int64"), len(health)
    last = health["last_hydrostatic_on"].to_numpy("datetime64[us]")[place]
    since = np.isnat(last) | (filled["on"].to_numpy("datetime64[us]") >= last)
    short = filled["short"].to_numpy("float64")
    said = ~np.isnan(short)
    known = np.bincount(place[said], minlength=n)
    with np.errstate(invalid="ignore"):
        share = np.bincount(place[said], short[said], minlength=n) / known
    counts = {
        "fills_since_hydrostatic": np.bincount(place[since], minlength=n),
        "fills_out_of_date": np.bincount(place[~filled["in_test"].to_numpy(bool)], minlength=n),
    }
    return pd.DataFrame(counts, health.index).astype("Int64").assign(short_fill_share=share, short_known=known)


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


def _last_seen(cylinder_id: pd.Series, life: pd.DataFrame) -> pd.Series:
    """The last record of each cylinder: a fill, a dive, a loan, an inspection."""
    seen = life[(life["event"].isin(_SEEN) | life["event"].str.startswith("inspected_")).to_numpy(bool)]
    last = seen[~seen["cylinder_id"].duplicated(keep="last")].set_index("cylinder_id")["at"]  # in order of time
    return look_up(cylinder_id, last).astype("datetime64[us, UTC]")


def _reasons(
    inputs: dict[str, pd.DataFrame],
    health: pd.DataFrame,
    states: States,
    units: pd.DataFrame,
    intervals: pd.DataFrame,
    out: pd.DataFrame,
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
    enough = health["short_known"] >= SHORT_LEAST_FILLS
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
