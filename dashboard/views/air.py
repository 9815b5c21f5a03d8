"""Air: the compressor, its filter, and purity tests against the limits chosen."""

import re
from typing import Any

import pandas as pd
import streamlit as st

from dashboard import charts_fleet, parts
from dashboard.access import ALONE, MANAGER, OPERATOR
from dashboard.data import Snapshot
from dashboard.rows import each
from dashboard.views import manager_log, saved
from schemas import holds, words
from schemas.codes import sentence, worst_codes_first

TITLE = "Air"
#: roles that may open this page; what tables each sees stands in access.py
OPEN_TO = (ALONE, MANAGER, OPERATOR)

FAILED = (
    "Stop filling from this source, set aside the fills made since the last good test, call the laboratory; fill "
    "again after a test that "
    "passes."
)
#: cylinders of one cause that are shown at once
MOST_OF_ONE = 8
WEIGHTS = {"pass": 1, "fail": 4, "not_measured": 2}
STATES = {"stop": ("Do not fill from it", 4), "attention": ("Look at it", 3), "good": ("Nothing found against it", 1)}
#: said of nearly every compressor: how a figure was come by, not what is wrong
SIDE_REMARKS = ("filter_life_estimated",)
#: both ends of a limit, as its source says them
_RANGE = re.compile(r"([\d.]+) to ([\d.]+)")
AIR_WORDS = {"pass": "Within", "fail": "Failed", "not_measured": "Not measured"}


def page(snapshot: Snapshot) -> None:
    health, tests = snapshot.table("compressor_health"), snapshot.table("air_quality")
    if health.empty and tests.empty:
        parts.show(
            parts.plain(
                "No compressor and no air test is logged. Drop compressors.csv, compressor_log.csv and "
                "air_tests.csv into the inbox."
            )
        )
        return
    saved.show(snapshot)
    with parts.place():
        recalled(snapshot)
    for compressor in worst_first(health, tests):
        with parts.place():
            one(
                compressor,
                health[health["compressor_id"] == compressor],
                tests[tests["compressor_id"] == compressor],
            )
        manager_log.compressor(snapshot, compressor)
        manager_log.air_test(snapshot, compressor)
    parts.show(
        parts.note(
            "A purity test speaks for the moment it was taken. Intake, filter and weather change; smell, taste and "
            "a failed test at any "
            "time: stop."
        )
    )


def worst_first(health: pd.DataFrame, tests: pd.DataFrame) -> list[str]:
    """Compressors, those first that are not to be filled from: by air that stands failed, then by their state."""
    weights = {
        row.compressor_id: 5 if row.air_state == "failed" else STATES.get(row.state, ("", 3))[1] for row in each(health)
    }
    known = sorted(set(health["compressor_id"].dropna()) | set(tests["compressor_id"].dropna()))
    return sorted(known, key=lambda c: -weights.get(c, 3))


def last_measured(tests: pd.DataFrame) -> pd.DataFrame:
    """Of each quantity the last measurement; one that was never made stands as in the newest test."""
    ordered = tests.assign(made=tests["verdict"] != "not_measured").sort_values(["made", "sampled_on"])
    return ordered.drop_duplicates("quantity", keep="last").sort_values("quantity").drop(columns="made")


def one(compressor: str, health: pd.DataFrame, tests: pd.DataFrame) -> None:
    parts.show(parts.heading(compressor, 2))
    last = last_measured(tests)
    failed = last[last["verdict"] == "fail"]
    stands = len(health) > 0 and health.iloc[0]["air_state"] == "failed"
    if stands or len(failed):
        what = "; ".join(
            f"{', '.join(_short(r.quantity) for r in each(of_day))} on {words.day(day)}"
            for day, of_day in failed.groupby("sampled_on")
        )
        parts.show(parts.bar(f"Last air test failed: {what or 'see below'}", 4, FAILED))
    if len(health):
        row = health.iloc[0]
        # that its air failed, and what to do then, stands in the bar above
        codes = [c for c in words.listed(row["reasons"]) if not (c == "compressor_air_failed" and len(failed))]
        ordered = worst_codes_first(codes)
        reasons = [words.with_fix(c, dict(row)) for c in ordered if c not in SIDE_REMARKS]
        remarks = [words.with_fix(c, dict(row)) for c in ordered if c in SIDE_REMARKS]
        word, weight = STATES.get(row["state"], ("State not known", 3))
        if stands or len(failed):
            parts.show(parts.items(reasons), parts.folded(words.plural(len(remarks), "more remark"), remarks))
        else:
            more = parts.folded(words.plural(len(remarks), "more remark"), remarks)
            parts.show(parts.bar(word, weight, parts.Markup(parts.lines(*reasons) + more)))
        title = (
            f"{words.number(row['hours'], 0, 'h')} run, filter {_left(row['filter_hours_left'])}"
            f"{' left' if words.known(row['filter_hours_left']) and row['filter_hours_left'] >= 0 else ''}, "
            f"next air test {words.day(row['air_test_due_on'])}"
        )
        with st.expander(title):
            parts.show(
                parts.facts(
                    [
                        ("Hours run", words.number(row["hours"], 0, "h")),
                        (
                            "Filter life left",
                            _left(row["filter_hours_left"]),
                            _since_change(row["hours_since_filter"], row["filter_hours_left"]),
                        ),
                        (
                            "Service due",
                            words.day(row["service_due_on"]),
                            "at the present use" if words.known(row["service_due_on"]) else "",
                        ),
                        (
                            "Free air delivery",
                            words.number(row["free_air_delivery_l_min"], 0, "L/min"),
                            f"{words.number(row['delivery_change_pct'], 0, '%')} against rated"
                            if words.known(row["delivery_change_pct"])
                            else "",
                        ),
                        ("Next air test due", words.day(row["air_test_due_on"]), "the first of its quantities"),
                    ]
                )
            )
    if last.empty:
        parts.show(parts.bar("No air test is known", 3, "Have the air tested before handing over fills from it."))
        return
    bad = not_within(last)
    if len(bad):
        parts.show(_quantities(bad))
    how_many = f"all {len(last)} within" if bad.empty else f"{len(last) - len(bad)} of {len(last)} within"
    title = f"Its air, quantity by quantity: {how_many}"
    parts.opens(title, f"air_of_{compressor}", lambda: _by_quantity(compressor, last, tests))


def not_within(quantities: pd.DataFrame) -> pd.DataFrame:
    """Those that failed, and those that nobody measured: of these nothing is known."""
    return quantities[quantities["verdict"] != "pass"]


def _by_quantity(compressor: str, last: pd.DataFrame, tests: pd.DataFrame) -> None:
    parts.show(
        parts.note("A test speaks for what it measured, until that is measured again."),
        _quantities(last),
        parts.folded("Where the limits come from", [f"{_short(r.quantity)}: {r.limit_source}" for r in each(last)]),
    )
    if ((last["limit"] > 0) & (last["quantity"] != "o2_pct")).any():
        parts.figure(
            charts_fleet.air_against_limits(last), "Each quantity as a share of its limit.", f"air_{compressor}"
        )
    by_day = tests.groupby("sampled_on")[["quantity", "verdict"]].apply(_of_test).sort_index(ascending=False)
    parts.show(parts.note(f"Tests: {'; '.join(f'{words.day(d)} {said}' for d, said in by_day.head(8).items())}."))


def _quantities(rows: pd.DataFrame) -> parts.Markup:
    return parts.table(
        ["Quantity, last measured", "Found", "Limit", "Against it"],
        [
            (
                parts.lines(
                    words.quantity(r.quantity),
                    words.day(r.sampled_on) if r.verdict != "not_measured" else "never",
                ),
                _found(r.quantity, r.value),
                limit_in_words(r),
                parts.tag(AIR_WORDS.get(r.verdict, words.UNKNOWN), WEIGHTS.get(r.verdict, 2)),
            )
            for r in each(rows)
        ],
        figures=(1, 2),
        says="Air tests",
        kept=True,
    )


def _short(quantity: str) -> str:
    """'CO', without its unit."""
    return words.quantity(quantity).split(",")[0]


def _of_test(rows: pd.DataFrame) -> str:
    """'failed: CO', 'within', 'within, in part'."""
    bad = rows.loc[rows["verdict"] == "fail", "quantity"]
    if len(bad):
        return "failed: " + ", ".join(_short(q) for q in bad)
    return "within, in part" if (rows["verdict"] == "not_measured").any() else "within"


def _found(quantity: str, value: Any) -> str:
    """A figure, or of odour whether there was any."""
    if quantity == "odour" and words.known(value):
        return "some" if value > 0 else "none"
    return _measured(value)


def limit_in_words(row: Any) -> str:
    """'500', of oxygen both ends: air may hold too little of it as well as too much."""
    both = _RANGE.search(str(row.limit_source)) if row.quantity == "o2_pct" else None
    return f"{both[1]} to {both[2]}" if both else _found(row.quantity, row.limit)


def _measured(value: Any) -> str:
    """As many digits as a laboratory states."""
    return words.number(value, 0 if words.known(value) and abs(value) >= 100 else 2)


def _since_change(hours: Any, left: Any) -> str:
    """Hours since the filter was changed; at least so many where no more is known."""
    if not words.known(hours):
        return "no change on record"
    if not words.known(left):
        return f"at least {words.number(hours, 0, 'h')} since the last change"
    return f"{words.number(hours, 0, 'h')} since the last change; an estimate, corrected for the intake"


def _left(hours: Any) -> str:
    """Hours left, or by how many the life is used up."""
    if words.known(hours) and hours < 0:
        return f"used up {words.number(-hours, 0, 'h')} ago"
    return words.number(hours, 0, "h")


def recalled(snapshot: Snapshot) -> None:
    rows = snapshot.table("recall")
    if rows.empty:
        return
    names = snapshot.names()
    parts.show(
        parts.heading(
            f"Fills to call back: {len(rows)}",
            2,
            "Filled since what failed was last found good, or of unknown source while it stood, and not known to be "
            "used up.",
        )
    )
    parts.show(parts.bar("Have them back", 4, holds.DRAIN_FIRST))
    for (reason, since), fills in rows.groupby(["reason", "since"], sort=False, dropna=False):
        from_day = f"since {words.day(since)}" if words.known(since) else "without a good test before"
        count = words.plural(len(fills), "fill")
        units = words.plural(fills["unit_id"].nunique(), "cylinder or set", "cylinders or sets")
        held = [
            parts.line(
                parts.tag(unit, 4),
                _holder(of_unit["held_by"].iloc[0], names),
                [f"Fills: {', '.join(of_unit['fill_id'])}"],
            )
            for unit, of_unit in fills.groupby("unit_id")
        ]
        parts.show(
            parts.Markup(
                f'<div class="cause"><strong>{parts.text(sentence(str(reason)))}</strong><br>'
                f"{parts.text(f'{count} {from_day}, in {units}.')}"
                f"{parts.one_by_one(held, MOST_OF_ONE)}</div>"
            )
        )


def _holder(held_by: Any, names: dict[str, str]) -> str:
    """'with Ilva Tarn', 'at the station'."""
    away = words.known(held_by) and held_by != "station"
    return f"with {names.get(held_by, held_by)}" if away else "at the station"
