"""`coldfill schedule`: a real Prefect deployment on a server of its own, that outlives nobody and catches up once."""

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from unittest import mock

import duckdb
import pandas as pd
import pytest
import small_station as s

from pipelines.refresh import backups
from pipelines.refresh.examine import LOOK, SOUND, WRONG
from pipelines.schedule import serve as schedule
from pipelines.schedule.examine import examine_schedule
from pipelines.schedule.note import run_failed
from pipelines.schedule.state import NotStarted, forget_failure, note_failure, served, serving
from pipelines.schedule.watch import Watcher, look, watch
from pipelines.station.settings import SettingsError
from schemas.schedule_note import ENDED, SERVED, read_schedule

FULL = os.environ.get("COLDFILL_SOAK") == "full"
PATIENCE = 180.0
on_posix = pytest.mark.skipif(sys.platform == "win32", reason="POSIX signals")


def _schedule(station) -> list[str]:
    return [sys.executable, "-m", "pipelines.cli", "schedule", "--station", str(station.folder)]


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def _until(what, why: str, seconds: float = PATIENCE):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if found := what():
            return found
        time.sleep(0.2)
    raise AssertionError(why)


def _listens(port: int) -> bool:
    with socket.socket() as probe:
        probe.settimeout(0.5)
        return probe.connect_ex(("127.0.0.1", port)) == 0


def _alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    stat = Path(f"/proc/{pid}/stat")
    return not (stat.exists() and stat.read_text().rsplit(")", 1)[1].split()[0] == "Z")


def _passes(station) -> list[str]:
    """Names of the passes that came to an end, oldest first; asked of a copy, for the warehouse may be at work."""
    for _ in range(20):
        with tempfile.TemporaryDirectory() as folder:
            for name in ("warehouse.duckdb", "warehouse.duckdb.wal"):
                if (station.folder / name).exists():
                    shutil.copy(station.folder / name, folder)
            try:
                with duckdb.connect(str(Path(folder) / "warehouse.duckdb")) as con:
                    return [row[0] for row in con.execute("SELECT run_id FROM runs ORDER BY started_at").fetchall()]
            except duckdb.Error:  # not made yet, or copied while it was written
                time.sleep(0.3)
    return []


def _told(station):
    """What the pages know of the schedule."""
    return read_schedule(station.published, pd.Timestamp.now(tz="UTC"))


def _last(station) -> dict:
    try:
        return json.loads((station.published / "last_pass.json").read_text())
    except FileNotFoundError:
        return {}


class _Scheduled:
    """The command at work on a station; ended with the test."""

    def __init__(self, station, cron: str):
        self.port, self.station = _free_port(), station
        self.output = station.folder / "schedule.txt"
        with open(self.output, "ab") as out:
            self.process = subprocess.Popen(
                [
                    *_schedule(station),
                    "--cron",
                    cron,
                    "--port",
                    str(self.port),
                ],
                stdout=out,
                stderr=out,
            )

    def up(self) -> "_Scheduled":
        _until(lambda: "end with Ctrl-C" in self.output.read_text() or self.process.poll() is not None, "no start")
        assert self.process.poll() is None, self.output.read_text()
        return self

    def server(self) -> int:
        listed = subprocess.run(
            ["ps", "-o", "pid=,args=", "--ppid", str(self.process.pid)], capture_output=True, text=True
        )
        return next(int(line.split()[0]) for line in listed.stdout.splitlines() if "schedule.server" in line)

    def end(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()


@pytest.fixture
def scheduled():
    started = []

    def start(station, cron: str) -> _Scheduled:
        started.append(_Scheduled(station, cron))
        return started[-1].up()

    yield start
    for one in started:
        one.end()


# --- what was missed --------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("last", "now", "missed"),
    [
        ("2031-05-20T10:00:30+00:00", "2031-05-20T10:05:00+00:00", False),
        ("2031-05-20T10:00:30+00:00", "2031-05-20T10:10:00+00:00", True),
        ("2031-05-20T10:00:30+00:00", "2031-05-23T10:10:00+00:00", True),
        (None, "2031-05-20T10:05:00+00:00", True),
    ],
)
def test_a_tick_since_the_last_pass_began_was_missed(tmp_path, last, now, missed):
    station = s.make(tmp_path)
    if last:
        (station.published / "last_pass.json").write_text(json.dumps({"started_at": last}))
    assert schedule._missed(station, "*/10 * * * *", datetime.fromisoformat(now)) is missed


def test_the_cron_is_that_of_the_station_s_zone(tmp_path):
    """Six in the morning in Berlin is four or five in UTC."""
    station = s.make(tmp_path / "x")
    path = station.folder / "station.toml"
    path.write_text(path.read_text().replace('time_zone = "UTC"', 'time_zone = "Europe/Berlin"'))
    station = s.load_station(station.folder)
    (station.published / "last_pass.json").write_text(json.dumps({"started_at": "2031-07-01T03:00:00+00:00"}))
    assert not schedule._missed(station, "0 6 * * *", datetime(2031, 7, 1, 3, 59, tzinfo=UTC))
    assert schedule._missed(station, "0 6 * * *", datetime(2031, 7, 1, 4, 1, tzinfo=UTC))


@pytest.mark.parametrize("cron", ["soon", "* *", "61 * * * *"])
def test_a_cron_that_is_none_is_reported(tmp_path, cron):
    with pytest.raises(SettingsError, match="Five fields"):
        schedule.serve_schedule(s.make(tmp_path), cron, 4600)


def test_a_port_in_use_is_reported_and_left_alone(tmp_path):
    station = s.make(tmp_path)
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        done = subprocess.run(
            [sys.executable, "-m", "pipelines.cli", "schedule", "--station", str(tmp_path), "--port", str(port)],
            capture_output=True,
            text=True,
            timeout=60,
        )
    assert done.returncode == 2
    assert f"Port {port} is in use" in done.stderr
    assert "--port" in done.stderr
    assert "Traceback" not in done.stderr
    assert not (station.folder / ".prefect").exists()


# --- the real thing ---------------------------------------------------------------------------
@pytest.mark.soak
@on_posix
def test_missed_runs_are_caught_up_once_and_the_end_is_clean(tmp_path, scheduled):
    """Three yearly runs were missed while nothing served; one makes up for them; SIGTERM ends command and server."""
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.run(station)
    before = _passes(station)
    s.drop(station, "fills.csv", [s.fill(1)])
    long_ago = datetime.now(UTC) - timedelta(days=3 * 366)
    (station.published / "last_pass.json").write_text(json.dumps({"started_at": long_ago.isoformat()}))
    one = scheduled(station, "0 0 1 1 *")
    server = one.server()
    _until(lambda: "finished_at" in _last(station), "the missed run was not caught up")
    _until(lambda: _told(station).outcome(_told(station).runs[0]) == "done", "the page is not told of its end", 30)
    assert (_told(station).state, len(_told(station).runs)) == (SERVED, 1) and _told(station).next_due_at.month == 1
    time.sleep(5 if FULL else 2)
    assert len(_passes(station)) == len(before) + 1
    assert len(s.published(station)["fill_quality"]) == 1
    one.process.send_signal(signal.SIGTERM)
    assert one.process.wait(timeout=30) == 0
    _until(lambda: not _alive(server), "the server outlived the command", 30)
    assert not _listens(one.port) and _told(station).state == ENDED
    assert "Traceback" not in one.output.read_text()


@pytest.mark.soak
@on_posix
@pytest.mark.skipif(not FULL, reason="takes minutes; COLDFILL_SOAK=full")
def test_after_a_kill_and_several_missed_ticks_it_goes_on(tmp_path, scheduled):
    """A tick a minute; kill -9; what was missed is caught up once and the ticks go on, over the same database."""
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    one = scheduled(station, "* * * * *")
    server = one.server()
    _until(lambda: len(_passes(station)) >= 2, "no pass on a tick")  # the first run, and one on the minute
    one.process.send_signal(signal.SIGKILL)
    one.process.wait()
    _until(lambda: not _alive(server), "the server outlived a killed command", 30)
    _until(lambda: not _listens(one.port), "the port stays taken", 30)
    before = _passes(station)
    late = datetime.now(UTC) - timedelta(minutes=30)
    last = _last(station) | {"started_at": late.isoformat()}
    (station.published / "last_pass.json").write_text(json.dumps(last))
    time.sleep(130)  # real ticks go by unserved as well
    two = scheduled(station, "* * * * *")
    began = datetime.now(UTC)
    _until(lambda: len(_passes(station)) > len(before), "nothing caught up")
    time.sleep(20)
    ticks = int((datetime.now(UTC) - began).total_seconds() // 60) + 1
    new = _passes(station)[len(before) :]
    assert sum(name.startswith("caught-up") for name in new) == 1
    assert len(new) <= 1 + ticks
    _until(lambda: len(_passes(station)) >= len(before) + 2, "the ticks do not go on")
    two.process.send_signal(signal.SIGTERM)
    assert two.process.wait(timeout=30) == 0


# --- watching the inbox -----------------------------------------------------------------------
def test_a_change_asks_for_one_run_once_it_has_come_to_rest():
    none, half, whole = frozenset(), frozenset({("a.csv", 1, 1)}), frozenset({("a.csv", 2, 2)})
    watcher = Watcher(none)
    looks = [none, half, whole, whole, whole, none, none, none]
    assert [watcher.wants_run(seen) for seen in looks] == [False, False, False, True, False, False, True, False]


def test_a_look_sees_every_folder_and_no_lock_files(tmp_path):
    (tmp_path / "dives" / "M1").mkdir(parents=True)
    for name in ("fills.csv", "dives/M1/a.uddf", "~$fills.xlsx", ".partial"):
        (tmp_path / name).write_text("x")
    before = look(tmp_path)
    assert {Path(path).name for path, *_ in before} == {"fills.csv", "a.uddf"}
    os.utime(tmp_path / "fills.csv", (1, 1))
    assert look(tmp_path) != before and look(tmp_path / "none") == frozenset()


def test_a_run_that_could_not_be_asked_for_is_asked_for_again(tmp_path):
    ended, asked = threading.Event(), []

    def ask():
        asked.append(1)
        if len(asked) == 1:
            raise OSError("busy")
        ended.set()

    begun = threading.Thread(target=watch, args=(tmp_path, ask, ended, 0.01))
    with mock.patch("pipelines.schedule.watch.look", side_effect=[frozenset()] + [frozenset({("a", 1, 1)})] * 10_000):
        begun.start()
        begun.join(PATIENCE)
    assert len(asked) == 2 and not begun.is_alive()


# --- what the doctor says of it ---------------------------------------------------------------
NOON = pd.Timestamp("2031-05-20 12:00", tz="UTC")


def _says(station, answering: bool = True, now: pd.Timestamp = NOON) -> list[tuple[str, str]]:
    return [(f.state, f.says) for f in examine_schedule(station, now, lambda port: answering and port == 4600)]


def _ran(station, at: str) -> None:
    station.published.mkdir(exist_ok=True)
    (station.published / "last_pass.json").write_text(json.dumps({"started_at": at}))


def test_the_doctor_tells_served_from_dead_late_and_never_served(tmp_path):
    station = s.make(tmp_path)
    ((state, says),) = _says(station)
    assert state == LOOK and "runs are made by hand" in says
    _ran(station, "2031-05-20T11:50:00+00:00")
    with serving(station, 4600, "*/10 * * * *", True):
        ((state, says),) = _says(station)
        assert state == SOUND and "when the inbox changes" in says and "2031-05-20 11:50" in says
        ((state, says),) = _says(station, answering=False)
        assert state == WRONG and "does not answer on port 4600" in says and "server.log" in says
        ((state, says),) = _says(station, now=NOON + pd.Timedelta(hours=1))
        assert state == WRONG and "was due 2031-05-20 12:00" in says
        with pytest.raises(NotStarted, match=rf"process {os.getpid()} on port 4600"), serving(station, 4700, "", False):
            pass
        assert served(station).port == 4600
        note_failure(station, "The run odd-bee failed.")
        assert _says(station)[0] == (WRONG, _says(station)[0][1]) and "odd-bee" in _says(station)[0][1]
        forget_failure(station)
        kept = (station.folder / ".prefect" / "served.json").read_text()
    assert _says(station)[0][0] == LOOK  # ended by its owner
    (station.folder / ".prefect" / "served.json").write_text(kept)  # as a kill leaves it
    ((state, says),) = _says(station)
    assert state == WRONG and f"until process {os.getpid()} ended" in says
    (station.folder / ".prefect" / "served.json").write_text("[]")
    assert _says(station)[0][0] == LOOK


def test_a_server_that_does_not_come_up_is_kept_for_the_doctor(tmp_path):
    station = s.make(tmp_path)
    with (
        mock.patch.object(schedule, "_start_server", side_effect=NotStarted("The server ended at once.")),
        pytest.raises(NotStarted),
    ):
        schedule.serve_schedule(station, "", _free_port())
    ((state, says),) = _says(station)
    assert state == WRONG and "ended at once" in says


def test_a_failed_run_is_kept_for_the_doctor(tmp_path):
    station = s.make(tmp_path)
    run = mock.Mock(parameters={"station_dir": str(tmp_path)})
    run.name = "odd-bee"
    run_failed(None, run, mock.Mock(message="Flow run encountered an exception: disk full"))
    assert "odd-bee failed" in _says(station)[0][1] and "disk full" in _says(station)[0][1]


def test_the_log_of_the_server_is_rotated(tmp_path):
    schedule._keep_log((b"line %03d\n" % n for n in range(1000)), tmp_path / "server.log", 2000)
    parts = sorted(path.name for path in tmp_path.iterdir())
    assert parts == ["server.log", "server.log.1", "server.log.2"]
    assert (tmp_path / "server.log").read_text().endswith("line 999\n")
    assert all(path.stat().st_size <= 2000 for path in tmp_path.iterdir())


@pytest.mark.once
@on_posix
def test_a_file_in_the_inbox_is_taken_in_within_a_minute_and_backed_up(tmp_path, scheduled):
    station = s.make(tmp_path / "station")
    (tmp_path / "drive").mkdir()
    path = station.folder / "station.toml"
    path.write_text(path.read_text().replace("watch = false", "watch = true"))
    station = s.with_settings(s.load_station(station.folder), f'[backup]\nto = "{(tmp_path / "drive").as_posix()}"')
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    one = scheduled(station, "0 0 1 1 *")
    _until(lambda: "finished_at" in _last(station), "the first run did not come")
    first = _last(station)["run_id"]
    s.drop(station, "fills.csv", [s.fill(1)])
    began = time.monotonic()
    _until(lambda: _last(station)["run_id"] != first, "no run after a change")
    print(f"a change ran after {time.monotonic() - began:.0f} s")
    assert len(s.published(station)["fill_quality"]) == 1
    _until(lambda: backups.scheduled(station), "no backup")
    two = subprocess.run(
        [*_schedule(station), "--port", str(_free_port())],
        capture_output=True,
        text=True,
    )
    assert two.returncode == 2 and "served already by process" in two.stderr
    assert [f.state for f in examine_schedule(station, pd.Timestamp.now(tz="UTC"))] == [SOUND]
    one.process.send_signal(signal.SIGTERM)
    assert one.process.wait(timeout=30) == 0
