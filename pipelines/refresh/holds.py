"""When a run keeps the last snapshot instead of publishing: what it would publish could not be trusted."""

import pandas as pd

from pipelines.intake.result import IntakeResult
from pipelines.station import clock
from pipelines.station.settings import Station
from pipelines.warehouse.files import last_run_at, readings
from pipelines.warehouse.store import Warehouse
from schemas.snapshot import Manifest, NothingPublished, read_table
from schemas.words import plural

HELD = "held"
"""Outcome of such a run."""

#: by which clocks may be set back without a word: a zone, a daylight saving hour, a correction by hand
_SET_BACK = pd.Timedelta(days=1)


def reason_to_hold(
    station: Station,
    warehouse: Warehouse,
    intake: IntakeResult,
    previous: Manifest,
    today: pd.Timestamp,
    moment: pd.Timestamp,
    *,
    clock_decides: bool,
    rebuilt: bool,
) -> str:
    """Why nothing is to be published, as a sentence that says what to do; empty: nothing speaks against it.

    Parameters
    ----------
    previous : the snapshot that stands
    today : the day taken as today, naive
    moment : now, UTC
    rebuilt : whether the warehouse was made anew in this run; what may lack then, the rebuild has said
    clock_decides : whether today comes from the clock, and nobody has said that the clock is right
    """
    if intake.out_of_reach:
        shown = ", ".join(intake.out_of_reach[:5]) + (" and others" if len(intake.out_of_reach) > 5 else "")
        return (
            f"{plural(len(intake.out_of_reach), 'file')} whose rows counted before cannot be read: {shown}. Bring "
            "back archive/, or drop the files again; if they are lost, coldfill rebuild --without-missing goes on "
            "without their rows."
        )
    if clock_decides and (lags := _clock_lags(station, warehouse, previous, today, moment)):
        return lags
    return "" if rebuilt else _knows_less(station, warehouse, previous)


def _knows_less(station: Station, warehouse: Warehouse, previous: Manifest) -> str:
    """The warehouse lacks files that the snapshot shows, and the archive's list lacks them too: it is not this one."""
    try:
        shown = read_table(station.published, previous, "ingest_files", columns=["file", "file_sha256"])
    except NothingPublished:  # damaged; a run makes it anew
        return ""
    known = {(r["file"], r["file_sha256"]) for r in readings(warehouse, ("file", "file_sha256"))}
    lost = sorted({f for f, sha256 in shown.itertuples(index=False, name=None) if (f, sha256) not in known})
    if not lost:
        return ""
    return (
        f"{station.warehouse.name} is another one, or an old copy: it does not know {plural(len(lost), 'file')} whose "
        f"rows the snapshot shows ({', '.join(lost[:5])}{' and others' if len(lost) > 5 else ''}). Put the right "
        "one back, or read everything again from inbox/ and archive/: coldfill rebuild."
    )


def _clock_lags(
    station: Station, warehouse: Warehouse, previous: Manifest, today: pd.Timestamp, moment: pd.Timestamp
) -> str:
    """The clock of this computer stands before something that has happened."""
    what_to_do = "Set the clock of this computer and run again"
    at, where = clock.newest_record(warehouse)
    newest = None if at is None else clock.day_of(at, station)
    if newest is not None and newest > today:
        beyond = at is not None and at > clock.latest_moment(station, None, moment)
        if not beyond and pd.Timestamp(previous.as_of_on) > today:
            return (
                f"The clock says {today:%Y-%m-%d}, but what is published is as of {previous.as_of_on}, and the newest "
                f"record is of {newest:%Y-%m-%d} ({where}). {what_to_do}; if it is right and the day was set ahead "
                "before, run with --trust-clock."
            )
        if beyond:
            return (
                f"The clock says {today:%Y-%m-%d}, but the newest record is of {newest:%Y-%m-%d} ({where}). "
                f"{what_to_do}. If the record is wrong, correct it in a newer file; if all is right, "
                "run with --trust-clock."
            )
    last = last_run_at(warehouse, but=HELD)
    if last is not None and pd.Timestamp(last).tz_convert("UTC") > moment + _SET_BACK:
        return (
            f"The clock says {today:%Y-%m-%d}, but the last run was on {clock.day_of(last, station):%Y-%m-%d}. "
            f"{what_to_do}; if it is right now and was wrong then, run with --trust-clock."
        )
    return ""
