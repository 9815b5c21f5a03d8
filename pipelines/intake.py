"""Take files in: each new or changed file of the inbox becomes rows, or reasons, in one transaction.

A file is copied into the archive first and read from there, so what was read can always be read again.
"""

import errno
import hashlib
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd

from pipelines.accept import SAMPLES, Acceptor
from pipelines.inbox import NAMING, Found, Names, hash_of_mapping, mapping_of, names_matter, scan
from pipelines.readers.mapping import folder_member, passed_over, source_of
from pipelines.readers.raw import Problem, RawTable, problem
from pipelines.settings import Station
from pipelines.store import Warehouse
from schemas.sources import INTAKE_ORDER

Progress = Callable[[str, int, int], None]
Reading = dict[str, Any]
_READING = ("file", "file_sha256", "source", "size", "mtime_ns", "mapping_hash", "archived", "outcome", "received_at", "seen_again",
            "rows_accepted", "refs", "meaning", "read_nth")
#: trouble of the machine and not of a file: it ends the pass
_MACHINE = (duckdb.IOException, duckdb.OutOfMemoryException, duckdb.FatalException)
_MACHINE_ERRNO = (errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EIO, errno.EMFILE, errno.ENFILE)


class Unreadable(Exception):
    """The original cannot be opened just now."""


@dataclass
class IntakeResult:
    """What a pass took in."""

    files_read: int = 0
    rows_read: int = 0
    rows_accepted: int = 0
    rows_rejected: int = 0
    refused: int = 0
    resolved: int = 0
    seen_again: int = 0
    files: list[dict] = field(default_factory=list)
    notices: int = 0

    @property
    def found_problems(self) -> bool:
        """Whether this pass rejected or refused something."""
        return self.rows_rejected > 0 or self.refused > 0

    def add(self, told: dict) -> None:
        """Count a file; one that was read twice in this pass counts as it was read last."""
        for old in [f for f in self.files if (f["file"], f["file_sha256"]) == (told["file"], told["file_sha256"])]:
            self._count(old, -1)
            self.files.remove(old)
        self._count(told, 1)
        self.files.append(told)

    def _count(self, told: dict, sign: int) -> None:
        self.files_read += sign
        self.refused += sign * (told["refused"] is not None)
        self.rows_read += sign * told["rows_read"]
        self.rows_accepted += sign * told["rows_accepted"]
        self.rows_rejected += sign * told["rows_rejected"]


class Intake:
    """One pass over the inbox. `now` is the clock's time, `latest` the last moment that may have happened."""

    def __init__(self, station: Station, warehouse: Warehouse, run_id: str, now: pd.Timestamp, latest: pd.Timestamp):
        self.station, self.warehouse = station, warehouse
        self.run_id, self.now = run_id, now
        self.accept = Acceptor(station, warehouse, now, latest)
        self.result = IntakeResult()
        self._names_were: Names | None = None

    def run(self, progress: Progress = lambda *_: None) -> IntakeResult:
        """Take in what is new or changed, then try every waiting row again."""
        here = scan(self.station.inbox)
        todo = self._to_read(here, first=True)
        tables = [(found, last) for found, last in todo if found.source != "uddf"]
        self._take_all(tables, progress, len(todo))
        # The registers and links of this pass decide what the names in UDDF files and in some logs mean.
        self._take_all(self._to_read(here) if tables else todo, progress, len(todo))
        self._take_all(self._ambiguous_now(), progress, len(todo))
        self._retry()
        return self.result

    def _take_all(self, todo: list[tuple[Found, Reading | None]], progress: Progress, total: int) -> None:
        for found, last in todo:
            progress(found.file, self.result.files_read, max(total, self.result.files_read + 1))
            try:
                self._take(found, last)
            except Unreadable as why:  # tried again each pass: rights and networks mend without the file changing
                what = problem("unreadable", found=str(why))
                self.result.add({"file": found.file, "file_sha256": "", "source": found.source, "rows_read": 0, "rows_accepted": 0,
                                 "rows_rejected": 0, "refused": what.message})
                self._notice(found.file, "unreadable", None, inside=False, found=str(why))

    # --- which files --------------------------------------------------------------------------
    def _readings(self, where: str = "", parameters: list | None = None) -> dict[str, list[Reading]]:
        """All readings of each place in the inbox, the last one last."""
        rows = self.warehouse.con.execute(
            f"SELECT {', '.join(_READING)} FROM ingest_files {where} ORDER BY coalesce(read_nth, 0), received_at, rowid", parameters or []).fetchall()
        found: dict[str, list[Reading]] = {}
        for row in rows:
            found.setdefault(row[0], []).append(dict(zip(_READING, row, strict=True)))
        return found

    def _to_read(self, here: list[Found], first: bool = False) -> list[tuple[Found, Reading | None]]:
        """Files to read now, each with the last reading of its place: tables as they need each other, then UDDF files."""
        readings, names = self._readings(), self._names()
        todo: list[tuple[Found, Reading | None]] = []
        again = []
        tried = {f["file"] for f in self.result.files if not f["file_sha256"]}
        for found in here:
            if passed_over(found.file) == "sync_conflict":
                if first:
                    self._notice(found.file, "sync_conflict_passed_over", found.file, inside=False)
                continue
            self._settle_source(found)
            past = readings.get(found.file, [])
            last = past[-1] if past else None
            if last and (last["size"], last["mtime_ns"]) == (found.size, found.mtime_ns) and not self._stale(last, found, names):
                again.append(found.file)
            elif found.file not in tried:
                todo.append((found, last))
            todo += self._from_archive(past[:-1], names, earlier=True)
        gone = sorted(set(readings) - {f.file for f in here})
        for file in gone:
            todo += self._from_archive(readings[file][:-1], names, earlier=True) + self._from_archive(readings[file][-1:], names, earlier=False)
        if first:
            self._count_seen(again)
            self._forget_refused([f for f in gone if readings[f][-1]["outcome"] == "refused"])
        order = {name: n for n, name in enumerate(INTAKE_ORDER)} | {"uddf": len(INTAKE_ORDER)}
        return sorted(todo, key=lambda pair: (order.get(pair[0].source or "", -1), pair[0].mtime_ns, pair[0].file))

    def _names(self) -> Names:
        if self._names_were is None:
            self._names_were = Names(self.warehouse)
        return self._names_were

    def _settle_source(self, found: Found) -> None:
        found.source = source_of(found.file, self.station.mappings)
        found.mapping_hash = hash_of_mapping(self.station, found.source)

    def _stale(self, reading: Reading, found: Found, names: Names) -> bool:
        """Whether the same bytes would be read otherwise now."""
        return reading["mapping_hash"] != found.mapping_hash or bool(
            reading["refs"] and names.meaning(found.source, reading["refs"]) != reading["meaning"])

    def _from_archive(self, past: list[Reading], names: Names, earlier: bool) -> list[tuple[Found, Reading | None]]:
        """Readings whose original lies in the archive alone and would be read otherwise now."""
        made = []
        for reading in past:
            found = self._archived(reading, earlier)
            self._settle_source(found)
            if self._stale(reading, found, names):
                made.append((found, None))
        return made

    def _archived(self, reading: Reading, earlier: bool) -> Found:
        return Found(reading["file"], self.station.archive / reading["archived"], reading["size"], reading["mtime_ns"], reading["source"],
                     reading["mapping_hash"], reading["file_sha256"], earlier)

    def _ambiguous_now(self) -> list[tuple[Found, Reading | None]]:
        """Files with tanks or samples that were given to the only member with that dive, who is not the only one any more."""
        rows = self.warehouse.con.execute("""
            SELECT DISTINCT file, file_sha256 FROM (SELECT file, file_sha256, unnest(guessed) AS dive_id FROM ingest_files)
            WHERE dive_id IN (SELECT dive_id FROM rows_dives WHERE state = 'current' GROUP BY dive_id HAVING count(DISTINCT member_id) > 1)
        """).fetchall()
        if not rows:
            return []
        readings = self._readings()
        todo: list[tuple[Found, Reading | None]] = []
        for file, sha256 in sorted(rows):
            for n, reading in enumerate(readings[file]):
                if reading["file_sha256"] == sha256:
                    found = self._archived(reading, earlier=n < len(readings[file]) - 1)
                    found.again = True
                    todo.append((found, None))
        return todo

    def _count_seen(self, files: list[str]) -> None:
        self.result.seen_again = len(files)
        if files:
            with self.warehouse.transaction(changes=False):
                self.warehouse.con.execute("UPDATE ingest_files SET seen_again = seen_again + 1 WHERE file IN (SELECT unnest(?))", [files])

    def _forget_refused(self, files: list[str]) -> None:
        """A refused file that somebody has taken out of the inbox is no open problem any more."""
        still = "file IN (SELECT unnest(?)) AND row_number IS NULL AND resolved_at IS NULL"
        if files and self.warehouse.one(f"SELECT 1 FROM rejects WHERE {still} LIMIT 1", [files]):
            with self.warehouse.transaction():
                self.warehouse.con.execute(f"UPDATE rejects SET resolved_at = ? WHERE {still}", [self.now, files])

    # --- one file -----------------------------------------------------------------------------
    def _take(self, found: Found, last: Reading | None) -> None:
        archived = self._archive(found)
        before = next(iter(self._readings("WHERE file = ? AND file_sha256 = ?", [found.file, found.sha256]).get(found.file, [])), None)
        if before and not found.again and not self._stale(before, found, self._names()) and (last is None or last["file_sha256"] == found.sha256):
            self._touched(found, before)
            return
        try:
            told = self._read_into(found, archived, last, before, self._names() if names_matter(self.station, found.source) else None)
        except Exception as error:
            if isinstance(error, _MACHINE) or (isinstance(error, OSError) and error.errno in _MACHINE_ERRNO) or os.environ.get("COLDFILL_DEBUG"):
                raise
            told = self._failed(found, archived, before, error)  # one bad file never stops the others, whatever it does to a reader
        if before:
            self.result.resolved += max(0, told["rows_accepted"] - before["rows_accepted"])
        self.result.add(told)
        if found.source in NAMING:
            self._names_were = None

    def _read_into(self, found: Found, archived: str, last: Reading | None, before: Reading | None, names: Names | None) -> dict:
        counts, sources, notes, refs, refused = [0, 0, 0], set(), set(), set(), None
        with tempfile.TemporaryDirectory(dir=self.station.lake, prefix=".reading-") as workplace, self.warehouse.transaction():
            if before:
                self.warehouse.replace_file(found.file, found.sha256, self.now)
            # parts come one by one, so that a file larger than memory is no matter
            for raw in self._read(found, self.station.archive / archived, Path(workplace)):
                refused = refused or raw.refused
                sources.add(raw.source)
                notes.update(raw.notes)
                if names is not None:
                    refs |= raw.refs or (set(raw.rows["unit_id"].dropna()) if raw.from_working_pressure else set())
                for n, value in enumerate(self.accept.table(raw, found.file, found.sha256, found.modified_at)):
                    counts[n] += value
            self._older_version(found, sources, last, refused is not None)
            if found.modified_at > self.now + pd.Timedelta(minutes=5):
                self._notice(found.file, "file_time_in_future", f"{found.modified_at:%Y-%m-%d %H:%M}Z")
            for note in sorted(notes):
                self._notice(found.file, note, None)
            self._record(found, archived, counts, "refused" if refused else "taken", before, refs, names)
        return {"file": found.file, "file_sha256": found.sha256, "source": found.source, "rows_read": counts[0], "rows_accepted": counts[1],
                "rows_rejected": counts[2], "refused": refused.message if refused else None}

    def _touched(self, found: Found, before: Reading) -> None:
        """The bytes are known; saved again, they may win over files that were newer until now."""
        with self.warehouse.transaction(changes=False):
            if self.warehouse.reorder(found.file, found.sha256, found.modified_at):
                self.warehouse.raise_version()
            self.warehouse.con.execute(
                "UPDATE ingest_files SET seen_again = seen_again + 1, size = ?, mtime_ns = ?, modified_at = ? WHERE file = ? AND file_sha256 = ?",
                [found.size, found.mtime_ns, found.modified_at, found.file, found.sha256])
        self.result.seen_again += 1

    def _failed(self, found: Found, archived: str, before: Reading | None, error: Exception) -> dict:
        why = problem("reader_failed", found=f"{type(error).__name__}: {error}"[:300])
        with self.warehouse.transaction():
            if before:
                self.warehouse.replace_file(found.file, found.sha256, self.now)
            self.accept.table(RawTable(found.source or "", pd.DataFrame(), refused=why), found.file, found.sha256, found.modified_at)
            self._record(found, archived, [0, 0, 0], "refused", before, set(), None)
        return {"file": found.file, "file_sha256": found.sha256, "source": found.source, "rows_read": 0, "rows_accepted": 0, "rows_rejected": 0,
                "refused": why.message}

    def _archive(self, found: Found) -> str:
        """Copy the original into the archive under its sha256; the name there.

        Raises
        ------
        Unreadable
            The original cannot be opened or has gone.
        """
        if found.path.parent == self.station.archive:
            if not found.path.exists():
                raise Unreadable(f"{found.path.name} is missing from the archive")
            return found.path.name
        digest = hashlib.sha256()
        try:
            source = open(found.path, "rb")  # noqa: SIM115 - what cannot be opened is the file's trouble, all else is ours
        except OSError as error:
            raise Unreadable(error.strerror or str(error)) from None
        handle, made = tempfile.mkstemp(dir=self.station.archive, prefix=".copy-")
        with source, os.fdopen(handle, "wb") as target:
            while chunk := self._chunk(source):
                digest.update(chunk)
                target.write(chunk)
        found.sha256 = digest.hexdigest()
        name = found.sha256 + "".join(c for c in Path(found.file).suffix.lower() if c.isalnum() or c == ".")[:12]
        if (self.station.archive / name).exists():
            os.unlink(made)
        else:
            os.replace(made, self.station.archive / name)
        return name

    @staticmethod
    def _chunk(source) -> bytes:
        try:
            return source.read(1 << 20)
        except OSError as error:
            raise Unreadable(error.strerror or str(error)) from None

    def _read(self, found: Found, path: Path, workplace: Path) -> Iterator[RawTable]:
        from pipelines.readers.table import read_table
        from pipelines.readers.uddf import read_uddf

        if found.source is None:
            suffix = Path(found.file).suffix.lower()
            rule = "unknown_source" if suffix in (".csv", ".xlsx", ".xlsm", ".txt", ".tsv") else "unsupported_file"
            yield RawTable("", pd.DataFrame(), refused=problem(rule, value=found.file, found=suffix or "no ending", source="fills"))
        elif found.source == "uddf":
            yield from read_uddf(path, self.station, self.warehouse.links(), self.warehouse.ids("member"),
                                 folder_member(found.file), workplace, self.warehouse.ids("unit"))
        else:
            yield read_table(path, found.source, mapping_of(self.station, found.source), self.station.time_zone, folder_member(found.file))

    def _record(self, found: Found, archived: str, counts: list[int], outcome: str, before: Reading | None, refs: set[str],
                names: Names | None) -> None:
        row = {
            "file": found.file, "file_sha256": found.sha256, "source": found.source, "received_at": before["received_at"] if before else self.now,
            "modified_at": found.modified_at, "outcome": outcome, "mapping_hash": found.mapping_hash, "rows_read": counts[0],
            "rows_accepted": counts[1], "rows_rejected": counts[2], "seen_again": before["seen_again"] if before else 0, "run_id": self.run_id,
            "size": found.size, "mtime_ns": found.mtime_ns, "archived": archived, "refs": sorted(refs),
            "meaning": names.meaning(found.source, refs) if names and refs else None,
            "guessed": sorted(dive for file, sha256, dive in self.accept.guessed if (file, sha256) == (found.file, found.sha256)),
            # an earlier content that is read again does not become the last one of its place
            "read_nth": before["read_nth"] if before and found.earlier else self.warehouse.version() + 1,
        }
        con = self.warehouse.con
        con.execute("DELETE FROM ingest_files WHERE file = ? AND file_sha256 = ?", [found.file, found.sha256])
        con.execute(f"INSERT INTO ingest_files ({', '.join(row)}) VALUES ({', '.join('?' * len(row))})", list(row.values()))

    def _older_version(self, found: Found, sources: set[str], last: Reading | None, refused: bool) -> None:
        """A newer file stands in the same place: its rejects are answered by it, and rows it no longer has are listed."""
        if last is None or last["file_sha256"] == found.sha256 or refused:
            return
        self.warehouse.con.execute(
            "UPDATE rejects SET resolved_at = ? WHERE file = ? AND file_sha256 <> ? AND resolved_at IS NULL AND NOT waiting",
            [self.now, found.file, found.sha256])
        for source in sorted(sources - {""}):
            for missing in self.accept.no_longer_in_file(source, found.file, found.sha256):
                self._notice(found.file, "no_longer_in_file", missing)

    def _notice(self, file: str, rule: str, value: str | None, *, inside: bool = True, **words: str) -> None:
        """List what is to be known of a file; once is enough."""
        if inside:
            self.result.notices += self.warehouse.note(file, rule, value, self.now, **words)
        elif not self.warehouse.noted(file, rule, value):
            with self.warehouse.transaction():
                self.result.notices += self.warehouse.note(file, rule, value, self.now, **words)

    # --- rows that wait -----------------------------------------------------------------------
    def _retry(self) -> None:
        if not self.accept.anything_waits():
            return
        with self.warehouse.transaction(changes=False):
            moved = self.accept.retry_waiting()
            if len(moved):
                self.warehouse.raise_version()
            for file, sha256 in moved[["file", "file_sha256"]].itertuples(index=False):
                guessed = sorted(dive for f, s, dive in self.accept.guessed if (f, s) == (file, sha256))
                if guessed:
                    self.warehouse.con.execute(
                        "UPDATE ingest_files SET guessed = list_distinct(list_concat(coalesce(guessed, []), ?)) WHERE file = ? AND file_sha256 = ?",
                        [guessed, file, sha256])
        self.result.resolved += int(moved["rows"].sum())
        # what waited for a file of this very pass never was a problem to anybody
        taken = {(f["file"], f["file_sha256"]): f for f in self.result.files}
        for file, sha256, rows in moved[["file", "file_sha256", "rows"]].itertuples(index=False):
            if (file, sha256) in taken:
                told = taken[file, sha256]
                self.result.add(told | {"rows_accepted": told["rows_accepted"] + rows, "rows_rejected": told["rows_rejected"] - rows})


def clear_workplaces(station: Station) -> None:
    """Remove what a pass that died left half made."""
    for left in [*station.lake.glob(".reading-*"), *station.archive.glob(".copy-*")]:
        shutil.rmtree(left, ignore_errors=True) if left.is_dir() else left.unlink(missing_ok=True)


__all__ = ["SAMPLES", "Found", "Intake", "IntakeResult", "Problem", "clear_workplaces", "scan"]
