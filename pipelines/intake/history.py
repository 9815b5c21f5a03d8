"""What became of one row: every version of it, what each changed, which one counts, and who withdrew it and why."""

from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from pipelines.intake.row_key import Named
from pipelines.intake.withdraw import Withdrawals
from pipelines.warehouse import history as stored
from pipelines.warehouse import withdrawn
from pipelines.warehouse.store import Warehouse
from schemas.frames import conform
from schemas.privacy import PERSONAL_SOURCES
from schemas.sources import SOURCES

#: what people are told of the states of rows
STATES = {
    "current": "counts",
    "superseded": "a later version counts",
    "waiting": "waits",
    "rejected": "rejected",
    "answered": "was not taken; a later file gave the row",
    "withdrawn": "withdrawn",
    "left_out": "was not taken, and is withdrawn",
}


@dataclass
class Version:
    """One version of a row. `changed` has the values by column: of the first one all, then what differs."""

    file: str
    file_sha256: str
    row_number: int
    ranked_at: pd.Timestamp
    state: str
    says: str
    changed: dict[str, tuple[Any, Any]] = field(default_factory=dict)
    problems: list[str] = field(default_factory=list)
    file_withdrawn: bool = False


@dataclass
class Said:
    """Somebody withdrew the row, or brought it back."""

    at: pd.Timestamp
    by: str
    reason: str
    brought_back: bool


@dataclass
class History:
    """A row's versions in the order in which they win, the last one most, and what was said of it."""

    named: Named
    versions: list[Version]
    said: list[Said]
    out: bool


def history_of(withdrawals: Withdrawals, warehouse: Warehouse, named: Named) -> History:
    """Look a row up by its source and key."""
    rows = stored.versions(warehouse, named.source, named.key)
    fields = [f for f in SOURCES[named.source].fields.values() if f.name != "revised_at"]
    values = conform(rows, fields)
    standing = withdrawals.standing()
    files_out = set(standing.loc[standing["source"] == withdrawn.FILES, "key"])
    of_row = (standing["source"] == named.source) & (standing["key"] == named.key)
    made: list[Version] = []
    before: dict[str, Any] = {}
    for row, now in zip(rows.itertuples(), values.to_dict("records"), strict=True):
        here = {name: value for name, value in now.items() if not pd.isna(value)}
        changed = {
            name: (before.get(name), here.get(name))
            for name in now
            if name not in SOURCES[named.source].key and before.get(name) != here.get(name)
        }
        if named.source in PERSONAL_SOURCES:  # which columns, and none of what they hold
            changed = dict.fromkeys(changed, ("", ""))
        made.append(
            Version(
                row.file,
                row.file_sha256,
                int(row.row_number),
                row.order_at,
                row.state,
                STATES.get(row.state, row.state),
                changed,
                stored.problems_of_rows(warehouse, named.source, row.file, row.file_sha256, int(row.row_number)),
                row.file_sha256 in files_out,
            )
        )
        before = here
    said = [
        Said(row["withdrawn_at"], row["withdrawn_by"], row["reason"], brought_back=level % 2 == 1)
        for level, row in withdrawals.said_of(named)
    ]
    return History(named, made, said, bool(of_row.any()))
