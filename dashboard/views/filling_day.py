"""The fills of one day, and one of them taken apart."""

from typing import Any

import pandas as pd
import streamlit as st

from dashboard import charts, fills, parts
from dashboard.data import Snapshot
from dashboard.rows import Row, each
from dashboard.unit_field import number_field
from dashboard.views import filling_labels
from schemas import fields as f
from schemas import holds, words
from schemas.codes import sentence
from schemas.reading_units import long, text
from shared.gas.thermal import settled_pressure_bar

#: fills of a verdict that are shown at once
MOST_FILLS = 4
#: figures of one fill that stand open
_FIRST = ("Permitted", "Mix", "Maximum operating depth")


def show(snapshot: Snapshot) -> None:
    with_fills = fills.days(snapshot)
    if not with_fills:
        parts.show(parts.plain("No fill has been logged yet."))
        return
    day = st.selectbox(
        "Day (those with fills)",
        list(with_fills),
        format_func=lambda day: with_fills.get(day, str(day)),
        key=f"fill_day_{next(iter(with_fills))}",  # once a day is new, that one
        filter_mode="prefix",
        width=240,
    )
    of_day = fills.of_day(snapshot, day)
    parts.show(
        parts.heading(
            f"{words.plural(len(of_day), 'fill')} on {words.day(pd.Timestamp(day))}",
            2,
            "Pressures are gauge pressures; intervals hold 8 times in 10. Usable: what comes out down to an empty "
            "gauge.",
        )
    )
    parts.show(parts.plain(counted(of_day)))
    for verdicts, heading in ((("stop", "attention"), "To be looked at"), (("short", "good"), "The others")):
        rows = of_day[of_day["verdict"].isin(verdicts)]
        if len(rows):
            parts.show(parts.heading(f"{heading}: {len(rows)}", 3), _listed(snapshot, worst_first(rows)))
    filling_labels.show(snapshot, of_day)
    parts.opens("Usable content of each, drawn", "contents_opens", lambda: _contents(snapshot, of_day))
    labels = {
        row.fill_id: f"{row.unit_id}, {words.hour(row.filled_at, snapshot.zone)} ({row.fill_id})"
        for row in each(of_day)
    }
    listed = worst_first(of_day)["fill_id"].tolist()
    chosen = st.selectbox(
        "One fill: where its gas went, what it will read",
        listed,
        index=0 if len(listed) == 1 else None,  # the day first; then one of it
        format_func=parts.label(labels),
        placeholder="choose; the worst stands first",
        key=f"one_fill_{day}",
    )
    if chosen is not None:
        one(snapshot, of_day[of_day["fill_id"] == chosen].iloc[0])


def _contents(snapshot: Snapshot, of_day: pd.DataFrame) -> None:
    parts.figure(
        charts.contents_of_fills(of_day, snapshot.zone),
        "Usable content of each fill of the day with its interval, against the nominal content.",
        "contents",
    )


def counted(fills: pd.DataFrame) -> str:
    """How many have which verdict, the worst first, and how far under target the short ones usually settle."""
    counts = fills["verdict"].value_counts()
    lines = [f"{words.VERDICTS[v]}: {counts[v]}" for v in words.VERDICT_ORDER if v in counts]
    under = under_target(fills[fills["verdict"] == "short"])
    by = words.number(under.median(), 0, "bar")
    usual = "" if under.isna().all() else f" (by {by})" if len(under) == 1 else f" (half of them by {by} or more)"
    return ". ".join(line + (usual if line.startswith(words.VERDICTS["short"]) else "") for line in lines) + "."


def under_target(fills: pd.DataFrame) -> pd.Series:
    """Bar by which fills settle under their target."""
    return fills["target_pressure_bar"] - fills["settled_pressure_bar_15c"]


def worst_first(fills: pd.DataFrame) -> pd.DataFrame:
    """By verdict, and among like verdicts the farthest under target first."""
    order = {verdict: place for place, verdict in enumerate(words.VERDICT_ORDER)}
    by = pd.DataFrame({"verdict": fills["verdict"].map(order), "under": -under_target(fills)}, index=fills.index)
    return fills.loc[by.sort_values(["verdict", "under"], kind="stable").index]


def _listed(snapshot: Snapshot, fills: pd.DataFrame) -> parts.Markup:
    return parts.one_by_one([_line(snapshot, row) for row in each(fills)], MOST_FILLS)


def _line(snapshot: Snapshot, row: Row) -> parts.Markup:
    """Which, its verdict, the worst reason and what it reads once cold; figures and other reasons open below."""
    found = words.listed(row.reasons)
    weighty = [sentence(c, row._asdict()) for c in found if c not in words.MINOR_REASONS]
    usual = [sentence(c, row._asdict()) for c in found if c in words.MINOR_REASONS]
    under = words.number(row.target_pressure_bar - row.settled_pressure_bar_15c, 0, "bar")
    first = weighty[:1] or ([f"{under} under target."] if row.verdict == "short" else [])
    reads = words.number(row.settled_pressure_bar_15c, 0, "bar")
    stop = words.number(row.stop_pressure_bar, 0, "bar")
    mix, analysed = words.mix(row.o2_pct, row.he_pct), words.MIX_VERDICTS.get(row.mix_verdict, words.UNKNOWN)
    usable = words.with_interval(row.real_free_l, row.real_low_free_l, row.real_high_free_l, 0, "L")
    cold = words.between(row.settled_low_bar_15c, row.settled_high_bar_15c, 0, "bar")
    return parts.line(
        parts.Markup(f"<strong>{parts.named([row.unit_id])}</strong>, {words.hour(row.filled_at, snapshot.zone)}"),
        parts.lines(
            parts.tag(words.VERDICTS.get(row.verdict, words.UNKNOWN), words.VERDICT_WEIGHT.get(row.verdict, 2)),
            *first,
            text(f"Reads {reads} at 15 °C. {words.capital(mix)}, {analysed}."),
        ),
        [
            f"Fill {row.fill_id}. Usable {usable} of nominal {words.number(row.nominal_free_l, 0, 'L')}.",
            text(f"Stopped at {stop}; at 15 °C {cold} (80 % interval)."),
            *weighty[1:],
            *usual,
        ],
    )


def one(snapshot: Snapshot, fill: Row) -> None:
    """One fill: where the gas went that the tag promised, and what the gauge will read."""
    parts.show(parts.heading(f"{fill['unit_id']}, filled {words.clock(fill['filled_at'], snapshot.zone)}", 2))
    parts.show(
        parts.bar(
            words.VERDICTS.get(fill["verdict"], words.UNKNOWN),
            words.VERDICT_WEIGHT.get(fill["verdict"], 2),
            parts.reasons(fill),
        )
    )
    if words.known(fill["released"]) and fill["released"]:
        parts.show(parts.note("A person released this hold."))
    parts.figure(charts.shortfall_waterfall(fill), _in_words(fill), "waterfall")
    parts.show(parts.plain(_in_words(fill)))
    cold, *others = _figures(fill)
    parts.show(parts.facts([cold, *(row for row in others if row[0] in _FIRST)]))
    with st.expander("In the water, and its other figures"):
        left, right = st.columns(2)
        with left:
            water_c = number_field(
                "Temperature of the water, °C",
                f.WATER_C,
                float(fill["water_c"]) if words.known(fill["water_c"]) else 15.0,
                f"water_c_{fill['fill_id']}",
                digits=1,
                width=220,
            )
        with right:
            reads = _reads_at(fill, water_c)
            parts.show(
                parts.facts(
                    [
                        (
                            f"Reads in water of {words.number(water_c, 0, '°C')}",
                            words.number(reads, 0, "bar"),
                            _as_published(fill),
                        )
                    ]
                )
            )
        parts.show(parts.facts(row for row in others if row[0] not in _FIRST))
    first_published = fill["handed_over_settled_bar_15c"]
    if (
        words.known(first_published)
        and words.known(fill["settled_pressure_bar_15c"])
        and abs(first_published - fill["settled_pressure_bar_15c"]) >= 1.0
    ):
        parts.show(
            parts.note(
                f"When it was handed over this page said {words.number(first_published, 0, 'bar')} at {text('15 °C')} "
                f"and '{words.VERDICTS.get(fill['handed_over_verdict'], words.UNKNOWN)}'; readings since then changed "
                "that."
            )
        )
    parts.show(
        parts.caution(
            "Analyse before use: this page is no analysis. Depths hold for the analysed mix alone; the diver "
            "decides with "
            "their own analysis."
        )
    )


def _as_published(fill: Row) -> str:
    """What the fill was published with, where the water of its days is known."""
    if not (words.known(fill["water_c"]) and words.known(fill["reads_in_water_bar"])):
        return "same gas, colder; no dive tells how warm the water is: type it"
    return (
        f"same gas, colder; as published for {words.number(fill['water_c'], 0, '°C')}: "
        f"{words.number(fill['reads_in_water_bar'], 0, 'bar')} ({_words_of_basis(fill['water_c_basis'])})"
    )


def _reads_at(fill: Row, water_c: float | None) -> float:
    """What the settled gas reads at another temperature: one call of the gas engine, as the calculator makes it."""
    o2, he = (
        next((fill[c] for c in (f"{gas}_pct", f"expected_{gas}_pct") if words.known(fill.get(c))), None)
        for gas in ("o2", "he")
    )
    if o2 is None or water_c is None or not words.known(fill["settled_pressure_bar_15c"]):
        return float("nan")
    he = 0.0 if he is None else he
    return float(settled_pressure_bar(fill["settled_pressure_bar_15c"], 15.0, water_c, o2, he, strict=False))


def _words_of_basis(basis) -> str:
    return str(basis).replace("_", " ") if words.known(basis) else "basis not known"


def _in_words(fill: Row) -> str:
    early = fill["stopped_early_free_l"]
    above = words.known(early) and early < 0
    stop = (
        f"Stopped above target: {words.number(-early, 0, 'L')} more"
        if above
        else (f"Stopped early {words.number(early, 0, 'L')}")
    )
    return (
        f"Nominal {words.number(fill['nominal_free_l'], 0, 'L')}, usable {words.number(fill['real_free_l'], 0, 'L')}: "
        f"{words.number(fill['shortfall_free_l'], 0, 'L')} less. {stop}, "
        f"cooling {words.number(fill['cooling_free_l'], 0, 'L')}{' less' if above else ''}, compressibility "
        f"{words.number(fill['compressibility_free_l'], 0, 'L')}{' less' if above else ''} (free {long('L')}; the "
        "three add up to the difference)."
    )


def _of_which_mix(fill: Row) -> str:
    """What the greatest depth rests on; of plain air that nobody analysed, air's."""
    if not words.known(fill["max_operating_depth_m"]):
        return "stated of an analysed mix, or of plain air, alone"
    if fill["mix_verdict"] == "not_analysed":
        return "of air, not analysed; rounded down"
    return "from the richest analysis, rounded down"


def _yes_or_no(value: Any) -> str:
    return words.UNKNOWN if not words.known(value) else "yes" if value else "no"


def _figures(fill: Row) -> list[tuple]:
    deco = words.depth_down(fill["max_operating_depth_deco_m"])
    least = (
        words.depth_up(fill["min_operating_depth_m"])
        if words.known(fill["min_operating_depth_m"]) and fill["min_operating_depth_m"] > 0
        else ""
    )
    return [
        (
            text("Reads at 15 °C"),
            words.with_interval(
                fill["settled_pressure_bar_15c"], fill["settled_low_bar_15c"], fill["settled_high_bar_15c"], 0, "bar"
            ),
            f"80 % interval; from {words.BASIS.get(fill['gas_c_basis'], words.UNKNOWN)}",
        ),
        (
            "Permitted",
            words.number(fill["permitted_bar"], 0, "bar"),
            f"settled at {words.number(fill['reference_c'], 0, '°C')}: "
            f"{words.number(fill['settled_pressure_bar_ref'], 0, 'bar')}",
        ),
        (
            "Gas at stop",
            words.number(fill["gas_c"], 0, "°C"),
            f"surroundings {words.number(fill['ambient_c'], 0, '°C')}",
        ),
        ("Fell by cooling", words.number(fill["cooling_bar"], 0, "bar"), text("gauge at stop less gauge at 15 °C")),
        (
            "Mix",
            words.mix(fill["o2_pct"], fill["he_pct"]),
            parts.lines(
                words.MIX_VERDICTS.get(fill["mix_verdict"], ""),
                f"expected {words.mix(fill['expected_o2_pct'], fill['expected_he_pct'])}"
                if words.known(fill["expected_o2_pct"])
                else "",
            ),
        ),
        (
            "Maximum operating depth",
            words.depth_down(fill["max_operating_depth_m"]),
            parts.lines(
                _of_which_mix(fill),
                f"decompression only: {deco}" if words.known(fill["max_operating_depth_deco_m"]) else "",
                f"not to be breathed above {least}" if least else "",
            ),
        ),
        (
            "Air of its source",
            holds.air(fill),
            "by the tests of every compressor that may have fed it",
        ),
        ("In test that day", _yes_or_no(fill["in_test"])),
        ("Oxygen clean that day", _yes_or_no(fill["oxygen_clean"])),
        (
            "Rate of the fill",
            words.number(fill["fill_rate_bar_min"], 0, "bar/min"),
            f"{words.number(fill['fill_minutes'], 0, 'min')}" if words.known(fill["fill_minutes"]) else "",
        ),
        (
            "Gas added",
            words.number(fill["added_free_l"], 0, "L"),
            f"mass inside {words.number(fill['gas_mass_kg'], 2, 'kg')}",
        ),
    ]
