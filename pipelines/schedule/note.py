"""What the schedule tells the pages: that it is there, when the next run is due, its last runs and what went wrong."""

import contextlib
import json
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd
from cronsim import CronSim

from pipelines.publish.snapshot import write_durably
from pipelines.schedule.examine import last_run_began, missing
from pipelines.schedule.state import note_failure_in
from pipelines.station.settings import Station
from schemas.schedule_note import EVERY_SECONDS, MOST_RUNS, RUNS, SERVING


def tell(station: Station, cron: str, watch: bool, since: datetime, now: datetime, *, ended: bool = False) -> None:
    """Say that the schedule is served at this moment, or ended with it."""
    last = last_run_began(station)
    late = missing(cron, max(last, since) if last else since, pd.Timestamp(now), station)
    said = {
        "cron": cron,
        "watch": watch,
        "since": since.isoformat(),
        "heard_at": now.isoformat(),
        "next_due_at": next(CronSim(cron, now.astimezone(station.zone))).astimezone(UTC).isoformat(),
        "missing_at": late.astimezone(UTC).isoformat() if late else None,
        "ended_at": now.isoformat() if ended else None,
    }
    station.published.mkdir(exist_ok=True)
    write_durably(station.published / SERVING, json.dumps(said))


@contextlib.contextmanager
def telling(station: Station, cron: str, watch: bool, every: float = EVERY_SECONDS) -> Iterator[None]:
    """Say so now, each minute, and at the end; what ends in another way falls silent."""
    since, over = datetime.now(UTC), threading.Event()

    def go_on() -> None:
        while not over.wait(every):
            with contextlib.suppress(OSError, StopIteration):  # a full disk ends no schedule; the page says 'not known'
                tell(station, cron, watch, since, datetime.now(UTC))

    with contextlib.suppress(OSError, StopIteration):
        tell(station, cron, watch, since, datetime.now(UTC))
    thread = threading.Thread(target=go_on, daemon=True, name="tell")
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()
        with contextlib.suppress(OSError, StopIteration):
            tell(station, cron, watch, since, datetime.now(UTC), ended=True)


def run_began(published: Path, name: str) -> None:
    """A run of the schedule begins, or its second try does."""
    _say(published, name, began_at=_now(), ended_at=None, failed="")


def run_ended(published: Path, name: str, failed: str = "") -> None:
    """It has ended; where it failed, what went wrong."""
    _say(published, name, ended_at=_now(), failed=failed[:2000])


def run_failed(_flow: Any, run: Any, found: Any) -> None:
    """Keep for doctor and pages that a scheduled run has failed, also after its second try: a hook of the flow."""
    # not by its settings: they may be what it failed for
    folder = Path(run.parameters["station_dir"])
    says = str(found.message).removeprefix("Flow run encountered an exception: ")
    run_ended(folder / "published", run.name, says)
    note_failure_in(folder, f"The run {run.name} failed. {says}")


def _say(published: Path, name: str, **what: Any) -> None:
    path = published / RUNS
    runs: list[Any] = []
    with contextlib.suppress(OSError, ValueError, KeyError, TypeError, RecursionError):
        runs = [run for run in json.loads(path.read_text(encoding="utf-8"))["runs"] if isinstance(run, dict)]
    known = next((run for run in runs if run.get("name") == name), None)
    # one that failed before it could begin is known by its end alone
    made = (known or {"name": name, "began_at": _now()}) | what
    with contextlib.suppress(OSError):  # no run fails for want of what is said of it
        published.mkdir(exist_ok=True)
        write_durably(path, json.dumps({"runs": [*(r for r in runs if r is not known), made][-MOST_RUNS:]}))


def _now() -> str:
    return datetime.now(UTC).isoformat()
