"""After an entry a run of its own, so that the verdict comes by itself: one at a time for a station, in a process
of its own, and one more where something was saved meanwhile.

While a form is open, a process stands by that has loaded what a run needs.
"""

import contextlib
import subprocess
import sys
import threading
from dataclasses import dataclass, field
from pathlib import Path

from dashboard import launch

SETTINGS = "station.toml"
#: seconds to wait for a run that somebody else has begun
WAIT_S = 900
#: run with findings, of which the pages tell
_DONE = (0, 1)


@dataclass
class _Runner:
    station: Path
    lock: threading.Lock = field(default_factory=threading.Lock)
    wanted: bool = False
    at_work: bool = False
    trouble: str = ""

    def ask(self) -> None:
        with self.lock:
            self.wanted = True
            if self.at_work:
                return
            self.at_work = True
        threading.Thread(target=self._work, name=f"run of {self.station}", daemon=True).start()

    def _work(self) -> None:
        while True:
            with self.lock:
                if not self.wanted:
                    self.at_work = False
                    break
                self.wanted = False
            self.trouble = _run(self.station)
        _have_ready(self.station)  # who has saved one fill soon saves the next


class _Standby:
    """Processes that stand by, one a station, each for one run; they end with this program."""

    def __init__(self) -> None:
        self._lock, self._waiting = threading.Lock(), dict[Path, subprocess.Popen[str]]()

    def prepare(self, station: Path) -> None:
        """Have one stand by."""
        with self._lock:
            there = self._waiting.get(station)
            if there is None or there.poll() is not None:
                self._waiting[station] = _start(station)

    def take(self, station: Path) -> "subprocess.Popen[str]":
        """The one that stands by, or a new one."""
        with self._lock:
            there = self._waiting.pop(station, None)
        return there if there is not None and there.poll() is None else _start(station)


def _start(station: Path) -> "subprocess.Popen[str]":
    wanted = ("run", "--json", "--standby", f"--wait={WAIT_S}", "--station", str(station))
    return subprocess.Popen(
        [sys.executable, "-m", "pipelines.cli", *wanted],
        env=launch.environment(),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


_standby = _Standby()


def _run(station: Path) -> str:
    """Make one run; why it failed, or the empty text."""
    try:
        process = _standby.take(station)
        _, said = process.communicate("begin\n")
    except OSError as error:
        return str(error)
    return "" if process.returncode in _DONE else said.strip()[-500:] or f"it ended with {process.returncode}"


_runners: dict[Path, _Runner] = {}


def ask_for_run(published: Path) -> bool:
    """Begin a run of the station whose snapshots lie here, or let one follow that is at work.

    Gives whether there is a station to run.
    """
    station = published.parent.resolve()
    if not (station / SETTINGS).is_file():
        return False
    _runners.setdefault(station, _Runner(station)).ask()
    return True


def prepare(published: Path) -> None:
    """Something is about to be saved in the station whose snapshots lie here: have a run ready to begin."""
    station = published.parent.resolve()
    runner = _runners.get(station)
    if (station / SETTINGS).is_file() and not (runner and runner.at_work):
        _have_ready(station)


def _have_ready(station: Path) -> None:
    with contextlib.suppress(OSError):  # then the run itself says so
        _standby.prepare(station)


def trouble_of(published: Path) -> str:
    """Why the last run that was asked for here failed, or the empty text."""
    runner = _runners.get(published.parent.resolve())
    return runner.trouble if runner else ""
