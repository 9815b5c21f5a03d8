"""A new day is computed when it begins, or when the pages are first looked at on it: dates pass, reserves and plans
follow, and whoever logs the first stop of the day would wait for all of it.
"""

import threading
import time
from collections.abc import Callable
from pathlib import Path

import pandas as pd

from dashboard.run_after_entry import ask_for_run
from schemas.snapshot import Manifest, NothingPublished, read_manifest, standing_name

#: seconds between looks at the clock
LOOK_S = 20.0

_watched: set[Path] = set()
_lock = threading.Lock()


class Day:
    """Of one station: the day it was last asked to compute, so that a run that is held is not asked for again."""

    def __init__(self, published: Path, now: Callable[[], pd.Timestamp], ask: Callable[[Path], object] = ask_for_run):
        self.published, self._now, self._ask = published, now, ask
        self._seen: pd.Timestamp | None = None
        self._manifest: Manifest | None = None

    def look(self) -> bool:
        """Ask for a run if the day at the station is later than that of what is published; whether it did."""
        try:
            manifest = self._manifest = self._newest()
        except (NothingPublished, OSError):  # a run or the doctor sees to that
            return False
        station = manifest.station
        if station.get("today") != "clock":
            return False
        here = self._now().tz_convert(station.get("time_zone") or "UTC").tz_localize(None).normalize()
        if here <= max(pd.Timestamp(manifest.as_of_on), self._seen or pd.Timestamp.min):
            return False
        self._seen = here
        self._ask(self.published)
        return True

    def _newest(self) -> Manifest:
        """That of the snapshot that counts; it is immutable, and one of thousands of parts takes a while to read."""
        name, known = standing_name(self.published), self._manifest
        return known if known is not None and known.name == name else read_manifest(self.published, name)


def watch(published: Path, now: Callable[[], pd.Timestamp]) -> None:
    """From now on, until the pages end, have each new day of this station computed; once a process."""
    published = published.resolve()
    with _lock:
        if published in _watched:
            return
        _watched.add(published)
    day = Day(published, now)

    def go_on() -> None:
        while True:
            day.look()
            time.sleep(LOOK_S)

    threading.Thread(target=go_on, name=f"day of {published.parent}", daemon=True).start()
