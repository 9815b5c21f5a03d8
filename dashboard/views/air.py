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
    recalled(snapshot)
    for compressor in worst_first(health, tests):
        one(
            snapshot,
            compressor,
            health[health["compressor_id"] == compressor],
            tests[tests["compressor_id"] == compressor],
        )
    parts.show(
        parts.note(
            "A purity test speaks for the moment it was taken. Intake, filter and weather change; smell, taste and "
            "a failed test at any "
            "time: stop."
        )
    )


def worst_first(health: pd.DataFrame, tests: pd.DataFrame) -> list[str]:
    """Compressors, those first that are not to be filled from: by a failed last test, else by their state."""
    weights = {
        c: STATES.get(state, ("", 3))[1] for c, state in zip(health["compressor_id"], health["state"], strict=True)
    }
    newest = tests[tests["sampled_on"] == tests.groupby("compressor_id")["sampled_on"].transform("max")]
    failed = set(newest.loc[newest["verdict"] == "fail", "compressor_id"])
    known = sorted(set(health["compressor_id"].dropna()) | set(tests["compressor_id"].dropna()))
    return sorted(known, key=lambda c: -(5 if c in failed else weights.get(c, 3)))


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
                    _measured(r.value),
                    _measured(r.limit),
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


def _measured(value: Any) -> str:
    """As many digits as a laboratory states."""
    return words.number(value, 0 if words.known(value) and abs(value) >= 100 else 2)


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
    for (reason, since), fills in rows.groupby(["reason", "since"], sort=False, dropna=False):
        parts.show(
            parts.bar(
                sentence(str(reason)),
                3,
                f"{words.plural(len(fills), 'fill')} since {words.day(since)}, in "
                f"{words.plural(fills['unit_id'].nunique(), 'cylinder or set', 'cylinders or sets')}. {FAILED}",
            ),
            parts.table(
                ["Cylinder or set", "With", "Fills"],
                [
                    (unit, _holder(of_unit["held_by"].iloc[0], names), ", ".join(of_unit["fill_id"]))
                    for unit, of_unit in fills.groupby("unit_id")
                ],
                says="Fills to call back",
                kept=True,
            ),
        )


def _holder(held_by: Any, names: dict[str, str]) -> str:
    return names.get(held_by, held_by) if words.known(held_by) else "station"
