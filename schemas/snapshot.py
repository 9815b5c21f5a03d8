"""What a publish contains and how to find it: a folder of Parquet parts, a manifest, and a pointer.

    published/current                       the name of the snapshot that counts, one line
    published/first_look                    that of a run which is still at work: its fills beside all else as it was
    published/NAME/manifest.json            which tables, parts and fingerprints it has
    published/NAME/TABLE/PART.parquet       never written again once the manifest stands

A reader takes the pointer once and stays with that snapshot: it is immutable.
"""

import hashlib
import io
import json
import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from schemas.fields import Field
from schemas.frames import conform, empty, from_arrow
from schemas.tables import TABLES

if TYPE_CHECKING:
    import pyarrow as pa

FORM = 1
"""Form of a snapshot: raise it where a reader of an earlier version would misread what this one publishes."""
POINTER = "current"
#: names a snapshot that pages show until its run has published all; nobody else reads it
FIRST_LOOK = "first_look"
MANIFEST = "manifest.json"
#: what later passes that found nothing new have to add to the snapshot that stands
SINCE = "since.json"
#: tables that a run with nothing new adds to
SAYS_RUNS = ("ingest_files", "runs")
#: what the last run says of itself
LAST_PASS = "last_pass.json"


#: how a snapshot is named: by its moment, UTC, to the microsecond
NAME = re.compile(r"\d{8}T\d{12}")
#: what reading rubbish in place of a manifest or a note raises
_RUBBISH = (ValueError, TypeError, KeyError, AttributeError, IndexError, RecursionError)


class NothingPublished(RuntimeError):
    """There is no snapshot to read yet."""


class SnapshotDamaged(NothingPublished):
    """What is published does not read as it was written."""


def lacking(name: str, what: str) -> SnapshotDamaged:
    """What to do about a snapshot that says nothing of something: of an earlier version, or incomplete."""
    return SnapshotDamaged(
        f"Snapshot {name} has no {what}: it was made by an earlier version, or is incomplete. Run `coldfill run`, or "
        "where it finds nothing new `coldfill doctor --repair`; until then nothing that hangs on it is known."
    )


class SnapshotNewer(NothingPublished):
    """What is published has a form that this version does not know."""


def damaged(what: str) -> SnapshotDamaged:
    """What to do about a snapshot that is damaged."""
    return SnapshotDamaged(
        f"{what} is damaged. Run `coldfill run`, or where it finds nothing new "
        "`coldfill doctor --repair`: it makes anew what is damaged and publishes it."
    )


@dataclass
class Part:
    """One Parquet file of a table; an equal fingerprint means equal inputs, so the file may be reused.

    `sha256` is of the file's bytes; empty in manifests of earlier versions.
    """

    file: str
    rows: int
    fingerprint: str
    sha256: str = ""


@dataclass
class Manifest:
    """The contents of a snapshot."""

    name: str
    warehouse_version: int
    as_of_on: str
    created_at: str
    settings_hash: str
    station: dict[str, Any]
    run_id: str
    tables: dict[str, dict[str, Part]] = field(default_factory=dict)
    #: what each step's results depended on beside what it was given
    steps: dict[str, str] = field(default_factory=dict)
    form: int = FORM
    #: of a first look: when what is not of fills was computed
    others_of: str = ""

    def to_json(self) -> str:
        """As JSON, with a seal over all of it."""
        # thousands of parts: a look at each is enough, and text without indents is quick to write
        parts = {table: {name: vars(part) for name, part in made.items()} for table, made in self.tables.items()}
        content = vars(self) | {"tables": parts}
        return json.dumps(content | {"seal": seal_of(content)}, ensure_ascii=False)

    @classmethod
    def from_json(cls, text: str) -> "Manifest":
        """From JSON; one of an earlier version has no seal, or no form.

        Raises
        ------
        SnapshotNewer
            A later version wrote it.
        ValueError, TypeError, KeyError, AttributeError
            The text is no manifest, or not as it was written.
        """
        content = json.loads(text)
        form = content.get("form", 0)
        if isinstance(form, int) and form > FORM:
            raise SnapshotNewer(
                f"Snapshot {content.get('name', '')} was published by a newer coldfill (form {form}; this one knows "
                f"forms up to {FORM}). Install that version or a later one; nothing was changed."
            )
        seal = content.pop("seal", None)
        if seal is not None and seal != seal_of(content):
            raise ValueError("the seal does not fit")
        content["form"] = form
        content["tables"] = {t: {p: Part(**one) for p, one in parts.items()} for t, parts in content["tables"].items()}
        return cls(**content)


def seal_of(content: dict[str, Any]) -> str:
    """What a note ends with, so that one that was altered or cut is not taken for what was written."""
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()


def current_name(published: Path) -> str | None:
    """The name of the snapshot that counts, or None before the first publish.

    Raises
    ------
    SnapshotDamaged
        The pointer holds something else than a name.
    """
    pointer = published / POINTER
    try:
        name = pointer.read_bytes().decode("utf-8", "replace").strip()
    except FileNotFoundError:
        return None
    except IsADirectoryError:
        raise damaged(f"{pointer}, which names the snapshot that counts,") from None
    if not NAME.fullmatch(name):
        raise damaged(f"{pointer}, which names the snapshot that counts,")
    return name


def standing_name(published: Path) -> str:
    """The name of the snapshot that counts.

    Raises
    ------
    NothingPublished
        There is none yet.
    """
    name = current_name(published)
    if name is None:
        raise _nothing(published)
    return name


def shown_name(published: Path) -> str:
    """The name of the snapshot that pages show: the first look of a run that is at work, else the one that counts.

    Raises
    ------
    NothingPublished
        There is none yet.
    """
    name = standing_name(published)
    try:
        first = (published / FIRST_LOOK).read_bytes().decode("utf-8", "replace").strip()
    except OSError:
        return name
    # names are moments: one of a run that has since published is older than what counts
    newer = NAME.fullmatch(first) is not None and first > name
    return first if newer and (published / first / MANIFEST).is_file() else name


def _nothing(published: Path) -> NothingPublished:
    return NothingPublished(f"Nothing is published in {published} yet. Run `coldfill run` there first.")


def last_held(published: Path) -> str:
    """Why the last run kept the snapshot that stands although something was new, or the empty text."""
    try:
        held = json.loads((published / LAST_PASS).read_text(encoding="utf-8"))["held"]
    except (OSError, *_RUBBISH):
        return ""
    return held if isinstance(held, str) else ""


def read_manifest(published: Path, name: str | None = None) -> Manifest:
    """The manifest of a snapshot, by default of the one that counts.

    Raises
    ------
    NothingPublished
        No snapshot stands there.
    SnapshotDamaged
        It does not read as it was written.
    SnapshotNewer
        A later version published it.
    """
    name = name or standing_name(published)
    path = published / name / MANIFEST
    if not path.exists():
        raise _nothing(published)
    try:
        made = Manifest.from_json(path.read_text(encoding="utf-8"))
        if made.name != name or not isinstance(made.station, dict):
            raise ValueError("the manifest of another snapshot")
    except (*_RUBBISH, IsADirectoryError):
        raise damaged(f"The manifest of snapshot {name}") from None
    return made


def part_bytes(path: Path, part: Part) -> io.BytesIO:
    """The bytes of a part, once they are known to be those that were written.

    A flipped bit in a Parquet file often reads as another figure, without an error.

    Raises
    ------
    SnapshotDamaged
        They are not, or the file is gone.
    """
    try:
        data = path.read_bytes()
    except (FileNotFoundError, IsADirectoryError, NotADirectoryError):
        data = b""
    if not data or (part.sha256 and hashlib.sha256(data).hexdigest() != part.sha256):
        raise damaged(f"The part {path.parent.name}/{path.name} of snapshot {path.parent.parent.name}")
    return io.BytesIO(data)


def read_table(
    published: Path, manifest: Manifest, table: str, parts: list[str] | None = None, columns: list[str] | None = None
) -> pd.DataFrame:
    """A published table as a frame with its declared columns, of all parts or of those named."""
    declared = TABLES[table]
    fields = [f for f in declared.fields.values() if columns is None or f.name in columns]
    chosen = manifest.tables.get(table, {})
    wanted = [p for name, p in chosen.items() if parts is None or name in parts]
    frames = [_read_columns(published / manifest.name / table / p.file, p, fields) for p in wanted if p.rows]
    if not frames:
        return empty(fields)
    rows = frames[0] if len(frames) == 1 else pd.concat(frames, ignore_index=True)
    return with_later_runs(published, manifest, table, rows) if table in SAYS_RUNS and columns is None else rows


def with_later_runs(published: Path, manifest: Manifest, table: str, rows: pd.DataFrame) -> pd.DataFrame:
    """Whole rows of one of `SAYS_RUNS` with what is known of runs since, which found nothing new and published nothing.

    Of `runs` all rows are given, of `ingest_files` any.
    """
    try:
        return _added(json.loads((published / SINCE).read_text(encoding="utf-8")), manifest, table, rows)
    except (*_RUBBISH, OSError):  # a note beside the snapshot; what it would add is not worth an error
        return rows


def _added(since: dict[str, Any], manifest: Manifest, table: str, rows: pd.DataFrame) -> pd.DataFrame:
    if since["snapshot"] != manifest.name:
        return rows
    if table == "ingest_files":
        seen = {(file, sha256): count for file, sha256, count in since["seen_again"]}
        counts = [
            seen.get((f, s), n) for f, s, n in zip(rows["file"], rows["file_sha256"], rows["seen_again"], strict=True)
        ]
        return rows.assign(seen_again=pd.array(counts, dtype="Int64"))
    columns = ["run_id", "started_at", "finished_at", "as_of_on", "outcome"]
    later = pd.DataFrame([[*run, "nothing_new"][:5] for run in since["runs"]], columns=columns)
    later = later[~later["run_id"].isin(rows["run_id"])]
    return pd.concat([rows, conform(later, TABLES["runs"].fields.values())], ignore_index=True) if len(later) else rows


@contextmanager
def as_written(path: Path) -> Iterator[None]:
    """Around what reads a part: bytes that are not what was written are said to be that.

    Raises
    ------
    SnapshotDamaged
    """
    import pyarrow as pa

    try:
        yield
    except (pa.ArrowException, OSError) as error:
        raise damaged(f"The part {path.parent.name}/{path.name} of snapshot {path.parent.parent.name}") from error


def _read_columns(path: Path, part: Part, fields: list[Field]) -> pd.DataFrame:
    with as_written(path):
        rows = read_columns(part_bytes(path, part), [f.name for f in fields])
    return from_arrow(rows, fields)


def read_columns(data: io.BytesIO, names: list[str]) -> "pa.Table":
    """The columns a part has of those asked for: a snapshot of an earlier version may lack some."""
    import pyarrow.parquet as pq

    with pq.ParquetFile(data) as file:
        there = set(file.schema_arrow.names)
        return file.read(columns=[n for n in names if n in there], use_threads=False)  # parts are small


def table_glob(published: Path, manifest: Manifest, table: str) -> str:
    """The pattern DuckDB reads a published table by."""
    return str(published / manifest.name / table / "*.parquet")
