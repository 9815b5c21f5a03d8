"""A station of many files: what warehouse and archive agree on is not compared again, and nothing is missed by it."""

import os
import shutil

import pytest
import small_station as s

from pipelines.intake import journal, pending
from pipelines.intake.journal import Journal
from pipelines.station.settings import load_station


@pytest.fixture(autouse=True)
def many(monkeypatch):
    monkeypatch.setattr(pending, "MANY_FILES", 2)


@pytest.fixture
def station(tmp_path):
    made = s.make(tmp_path / "quay")
    s.drop(made, "cylinders.csv", s.CYLINDERS, 0)
    for n in range(1, 5):
        s.drop(made, f"fills-{n}.csv", [s.fill(n)], n)
    s.take_in(made)
    return made


@pytest.fixture
def lists_read(monkeypatch) -> list:
    found = []
    read = journal._read
    monkeypatch.setattr(journal, "_read", lambda path: found.append(path) or read(path))
    return found


def _stops(station) -> dict:
    return s.stored(station)["fills"].set_index("fill_id")["stop_pressure_bar"].to_dict()


def _listed(station) -> set:
    return {entry.file for entry in Journal(station.archive).entries()}


def test_what_is_new_is_taken_and_listed_without_a_look_at_the_list(station, lists_read):
    result = s.take_in(station)
    assert not lists_read and result.seen_again == 5 and not result.files
    s.drop(station, "fills-5.csv", [s.fill(5)], 5)
    s.drop(station, "fills-2.csv", [s.fill(2, stop_pressure_bar="221")], 6)
    shutil.copy2(station.inbox / "fills-1.csv", station.inbox / "fills-1 again.csv")
    os.utime(station.inbox / "fills-1 again.csv", (2e9, 2e9))
    os.remove(station.inbox / "fills-4.csv")
    result = s.take_in(station)
    assert {f["file"] for f in result.files} == {"fills-5.csv", "fills-2.csv", "fills-1 again.csv"}
    assert _stops(station) == {"F1": 230.0, "F2": 221.0, "F3": 230.0, "F4": 230.0, "F5": 230.0}
    assert _listed(station) >= {f"fills-{n}.csv" for n in range(1, 6)} | {"fills-1 again.csv"}
    # a copy keeps the time its bytes came with first
    times = {e.file: e.modified_at for e in Journal(station.archive).entries()}
    assert times["fills-1 again.csv"] == times["fills-1.csv"]
    lists_read.clear()
    assert not s.take_in(station).files and not lists_read


def test_a_register_that_comes_later_has_files_read_again_all_the_same(station):
    stated = s.with_settings(station, '[sources.fills.stated]\ntarget_pressure_bar = "working_pressure"')
    log = {k: v for k, v in s.fill(6, unit_id="C9").items() if k != "target_pressure_bar"}
    s.drop(stated, "fills-6.csv", [log], 6)
    s.take_in(stated)
    assert "F6" not in _stops(stated)
    s.drop(stated, "cylinders-9.csv", [{**s.CYLINDERS[0], "cylinder_id": "C9"}], 7)
    s.take_in(stated)
    assert s.stored(stated)["fills"].set_index("fill_id").loc["F6", "target_pressure_bar"] == 232


@pytest.mark.parametrize("loss", ["gone", "cut short", "of before"])
def test_a_list_that_is_not_as_it_was_is_compared_again_and_made_whole(station, loss):
    path = station.archive / journal.NAME
    before = path.read_text(encoding="utf-8")
    s.drop(station, "fills-5.csv", [s.fill(5)], 5)
    s.take_in(station)
    if loss == "gone":
        path.unlink()
    else:
        path.write_text(before if loss == "of before" else before[: len(before) // 2], encoding="utf-8")
    s.take_in(station)
    assert _listed(station) == {"cylinders.csv", *(f"fills-{n}.csv" for n in range(1, 6))}


def test_an_older_warehouse_that_was_put_back_learns_what_the_archive_knows(station, lists_read):
    shutil.copy2(station.warehouse, station.folder / "older.duckdb")
    s.drop(station, "fills-5.csv", [s.fill(5)], 5)
    s.take_in(station)
    os.remove(station.inbox / "fills-5.csv")
    shutil.copy2(station.folder / "older.duckdb", station.warehouse)
    lists_read.clear()
    s.take_in(load_station(station.folder))
    assert lists_read and "F5" in _stops(station)


def test_with_an_original_missing_nothing_is_taken_for_agreed(station, lists_read):
    gone = next(path for path in station.archive.glob("*.csv") if b"F3" in path.read_bytes())
    kept = gone.read_bytes()
    gone.unlink()
    (station.archive / journal.NAME).unlink()
    s.take_in(station)
    assert "fills-3.csv" not in _listed(station)
    gone.write_bytes(kept)
    s.take_in(station)
    assert "fills-3.csv" in _listed(station)
