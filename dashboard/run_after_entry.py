"""After an entry a run of its own, so that the verdict comes by itself: one at a time for a station, in a process
of its own, and one more where something was saved meanwhile."""

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
                    return
                self.wanted = False
            self.trouble = _run(self.station)


def _run(station: Path) -> str:
    """Make one run; why it failed, or the empty text."""
    command = [sys.executable, "-m", "pipelines.cli", "run", "--json", f"--wait={WAIT_S}", "--station", str(station)]
    try:
        done = subprocess.run(
            command, env=launch.environment(), stdin=subprocess.DEVNULL, capture_output=True, text=True, check=False
        )
    except OSError as error:
        return str(error)
    return "" if done.returncode in _DONE else done.stderr.strip()[-500:] or f"it ended with {done.returncode}"


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


def trouble_of(published: Path) -> str:
    """Why the last run that was asked for here failed, or the empty text."""
    runner = _runners.get(published.parent.resolve())
    return runner.trouble if runner else ""
