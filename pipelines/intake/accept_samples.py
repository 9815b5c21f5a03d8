"""Samples on their way into the lake: Parquet parts by member and month, which the warehouse lists."""

import contextlib
import hashlib
from pathlib import Path

import numpy as np
import pandas as pd

from pipelines.readers.raw import Problem, problem
from pipelines.warehouse import files
from pipelines.warehouse.lake import PartDamaged, read_part, write_part
from pipelines.warehouse.store import Warehouse
from schemas.sources import SOURCES
from schemas.words import plural

SAMPLES = "dive_samples"


def drop_impossible(rows: pd.DataFrame) -> tuple[pd.DataFrame, list[Problem]]:
    """A reading that cannot be is left out of its sample, for a spike must not cost the depth beside it."""
    found = []
    rows = rows.copy()
    for name, field in SOURCES[SAMPLES].fields.items():
        if field.kind != "float" or name in ("t_s", "depth_m"):
            continue
        wrong = (rows[name] < field.low) | (rows[name] > field.high)
        if wrong.any():
            first = rows[wrong].iloc[0]
            found.append(
                problem(
                    "out_of_bounds",
                    "value",
                    row_number=int(first["row_number"]),
                    line=_whole(first["line"]),
                    column=name,
                    value=first[name],
                    found=f"{int(wrong.sum())} readings outside {field.low:g} to {field.high:g} "
                    f"{field.unit} were left out, this one first.",
                )
            )
            rows.loc[wrong, name] = np.nan
    above = rows["depth_m"].between(-0.5, 0.0, inclusive="left")
    rows.loc[above, "depth_m"] = 0.0
    return rows, found


class SampleParts:
    """Writes and compares the parts; the caller holds the transaction."""

    def __init__(self, lake: Path, warehouse: Warehouse, now: pd.Timestamp):
        self.lake, self.warehouse, self.now = lake, warehouse, now

    def store(self, rows: pd.DataFrame, state: str, marked: dict, started: pd.Series) -> None:
        """Write samples to the lake by member and month of their dive, and note the parts.

        `started` is when each dive began, by member and dive.
        """
        if rows.empty:
            return
        columns = list(SOURCES[SAMPLES].fields)
        rows = rows[[*columns, "row_number"]]
        groups: list[tuple[tuple, pd.DataFrame]]
        if state == "waiting":
            groups = [
                ((None, None, dive), part)
                for (dive, _), part in rows.groupby(["dive_id", "member_id"], sort=True, dropna=False)
            ]
        else:
            dives = rows[["member_id", "dive_id"]].drop_duplicates()
            began = started.reindex(pd.MultiIndex.from_frame(dives))
            dives["month"] = pd.DatetimeIndex(began).strftime("%Y-%m")
            by_month = (
                rows.merge(dives, on=["member_id", "dive_id"], how="left")["month"].to_numpy()
                if len(dives["month"].unique()) > 1
                else dives["month"].iloc[0]
            )
            groups = [
                ((member, when, None), part[rows.columns])
                for (member, when), part in rows.assign(month=by_month).groupby(["member_id", "month"], sort=True)
            ]
        noted = []
        name = hashlib.sha256(f"{marked['file']}\n{marked['file_sha256']}".encode()).hexdigest()[:20]
        for (member, when, dive), part in groups:
            where = Path("waiting") if state == "waiting" else Path(f"member={_folder(member)}") / f"month={when}"
            content = hashlib.sha256(pd.util.hash_pandas_object(part, index=False).to_numpy().tobytes()).hexdigest()[
                :12
            ]
            path = where / f"{name}-{content}.parquet"
            sha256 = write_part(part, self.lake / path)
            noted.append(
                {
                    "path": path.as_posix(),
                    "file": marked["file"],
                    "file_sha256": marked["file_sha256"],
                    "member_id": member,
                    "month_on": pd.Timestamp(f"{when}-01") if when else None,
                    "rows": len(part),
                    "order_at": marked["order_at"].floor("2s"),
                    "state": state,
                    "waiting_for": dive,
                    "sha256": sha256,
                }
            )
        self.warehouse.insert(
            "lake_parts",
            pd.DataFrame(noted).astype({"month_on": "datetime64[us]", "member_id": "str", "waiting_for": "str"}),
        )
        if state == "current":
            self._list_passed_over(rows, noted, marked)

    def _list_passed_over(self, rows: pd.DataFrame, noted: list[dict], marked: dict) -> None:
        """Samples that lost to those of a file that looks newer, and differ from them.

        Of two files of one moment the one with the later name wins, and the other says so.
        """
        mine, order_at = marked["file"], marked["order_at"].floor("2s")
        others = files.rival_parts(
            self.warehouse, mine, order_at, [n["member_id"] for n in noted], [n["month_on"] for n in noted]
        )
        newer = [{"path": path, "sha256": sha256} for path, sha256, _, later in others if later]
        if differing := self._differing(rows, newer):
            self.warehouse.note(mine, "older_than_current", plural(differing, "sample"), self.now)
        for file in sorted({file for *_, file, later in others if not later}):
            theirs = [{"path": path, "sha256": sha256} for path, sha256, f, later in others if f == file and not later]
            differing = self._differing(rows, theirs)
            if differing:
                lost, won = sorted((mine, file))
                self.warehouse.note(lost, "same_time_other_values", plural(differing, "sample"), self.now, other=won)

    def _differing(self, rows: pd.DataFrame, parts: list[dict]) -> int:
        """How many of these samples have other values in those parts; one that says when it was revised has not."""
        key, compared = ["member_id", "dive_id", "t_s"], [f for f in SOURCES[SAMPLES].fields if f != "revised_at"]
        read = self._sound(parts, compared)
        if not read:
            return 0
        theirs = pd.concat(read)
        both = rows.loc[rows["revised_at"].isna(), compared].merge(theirs, on=key, suffixes=("", "_new"))
        values = [c for c in compared if c not in key]
        other = pd.concat(
            [(both[c] != both[f"{c}_new"]) & ~(both[c].isna() & both[f"{c}_new"].isna()) for c in values], axis=1
        ).any(axis=1)
        return int(other.sum())

    def dives_no_longer_in_file(self, file: str, sha256: str) -> list[str]:
        """Dives that had samples in an earlier content of this place and have none or fewer in the newer one."""
        parts = files.parts_of_file(self.warehouse, file, sha256)
        key = ["member_id", "dive_id", "t_s"]
        old, new = (
            pd.concat(
                [
                    pd.DataFrame(columns=key),
                    *self._sound([{"path": p, "sha256": h} for p, h, mine in parts if mine is which], key),
                ]
            )
            for which in (False, True)
        )
        gone = old.drop_duplicates().merge(new, on=key, how="left", indicator="side")
        sizes = gone[gone["side"] == "left_only"].groupby(["member_id", "dive_id"]).size()
        return [f"dive_samples {member} {dive}: {size} samples" for (member, dive), size in sizes.items()]

    def _sound(self, parts: list[dict], columns: list[str]) -> list[pd.DataFrame]:
        """The parts that can be read: here for a comparison; where figures come from them they are read again."""
        read = []
        for part in parts:
            with contextlib.suppress(PartDamaged):
                read.append(read_part(self.lake, part, columns))
        return read


def _whole(value) -> int | None:
    return None if pd.isna(value) else int(value)


def _folder(member: str) -> str:
    """A folder name every file system takes; a hash keeps apart what only odd letters or capitals tell apart."""
    plain = "".join(c if c.isascii() and (c.isalnum() or c in "-_") else "_" for c in member)[:60]
    return (
        plain
        if plain == member and plain == plain.lower()
        else f"{plain}~{hashlib.sha256(member.encode()).hexdigest()[:10]}"
    )
