"""Look at a station's schedule: whether it is served and answers, when it last ran, and what went wrong."""

import json
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta

import pandas as pd
from cronsim import CronSim, CronSimError

from pipelines.refresh.examine import LOOK, SOUND, WRONG, Finding
from pipelines.schedule import state
from pipelines.station.settings import Station
from schemas.snapshot import LAST_PASS

PART = "schedule"
#: a run may take so long before it counts as missing
PATIENCE = timedelta(minutes=30)


def answers(port: int) -> bool:
    """Whether the scheduler's server answers on this machine."""
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/api/health", timeout=3):
            return True
    except (urllib.error.URLError, OSError):
        return False


def examine_schedule(
    station: Station, now: pd.Timestamp, answering: Callable[[int], bool] = answers
) -> Iterator[Finding]:
    """What there is to say of the schedule; `now` is the clock's time, UTC."""
    by, last, failed = state.served(station), last_run_began(station), state.last_failure(station)
    ran = f"The last run began {last:%Y-%m-%d %H:%M} UTC." if last else "No run yet."
    if failed:
        yield Finding(PART, WRONG, f"{failed[0][:16].replace('T', ' ')} UTC: {failed[1]}")
    if not state.is_served(station):
        if by is None and not failed:
            yield Finding(PART, LOOK, f"It is not served: runs are made by hand. coldfill schedule serves it. {ran}")
        elif not failed:
            yield Finding(
                PART,
                WRONG,
                f"It was served until process {by.process if by else '?'} ended, and is not now. {ran} "
                "Start coldfill schedule again, best as a service of the system.",
            )
        return
    if by is not None and not answering(by.port):
        yield Finding(
            PART,
            WRONG,
            f"Its server does not answer on port {by.port}, though process {by.process} serves it. End "
            f"that and start coldfill schedule again; its log is {state.home_of(station) / state.LOG}.",
        )
    elif by is not None and (missed := missing(by.cron, last, now, station)):
        says = f"A run was due {missed:%Y-%m-%d %H:%M} and did not come. {ran} See the scheduler's page or log."
        yield Finding(PART, WRONG, says)
    elif by is not None and not failed:
        also = ", and when the inbox changes" if by.watch else ""
        yield Finding(PART, SOUND, f"Served on '{by.cron}'{also}, by process {by.process} on port {by.port}. {ran}")


def last_run_began(station: Station) -> datetime | None:
    """When the last run began, by hand or by the schedule; None where nothing says so."""
    try:
        return datetime.fromisoformat(json.loads((station.published / LAST_PASS).read_text())["started_at"])
    except (OSError, ValueError, KeyError, TypeError):
        return None


def missing(cron: str, last: datetime | None, now: pd.Timestamp, station: Station) -> datetime | None:
    """When a run was due that has not come; None: all came."""
    if last is None:
        return None
    try:
        due = next(CronSim(cron, last.astimezone(station.zone)))
    except (CronSimError, StopIteration):
        return None
    return due if due + PATIENCE < now.to_pydatetime() else None
