"""Commands that go with logging on the pages: the station code, and a run that waits for another."""

import sys
import threading

import pytest
import small_station as s

from pipelines import cli
from pipelines.refresh.run import pass_lock
from pipelines.refresh.waiting import when_free
from pipelines.station.backup import write_backup
from pipelines.station.clock import now
from pipelines.warehouse.trouble import WarehouseBusy
from schemas import station_code


@pytest.fixture
def station(tmp_path, monkeypatch):
    monkeypatch.setattr(station_code, "COST", {"n": 1 << 10, "r": 8, "p": 1})
    return s.make(tmp_path / "station")


def coldfill(monkeypatch, capsys, *words):
    monkeypatch.setattr(sys, "argv", ["coldfill", *map(str, words)])
    with pytest.raises(SystemExit) as ended:
        cli.main()
    printed = capsys.readouterr()
    return ended.value.code or 0, printed.out + printed.err


def test_a_code_is_made_shown_once_and_taken_away(station, monkeypatch, capsys):
    code, said = coldfill(monkeypatch, capsys, "station-code", "--new", "--station", station.folder)
    made = said.split("The station code is ")[1].split(".")[0]
    assert code == 0 and station_code.is_code(station.folder, made)
    code, said = coldfill(monkeypatch, capsys, "station-code", "--remove", "--station", station.folder)
    assert code == 0 and "nothing is logged" in said and not station_code.is_code(station.folder, made)


def test_a_typed_code_is_not_repeated_and_a_weak_one_is_refused(station, monkeypatch, capsys):
    monkeypatch.setattr("typer.prompt", lambda *_, **how: "weir-2031" if how["hide_input"] else None)
    code, said = coldfill(monkeypatch, capsys, "station-code", "--station", station.folder)
    assert code == 0 and "weir" not in said and station_code.is_code(station.folder, "weir-2031")
    monkeypatch.setattr("typer.prompt", lambda *_, **__: "111111")
    code, said = coldfill(monkeypatch, capsys, "station-code", "--station", station.folder)
    assert code == 2 and "6 to 64 characters" in said and station_code.is_code(station.folder, "weir-2031")


def test_no_backup_holds_the_code(station, tmp_path):
    station_code.set_code(station.folder, "weir-2031")
    kept = write_backup(station.folder, tmp_path / "a.zip", now())
    assert kept.files and not [f.file for f in kept.files if "code" in f.file]


def test_a_run_that_waits_comes_after_the_other_and_gives_up_in_the_end(station):
    tried = threading.Event()

    def make():
        try:
            with pass_lock(station):
                return "made"
        except WarehouseBusy:
            tried.set()
            raise

    made = []
    with pass_lock(station):
        with pytest.raises(WarehouseBusy):
            when_free(make, 0.0)
        tried.clear()
        waiting = threading.Thread(target=lambda: made.append(when_free(make, 60.0)))
        waiting.start()
        assert tried.wait(30) and made == []
    waiting.join()
    assert made == ["made"]
