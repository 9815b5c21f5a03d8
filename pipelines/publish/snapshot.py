"""Write a snapshot: new parts beside linked old ones, the manifest, and last the pointer.

A published path is never written again. Whatever dies on the way leaves a folder without a pointer to
it, which a later publish clears away; the last snapshot goes on being served.
"""

import contextlib
import hashlib
import os
import re
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from functools import partial
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from pipelines.publish import parts as stored_parts
from pipelines.publish.by_year import by_year, names_of, years_anew
from pipelines.publish.parts import arrow_table, as_frame, write_part
from pipelines.publish.together import fingerprint, pieces, places
from schemas.frames import empty
from schemas.snapshot import FIRST_LOOK, MANIFEST, POINTER, Manifest, Part, SnapshotDamaged, current_name, part_bytes
from schemas.tables import TABLES

#: a snapshot is removed once a later one has been out for so long, and two later ones exist
KEEP = timedelta(hours=1)

#: of parts just written so many bytes are at hand for the steps that read them next; others are read back
HELD_BYTES = 64_000_000

#: so many parts of a table are kept as one beside them: most runs change none of them, and each costs a read
MANY_PARTS = 20
TOGETHER = "parts_together"

#: how a snapshot is named: by its moment
NAMED = "%Y%m%dT%H%M%S%f"


class Publisher:
    """Collects the tables of one snapshot and publishes them at once."""

    def __init__(self, published: Path, previous: Manifest | None, started_at: pd.Timestamp):
        self.published, self.previous = published, previous
        published.mkdir(parents=True, exist_ok=True)
        self.first_name = started_at.strftime(NAMED)
        while (published / self.first_name).exists() or (published / _next(self.first_name)).exists():
            self.first_name = _next(self.first_name)  # two passes within a microsecond, or a clock set back
        self.name = _next(self.first_name)
        self.folder = published / self.name
        self._beginning = f"{published}{os.sep}{previous.name}{os.sep}" if previous else ""
        self.tables: dict[str, dict[str, Part]] = {}
        self._sound: dict[tuple[str, str], bool] = {}
        self._written: dict[tuple[str, str], pa.Table] = {}
        self._held = 0

    def unchanged(self, table: str, part: str, fingerprint: str) -> bool:
        """Whether the last snapshot holds this part, made from the same inputs."""
        names = self._previous_names(table, part)
        return bool(names) and all(
            self._in_previous(table, name)[0].fingerprint == fingerprint and self._is_sound(table, name)
            for name in names
        )

    def has_previous(self, table: str, part: str) -> bool:
        """Whether the last snapshot holds this part."""
        names = self._previous_names(table, part)
        return bool(names) and all(self._is_sound(table, name) for name in names)

    def _is_sound(self, table: str, part: str) -> bool:
        """Whether a part of the last snapshot is as it was written; one that is not counts as absent."""
        if (table, part) not in self._sound:
            old, path = self._in_previous(table, part)
            self._sound[table, part] = is_sound(path, old)
        return self._sound[table, part]

    def holds(self, table: str, part: str, fingerprint: str) -> bool:
        """Whether this snapshot holds the part already, made from the same inputs."""
        there = self.tables.get(table, {})
        names = names_of(there, table, part)
        return bool(names) and all(there[name].fingerprint == fingerprint for name in names)

    def read_previous(self, table: str, *parts: str) -> pd.DataFrame:
        """Parts of the last snapshot, one after the other."""
        return as_frame([self.stored_previous(table, part) for part in parts], table)

    def stored_previous(self, table: str, part: str = "all", columns: list[str] | None = None) -> pa.Table:
        """A part of the last snapshot as it is stored, or some of its columns."""
        names = self._previous_names(table, part) or [part]
        found = [stored_parts.stored(Path(self._in_previous(table, name)[1]), columns) for name in names]
        return found[0] if len(found) == 1 else pa.concat_tables(found)

    def schema_previous(self, table: str) -> pa.Schema:
        """What columns the last snapshot stores a table with."""
        first = self._previous_names(table, "all")[0]
        return pq.read_schema(self._in_previous(table, first)[1])

    def _previous_names(self, table: str, part: str) -> list[str]:
        """What the last snapshot keeps a part as; none where it has not got it."""
        there = self.previous.tables.get(table, {}) if self.previous else {}
        return names_of(there, table, part)

    def _previous_place(self, table: str, part: str) -> tuple[Part, str] | None:
        """What the last snapshot's manifest says of a part, and where the part should be."""
        old = self.previous.tables.get(table, {}).get(part) if self.previous else None
        if not (self.previous and old):
            return None
        # a text: thousands of parts are asked for
        return old, f"{self._beginning}{table}{os.sep}{old.file}"

    def _in_previous(self, table: str, part: str) -> tuple[Part, str]:
        place = self._previous_place(table, part)
        if place is None:
            raise KeyError(f"The last snapshot has no part {part} of {table}.")
        return place

    def read(self, table: str, *parts: str, columns: list[str] | None = None) -> pd.DataFrame:
        """Parts of this snapshot, one after the other, as any reader will see them; or some columns of them."""
        return as_frame([self.stored(table, part, columns) for part in parts], table, columns)

    def read_together(self, table: str, *parts: str, columns: list[str] | None = None) -> pd.DataFrame:
        """As `read`; many parts are read as one, all columns of them, where they are the same as in the last
        snapshot.
        """
        if len(parts) < MANY_PARTS:
            return self.read(table, *parts, columns=columns)
        made = [self.tables[table][part] for part in parts]
        if not all(one.sha256 for one in made):
            return self.read(table, *parts)
        asked = [(part, one.sha256) for part, one in zip(parts, made, strict=True)]
        print_ = fingerprint(asked)
        if self.unchanged(TOGETHER, table, print_):
            self.link(TOGETHER, table)
            for part in parts:
                self._take(table, part)
            return as_frame([self.stored(TOGETHER, table)], table)
        data = self._pieces(table, asked) or [self.stored(table, part) for part in parts]
        for part in parts:
            self._take(table, part)
        frame = as_frame(data, table)
        whole = (
            pa.Table.from_pandas(frame, preserve_index=False, nthreads=1)
            if TABLES[table].internal
            else pa.concat_tables(data)
        )
        self.tables.setdefault(TOGETHER, {})[table] = write_part(self.folder, TOGETHER, table, whole, print_)
        again = as_frame([self.stored(TOGETHER, table)], table)
        if not (again.dtypes.equals(frame.dtypes) and again.equals(frame)):
            del self.tables[TOGETHER][table]
        return frame

    def keep_together(self, table: str) -> None:
        """Take over what the last snapshot keeps as one of a table's parts, where this run has not asked for them."""
        if table not in self.tables.get(TOGETHER, {}) and self.has_previous(TOGETHER, table):
            self.link(TOGETHER, table)

    def _pieces(self, table: str, asked: list[tuple[str, str]]) -> list[pa.Table] | None:
        """Parts, those that stand as the last snapshot keeps them as one; None where most are new."""
        if self.previous is None or not self.has_previous(TOGETHER, table):
            return None
        at = places(self.previous.tables.get(table, {}), self.previous.tables[TOGETHER][table])
        stand = sum(part in at and at[part].sha256 == sha256 for part, sha256 in asked)
        if 2 * stand < len(asked):
            return None

        def stored(part: str) -> pa.Table:
            return self._written.get((table, part)) or self._read_part(table, part)

        return pieces(asked, self.stored_previous(TOGETHER, table), at, stored)

    def stored(self, table: str, part: str = "all", columns: list[str] | None = None) -> pa.Table:
        """A part of this snapshot as it is stored, or some of its columns."""
        if (data := self._take(table, part)) is not None:
            return data if columns is None else data.select(columns)
        names = names_of(self.tables.get(table, {}), table, part) or [part]
        found = [self._read_part(table, name, columns) for name in names]
        return found[0] if len(found) == 1 else pa.concat_tables(found)

    def _read_part(self, table: str, name: str, columns: list[str] | None = None) -> pa.Table:
        return stored_parts.stored(self.folder / table / self.tables[table][name].file, columns)

    def _take(self, table: str, part: str) -> pa.Table | None:
        """A part that is at hand, which it is not any more."""
        data = self._written.pop((table, part), None)
        self._held -= 0 if data is None else data.nbytes
        return data

    def none(self, table: str) -> pd.DataFrame:
        """A table without rows; a working table has at least its key."""
        if TABLES[table].internal:
            return pd.DataFrame({"member_id": pd.Series([], dtype="str"), "dive_id": pd.Series([], dtype="str")})
        return empty(TABLES[table].fields.values())

    def link(self, table: str, part: str, fingerprint: str = "") -> int:
        """Take a part over from the last snapshot as it is; gives its rows.

        With a fingerprint it is what other inputs would give too.
        """
        names = self._previous_names(table, part) or [part]
        self._drop(table, part)
        return sum(self._link_one(table, name, fingerprint) for name in names)

    def _link_one(self, table: str, part: str, fingerprint: str) -> int:
        old, source = self._in_previous(table, part)
        if fingerprint and fingerprint != old.fingerprint:
            old = replace(old, fingerprint=fingerprint)
        folder = f"{self.folder}{os.sep}{table}"
        if not self.tables.get(table):
            os.makedirs(folder, exist_ok=True)
        _link(source, f"{folder}{os.sep}{old.file}")
        self.tables.setdefault(table, {})[part] = old
        return old.rows

    def write(self, table: str, part: str, frame: pd.DataFrame, fingerprint: str) -> int:
        """Write a part; gives its rows."""
        declared = TABLES[table]
        if declared.internal:
            data = pa.Table.from_pandas(frame, preserve_index=False, nthreads=1)
        else:
            data = arrow_table(frame, declared)
        return self.write_stored(table, part, data, fingerprint)

    def write_stored(self, table: str, part: str, data: pa.Table, fingerprint: str) -> int:
        """Write a part that is at hand as it is to be stored; gives its rows."""
        self._drop(table, part)
        for name, rows in (by_year(table, data) if part == "all" else {part: data}).items():
            self.tables.setdefault(table, {})[name] = write_part(self.folder, table, name, rows, fingerprint)
        self._hold(table, part, data)
        return data.num_rows

    def amend(self, table: str, rows: pa.Table, key: str, order: Sequence[str], fingerprint: str) -> None:
        """Take the rows of a table over from the last snapshot, these in the place of those of their key.

        Parameters
        ----------
        order : sequence of str
            Columns by which the table is sorted: a moment, then texts.
        """
        new = self.years_anew(table, rows, key, order)
        if "all" in new:
            self.write_stored(table, "all", new["all"], fingerprint)
            return
        self._drop(table, "all")
        names = sorted({*self._previous_names(table, "all"), *new})
        for name in names:
            if name in new:
                made = write_part(self.folder, table, name, new[name], fingerprint)
                self.tables.setdefault(table, {})[name] = made
            else:
                self._link_one(table, name, fingerprint)

    def years_anew(
        self,
        table: str,
        rows: pa.Table,
        key: str,
        order: Sequence[str],
        also: Mapping[str, Mapping[str, object]] | None = None,
    ) -> dict[str, pa.Table]:
        """The parts of a table in which the last snapshot would have other rows with these (see `years_anew`)."""
        there = self._previous_names(table, "all")
        return years_anew(table, there, partial(self.stored_previous, table), rows, key, order, also)

    def _drop(self, table: str, part: str) -> None:
        """What was written of a part before counts no more; it may have been kept as others."""
        self._take(table, part)
        for name in names_of(self.tables.get(table, {}), table, part):
            old = self.tables[table].pop(name)
            (self.folder / table / old.file).unlink(missing_ok=True)

    def _hold(self, table: str, part: str, data: pa.Table) -> None:
        """Keep a part at hand for the steps that read it next."""
        self._take(table, part)
        self._written[table, part] = data
        self._held += data.nbytes
        while self._held > HELD_BYTES:
            self._take(*next(iter(self._written)))  # the oldest

    def finish(self, manifest: Manifest) -> Manifest:
        """Write the manifest and swap the pointer; from here on readers see the new snapshot."""
        manifest.tables = self.tables
        # an analyst's query must find every table, also an empty one
        for table in (t.name for t in TABLES.values() if not t.internal):
            if not self.tables.get(table):
                self.write(table, "all", pd.DataFrame(), "empty")
        write_durably(self.folder / MANIFEST, manifest.to_json())
        write_durably(self.published / POINTER, self.name + "\n")
        return manifest

    def first_look(self, manifest: Manifest, instead: Mapping[str, Mapping[str, pa.Table]] | None = None) -> None:
        """Show what there is so far, beside what the last snapshot has of all other tables.

        Its name lies before that of the snapshot to come, so that it ends with the run that publishes. Parts of tables
        that are shown `instead` are no part of that one.
        """
        assert self.previous is not None
        folder = self.published / self.first_name
        manifest.name, manifest.others_of = self.first_name, self.previous.created_at
        manifest.tables = self.previous.tables | self.tables
        for table, parts in manifest.tables.items():
            source = (self.folder if table in self.tables else self.published / self.previous.name) / table
            (folder / table).mkdir(parents=True, exist_ok=True)
            for part in parts.values():
                _link(f"{source}{os.sep}{part.file}", f"{folder}{os.sep}{table}{os.sep}{part.file}")
        for table, anew in (instead or {}).items():
            shown = dict(manifest.tables.get(table, {}))
            for name, data in anew.items():
                shown[name] = write_part(folder, table, name, data, "")
            manifest.tables = manifest.tables | {table: dict(sorted(shown.items()))}
        write_durably(folder / MANIFEST, manifest.to_json())
        write_durably(self.published / FIRST_LOOK, self.first_name + "\n")

    def abandon(self) -> None:
        """Remove what was written, when nothing is to be published after all; what is out stays."""
        with contextlib.suppress(SnapshotDamaged):
            if current_name(self.published) == self.name:
                return
        shutil.rmtree(self.folder, ignore_errors=True)


def _next(name: str) -> str:
    """The name a microsecond later."""
    return (datetime.strptime(name, NAMED) + timedelta(microseconds=1)).strftime(NAMED)


def _link(source: str, target: str) -> None:
    """Let a part stand in another place as well, instead of what may stand there."""
    try:
        os.link(source, target)
    except FileExistsError:
        os.unlink(target)  # never written through: it may be a link itself
        _link(source, target)
    except OSError:  # another file system, or one without links
        with contextlib.suppress(FileNotFoundError):
            os.unlink(target)
        shutil.copy2(source, target)


def is_sound(path: Path | str, part: Part) -> bool:
    """Whether a part reads as it was written; of an earlier version, without a hash, whether it reads at all."""
    try:
        if part.sha256:
            with open(path, "rb", buffering=0) as file:
                return hashlib.sha256(file.read()).hexdigest() == part.sha256
        pq.read_table(part_bytes(Path(path), part))
    except (SnapshotDamaged, pa.ArrowException, OSError):
        return False
    return True


def looks_altered(published: Path, manifest: Manifest) -> bool:
    """Whether a part of a snapshot is gone, or was written after its manifest and is not as it was written.

    Costs a look at each file; bits that rot without a new file time are found when the part is next read.
    """
    folder = published / manifest.name
    sealed_ns = (folder / MANIFEST).stat().st_mtime_ns
    for table, parts in manifest.tables.items():
        for part in parts.values():
            path = folder / table / part.file
            try:
                written_ns = path.stat().st_mtime_ns
            except OSError:
                return True
            if written_ns > sealed_ns and not is_sound(path, part):
                return True
    return False


def write_durably(path: Path, text: str) -> None:
    """All of the text or none of it: a temporary file, flushed, then put in place."""
    made = path.with_name(f".{path.name}.new")
    with open(made, "w", encoding="utf-8") as handle:
        handle.write(text)
        handle.flush()
        os.fsync(handle.fileno())
    os.replace(made, path)


def clear_old(published: Path, now: datetime, out: timedelta = KEEP) -> list[str]:
    """Remove snapshots nobody needs: not the current one, and older than two that have been out for so long."""
    current = current_name(published)
    names = sorted(p.name for p in published.iterdir() if p.is_dir() and re.fullmatch(r"\d{8}T\d{12}", p.name))
    settled = [n for n in names if (published / n / MANIFEST).exists() and _age(published / n / MANIFEST, now) > out]
    keep = {current, *settled[-2:]}
    gone = []
    for name in names:
        # one without a manifest died on the way; one not older than the last settled ones may still be read
        dead = not (published / name / MANIFEST).exists()
        if name not in keep and (dead or (settled and name < settled[-1])) and name != names[-1]:
            shutil.rmtree(published / name, ignore_errors=True)
            gone.append(name)
    return gone


def _age(path: Path, now: datetime) -> timedelta:
    return now - datetime.fromtimestamp(path.stat().st_mtime, tz=now.tzinfo)
