"""Bring what the withdrawals say into effect: rows, files and problems go out and come back.

A withdrawal that names a row takes every version of its key out; one of `files` takes out what a content gave, and
older versions count again. The newest word decides: a withdrawal of the withdrawal brings back, a later withdrawal
takes out again.
"""

from dataclasses import dataclass, field

import pandas as pd

from pipelines.intake.row_key import Named, find, how_to_write, source_named
from pipelines.readers.raw import Problem, problem
from pipelines.station.settings import Station
from pipelines.warehouse import files, problems, withdrawn
from pipelines.warehouse.store import STORED, Warehouse
from pipelines.warehouse.withdrawn import WITHDRAWALS

CORRECTS = "corrects_withdrawn"
_COLUMNS = ["source", "key", "withdrawn_at", "withdrawn_by", "reason", "received_at"]
#: withdrawals of withdrawals of withdrawals, and chains of references: so many rounds are enough
MOST_ROUNDS = 10


@dataclass
class Settled:
    """What came of it: whether anything changed, what went out or came back, and files to be read again.

    Files are named by place and sha256.
    """

    changed: bool = False
    moved: int = 0
    again: set[tuple[str, str]] = field(default_factory=set)


class Withdrawals:
    """Looks up what withdrawals name and brings the warehouse to them."""

    def __init__(self, station: Station, warehouse: Warehouse, now: pd.Timestamp):
        self.zone, self.warehouse, self.now = station.time_zone, warehouse, now

    # --- rows of the source -------------------------------------------------------------------
    def place(self, rows: pd.DataFrame) -> tuple[pd.Series, list[Problem]]:
        """Which rows name nothing that is known, and wait; with the reasons."""
        unknown = pd.Series(False, index=rows.index)
        found = []
        for row in rows.itertuples():
            source = source_named(row.source)
            known = find(self.warehouse, source, row.key, self.zone) if source else []
            if len(known) != 1:
                unknown[row.Index] = True
                where = {"row_number": row.row_number, "line": row.line, "column": "key", "value": row.key}
                found.append(
                    problem("withdraws_unknown", found=source, parts=how_to_write(source), **where)
                    if source
                    else problem("withdraws_of_no_source", **where | {"column": "source", "value": row.source})
                )
        return unknown, found

    # --- what stands --------------------------------------------------------------------------
    def standing(self) -> pd.DataFrame:
        """What is withdrawn now, with the newest withdrawal of each."""
        by_thing: dict[tuple[str, str], dict[int, dict]] = {}
        rows = withdrawn.declared(self.warehouse)
        for row, named in zip(rows.to_dict("records"), self._named(rows), strict=True):
            levels = by_thing.setdefault((named.source, named.key), {})
            said = levels.get(named.level)
            if said is None or row["withdrawn_at"] >= said["withdrawn_at"]:
                levels[named.level] = row
        stands = [
            levels[0] | {"source": source, "key": key}
            for (source, key), levels in sorted(by_thing.items())
            if _stands(levels, 0)
        ]
        return pd.DataFrame(stands, columns=_COLUMNS).astype(
            dict.fromkeys(("source", "key", "withdrawn_by", "reason"), "str")
            | dict.fromkeys(("withdrawn_at", "received_at"), "datetime64[us, UTC]")
        )

    def said_of(self, named: Named) -> list[tuple[int, dict]]:
        """Every word about a thing in order of time, each with its level: odd ones bring back."""
        rows = withdrawn.declared(self.warehouse)
        return [
            (n.level, row)
            for row, n in zip(rows.to_dict("records"), self._named(rows), strict=True)
            if (n.source, n.key) == (named.source, named.key)
        ]

    def _named(self, rows: pd.DataFrame) -> list[Named]:
        """What each withdrawal names; most are written as the keys stand, and looked up together."""
        sources = [source_named(source) or source for source in rows["source"]]
        exact = {
            source: withdrawn.known_texts(self.warehouse, source, list(part["key"]))
            for source, part in rows.groupby(pd.Series(sources, index=rows.index))
            if source in STORED and source != WITHDRAWALS
        }
        made = []
        for source, key in zip(sources, rows["key"], strict=True):
            if key in exact.get(source, ()):
                made.append(Named(source, key))
                continue
            found = find(self.warehouse, source, key, self.zone) if source_named(source) else []
            made.append(found[0] if len(found) == 1 else Named(source, key))
        return made

    # --- bringing it into effect --------------------------------------------------------------
    def settle(self) -> Settled:
        """Bring rows, samples, problems and readings to what stands; one transaction."""
        if not withdrawn.to_settle(self.warehouse):
            return Settled()
        changed = moved = 0
        with self.warehouse.transaction(changes=False):
            for _ in range(MOST_ROUNDS):
                now_moved = withdrawn.set_standing(self.warehouse, self.standing())
                moved += now_moved
                if not now_moved:
                    break
            changed += moved
            changed += withdrawn.leave_out(self.warehouse, self.now)
            changed += withdrawn.reopen_of_content_before(self.warehouse)
            changed += withdrawn.dismiss(self.warehouse)
            changed += self._let_wait()
            changed += self._list_given_again()
            if changed:
                self.warehouse.raise_version()
            again = withdrawn.to_read_again(self.warehouse)
            if not changed and not again:
                withdrawn.set_settled(self.warehouse)
        return Settled(changed > 0, moved, again)

    def _let_wait(self) -> int:
        """Rows that name something withdrawn wait for it, each with its reason."""
        changed = 0
        for _ in range(MOST_ROUNDS):
            before = changed
            registers = withdrawn.registers_out(self.warehouse)
            for source in self.warehouse.stored() if registers else ():
                rows = withdrawn.rows_naming_what_is_out(self.warehouse, source, registers)
                if rows.empty:
                    continue
                withdrawn.let_wait(self.warehouse, source, rows["id"].tolist())
                registers = withdrawn.registers_out(self.warehouse)
                said = [
                    problem("refers_to_withdrawn", column=row.column, value=row.value, found=row.found)
                    for row in rows.itertuples()
                ]
                problems.add(
                    self.warehouse,
                    rows[["file", "file_sha256", "row_number", "line", "column", "value"]].assign(
                        source=source,
                        severity="row",
                        rule="refers_to_withdrawn",
                        message=[p.message for p in said],
                        fix=[p.fix for p in said],
                        first_seen_at=self.now,
                        waiting=True,
                    ),
                )
                for (file, sha256), part in rows.groupby(["file", "file_sha256"]):
                    files.shift_counts(self.warehouse, file, sha256, -len(part))
                changed += len(rows)
            if changed == before:
                break
        return changed

    def _list_given_again(self) -> int:
        """A file that gives a withdrawn row anew is listed for as long as the row is out."""
        found = set(withdrawn.describe(self.warehouse))
        listed = {(n.file, n.value) for n in problems.listed(self.warehouse, [CORRECTS])}
        for file, value in sorted(listed - found):
            problems.unlist(self.warehouse, file, [CORRECTS], value)
        for file, value in sorted(found - listed):
            self.warehouse.note(file, CORRECTS, value, self.now)
        return len(found ^ listed)


def _stands(levels: dict[int, dict], level: int) -> bool:
    """Whether the newest withdrawal of a level stands: the one of the next level may have taken it back since."""
    if level not in levels:
        return False
    return not (_stands(levels, level + 1) and levels[level + 1]["withdrawn_at"] >= levels[level]["withdrawn_at"])
