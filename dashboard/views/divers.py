"""Divers: whose reserves run thin, worst first, with cause and certainty. Never a league table of consumption."""

import streamlit as st

from dashboard import charts_dives, gas_left, parts
from dashboard.data import Snapshot
from dashboard.rows import each, said_yes
from dashboard.views import dive
from schemas import trend_words, words
from shared.trend import NAMED_FROM_CHANCE

MOST_DIVES = 12


def page(snapshot: Snapshot) -> None:
    watch, names = snapshot.table("reserve_watch"), snapshot.names()
    if watch.empty:
        parts.show(parts.plain("No dive with a pressure record is known yet."))
        return
    parts.show(parts.heading("Whose reserves run thin", 2, words.NOT_A_PLAN))
    ordered = watch.assign(rank=watch["state"].map({s: i for i, s in enumerate(words.WATCH_ORDER)})).sort_values(
        ["rank", "chance_next_below"], ascending=[True, False]
    )
    parts.show(
        parts.table(
            [
                "Diver",
                "State",
                "If dives stay like these, share below policy",
                "Dives considered",
                "Below policy",
                "Not assessed",
                "Main cause",
            ],
            [
                (
                    names.get(r.member_id, r.member_id),
                    parts.lines(
                        parts.tag(_state(r), words.WATCH_WEIGHT.get(r.state, 2)),
                        r.reason if words.known(r.reason) else "",
                    ),
                    words.share(r.chance_next_below) if words.known(r.chance_next_below) else "",
                    words.number(r.dives_considered),
                    words.number(r.dives_below_policy),
                    words.number(r.dives_not_assessed),
                    words.CAUSES.get(r.main_cause, "") if r.main_cause != "none" else "",
                )
                for r in each(ordered)
            ],
            figures=(2, 3, 4, 5),
            says="Divers, thin reserves first",
        )
    )
    how_sure(snapshot)
    chosen = st.selectbox("One diver", list(ordered["member_id"]), format_func=lambda m: names.get(m, m), key="diver")
    one(snapshot, str(chosen), names.get(chosen, str(chosen)))


def _state(row) -> str:
    word = words.WATCH.get(row.state, words.UNKNOWN)
    if row.state == "comfortable" and words.known(row.dives_considered):
        word = f"{word} ({words.plural(row.dives_considered, 'dive')})"
    return word


def how_sure(snapshot: Snapshot) -> None:
    rows = snapshot.table("reserve_reliability")
    with st.expander("How far these shares can be trusted"):
        if rows.empty or not rows["dives"].fillna(0).sum():
            parts.show(parts.plain("Not enough dives yet to check the shares against what came."))
            return
        parts.show(
            parts.plain(
                "Every dive was given a share before it, from earlier dives alone. On the dotted line, what was "
                "said came as often as said."
            )
        )
        parts.figure(charts_dives.reliability(rows), "Share said against share that came.", "reliability")


def moved(snapshot: Snapshot, member_id: str) -> None:
    """How the diver's rate moved over 12 months; of somebody named, a change must be surer than on their own page."""
    trend = snapshot.table("consumption_trend", member_id=member_id).sort_values("started_at")
    if len(trend):
        said = trend_words.sentence(trend.iloc[-1], trend["started_at"].iloc[0], NAMED_FROM_CHANCE)
        parts.show(parts.plain(f"What this diver breathes. {said}"))


def one(snapshot: Snapshot, member_id: str, name: str) -> None:
    """A diver's dives below policy, why, and what would mend it."""
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
        parts.show(parts.plain("None of the dives could be judged."))
        return
    lost = gas_left.cannot_be(rows)
    if lost.any():
        parts.show(
            parts.note(
                f"{words.plural(lost.sum(), 'dive')} not drawn: by the pressures less than nothing was left. Ask the "
                "diver: a lost transmitter, or an empty cylinder."
            )
        )
    parts.figure(
        charts_dives.margins(rows, rows["started_at"]), "Least margin of each dive over the season.", "margins"
    )
    below = rows[said_yes(rows["below_policy"]) & ~lost]
    below_all, below = len(below), below.head(MOST_DIVES)
    if below.empty:
        parts.show(parts.plain("No dive went below this policy."))
    else:
        parts.show(
            parts.table(
                ["Dive", "Least margin", "Cause, largest first", "The fill"],
                [
                    (
                        parts.lines(
                            words.clock(r.started_at, snapshot.zone),
                            f"{words.number(r.max_depth_m, 0, 'm')}, {words.number(r.duration_min, 0, 'min')}",
                        ),
                        words.number(r.least_margin_free_l, 0, "L"),
                        dive.shares_in_words(r.cause_shares),
                        f"settled {words.number(r.fill_low_bar, 0, 'bar')} low"
                        if words.known(r.fill_low_bar) and r.fill_low_bar >= 1
                        else "",
                    )
                    for r in each(below)
                ],
                figures=(1,),
                says="Dives below policy",
            )
        )
        if below_all > MOST_DIVES:
            parts.show(parts.note(f"The newest {MOST_DIVES} of {below_all}."))
    labels = {
        r.dive_id: f"{words.clock(r.started_at, snapshot.zone)}, {words.number(r.max_depth_m, 0, 'm')}"
        for r in each(rows)
    }
    told = rows[~lost].sort_values("least_margin_free_l", na_position="last") if not lost.all() else rows
    worst = told.iloc[0]["dive_id"]
    chosen = st.selectbox(
        "One dive",
        list(labels),
        index=list(labels).index(worst),
        format_func=parts.label(labels),
        key=f"divers_dive_{member_id}",
    )
    dive.show(snapshot, member_id, str(chosen), key="divers")
