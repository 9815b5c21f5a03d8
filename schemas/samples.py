"""Which samples of dives count, beside a snapshot and in a copy of it.

published/NAME/samples.json     the parts of the lake that count, in the order in which they win, and what is withdrawn
"""

import io
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from schemas.frames import conform, empty
from schemas.snapshot import damaged, seal_of
from schemas.sources import SOURCES

if TYPE_CHECKING:
    import pyarrow as pa

FILE = "samples.json"
_FIELDS = list(SOURCES["dive_samples"].fields.values())
#: member_id, dive_id and t_s of a sample that is withdrawn; all of a dive where t_s is None
Out = tuple[str, str, float | None]


@dataclass(frozen=True)
class SamplePart:
    """A part of the lake; `order_at` says when it wins over others. `sha256` may be None: of an earlier version."""

    member_id: str
    path: str
    order_at: str
    sha256: str | None


@dataclass(frozen=True)
class SamplesThatCount:
    """The parts in the order in which they win (last wins), and what is withdrawn."""

    parts: tuple[SamplePart, ...]
    out: tuple[Out, ...]

    @classmethod
    def of(cls, parts: pd.DataFrame, out: Iterable[Out]) -> "SamplesThatCount":
        """From rows of the lake: member_id, path, order_at, sha256."""
        columns = (parts[name].tolist() for name in ("member_id", "path", "order_at", "sha256"))
        made = (
            SamplePart(str(member), str(path), at.isoformat(), sha256 if isinstance(sha256, str) else None)
            for member, path, at, sha256 in zip(*columns, strict=True)
        )
        return cls(tuple(made), tuple((str(m), str(d), None if t is None else float(t)) for m, d, t in out))

    def to_json(self) -> str:
        """As a snapshot keeps it."""
        content = {"parts": [list(vars(p).values()) for p in self.parts], "out": [list(o) for o in self.out]}
        return json.dumps(content | {"seal": seal_of(content)})

    @classmethod
    def from_json(cls, text: str) -> "SamplesThatCount":
        """As `to_json` wrote it; rubbish raises ValueError, TypeError or KeyError."""
        said = json.loads(text)
        if said.pop("seal") != seal_of(said):
            raise ValueError("the seal does not fit")
        return cls(tuple(SamplePart(*p) for p in said["parts"]), tuple((m, d, t) for m, d, t in said["out"]))


def read_samples_that_count(snapshot: Path) -> SamplesThatCount | None:
    """What a snapshot says of samples; None where an earlier version published it.

    Raises
    ------
    SnapshotDamaged
    """
    try:
        return SamplesThatCount.from_json((snapshot / FILE).read_text(encoding="utf-8"))
    except FileNotFoundError:
        return None
    except (OSError, ValueError, TypeError, KeyError, AttributeError):
        raise damaged(f"{FILE} of snapshot {snapshot.name}") from None


def merged(stored: Sequence["pa.Table"], order_at: Sequence[Any], out: Iterable[Out] = ()) -> pd.DataFrame:
    """The samples of these parts, later parts winning, ordered by dive and time.

    A sample that says when it was revised wins by that moment instead of its part's.
    """
    import pyarrow as pa

    if not stored:
        return empty(_FIELDS)
    rows = pa.concat_tables(stored, promote_options="permissive").to_pandas(use_threads=False)
    if len(stored) > 1:
        if rows["revised_at"].notna().any():
            of_part = np.repeat(np.asarray(order_at), [table.num_rows for table in stored])
            order = pd.to_datetime(rows["revised_at"], utc=True).fillna(
                pd.Series(of_part, index=rows.index).astype("datetime64[us, UTC]")
            )
            rows = rows.iloc[np.argsort(order.to_numpy(), kind="stable")]
        rows = rows.drop_duplicates(["member_id", "dive_id", "t_s"], keep="last")
    for member, dive, t_s in out:
        gone = (rows["member_id"] == member) & (rows["dive_id"] == dive)
        rows = rows[~(gone if t_s is None else gone & (rows["t_s"] == t_s))]
    return conform(rows, _FIELDS).sort_values(["member_id", "dive_id", "t_s"], ignore_index=True)


def as_arrow(data: bytes) -> "pa.Table":
    """The samples of one part; parts are small, and threads cost more than they save."""
    import pyarrow.parquet as pq

    return pq.ParquetFile(io.BytesIO(data)).read(use_threads=False)
