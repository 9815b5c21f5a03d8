"""Typed rows → the warehouse: checked, placed, ranked; or rejected with a reason, or waiting for a register."""

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa

from pipelines.intake.accept_samples import SAMPLES, SampleParts, drop_impossible
from pipelines.intake.impossible_values import leave_out_impossible
from pipelines.intake.inbox import working_pressures
from pipelines.intake.withdraw import Withdrawals
from pipelines.readers.raw import Problem, RawTable, as_frame, problem
from pipelines.readers.tables.sheet import refused
from pipelines.readers.tables.table import MOST_PROBLEMS
from pipelines.station.settings import Station
from pipelines.warehouse import files
from pipelines.warehouse import rows as stored
from pipelines.warehouse.key_text import BETWEEN
from pipelines.warehouse.lake import PartDamaged, read_part
from pipelines.warehouse.problems import add, close_of_moved
from pipelines.warehouse.store import STORED, Warehouse
from pipelines.warehouse.withdrawn import WITHDRAWALS, gone_dives, gone_ids
from schemas.check import check, latest_withdrawal
from schemas.frames import conform
from schemas.privacy import without_personal
from schemas.sources import REVISED_AT, SOURCES
from schemas.words import plural

#: so many rows that are no longer in their file are listed one by one
MOST_LISTED = 1000
_DIVE_PARTS = ("dive_tanks", SAMPLES)
_REGISTER_FILES = {"member": "members", "cylinder": "cylinders", "unit": "cylinders", "fill": "fills", "dive": "dives"}


@dataclass
class Checked:
    """Rows of a table, those that broke no rule, the problems of the others, and values that were left out."""

    rows: pd.DataFrame
    clean: pd.DataFrame
    problems: pd.DataFrame
    left_out: list[Problem]


class Acceptor:
    """Decides about the rows of one file at a time; the caller holds the transaction."""

    def __init__(
        self,
        station: Station,
        warehouse: Warehouse,
        now: pd.Timestamp,
        latest: pd.Timestamp,
        *,
        clock_is_right: bool = False,
    ):
        self.clock_is_right = clock_is_right
        self.station, self.warehouse, self.now, self.latest = station, warehouse, now, latest
        #: file, sha256 and dive of tanks or samples that were given to the only member with that dive
        self.guessed: set[tuple[str, str, str]] = set()
        #: file and sha256 of waiting samples whose part of the lake cannot be read
        self.damaged: set[tuple[str, str]] = set()
        self._samples = SampleParts(station.lake, warehouse, now)
        self._dives: tuple[pd.DataFrame, _Dives] | None = None
        self.withdrawals = Withdrawals(station, warehouse, now)

    # --- a file's rows ------------------------------------------------------------------------
    def table(
        self, raw: RawTable, file: str, sha256: str, modified_at: pd.Timestamp, earlier: bool = False
    ) -> tuple[int, int, int]:
        """Store what one reader handed over.

        Returns
        -------
        tuple of int
            Rows read, accepted and rejected; the first is the sum of the others.
        """
        self._problems(raw.source, raw.problems if not raw.refused else [raw.refused], file, sha256)
        if raw.refused:
            return 0, 0, 0
        checked = self.clean(raw)
        rows, clean, problems = checked.rows, checked.clean, checked.problems
        if len(problems) > MOST_PROBLEMS:
            raise refused("too_many_problems", limit=MOST_PROBLEMS, found=problems["message"].iloc[0])
        self._problems(raw.source, checked.left_out, file, sha256)
        only_ahead: set[int] = set()
        if len(problems):
            ahead = problems["rule"] == "in_the_future"
            if self.clock_is_right:  # nothing was revised after it, so no day will come on which that is true
                ahead &= problems["column"] != REVISED_AT.name
            only_ahead = set(problems.loc[ahead, "row_number"]) - set(problems.loc[~ahead, "row_number"])
            self._reject_frame(raw.source, problems, file, sha256, waiting=problems["row_number"].isin(only_ahead))
        placed, waiting, reasons = self._place(raw.source, clean, (file, sha256))
        self._reject_frame(raw.source, reasons, file, sha256, waiting=pd.Series(True, index=reasons.index))
        not_clean = rows[~rows.index.isin(clean.index)] if len(clean) < len(rows) else rows.iloc[:0]
        future = not_clean[not_clean["row_number"].isin(only_ahead)]
        marked = {"file": file, "file_sha256": sha256, "order_at": modified_at}
        if raw.source == SAMPLES:
            self._samples.store(placed, "current", marked, self._known_dives().started)
            self._samples.store(pd.concat([waiting, future]), "waiting", marked, self._known_dives().started)
        else:
            # most rows are the first of their key: nothing stands beside them to be ranked with
            alone = placed.empty or (not earlier and stored.are_new(self.warehouse, raw.source, placed))
            self._store(raw.source, placed, "current" if alone else "superseded", marked)
            self._store(raw.source, pd.concat([waiting, future]), "waiting", marked)
            self._store(raw.source, not_clean.drop(future.index), "rejected", marked)
            if raw.rejected_rows is not None and len(raw.rejected_rows):
                unread = conform(
                    raw.rejected_rows,
                    SOURCES[raw.source].fields.values(),
                    keep=("row_number", "line", "assumed", "value_flags"),
                )
                self._store(raw.source, unread.reset_index(drop=True), "rejected", marked)
            if len(placed) < raw.rows_read and not earlier:
                stored.answer(self.warehouse, raw.source, file, sha256, self.now, own=True)
            if alone:
                self.warehouse.forget_answers(raw.source)
                return raw.rows_read, len(placed), raw.rows_read - len(placed)
            self.warehouse.rank(raw.source, placed)
            stored.answer(self.warehouse, raw.source, file, sha256, self.now)
            if not earlier:  # that a newer content of its place holds the same keys is how it should be
                self._list_passed_over(raw.source, file, sha256)
        return raw.rows_read, len(placed), raw.rows_read - len(placed)

    def clean(self, raw: RawTable) -> "Checked":
        """The rows of a table as they would be stored, before their names are looked up."""
        rows = conform(
            raw.rows, SOURCES[raw.source].fields.values(), keep=("row_number", "line", "assumed", "value_flags")
        )
        rows = rows.reset_index(drop=True)
        waiting_values = pd.Series(False, index=rows.index)
        for name in raw.from_working_pressure:
            stated = rows["assumed"].map(lambda columns, name=name: name in columns)
            pressure = rows["unit_id"].map(working_pressures(self.warehouse)).astype("float64")
            rows[name] = rows[name].where(~stated, pressure)
            waiting_values |= stated & pressure.isna()
        if raw.source == SAMPLES:
            rows, found = drop_impossible(rows)
        else:
            rows, found = leave_out_impossible(raw.source, rows)
        asked = rows[~waiting_values] if waiting_values.any() else rows
        clean, problems = check(raw.source, asked, self.latest_of(raw.source))
        if waiting_values.any():
            clean = pd.concat([clean, rows[waiting_values]])
        return Checked(rows, clean, problems, found)

    def latest_of(self, source: str) -> pd.Timestamp:
        """After this nothing can have happened."""
        return latest_withdrawal(self.latest, self.now) if source == WITHDRAWALS else self.latest

    def _store(self, source: str, rows: pd.DataFrame, state: str, marked: dict) -> None:
        if rows.empty:
            return
        order_at = rows["revised_at"].fillna(marked["order_at"]).dt.floor("2s").astype("datetime64[us, UTC]")
        provenance = {name: pa.repeat(marked[name], len(rows)) for name in ("file", "file_sha256")}
        self.warehouse.add_rows(source, rows, state, provenance | {"order_at": pa.array(order_at)})

    # --- references ---------------------------------------------------------------------------
    def _place(
        self, source: str, rows: pd.DataFrame, file: tuple[str, str] | None
    ) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
        """Split rows into those whose every name is known and those that wait, with the reasons.

        `file` is where they come from; none means as their columns say.
        """
        found: list[Problem] = []
        lost = pd.Series(False, index=rows.index)
        if source in _DIVE_PARTS and len(rows):
            rows, unplaced = self._place_dives(source, rows, file, found)
            lost |= unplaced
        if source == WITHDRAWALS and len(rows):
            unknown, reasons = self.withdrawals.place(rows)
            lost |= unknown
            found += reasons
        for column, register in SOURCES[source].references.items():
            if register == "dive" or rows.empty or self._all_known(rows, column, register):
                continue
            if register == "link":  # what a link names depends on its kind; a dive may come later or never
                unknown = pd.Series(False, index=rows.index)
                for kind, of in (("member", "member"), ("cylinder", "unit")):
                    unknown |= (rows["kind"] == kind) & ~rows[column].isin(self.warehouse.ids(of))
                registers = rows["kind"].map({"member": "member", "cylinder": "unit"})
            else:
                unknown = rows[column].notna() & ~rows[column].isin(self.warehouse.ids(register))
                registers = pd.Series(register, index=rows.index)
            lost |= unknown
            not_joined = self.warehouse.sets_not_joined() if unknown.any() and "unit" in set(registers[unknown]) else {}
            out = {r: gone_ids(self.warehouse, r) for r in set(registers[unknown])}
            for row in rows[unknown].itertuples():
                value = getattr(row, column)
                where = {"row_number": row.row_number, "line": row.line, "column": column, "value": value}
                if value in not_joined:
                    found.append(problem("set_not_joined", found=", ".join(not_joined[value]), **where))
                elif value in out[registers[row.Index]]:
                    thing = f"{_REGISTER_FILES[registers[row.Index]]}:{value}"
                    found.append(problem("refers_to_withdrawn", found=thing, **where))
                else:
                    found.append(problem("unknown_reference", found=_REGISTER_FILES[registers[row.Index]], **where))
        return (rows[~lost], rows[lost], as_frame(found)) if lost.any() else (rows, rows.iloc[:0], as_frame(found))

    def _all_known(self, rows: pd.DataFrame, column: str, register: str) -> bool:
        """Whether every name is known: asked first of the few distinct names, for most files name nothing else."""
        if register == "link":
            return False
        return self.warehouse.ids(register).issuperset(rows[column].dropna().unique())

    def _place_dives(
        self, source: str, rows: pd.DataFrame, file: tuple[str, str] | None, found: list[Problem]
    ) -> tuple[pd.DataFrame, pd.Series]:
        """Give tanks and samples their member: their own, else the only one with that dive."""
        dives = self._known_dives()
        # few dives, many rows: look each pair up once
        pair = rows.groupby(["dive_id", "member_id"], dropna=False, sort=False).ngroup().to_numpy()
        first = np.unique(pair, return_index=True)[1]
        one = rows.iloc[first][["dive_id", "member_id"]]
        count = one["dive_id"].map(dives.members).fillna(0)
        open_ = one["member_id"].isna()
        member = one["member_id"].where(~(open_ & (count == 1)), one["dive_id"].map(dives.owner)).astype("str")
        known = pd.MultiIndex.from_arrays([member, one["dive_id"]]).isin(dives.known)
        twice = (open_ & (count > 1)).to_numpy()
        ambiguous, unknown = (
            pd.Series(twice[pair], index=rows.index),
            pd.Series((~known & ~twice)[pair], index=rows.index),
        )
        guessed = (open_ & (count == 1)).to_numpy()
        if guessed.any():
            rows_guessed = rows[guessed[pair]]
            if file is not None:
                self.guessed |= {(*file, dive) for dive in rows_guessed["dive_id"].unique()}
            else:
                self.guessed |= set(
                    rows_guessed[["file", "file_sha256", "dive_id"]]
                    .drop_duplicates()
                    .itertuples(index=False, name=None)
                )
            rows = rows.assign(member_id=member.array.take(pair))
        if not (unknown | ambiguous).any():
            return rows, unknown
        # of samples one line a dive is enough: the first of its rows stands for all, and says how many
        unmatched = rows[unknown | ambiguous]
        sizes = unmatched.groupby(["dive_id", unmatched["member_id"].fillna("")])["row_number"].transform("size")
        shown = unmatched.drop_duplicates(["dive_id", "member_id"]) if source == SAMPLES else unmatched
        gone = gone_dives(self.warehouse)
        for row in shown.itertuples():
            where = {"row_number": row.row_number, "line": row.line, "column": "dive_id", "value": row.dive_id}
            rule = "dive_ambiguous" if ambiguous[row.Index] else "unknown_reference"
            what = problem(rule, found="dives", **where)
            if not ambiguous[row.Index] and (row.member_id, row.dive_id) in gone:
                thing = f"dives:{row.member_id}{BETWEEN}{row.dive_id}"
                what = problem("refers_to_withdrawn", found=thing, **where)
            if source == SAMPLES:
                waiting = sizes[row.Index]
                what.message += f" {waiting} samples wait for it." if waiting != 1 else " One sample waits for it."
            found.append(what)
        return rows, unknown | ambiguous

    def _known_dives(self) -> "_Dives":
        dives = self.warehouse.dives()
        if self._dives is None or self._dives[0] is not dives:
            owners = dives.groupby("dive_id")["member_id"].agg(["first", "nunique"])
            known = pd.MultiIndex.from_frame(dives[["member_id", "dive_id"]])
            self._dives = (
                dives,
                _Dives(
                    owners["first"], owners["nunique"], known, pd.Series(dives["started_at"].to_numpy(), index=known)
                ),
            )
        return self._dives[1]

    # --- problems -----------------------------------------------------------------------------
    def _problems(self, source: str, found: list[Problem], file: str, sha256: str) -> None:
        frame = as_frame(found)
        self._reject_frame(source, frame, file, sha256, waiting=pd.Series(False, index=frame.index))

    def _reject_frame(self, source: str, problems: pd.DataFrame, file: str, sha256: str, waiting: pd.Series) -> None:
        if problems.empty:
            return
        problems = without_personal(problems, source, self.warehouse.member_names()).assign(
            source=source, file=file, file_sha256=sha256, first_seen_at=self.now, waiting=waiting.to_numpy(bool)
        )
        problems["first_seen_at"] = problems["first_seen_at"].astype("datetime64[us, UTC]")
        add(self.warehouse, problems)

    def _list_passed_over(self, source: str, file: str, sha256: str) -> None:
        """A correction that lost because its file looks older is listed, never silent."""
        if lost := stored.count_overruled(self.warehouse, source, file, sha256):
            self.warehouse.note(file, "older_than_current", plural(lost, "row"), self.now)
        # of two files of one moment the name decides, and the one that lost says so
        for other, rows in stored.of_same_time(self.warehouse, source, file, sha256):
            loser, winner = sorted((file, other))
            self.warehouse.note(loser, "same_time_other_values", plural(rows, "row"), self.now, other=winner)

    def no_longer_in_file(self, source: str, file: str, sha256: str) -> list[str]:
        """Keys that an earlier content of this place had and the newer one has not; they still count."""
        if source == SAMPLES:
            return self._samples.dives_no_longer_in_file(file, sha256)
        gone = stored.no_longer_in_file(self.warehouse, source, file, sha256)
        more = [f"{source}: {len(gone) - MOST_LISTED} more rows"] if len(gone) > MOST_LISTED else []
        return [f"{source} {key}" for key in gone[:MOST_LISTED]] + more

    # --- waiting ------------------------------------------------------------------------------
    def retry_waiting(self) -> pd.DataFrame:
        """Try every waiting row again, dives before their tanks and samples.

        Returns
        -------
        DataFrame
            file, file_sha256, rows: how many rows of which file moved over.
        """
        moved = []
        waits = stored.where_rows_wait(self.warehouse)
        for source in STORED:
            if f"rows_{source}" not in waits:
                continue
            rows = stored.in_state(self.warehouse, source, "waiting")
            typed = conform(
                rows,
                SOURCES[source].fields.values(),
                keep=("row_number", "line", "assumed", "value_flags", "id", "file", "file_sha256"),
            )
            known = [
                clean
                for _, part in typed.groupby(["file", "file_sha256"])
                for clean in [check(source, part, self.latest_of(source))[0]]
                if len(clean)
            ]
            if not known:
                continue
            placed = self._place(source, pd.concat(known), None)[0]
            if placed.empty:
                continue
            stored.delete(self.warehouse, source, placed["id"].astype(int).tolist())
            kept = rows.set_index("id").loc[placed["id"]]
            self.warehouse.add_rows(source, placed.assign(order_at=kept["order_at"].to_numpy()), "superseded")
            self.warehouse.rank(source, placed)
            moved.append(placed.assign(source=source)[["source", "file", "file_sha256", "row_number"]])
        if "lake_parts" in waits:
            moved.append(self._retry_samples())
        done = (
            pd.concat([m for m in moved if len(m)])
            if any(len(m) for m in moved)
            else pd.DataFrame(columns=["source", "file", "file_sha256", "row_number"])
        )
        return self._answer(done)

    def _retry_samples(self) -> pd.DataFrame:
        moved = []
        for part in files.parts(self.warehouse, "waiting"):
            try:
                rows = read_part(self.station.lake, part)
            except PartDamaged:
                self.damaged.add((part["file"], part["file_sha256"]))
                continue
            typed = conform(rows, SOURCES[SAMPLES].fields.values(), keep=("row_number",)).assign(line=pd.NA)
            placed = self._place(SAMPLES, typed, (part["file"], part["file_sha256"]))[0]
            if len(placed) < len(typed):
                continue
            marked = {"file": part["file"], "file_sha256": part["file_sha256"], "order_at": part["order_at"]}
            self._samples.store(placed, "current", marked, self._known_dives().started)
            files.drop_part(self.warehouse, part["id"])
            moved.append(
                placed.assign(source=SAMPLES, file=part["file"], file_sha256=part["file_sha256"])[
                    ["source", "file", "file_sha256", "row_number"]
                ]
            )
        return pd.concat(moved) if moved else pd.DataFrame()

    def _answer(self, moved: pd.DataFrame) -> pd.DataFrame:
        """Close the rejects of rows that moved over; gives how many of which file."""
        if moved.empty:
            return pd.DataFrame(columns=["file", "file_sha256", "rows"])
        close_of_moved(self.warehouse, moved, self.now)
        return moved.groupby(["file", "file_sha256"]).size().rename("rows").reset_index()


@dataclass
class _Dives:
    """Known dives: by dive the first member and how many have it; all pairs; and when each began."""

    owner: pd.Series
    members: pd.Series
    known: pd.MultiIndex
    started: pd.Series
