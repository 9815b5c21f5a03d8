"""The one door by which pages write: who may, by which clock, and what stands saved and not yet computed."""

from collections.abc import Callable, Mapping
from datetime import date
from typing import Any

import pandas as pd

from dashboard.access import Refused, may_log
from dashboard.data import Snapshot
from dashboard.run_after_entry import ask_for_run, prepare
from schemas import entries, words
from schemas.check import end_of_tomorrow, latest_withdrawal
from schemas.entries import Entry, NotSaved, Saved, Written
from schemas.reading_units import METRIC

#: by which the clock may have been set back since the last run
_SET_BACK = pd.Timedelta(minutes=5)


def now() -> pd.Timestamp:
    """This moment, UTC."""
    return pd.Timestamp.now(tz="UTC").as_unit("us")


def today(snapshot: Snapshot) -> date:
    """The day it is at the station by the machine's clock."""
    return _here(now(), snapshot.zone).date()


def save(
    snapshot: Snapshot,
    kind: str,
    source: str,
    row: Mapping[str, Any],
    by: str,
    page: str,
    token: str,
    units: str = METRIC,
) -> Saved:
    """Save one entry into the station's inbox, its figures in these reading units, and let a run follow.

    Raises
    ------
    Refused
        The viewer may not log this.
    NotSaved
        A value is refused, the clock is wrong, or the file cannot be written.
    """
    if not may_log(snapshot.viewer, kind):
        raise Refused("You may not log this here. Ask who runs the station.")
    moment = now()
    last = _utc(snapshot.manifest.created_at)
    if moment < last - _SET_BACK:
        raise NotSaved(
            f"the clock of the station's machine says {words.clock(moment, snapshot.zone)}, which is before its last "
            f"run ({words.clock(last, snapshot.zone)}). Set the clock right, then save again."
        )
    latest = latest_moment(snapshot, moment)
    latest = latest_withdrawal(latest, moment) if source == "withdrawals" else latest
    saved = entries.save(snapshot.inbox, Entry(source, row, by.strip(), page, token, units), moment, latest)
    ask_for_run(snapshot.published)
    return saved


def expect_entry(snapshot: Snapshot, kind: str) -> None:
    """A form was opened: have a run ready to begin, where its viewer may save at all.

    What a new day changes is computed at once, or the first entry of the day would wait for it.
    """
    if not may_log(snapshot.viewer, kind):
        return
    if snapshot.station.get("today") == "clock" and _here(now(), snapshot.zone) > snapshot.as_of_on:
        ask_for_run(snapshot.published)
    else:
        prepare(snapshot.published)


def _here(moment: pd.Timestamp, zone: str) -> pd.Timestamp:
    """The day of a moment at the station."""
    return moment.tz_convert(zone).tz_localize(None).normalize()


def latest_moment(snapshot: Snapshot, moment: pd.Timestamp) -> pd.Timestamp:
    """Nothing that has happened lies after this, UTC; as a run takes it."""
    stated = str(snapshot.station.get("today") or "clock")
    fixed = None if stated in ("clock", "data") else pd.Timestamp(stated)
    return end_of_tomorrow(fixed if fixed is not None else _here(moment, snapshot.zone), snapshot.zone)


def pending(snapshot: Snapshot) -> list[Written]:
    """Entries that are saved and of which this snapshot does not know yet, the oldest first."""
    return entries.written(snapshot.inbox, but=snapshot.taken_in())


def newest(
    snapshot: Snapshot, source: str, at: str, fits: Callable[[Mapping[str, str]], bool], since: pd.Timestamp
) -> Mapping[str, str] | None:
    """The last entry of a source that fits, as it was saved, where its form was opened after a moment.

    Last by the moment in column `at`; of one row the version that was saved last.
    """
    listed = (e for e in entries.written(snapshot.inbox, since=since) if e.source == source and e.at is not None)
    fitting = [e for e in listed if e.row.get(at) and fits(e.row)]
    found = max(fitting, key=lambda e: (pd.Timestamp(e.row[at]), e.at), default=None)
    return None if found is None else found.row


def _utc(moment: str) -> pd.Timestamp:
    at = pd.Timestamp(moment)
    return at.tz_localize("UTC") if at.tz is None else at.tz_convert("UTC")
