"""Parts computed side by side: the same tables, and a clear end where processes are lost."""

import os
import signal
import subprocess
import sys
import time
from functools import partial
from pathlib import Path

import pytest
import small_station as s

from pipelines.refresh import workers
from pipelines.refresh.workers import Workers, WorkersLost, in_order


@pytest.fixture(scope="module")
def alone(tmp_path_factory):
    """A small station, computed in one process."""
    station = s.with_settings(s.stocked(tmp_path_factory.mktemp("alone")), "[scale]\nprocesses = 1")
    s.run(station)
    return s.published(station, internal=True)


def with_few_rows(monkeypatch):
    made = []

    class Counted(Workers):
        def __init__(self, *args):
            super().__init__(*args, worth_rows=1)
            made.append(self)

        def close(self):
            self.was_used = self._executor is not None
            super().close()

    monkeypatch.setattr("pipelines.refresh.order.Workers", Counted)
    return made


def test_processes_of_this_machine_give_the_same_tables(alone, tmp_path, monkeypatch):
    made = with_few_rows(monkeypatch)
    station = s.with_settings(s.stocked(tmp_path), "[scale]\nprocesses = 2")
    s.run(station)
    assert made[0].was_used
    s.same(s.published(station, internal=True), alone)


def test_few_rows_are_computed_here():
    shared = Workers(processes=2)
    assert shared.for_rows(2, 10) is None
    assert shared.for_rows(1, 10_000) is None
    assert Workers(processes=1).for_rows(60, 10_000) is None
    assert Workers(scheduler="tcp://127.0.0.1:9").for_rows(1, 0) is None  # nothing of members to compute
    shared.close()


def twice(number):
    return 2 * number


def ended(_):
    os.kill(os.getpid(), signal.SIGKILL)


def test_results_come_in_order_and_few_jobs_are_handed_out_ahead():
    asked = []

    def jobs():
        for n in range(9):
            asked.append(n)
            yield partial(twice, n)

    shared = Workers(processes=2, worth_rows=1)
    results = in_order(shared.for_rows(2, 2), jobs(), ahead=3)
    assert next(results) == 0 and asked == [0, 1, 2]
    assert list(results) == [2 * n for n in range(1, 9)]
    with pytest.raises(WorkersLost, match=r"want of memory.*processes = 1"):
        list(in_order(shared.for_rows(2, 2), iter([partial(ended, 0)]), ahead=3))
    shared.close()


def test_a_script_that_asks_for_a_run_is_not_run_again_by_each_process(tmp_path):
    script = tmp_path / "mine.py"
    script.write_text(
        "from functools import partial; from math import sqrt\n"
        "from pipelines.refresh.workers import Workers, in_order\n"
        "print('once'); w = Workers(processes=2, worth_rows=1)\n"
        "print(list(in_order(w.for_rows(2, 2), iter([partial(sqrt, 9.0), partial(sqrt, 16.0)]), ahead=2))); w.close()\n"
    )
    here = os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])}
    said = subprocess.run([sys.executable, script], capture_output=True, text=True, check=False, env=here)
    assert (said.stdout, said.returncode) == ("once\n[3.0, 4.0]\n", 0), said.stderr


def _at_work(process):
    """Whether a process is there and has not ended; one that nobody waits for stays in the list as a zombie."""
    try:
        return "State:\tZ" not in Path(f"/proc/{process}/status").read_text()
    except OSError:
        return False


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="how a process stands is asked of Linux")
def test_processes_end_with_the_run_that_was_killed(tmp_path):
    script = tmp_path / "mine.py"
    script.write_text(
        "import os, sys\n"
        "from pipelines.refresh.workers import Workers, in_order\n"
        "w = Workers(processes=1, worth_rows=1); w._count = lambda: 2\n"
        "print(*in_order(w.for_rows(2, 2), iter([os.getpid, os.getpid]), ahead=2), flush=True)\n"
        "sys.stdin.read()\n"
    )
    here = os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])}
    run = subprocess.Popen([sys.executable, script], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=here)
    others = {int(process) for process in run.stdout.readline().split()}
    assert others and all(_at_work(process) for process in others)
    run.kill()
    run.wait()
    until = time.monotonic() + 20
    while any(_at_work(process) for process in others) and time.monotonic() < until:
        time.sleep(0.05)
    assert not any(_at_work(process) for process in others)


def test_a_cluster_that_is_not_there_is_said_and_nothing_is_computed_here(monkeypatch):
    pytest.importorskip("distributed", reason="Dask is an extra")
    monkeypatch.setattr(workers, "CONNECT_S", 1)
    away = Workers(scheduler="tcp://127.0.0.1:9")
    with pytest.raises(WorkersLost, match=r"tcp://127.0.0.1:9.*cannot be used.*Nothing was published"):
        away.for_rows(1, 1)
    away.close()


@pytest.mark.once
def test_a_cluster_of_processes_gives_the_same_tables(alone, tmp_path):
    pytest.importorskip("distributed", reason="Dask is an extra")
    station = s.with_settings(s.stocked(tmp_path), '[scale]\nprocesses = 2\nscheduler = "local"')
    s.run(station)
    s.same(s.published(station, internal=True), alone)


def twice_at_the_second_attempt(marks, number, attempts):
    """Ends the process of a worker that comes to it for the first time, or so many times."""
    for n in range(attempts):
        mark = Path(marks) / f"{number}-{n}"
        if not mark.exists():
            mark.touch()
            os.kill(os.getpid(), signal.SIGKILL)
    return twice(number)


@pytest.mark.once
def test_a_worker_of_a_cluster_that_is_killed_is_no_matter_and_many_are_said(tmp_path):
    pytest.importorskip("distributed", reason="Dask is an extra")
    cluster = Workers(processes=2, scheduler="local")
    jobs = [partial(twice_at_the_second_attempt, str(tmp_path), n, n == 2) for n in range(6)]
    assert list(in_order(cluster.for_rows(6, 6), iter(jobs), ahead=4)) == [2 * n for n in range(6)]
    assert [mark.name for mark in tmp_path.iterdir()] == ["2-0"]
    with pytest.raises(WorkersLost, match=r"Nothing was published"):
        list(in_order(cluster.for_rows(1, 1), iter([partial(twice_at_the_second_attempt, str(tmp_path), 9, 9)]), 4))
    cluster.close()
