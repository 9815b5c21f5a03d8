"""Small stations for the tests of intake, build and publish: a few rows, dropped file by file."""

import csv
import io
import os
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pandas as pd

from pipelines.intake.intake import Intake
from pipelines.intake.result import IntakeResult
from pipelines.refresh.run import run_pass
from pipelines.station import clock
from pipelines.station.settings import Station, load_station, write_station
from pipelines.warehouse.lake import parts_by_member, read_samples
from pipelines.warehouse.store import STORED, Warehouse
from schemas.snapshot import Manifest, part_bytes, read_manifest, read_table
from schemas.sources import SOURCES  # noqa: F401
from schemas.tables import TABLES, Table

TODAY = "2026-03-31"
#: what a run says of itself; two stations with the same data need not agree on it
SELF = ("ingest_files", "rejects", "notices", "withdrawn", "corrections", "runs")
EARLY = datetime(2026, 3, 1, 12, tzinfo=UTC)

MEMBERS = [{"member_id": "M1", "display_name": "Ines Vard"}, {"member_id": "M2", "display_name": "Jon Alder"}]
CYLINDERS = [
    {
        "cylinder_id": c,
        "owner_id": "station",
        "material": "steel",
        "water_capacity_l": "12",
        "working_pressure_bar": "232",
        "manufactured_on": "2022-05-01",
        "status": "in_service",
    }
    for c in ("C1", "C2", "C3")
]


def fill(number: int, **more: str) -> dict[str, str]:
    """A good fill; what differs is named."""
    return {
        "fill_id": f"F{number}",
        "filled_at": f"2026-03-{number:02d} 10:00",
        "unit_id": f"C{1 + number % 3}",
        "start_pressure_bar": "50",
        "target_pressure_bar": "232",
        "stop_pressure_bar": "230",
        "ambient_c": "18",
        "target_o2_pct": "20.95",
        "fill_method": "air",
    } | more


def dive(number: int, member: str = "M1", **more: str) -> dict[str, str]:
    """A good dive of ten minutes and more."""
    return {
        "dive_id": f"D{number}",
        "member_id": member,
        "started_at": f"2026-03-{number:02d} 14:00",
        "water": "salt",
        "water_c": "9",
    } | more


def tank(number: int, member: str = "M1", **more: str) -> dict[str, str]:
    """The tank of a dive."""
    return {
        "dive_id": f"D{number}",
        "member_id": member,
        "tank_no": "1",
        "unit_id": f"C{1 + number % 3}",
        "role": "back",
        "start_pressure_bar": "210",
        "end_pressure_bar": f"{100 - number}",
    } | more


def samples(number: int, member: str = "M1", minutes: int = 20) -> list[dict[str, str]]:
    """Samples of a dive, one each half minute."""
    moments = range(0, minutes * 60 + 1, 30)
    deep = 14.0 + number % 5
    return [
        {
            "dive_id": f"D{number}",
            "member_id": member,
            "t_s": str(t),
            "depth_m": f"{min(deep, t / 12, (minutes * 60 - t) / 12):.1f}",
            "tank_1_bar": f"{210 - (110 + number) * t / (minutes * 60):.1f}",
        }
        for t in moments
    ]


def text(rows: list[dict[str, str]]) -> str:
    """Rows as CSV, with every column that any of them has."""
    columns = list(dict.fromkeys(name for row in rows for name in row))
    out = io.StringIO()
    writer = csv.DictWriter(out, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def make(folder: Path, today: str = TODAY, **more) -> Station:
    """A new station with nothing in it."""
    write_station(folder, name="Small station", time_zone="UTC", today=today, **more)
    return load_station(folder)


def drop(station: Station, name: str, content: list[dict[str, str]] | str | bytes, minutes: float = 0.0) -> Path:
    """Put a file into the inbox, saved so many minutes after EARLY."""
    path = station.inbox / name
    path.parent.mkdir(parents=True, exist_ok=True)
    data = content if isinstance(content, bytes) else (content if isinstance(content, str) else text(content)).encode()
    path.write_bytes(data)
    moment = (EARLY + timedelta(minutes=minutes)).timestamp()
    os.utime(path, (moment, moment))
    return path


def stocked(folder: Path, **more) -> Station:
    """A station with its registers, six fills and two members' dives in the inbox."""
    station = make(folder, **more)
    for name, rows in season().items():
        drop(station, name, rows)
    return station


def season() -> dict[str, list[dict[str, str]]]:
    """The files of a stocked station."""
    own = {"M1": (2, 5, 8), "M2": (3, 6)}
    return {
        "members.csv": MEMBERS,
        "cylinders.csv": CYLINDERS,
        "fills.csv": [fill(n) for n in range(1, 8)],
        "dives.csv": [dive(n, m) for m, numbers in own.items() for n in numbers],
        "dive_tanks.csv": [tank(n, m) for m, numbers in own.items() for n in numbers],
        "dive_samples.csv": [s for m, numbers in own.items() for n in numbers for s in samples(n, m)],
    }


def with_settings(station: Station, more: str) -> Station:
    """The station after a person has added these lines to its station.toml."""
    path = station.folder / "station.toml"
    path.write_text(path.read_text(encoding="utf-8") + "\n" + more + "\n", encoding="utf-8")
    return load_station(station.folder)


# --- passes -----------------------------------------------------------------------------------
def take_in(
    station: Station,
    now: pd.Timestamp | None = None,
    accept_layouts: tuple[str, ...] = (),
    clock_is_right: bool = False,
    **changes,
) -> IntakeResult:
    """Intake alone, without computing anything from it; read = accepted + rejected is held each time."""
    station = replace(station, **changes) if changes else station
    for folder in (station.inbox, station.archive, station.lake, station.published):
        folder.mkdir(parents=True, exist_ok=True)
    moment = now or clock.now()
    warehouse = Warehouse(station.warehouse)
    try:
        result = Intake(
            station,
            warehouse,
            f"run-{moment:%Y%m%dT%H%M%S%f}",
            moment,
            clock.latest_moment(station, None, moment),
            accept_layouts,
            clock_is_right=clock_is_right,
        ).run()
        files = warehouse.frame("SELECT * FROM ingest_files")
    finally:
        warehouse.close()
    assert (files["rows_read"] == files["rows_accepted"] + files["rows_rejected"]).all()
    assert result.rows_read == result.rows_accepted + result.rows_rejected
    return result


def run(station: Station, **more):
    """A whole run."""
    return run_pass(station, **more)


# --- what came of it --------------------------------------------------------------------------
def stored(station: Station) -> dict[str, pd.DataFrame]:
    """The rows that count, of every source, and the samples."""
    warehouse = Warehouse(station.warehouse)
    try:
        found = {name: warehouse.current(name) for name in STORED}
        found["dive_samples"] = read_samples(station.lake, parts_by_member(warehouse))
        return found
    finally:
        warehouse.close()


def ask(station: Station, query: str) -> pd.DataFrame:
    """A question to the warehouse."""
    warehouse = Warehouse(station.warehouse)
    try:
        return warehouse.frame(query)
    finally:
        warehouse.close()


def open_problems(station: Station) -> pd.DataFrame:
    """Rejects that nobody has fixed yet."""
    return ask(station, "SELECT * FROM rejects WHERE resolved_at IS NULL ORDER BY file, row_number, rule")


def notices(station: Station) -> list[tuple[str, str]]:
    """File and rule of what is listed without a rejected row."""
    return list(ask(station, "SELECT file, rule FROM notices ORDER BY file, rule").itertuples(index=False, name=None))


def files(station: Station) -> pd.DataFrame:
    """The files taken in, by place."""
    return ask(station, "SELECT * FROM ingest_files ORDER BY file, received_at").set_index("file")


def published(station: Station, internal: bool = False) -> dict[str, pd.DataFrame]:
    """The tables of the snapshot that counts, each sorted by its key; without what a run says of itself."""
    manifest = read_manifest(station.published)
    found = {}
    for table in TABLES.values():
        if table.name in SELF or table.internal:
            continue
        found[table.name] = by_key(station.published, manifest, table)
    return found


def by_key(folder: Path, manifest: Manifest, table: Table) -> pd.DataFrame:
    """A published table, sorted by its key. Its bytes are read and held to their hashes each time, and taken apart
    once: most parts of most snapshots are those of another.
    """
    parts = manifest.tables.get(table.name, {})
    for part in parts.values():
        part_bytes(folder / manifest.name / table.name / part.file, part)
    seen = (table.name, *((name, part.sha256) for name, part in parts.items()))
    if table.name in SELF or not all(part.sha256 for part in parts.values()):
        _READ.pop(seen, None)
    if seen not in _READ:
        _READ[seen] = read_table(folder, manifest, table.name).sort_values(list(table.key), ignore_index=True)
    return _READ[seen].copy(deep=False)


_READ: dict[tuple, pd.DataFrame] = {}


def same(left: dict[str, pd.DataFrame], right: dict[str, pd.DataFrame]) -> None:
    """Both hold the same tables, bit for bit."""
    assert left.keys() == right.keys()
    for name, frame in left.items():
        if not frame.equals(right[name]):  # as strict, and quicker; what differs is for the other to say
            pd.testing.assert_frame_equal(frame, right[name], check_exact=True, obj=name)
