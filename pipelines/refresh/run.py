"""The order of a run, once: intake, build, publish. `coldfill run` and the Prefect flow both go through here."""

import contextlib
import json
import time
from collections.abc import Callable, Iterator
from datetime import timedelta
from functools import partial
from typing import TypedDict, Unpack

import pandas as pd

import pipelines.refresh.first_shown as first_shown
import pipelines.refresh.forget as forget
import pipelines.station.clock as clock
from pipelines.intake.archive import clear_workplaces
from pipelines.intake.arriving import complete
from pipelines.intake.forgotten import Forgotten
from pipelines.intake.intake import Intake
from pipelines.intake.rebuild import prepare, refuse_if_lost, refuse_if_newer
from pipelines.intake.result import IntakeResult, joined
from pipelines.publish.copying import copy_out
from pipelines.publish.snapshot import Publisher, clear_old, looks_altered, write_durably
from pipelines.refresh.backups import backup_if_due
from pipelines.refresh.first_look import FirstLook, MoreToJudge, logged, worth_a_first_look
from pipelines.refresh.holds import HELD, reason_to_hold, refuse_to_rebuild_before
from pipelines.refresh.look_on import look_on
from pipelines.refresh.order import refresh_tables
from pipelines.refresh.own_warehouse import settle_mark
from pipelines.refresh.pass_result import PassResult
from pipelines.refresh.put_out import publish, settings_hash, show_first_look, station_facts
from pipelines.refresh.records import record_run, tell_since
from pipelines.refresh.recover import build_past_trouble, read_damaged_again
from pipelines.refresh.settings_changes import settings_changes
from pipelines.refresh.tidy import tidy
from pipelines.station.disk import naming
from pipelines.station.lock import Held, held
from pipelines.station.settings import Station
from pipelines.station.upgrade import open_warehouse
from pipelines.warehouse import problems
from pipelines.warehouse.store import Warehouse, WarehouseBusy
from schemas.snapshot import (
    FORM,
    LAST_PASS,
    Manifest,
    NothingPublished,
    SnapshotDamaged,
    SnapshotNewer,
    read_manifest,
)

LOCK = ".pass.lock"
#: a run takes in what is logged while it is at work, and begins anew, for so many seconds; then it goes to its end
GIVES_WAY_S = 300.0
Progress = Callable[[str, int, int], None]


class Asked(TypedDict, total=False):
    """What a run is asked for beside the usual; `run_locked` has what each is without it."""

    as_of: str | None
    run_name: str
    trust_clock: bool
    rebuild: bool
    without_missing: bool
    accept_layouts: tuple[str, ...]
    thorough: bool


def run_pass(
    station: Station, *, progress: Progress = lambda *_: None, copies: bool = True, **asked: Unpack[Asked]
) -> PassResult:
    """One run over a station: take in what is new, compute what it changes, publish.

    Safe to end at any point: the last snapshot goes on being served and the next run finishes the work.

    Parameters
    ----------
    trust_clock : bool
        Publish although the clock stands before what has happened.
    rebuild : bool
        Put the warehouse aside and fill a new one from inbox and archive.
    without_missing : bool
        Rebuild without the rows of files whose originals are missing.
    thorough : bool
        Look at every byte of the lake and of what is published, and make anew what is not as it was written.
    copies : bool
        Bring the copy at an address to it as well; else it is only said whether that is to be done.

    Raises
    ------
    WarehouseBusy
        Another run is at work on this station.
    WarehouseLost
        The warehouse is missing from a station that has one; or it cannot be filled again.
    WarehouseDamaged
        The warehouse cannot be read.
    WarehouseNewer, SnapshotNewer
        A later version was at work on this station.
    WarehouseForeign
        The warehouse is another station's, or from before it was made anew.
    """
    for folder in (station.inbox, station.archive, station.lake, station.published):
        folder.mkdir(parents=True, exist_ok=True)
    with pass_lock(station):
        if Forgotten(station.archive).unfinished:
            forget.finish(station, run_locked, progress)
        result = run_locked(station, progress=progress, **asked)
    # not under the lock: no run waits for a network
    thorough = asked.get("thorough", False)
    result.copied = copy_out(station, clock.now, thorough=thorough, only_say=not copies, progress=progress)
    return result


def run_locked(
    station: Station,
    *,
    as_of: str | None = None,
    progress: Progress = lambda *_: None,
    run_name: str = "",
    trust_clock: bool = False,
    rebuild: bool = False,
    without_missing: bool = False,
    accept_layouts: tuple[str, ...] = (),
    thorough: bool = False,
    anew: Callable[[Warehouse], None] | None = None,
) -> PassResult:
    """`run_pass` for a caller who holds the lock.

    Parameters
    ----------
    anew : callable, optional
        The warehouse was taken away on purpose: it is called with the new one, before anything is read.
    """
    began = time.perf_counter()
    moment = clock.now()
    run_id = run_name or f"run-{moment:%Y%m%dT%H%M%S%f}"
    clear_workplaces(station)
    previous, damage = _previous(station)
    if rebuild:
        refuse_if_newer(station)
        latest = clock.latest_moment(station, as_of, moment)
        refuse_to_rebuild_before(station, previous, moment, latest, trust_clock=trust_clock)
        prepare(station, moment, without_missing=without_missing)
    elif anew is None:
        refuse_if_lost(station)
    warehouse, saved = open_warehouse(station, moment)
    try:
        settle_mark(station, warehouse, made_anew=rebuild or anew is not None)
        if anew is not None:
            anew(warehouse)
        first_shown.recall(station, warehouse)
        taken: list[IntakeResult] = []
        while True:
            try:
                result = _pass(
                    station,
                    warehouse,
                    as_of,
                    moment,
                    run_id,
                    progress,
                    began,
                    trust_clock,
                    accept_layouts,
                    thorough,
                    rebuild or anew is not None,
                    previous,
                    taken,
                )
                break
            except MoreToJudge as more:
                taken, moment = [more.intake], clock.now()
        result.damage = damage + result.damage
        result.saved = "" if saved is None else str(saved)
        return result
    finally:
        warehouse.close()


def _pass(
    station: Station,
    warehouse: Warehouse,
    as_of: str | None,
    moment: pd.Timestamp,
    run_id: str,
    progress: Progress,
    began: float,
    trust_clock: bool,
    accept_layouts: tuple[str, ...],
    thorough: bool,
    rebuilt: bool,
    previous: Manifest | None,
    taken: list[IntakeResult],
) -> PassResult:
    """One turn of a run; `taken` holds what an earlier one took in, before more was logged."""
    seconds: dict[str, float] = {}
    # what an earlier run took in and did not publish is not known to this one
    as_published = bool(taken) or (previous is not None and previous.warehouse_version == warehouse.version())
    by_now = logged(station.inbox)
    with _timed(seconds, "Intake"):
        if thorough:
            complete(station)
        latest = clock.latest_moment(station, as_of, moment)
        taking_in = Intake(station, warehouse, run_id, moment, latest, accept_layouts, clock_is_right=trust_clock)
        intake = taking_in.run(lambda file, n, total: progress(f"Reading {file}", n, total))
        look = look_on(station, warehouse, previous, moment)
        if thorough or look.samples:
            read_damaged_again(taking_in, warehouse, moment)
    intake = joined([*taken, intake])
    today = clock.as_of_day(station, as_of, moment, warehouse)
    settings = settings_hash(station)
    stands = (warehouse.version(), f"{today:%Y-%m-%d}", settings)
    recomputed: dict[str, int] = {}
    up_to_date, held = False, ""
    changed = settings_changes(previous, station_facts(station))
    if previous:
        by_clock = station.today == "clock" and not as_of and not trust_clock
        held = reason_to_hold(
            station,
            warehouse,
            intake,
            previous,
            today,
            moment,
            clock_decides=by_clock,
            rebuilt=rebuilt,
            settings_changed=changed,
        )
    if previous and held:
        name, up_to_date = previous.name, True
        record_run(warehouse, run_id, moment, today, HELD, {}, seconds)
        tell_since(station, warehouse, name)
    elif (
        previous
        and previous.form == FORM
        and (previous.warehouse_version, previous.as_of_on, previous.settings_hash) == stands
        # a warehouse made anew counts its changes anew: its number may be that of the snapshot by chance
        and not (thorough or look.published or rebuilt or looks_altered(station.published, previous))
    ):
        name, up_to_date = previous.name, True
        record_run(warehouse, run_id, moment, today, "nothing_new", {}, seconds)
        tell_since(station, warehouse, name)
    else:
        first = None
        if as_published and worth_a_first_look(intake, previous, stands[1], settings):
            show = partial(show_first_look, station, warehouse, moment, today, run_id)
            in_time = time.perf_counter() - began < GIVES_WAY_S
            first = FirstLook(show, intake, lambda: in_time and not logged(station.inbox) <= by_now)
        publisher, recomputed = build_past_trouble(
            lambda: _build(station, warehouse, previous, moment, today, seconds, progress, first),
            taking_in,
            warehouse,
            moment,
        )
        try:
            rows = {table: sum(p.rows for p in parts.values()) for table, parts in publisher.tables.items()}
            record_run(warehouse, run_id, moment, today, "published", rows, seconds)
            with _timed(seconds, "Publishing"):
                name = publish(station, warehouse, publisher, moment, today, settings, run_id)
                first_shown.keep(station, warehouse, publisher)
        except BaseException:
            publisher.abandon()
            raise
        clear_old(station.published, moment.to_pydatetime(), timedelta(hours=station.keep.snapshot_hours))
    tidy(station, warehouse, moment)
    open_problems = problems.count_open(warehouse)
    result = PassResult(
        run_id,
        f"{today:%Y-%m-%d}",
        intake,
        name,
        not up_to_date,
        time.perf_counter() - began,
        recomputed,
        open_problems,
        held,
        seconds,
        damage=look.lines(published=not up_to_date),
        settings_changed=changed,
    )
    write_durably(
        station.published / LAST_PASS,
        json.dumps(
            {
                "run_id": run_id,
                "started_at": moment.isoformat(),
                "finished_at": clock.now().isoformat(),
                "snapshot": name,
                "published": not up_to_date,
                "held": held,
                "files_read": intake.files_read,
                "rows_rejected": intake.rows_rejected,
            }
        ),
    )
    return result


def _build(
    station: Station,
    warehouse: Warehouse,
    previous: Manifest | None,
    moment: pd.Timestamp,
    today: pd.Timestamp,
    seconds: dict[str, float],
    progress: Progress,
    first_look: FirstLook | None,
) -> tuple[Publisher, dict[str, int]]:
    """Every table of a snapshot, written and not yet published, and what was made anew."""
    publisher = Publisher(station.published, previous, moment)
    try:
        return publisher, refresh_tables(station, warehouse, publisher, today, progress, seconds, first_look)
    except BaseException:
        publisher.abandon()
        raise


def _previous(station: Station) -> tuple[Manifest | None, list[str]]:
    """The snapshot that counts, and what to say where it does not read."""
    try:
        return read_manifest(station.published), []
    except SnapshotNewer:  # it is not this version's to replace
        raise
    except SnapshotDamaged as error:
        return None, [f"  {str(error).partition('. ')[0]}: all was computed anew and published"]
    except NothingPublished:
        return None, []


def back_up_if_due(station: Station, moment: pd.Timestamp) -> str:
    """What `backup_if_due` does and says, unless a run is at work just now: then with the next one.

    Raises
    ------
    BackupRefused
        It cannot be written.
    """
    try:
        with pass_lock(station):
            return backup_if_due(station, moment)
    except WarehouseBusy:
        return ""


@contextlib.contextmanager
def _timed(seconds: dict[str, float], step: str) -> Iterator[None]:
    began = time.perf_counter()
    yield
    seconds[step] = seconds.get(step, 0.0) + time.perf_counter() - began


@contextlib.contextmanager
def pass_lock(station: Station) -> Iterator[None]:
    """Only one run at a time: a lock the system takes back when its process dies. Trouble with the disk names it."""
    try:
        with naming(station.folder), held(station.folder / LOCK):
            yield
    except Held:
        raise WarehouseBusy(
            "Another run is at work on this station. Wait until it has finished, then run again."
        ) from None
