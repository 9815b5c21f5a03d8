"""What a station's schedule says of itself beside the snapshots, so that pages can show it.

    published/schedule.json         who serves it, until when it was heard of, when the next run is due
    published/schedule_runs.json    its last runs, and what went wrong

Its process says each minute that it is there. One that has been silent for longer may be at work or gone: then
nothing about it is known.
"""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

SERVING, RUNS = "schedule.json", "schedule_runs.json"
#: how often it says that it is there, and after what silence nothing is known of it
EVERY_SECONDS, SILENT = 60.0, pd.Timedelta(minutes=5)
#: of runs so many are kept
MOST_RUNS = 20
#: states of a schedule
NEVER, SERVED, ENDED, UNKNOWN = "never", "served", "ended", "unknown"


@dataclass(frozen=True)
class ScheduledRun:
    """A run that the schedule began. `failed` says what went wrong; `ended_at` is NaT until it ends."""

    name: str
    began_at: pd.Timestamp
    ended_at: pd.Timestamp
    failed: str = ""


@dataclass(frozen=True)
class ScheduleNote:
    """What is known of the schedule at a moment. Times are UTC, NaT where nothing says them."""

    state: str
    cron: str = ""
    watch: bool = False
    since: pd.Timestamp = pd.NaT
    heard_at: pd.Timestamp = pd.NaT
    next_due_at: pd.Timestamp = pd.NaT
    missing_at: pd.Timestamp = pd.NaT
    ended_at: pd.Timestamp = pd.NaT  # of the schedule itself
    #: the newest first
    runs: tuple[ScheduledRun, ...] = ()

    def outcome(self, run: ScheduledRun) -> str:
        """How a run stands: `failed`, `done`, `at work`, `broken off`, or `unknown` where nothing can say it."""
        if run.failed:
            return "failed"
        if run.ended_at is not pd.NaT:
            return "done"
        if self.state == UNKNOWN:
            return UNKNOWN
        # what began before the schedule that is served now belongs to a process that is gone
        of_this = self.state == SERVED and run is self.runs[0] and run.began_at >= self.since
        return "at work" if of_this else "broken off"


def read_schedule(published: Path, now: pd.Timestamp) -> ScheduleNote:
    """What the notes say; a damaged one says nothing, and is not taken for one that never was."""
    runs, said = _runs(published / RUNS), _read(published / SERVING)
    if said is None:
        return ScheduleNote(NEVER, runs=runs)
    heard, ended = _moment(said.get("heard_at")), _moment(said.get("ended_at"))
    # a clock that was set back, or another machine's, makes a note of the future: that is no knowledge either
    fresh = heard is not pd.NaT and abs(now - heard) <= SILENT
    state = ENDED if ended is not pd.NaT else SERVED if fresh else UNKNOWN
    return ScheduleNote(
        state,
        str(said.get("cron") or ""),
        said.get("watch") is True,
        _moment(said.get("since")),
        heard,
        _moment(said.get("next_due_at")) if state == SERVED else pd.NaT,
        _moment(said.get("missing_at")) if state == SERVED else pd.NaT,
        ended,
        runs,
    )


def _runs(path: Path) -> tuple[ScheduledRun, ...]:
    said = _read(path) or {}
    found = []
    listed = said.get("runs")
    for run in listed if isinstance(listed, list) else []:
        if isinstance(run, dict) and (began := _moment(run.get("began_at"))) is not pd.NaT:
            ended = _moment(run.get("ended_at"))
            found.append(ScheduledRun(str(run.get("name") or ""), began, ended, str(run.get("failed") or "")))
    return tuple(sorted(found, key=lambda run: run.began_at, reverse=True))


def _read(path: Path) -> dict[str, Any] | None:
    """What a note holds: None where there is none, nothing where it cannot be read."""
    try:
        said = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return None
    except (OSError, ValueError, RecursionError):
        return {}
    return said if isinstance(said, dict) else {}


def _moment(said: Any) -> pd.Timestamp:
    if not isinstance(said, str):
        return pd.NaT
    at = pd.to_datetime(said, utc=True, errors="coerce")
    return pd.NaT if at is pd.NaT else at
