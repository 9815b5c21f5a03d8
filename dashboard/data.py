"""The one door to snapshots: every page reads through here, and here alone it is settled who sees what.

A `Snapshot` is one published folder as one viewer may see it. It is immutable, so what is read once is kept by
(folder, snapshot, how much and whose rows the viewer may see, question), for all who may see the same; several who
ask at the same moment wait for one answer. Frames are handed out as copies that share their memory.
"""

import json
from collections.abc import Callable, Collection, Hashable, Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from pyarrow.parquet import ParquetFile

from dashboard import stored
from dashboard.access import NAMES, Refused, Scope, Viewer, scope
from dashboard.kept import Kept
from dashboard.stored import Chosen, Span
from schemas.entries import entry_source
from schemas.fields import Field
from schemas.logins import COLUMNS as LOGIN_COLUMNS
from schemas.policy import SECTIONS
from schemas.schedule_note import ScheduleNote, read_schedule
from schemas.snapshot import (
    SAYS_RUNS,
    Manifest,
    NothingPublished,
    Part,
    as_written,
    lacking,
    last_held,
    part_bytes,
    read_manifest,
    shown_name,
    standing_name,
    with_later_runs,
)
from schemas.tables import TABLES

__all__ = ["Chosen", "NothingPublished", "Refused", "Snapshot", "Span", "open_snapshot", "sign_in_facts"]

#: bytes of answers kept at most; those of earlier snapshots are let go at once
_MOST_BYTES = 256_000_000
_kept = Kept(_MOST_BYTES)
#: that of the snapshot that counts, of a first look beside it, and of a few before them
_manifests = Kept(64_000_000)


@dataclass(frozen=True)
class Snapshot:
    """A published snapshot as seen by one viewer."""

    published: Path
    name: str
    viewer: Viewer

    @cached_property
    def manifest(self) -> Manifest:
        return _manifest(self.published, self.name)

    @property
    def station(self) -> Mapping[str, Any]:
        """Facts of the station: name, time zone, rule set, policy by section."""
        return self.manifest.station

    def policy(self, section: str, setting: str) -> Any:
        """A policy figure of the station; of a snapshot that does not hold it, its declared default."""
        declared = getattr(SECTIONS[section](), setting)
        return self.station.get("policy", {}).get(section, {}).get(setting, declared)

    @property
    def zone(self) -> str:
        return self.station.get("time_zone") or "UTC"

    @property
    def as_of_on(self) -> pd.Timestamp:
        """The day this snapshot takes as today."""
        return pd.Timestamp(self.manifest.as_of_on[:10])

    def table(
        self, name: str, columns: Collection[str] | None = None, chosen: Chosen | None = None, **where: Any
    ) -> pd.DataFrame:
        """Rows of a published table that the viewer may see, of these values; every declared column, or those named.

        Parameters
        ----------
        name : str
        columns : collection of str, optional
            What is not asked for is not read.
        chosen : Chosen, optional
            Those of a mask over all rows that the viewer may see.
        **where
            By column: a value, a frozenset of values, or a `Span`.

        Raises
        ------
        Refused
            The viewer may not see the table at all.
        """
        granted = scope(self.viewer, name)
        asked = _Question(
            name,
            None if columns is None else tuple(columns),
            chosen,
            tuple(sorted(where.items(), key=lambda one: one[0])),
        )
        rows = _rows(self.published, self.name, _Grant.of(self.viewer, granted), asked).copy(deep=False)
        # not kept: it changes under a snapshot
        if name in SAYS_RUNS and columns is None and chosen is None and not where:
            return with_later_runs(self.published, self.manifest, name, rows)
        return rows

    def once(self, question: Hashable, make: Callable[[], Any]) -> Any:
        """What is worked out from this snapshot for this viewer, once for all sessions that may see the same.

        It is handed out as it is: whoever asks leaves it unchanged.
        """
        viewer = (self.viewer.role, self.viewer.member_id)
        return _kept.get((self.published, self.name, "once", viewer, question), make)

    def marks(self, name: str, column: str, codes: Collection[str]) -> pd.DataFrame:
        """Whether each row of a table lists each of these codes, a column a code; of whoever sees all rows.

        Raises
        ------
        Refused
            The viewer does not see every row.
        """
        if scope(self.viewer, name) is Scope.OWN or column in NAMES:
            raise Refused("Only your own rows.")
        asked = ("marks", name, column, tuple(codes))
        return _kept.get((self.published, self.name, *asked), lambda: _marks(self.published, self.name, *asked[1:]))

    def members(self, name: str) -> list[str]:
        """Members who have rows in a table of a part a member."""
        parts = _parts_of(self.published, self.name, name)
        if scope(self.viewer, name) is Scope.ALL and TABLES[name].by_member and "all" not in parts:
            return [member for member, part in parts.items() if part.rows]
        return list(self.table(name, ["member_id"])["member_id"].dropna().unique())

    def latest(self, name: str, column: str) -> pd.Timestamp:
        """The last moment of a column, NaT where there is none."""
        if scope(self.viewer, name) is not Scope.ALL or column in NAMES:
            return self.table(name, [column])[column].max()
        asked = (self.published, self.name, "latest", name, column)
        return _kept.get(asked, lambda: _latest(self.published, self.name, name, column))

    @property
    def inbox(self) -> Path:
        """The station's folder of files to take in; it stands beside that of snapshots."""
        return self.published.parent / "inbox"

    def taken_in(self) -> Mapping[str, str]:
        """What became of each entry of a form that this snapshot knows of, by file: `accepted` or `rejected`.

        It says nothing of what an entry holds, so that whoever saved one may know.
        """
        return _taken_in(self.published, self.name)

    def held(self) -> str:
        """Why the last run kept this snapshot although something was new, or the empty text."""
        return last_held(self.published)

    def schedule(self, now: pd.Timestamp) -> ScheduleNote:
        """What is known at this moment of the runs that begin by themselves.

        Raises
        ------
        Refused
            The viewer may not see runs.
        """
        scope(self.viewer, "runs")
        return read_schedule(self.published, now)

    def names(self) -> dict[str, str]:
        """Names of members the viewer may know, by member_id."""
        try:
            people = self.table("people")
        except Refused:
            return {}
        return dict(zip(people["member_id"], people["display_name"], strict=True))


def open_snapshot(published: Path, viewer: Viewer) -> Snapshot:
    """What there is to show now, for this viewer: the snapshot that counts, or the first look of a run at work.

    Raises
    ------
    NothingPublished
        The station has none yet.
    """
    name = shown_name(published)
    _forget_older(published, name)
    return Snapshot(published, name, viewer)


def sign_in_facts(published: Path) -> tuple[Mapping[str, Any], pd.DataFrame]:
    """What settles who somebody is: facts of the station, and members by hashed address. Never shown.

    Raises
    ------
    NothingPublished
        The station has none yet.
    """
    name = standing_name(published)
    return _manifest(published, name).station, _logins(published, name)


@lru_cache(maxsize=2)
def _logins(published: Path, name: str) -> pd.DataFrame:
    parts = _manifest(published, name).tables.get("member_logins", {})
    folder = published / name / "member_logins"
    frames = [pd.read_parquet(part_bytes(folder / p.file, p)) for p in parts.values() if p.rows]
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame({c: [] for c in LOGIN_COLUMNS})


@lru_cache(maxsize=4)
def _taken_in(published: Path, name: str) -> dict[str, str]:
    files = _read(published, name, _Question("ingest_files", ("file", "rows_accepted")))
    return {
        file: "accepted" if accepted else "rejected"
        for file, accepted in zip(files["file"], files["rows_accepted"].fillna(0) > 0, strict=True)
        if entry_source(file)
    }


_newest: dict[Path, str] = {}


def _forget_older(published: Path, name: str) -> None:
    """Let go of what was read of earlier snapshots: a large station's tables would pile up."""
    if _newest.get(published) not in (name, None):
        _kept.forget()
    _newest[published] = name


def _manifest(published: Path, name: str) -> Manifest:
    return _manifests.get((published, name), lambda: read_manifest(published, name))


@dataclass(frozen=True)
class _Question:
    """What is asked of one table."""

    table: str
    columns: tuple[str, ...] | None = None
    chosen: Chosen | None = None
    where: tuple[tuple[str, Any], ...] = ()

    @property
    def names(self) -> set[str]:
        """Columns by which rows are asked for."""
        return {column for column, _ in self.where} | set(self.chosen.by if self.chosen else ())


@dataclass(frozen=True)
class _Grant:
    """How much of a table is seen, and whose rows where that is somebody's own: a part of every question."""

    scope: Scope
    member_id: str | None = None

    @classmethod
    def of(cls, viewer: Viewer, granted: Scope) -> "_Grant":
        return cls(granted, viewer.member_id if granted is Scope.OWN else None)


def _rows(published: Path, name: str, grant: _Grant, asked: _Question) -> pd.DataFrame:
    declared = TABLES[asked.table]
    unknown = [c for c in (*asked.names, *(asked.columns or ())) if c not in declared.fields]
    if unknown:
        raise KeyError(f"{asked.table} has no column {', '.join(unknown)}.")
    if grant.scope is Scope.NAMELESS and any(column in NAMES for column in asked.names):
        raise Refused("A view without names cannot be asked by name.")
    return _kept.get((published, name, grant, asked), lambda: _granted(published, name, grant, asked))


def _granted(published: Path, name: str, grant: _Grant, asked: _Question) -> pd.DataFrame:
    if grant.scope is Scope.OWN:
        return _chosen_of(_own_rows(published, name, grant, asked), asked)
    if grant.scope is Scope.NAMELESS:
        # what a code names depends on its event
        beside = ("event",) if "event" in TABLES[asked.table].fields else ()
        columns = None if asked.columns is None else tuple(dict.fromkeys((*asked.columns, *beside)))
        frame = _nameless(_read(published, name, replace(asked, columns=columns)))
        return frame if asked.columns is None else frame[list(asked.columns)]
    return _read(published, name, asked)


def _chosen_of(frame: pd.DataFrame, asked: _Question) -> pd.DataFrame:
    """Of rows at hand those chosen, with the columns asked for."""
    if asked.chosen is not None:
        frame = frame[asked.chosen.mask(frame[list(asked.chosen.by)]).to_numpy(bool)].reset_index(drop=True)
    return frame if asked.columns is None else frame[list(asked.columns)]


def _read(published: Path, name: str, asked: _Question) -> pd.DataFrame:
    """Rows as they are stored, whoever may see them."""
    declared = TABLES[asked.table]
    fields = [f for f in declared.fields.values() if asked.columns is None or f.name in asked.columns]
    where = dict(asked.where)
    parts = _parts_of(published, name, asked.table)
    if declared.by_member and where.get("member_id") in parts:
        parts = {where["member_id"]: parts[where["member_id"]]}
    columns = [f.name for f in fields]
    if asked.chosen is not None and where:
        raise ValueError("Rows are asked for by values or by a mask.")
    if asked.chosen is None:
        read = _each(
            published / name / asked.table, parts, (*columns, *where), lambda f: stored.rows(f, columns, where)
        )
        made = stored.as_frame(read, fields)
    else:
        made = _masked(published / name / asked.table, parts, fields, asked.chosen, declared.fields)
    for field in fields:
        if field.kind == "json":
            made[field.name] = [json.loads(v) if isinstance(v, str) else None for v in made[field.name]]
    return made if asked.columns is None else made[list(asked.columns)]


def _parts_of(published: Path, name: str, table: str) -> Mapping[str, Part]:
    """The parts of a published table; each snapshot has them all, if without rows."""
    parts = _manifest(published, name).tables.get(table)
    if parts is None:
        raise lacking(name, f"table {table}")
    return parts


def _each(
    folder: Path, parts: Mapping[str, Part], columns: Iterable[str], read: Callable[[ParquetFile], Any]
) -> list[Any]:
    """What is read of each part that has rows, and these columns."""
    found, columns = [], tuple(columns)
    for part in parts.values():
        if part.rows:
            with as_written(folder / part.file):
                found.append(read(stored.opened(folder / part.file, part, columns)))
    return found


def _masked(
    folder: Path, parts: Mapping[str, Part], fields: list[Field], chosen: Chosen, declared: Mapping[str, Field]
) -> pd.DataFrame:
    columns = [f.name for f in fields]
    by = _each(folder, parts, chosen.by, lambda file: stored.rows(file, chosen.by, {}))
    mask = chosen.mask(stored.as_frame(by, [declared[c] for c in chosen.by])).to_numpy(bool)
    masks = iter(np.split(mask, np.cumsum([one.num_rows for one in by])[:-1]))
    return stored.as_frame(_each(folder, parts, columns, lambda f: stored.rows_at(f, columns, next(masks))), fields)


def _marks(published: Path, name: str, table: str, column: str, codes: tuple[str, ...]) -> pd.DataFrame:
    def marked(file: ParquetFile) -> dict[str, np.ndarray]:
        return stored.listing(stored.rows(file, [column], {}), column, codes, file.metadata.num_rows)

    made = _each(published / name / table, _parts_of(published, name, table), [column], marked)
    return pd.DataFrame({code: np.concatenate([m[code] for m in made]) if made else [] for code in codes}, dtype=bool)


def _latest(published: Path, name: str, table: str, column: str) -> pd.Timestamp:
    parts = _parts_of(published, name, table)
    found = _each(published / name / table, parts, [column], lambda file: stored.highest(file, column))
    return max((pd.Timestamp(one) for one in found if one is not None), default=pd.NaT)


def _own_rows(published: Path, name: str, grant: _Grant, asked: _Question) -> pd.DataFrame:
    """The rows of one person, every column, of what is asked for by value."""
    table, where, me = asked.table, dict(asked.where), grant.member_id
    if "member_id" in TABLES[table].fields:
        if where.get("member_id", me) != me:
            raise Refused("Only your own rows.")
        if table != "fill_quality":  # one's own dives may have begun with a fill logged for nobody, or for another
            where["member_id"] = me
    if table == "fill_quality" and not where:  # a station's are many, one's own few
        dived = _dived(published, name, me)
        mine = Chosen(lambda fills: _is_mine(fills, me, dived), ("member_id", "fill_id"))
        frame = _read(published, name, _Question(table, chosen=mine))
    else:
        frame = _read(published, name, _Question(table, where=tuple(where.items())))
    return _own(published, name, grant, table, frame)


def _own(published: Path, name: str, whose: "Viewer | _Grant", table: str, frame: pd.DataFrame) -> pd.DataFrame:
    """The viewer's own rows; what a row says of others is emptied."""
    me = whose.member_id
    if table in ("rejects", "ingest_files", "notices"):
        return frame[frame["file"].str.startswith(f"dives/{me}/", na=False)].reset_index(drop=True)
    if table == "cylinder_health":
        own = frame[(frame["owner_id"] == me) | (frame["held_by"] == me)].reset_index(drop=True)
        for column in ("owner_id", "held_by"):
            own[column] = own[column].where(own[column].isin([me, "station"]))
        return own
    if table == "fill_quality":
        own = frame[_is_mine(frame, me, _dived(published, name, me))].reset_index(drop=True)
        own["member_id"] = own["member_id"].where(own["member_id"] == me)
        for column in ("operator", "analysed_by"):
            own[column] = own[column].where(own["member_id"] == me)
        return own
    if "member_id" not in TABLES[table].fields:
        raise Refused(f"{table} does not say whose its rows are.")
    return frame[frame["member_id"] == me].reset_index(drop=True)


def _is_mine(fills: pd.DataFrame, me: str | None, dived: Collection[str]) -> pd.Series:
    return (fills["member_id"] == me).fillna(False) | fills["fill_id"].isin(dived)


def _dived(published: Path, name: str, me: str | None) -> frozenset[str]:
    """Fills that the member's own dives began with."""
    grant = _Grant(Scope.OWN, me)
    of_dives = [_Question(table, ("fill_id",)) for table in ("dive_consumption", "dive_tank_use")]
    return frozenset(fill for asked in of_dives for fill in _rows(published, name, grant, asked)["fill_id"].dropna())


def _nameless(frame: pd.DataFrame) -> pd.DataFrame:
    bare = frame.copy(deep=False)
    if "code" in bare and "event" in bare:  # a loan's code is a member
        kept = bare["event"].str.startswith("inspected", na=False) | bare["event"].isin(["joined_set", "left_set"])
        bare["code"] = bare["code"].where(kept)
    for column in NAMES:
        if column not in bare:
            continue
        if column in ("owner_id", "held_by"):  # that it is out, and whose kind it is, matters at the compressor
            bare[column] = bare[column].where(bare[column].isna() | (bare[column] == "station"), "a member")
        else:
            bare[column] = pd.Series(pd.NA, index=bare.index, dtype=bare[column].dtype)
    return bare
