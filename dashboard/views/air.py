"""Air: the compressor, its filter, and purity tests against the limits chosen."""

from typing import Any

import pandas as pd

from dashboard import charts_fleet, parts
from dashboard.data import Snapshot
from dashboard.rows import each
from schemas import words
from schemas.codes import sentence

FAILED = (
    "Stop filling from this source, set aside the fills made since the last good test, call the laboratory; fill "
    "again after a test that "
    "passes."
)
WEIGHTS = {"pass": 1, "fail": 4, "not_measured": 2}
STATES = {"stop": ("Do not fill from it", 4), "attention": ("Look at it", 3), "good": ("Nothing found against it", 1)}
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
    compressors = sorted(set(health["compressor_id"].dropna()) | set(tests["compressor_id"].dropna()))
    for compressor in compressors:
        one(
            snapshot,
            compressor,
            health[health["compressor_id"] == compressor],
            tests[tests["compressor_id"] == compressor],
        )
    recalled(snapshot)
    parts.show(
        parts.note(
            "A purity test speaks for the moment it was taken. Intake, filter and weather change; smell, taste and "
            "a failed test at any "
            "time: stop."
        )
    )


def one(snapshot: Snapshot, compressor: str, health: pd.DataFrame, tests: pd.DataFrame) -> None:
    parts.show(parts.heading(compressor, 2))
    newest = tests[tests["sampled_on"] == tests["sampled_on"].max()] if len(tests) else tests
    failed = newest[newest["verdict"] == "fail"]
    if len(failed):
        parts.show(
            parts.bar(
                f"Last air test failed: {', '.join(words.quantity(q).split(',')[0] for q in failed['quantity'])}",
                4,
                FAILED,
            )
        )
    if len(health):
        row = health.iloc[0]
        reasons = [words.mended(c, dict(row)) for c in words.listed(row["reasons"])]
        word, weight = STATES.get(row["state"], ("State not known", 3))
        if len(failed):
            parts.show(parts.items(reasons))
        else:
            parts.show(parts.bar(word, weight, parts.lines(*reasons)))
        parts.show(
            parts.facts(
                [
                    ("Hours run", words.number(row["hours"], 0, "h")),
                    (
                        "Filter life left",
                        _left(row["filter_hours_left"]),
                        f"{words.number(row['hours_since_filter'], 0, 'h')} since the last change; an estimate, "
                        "corrected for the intake",
                    ),
                    ("Service due", words.day(row["service_due_on"]), "at the present use"),
                    (
                        "Free air delivery",
                        words.number(row["free_air_delivery_l_min"], 0, "L/min"),
                        f"{words.number(row['delivery_change_pct'], 0, '%')} against rated"
                        if words.known(row["delivery_change_pct"])
                        else "",
                    ),
                    ("Next air test due", words.day(row["air_test_due_on"])),
                ]
            )
        )
    if newest.empty:
        parts.show(parts.bar("No air test is known", 3, "Have the air tested before handing over fills from it."))
        return
    parts.show(parts.heading(f"Air test of {words.day(newest['sampled_on'].iloc[0])}", 3))
    parts.show(
        parts.table(
            ["Quantity", "Measured", "Limit", "Against it", "Limit from"],
            [
                (
                    words.quantity(r.quantity),
                    words.number(r.value, 2),
                    words.number(r.limit, 2),
                    parts.tag(AIR_WORDS.get(r.verdict, words.UNKNOWN), WEIGHTS.get(r.verdict, 2)),
                    r.limit_source,
                )
                for r in each(newest)
            ],
            figures=(1, 2),
            says="Air test",
        )
    )
    if ((newest["limit"] > 0) & (newest["quantity"] != "o2_pct")).any():
        parts.figure(
            charts_fleet.air_against_limits(newest), "Each quantity as a share of its limit.", f"air_{compressor}"
        )
    older = tests[tests["sampled_on"] < tests["sampled_on"].max()]
    if len(older):
        worst = (
            older.groupby("sampled_on")["verdict"]
            .agg(lambda v: "failed" if (v == "fail").any() else "within")
            .sort_index(ascending=False)
        )
        parts.show(
            parts.note("Earlier: " + "; ".join(f"{words.day(day)} {word}" for day, word in worst.head(8).items()) + ".")
        )


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
            f"Fills to call back: {len(rows)}", 2, "Filled since the last good test, and not known to be used up."
        )
    )
    parts.show(
        parts.table(
            ["Cylinder or set", "With", "Why", "Since", "Fill"],
            [
                (
                    r.unit_id,
                    names.get(r.held_by, r.held_by) if words.known(r.held_by) else "station",
                    sentence(r.reason),
                    words.clock(r.since, snapshot.zone),
                    r.fill_id,
                )
                for r in each(rows)
            ],
            says="Fills to call back",
        )
    )
