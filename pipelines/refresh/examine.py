"""Look at everything a station keeps, change nothing, and say of each part whether it is sound and what to do.

What cannot be looked at is `unknown`, never sound.
"""

import shutil
from collections.abc import Callable, Iterator

import duckdb
import pandas as pd

from pipelines.intake.archive import is_original, originals
from pipelines.intake.forgotten import Forgotten, ListUnreadable
from pipelines.intake.journal import Journal
from pipelines.intake.rebuild import WarehouseLost, refuse_if_lost
from pipelines.refresh.backups import made_at, says_wrong, scheduled
from pipelines.refresh.examine_copy import look_at_copy
from pipelines.refresh.finding import LOOK, REBUILD, RUN, SOUND, UNKNOWN, WRONG, Finding
from pipelines.refresh.forget import unseen_lines
from pipelines.refresh.own_warehouse import WarehouseForeign, refuse_if_foreign
from pipelines.station import clock
from pipelines.station.settings import Station
from pipelines.warehouse import files, problems
from pipelines.warehouse.lake import PartDamaged, read_part
from pipelines.warehouse.store import Warehouse, WarehouseBusy, WarehouseDamaged
from pipelines.warehouse.trouble import WarehouseNewer, WarehouseOlder
from schemas.samples import read_samples_that_count
from schemas.snapshot import NothingPublished, SnapshotDamaged, SnapshotNewer, part_bytes, read_manifest, read_table
from schemas.words import plural
from shared.inspection.rules import rule_sets

#: below this much room a run may end half way
LEAST_ROOM_BYTES = 1_000_000_000
#: a station whose newest record is older than this may have stopped to log
QUIET_DAYS = 30


def examine(station: Station, now: pd.Timestamp) -> list[Finding]:
    """Every part of a station, sound ones too; `now` is the clock's time, UTC. A run at work makes parts unknown."""
    warehouse, found = _open(station)
    try:
        looks: list[tuple[str, Callable[[], Iterator[Finding]]]] = [
            ("archive", lambda: _archive(station, warehouse)),
            ("snapshot", lambda: _snapshot(station)),
            ("room", lambda: _room(station)),
            ("rules", lambda: _rules(station)),
            ("keep", lambda: _keep(station)),
            ("backup", lambda: _backup(station, now)),
            ("copy", lambda: look_at_copy(station)),
        ]
        if warehouse is not None:
            open_one = warehouse
            looks += [
                ("samples", lambda: _samples(station, open_one)),
                ("clock", lambda: _clock(station, open_one, now)),
                ("rows", lambda: _rows(open_one)),
            ]
        elif not any(f.says == NEW for f in found):
            found += [
                Finding(part, UNKNOWN, "Asked of the warehouse, which cannot be opened.") for part in OF_WAREHOUSE
            ]
        for part, look in looks:
            try:
                found += list(look())
            except (OSError, duckdb.Error) as error:
                found.append(Finding(part, UNKNOWN, f"It cannot be looked at: {error}."))
    finally:
        if warehouse is not None:
            warehouse.close()
    return found


NEW = "Nothing was taken in yet. Put files into inbox/, then: coldfill run."
OF_WAREHOUSE = ("samples", "clock", "rows")


def _open(station: Station) -> tuple[Warehouse | None, list[Finding]]:
    try:
        refuse_if_lost(station)
        if not station.warehouse.exists():
            return None, [Finding("warehouse", LOOK, NEW)]
        warehouse = Warehouse(station.warehouse)
        try:
            refuse_if_foreign(station, warehouse)
        except WarehouseForeign as error:
            warehouse.close()
            return None, [Finding("warehouse", WRONG, str(error), REBUILD)]
        return warehouse, [Finding("warehouse", SOUND, "It opens.")]
    except WarehouseOlder as error:
        return None, [Finding("warehouse", LOOK, str(error), RUN)]
    except WarehouseNewer as error:
        return None, [Finding("warehouse", WRONG, str(error))]
    except (WarehouseLost, WarehouseDamaged) as error:
        return None, [Finding("warehouse", WRONG, str(error), REBUILD)]
    except (WarehouseBusy, OSError, duckdb.Error) as error:
        return None, [Finding("warehouse", UNKNOWN, str(error))]


def _archive(station: Station, warehouse: Warehouse | None) -> Iterator[Finding]:
    """Every original that was ever taken in lies in the archive, byte for byte, and its list names it.

    What should be there is asked of the warehouse, or without one of the snapshot: the list itself may be lost.
    """
    listed = {(entry.file_sha256, entry.file) for entry in Journal(station.archive).entries()}
    taken = _taken_in(station, warehouse)
    if taken is None:
        says = "Neither the warehouse nor a snapshot says which originals there should be."
        yield Finding("archive", UNKNOWN, says)
        taken = set()
    wanted = {sha256: file for sha256, file in sorted(listed | taken)}
    named = ((path, path.name.split(".")[0]) for path in station.archive.glob("*"))
    kept = {sha256 for path, sha256 in named if is_original(path, sha256)}
    gone = set(wanted) - kept
    elsewhere = gone & set(originals(station)) if gone else set()
    lost = sorted(wanted[sha256] for sha256 in gone - elsewhere)
    if lost:
        yield Finding(
            "archive",
            WRONG,
            f"{plural(len(lost), 'original')} missing or altered, in archive/ and in inbox/: {', '.join(lost[:5])}. "
            "Put archive/ back from a backup, or drop the same files into inbox/ again; their rows count as before.",
        )
    if elsewhere:
        names = ", ".join(sorted(wanted[sha256] for sha256 in elsewhere)[:5])
        yield Finding(
            "archive",
            WRONG,
            f"{plural(len(elsewhere), 'original')} missing or altered in archive/, and still in inbox/: {names}. Keep "
            "them there; coldfill doctor --repair copies them again.",
            RUN,
        )
    if unlisted := taken - listed:
        yield Finding(
            "archive",
            WRONG,
            f"The list of the archive lacks {plural(len(unlisted), 'original')}: it is damaged or lost. A rebuild "
            "would not know the order of these files. coldfill doctor --repair writes what the warehouse knows.",
            RUN,
        )
    if not (gone or unlisted):
        says = f"{plural(len(wanted), 'original')}, each as it was taken in." if wanted else "No original yet."
        yield Finding("archive", SOUND if wanted else LOOK, says)


def _taken_in(station: Station, warehouse: Warehouse | None) -> set[tuple[str, str]] | None:
    """sha256 and place of every content that was taken in; None where nothing that stands can say so."""
    if warehouse is not None:
        return {(r["file_sha256"], r["file"]) for r in files.readings(warehouse, ("file", "file_sha256"))}
    try:
        rows = read_table(station.published, read_manifest(station.published), "ingest_files")
    except NothingPublished:
        return None if station.warehouse.exists() or any(station.archive.glob("*")) else set()
    return set(rows[["file_sha256", "file"]].dropna().itertuples(index=False, name=None))


def _snapshot(station: Station) -> Iterator[Finding]:
    try:
        manifest = read_manifest(station.published)
        for table, parts in manifest.tables.items():
            for part in parts.values():
                part_bytes(station.published / manifest.name / table / part.file, part)
        read_samples_that_count(station.published / manifest.name)
    except SnapshotDamaged as error:
        yield Finding("snapshot", WRONG, str(error), RUN)
    except SnapshotNewer as error:
        yield Finding("snapshot", WRONG, str(error))
    except NothingPublished:
        yield Finding("snapshot", LOOK, "Nothing is published yet: coldfill run.")
    else:
        at = pd.Timestamp(manifest.created_at)
        yield Finding("snapshot", SOUND, f"Published {at:%Y-%m-%d %H:%M} UTC as of {manifest.as_of_on}, whole.")


def _room(station: Station) -> Iterator[Finding]:
    free = shutil.disk_usage(station.folder).free
    says = f"{free / 1e9:.1f} GB free on its disk."
    if free < LEAST_ROOM_BYTES:
        yield Finding(
            "room", LOOK, f"{says} Make room: a run may end half way. Nothing would be lost, nothing published."
        )
    else:
        yield Finding("room", SOUND, says)


def _keep(station: Station) -> Iterator[Finding]:
    """What is kept how long, and whether forgetting somebody was begun and not finished."""
    yield Finding("keep", SOUND, station.keep.in_words)
    try:
        if (people := Forgotten(station.archive)).unfinished:
            yield Finding("keep", WRONG, "Forgetting a member was begun and not finished: coldfill run goes on.", RUN)
        elif left := unseen_lines(station, people):
            says = "Of who was forgotten, originals are left to look at by a person. "
            yield Finding("keep", WRONG, says + "; ".join(left) + ".")
    except ListUnreadable as error:
        yield Finding("keep", WRONG, str(error))


def _backup(station: Station, now: pd.Timestamp) -> Iterator[Finding]:
    if station.backups.folder is None:
        says = "None is scheduled: to under [backup] in station.toml says where; by hand: coldfill backup FILE."
        yield Finding("backup", LOOK, says)
    elif wrong := says_wrong(station, now):
        yield Finding("backup", WRONG, wrong)
    else:
        there = scheduled(station)
        says = f"{plural(len(there), 'backup')} in {station.backups.folder}, the last of {made_at(there[-1]):%Y-%m-%d}."
        yield Finding("backup", SOUND, says)


def _rules(station: Station) -> Iterator[Finding]:
    if not station.named:
        says = "station.toml gives the station no name: was it cut or emptied? What it does not say is as usual."
        yield Finding("settings", LOOK, says)
    name = station.policy.rule_set
    if rule_sets()[name].default_is_verified:
        yield Finding(
            "rules", SOUND, f"No inspection period of rule set {name} is from memory; sources: shared/rules/."
        )
    else:
        yield Finding(
            "rules",
            LOOK,
            f"Inspection periods of rule set {name} are from memory. Check them against your law before relying on a "
            "date.",
        )


def _samples(station: Station, warehouse: Warehouse) -> Iterator[Finding]:
    parts, damaged = files.parts(warehouse, "current"), []
    for part in parts:
        try:
            read_part(station.lake, part, ["t_s"])
        except PartDamaged:
            damaged.append(part["file"])
    if damaged:
        yield Finding(
            "samples",
            WRONG,
            f"{plural(len(damaged), 'part')} of the lake damaged, of {', '.join(sorted(set(damaged))[:5])}. "
            "coldfill doctor --repair reads them again from the archive.",
            RUN,
        )
    else:
        yield Finding("samples", SOUND, f"{plural(len(parts), 'part')} of the lake, each as it was written.")
    if lost := files.parts(warehouse, "lost"):
        names = ", ".join(sorted({part["file"] for part in lost})[:5])
        yield Finding("samples", WRONG, f"Samples are lost with their originals: {names}. Drop these files again.")


def _clock(station: Station, warehouse: Warehouse, now: pd.Timestamp) -> Iterator[Finding]:
    at, where = clock.newest_record(warehouse)
    last = files.last_run_at(warehouse, but="")
    if at is None:
        yield Finding("clock", UNKNOWN, "No record says when anything happened.")
        return
    fixed, lags = clock.fixed_day(station, None), last is not None and pd.Timestamp(last) > now + pd.Timedelta(hours=1)
    if fixed is not None and not lags:
        newest = clock.day_of(at, station)
        says = f"Today is {fixed:%Y-%m-%d} here, by station.toml; the newest record is of {newest:%Y-%m-%d} ({where})"
        if newest > fixed:
            yield Finding("clock", WRONG, f'{says}. Correct `today` there, or write today = "clock".')
        else:
            yield Finding("clock", LOOK, f"{says}. Nothing falls due until somebody changes it.")
        return
    days = (now - at).days
    if at > now + pd.Timedelta(days=1) or lags:
        yield Finding(
            "clock",
            WRONG,
            f"The clock says {now:%Y-%m-%d %H:%M} UTC, but the newest record is of {at:%Y-%m-%d} ({where}). Set the "
            "clock of this computer, or correct the record in a newer file.",
        )
    elif days > QUIET_DAYS:
        yield Finding(
            "clock",
            LOOK,
            f"The newest record is {days} days old ({at:%Y-%m-%d}, {where}). Nothing later is known: what was filled, "
            "dived or inspected since then is in no figure.",
        )
    else:
        yield Finding("clock", SOUND, f"The newest record is of {at:%Y-%m-%d} ({where}).")


def _rows(warehouse: Warehouse) -> Iterator[Finding]:
    waiting = problems.count_open(warehouse)
    if waiting:
        yield Finding("rows", LOOK, f"{plural(waiting, 'open problem')}: coldfill rejects says how to fix them.")
    else:
        yield Finding("rows", SOUND, "No row or file is waiting to be fixed.")
