"""What a run took in, file by file."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass, field
from typing import Any

from pipelines.intake.inbox import InboxFile
from pipelines.readers.raw import Problem, as_frame
from schemas.privacy import without_personal
from schemas.words import plural


@dataclass
class IntakeResult:
    """What a run took in."""

    files_read: int = 0
    rows_read: int = 0
    rows_accepted: int = 0
    rows_rejected: int = 0
    refused: int = 0
    resolved: int = 0
    seen_again: int = 0
    files: list[dict] = field(default_factory=list)
    notices: int = 0
    #: things that went out or came back because somebody withdrew or reinstated them
    withdrawals: int = 0
    #: what a changed layout would make of accepted rows, and waits for a yes
    layout_changes: list[dict[str, str]] = field(default_factory=list)
    #: files whose rows counted once and that can be read neither in the inbox nor in the archive
    out_of_reach: list[str] = field(default_factory=list)
    #: files that could not be opened
    unreadable: list[str] = field(default_factory=list)

    @property
    def found_problems(self) -> bool:
        """Whether this run rejected or refused something."""
        return self.rows_rejected > 0 or self.refused > 0

    def sentences(self) -> list[str]:
        """What there is to say beside the files."""
        said = []
        if self.resolved:
            said.append(f"  {self.resolved} rows that had waited, for a register or for their day, are taken now")
        if self.withdrawals:
            took = plural(self.withdrawals, "withdrawal or return", "withdrawals or returns")
            said.append(f"  {took} took effect: Inbox lists what is out, coldfill history shows a row's versions")
        return said

    def add(self, entry: dict) -> None:
        """Count a file; one that was read twice in this run counts as it was read last."""
        for old in [f for f in self.files if (f["file"], f["file_sha256"]) == (entry["file"], entry["file_sha256"])]:
            self._count(old, -1)
            self.files.remove(old)
        self._count(entry, 1)
        self.files.append(entry)

    def _count(self, entry: dict, sign: int) -> None:
        self.files_read += sign
        self.refused += sign * (entry["refused"] is not None)
        self.rows_read += sign * entry["rows_read"]
        self.rows_accepted += sign * entry["rows_accepted"]
        self.rows_rejected += sign * entry["rows_rejected"]


def joined(results: Iterable[IntakeResult]) -> IntakeResult:
    """What several intakes of one run took in, one after the other."""
    made = IntakeResult()
    for one in results:
        for entry in one.files:
            made.add(entry)
        made.resolved += one.resolved
        made.seen_again += one.seen_again
        made.notices += one.notices
        made.withdrawals += one.withdrawals
        made.layout_changes += one.layout_changes
        made.out_of_reach += [file for file in one.out_of_reach if file not in made.out_of_reach]
        made.unreadable += [file for file in one.unreadable if file not in made.unreadable]
    return made


def entry_of(
    found: InboxFile, counts: list[int], refused: Problem | None, names: Collection[str] = ()
) -> dict[str, Any]:
    """What a run says of one file; no name of a member is repeated."""
    why = None
    if refused:
        why = without_personal(as_frame([refused]), found.source or "", names)["message"].iloc[0]
    return {
        "file": found.file,
        "file_sha256": found.sha256,
        "source": found.source,
        **dict(zip(("rows_read", "rows_accepted", "rows_rejected"), counts, strict=True)),
        "refused": why,
    }
