"""Typed rows → the warehouse: checked, placed, ranked; or rejected with a reason, or waiting for a register."""

import hashlib
import os
from pathlib import Path

import numpy as np
import pandas as pd

from pipelines.build.units import resolve_capacity
from pipelines.readers.raw import Problem, RawTable, problem
from pipelines.settings import Station
from pipelines.store import STORED, Warehouse
from schemas.check import check
from schemas.frames import conform
from schemas.sources import SOURCES

SAMPLES = "dive_samples"
_DIVE_PARTS = ("dive_tanks", SAMPLES)
_REGISTER_FILES = {"member": "members", "cylinder": "cylinders", "unit": "cylinders", "fill": "fills", "dive": "dives"}


class Acceptor:
    """Decides about the rows of one file at a time; the caller holds the transaction."""

    def __init__(self, station: Station, warehouse: Warehouse, now: pd.Timestamp, latest: pd.Timestamp):
        self.station, self.warehouse, self.now, self.latest = station, warehouse, now, latest

    # --- a file's rows ------------------------------------------------------------------------
    def table(self, raw: RawTable, file: str, sha256: str, modified_at: pd.Timestamp) -> tuple[int, int, int]:
        """Store what one reader handed over.

        Returns
        -------
        tuple of int
            Rows read, accepted and rejected; the first is the sum of the others.
        """
        self._problems(raw.source, raw.problems if not raw.refused else [raw.refused], file, sha256)
        if raw.refused:
            return 0, 0, 0
        rows = conform(raw.rows, SOURCES[raw.source].fields.values(), keep=("row_number", "line", "assumed", "value_flags"))
        rows = rows.reset_index(drop=True)
        for name in raw.from_working_pressure:
            rows[name] = rows[name].fillna(self._working_pressure(rows["unit_id"]))
        if raw.source == SAMPLES:
            rows = self._drop_impossible_samples(rows, file, sha256)
        waiting_values = rows[raw.from_working_pressure].isna().any(axis=1) if raw.from_working_pressure else None
        checked = rows if waiting_values is None else rows[~waiting_values]
        clean, problems = check(raw.source, checked, self.latest)
        if waiting_values is not None:
            clean = pd.concat([clean, rows[waiting_values]])
        ahead = problems[problems["rule"] == "in_the_future"]["row_number"]
        only_ahead = set(ahead) - set(problems[problems["rule"] != "in_the_future"]["row_number"])
        self._reject_frame(raw.source, problems, file, sha256, waiting=problems["row_number"].isin(only_ahead))
        placed, waiting, reasons = self._place(raw.source, clean)
        self._reject_frame(raw.source, reasons, file, sha256, waiting=pd.Series(True, index=reasons.index))
        not_clean = rows[~rows.index.isin(clean.index)]
        future = not_clean[not_clean["row_number"].isin(only_ahead)]
        marked = {"file": file, "file_sha256": sha256, "order_at": modified_at}
        if raw.source == SAMPLES:
            self._store_samples(placed, "current", marked)
            self._store_samples(pd.concat([waiting, future]), "waiting", marked)
        else:
            self._store(raw.source, placed, "superseded", marked)
            self._store(raw.source, pd.concat([waiting, future]), "waiting", marked)
            self._store(raw.source, not_clean.drop(future.index), "rejected", marked)
            if raw.rejected_rows is not None and len(raw.rejected_rows):
                unread = conform(raw.rejected_rows, SOURCES[raw.source].fields.values(), keep=("row_number", "line", "assumed", "value_flags"))
                self._store(raw.source, unread.reset_index(drop=True), "rejected", marked)
            self.warehouse.rank(raw.source, placed)
            self._list_passed_over(raw.source, file, sha256)
        return raw.rows_read, len(placed), raw.rows_read - len(placed)

    def _store(self, source: str, rows: pd.DataFrame, state: str, marked: dict) -> None:
        if rows.empty:
            return
        order_at = rows["revised_at"].fillna(marked["order_at"]).dt.floor("2s").astype("datetime64[us, UTC]")
        self.warehouse.add_rows(source, rows.assign(file=marked["file"], file_sha256=marked["file_sha256"], order_at=order_at), state)

    def _working_pressure(self, units: pd.Series) -> pd.Series:
        """Least working pressure of the unit's cylinders; missing where the unit is not known."""
        cylinders = self.warehouse.current("cylinders")
        cylinders["pressure"] = resolve_capacity(cylinders)["working_pressure_bar"]
        by_set = cylinders[cylinders["set_kind"] == "manifolded"].groupby("set_id")["pressure"].min()
        known = pd.concat([cylinders.set_index("cylinder_id")["pressure"], by_set])
        return units.map(known[~known.index.duplicated()]).astype("float64")

    # --- references ---------------------------------------------------------------------------
    def _place(self, source: str, rows: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
        """Split rows into those whose every name is known and those that wait, with the reasons."""
        found: list[Problem] = []
        lost = pd.Series(False, index=rows.index)
        if source in _DIVE_PARTS and len(rows):
            rows, unplaced = self._place_dives(source, rows, found)
            lost |= unplaced
        for column, register in SOURCES[source].references.items():
            if register == "dive" or rows.empty:
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
            for row in rows[unknown].itertuples():
                value = getattr(row, column)
                where = {"row_number": row.row_number, "line": row.line, "column": column, "value": value}
                if value in not_joined:
                    found.append(problem("set_not_joined", found=", ".join(not_joined[value]), **where))
                else:
                    found.append(problem("unknown_reference", found=_REGISTER_FILES[registers[row.Index]], **where))
        return rows[~lost], rows[lost], _as_frame(found)

    def _place_dives(self, source: str, rows: pd.DataFrame, found: list[Problem]) -> tuple[pd.DataFrame, pd.Series]:
        """Give tanks and samples their member: their own, else the only one with that dive."""
        dives = self.warehouse.dives()
        owners = dives.groupby("dive_id")["member_id"].agg(["first", "nunique"])
        known = pd.MultiIndex.from_frame(dives[["member_id", "dive_id"]])
        count = rows["dive_id"].map(owners["nunique"]).fillna(0)
        guessed = rows["member_id"].isna() & (count == 1)
        member = rows["member_id"].where(~guessed, rows["dive_id"].map(owners["first"])).astype("str")
        ambiguous = rows["member_id"].isna() & (count > 1)
        unknown = ~ambiguous & ~pd.Series(pd.MultiIndex.from_arrays([member, rows["dive_id"]]).isin(known), index=rows.index)
        rows = rows.assign(member_id=member)
        # of samples one line a dive is enough: the first of its rows stands for all, and says how many
        told = rows[unknown | ambiguous]
        sizes = told.groupby(["dive_id", told["member_id"].fillna("")])["row_number"].transform("size")
        shown = told.drop_duplicates(["dive_id", "member_id"]) if source == SAMPLES else told
        for row in shown.itertuples():
            where = {"row_number": row.row_number, "line": row.line, "column": "dive_id", "value": row.dive_id}
            rule = "dive_ambiguous" if ambiguous[row.Index] else "unknown_reference"
            what = problem(rule, found="dives", **where)
            if source == SAMPLES:
                what.message += f" {sizes[row.Index]} samples wait for it."
            found.append(what)
        return rows, unknown | ambiguous

    # --- samples ------------------------------------------------------------------------------
    def _drop_impossible_samples(self, rows: pd.DataFrame, file: str, sha256: str) -> pd.DataFrame:
        """A reading that cannot be is left out of its sample, for a spike must not cost the depth beside it."""
        found = []
        rows = rows.copy()
        for name, field in SOURCES[SAMPLES].fields.items():
            if field.kind != "float" or name in ("t_s", "depth_m"):
                continue
            wrong = (rows[name] < field.low) | (rows[name] > field.high)
            if wrong.any():
                first = rows[wrong].iloc[0]
                found.append(problem("out_of_bounds", "value", row_number=int(first["row_number"]), line=_whole(first["line"]), column=name,
                                     value=first[name], found=f"{int(wrong.sum())} readings outside {field.low:g} to {field.high:g} "
                                     f"{field.unit} were left out, this one first."))
                rows.loc[wrong, name] = np.nan
        above = rows["depth_m"].between(-0.5, 0.0, inclusive="left")
        rows.loc[above, "depth_m"] = 0.0
        self._problems(SAMPLES, found, file, sha256)
        return rows

    def _store_samples(self, rows: pd.DataFrame, state: str, marked: dict) -> None:
        """Write samples to the lake by member and month of their dive, and note the parts."""
        if rows.empty:
            return
        columns = list(SOURCES[SAMPLES].fields)
        rows = rows[[*columns, "row_number"]]
        if state == "waiting":
            groups = [((None, None, dive), part) for dive, part in rows.groupby("dive_id", sort=True)]
        else:
            dives = self.warehouse.dives().set_index(["member_id", "dive_id"])["started_at"]
            started = rows.set_index(["member_id", "dive_id"]).index.map(dives.to_dict())
            month = pd.Series(pd.DatetimeIndex(started), index=rows.index).dt.strftime("%Y-%m")
            groups = [((member, when, None), part) for (member, when), part in rows.groupby(["member_id", month], sort=True)]
        noted = []
        name = hashlib.sha256(f"{marked['file']}\n{marked['file_sha256']}".encode()).hexdigest()[:20]
        for (member, when, dive), part in groups:
            where = Path("waiting") if state == "waiting" else Path(f"member={_folder(member)}") / f"month={when}"
            content = hashlib.sha256(pd.util.hash_pandas_object(part, index=False).to_numpy().tobytes()).hexdigest()[:12]
            path = where / f"{name}-{content}.parquet"
            _write_part(part, self.station.lake / path)
            noted.append({"path": path.as_posix(), "file": marked["file"], "file_sha256": marked["file_sha256"], "member_id": member,
                          "month_on": pd.Timestamp(f"{when}-01") if when else None, "rows": len(part),
                          "order_at": marked["order_at"], "state": state, "waiting_for": dive})
        self.warehouse.insert("lake_parts", pd.DataFrame(noted).astype({"month_on": "datetime64[us]", "member_id": "str", "waiting_for": "str"}))

    # --- problems -----------------------------------------------------------------------------
    def _problems(self, source: str, found: list[Problem], file: str, sha256: str) -> None:
        frame = _as_frame(found)
        self._reject_frame(source, frame, file, sha256, waiting=pd.Series(False, index=frame.index))

    def _reject_frame(self, source: str, problems: pd.DataFrame, file: str, sha256: str, waiting: pd.Series) -> None:
        if problems.empty:
            return
        problems = problems.assign(source=source, file=file, file_sha256=sha256, first_seen_at=self.now, waiting=waiting.to_numpy(bool))
        problems["first_seen_at"] = problems["first_seen_at"].astype("datetime64[us, UTC]")
        self.warehouse.insert("rejects", problems)

    def _list_passed_over(self, source: str, file: str, sha256: str) -> None:
        """A correction that lost because its file looks older is listed, never silent."""
        same = " AND ".join(f"r.{n} IS NOT DISTINCT FROM c.{n}" for n in SOURCES[source].key)
        lost = self.warehouse.one(f"""
            SELECT count(*) FROM rows_{source} r JOIN rows_{source} c ON {same}
            WHERE r.file = ? AND r.file_sha256 = ? AND r.state = 'superseded' AND c.state = 'current' AND c.row_hash <> r.row_hash
              AND c.file_sha256 <> r.file_sha256""", [file, sha256])
        if lost:
            what = problem("older_than_current", "value", value=f"{lost} rows")
            self.warehouse.con.execute("INSERT INTO notices VALUES (?, ?, ?, ?, ?, ?)",
                                       [file, what.rule, what.value, what.message, what.mend, self.now])

    def no_longer_in_file(self, source: str, file: str, sha256: str) -> list[str]:
        """Keys that an earlier content of this place had and the newer one has not; they still count."""
        key = SOURCES[source].key
        same = " AND ".join(f"o.{n} IS NOT DISTINCT FROM n.{n}" for n in key)
        named = ", ".join(f"CAST(o.{n} AS VARCHAR)" for n in key)
        rows = self.warehouse.con.execute(f"""
            SELECT DISTINCT concat_ws(' ', {named}) AS named FROM rows_{source} o
            WHERE o.file = $file AND o.file_sha256 <> $sha AND o.state = 'current' AND NOT EXISTS
                  (SELECT 1 FROM rows_{source} n WHERE n.file = $file AND n.file_sha256 = $sha AND {same}) ORDER BY named LIMIT 1000
        """, {"file": file, "sha": sha256}).fetchall()
        return [f"{source} {row[0]}" for row in rows]

    # --- waiting ------------------------------------------------------------------------------
    def anything_waits(self) -> bool:
        """Whether any row or part waits for a register."""
        counts = [self.warehouse.one(f"SELECT count(*) FROM rows_{s} WHERE state = 'waiting'") for s in STORED]
        parts = self.warehouse.one("SELECT count(*) FROM lake_parts WHERE state = 'waiting'")
        return bool(sum(counts) + parts)

    def retry_waiting(self) -> pd.DataFrame:
        """Try every waiting row again, dives before their tanks and samples.

        Returns
        -------
        DataFrame
            file, file_sha256, rows: how many rows of which file moved over.
        """
        moved = []
        for source in STORED:
            rows = self.warehouse.frame(f"SELECT rowid AS id, * FROM rows_{source} WHERE state = 'waiting'")
            if rows.empty:
                continue
            typed = conform(rows, SOURCES[source].fields.values(), keep=("row_number", "line", "assumed", "value_flags", "id", "file", "file_sha256"))
            if "unit_id" in typed:
                for name in {n for stated in typed["assumed"] for n in (stated if stated is not None else [])} & {"target_pressure_bar"}:
                    typed[name] = typed[name].fillna(self._working_pressure(typed["unit_id"]))
            known = [clean for _, part in typed.groupby(["file", "file_sha256"]) for clean in [check(source, part, self.latest)[0]] if len(clean)]
            if not known:
                continue
            placed = self._place(source, pd.concat(known))[0]
            if placed.empty:
                continue
            self.warehouse.con.execute(f"DELETE FROM rows_{source} WHERE rowid IN (SELECT unnest(?))", [placed["id"].astype(int).tolist()])
            kept = rows.set_index("id").loc[placed["id"]]
            self.warehouse.add_rows(source, placed.assign(order_at=kept["order_at"].to_numpy()), "superseded")
            self.warehouse.rank(source, placed)
            moved.append(placed.assign(source=source)[["source", "file", "file_sha256", "row_number"]])
        moved.append(self._retry_samples())
        done = pd.concat([m for m in moved if len(m)]) if any(len(m) for m in moved) else pd.DataFrame(columns=["source", "file", "file_sha256", "row_number"])
        return self._answer(done)

    def _retry_samples(self) -> pd.DataFrame:
        parts = self.warehouse.frame("SELECT rowid AS id, * FROM lake_parts WHERE state = 'waiting'")
        moved = []
        for part in parts.to_dict("records"):
            rows = pd.read_parquet(self.station.lake / part["path"])
            typed = conform(rows, SOURCES[SAMPLES].fields.values(), keep=("row_number",)).assign(line=pd.NA)
            placed = self._place(SAMPLES, typed)[0]
            if len(placed) < len(typed):
                continue
            marked = {"file": part["file"], "file_sha256": part["file_sha256"], "order_at": part["order_at"]}
            self._store_samples(placed, "current", marked)
            self.warehouse.con.execute("DELETE FROM lake_parts WHERE rowid = ?", [part["id"]])
            moved.append(placed.assign(source=SAMPLES, file=part["file"], file_sha256=part["file_sha256"])[["source", "file", "file_sha256", "row_number"]])
        return pd.concat(moved) if moved else pd.DataFrame()

    def _answer(self, moved: pd.DataFrame) -> pd.DataFrame:
        """Set resolved_at on the rejects of rows that moved over, and let the counts of their files follow."""
        if moved.empty:
            return pd.DataFrame(columns=["file", "file_sha256", "rows"])
        self.warehouse.con.register("moved", moved)
        self.warehouse.con.execute("""
            UPDATE rejects SET resolved_at = ?, waiting = false WHERE waiting AND EXISTS
                (SELECT 1 FROM moved m WHERE m.file = rejects.file AND m.file_sha256 = rejects.file_sha256
                 AND m.source = rejects.source AND m.row_number = rejects.row_number)""", [self.now])
        self.warehouse.con.execute("""
            UPDATE ingest_files SET rows_accepted = rows_accepted + m.n, rows_rejected = rows_rejected - m.n
            FROM (SELECT file, file_sha256, count(*) AS n FROM moved GROUP BY ALL) m
            WHERE m.file = ingest_files.file AND m.file_sha256 = ingest_files.file_sha256""")
        self.warehouse.con.unregister("moved")
        return moved.groupby(["file", "file_sha256"]).size().rename("rows").reset_index()


def _as_frame(found: list[Problem]) -> pd.DataFrame:
    rows = [{"row_number": p.row_number, "line": p.line, "column": p.column, "value": p.value, "severity": p.severity, "rule": p.rule,
             "message": p.message, "mend": p.mend} for p in found]
    frame = pd.DataFrame(rows, columns=["row_number", "line", "column", "value", "severity", "rule", "message", "mend"])
    return frame.astype({"row_number": "Int64", "line": "Int64"} | dict.fromkeys(("column", "value", "severity", "rule", "message", "mend"), "str"))


def _whole(value) -> int | None:
    return None if pd.isna(value) else int(value)


def _folder(member: str) -> str:
    """A folder name every file system takes; a hash keeps apart what only odd letters or capitals tell apart."""
    plain = "".join(c if c.isascii() and (c.isalnum() or c in "-_") else "_" for c in member)[:60]
    return plain if plain == member and plain == plain.lower() else f"{plain}~{hashlib.sha256(member.encode()).hexdigest()[:10]}"


def _write_part(rows: pd.DataFrame, path: Path) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    made = path.with_name(f".{path.name}.new")
    rows.to_parquet(made, index=False, compression="zstd")
    os.replace(made, path)
