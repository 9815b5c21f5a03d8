"""What the schedule says of itself for the pages: there, silent, ended; when due; its runs, and what went wrong."""

import json
from datetime import datetime, timedelta
from unittest import mock

import pandas as pd
import pytest
import small_station as s

from pipelines.schedule import note
from pipelines.schedule import serve as schedule
from pipelines.schedule.state import NotStarted
from schemas.schedule_note import ENDED, NEVER, RUNS, SERVED, SERVING, UNKNOWN, read_schedule

NOON = datetime.fromisoformat("2031-05-20T12:00:00+00:00")
NOW = pd.Timestamp(NOON)


@pytest.fixture
def station(tmp_path):
    return s.make(tmp_path)


def _told(station, minutes: float = 0, **more):
    note.tell(station, "*/30 * * * *", True, NOON - timedelta(hours=1), NOON + timedelta(minutes=minutes), **more)


def test_served_says_when_the_next_run_is_due_and_silence_is_not_known(station):
    assert read_schedule(station.published, NOW).state == NEVER
    _told(station)
    said = read_schedule(station.published, NOW + pd.Timedelta(minutes=4))
    assert (said.state, said.cron, said.watch) == (SERVED, "*/30 * * * *", True)
    assert said.next_due_at == NOW + pd.Timedelta(minutes=30) and said.since == NOW - pd.Timedelta(hours=1)
    for minutes in (6, -6):  # a clock that was set back tells as little
        silent = read_schedule(station.published, NOW + pd.Timedelta(minutes=minutes))
        assert silent.state == UNKNOWN and silent.next_due_at is pd.NaT and silent.heard_at == NOW
    _told(station, ended=True)
    assert read_schedule(station.published, NOW + pd.Timedelta(days=9)).state == ENDED


@pytest.mark.parametrize("rubbish", [b"", b"[]", b"null", b"\xff\x00", b'{"heard_at": 3, "cron": []}', b"[" * 20000])
def test_a_damaged_note_is_not_known_and_never_taken_for_none(station, rubbish):
    station.published.mkdir(exist_ok=True)
    for name in (SERVING, RUNS):
        (station.published / name).write_bytes(rubbish)
    said = read_schedule(station.published, NOW)
    assert (said.state, said.runs) == (UNKNOWN, ())
    note.run_began(station.published, "odd-bee")
    assert [run.name for run in read_schedule(station.published, NOW).runs] == ["odd-bee"]


def test_a_run_that_was_due_and_did_not_come_is_missing(station):
    station.published.mkdir(exist_ok=True)
    (station.published / "last_pass.json").write_text(json.dumps({"started_at": "2031-05-20T11:00:05+00:00"}))
    _told(station)
    assert read_schedule(station.published, NOW).missing_at is pd.NaT  # half an hour's patience
    _told(station, minutes=1)
    late = read_schedule(station.published, NOW + pd.Timedelta(minutes=1))
    assert late.missing_at == NOW - pd.Timedelta(minutes=30)


def test_runs_end_fail_or_break_off_and_so_many_are_kept(station):
    assert station.published.exists() or not station.published.mkdir()
    with note.telling(station, "0 * * * *", False, every=0.01):
        for n in range(25):
            note.run_began(station.published, f"run-{n}")
            note.run_ended(station.published, f"run-{n}")
        note.run_began(station.published, "odd-bee")
        now = pd.Timestamp.now(tz="UTC")
        said = read_schedule(station.published, now)
        assert len(said.runs) == 20 and said.runs[0].name == "odd-bee"
        assert [said.outcome(run) for run in said.runs[:2]] == ["at work", "done"]
        run = mock.Mock(parameters={"station_dir": str(station.folder)})
        run.name = "odd-bee"
        (station.folder / "station.toml").write_text("no settings [")  # what it failed for
        note.run_failed(None, run, mock.Mock(message="disk full"))
        said = read_schedule(station.published, now)
        assert (said.outcome(said.runs[0]), said.runs[0].failed) == ("failed", "disk full")
        note.run_began(station.published, "cut-off")
    ended = read_schedule(station.published, pd.Timestamp.now(tz="UTC"))
    assert ended.state == ENDED and ended.outcome(ended.runs[0]) == "broken off"
    later = pd.Timestamp.now(tz="UTC") + pd.Timedelta(seconds=1)
    note.tell(station, "0 * * * *", False, later.to_pydatetime(), later.to_pydatetime())
    again = read_schedule(station.published, later)
    assert again.state == SERVED and again.outcome(again.runs[0]) == "broken off"
    silent = read_schedule(station.published, later + pd.Timedelta(hours=1))
    assert silent.outcome(silent.runs[0]) == UNKNOWN


def test_a_schedule_that_cannot_start_is_said_and_a_full_disk_ends_none(station, monkeypatch):
    with mock.patch.object(schedule, "_serve", side_effect=NotStarted("The server ended at once.")):
        with pytest.raises(NotStarted):
            schedule.serve_schedule(station, "", 0)
        said = read_schedule(station.published, pd.Timestamp.now(tz="UTC"))
        assert said.state == ENDED and said.runs[0].failed == "The server ended at once."
    monkeypatch.setattr(note, "write_durably", mock.Mock(side_effect=OSError(28, "No space left on device")))
    with note.telling(station, "0 * * * *", False, every=0.001):
        note.run_began(station.published, "odd-bee")


def test_a_run_that_ended_began_when_it_began(tmp_path, monkeypatch):
    for at, say in (("2031-05-01T10:00:00+00:00", note.run_began), ("2031-05-01T10:05:00+00:00", note.run_ended)):
        monkeypatch.setattr(note, "_now", lambda moment=at: moment)
        say(tmp_path, "odd-bee")
    (run,) = json.loads((tmp_path / note.RUNS).read_text())["runs"]
    assert (run["began_at"], run["ended_at"]) == ("2031-05-01T10:00:00+00:00", "2031-05-01T10:05:00+00:00")
