"""What a publish contains and how to find it: a folder of Parquet parts, a manifest, and a pointer.

    published/current                       the name of the snapshot that counts, one line
    published/NAME/manifest.json            which tables, parts and fingerprints it has
    published/NAME/TABLE/PART.parquet       never written again once the manifest stands

A reader takes the pointer once and stays with that snapshot: it is immutable.
"""

import json
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from schemas.frames import conform, empty
from schemas.tables import TABLES

POINTER = "current"
MANIFEST = "manifest.json"
#: what later passes that found nothing new have to add to the snapshot that stands
SINCE = "since.json"


class NothingPublished(RuntimeError):
    """There is no snapshot to read yet."""


@dataclass
class Part:
    """One Parquet file of a table; an equal fingerprint means equal inputs, so the file may be reused."""

    file: str
    rows: int
    fingerprint: str


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

    def to_json(self) -> str:
        return json.dumps(asdict(self), ensure_ascii=False, indent=1)

    @classmethod
    def from_json(cls, text: str) -> "Manifest":
        told = json.loads(text)
        told["tables"] = {t: {p: Part(**part) for p, part in parts.items()} for t, parts in told["tables"].items()}
        return cls(**told)


def current_name(published: Path) -> str | None:
    """The name of the snapshot that counts, or None before the first publish."""
    try:
        return (published / POINTER).read_text(encoding="utf-8").strip() or None
    except FileNotFoundError:
        return None


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


def _nothing(published: Path) -> NothingPublished:
    return NothingPublished(f"Nothing is published in {published} yet. Run `coldfill run` there first.")


def read_manifest(published: Path, name: str | None = None) -> Manifest:
    """The manifest of a snapshot, by default of the one that counts.

    Raises
    ------
    NothingPublished
        No snapshot stands there.
    """
    name = name or standing_name(published)
    if not (published / name / MANIFEST).exists():
        raise _nothing(published)
    return Manifest.from_json((published / name / MANIFEST).read_text(encoding="utf-8"))


def read_table(
    published: Path, manifest: Manifest, table: str, parts: list[str] | None = None, columns: list[str] | None = None
) -> pd.DataFrame:
    """A published table as a frame with its declared columns, of all parts or of those named."""
    declared = TABLES[table]
    fields = [f for f in declared.fields.values() if columns is None or f.name in columns]
    chosen = manifest.tables.get(table, {})
    wanted = [p for name, p in chosen.items() if parts is None or name in parts]
    frames = [
        _read_columns(published / manifest.name / table / p.file, [f.name for f in fields]) for p in wanted if p.rows
    ]
    if not frames:
        return empty(fields)
    rows = conform(pd.concat(frames, ignore_index=True), fields)
    return (
        _with_later_passes(published, manifest, table, rows)
        if table in ("ingest_files", "runs") and columns is None
        else rows
    )


def _with_later_passes(published: Path, manifest: Manifest, table: str, rows: pd.DataFrame) -> pd.DataFrame:
    """Counts and runs of the passes since, which found nothing new and so published nothing."""
    try:
        since = json.loads((published / SINCE).read_text(encoding="utf-8"))
    except (FileNotFoundError, ValueError):
        return rows
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


def _read_columns(path: Path, names: list[str]) -> pd.DataFrame:
    """The columns a part has of those asked for: a snapshot of an earlier version may lack some."""
    import pyarrow.parquet as pq

    with pq.ParquetFile(path) as part:
        return part.read(columns=[n for n in names if n in part.schema_arrow.names]).to_pandas()


def table_glob(published: Path, manifest: Manifest, table: str) -> str:
    """The pattern DuckDB reads a published table by."""
    return str(published / manifest.name / table / "*.parquet")
