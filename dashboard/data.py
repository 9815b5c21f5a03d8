"""The one door to snapshots: every page reads through here, and here alone it is settled who sees what.

A `Snapshot` is one published folder as one viewer may see it. It is immutable, so what is read once is
kept by (folder, snapshot, viewer, question); frames are handed out as copies that share their memory.
"""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

import pandas as pd

from dashboard.access import NAMES, Refused, Scope, Viewer, scope
from schemas.entries import entry_source
from schemas.frames import conform, empty
from schemas.logins import COLUMNS as LOGIN_COLUMNS
from schemas.policy import SECTIONS
from schemas.schedule_note import ScheduleNote, read_schedule
from schemas.snapshot import (
    Manifest,
    NothingPublished,
    Part,
    last_held,
    part_bytes,
    read_manifest,
    shown_name,
    standing_name,
)
from schemas.tables import TABLES

__all__ = ["NothingPublished", "Refused", "Snapshot", "open_snapshot", "sign_in_facts"]

#: answers kept at most; those of earlier snapshots are let go at once
KEPT_TABLES = 96


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

    def table(self, name: str, **where: Any) -> pd.DataFrame:
        """Rows of a published table that the viewer may see, of these values; every declared column.

        Raises
        ------
        Refused
            The viewer may not see the table at all.
        """
        granted = scope(self.viewer, name)
        asked = tuple(sorted((column, value) for column, value in where.items()))
        return _rows(self.published, self.name, self.viewer, granted, name, asked).copy(deep=False)

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
    files = _read(published, _manifest(published, name), "ingest_files", {})
    return {
        file: "accepted" if accepted else "rejected"
        for file, accepted in zip(files["file"], files["rows_accepted"].fillna(0) > 0, strict=True)
        if entry_source(file)
    }


_newest: dict[Path, str] = {}


def _forget_older(published: Path, name: str) -> None:
    """Let go of what was read of earlier snapshots: a large station's tables would pile up."""
    if _newest.get(published) not in (name, None):
        _rows.cache_clear()
    _newest[published] = name


@lru_cache(maxsize=8)
def _manifest(published: Path, name: str) -> Manifest:
    return read_manifest(published, name)


@lru_cache(maxsize=KEPT_TABLES)
def _rows(
    published: Path, name: str, viewer: Viewer, granted: Scope, table: str, where: tuple[tuple[str, Any], ...]
) -> pd.DataFrame:
    declared = TABLES[table]
    unknown = [column for column, _ in where if column not in declared.fields]
    if unknown:
        raise KeyError(f"{table} has no column {', '.join(unknown)}.")
    if granted is Scope.NAMELESS and any(column in NAMES for column, _ in where):
        raise Refused("A view without names cannot be asked by name.")
    wanted = dict(where)
    if granted is Scope.OWN and "member_id" in declared.fields:
        if wanted.get("member_id", viewer.member_id) != viewer.member_id:
            raise Refused("Only your own rows.")
        if table != "fill_quality":  # one's own dives may have begun with a fill logged for nobody, or for another
            wanted["member_id"] = viewer.member_id
    frame = _read(published, _manifest(published, name), table, wanted)
    if granted is Scope.OWN:
        return _own(published, name, viewer, table, frame)
    if granted is Scope.NAMELESS:
        return _nameless(frame)
    return frame


def _read(published: Path, manifest: Manifest, table: str, where: Mapping[str, Any]) -> pd.DataFrame:
    fields = list(TABLES[table].fields.values())
    parts = manifest.tables.get(table, {})
    if TABLES[table].by_member and where.get("member_id") in parts:
        parts = {where["member_id"]: parts[where["member_id"]]}
    filters = [(column, "==", value) for column, value in where.items()] or None
    frames = list(_frames(published / manifest.name / table, [p for p in parts.values() if p.rows], filters))
    return conform(pd.concat(frames, ignore_index=True), fields) if frames else empty(fields)


def _frames(folder: Path, parts: list[Part], filters: list | None) -> Iterator[pd.DataFrame]:
    for part in parts:
        frame = pd.read_parquet(part_bytes(folder / part.file, part), filters=filters)
        for column in frame.columns:
            if TABLES[folder.name].fields[column].kind == "json":
                frame[column] = [json.loads(v) if isinstance(v, str) else None for v in frame[column]]
        if len(frame):
            yield frame


def _own(published: Path, name: str, viewer: Viewer, table: str, frame: pd.DataFrame) -> pd.DataFrame:
    """The viewer's own rows; what a row says of others is emptied."""
    me = viewer.member_id
    if table in ("rejects", "ingest_files", "notices"):
        return frame[frame["file"].str.startswith(f"dives/{me}/", na=False)].reset_index(drop=True)
    if table == "cylinder_health":
        own = frame[(frame["owner_id"] == me) | (frame["held_by"] == me)].reset_index(drop=True)
        for column in ("owner_id", "held_by"):
            own[column] = own[column].where(own[column].isin([me, "station"]))
        return own
    if table == "fill_quality":
        mine = frame["member_id"] == me
        dived = set()
        for of_dives in ("dive_consumption", "dive_tank_use"):
            dived |= set(_rows(published, name, viewer, Scope.OWN, of_dives, ())["fill_id"].dropna())
        own = frame[mine.fillna(False) | frame["fill_id"].isin(dived)].reset_index(drop=True)
        own["member_id"] = own["member_id"].where(own["member_id"] == me)
        for column in ("operator", "analysed_by"):
            own[column] = own[column].where(own["member_id"] == me)
        return own
    if "member_id" not in TABLES[table].fields:
        raise Refused(f"{table} does not say whose its rows are.")
    return frame[frame["member_id"] == me].reset_index(drop=True)


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
