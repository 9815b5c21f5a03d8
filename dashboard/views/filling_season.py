"""Fills over a season: what falls short, which gauge drifts, what the settling model has learned, gas given out."""

from dataclasses import dataclass

import pandas as pd
import streamlit as st

from dashboard import charts, parts
from dashboard.data import Chosen, Snapshot
from dashboard.rows import Row, each, said_yes
from schemas import words
from schemas.reading_units import label, long, text

BY = {"unit_id": "cylinder or set", "source_id": "source", "gauge_id": "gauge", "operator": "operator"}
#: what may stand beside a short fill
WHY = {
    "hot_stop": "stopped hot",
    "stopped_early": "stopped early",
    "gauge_drifting": "gauge drifts",
    "gauge_past_check": "gauge past its check",
}
#: named in a line
MOST_NAMED = 4
LEAST_FILLS = 3
#: points of one figure at most, the newest
MOST_POINTS = 800


def show(snapshot: Snapshot) -> None:
    season = snapshot.once("fills over the season", lambda: Season.of(snapshot))
    if not season.fills:
        parts.show(parts.plain("No fill has been logged yet."))
        return
    fell_short(season)
    learned(snapshot)
    gauges(snapshot)
    blends(snapshot)
    gas_given(snapshot)


@dataclass(frozen=True)
class Season:
    """All fills as they are counted here: how many, how many short and why, by whom or what."""

    fills: int
    short: int
    hot: int
    #: of the short ones half are so far under their target, bar
    under_bar: float
    by: dict[str, pd.DataFrame]

    @classmethod
    def of(cls, snapshot: Snapshot) -> "Season":
        """Of every fill that the viewer may see: once a snapshot, for there may be ten seasons of them."""
        marks = snapshot.marks("fill_quality", "reasons", ("short_fill", *WHY)).rename(columns={"short_fill": "short"})
        short = marks["short"]
        marks = marks.assign(**{code: short & marks[code] for code in WHY}, fills=1)
        bar = snapshot.table("fill_quality", ("target_pressure_bar", "settled_pressure_bar_15c"))
        under = (bar["target_pressure_bar"] - bar["settled_pressure_bar_15c"])[short].median()
        by = {}
        for column in BY:
            of = snapshot.table("fill_quality", [column])[column]
            if of.notna().any():
                by[column] = short_by(marks, of)
        return cls(len(marks), int(short.sum()), int(marks["hot_stop"].sum()), float(under), by)


def fell_short(season: Season) -> None:
    parts.show(
        parts.heading(
            "Which fills settle short",
            2,
            text("Short: settled at 15 °C more than the policy allows under target, whatever else the verdict says."),
        )
    )
    usual = in_general(season)
    if usual:
        parts.show(parts.plain(usual))
    choices = list(season.by)
    oftenest = season.by[choices[0]].head(MOST_NAMED)
    oftenest = oftenest[oftenest["short"] > 0]
    if len(oftenest):
        named = "; ".join(f"{r.name} {r.short} of {r.fills}" for r in each(oftenest))
        parts.show(parts.plain(f"Oftenest by {BY[choices[0]]}: {named}."))
    title = f"By {', '.join(BY[c] for c in choices)}, drawn; and why"
    parts.opens(title, "short_by_opens", lambda: _fell_short_by(season, choices))


def _fell_short_by(season: Season, choices: list[str]) -> None:
    by = str(
        st.segmented_control(
            "By", choices, default=choices[0], format_func=parts.label(BY), key="short_by", required=True
        )
    )
    rows = season.by[by]
    if rows.empty:
        parts.show(parts.plain(f"None has {LEAST_FILLS} fills yet."))
        return
    parts.figure(charts.short_shares(rows.head(15), BY[by]), "Fills, and how many of them were short.", "short_shares")
    shown = [(r.name, r.fills, r.short, *(getattr(r, code) for code in WHY)) for r in each(rows.head(60))]
    head = [BY[by].capitalize(), "Fills", "Short", *WHY.values()]
    why = parts.table(head, shown, figures=range(1, len(head)), says="Short fills and why")
    parts.show(parts.Markup(f"<details><summary>Why they were short</summary>{why}</details>"))


def in_general(season: Season) -> str:
    """How many settle short, by how much, and how many of those were stopped hot: before one looks for culprits."""
    if not season.short:
        return ""
    under = words.number(season.under_bar, 0, "bar")
    return (
        f"{season.short} of {season.fills} fills settle short, half of them by {under} or more; {season.hot} of those "
        "were stopped hot. A hot stop shortens any fill: a slower fill, or a top-up once it is cool, wins it back. "
        "Look here for what is short oftener than the rest."
    )


def short_by(marks: pd.DataFrame, of: pd.Series) -> pd.DataFrame:
    """Fills, short ones and why by whom or what, most short ones first; only those with some fills."""
    rows = marks.groupby(of).sum().reset_index(names="name")
    return rows[rows["fills"] >= LEAST_FILLS].sort_values(["short", "fills"], ascending=[False, True])


def _mixes(fills: pd.DataFrame) -> pd.Series:
    """The newest fills with an analysed mix whose residue is known, a mask."""
    fits = (
        fills["expected_o2_pct"].notna()
        & fills["o2_pct"].notna()
        & fills["mix_verdict"].isin(["in_tolerance", "out_of_tolerance"])
    )
    return pd.Series(fills.index.isin(fills[fits].nlargest(MOST_POINTS, "filled_at").index), index=fills.index)


_MIX = ("filled_at", "expected_o2_pct", "o2_pct", "mix_verdict")
_MIXES = Chosen(_mixes, _MIX)


def learned(snapshot: Snapshot) -> None:
    parts.show(
        parts.heading(
            "What settled readings have taught",
            2,
            "Each point: what was predicted before the reading was known, less what was read. Honest intervals hold "
            "8 in 10.",
        )
    )
    check = snapshot.table("settling_check").dropna(subset=["predicted_bar", "measured_bar"])
    if check.empty:
        parts.show(
            parts.plain(
                "No settled reading yet. One reading some hours after a fill, on the check gauge, teaches the most now."
            )
        )
        return
    for row in each(snapshot.table("settling_record")):
        parts.show(*track_record(row))
    parts.opens("Prediction by prediction, drawn", "settling_check_opens", lambda: _predictions(check))
    model = snapshot.table("settling_model")
    if model.empty:
        return
    most = model.sort_values("gain_of_next_reading_bar", ascending=False).iloc[0]
    parts.show(
        parts.plain(
            f"Worth most now: a settled reading of a fill from {most['source_id']} ({most['material']}, "
            f"{most['size']}); it would narrow the "
            f"interval by {words.number(most['gain_of_next_reading_bar'], 1, 'bar')}."
        )
    )
    parts.opens(f"What is believed ({len(model)})", "settling_model_opens", lambda: _believed(model))


def _predictions(check: pd.DataFrame) -> None:
    parts.figure(
        charts.predicted_against_settled(check.nlargest(MOST_POINTS, "settled_fills_before")),
        "Predicted less settled pressure by number of readings known before.",
        "settling_check",
    )


def _believed(model: pd.DataFrame) -> None:
    parts.show(
        parts.table(
            [
                "Station",
                "Source",
                "Material",
                "Size",
                "Readings",
                label("Learned correction, bar"),
                "80 % interval",
                label("Next reading narrows it by, bar"),
            ],
            [
                (
                    r.station_id,
                    r.source_id,
                    r.material,
                    r.size,
                    words.number(r.settled_fills),
                    words.bare(r.effect_bar, 1, "bar"),
                    words.between(r.effect_low_bar, r.effect_high_bar, 1, "bar"),
                    words.bare(r.gain_of_next_reading_bar, 1, "bar"),
                )
                for r in each(model.sort_values("gain_of_next_reading_bar", ascending=False).head(20))
            ],
            figures=(4, 5, 6, 7),
            says="What was learned",
        )
    )


def track_record(row: Row) -> list[parts.Markup]:
    """How one station's predictions turned out; said aloud where they promised too much or leaned one way."""
    if not (words.known(row.answers) and row.answers):
        return []
    at = f"{row.station_id}: " if words.known(row.station_id) else ""
    pieces = [
        parts.plain(
            f"{at}{int(row.answers_inside)} of the latest {int(row.answers)} readings lay inside the 80 % interval "
            "that was given before they were known."
        )
    ]
    if words.known(row.too_narrow) and row.too_narrow:
        share = words.share(row.answers_inside / row.answers)
        wider = words.known(row.widening) and row.widening > 1.04
        times = f" Today's are {words.number(row.widening, 1)} times as wide for it." if wider else ""
        pieces.append(parts.bar("The intervals promised too much", 2, f"Said 80 %, held {share}.{times}"))
    if words.known(row.biased) and row.biased:
        off = words.number(abs(row.predicted_off_bar), 1, "bar")
        moved = words.number(abs(row.shift_bar) if words.known(row.shift_bar) else 0.0, 1, "bar")
        high = "high" if row.predicted_off_bar > 0 else "low"
        of_it = "" if moved == words.number(0.0, 1, "bar") else f" Today's are moved by {moved} for it."
        pieces.append(parts.bar(f"Predictions were {off} too {high}", 2, f"Half of the latest by more.{of_it}"))
    return pieces


def gauges(snapshot: Snapshot) -> None:
    parts.show(parts.heading("Gauges", 2, "Offsets found by comparing gauges through the gas itself."))
    check = snapshot.table("gauge_check")
    if check.empty:
        parts.show(parts.plain("Not enough readings to compare gauges."))
        return
    drifting = sorted(check.loc[said_yes(check["drifting"]), "gauge_id"].unique())
    if drifting:
        parts.show(
            parts.bar(
                f"Drifting: {', '.join(drifting)}",
                3,
                "Have it checked against a calibrated gauge before relying on it.",
            )
        )
    else:
        parts.show(parts.plain("None is seen to drift."))
    parts.opens("Each gauge by month, drawn", "gauge_offsets_opens", lambda: _offsets(check))


def _offsets(check: pd.DataFrame) -> None:
    parts.figure(charts.gauge_offsets(check), "Estimated offset of each gauge by month.", "gauge_offsets")


def blends(snapshot: Snapshot) -> None:
    """Analyses against what residue and additions should have made: slips show alone, a tired cell as a drift."""
    parts.show(
        parts.heading(
            "Mixes: analysed against expected",
            2,
            "Expected from what was inside and what was added. One point far off: a slip. All of them creeping "
            "down: a tired analyser cell.",
        )
    )
    rows = snapshot.table("fill_quality", ("unit_id", *_MIX), _MIXES).sort_values("filled_at", ascending=False)
    if rows.empty:
        parts.show(parts.plain("No analysed mix yet whose residue is known."))
        return
    off = (rows["mix_verdict"] == "out_of_tolerance").sum()
    parts.show(parts.plain(f"{words.plural(off, 'mix', 'mixes')} of {len(rows)} off target."))
    tolerance_pct = float(snapshot.policy("filling", "mix_tolerance_pct"))
    parts.opens("Mix by mix, drawn", "blends_opens", lambda: _mix_by_mix(rows, tolerance_pct))


def _mix_by_mix(rows: pd.DataFrame, tolerance_pct: float) -> None:
    drawn = charts.analysed_against_expected(rows, tolerance_pct)
    parts.figure(drawn, "Oxygen analysed less expected, by day.", "blends")


def gas_given(snapshot: Snapshot) -> None:
    given = snapshot.table("gas_added")
    parts.show(
        parts.heading(
            "Gas given out",
            2,
            f"Free {long('L')} added by month; the command coldfill export writes them by source and member, for "
            "charging.",
        )
    )
    if given.empty:
        parts.show(parts.plain("No fill with known start and size yet."))
        return
    newest = given[given["month_on"] == given["month_on"].max()]
    parts.show(
        parts.plain(
            f"{newest['month_on'].iloc[0]:%B %Y}: {words.number(newest['added_free_l'].sum(), 0, 'L')}, of it oxygen "
            f"{words.number(newest['oxygen_free_l'].sum(), 0, 'L')}, helium "
            f"{words.number(newest['helium_free_l'].sum(), 0, 'L')}."
        )
    )
    parts.opens("Month by month, drawn", "gas_by_month_opens", lambda: _by_month(given))
    if given["member_id"].notna().any():
        parts.opens("By month and member", "gas_by_member_opens", lambda: _by_member(given, snapshot.names()))


def _by_month(given: pd.DataFrame) -> None:
    parts.figure(charts.gas_by_month(given), "Gas added by month, oxygen and helium beside it.", "gas_by_month")


def _by_member(given: pd.DataFrame, names: dict[str, str]) -> None:
    columns = ["fills", "added_free_l", "oxygen_free_l", "helium_free_l"]
    rows = given.groupby(["month_on", "member_id"], dropna=False)[columns].sum().reset_index()
    parts.show(
        parts.table(
            ["Month", "For", "Fills", "Added", "Oxygen", "Helium"],
            [
                (
                    f"{r.month_on:%b %Y}",
                    names.get(r.member_id, r.member_id) if words.known(r.member_id) else "nobody named",
                    words.number(r.fills),
                    words.number(r.added_free_l, 0, "L"),
                    words.number(r.oxygen_free_l, 0, "L"),
                    words.number(r.helium_free_l, 0, "L"),
                )
                for r in each(rows.sort_values(["month_on", "added_free_l"], ascending=False).head(200))
            ],
            figures=(2, 3, 4, 5),
            says="Gas by month and member",
        )
    )
