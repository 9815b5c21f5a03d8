"""What a run removes, what it never removes, backups that come by themselves, and what the doctor says of both."""

import os
import shutil

import pandas as pd
import pytest
import small_station as s

from pipelines.refresh import backups
from pipelines.refresh.examine import LOOK, SOUND, WRONG, _backup, _keep
from pipelines.refresh.tidy import tidy
from pipelines.station.backup import BackupRefused, restore_backup
from pipelines.station.settings import SettingsError
from pipelines.warehouse import problems
from pipelines.warehouse.store import Warehouse

NOW = pd.Timestamp("2026-03-31 12:00", tz="UTC").as_unit("us")


@pytest.fixture(scope="module")
def taken(tmp_path_factory):
    """A fill and its correction, a problem that was fixed and one that is open, a file read twice, two runs."""
    made = s.make(tmp_path_factory.mktemp("keeping") / "quay")
    s.drop(made, "cylinders.csv", s.CYLINDERS)
    s.drop(made, "fills.csv", [s.fill(1), s.fill(2, ambient_c="warm")])
    s.drop(made, "fills-open.csv", [s.fill(4, ambient_c="warm")])
    s.take_in(made, NOW)
    s.drop(made, "fills.csv", [s.fill(1, stop_pressure_bar="229"), s.fill(2)], 5)
    s.take_in(made, NOW)
    warehouse = Warehouse(made.warehouse)
    with warehouse.transaction():
        warehouse.replace_file("fills-open.csv", s_of(warehouse, "fills-open.csv"), NOW)
        for n, days in enumerate((500, 1)):
            run = {"run_id": f"r{n}", "started_at": NOW - pd.Timedelta(days=days), "outcome": "published"}
            warehouse.insert("runs", pd.DataFrame([run]))
    warehouse.close()
    return made


def s_of(warehouse: Warehouse, file: str) -> str:
    return warehouse.one("SELECT file_sha256 FROM ingest_files WHERE file = ?", [file])


@pytest.fixture
def station(taken, tmp_path):
    shutil.copytree(taken.folder, tmp_path / "quay")
    return s.load_station(tmp_path / "quay")


def _tidied(station, days: float) -> int:
    warehouse = Warehouse(station.warehouse)
    try:
        return tidy(station, warehouse, NOW + pd.Timedelta(days=days))
    finally:
        warehouse.close()


def _states(station) -> list[str]:
    return sorted(s.ask(station, "SELECT state FROM rows_fills")["state"])


def test_what_no_figure_needs_goes_when_its_time_has_come_and_not_before(station):
    before = {name: frame for name, frame in s.stored(station).items()}
    archived = sorted(path.name for path in station.archive.iterdir())
    assert _tidied(station, 0) == 1 and list(s.ask(station, "SELECT run_id FROM runs")["run_id"]) == ["r1"]
    assert "replaced" in _states(station) and "superseded" in _states(station)
    _tidied(station, 29)
    assert "replaced" in _states(station)  # thirty days, for whoever asks what a file held before
    _tidied(station, 31)
    assert "replaced" not in _states(station) and "superseded" in _states(station)
    closed = "SELECT count(*) AS n FROM rejects WHERE resolved_at IS NOT NULL"
    assert s.ask(station, closed)["n"][0] > 0
    _tidied(station, 731)
    assert s.ask(station, closed)["n"][0] == 0
    assert list(s.ask(station, "SELECT run_id FROM runs")["run_id"]) == ["r1"]  # the last one always stays
    s.same(s.stored(station), before)
    assert sorted(path.name for path in station.archive.iterdir()) == archived


def test_a_problem_that_was_dismissed_is_not_fixed_and_stays(station):
    """Else the next reading of its file would ask anew."""
    warehouse = Warehouse(station.warehouse)
    warehouse.con.execute("UPDATE rejects SET dismissed_at = ?, resolved_at = NULL", [NOW])
    assert problems.count_open(warehouse) == 0 and problems.still_open(warehouse).empty
    warehouse.con.execute("UPDATE rejects SET dismissed_at = NULL")
    assert problems.count_open(warehouse) == len(problems.still_open(warehouse)) > 0
    warehouse.con.execute("UPDATE rejects SET dismissed_at = ?", [NOW])
    warehouse.close()
    _tidied(station, 36_000)
    assert s.ask(station, "SELECT count(*) AS n FROM rejects WHERE dismissed_at IS NOT NULL")["n"][0] > 0


def test_older_versions_of_rows_stay_for_ever_unless_the_settings_say_otherwise(station):
    _tidied(station, 36_000)
    assert "superseded" in _states(station)
    text = (station.folder / "station.toml").read_text()
    (station.folder / "station.toml").write_text(text.replace("superseded_rows_days = 0", "superseded_rows_days = 10"))
    assert _tidied(s.load_station(station.folder), 36_002) == 2
    assert set(_states(station)) == {"current"}


def test_it_looks_once_a_day_and_removes_what_dead_runs_left(station):
    left, asked = station.lake / "member=m" / "left.parquet", station.lake / "member=m" / "new.parquet"
    aside = station.folder / "warehouse.duckdb.set-aside-20250101T000000"
    half, writing = (station.inbox / "entries" / name for name in (".a1.part", ".b2.part"))  # by forms
    left.parent.mkdir(parents=True)
    half.parent.mkdir(exist_ok=True)
    for path, days in ((left, 3), (asked, 0.1), (aside, 100), (half, 3), (writing, 0.1)):
        path.touch()
        saved = (NOW - pd.Timedelta(days=days)).timestamp()
        os.utime(path, (saved, saved))
    assert _tidied(station, 0) == 4 and asked.exists() and writing.exists()
    assert not any(path.exists() for path in (left, aside, half))
    left.touch()
    os.utime(left, (0, 0))
    assert _tidied(station, 0) == 0 and left.exists()
    assert _tidied(station, 1) >= 1 and not left.exists()


def test_backups_come_when_due_restore_and_the_oldest_go(station, tmp_path):
    to = tmp_path / "drive"
    to.mkdir()
    (to / "quay-by-hand.zip").touch()  # not ours to remove
    station = s.with_settings(station, f'[backup]\nto = "{to.as_posix()}"\nkeep = 2')
    (found,) = _backup(station, NOW)
    assert found.state == WRONG and "No backup lies in" in found.says
    assert "read back and compared" in backups.backup_if_due(station, NOW)
    assert backups.backup_if_due(station, NOW + pd.Timedelta(hours=12)) == ""
    for days in (1, 2):
        assert backups.backup_if_due(station, NOW + pd.Timedelta(days=days))
    there = backups.scheduled(station)
    assert [backups.made_at(path).day for path in there] == [1, 2] and (to / "quay-by-hand.zip").exists()
    assert next(_backup(station, NOW + pd.Timedelta(days=2))).state == SOUND
    (late,) = _backup(station, NOW + pd.Timedelta(days=9))
    assert late.state == WRONG and "7 days old" in late.says
    restore_backup(there[-1], tmp_path / "restored")
    s.same(s.stored(s.load_station(tmp_path / "restored")), s.stored(station))
    there[-1].write_bytes(b"PK")
    assert "cannot be read" in next(_backup(station, NOW)).says


def test_a_drive_that_is_not_there_gets_no_folder_and_removes_nothing(station, tmp_path):
    station = s.with_settings(station, f'[backup]\nto = "{(tmp_path / "gone" / "quay").as_posix()}"')
    with pytest.raises(BackupRefused, match="plug its drive in"):
        backups.backup_if_due(station, NOW)
    assert not (tmp_path / "gone").exists()
    inside = s.with_settings(s.make(tmp_path / "other"), f'[backup]\nto = "{(tmp_path / "other" / "b").as_posix()}"')
    with pytest.raises(BackupRefused, match="station's own folder"):
        backups.backup_if_due(inside, NOW)
    with pytest.raises(SettingsError, match="whole path"):
        s.with_settings(s.make(tmp_path / "third"), '[backup]\nto = "here"')


def test_the_doctor_says_what_is_kept_how_long(station):
    (found,) = _keep(station)
    assert found.state == SOUND
    for words in (
        "Originals and rows that count for ever",
        "closed problems 730 days",
        "replaced for ever",
        "at least two",
    ):
        assert words in found.says, words
    assert next(_backup(station, NOW)).state == LOOK
