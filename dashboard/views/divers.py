"""Divers: whose reserves run thin, worst first, with cause and certainty. Never a league table of consumption."""

import pandas as pd
import streamlit as st

from dashboard import charts_dives, gas_left, parts
from dashboard.access import ALONE, MANAGER
from dashboard.data import Snapshot
from dashboard.rows import Row, each, said_yes
from dashboard.unit_field import field_key
from dashboard.views import dive
from schemas import trend_words, words
from schemas.reading_units import text
from shared.trend.level import NAMED_FROM_CHANCE

TITLE = "Divers"
#: roles that may open this page; what tables each sees stands in access.py
OPEN_TO = (ALONE, MANAGER)

MOST_DIVES, DIVES_AT_ONCE = 12, 4
PARTS = {"watch": "Whose reserves run thin", "one": "One diver"}


def page(snapshot: Snapshot) -> None:
    watch, names = snapshot.table("reserve_watch"), snapshot.names()
    if watch.empty:
        parts.show(parts.plain("No dive with a pressure record is known of the last year."))
        return
    ordered = worst_first(watch)
    if parts.chosen_part("More on Divers", PARTS, "divers_part", "watch") == "one":
        parts.by_itself(one_of, snapshot, list(ordered["member_id"]), names)
    else:
        all_of_them(snapshot, ordered, names)


def one_of(snapshot: Snapshot, listed: list[str], names: dict[str, str]) -> None:
    """Whoever is chosen."""
    label = parts.label(names)
    chosen = st.selectbox("Whose dives (the thinnest stands first)", listed, format_func=label, key="diver")
    one(snapshot, str(chosen), names.get(chosen, str(chosen)))


def all_of_them(snapshot: Snapshot, ordered: pd.DataFrame, names: dict[str, str]) -> None:
    """Every diver with a state, the thinnest first, and how far that can be trusted."""
    parts.show(parts.heading("Whose reserves run thin", 2, words.NOT_A_PLAN))
    parts.show(parts.note(surfacing_rule(snapshot)))
    fine = ordered["state"] == "comfortable"
    if not fine.all():
        _listed(snapshot, ordered[~fine], names)
    if fine.any():
        # nothing is to be done for these: on a phone a card each, below all others
        said = f"{words.WATCH['comfortable']}: {words.plural(fine.sum(), 'diver')}"
        every = bool(fine.all())
        parts.opens(said, "comfortable_opens", lambda: _listed(snapshot, ordered[fine], names), expanded=every)
    parts.opens("How far these shares can be trusted", "reliability_opens", lambda: how_sure(snapshot))


def _listed(snapshot: Snapshot, ordered: pd.DataFrame, names: dict[str, str]) -> None:
    least = words.number(snapshot.policy("reserve", "surfacing_min_bar"), 0, "bar")
    parts.show(
        parts.table(
            [
                "Diver",
                "Below policy",
                f"Surfaced below {least}",
                "Not assessed",
                "Share expected below, if dives stay like these",
            ],
            [
                (
                    _who(r, names.get(r.member_id, r.member_id)),
                    words.of(r.dives_below_policy, _judged(r)),
                    words.of(r.dives_below_surfacing_min, r.dives_surfaced_known),
                    words.of(r.dives_not_assessed, r.dives_considered),
                    words.share(r.chance_next_below) if words.known(r.chance_next_below) else "too few to say",
                )
                for r in each(ordered)
            ],
            figures=(1, 2, 3, 4),
            says="Divers, thin reserves first",
            whole=(0,),
        )
    )


def _who(row: Row, name: str) -> parts.Markup:
    """Name, state and main cause; the sentence stands open where reserves run thin, else it opens below."""
    state = _state(row)
    cause = words.CAUSES.get(row.main_cause, "") if row.main_cause != "none" else ""
    lead = parts.Markup(f"<strong>{parts.text(name)}</strong> {parts.tag(state, words.WATCH_WEIGHT.get(row.state, 2))}")
    said = text(str(row.reason)) if words.known(row.reason) and row.reason != f"{state}." else ""
    if row.state == "thin":
        return parts.lines(lead, said)
    return parts.line(lead, cause, [said])


def surfacing_rule(snapshot: Snapshot) -> str:
    """What the least pressure at the surface rests on."""
    least = words.number(snapshot.policy("reserve", "surfacing_min_bar"), 0, "bar")
    return (
        "Below policy: less gas left than would bring the team up. "
        f"Surfaced below {least}: the pressure alone, also of dives with nothing but two written pressures; "
        "50\u00a0bar is common practice, not a published limit."
    )


def worst_first(watch: pd.DataFrame) -> pd.DataFrame:
    """Thin before watched; within a state by expected or seen share under reserve, then by that surfaced low."""
    judged = watch["dives_considered"] - watch["dives_not_assessed"]
    seen = watch["dives_below_policy"] / judged.where(judged > 0)
    low = watch["dives_below_surfacing_min"] / watch["dives_surfaced_known"].where(watch["dives_surfaced_known"] > 0)
    below = pd.concat([watch["chance_next_below"], seen], axis=1).astype("float64").max(axis=1)
    # of whom no margin is known, what they surfaced with is all there is
    low = low.astype("float64")
    return watch.assign(
        rank=watch["state"].map({s: i for i, s in enumerate(words.WATCH_ORDER)}), below=below.fillna(low), low=low
    ).sort_values(["rank", "below", "low", "member_id"], ascending=[True, False, False, True])


def _judged(row) -> float | None:
    known = words.known(row.dives_considered) and words.known(row.dives_not_assessed)
    return row.dives_considered - row.dives_not_assessed if known else None


def _state(row) -> str:
    word = words.WATCH.get(row.state, words.UNKNOWN)
    judged = _judged(row)
    if row.state == "comfortable" and judged is not None:
        word = f"{word} ({words.plural(judged, 'dive')})"
    return word


def how_sure(snapshot: Snapshot) -> None:
    rows = snapshot.table("reserve_reliability")
    rows = rows[rows["dives"].fillna(0) > 0]
    if rows.empty:
        parts.show(parts.plain("Not enough dives yet to check the shares against what came."))
        return
    parts.show(
        parts.plain(
            "Every dive was given a share before it: from the diver's earlier dives, and from how far the shares "
            "of earlier months held. On the dotted line, what was said came as often as said."
        )
    )
    parts.figure(charts_dives.reliability(rows), "Share said against share that came.", "reliability")
    parts.show(
        parts.table(
            ["Share said before the dive", "Said on average", "Came", "Dives"],
            [
                (
                    f"{words.number(100 * r.chance_from)} to {words.number(100 * r.chance_to, 0, '%')}",
                    words.number(100 * r.mean_chance, 1, "%") if words.known(r.mean_chance) else words.UNKNOWN,
                    words.number(100 * r.share_below, 1, "%"),
                    words.number(r.dives),
                )
                for r in each(rows)
            ],
            figures=(1, 2, 3),
            says="Shares said and what came of them",
            kept=True,
        )
    )


def moved(snapshot: Snapshot, member_id: str) -> None:
    """How the diver's rate moved over 12 months; of somebody named, a change must be surer than on their own page."""
    trend = snapshot.table("consumption_trend", member_id=member_id).sort_values("started_at")
    if len(trend):
        said = trend_words.sentence(trend.iloc[-1], trend["started_at"].iloc[0], NAMED_FROM_CHANCE)
        parts.show(parts.plain(f"What this diver breathes. {said}"))


def one(snapshot: Snapshot, member_id: str, name: str) -> None:
    """A diver's dives below policy or below the least pressure, why, and what would fix it."""
    reserve = snapshot.table("dive_reserve", member_id=member_id)
    consumption = snapshot.table("dive_consumption", member_id=member_id)
    rows = (
        reserve.drop(columns="started_at")
        .merge(consumption[["dive_id", "started_at", "max_depth_m", "duration_min"]], on="dive_id")
        .sort_values("started_at", ascending=False)
    )
    parts.show(parts.heading(name, 2))
    moved(snapshot, member_id)
    if rows.empty:
        parts.show(parts.plain("No dive of this diver has an end pressure."))
        return
    lost = gas_left.cannot_be(rows)
    if lost.any():
        parts.show(
            parts.note(
                f"{words.plural(lost.sum(), 'dive')} not drawn: by the pressures less than nothing was left. Ask the "
                "diver: a lost transmitter, or an empty cylinder."
            )
        )
    dive.over_the_season(snapshot, rows, "")
    found = to_talk_about(rows)
    found_all, found = len(found), found.head(MOST_DIVES)
    if found.empty:
        unknown = rows["below_policy"].isna().sum()
        parts.show(
            parts.plain(
                "No dive is known to have gone below this policy or surfaced below its least pressure."
                + (f" Of {words.plural(unknown, 'dive')} no margin was judged." if unknown else "")
            )
        )
    else:
        shown = [_dive_line(snapshot, row) for row in each(found)]
        parts.show(
            parts.heading(f"Below policy, or surfaced low: {found_all}", 3), parts.one_by_one(shown, DIVES_AT_ONCE)
        )
        if found_all > MOST_DIVES:
            parts.show(parts.note(f"The newest {MOST_DIVES} of {found_all}."))
    labels = {
        r.dive_id: f"{words.clock(r.started_at, snapshot.zone)}, {words.number(r.max_depth_m, 0, 'm')}"
        for r in each(rows)
    }
    seen = rows[~lost] if not lost.all() else rows
    worst = dive.thinnest(seen)
    chosen = st.selectbox(
        "One dive",
        list(labels),
        index=list(labels).index(worst),
        format_func=parts.label(labels),
        key=field_key(f"divers_dive_{member_id}"),
    )
    dive.show(snapshot, member_id, str(chosen), key="divers")


def _dive_line(snapshot: Snapshot, row: Row) -> parts.Markup:
    """Which dive and how near it came; why, and what its fill had to do with it, opens below."""
    low = f"Its fill settled {words.number(row.fill_low_bar, 0, 'bar')} low."
    causes = words.capital(dive.shares_in_words(row.cause_shares))
    margin = words.number(row.least_margin_free_l, 0, "L")
    return parts.line(
        parts.Markup(f"<strong>{words.clock(row.started_at, snapshot.zone)}</strong>"),
        f"margin {margin}, surfaced with {dive.surfaced_with(snapshot, row._asdict())}",
        [
            f"{words.number(row.max_depth_m, 0, 'm')}, {words.number(row.duration_min, 0, 'min')}.",
            f"{causes}." if causes else "",
            low if words.known(row.fill_low_bar) and row.fill_low_bar >= 1 else "",
        ],
    )


def to_talk_about(reserve: pd.DataFrame) -> pd.DataFrame:
    """Dives known to have gone below policy, or to have surfaced below its least pressure."""
    low = said_yes(reserve["below_surfacing_min"])
    return reserve[(said_yes(reserve["below_policy"]) | low) & ~gas_left.cannot_be(reserve)]
