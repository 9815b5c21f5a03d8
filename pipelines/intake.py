"""Take files in: each new or changed file of the inbox becomes rows, or reasons, in one transaction.

A file is copied into the archive first and read from there, so what was read can always be read again.
"""

import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path

import pandas as pd

from pipelines.accept import SAMPLES, Acceptor
from pipelines.readers.mapping import Mapping, folder_member, mapping_hash, passed_over, source_of
from pipelines.readers.raw import Problem, RawTable, problem
from pipelines.settings import Station
from pipelines.store import Warehouse, frame_hash
from schemas.sources import INTAKE_ORDER

#: raise when a change of fields or readers must make every file be read again
SCHEMA_VERSION = "1"


@dataclass
class Found:
    """A file of the inbox, or one that is only in the archive any more."""

    file: str
    path: Path
    size: int
    mtime_ns: int
    source: str | None = None
    mapping_hash: str = ""
    sha256: str = ""


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


def scan(inbox: Path) -> list[Found]:
    """The files of the inbox, folders inside it walked, links that lead out of it passed over."""
    found = []
    root = inbox.resolve()
    for folder, folders, files in os.walk(inbox):
        folders.sort()
        for name in sorted(files):
            path = Path(folder) / name
            relative = path.relative_to(inbox).as_posix()
            if path.is_symlink() and not path.resolve().is_relative_to(root):
                continue
            if passed_over(relative) == "lock_or_temporary":
                continue
            try:
                stat = path.stat()
            except OSError:  # gone between listing and looking: the next pass sees what is there then
                continue
            found.append(Found(relative, path, stat.st_size, stat.st_mtime_ns))
    return found


class Intake:
    """One pass over the inbox. `now` is the clock's time, `latest` the last moment that may have happened."""

    def __init__(self, station: Station, warehouse: Warehouse, run_id: str, now: pd.Timestamp, latest: pd.Timestamp):
        self.station, self.warehouse = station, warehouse
        self.run_id, self.now = run_id, now
        self.accept = Acceptor(station, warehouse, now, latest)
        self.result = IntakeResult()

    def run(self, progress: Callable[[str, int, int], None] = lambda *_: None) -> IntakeResult:
        """Take in what is new or changed, then try every waiting row again."""
        known = self._known()
        links_hash = frame_hash(self.warehouse.current("links")[["source_ref", "kind", "target_id", "member_id"]])
        tables, uddf = self._to_read(known, links_hash)
        total = len(tables) + len(uddf)
        for n, (found, reread) in enumerate(tables):
            progress(found.file, n, total)
            self._take(found, reread)
        # The registers and links of this pass decide how UDDF files are read, so these come after them.
        now_linked = frame_hash(self.warehouse.current("links")[["source_ref", "kind", "target_id", "member_id"]])
        if now_linked != links_hash:
            _, uddf = self._to_read(self._known(), now_linked, count=False)
        for n, (found, reread) in enumerate(uddf):
            progress(found.file, len(tables) + n, total)
            self._take(found, reread)
        self._retry()
        return self.result

    # --- which files --------------------------------------------------------------------------
    def _known(self) -> dict[str, dict]:
        """The last reading of each place in the inbox."""
        rows = self.warehouse.frame(
            "SELECT *, row_number() OVER (PARTITION BY file ORDER BY received_at, rowid) AS nth FROM ingest_files ORDER BY nth")
        return {row["file"]: row for row in rows.to_dict("records")}

    def _hash_for(self, source: str | None, links_hash: str) -> str:
        if source is None:
            told = json.dumps({n: m.names for n, m in sorted(self.station.mappings.items())}, default=list)
        elif source == "uddf":
            told = json.dumps(asdict(self.station.uddf), sort_keys=True, default=str) + self.station.time_zone + links_hash
        else:
            told = mapping_hash(self._mapping(source), self.station.time_zone)
        return hashlib.sha256((SCHEMA_VERSION + told).encode()).hexdigest()[:16]

    def _mapping(self, source: str) -> Mapping:
        return self.station.mappings.get(source) or Mapping(source)

    def _to_read(self, known: dict[str, dict], links_hash: str, count: bool = True) -> tuple[list, list]:
        """Files to read now, tables in the order in which they need each other, and UDDF files."""
        tables, uddf, again = [], [], []
        here = scan(self.station.inbox)
        gone = set(known) - {f.file for f in here}
        for file in sorted(gone):  # the original is in the archive: a change of mapping reads it again from there
            row = known[file]
            if isinstance(row["archived"], str):
                here.append(Found(file, self.station.archive / row["archived"], int(row["size"]), int(row["mtime_ns"])))
        for found in here:
            if passed_over(found.file) == "sync_conflict":
                self._notice(found.file, "sync_conflict_passed_over", found.file)
                continue
            found.source = source_of(found.file, self.station.mappings)
            found.mapping_hash = self._hash_for(found.source, links_hash)
            last = known.get(found.file)
            same_file = last is not None and (found.file in gone or (last["size"], last["mtime_ns"]) == (found.size, found.mtime_ns))
            if same_file and last["mapping_hash"] == found.mapping_hash and not self._owner_known_now(last):
                if found.file not in gone:
                    again.append(found.file)
                continue
            (uddf if found.source == "uddf" else tables).append((found, last))
        if count:
            self._count_seen(again)
        order = {name: n for n, name in enumerate(INTAKE_ORDER)}
        tables.sort(key=lambda pair: (order.get(pair[0].source, -1), pair[0].mtime_ns, pair[0].file))
        return tables, uddf

    def _owner_known_now(self, last: dict) -> bool:
        """A UDDF file whose owner was unknown is read again once the register knows him."""
        if last["source"] != "uddf" or not last["rows_rejected"]:
            return False
        owners = self.warehouse.frame(
            "SELECT DISTINCT value FROM rejects WHERE file = ? AND file_sha256 = ? AND rule = 'uddf_no_member' AND resolved_at IS NULL",
            [last["file"], last["file_sha256"]])["value"].dropna()
        return not set(owners).isdisjoint(self.warehouse.ids("member"))

    def _count_seen(self, files: list[str]) -> None:
        self.result.seen_again = len(files)
        if files:
            with self.warehouse.transaction(changes=False):
                self.warehouse.con.execute("UPDATE ingest_files SET seen_again = seen_again + 1 WHERE file IN (SELECT unnest(?))", [files])

    # --- one file -----------------------------------------------------------------------------
    def _take(self, found: Found, last: dict | None) -> None:
        archived = self._archive(found)
        before = self.warehouse.frame("SELECT * FROM ingest_files WHERE file = ? AND file_sha256 = ?", [found.file, found.sha256])
        if len(before) and before["mapping_hash"].iloc[0] == found.mapping_hash and not self._owner_known_now(before.iloc[0].to_dict()):
            with self.warehouse.transaction(changes=False):  # touched, or an older content put back: nothing new to read
                self.warehouse.con.execute(
                    "UPDATE ingest_files SET seen_again = seen_again + 1, size = ?, mtime_ns = ? WHERE file = ? AND file_sha256 = ?",
                    [found.size, found.mtime_ns, found.file, found.sha256])
            self.result.seen_again += 1
            return
        modified_at = pd.Timestamp(found.mtime_ns, unit="ns", tz="UTC").as_unit("us")
        with tempfile.TemporaryDirectory(dir=self.station.lake, prefix=".reading-") as workplace:
            with self.warehouse.transaction():
                if len(before):
                    self.warehouse.replace_file(found.file, found.sha256, self.now)
                counts, sources, notes, refused = [0, 0, 0], set(), set(), None
                # parts come one by one, so that a file larger than memory is no matter
                for raw in self._read(found, self.station.archive / archived, Path(workplace)):
                    refused = refused or raw.refused
                    sources.add(raw.source)
                    notes.update(raw.notes)
                    for n, value in enumerate(self.accept.table(raw, found.file, found.sha256, modified_at)):
                        counts[n] += value
                self._older_version(found, sources, last, refused is not None)
                if modified_at > self.now + pd.Timedelta(minutes=5):
                    self._notice(found.file, "file_time_in_future", f"{modified_at:%Y-%m-%d %H:%M}Z", inside=True)
                for note in sorted(notes):
                    self._notice(found.file, note, None, inside=True)
                self._record(found, archived, modified_at, counts, "refused" if refused else "taken", before)
        self.result.files_read += 1
        self.result.refused += refused is not None
        self.result.rows_read += counts[0]
        self.result.rows_accepted += counts[1]
        self.result.rows_rejected += counts[2]
        self.result.files.append({"file": found.file, "source": found.source, "rows_read": counts[0], "rows_accepted": counts[1],
                                  "rows_rejected": counts[2], "refused": refused.message if refused else None})

    def _archive(self, found: Found) -> str:
        """Copy the original into the archive under its sha256; the name there."""
        if found.path.parent == self.station.archive:
            found.sha256 = found.path.name.split(".")[0]
            return found.path.name
        digest = hashlib.sha256()
        handle, made = tempfile.mkstemp(dir=self.station.archive, prefix=".copy-")
        with os.fdopen(handle, "wb") as target, open(found.path, "rb") as source:
            while chunk := source.read(1 << 20):
                digest.update(chunk)
                target.write(chunk)
        found.sha256 = digest.hexdigest()
        name = found.sha256 + "".join(c for c in Path(found.file).suffix.lower() if c.isalnum() or c == ".")[:12]
        if (self.station.archive / name).exists():
            os.unlink(made)
        else:
            os.replace(made, self.station.archive / name)
        return name

    def _read(self, found: Found, path: Path, workplace: Path) -> Iterator[RawTable]:
        from pipelines.readers.table import read_table
        from pipelines.readers.uddf import read_uddf

        if found.source is None:
            suffix = Path(found.file).suffix.lower()
            rule = "unknown_source" if suffix in (".csv", ".xlsx", ".xlsm", ".txt", ".tsv") else "unsupported_file"
            yield RawTable("", pd.DataFrame(), refused=problem(rule, value=found.file, found=suffix or "no ending", source="fills"))
        elif found.source == "uddf":
            yield from read_uddf(path, self.station, self.warehouse.current("links"), self.warehouse.ids("member"),
                                 folder_member(found.file), workplace, self.warehouse.ids("unit"))
        else:
            yield read_table(path, found.source, self._mapping(found.source), self.station.time_zone, folder_member(found.file))

    def _record(self, found: Found, archived: str, modified_at: pd.Timestamp, counts: list[int], outcome: str, before: pd.DataFrame) -> None:
        received = before["received_at"].iloc[0] if len(before) else self.now
        seen = int(before["seen_again"].iloc[0]) if len(before) else 0
        self.warehouse.con.execute("DELETE FROM ingest_files WHERE file = ? AND file_sha256 = ?", [found.file, found.sha256])
        self.warehouse.insert("ingest_files", pd.DataFrame([{
            "file": found.file, "file_sha256": found.sha256, "source": found.source, "received_at": received,
            "modified_at": modified_at, "outcome": outcome, "mapping_hash": found.mapping_hash, "rows_read": counts[0],
            "rows_accepted": counts[1], "rows_rejected": counts[2], "seen_again": seen, "run_id": self.run_id,
            "size": found.size, "mtime_ns": found.mtime_ns, "archived": archived,
        }]).astype({"received_at": "datetime64[us, UTC]", "modified_at": "datetime64[us, UTC]"}))

    def _older_version(self, found: Found, sources: set[str], last: dict | None, refused: bool) -> None:
        """A newer file stands in the same place: its rejects are answered by it, and rows it no longer has are listed."""
        if last is None or last["file_sha256"] == found.sha256 or refused:
            return
        self.warehouse.con.execute(
            "UPDATE rejects SET resolved_at = ? WHERE file = ? AND file_sha256 <> ? AND resolved_at IS NULL AND NOT waiting",
            [self.now, found.file, found.sha256])
        for source in sorted(sources - {"", SAMPLES}):
            for missing in self.accept.no_longer_in_file(source, found.file, found.sha256):
                self._notice(found.file, "no_longer_in_file", missing, inside=True)

    def _notice(self, file: str, rule: str, value: str | None, *, inside: bool = False) -> None:
        from schemas import codes

        known = codes.all_codes().get(rule)
        message = known.words({"value": value}) if known else rule.replace("_", " ")
        row = [file, rule, value, message, known.mend if known else "", self.now]
        there = self.warehouse.one(
            "SELECT 1 FROM notices WHERE file = ? AND rule = ? AND value IS NOT DISTINCT FROM ?", row[:3])
        if there:
            return
        self.result.notices += 1
        if inside:
            self.warehouse.con.execute("INSERT INTO notices VALUES (?, ?, ?, ?, ?, ?)", row)
        else:
            with self.warehouse.transaction():
                self.warehouse.con.execute("INSERT INTO notices VALUES (?, ?, ?, ?, ?, ?)", row)

    # --- rows that wait -----------------------------------------------------------------------
    def _retry(self) -> None:
        if not self.accept.anything_waits():
            return
        with self.warehouse.transaction(changes=False):
            moved = self.accept.retry_waiting()
            if len(moved):
                self.warehouse.con.execute("UPDATE meta SET value = CAST(CAST(value AS BIGINT) + 1 AS VARCHAR) WHERE key = 'version'")
        self.result.resolved = int(moved["rows"].sum())
        # what waited for a file of this very pass never was a problem to anybody
        now_taken = {f["file"] for f in self.result.files}
        here = int(moved.loc[moved["file"].isin(now_taken), "rows"].sum())
        self.result.rows_accepted += here
        self.result.rows_rejected -= here


def clear_workplaces(station: Station) -> None:
    """Remove what a pass that died left half made."""
    for left in [*station.lake.glob(".reading-*"), *station.archive.glob(".copy-*")]:
        shutil.rmtree(left, ignore_errors=True) if left.is_dir() else left.unlink(missing_ok=True)


__all__ = ["Found", "Intake", "IntakeResult", "Problem", "clear_workplaces", "scan"]
