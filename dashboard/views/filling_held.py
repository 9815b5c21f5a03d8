"""What is held back and what to look at first: a reason once, with the cylinders it holds for."""

from typing import Any

import pandas as pd

from dashboard import parts
from dashboard.data import Snapshot
from dashboard.rows import Row, each
from schemas import holds, words
from schemas.clearance import FillClearance
from schemas.codes import all_codes, sentence, worst_codes_first
from schemas.reading_units import text

#: cylinders of one reason that are shown at once
MOST_OF_ONE = 6
#: cylinders named in a line
MOST_NAMED = 8
NO_REASON = ""


def show(snapshot: Snapshot, fills: pd.DataFrame, clearance: FillClearance | None = None) -> None:
    """The hold list by its worst reason, and what to check first; not what stands above already."""
    above = {row["fill_id"] for row in clearance.held} if clearance else set()
    found = holds.not_released(fills, "stop")
    found = found[~found["fill_id"].isin(above)]
    parts.show(
        parts.heading(
            f"{words.VERDICTS['stop']}{', besides this one' if above else ''}: {len(found)}",
            2,
            "The last fill of its cylinder, and nobody released it. A newer row that clears it, a new fill or a "
            "release ends a hold.",
        )
    )
    if found.empty:
        parts.show(parts.plain("None."))
    by: dict[str, list[Row]] = {}
    for row in each(found):
        by.setdefault(next(iter(words.listed(row.reasons)), NO_REASON), []).append(row)
    parts.show(*(_cause(snapshot, code, by[code], 4) for code in worst_codes_first(by)))
    look_first(snapshot, fills)


def look_first(snapshot: Snapshot, fills: pd.DataFrame) -> None:
    """What nothing forbids handing over; the reasons open behind the names."""
    found = holds.not_released(fills, "attention")
    parts.show(
        parts.heading(
            f"{words.VERDICTS['attention']}: {len(found)}", 2, "Nothing forbids the hand-over, but look first."
        )
    )
    if found.empty:
        parts.show(parts.plain("None."))
        return
    by: dict[str, list[Row]] = {}
    for row in each(found):
        for code in words.listed(row.reasons):
            if code not in words.MINOR_REASONS:
                by.setdefault(code, []).append(row)
    rarest = sorted(by, key=lambda code: len(by[code]))
    parts.show(parts.one_by_one([_look_at(snapshot, code, by[code]) for code in rarest]))


def _cause(snapshot: Snapshot, code: str, rows: list[Row], weight: int) -> parts.Markup:
    """A reason, what to do, and a line a cylinder with the state of its air; its other reasons open below."""
    fix = text(all_codes()[code].fix) if code in all_codes() else ""
    head = parts.lines(parts.Markup(f"<strong>{parts.text(_said(code, rows))}</strong>"), fix)
    units = parts.one_by_one([_unit(snapshot, row, weight) for row in rows], MOST_OF_ONE)
    return parts.Markup(f'<div class="cause">{head}{units}</div>')


def _unit(snapshot: Snapshot, row: Row, weight: int) -> parts.Markup:
    names, air = snapshot.names(), holds.air(row._asdict())
    others = [words.with_fix(code, row._asdict()) for code in words.listed(row.reasons)[1:]]
    whose = f"For {names.get(row.member_id, row.member_id)}." if words.known(row.member_id) else ""
    when = words.clock(row.filled_at, snapshot.zone)
    tag = parts.tag(row.unit_id, weight)
    if row.air_state == "passed" and not holds.called_back(row._asdict()):
        return parts.line(tag, when, [f"Air: {air}.", whose, *others])
    return parts.line(tag, f"{when}; air: {air}", [whose, *others])


def _look_at(snapshot: Snapshot, code: str, rows: list[Row]) -> parts.Markup:
    """One reason with the cylinders it holds for; what to do and when they were filled open below."""
    known = all_codes().get(code)
    inside: list[Any] = [text(known.fix) if known else ""]
    inside += [f"{row.unit_id}, filled {words.clock(row.filled_at, snapshot.zone)}" for row in rows]
    lead = parts.Markup(f"<strong>{parts.text(_said(code, rows))}</strong>")
    return parts.line(lead, parts.named((row.unit_id for row in rows), MOST_NAMED), inside)


def _said(code: str, rows: list[Row]) -> str:
    """The sentence with its figures where one cylinder alone has it."""
    if code == NO_REASON:
        return "No reason is published."
    return sentence(code, rows[0]._asdict()) if len(rows) == 1 else sentence(code)
