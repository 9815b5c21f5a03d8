"""A station in one file, and back on another machine: the same tables, or a clear refusal and nothing half made."""

import json
import os
import shutil
import stat
import zipfile
from pathlib import Path

import pandas as pd
import pytest
import small_station as s
from typer.testing import CliRunner

from pipelines.cli.commands import app
from pipelines.refresh.run import pass_lock
from pipelines.station.backup import LISTING, BackupRefused, restore_backup, write_backup
from pipelines.station.settings import load_station
from pipelines.warehouse.trouble import WarehouseBusy

NOW = pd.Timestamp("2026-04-01 12:00", tz="UTC")


@pytest.fixture(scope="module")
def station(season_station, tmp_path_factory):
    folder = tmp_path_factory.mktemp("backup") / "quay"
    shutil.copytree(season_station.folder, folder)
    made = s.load_station(folder)
    # a correction that wins by its file's time alone
    s.drop(made, "fills-corrected.csv", [s.fill(1, stop_pressure_bar="201")], 9)
    s.run(made)
    (made.folder / ".streamlit").mkdir()
    (made.folder / ".streamlit" / "secrets.toml").write_text("client_secret = 'x'")
    return made


@pytest.fixture(scope="module")
def backup(station, tmp_path_factory):
    file = tmp_path_factory.mktemp("elsewhere") / "quay.zip"
    write_backup(station.folder, file, NOW)
    return file


def test_restored_elsewhere_the_tables_are_the_same_and_a_run_finds_nothing_new(station, backup, tmp_path):
    restore_backup(backup, tmp_path / "new" / "quay")
    there = load_station(tmp_path / "new" / "quay")
    times = [
        {path.name: path.stat().st_mtime_ns for path in one.inbox.rglob("*") if path.is_file()}
        for one in (station, there)
    ]
    assert times[0] == times[1] and times[0]
    s.same(s.published(station), s.published(there))
    s.same(s.stored(station), s.stored(there))
    assert not s.run(there).published
    # from inbox and archive alone too: times of files came along, so the correction still wins
    s.run(there, rebuild=True)
    assert s.published(there)["fill_quality"].set_index("fill_id").loc["F1", "stop_pressure_bar"] == 201.0
    s.drop(there, "fills-new.csv", [s.fill(9)], 12)
    assert s.run(there).published


def test_no_secret_and_no_old_snapshot_is_in_it_and_nobody_else_may_read_it(station, backup):
    with zipfile.ZipFile(backup) as archive:
        names = archive.namelist()
    assert not [n for n in names if n.startswith((".streamlit", ".prefect", "reports", ".pass"))]
    current = (station.published / "current").read_text().strip()
    assert {n.split("/")[1] for n in names if n.startswith("published/2")} == {current}
    assert len([p for p in station.published.iterdir() if p.is_dir()]) == 2
    if os.name == "posix":
        assert stat.S_IMODE(backup.stat().st_mode) == 0o600


@pytest.mark.parametrize("place", ["inbox/fills.csv", "warehouse.duckdb", LISTING])
def test_damage_is_found_named_and_leaves_nothing_behind(backup, tmp_path, place):
    broken = tmp_path / "broken.zip"
    data = bytearray(backup.read_bytes())
    with zipfile.ZipFile(backup) as archive:
        entry = archive.getinfo(place)
    at = entry.header_offset + 30 + len(place) + len(data[entry.header_offset + 28 : entry.header_offset + 30])
    data[at + entry.compress_size // 2] ^= 0x10
    broken.write_bytes(bytes(data))
    with pytest.raises(BackupRefused, match=r"damaged|as it was saved|readable"):
        restore_backup(broken, tmp_path / "quay")
    assert [p.name for p in tmp_path.iterdir()] == ["broken.zip"]


def test_no_changed_byte_is_restored_or_ends_in_an_error_of_the_library(tmp_path):
    """Every byte of a small backup, one bit each: the very files come back, or a refusal that says so."""
    folder = tmp_path / "quay"
    (folder / "inbox").mkdir(parents=True)
    (folder / "inbox" / "fills.csv").write_text("fill_id,stop_pressure_bar\n" + "F1,232\n" * 40)
    (folder / "station.toml").write_text("name = 'Quay'\n")
    write_backup(folder, tmp_path / "whole.zip", NOW)
    data, there = (tmp_path / "whole.zip").read_bytes(), tmp_path / "there"
    was = {p.name: p.read_bytes() for p in folder.rglob("*.*")}
    refused = 0
    for at in range(len(data)):
        (tmp_path / "broken.zip").write_bytes(data[:at] + bytes([data[at] ^ (1 << at % 8)]) + data[at + 1 :])
        try:
            restore_backup(tmp_path / "broken.zip", there)
        except BackupRefused:
            refused += 1
            assert not there.exists()
        else:
            assert {p.name: p.read_bytes() for p in there.rglob("*.*")} == was, at
            shutil.rmtree(there)
    assert refused > len(data) / 2


def rewritten(backup, to, change):
    """The same backup after `change(listing, files)`: files by name."""
    with zipfile.ZipFile(backup) as archive:
        files = {n: archive.read(n) for n in archive.namelist()}
    listing = json.loads(files.pop(LISTING))
    change(listing, files)
    with zipfile.ZipFile(to, "w") as archive:
        for name, data in files.items():
            archive.writestr(name, data)
        archive.writestr(LISTING, json.dumps(listing))
    return to


def _renamed(name):
    def change(listing, files):
        entry = listing["files"][0]
        files[name] = files.pop(entry["file"])
        entry["file"] = name

    return change


CHANGES = {
    "climbs out": _renamed("../outside.csv"),
    "absolute": _renamed("/etc/outside.csv"),
    "another drive": _renamed("C:\\outside.csv"),
    "lacks a file": lambda listing, files: files.pop(listing["files"][3]["file"]),
    "has one more": lambda listing, files: files.update({"inbox/more.csv": b"x"}),
    "longer than listed": lambda listing, files: listing["files"][2].update(size=3),
    "of a newer version": lambda listing, files: listing.update(version=2),
    "of something else": lambda listing, files: listing.update(kind="other"),
    "a size that is none": lambda listing, files: listing["files"][0].update(size=-1),
    "a list that is none": lambda listing, files: listing.update(files=3),
}


WHY = {
    "lacks a file": "is not whole",
    "has one more": "is not whole",
    "longer than listed": "is not as it was saved",
    "of a newer version": "newer coldfill",
    "a list that is none": "no readable",
}


@pytest.mark.parametrize("change", CHANGES)
def test_what_was_not_written_so_is_not_restored(backup, tmp_path, change):
    file = rewritten(backup, tmp_path / "changed.zip", CHANGES[change])
    with pytest.raises(BackupRefused, match=WHY.get(change, "was not written by")):
        restore_backup(file, tmp_path / "in" / "quay")
    assert not (tmp_path / "in" / "quay").exists() and not (tmp_path / "outside.csv").exists()


def test_a_link_in_a_backup_is_not_followed(backup, tmp_path):
    with zipfile.ZipFile(backup) as archive:
        files = {n: archive.read(n) for n in archive.namelist()}
    with zipfile.ZipFile(tmp_path / "link.zip", "w") as archive:
        for name, data in files.items():
            entry = zipfile.ZipInfo(name)
            entry.external_attr = (stat.S_IFLNK if name == "station.toml" else stat.S_IFREG) << 16
            archive.writestr(entry, data)
    with pytest.raises(BackupRefused, match="was not written by"):
        restore_backup(tmp_path / "link.zip", tmp_path / "quay")


def test_restored_into_the_folder_one_stands_in(station, backup, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(app, ["restore", str(backup), "--to", "."])
    assert result.exit_code == 0, result.output
    s.same(s.published(station), s.published(load_station(tmp_path)))


def test_nothing_is_overwritten(station, backup, tmp_path):
    with pytest.raises(BackupRefused, match="exists"):
        write_backup(station.folder, backup, NOW)
    with pytest.raises(BackupRefused, match="own folder"):
        write_backup(station.folder, station.folder / "inbox" / "mine.zip", NOW)
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "note.txt").write_text("mine")
    with pytest.raises(BackupRefused, match="not an empty folder"):
        restore_backup(backup, tmp_path / "full")
    (tmp_path / "empty").mkdir()
    assert len(restore_backup(backup, tmp_path / "empty").files) > 10


def test_a_full_disk_leaves_no_half_of_a_backup(station, tmp_path, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pipelines.station.backup.os.fsync", full)
    with pytest.raises(OSError, match="No space"):
        write_backup(station.folder, tmp_path / "quay.zip", NOW)
    assert not list(tmp_path.iterdir())


def test_a_restore_into_an_empty_folder_that_fails_half_way_leaves_it_empty(backup, tmp_path, monkeypatch):
    """The settings come last: without them a folder is no station, should the machine stop in between."""
    (tmp_path / "here").mkdir()
    replace, moved = os.replace, []

    def failing(source, target):
        if Path(target).parent.name == "here":
            moved.append(Path(target).name)
            if moved[-1] == "station.toml":
                raise OSError(5, "Input/output error")
        replace(source, target)

    monkeypatch.setattr("pipelines.station.backup.os.replace", failing)
    with pytest.raises(OSError, match="Input/output"):
        restore_backup(backup, tmp_path / "here")
    assert len(moved) > 5 and [p.name for p in tmp_path.iterdir()] == ["here"]
    assert not any((tmp_path / "here").iterdir())


def test_a_backup_waits_for_no_run_and_takes_a_damaged_snapshot_for_none(station, tmp_path):
    copy = tmp_path / "quay"
    shutil.copytree(station.folder, copy)
    with pass_lock(load_station(copy)):
        result = CliRunner().invoke(app, ["backup", str(tmp_path / "a.zip"), "--station", str(copy)])
        assert isinstance(result.exception, WarehouseBusy) and not (tmp_path / "a.zip").exists()
    (copy / "published" / "current").write_text("rubbish\n")
    assert CliRunner().invoke(app, ["backup", str(tmp_path / "a.zip"), "--station", str(copy)]).exit_code == 0
    result = CliRunner().invoke(app, ["restore", str(tmp_path / "a.zip"), "--to", str(tmp_path / "again")])
    assert result.exit_code == 0 and "What came since then is not in it" in result.output
    there = load_station(tmp_path / "again")
    (there.published / "current").unlink(missing_ok=True)
    s.run(there)
    s.same(s.published(station), s.published(there))
