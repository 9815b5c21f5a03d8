"""Take files in: each new or changed file of the inbox becomes rows, or reasons, in one transaction.

A file is copied into the archive first and read from there, so what was read can always be read again.
"""

import os
import tempfile
from collections import Counter
from collections.abc import Callable, Iterable
from pathlib import Path

import pandas as pd

from pipelines.intake.accept import Acceptor
from pipelines.intake.archive import Unreadable, archive, archived_name
from pipelines.intake.arriving import leave_out, scan_without, spare_living
from pipelines.intake.attempts import begin, clear, of_machine
from pipelines.intake.file_layout import patterns_without_files
from pipelines.intake.forgotten import Forgotten
from pipelines.intake.inbox import NAMING, InboxFile, Names, PassedOver
from pipelines.intake.layout_change import LayoutChanges
from pipelines.intake.passed_over import list_passed_over
from pipelines.intake.pending import Look, PendingFiles, Reading, ToRead
from pipelines.intake.ranks import rows_that_would_win, settle_ranks
from pipelines.intake.read_file import read_file
from pipelines.intake.result import IntakeResult, entry_of
from pipelines.intake.times_taken import TIMES_TAKEN, times_taken
from pipelines.intake.withdraw import MOST_ROUNDS
from pipelines.readers.forms import FORMS
from pipelines.readers.raw import Problem, RawTable, problem
from pipelines.readers.tables.sheet import Refused
from pipelines.station.settings import FILE as SETTINGS
from pipelines.station.settings import Station
from pipelines.warehouse import files, problems
from pipelines.warehouse.lake import samples_revised_ahead
from pipelines.warehouse.rows import (
    corrections_taken_back,
    reorder,
    returns_without_loan,
    revised_ahead,
    sets_named_like_cylinders,
    where_rows_wait,
)
from pipelines.warehouse.store import STORED, Warehouse
from schemas.sources import SOURCES
from schemas.words import plural

Progress = Callable[[str, int, int], None]


class Intake:
    """One run over the inbox. `now` is the clock's time, `latest` the last moment that may have happened.

    `afresh`: every file of the inbox is read, known or not, and nothing else; for a copy without its archive and lake.
    `clock_is_right`: a person says so, though things have happened after it: then it led when these came in.
    """

    def __init__(
        self,
        station: Station,
        warehouse: Warehouse,
        run_id: str,
        now: pd.Timestamp,
        latest: pd.Timestamp,
        accept_layouts: tuple[str, ...] = (),
        *,
        afresh: bool = False,
        clock_is_right: bool = False,
    ):
        self.station, self.warehouse = station, warehouse
        self.run_id, self.now, self.clock_is_right = run_id, now, clock_is_right
        self.accept = Acceptor(station, warehouse, now, latest, clock_is_right=clock_is_right)
        self.result = IntakeResult()
        self.forgotten = Forgotten(station.archive)
        self.pending = PendingFiles(station, warehouse, accept_layouts, afresh=afresh)
        self.layouts = LayoutChanges(self.pending, self.accept, now)

    def run(self, progress: Progress = lambda *_: None) -> IntakeResult:
        """Take in what is new or changed, then try every waiting row again."""
        here = scan_without(self.station, self.forgotten, passed := PassedOver())
        self.result.notices += list_passed_over(self.warehouse, passed, self.now)
        self._number_problems()
        self.layouts.forget_settled()
        self.pending.note_in_archive()
        seen = self._look(here)
        seen.refused_and_gone = [file for file in seen.refused_and_gone if not passed.may_hold(file)]
        self._tell_what_was_seen(seen)
        tables = [(found, last) for found, last in seen.todo if found.source not in FORMS]
        total = len(seen.todo)
        self._take_all(tables, progress, total)
        # The registers and links of this run, and those that waited for them, decide what the names in files of
        # several sources and in some logs mean.
        self._retry()
        out = self._settle_withdrawals(here)
        look_again = out or not self.pending.names_stand
        rest = self._look(here).todo if look_again else [pair for pair in seen.todo if pair[0].source in FORMS]
        self._take_all(rest, progress, total)
        self._take_all(self.pending.ambiguous_now(), progress, total)
        # files of earlier versions do not say which tanks of theirs have no role
        self._take_all(self.pending.once_more(files.with_roles_linked(self.warehouse, self.run_id)), progress, total)
        self._retry()
        if self.clock_is_right:
            self._take_back_revised_ahead()
        if self.accept.damaged:
            self.read_again(self.accept.damaged)
        self._settle_withdrawals(here)
        if self.forgotten:
            spare_living(self.forgotten, self.warehouse.member_names())
        self._tell_what_rows_contradict()
        self._tell_patterns_without_files(here)
        self.result.layout_changes = self.layouts.still_open()
        self.pending.journal.flush()
        clear(self.station)
        self.result.out_of_reach = self.pending.forgotten()
        self.pending.agree()
        return self.result

    def read_again(self, known: Iterable[tuple[str, str]]) -> list[str]:
        """Read known files again from the archive, by place and sha256; gives the places where that was in vain."""
        before = set(self.result.unreadable)
        self._take_all(self.pending.once_more(known), lambda *_: None, 0)
        self._retry()
        return sorted(set(self.result.unreadable) - before)

    def _take_back_revised_ahead(self) -> None:
        """Rows that a clock which led has dated beyond tomorrow would win over every correction until then."""
        latest = max(self.accept.latest_of(source) for source in SOURCES)
        self.read_again(
            revised_ahead(self.warehouse, latest) | samples_revised_ahead(self.station.lake, self.warehouse, latest)
        )

    def _look(self, here: list[InboxFile]) -> Look:
        seen = self.pending.look(here, self._tried_in_vain())
        if self.forgotten:
            leave_out((found for found, _ in seen.todo), self.station, self.forgotten)
        settle_ranks(seen.todo, seen.readings, self.station.archive, self.now)
        return seen

    def _tried_in_vain(self) -> set[str]:
        return {f["file"] for f in self.result.files if not f["file_sha256"]}

    def _tell_what_was_seen(self, seen: Look) -> None:
        """Note what there is besides files to read."""
        for file in seen.sync_conflicts:
            self._notice(file, "sync_conflict_passed_over", file, inside=False)
        self.result.seen_again = len(seen.unchanged)
        if seen.unchanged:
            with self.warehouse.transaction(changes=False):
                files.mark_seen(self.warehouse, seen.unchanged)
        # a refused file that somebody has taken out of the inbox is no open problem any more
        gone = seen.refused_and_gone
        if gone and problems.any_open_of_files(self.warehouse, gone):
            with self.warehouse.transaction():
                problems.close_of_files(self.warehouse, gone, self.now)

    def _take_all(self, todo: ToRead, progress: Progress, total: int) -> None:
        for found, last in todo:
            progress(found.file, self.result.files_read, max(total, self.result.files_read + 1))
            try:
                self._take(found, last)
            except Unreadable as why:  # tried again each run: rights and networks recover without the file changing
                what = problem("unreadable", found=str(why))
                self.result.add(self._entry(found, [0, 0, 0], what) | {"file_sha256": ""})
                self.result.unreadable.append(found.file)
                self._notice(found.file, "unreadable", None, inside=False, found=str(why))

    # --- one file -----------------------------------------------------------------------------
    def _take(self, found: InboxFile, last: Reading | None) -> None:
        archived = found.archived = archive(found, self.station.archive)
        if found.instead is not None:
            self._notice(found.file, "forgotten_left_out", plural(found.left_out, "row"), inside=False)
        self.layouts.settle(found)
        before = self.pending.reading(found)
        if (
            before
            and not found.again
            and not self.pending.stale(before, found, self.pending.names())
            and (last is None or last["file_sha256"] == found.sha256)
        ):
            self._touched(found)
            return
        names = self.pending.names() if found.layout.names_matter else None
        try:
            begin(self.station, found)
            entry = self._read_into(found, archived, last, before, names)
        except Exception as error:
            if of_machine(error) or os.environ.get("COLDFILL_DEBUG"):
                raise
            # one bad file never stops the others, whatever it does to a reader
            entry = self._failed(found, archived, before, error)
        if before:
            self.result.resolved += max(0, entry["rows_accepted"] - before["rows_accepted"])
        self.result.add(entry)
        if found.source in NAMING:
            self.pending.forget_names()

    def _read_into(
        self, found: InboxFile, archived: str, last: Reading | None, before: Reading | None, names: Names | None
    ) -> dict:
        counts, sources, notes, refused = [0, 0, 0], set(), set(), None
        refs: set[str] = set()
        taken: Counter[str] = Counter()
        with (
            tempfile.TemporaryDirectory(dir=self.station.lake, prefix=".reading-") as workplace,
            self.warehouse.transaction(),
        ):
            if before:
                self.warehouse.replace_file(found.file, found.sha256, self.now)
            # parts come one by one, so that a file larger than memory is no matter
            for raw in read_file(
                found.file, found.layout, self.station.archive / archived, self.station, self.warehouse, Path(workplace)
            ):
                refused = refused or raw.refused
                sources.add(raw.source)
                notes.update(raw.notes)
                taken.update(times_taken(raw))
                if names is not None:
                    refs |= raw.refs or (set(raw.rows["unit_id"].dropna()) if raw.from_working_pressure else set())
                for n, value in enumerate(
                    self.accept.table(raw, found.file, found.sha256, found.modified_at, found.earlier)
                ):
                    counts[n] += value
            self._older_version(found, sources, last, refused is not None)
            if found.saved_at > self.now + pd.Timedelta(minutes=5) and found.path.parent != self.station.archive:
                self._notice(found.file, "file_time_in_future", f"{found.saved_at:%Y-%m-%d %H:%M}Z")
            self._tell_saved_again(found)
            for note in sorted(notes):
                self._notice(found.file, note, None)
            if not found.earlier and not refused:
                self._tell_times_taken(found.file, taken)
            self._record(found, archived, counts, "refused" if refused else "taken", before, refs, names)
        return self._entry(found, counts, refused)

    def _tell_saved_again(self, found: InboxFile) -> None:
        """What a new time of known bytes does to the order of rows."""
        if found.saved_again == "alone":
            self._notice(found.file, "saved_again_wins", None)
        elif found.saved_again and (rows := rows_that_would_win(self.warehouse, found)):
            self._notice(found.file, "copy_keeps_its_rank", plural(rows, "row"))

    def _touched(self, found: InboxFile) -> None:
        """The bytes are known. Saved again alone, they may win over files that were newer until now."""
        with self.warehouse.transaction(changes=False):
            if found.saved_again != "alone":
                self._tell_saved_again(found)
            elif reorder(self.warehouse, found.file, found.sha256, found.modified_at):
                self.warehouse.raise_version()
                self._tell_saved_again(found)
            files.mark_touched(self.warehouse, found.file, found.sha256, found.size, found.mtime_ns, found.modified_at)
            archived = archived_name(found)
            self.pending.note(
                {
                    "file": found.file,
                    "file_sha256": found.sha256,
                    "archived": archived,
                    "size": found.size,
                    "mtime_ns": found.mtime_ns,
                    "modified_at": found.modified_at,
                    "layout": found.layout.as_json(),
                }
            )
        self.result.seen_again += 1

    def _failed(self, found: InboxFile, archived: str, before: Reading | None, error: Exception) -> dict:
        failed = problem("reader_failed", found=f"{type(error).__name__}: {error}"[:300])
        why = error.problem if isinstance(error, Refused) else failed
        with self.warehouse.transaction():
            if before:
                self.warehouse.replace_file(found.file, found.sha256, self.now)
            self.accept.table(
                RawTable(found.source or "", pd.DataFrame(), refused=why), found.file, found.sha256, found.modified_at
            )
            self._record(found, archived, [0, 0, 0], "refused", before, set(), None)
        return self._entry(found, [0, 0, 0], why)

    def _entry(self, found: InboxFile, counts: list[int], refused: Problem | None) -> dict:
        return entry_of(found, counts, refused, self.warehouse.member_names() if refused else ())

    def _record(
        self,
        found: InboxFile,
        archived: str,
        counts: list[int],
        outcome: str,
        before: Reading | None,
        refs: set[str],
        names: Names | None,
    ) -> None:
        row = {
            "file": found.file,
            "file_sha256": found.sha256,
            "source": found.source,
            "received_at": self._received_at(found, before),
            "modified_at": found.modified_at,
            "outcome": outcome,
            "mapping_hash": found.layout.hash,
            "layout": found.layout.as_json(),
            "waits_for": found.waits_for,
            "rows_read": counts[0],
            "rows_accepted": counts[1],
            "rows_rejected": counts[2],
            "seen_again": before["seen_again"] if before else 0,
            "run_id": self.run_id,
            "size": found.size,
            "mtime_ns": found.mtime_ns,
            "archived": archived,
            "refs": sorted(refs),
            "meaning": names.meaning(found.source, refs) if names and refs else None,
            "guessed": sorted(
                dive for file, sha256, dive in self.accept.guessed if (file, sha256) == (found.file, found.sha256)
            ),
            # an earlier content that is read again does not become the last one of its place
            "read_nth": (before["read_nth"] if before else 0) if found.earlier else self.warehouse.version() + 1,
        }
        files.record_reading(self.warehouse, row)
        self.pending.note(row, earlier=found.earlier, new=before is None)

    def _received_at(self, found: InboxFile, before: Reading | None) -> pd.Timestamp:
        """When this content first came in: by the warehouse, else by the archive's list, as after a rebuild."""
        if before and before["received_at"] is not None:
            return before["received_at"]
        return self.pending.came_at(found.file, found.sha256, new=before is None) or self.now

    def _older_version(self, found: InboxFile, sources: set[str], last: Reading | None, refused: bool) -> None:
        """A newer file stands in the same place: it answers the rejects there, and rows it no longer has are listed."""
        if last is None or last["file_sha256"] == found.sha256 or refused:
            return
        problems.close_of_older_content(self.warehouse, found.file, found.sha256, self.now)
        for source in sorted(sources & set(STORED)):
            for other, rows in corrections_taken_back(self.warehouse, source, found.file, found.sha256):
                self._notice(found.file, "correction_taken_back", plural(rows, "row"), other=other)
        for source in sorted(sources - {""}):
            for missing in self.accept.no_longer_in_file(source, found.file, found.sha256):
                self._notice(found.file, "no_longer_in_file", missing)

    def _tell_times_taken(self, file: str, taken: Counter[str]) -> None:
        """How many rows of a file had a time or day that was not written so; what its last content had counts."""
        problems.unlist(self.warehouse, file, TIMES_TAKEN)
        for code, rows in sorted(taken.items()):
            self._notice(file, code, plural(rows, "row"))

    def _tell_what_rows_contradict(self) -> None:
        """A set named like a cylinder, a return of what was never lent, in the file that says so."""
        self._list_now("set_named_like_cylinder", sets_named_like_cylinders(self.warehouse))
        self._list_now("return_without_loan", returns_without_loan(self.warehouse))

    def _tell_patterns_without_files(self, here: list[InboxFile]) -> None:
        names = [f.file for f in here] + files.places(self.warehouse)
        unused = {(SETTINGS, listed) for listed in patterns_without_files(self.station, names)}
        self._list_now("pattern_without_files", unused)

    def _list_now(self, rule: str, found: set[tuple[str, str]]) -> None:
        """List these files and values under a rule, for as long as they are found."""
        listed = {(n.file, n.value) for n in problems.listed(self.warehouse, [rule])}
        if found == listed:
            return
        with self.warehouse.transaction():
            for file, name in sorted(listed - found):
                problems.unlist(self.warehouse, file, [rule], name)
            for file, name in sorted(found - listed):
                self._notice(file, rule, name)

    def _notice(self, file: str, rule: str, value: str | None, *, inside: bool = True, **words: str) -> None:
        """List what is to be known of a file; once is enough."""
        if inside:
            self.result.notices += self.warehouse.note(file, rule, value, self.now, **words)
        elif not self.warehouse.noted(file, rule, value):
            with self.warehouse.transaction():
                self.result.notices += self.warehouse.note(file, rule, value, self.now, **words)

    def _number_problems(self) -> None:
        """Problems that an earlier version listed get the numbers by which they can be dismissed."""
        if problems.any_without_number(self.warehouse):
            with self.warehouse.transaction():
                problems.number(self.warehouse)

    # --- what is withdrawn --------------------------------------------------------------------
    def _settle_withdrawals(self, here: list[InboxFile]) -> bool:
        """Bring withdrawals into effect; gives whether anything went out or came back.

        What comes back may bring back more, is read again where it must be, and may change what names in files mean.
        """
        tried: set[tuple[str, str]] = set()
        for n in range(MOST_ROUNDS):
            settled = self.accept.withdrawals.settle()
            again = settled.again - tried
            self.result.withdrawals += settled.moved
            if not settled.changed and not again:
                return n > 0
            tried |= again
            self.pending.forget_names()
            self.read_again(again)
            self._answer_older_contents(again)
            self._take_all(self._look(here).todo, lambda *_: None, 0)
            self._retry()
        return True

    def _answer_older_contents(self, known: set[tuple[str, str]]) -> None:
        """These contents count again: where they are the last of their place, they answer what was rejected before."""
        readings = self.pending.readings() if known else {}
        last = {(file, past[-1]["file_sha256"]) for file, past in readings.items()}
        for file, sha256 in sorted(known & last):
            with self.warehouse.transaction():
                problems.close_of_older_content(self.warehouse, file, sha256, self.now)

    # --- rows that wait -----------------------------------------------------------------------
    def _retry(self) -> None:
        if not where_rows_wait(self.warehouse):
            return
        with self.warehouse.transaction(changes=False):
            moved = self.accept.retry_waiting()
            if len(moved):
                self.warehouse.raise_version()
            for file, sha256 in moved[["file", "file_sha256"]].itertuples(index=False):
                guessed = sorted(dive for f, s, dive in self.accept.guessed if (f, s) == (file, sha256))
                if guessed:
                    files.add_guessed(self.warehouse, file, sha256, guessed)
        if len(moved):
            self.pending.forget_names()
        # what waited for a file of this very run never was a problem to anybody
        taken = {(f["file"], f["file_sha256"]): f for f in self.result.files}
        for file, sha256, rows in moved[["file", "file_sha256", "rows"]].itertuples(index=False):
            if (file, sha256) not in taken:
                self.result.resolved += rows
            else:
                entry = taken[file, sha256]
                self.result.add(
                    entry
                    | {"rows_accepted": entry["rows_accepted"] + rows, "rows_rejected": entry["rows_rejected"] - rows}
                )
