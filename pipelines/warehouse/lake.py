"""Parts of the Parquet lake, and a member's dive samples from them: newest file first for each moment of a dive."""

import errno
import hashlib
import io
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from pipelines.warehouse.store import Warehouse
from pipelines.warehouse.withdrawn import samples_out
from schemas.samples import SamplesThatCount, merged

if TYPE_CHECKING:
    import pyarrow as pa

#: what a system says of itself or of rights, and not of a file's bytes
OF_THE_SYSTEM = (errno.EMFILE, errno.ENFILE, errno.EACCES, errno.ENOMEM)


class PartDamaged(Exception):
    """A part of the lake is gone or not as it was written; its samples are read again from the original.

    `part` is its row of `lake_parts`: at least path, file and file_sha256.
    """

    def __init__(self, part: Mapping[str, Any]):
        super().__init__(f"The part {part['path']} of the lake is damaged.")
        self.part = dict(part)


def write_part(rows: pd.DataFrame, path: Path) -> str:
    """Write a part, all of it or nothing; gives the sha256 of its bytes."""
    path.parent.mkdir(parents=True, exist_ok=True)
    held = io.BytesIO()
    rows.to_parquet(held, index=False, compression="zstd")
    made = path.with_name(f".{path.name}.new")
    made.write_bytes(held.getbuffer())
    os.replace(made, path)
    return hashlib.sha256(held.getbuffer()).hexdigest()


def read_part(lake: Path, part: Mapping[str, Any], columns: list[str] | None = None) -> pd.DataFrame:
    """The samples of a part, once its bytes are known to be those that were written.

    Parameters
    ----------
    part : its row of `lake_parts`; `sha256` is empty where an earlier version wrote it

    Raises
    ------
    PartDamaged
    """
    return _stored(lake, part, columns).to_pandas(use_threads=False)


def _stored(lake: Path, part: Mapping[str, Any], columns: list[str] | None = None) -> "pa.Table":
    """As `read_part`; parts are small, and threads cost more than they save."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        data = (lake / part["path"]).read_bytes()
        written = part.get("sha256")
        if isinstance(written, str) and hashlib.sha256(data).hexdigest() != written:
            raise PartDamaged(part)
        table = pq.ParquetFile(io.BytesIO(data)).read(columns, use_threads=False)
        if columns is not None and set(columns) - set(table.column_names):
            raise PartDamaged(part)
        return table
    except (FileNotFoundError, IsADirectoryError, NotADirectoryError, pa.ArrowException, OSError, KeyError) as error:
        if isinstance(error, OSError) and error.errno in OF_THE_SYSTEM:
            raise
        raise PartDamaged(part) from error


def parts_by_member(warehouse: Warehouse) -> pd.DataFrame:
    """The parts that count: member_id, path, order_at, file, in the order in which they win (last wins)."""
    return warehouse.frame(
        "SELECT member_id, path, order_at, file, file_sha256, sha256 FROM lake_parts WHERE state = 'current' "
        "ORDER BY member_id, order_at, file, file_sha256, path"
    )


def read_samples(
    lake: Path, parts: pd.DataFrame, without: Sequence[tuple[str, str, float | None]] = ()
) -> pd.DataFrame:
    """The samples of these parts, later parts winning, ordered by dive and time.

    A sample that says when it was revised wins by that moment instead of its file's. `without` names withdrawn ones
    by member_id, dive_id and t_s, or all of a dive where that is None.

    Raises
    ------
    PartDamaged
    """
    stored = [_stored(lake, part) for part in parts.to_dict("records")]
    return merged(stored, parts["order_at"].to_numpy(), without)


def samples_that_count(warehouse: Warehouse) -> SamplesThatCount:
    """The parts that count, in the order in which they win, and which samples are withdrawn."""
    out = samples_out(warehouse)
    return SamplesThatCount.of(parts_by_member(warehouse), [o for member in sorted(out) for o in out[member]])


def samples_revised_ahead(lake: Path, warehouse: Warehouse, latest: pd.Timestamp) -> set[tuple[str, str]]:
    """Files with samples that say they were revised after a moment: file, file_sha256. Reads every part that counts."""
    found = set()
    asked = "SELECT path, file, file_sha256, sha256 FROM lake_parts WHERE state = 'current'"
    for part in warehouse.frame(asked).to_dict("records"):
        try:
            revised = read_part(lake, part, ["revised_at"])["revised_at"]
        except PartDamaged:  # read again for that reason, where it matters
            continue
        if (pd.to_datetime(revised, utc=True) > latest).any():
            found.add((part["file"], part["file_sha256"]))
    return found


def dives_with_samples(warehouse: Warehouse, member: str) -> set[tuple[str, str]]:
    """member_id and dive_id of a member's dives, where any part of the lake is the member's."""
    return set(
        warehouse.con.execute(
            "SELECT DISTINCT d.member_id, d.dive_id FROM rows_dives d JOIN lake_parts p ON p.member_id = d.member_id "
            "WHERE d.member_id = ? AND p.state IN ('current', 'withdrawn') "
            "AND d.state IN ('current', 'superseded', 'withdrawn')",
            [member],
        ).fetchall()
    )
