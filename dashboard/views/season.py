"""My season: a diver's rate with cooling taken out, its trend, each dive's gas against the gas needed, and the kit."""

import pandas as pd
import streamlit as st

from dashboard import charts_dives, gas_left, hand_in, parts
from dashboard.access import ALONE, DIVER, MANAGER
from dashboard.data import Snapshot
from dashboard.rows import Row, each, only
from dashboard.season_report import season_report
from dashboard.unit_field import field_key
from dashboard.views import dive
from schemas import reading_units, season, trend_words, words
from schemas.codes import sentence
from schemas.codes.divers import CONDITION_WORDS
from schemas.reading_units import long, text
from shared.trend.level import CALLED_FROM_CHANCE, NAMED_FROM_CHANCE

TITLE = "My season"
#: roles that may open this page; what tables each sees stands in access.py
OPEN_TO = (ALONE, DIVER, MANAGER)

PARTS = {
    "rate": "What you breathe",
    "dives": "How near each dive came",
    "one": "One dive",
    "cylinders": "By cylinder",
    "kit": "Weighting and lift",
}


def page(snapshot: Snapshot) -> None:
    viewer, names = snapshot.viewer, snapshot.names()
    member = viewer.member_id or ""
    if viewer.role != DIVER:
        members = sorted(snapshot.members("consumption_trend"), key=lambda m: str(names.get(m, m)).casefold())
        if not members:
            parts.show(parts.plain("No dive is known yet. Drop dive files into the inbox and run `coldfill run`."))
            return
        member = str(
            st.selectbox(
                "Whose season",
                members,
                index=members.index(member) if member in members else 0,
                format_func=lambda m: names.get(m, m),
                key="season_of",
            )
        )
    consumption = snapshot.table("dive_consumption", member_id=member)
    if consumption.empty:
        parts.show(
            parts.plain(
                "No dive of yours is known yet. Export them from your dive computer as UDDF and hand the file in here, "
                "or drop it into the inbox."
            )
        )
        hand_in.show(snapshot)
        return
    trend = snapshot.table("consumption_trend", member_id=member).sort_values("started_at")
    # said of somebody else by name, a change must be surer
    chance = CALLED_FROM_CHANCE if viewer.role == DIVER else NAMED_FROM_CHANCE
    year = season.season(
        consumption,
        trend,
        snapshot.table("dive_reserve", member_id=member),
        snapshot.table("dive_tank_use", member_id=member),
        only(snapshot.table("reserve_watch", member_id=member)),
        snapshot.as_of_on,
        float(snapshot.policy("reserve", "watch_days")),
        float(snapshot.policy("reserve", "surfacing_min_bar")),
        chance,
    )
    parts.show(parts.bar(year.change, 1))
    in_short(snapshot, member, trend)
    fell_short(year)
    kits = snapshot.table("kit_balance", member_id=member).merge(
        consumption[["dive_id", "started_at"]], on="dive_id", how="left"
    )
    kits = kits.sort_values("started_at")
    if len(kits) and (against := kit_short(kits)):
        parts.show(parts.heading("What stands against the kit", 2), *against)
    to_print(snapshot, member)
    nothing_of = {"cylinders": not year.cylinders, "kit": kits.empty}
    listed = {name: word for name, word in PARTS.items() if not nothing_of.get(name)}
    part = parts.chosen_part("More on the season", listed, "season_part", "rate")
    if part == "rate":
        rate(trend, consumption, chance)
        effects(snapshot)
    elif part == "dives":
        over_the_season(snapshot, member, consumption)
    elif part == "one":
        parts.by_itself(one_dive, snapshot, member, consumption)
    elif part == "cylinders":
        by_cylinder(year)
    else:
        kit(snapshot, kits)


def in_short(snapshot: Snapshot, member: str, trend: pd.DataFrame) -> None:
    """The figures most asked for: the rate of the next dive, and what the last year's dives came to."""
    state = only(snapshot.table("reserve_watch", member_id=member))
    if state is not None and state["state"] in ("thin", "watch"):
        says = text(str(state["reason"])) if words.known(state["reason"]) else words.WATCH[state["state"]]
        parts.show(parts.bar(says, words.WATCH_WEIGHT[state["state"]]))
    facts: list[tuple] = []
    if len(trend):
        now = trend.iloc[-1]
        facts.append(
            (
                "90th-percentile rate of the next dive",
                words.number(now["planning_rmv_l_min"], 1, "L/min"),
                f"from {words.plural(len(trend), 'dive')}, the last on {words.day(now['started_at'])}",
            )
        )
    seen = seen_of_late(snapshot, member)
    parts.show(*([parts.facts([*facts, *seen])] if facts or seen else []))
    if not seen:
        parts.show(parts.plain("No dive of the last year is known."))
    parts.show(parts.note(words.NOT_A_PLAN))


def to_print(snapshot: Snapshot, member: str) -> None:
    """The season on one sheet of paper; made when it is asked for."""
    units = reading_units.current()  # the file is made in a thread of its own
    st.download_button(
        "Fetch the season on one page, to print",
        lambda: season_report(snapshot.published, member, units),
        f"season-{member}.html",
        "text/html",
        key=f"print_{member}",
        on_click="ignore",
    )


def fell_short(year: season.Season) -> None:
    """What share of the season's shortfall each cause took."""
    parts.show(
        parts.heading("Where the season fell short", 2, "Gas that lacked against this policy, by cause, in all dives."),
        parts.plain(year.shortfall),
    )
    if year.causes:
        parts.show(parts.items(f"{word}: {words.share(share)}" for word, share in year.causes if abs(share) >= 0.005))


def by_cylinder(year: season.Season) -> None:
    """One cylinder beside the other: what was on the back, and what its dives came to."""
    parts.show(
        parts.heading(
            "By cylinder",
            2,
            "Medians of the last year's dives; of two on the back both are named. A median of few dives says little.",
        ),
        parts.table(season.CYLINDER_HEAD, year.cylinders, figures=(1, 2, 3, 4, 5), says="By cylinder"),
    )


def rate(trend: pd.DataFrame, consumption: pd.DataFrame, chance: float) -> None:
    parts.show(
        parts.heading(
            "What you breathe",
            2,
            text(f"RMV: {long('L/min')} at ambient pressure and 15 °C; gas for suit and wing is in it unless it has a ")
            + "bottle of its own.",
        )
    )
    now = trend.iloc[-1] if len(trend) else None
    if now is not None:
        parts.show(
            parts.facts(
                [
                    (
                        "Your level",
                        words.with_interval(
                            now["level_rmv_l_min"], now["level_low_l_min"], now["level_high_l_min"], 1, "L/min"
                        ),
                        "80 % interval, at your own usual conditions",
                    ),
                    (
                        words.capital(trend_words.stretch(now, trend["started_at"].iloc[0])),
                        words.capital(trend_words.headline(now, chance)),
                        trend_words.basis(now, chance),
                    ),
                    ("The last 180 days", words.capital(trend_words.recent(now)), trend_words.recent_basis(now)),
                ]
            )
        )
    parts.figure(
        charts_dives.season_rmv(consumption, trend),
        "RMV of each dive with and without cooling, the level with its band, and the 90th-percentile rate of the "
        "next dive.",
        "season",
    )
    missing = consumption["rmv_l_min"].isna().sum()
    if missing:
        parts.show(parts.note(f"{words.plural(missing, 'dive')} without a rate: see the dive for why."))


def effects(snapshot: Snapshot) -> None:
    rows = snapshot.table("condition_effects")
    clear = rows[(rows["effect_low_pct"] > 0) | (rows["effect_high_pct"] < 0)]
    if clear.empty:
        return
    parts.show(
        parts.heading(
            "What conditions do to it", 3, "Over all divers of this station; stated only where the interval says so."
        )
    )
    parts.show(
        parts.items(
            f"{text(CONDITION_WORDS.get(r.condition, str(r.condition).replace('_', ' ')))}: "
            f"{'+' if r.effect_pct > 0 else ''}{words.number(r.effect_pct, 0, '%')} "
            f"({words.between(r.effect_low_pct, r.effect_high_pct)})"
            for r in each(clear)
        )
    )


def over_the_season(snapshot: Snapshot, member: str, consumption: pd.DataFrame) -> None:
    """Margin and surfacing pressure of every dive."""
    parts.show(
        parts.heading(
            "How near each dive came",
            2,
            "Gas left against the gas that by policy brings the team up, at the moment it was least.",
        )
    )
    reserve = snapshot.table("dive_reserve", member_id=member)
    if reserve.empty:
        parts.show(parts.plain("No end pressure of any dive is known."))
        return
    rows = reserve.drop(columns="started_at").merge(consumption[["dive_id", "started_at"]], on="dive_id", how="left")
    dive.over_the_season(snapshot, rows, "season_")
    lost = gas_left.cannot_be(reserve).sum()
    if lost:
        parts.show(parts.note(f"{words.plural(lost, 'dive')} not drawn: by the pressures less than nothing was left."))


def one_dive(snapshot: Snapshot, member: str, consumption: pd.DataFrame) -> None:
    """One dive, first the thinnest."""
    reserve = snapshot.table("dive_reserve", member_id=member)
    drawn = reserve[~gas_left.cannot_be(reserve)]
    shown = consumption.sort_values("started_at", ascending=False)
    labels = {
        r.dive_id: f"{words.clock(r.started_at, snapshot.zone)}, {words.number(r.max_depth_m, 0, 'm')}, "
        f"{words.number(r.duration_min, 0, 'min')}"
        for r in each(shown)
    }
    first = dive.thinnest(drawn) if len(drawn) else shown["dive_id"].iloc[0]
    chosen = st.selectbox(
        "One dive (the thinnest stands first)",
        list(labels),
        index=list(labels).index(first) if first in labels else 0,
        format_func=parts.label(labels),
        key=field_key(f"season_dive_{member}"),
    )
    dive.show(snapshot, member, str(chosen), key="season")


def seen_of_late(snapshot: Snapshot, member: str) -> list[tuple]:
    """What the last year's dives came to: below policy, below the least pressure, and what is to be expected."""
    row = only(snapshot.table("reserve_watch", member_id=member))
    if row is None:
        return []
    least = words.number(snapshot.policy("reserve", "surfacing_min_bar"), 0, "bar")
    return [
        (
            "Below this policy",
            words.of(row["dives_below_policy"], row["dives_considered"] - row["dives_not_assessed"]),
            f"dives of the last year; not assessed: {words.number(row['dives_not_assessed'])}",
        ),
        (
            f"Surfaced below {least}",
            words.of(row["dives_below_surfacing_min"], row["dives_surfaced_known"]),
            parts.lines(
                f"the lowest with {lowest(row, snapshot)}" if words.known(row["least_surfaced_bar"]) else "",
                "50 bar is common practice",
            ),
        ),
        (
            "Expected share under reserve, if dives stay like these",
            words.share(row["chance_next_below"])
            if words.known(row["chance_next_below"])
            else "too few margins known to say",
        ),
    ]


def lowest(row: Row, snapshot: Snapshot) -> str:
    """The lowest pressure at the surface; one below the least reads below it."""
    limit = snapshot.policy("reserve", "surfacing_min_bar") if row["dives_below_surfacing_min"] else float("inf")
    return words.under(row["least_surfaced_bar"], limit, "bar")


def kit(snapshot: Snapshot, rows: pd.DataFrame) -> None:
    """What the kit weighs and lifts, by time."""
    parts.show(
        parts.heading(
            "Weighting and lift",
            2,
            text(
                "From logged dives and your kit: heaviest at the start with the suit's buoyancy lost, lightest at 5 m "
                "with the gas low."
            ),
        )
    )
    parts.show(
        parts.caution(
            "A sum from stamped masses and stated buoyancies. Check lift and ballast in the water, near the "
            "surface, with somebody beside you."
        )
    )
    _kit_figures(snapshot, rows, rows.iloc[-1])


def kit_short(rows: pd.DataFrame) -> list[parts.Markup]:
    """What stands against the kit: of the last dive, and on how many of all."""
    flags = [sentence(c, dict(rows.iloc[-1])) for c in words.listed(rows.iloc[-1]["flags"])]
    codes = [set(words.listed(f)) for f in rows["flags"]]
    said = {"lift_short": "Lift would not do", "ballast_short": "It would float at 5 m with the gas low"}
    for code, says in said.items():
        dives = sum(code in c for c in codes)
        if dives:
            flags.append(f"{text(says)}: on {dives} of {words.plural(len(rows), 'dive')} with a kit logged.")
    return [parts.items(flags)] if flags else []


def _kit_figures(snapshot: Snapshot, rows: pd.DataFrame, last: Row) -> None:
    parts.figure(charts_dives.kit_margins(rows, rows["started_at"]), "Lift and weight left over the season.", "kit")
    unusable = words.number(snapshot.policy("reserve", "unusable_bar"), 0, "bar")
    parts.show(
        parts.facts(
            [
                (
                    "Lift left at the start",
                    words.number(last["lift_margin_kg"], 1, "kg"),
                    f"dive of {words.day(last['started_at'])}; suit's buoyancy lost",
                ),
                (
                    text("Weight left at 5 m at the end"),
                    words.number(-last["net_end_kg"], 1, "kg"),
                    "with the gas it ended with",
                ),
                (
                    text("Weight left at 5 m with the gas low"),
                    words.number(last["ballast_margin_kg"], 1, "kg"),
                    f"breathed cylinders down to {unusable}; below nothing it floats",
                ),
                (
                    "Gas carried",
                    words.between(last["gas_mass_start_kg"], last["gas_mass_end_kg"], 1, "kg"),
                    "start to end",
                ),
            ]
        )
    )
