"""Trends and reserves, computed by member from the dives' tables."""

import pandas as pd

from pipelines.graph_dives import with_rejected_tanks
from pipelines.graph_parts import TOLD, Build
from pipelines.store import frame_hash

TREND_TABLES = ("consumption_trend", "trend_state")
RESERVE_TABLES = ("dive_reserve", "dive_profile", "kit_balance")


def build_trends(build: Build, consumption: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """The shared model month by month, what conditions do, and each member's level and slope."""
    from pipelines.build.divers import build_condition_effects, build_member_trend, fit_trend_months

    publisher, dives = build.publisher, build.inputs["dives"]
    before = publisher.read_previous("trend_model", "all") if publisher.has_previous("trend_model", "all") else None
    if publisher.previous is None or publisher.previous.settings_hash != build.settings:
        before = None
    model = fit_trend_months(consumption, dives, build.policy, before, build.today)
    publisher.write("trend_model", "all", model, frame_hash(model))
    effects = build_condition_effects(model, build.today)
    publisher.write("condition_effects", "all", effects, frame_hash(effects))
    wanted = {}
    for member, rows in consumption.groupby("member_id"):
        mine = dives[dives["member_id"] == member]
        wanted[member] = build.fingerprint("trend", frame_hash(rows), frame_hash(mine[TOLD]), _known_then(model, rows))
    new = [m for m, told in wanted.items() if not all(publisher.unchanged(t, m, told) for t in TREND_TABLES)]
    made = (
        build_member_trend(
            consumption[consumption["member_id"].isin(new)], dives[dives["member_id"].isin(new)], model, build.policy
        )
        if new
        else {}
    )
    for member, told in wanted.items():

        def of_member(member: str = member) -> dict[str, pd.DataFrame]:
            return {t: made[t][made[t]["member_id"] == member] for t in TREND_TABLES}

        build.group(TREND_TABLES, member, told, of_member, "members' trends", need=False)
    collected = {t: [publisher.read(t, m) for m in wanted] for t in TREND_TABLES}
    return {t: pd.concat(f, ignore_index=True) if f else publisher.none(t) for t, f in collected.items()} | {
        "trend_model": model
    }


def _known_then(model: pd.DataFrame, dives: pd.DataFrame) -> str:
    """A hash of what all members shared until the month of the last of these dives; later ones say nothing of them."""
    last = dives["started_at"].max().tz_localize(None).to_period("M").to_timestamp()
    return frame_hash(model[model["month_on"] <= last])


def build_reserves(
    build: Build,
    units: pd.DataFrame,
    fills: pd.DataFrame,
    dives: dict[str, pd.DataFrame],
    trends: dict[str, pd.DataFrame],
) -> None:
    """Each member's reserves, profiles and kits, and the watch over all members."""
    from pipelines.build.kits import build_kits
    from pipelines.build.reserve import build_member_reserve
    from pipelines.build.watch import build_watch

    publisher, model = build.publisher, trends["trend_model"]
    whole = {
        "consumption": dives["dive_consumption"],
        "use": dives["dive_tank_use"],
        "trend": trends["consumption_trend"],
        "state": trends["trend_state"],
        "dives": build.inputs["dives"],
        "kits": build.inputs["kits"],
        "tanks": with_rejected_tanks(build),
    }
    split = {name: dict(list(frame.groupby("member_id"))) for name, frame in whole.items()}
    reserve = []
    for member in sorted(split["consumption"]):
        mine = {name: split[name].get(member, whole[name].iloc[:0]) for name in split}
        named = fills[fills["fill_id"].isin(mine["consumption"]["fill_id"].dropna())]
        told = build.fingerprint(
            "reserve",
            publisher.tables["dive_trace"][member].fingerprint,
            *(frame_hash(mine[n]) for n in ("consumption", "use", "trend", "state")),
            frame_hash(mine["dives"][TOLD]),
            frame_hash(mine["kits"][TOLD]) if len(mine["kits"]) else "",
            frame_hash(named),
            frame_hash(
                units[units["unit_id"].isin({*mine["use"]["unit_id"], *mine["tanks"]["unit_id"], *named["unit_id"]})]
            ),
            _known_then(model, mine["consumption"]),
        )

        def make(member=member, mine=mine, named=named):
            made = build_member_reserve(
                member,
                mine["dives"],
                mine["consumption"],
                publisher.read("dive_trace", member),
                mine["trend"],
                named,
                units,
                build.policy,
                tank_use=mine["use"],
                state=mine["state"],
                model=model,
            )
            return made | build_kits(mine["kits"], mine["dives"], mine["tanks"], mine["use"], units, build.policy)

        reserve.append(build.group(RESERVE_TABLES, member, told, make, "members' reserves")["dive_reserve"])
    rows = pd.concat(reserve, ignore_index=True) if reserve else publisher.none("dive_reserve")
    watch = build_watch(rows, trends["trend_state"], model, build.policy, build.today)
    for table, frame in watch.items():
        publisher.write(table, "all", frame, frame_hash(frame))
