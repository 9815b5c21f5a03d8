"""When a run keeps the last snapshot instead of publishing: what it would publish could not be trusted."""

import pandas as pd

from pipelines.intake.journal import Journal
from pipelines.intake.rebuild import WarehouseLost
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
    settings_changed: list[str],
) -> str:
    """Why nothing is to be published, as a sentence that says what to do; empty: nothing speaks against it.

    Parameters
    ----------
    previous : the snapshot that stands
    today : the day taken as today, naive
    moment : now, UTC
    rebuilt : whether the warehouse was made anew in this run; what may lack then, the rebuild has said
    settings_changed : settings that differ from those of the snapshot
    clock_decides : whether today comes from the clock, and nobody has said that the clock is right
    """
    if intake.out_of_reach:
        shown = ", ".join(intake.out_of_reach[:5]) + (" and others" if len(intake.out_of_reach) > 5 else "")
        return (
            f"{plural(len(intake.out_of_reach), 'file')} whose rows counted before cannot be read: {shown}. Bring "
            "back archive/, or drop the files again; if they are lost, coldfill rebuild --without-missing goes on "
            "without their rows."
        )
    # where it never had one it stays without, and may change like any other
    if settings_changed and previous.station.get("named") and not station.named:
        return (
            f"station.toml gives the station no name any more and differs from what was in force ({settings_changed[0]}"
            f"{' and more' if len(settings_changed) > 1 else ''}): it may have been cut or emptied. Put it back from a "
            'backup; or if it is as it should be, write name = "…" under [station].'
        )
    if clock_decides and (lags := _clock_lags(station, warehouse, previous, today, moment)):
        return lags
    return "" if rebuilt else _knows_less(station, warehouse, previous)


class RebuildRefused(WarehouseLost):
    """By the day taken as today a rebuild would leave out what has happened."""


def refuse_to_rebuild_before(
    station: Station, previous: Manifest | None, moment: pd.Timestamp, latest: pd.Timestamp, *, trust_clock: bool
) -> None:
    """Nothing, unless clock or `today` stand before what this station has taken in: its rows would be of the future.

    Parameters
    ----------
    previous : the snapshot that stands, if one does
    moment : now, UTC
    latest : nothing that has happened may lie after this, UTC

    Raises
    ------
    RebuildRefused
        With what to do. Nothing has been changed.
    """
    if trust_clock:
        return
    came = [entry.came_at for entry in Journal(station.archive).entries()]
    newest = max((at for at in came if at is not None), default=None)
    if newest is not None and newest > moment + _SET_BACK:
        raise RebuildRefused(
            f"The clock says {clock.day_of(moment, station):%Y-%m-%d}, but files were taken in on "
            f"{clock.day_of(newest, station):%Y-%m-%d}. Nothing was changed. Set the clock of this computer and "
            "rebuild again; if it is right now and was wrong then, rebuild with --trust-clock."
        )
    shown = _newest_shown(station, previous)
    if shown is not None and shown > latest:
        raise RebuildRefused(
            f"What is published has records up to {clock.day_of(shown, station):%Y-%m-%d}; taken as of "
            f"{clock.day_of(latest, station) - pd.Timedelta(days=1):%Y-%m-%d} a rebuild would leave them out. Nothing "
            "was changed. Set the clock of this computer, or `today` in station.toml; if these records are wrong, "
            "rebuild with --trust-clock."
        )


def _newest_shown(station: Station, previous: Manifest | None) -> pd.Timestamp | None:
    """The last fill or dive of what is published; None where it does not read."""
    if previous is None:
        return None
    found = []
    for table, column in (("fill_quality", "filled_at"), ("dive_consumption", "started_at")):
        try:
            found.append(read_table(station.published, previous, table, columns=[column])[column].max())
        except NothingPublished:  # damaged; made anew
            continue
    return max((at for at in found if pd.notna(at)), default=None)


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
