"""What a schedule says of itself in the station's folder: that it is served, and what went wrong last."""

import contextlib
import json
import os
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pipelines.publish.snapshot import write_durably
from pipelines.station.lock import SCHEDULE_LOCK, SCHEDULER, Held, held, is_held
from pipelines.station.settings import Station

SERVED, FAILED = "served.json", "failed.json"
LOG = "server.log"


class NotStarted(RuntimeError):
    """The schedule cannot be served: another serves it, or its server did not come up."""


@dataclass(frozen=True)
class Served:
    """Who serves the schedule, or did last."""

    process: int
    port: int
    cron: str
    watch: bool
    since: str


def home_of(station: Station) -> Path:
    """The scheduler's own folder."""
    return (station.folder / SCHEDULER).resolve()


@contextlib.contextmanager
def serving(station: Station, port: int, cron: str, watch: bool) -> Iterator[None]:
    """Hold the schedule of a station, and say so.

    Raises
    ------
    NotStarted
        Another process serves it.
    """
    home = home_of(station)
    home.mkdir(exist_ok=True)
    try:
        with held(home / SCHEDULE_LOCK):
            said = Served(os.getpid(), port, cron, watch, datetime.now(UTC).isoformat())
            write_durably(home / SERVED, json.dumps(asdict(said)))
            try:
                yield
            finally:  # what ends in another way leaves the note, and the doctor says so
                (home / SERVED).unlink(missing_ok=True)
    except Held:
        by = served(station)
        who = f" by process {by.process} on port {by.port} since {by.since[:16]} UTC" if by else ""
        raise NotStarted(
            f"The schedule of this station is served already{who}. One is enough: end that one first."
        ) from None


def is_served(station: Station) -> bool:
    """Whether a process serves the schedule now."""
    return is_held(home_of(station) / SCHEDULE_LOCK)


def served(station: Station) -> Served | None:
    """Who serves it, or did last; None where nobody ever did, or the note is damaged."""
    said = _read(home_of(station) / SERVED)
    try:
        return Served(**said)
    except TypeError:
        return None


def note_failure(station: Station, what: str) -> None:
    """Keep what went wrong last, for the doctor."""
    note_failure_in(station.folder, what)


def note_failure_in(folder: Path, what: str) -> None:
    """The same for a station whose settings cannot be read."""
    home = (folder / SCHEDULER).resolve()
    home.mkdir(exist_ok=True)
    write_durably(home / FAILED, json.dumps({"at": datetime.now(UTC).isoformat(), "what": what[:2000]}))


def forget_failure(station: Station) -> None:
    """It went well since."""
    (home_of(station) / FAILED).unlink(missing_ok=True)


def last_failure(station: Station) -> tuple[str, str] | None:
    """When something went wrong last and was not put right since, and what."""
    said = _read(home_of(station) / FAILED)
    return (str(said["at"]), str(said["what"])) if {"at", "what"} <= said.keys() else None


def _read(path: Path) -> dict[str, Any]:
    try:
        said = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return said if isinstance(said, dict) else {}
