"""What has changed since yesterday, from the published rows that say when: a line a kind of news.

Pure: published frames in, sentences out. A table that the viewer may not see is None, and nothing is said of it.
"""

from collections.abc import Iterable

import pandas as pd

from dashboard.rows import Row, each
from schemas import words

#: units or cylinders named in a line at most
MOST_NAMED = 6
_VERDICTS = (
    ("stop", "not to be handed over"),
    ("attention", "to be checked first"),
    ("short", "short"),
    ("good", "with nothing found against it"),
)


def changes(
    begin: pd.Timestamp,
    today: pd.Timestamp,
    fills: pd.DataFrame,
    health: pd.DataFrame,
    life: pd.DataFrame,
    tests: pd.DataFrame | None,
    problems: pd.DataFrame | None,
    soon_days: float,
    releases: pd.DataFrame | None = None,
    corrections: pd.DataFrame | None = None,
    withdrawn: pd.DataFrame | None = None,
) -> list[str]:
    """News since a moment, what is to be done first.

    Parameters
    ----------
    begin : Timestamp
        UTC; the begin of yesterday at the station.
    today : Timestamp
        The day without a zone.
    fills, health, life, tests, problems : DataFrame
        Published `fill_quality`, `cylinder_health`, `cylinder_life`, `air_quality` and `rejects`.
    soon_days : float
        So long before its date a cylinder counts as due soon.
    releases, corrections, withdrawn : DataFrame
        Published `hold_releases`, `corrections` and `withdrawn`.
    """
    yesterday = today - pd.Timedelta(days=1)
    return [
        *_tests(tests, yesterday),
        *_fills(fills[fills["filled_at"] >= begin]),
        *_dates(health, soon_days),
        *_releases(releases, begin),
        *_life(life[life["at"] >= begin]),
        *_corrections(corrections, begin),
        *_withdrawn(withdrawn, begin),
        *_problems(problems, begin),
    ]


def _fills(new: pd.DataFrame) -> list[str]:
    if new.empty:
        return []
    of = []
    for verdict, word in _VERDICTS:
        rows = new[new["verdict"] == verdict]
        if len(rows):
            which = f" ({named(rows['unit_id'])})" if verdict in ("stop", "attention") else ""
            of.append(f"{len(rows)} {word}{which}")
    return [f"{words.plural(len(new), 'fill')}: {'; '.join(of)}."]


def _dates(health: pd.DataFrame, soon_days: float) -> list[str]:
    """A cylinder is in date up to and including its day."""
    kept = health[health["status"] == "in_service"]
    days = kept["days_to_due"].astype("float64")
    gone = kept[(days < 0) & (days >= -2) & kept["inspection_state"].isin(words.BARRED_STATES)]
    soon = kept[(days <= soon_days) & (days > soon_days - 2) & (kept["inspection_state"] == "due_soon")]
    return [
        *([f"Out of date now, may not be filled: {named(gone['cylinder_id'])}."] if len(gone) else []),
        *([f"Due within {soon_days:g} days now: {named(soon['cylinder_id'])}."] if len(soon) else []),
    ]


def _life(new: pd.DataFrame) -> list[str]:
    inspected = new[new["event"].str.startswith("inspected_", na=False)]
    looked_at = [
        f"{r.cylinder_id} ({words.KINDS.get(kind := str(r.event).removeprefix('inspected_'), kind)}, "
        f"{r.code if words.known(r.code) else words.UNKNOWN})"
        for r in each(inspected.head(MOST_NAMED))
    ]
    more = f" and {len(inspected) - MOST_NAMED} more" if len(inspected) > MOST_NAMED else ""
    lines = [f"Inspected: {', '.join(looked_at)}{more}."] if looked_at else []
    for event, word in (("lent", "Lent"), ("returned", "Came back"), ("unexplained_use", "Used without a record")):
        rows = new[new["event"] == event]
        if len(rows):
            lines.append(f"{word}: {named(rows['cylinder_id'])}.")
    return lines


def _releases(releases: pd.DataFrame | None, begin: pd.Timestamp) -> list[str]:
    """A line a hold that somebody lifted: which, who and why."""
    if releases is None:
        return []
    new = releases[releases["released_at"] >= begin].sort_values("released_at")
    lines = [
        f"Hold released: {r.unit_id if words.known(r.unit_id) else words.UNKNOWN} (fill {r.fill_id}), by "
        f"{r.released_by}: {r.reason}."
        for r in each(new.tail(MOST_NAMED))
    ]
    return [*([f"{len(new)} holds released; the last {MOST_NAMED}:"] if len(new) > MOST_NAMED else []), *lines]


def _corrections(corrections: pd.DataFrame | None, begin: pd.Timestamp) -> list[str]:
    """A line a source whose rows were replaced by newer ones that say something else."""
    if corrections is None:
        return []
    new = corrections[corrections["received_at"] >= begin]
    return [
        f"Corrected by a newer row: {words.plural(len(rows), 'row')} of {str(source).replace('_', ' ')} "
        f"({named(rows['key'])})."
        for source, rows in new.groupby("source")
    ]


def _withdrawn(withdrawn: pd.DataFrame | None, begin: pd.Timestamp) -> list[str]:
    """A line a row or file that somebody took out; problems that were left as they are are counted elsewhere."""
    if withdrawn is None:
        return []
    new = withdrawn[(withdrawn["withdrawn_at"] >= begin) & (withdrawn["source"] != "problems")]
    lines = [
        f"Withdrawn: {_what(r)}, by {r.withdrawn_by}: {r.reason}."
        for r in each(new.sort_values("withdrawn_at").tail(MOST_NAMED))
    ]
    return [*([f"{len(new)} withdrawn; the last {MOST_NAMED}:"] if len(new) > MOST_NAMED else []), *lines]


def _what(row: Row) -> str:
    if row.source == "files":
        return "file " + ", ".join(words.listed(row.files)[:2])
    return f"{row.key!s} of {str(row.source).replace('_', ' ')}"


def _tests(tests: pd.DataFrame | None, yesterday: pd.Timestamp) -> list[str]:
    if tests is None:
        return []
    new = tests[(tests["sampled_on"] >= yesterday) & (tests["verdict"] != "not_measured")]
    lines = []
    for compressor, rows in new.groupby("compressor_id"):
        failed = rows[rows["verdict"] == "fail"]
        outcome = "failed: do not fill from it" if len(failed) else "nothing measured was beyond its limit"
        lines.append(f"Air test of {compressor} on {words.day(rows['sampled_on'].max())}: {outcome}.")
    return lines


def _problems(problems: pd.DataFrame | None, begin: pd.Timestamp) -> list[str]:
    if problems is None:
        return []
    is_open = problems["resolved_at"].isna() & problems["dismissed_at"].isna()
    counts = {
        "new in the files, see Inbox": (is_open & (problems["first_seen_at"] >= begin)).sum(),
        "put right": (problems["resolved_at"] >= begin).sum(),
        "left as they are": (problems["dismissed_at"] >= begin).sum(),
    }
    of = [f"{n} {word}" for word, n in counts.items() if n]
    return [f"Problems: {'; '.join(of)}."] if of else []


def named(names: Iterable[str]) -> str:
    """The first of them by name, each once, and how many more."""
    found = sorted({str(n) for n in names})
    more = f" and {len(found) - MOST_NAMED} more" if len(found) > MOST_NAMED else ""
    return ", ".join(found[:MOST_NAMED]) + more
