"""What a run did, for scripts and for people."""

from dataclasses import asdict, dataclass, field

from pipelines.intake.layout_change import WAITS
from pipelines.intake.result import IntakeResult
from pipelines.publish.copy_note import Copied
from pipelines.refresh import settings_changes


@dataclass
class PassResult:
    """What a run did."""

    run_id: str
    as_of_on: str
    intake: IntakeResult
    snapshot: str
    published: bool
    seconds: float
    recomputed: dict[str, int] = field(default_factory=dict)
    open_problems: int = 0
    #: why the last snapshot was kept, although something is new; a sentence, or empty
    held: str = ""
    seconds_by_step: dict[str, float] = field(default_factory=dict)
    #: the backup that was written before the warehouse was brought to the present form; or empty
    saved: str = ""
    #: what was found damaged among the kept files, for people
    damage: list[str] = field(default_factory=list)
    #: settings that differ from those of the snapshot before
    settings_changed: list[str] = field(default_factory=list)
    #: what was done about the copy at an address; None without one
    copied: Copied | None = None

    @property
    def copy_trouble(self) -> str:
        """Since when the copy at an address is behind, and why; empty where it is not."""
        return self.copied.trouble if self.copied else ""

    def for_scripts(self) -> dict:
        """The one line of `run --json`."""
        return {
            "files_read": self.intake.files_read,
            "rows_read": self.intake.rows_read,
            "rows_accepted": self.intake.rows_accepted,
            "rows_rejected": self.intake.rows_rejected,
            "snapshot": self.snapshot,
            "seconds": round(self.seconds, 3),
            "files_refused": self.intake.refused,
            "rows_resolved": self.intake.resolved,
            "withdrawals": self.intake.withdrawals,
            "as_of_on": self.as_of_on,
            "published": self.published,
            "recomputed": self.recomputed,
            "open_problems": self.open_problems,
            "held": self.held,
            "damage": self.damage,
            "settings_changed": self.settings_changed,
            "copy": None if self.copied is None else asdict(self.copied),
            "layout_changes": self.intake.layout_changes,
            "seconds_by_step": {step: round(value, 3) for step, value in self.seconds_by_step.items()},
        }

    def timing_lines(self) -> list[str]:
        """Where the time of the run went, for people."""
        rest = self.seconds - sum(self.seconds_by_step.values())
        steps = self.seconds_by_step | {"Lock, warehouse, records": max(rest, 0.0)}
        width = max(len(step) for step in steps)
        return [
            "Where the time went (without the start of the program):",
            *(
                f"  {step:{width}}  {value:7.2f} s  {100.0 * value / self.seconds:3.0f} %"
                for step, value in steps.items()
            ),
        ]

    def lines(self) -> list[str]:
        """The summary for people."""
        lines = []
        if self.saved:
            lines.append(f"The warehouse was of an earlier form and was brought up to date. As it was: {self.saved}")
        for taken in self.intake.files:
            if taken["refused"]:
                lines.append(f"  {taken['file']}: refused. {taken['refused']}")
            elif taken["rows_rejected"]:
                lines.append(
                    f"  {taken['file']}: {taken['rows_accepted']} of {taken['rows_read']} rows taken, "
                    f"{taken['rows_rejected']} rejected"
                )
        seen = f", {self.intake.seen_again} seen before" if self.intake.seen_again else ""
        head = (
            f"{self.intake.files_read} files read{seen}: {self.intake.rows_read} rows, "
            f"{self.intake.rows_accepted} accepted, {self.intake.rows_rejected} rejected"
            + (f", {self.intake.refused} files refused" if self.intake.refused else "")
        )
        lines += self.intake.sentences()
        lines += self.damage + settings_changes.line(self.settings_changed)
        if self.held:
            lines.append(f"Nothing was published, {self.snapshot} stands. {self.held}")
        elif self.published:
            changed = ", ".join(f"{n} {what}" for what, n in self.recomputed.items() if n)
            lines.append(
                f"Published {self.snapshot} as of {self.as_of_on} in {self.seconds:.1f} s"
                + (f" ({changed})" if changed else "")
            )
        else:
            lines.append(f"Nothing new: {self.snapshot} stands, as of {self.as_of_on} ({self.seconds:.1f} s)")
        lines += [f"  {c['file']} ({c['content']}): {c['message']}" for c in self.intake.layout_changes]
        if any(c["rule"] == WAITS for c in self.intake.layout_changes):
            lines.append("If these differences are right: coldfill run --accept-layout (of one: --only and its number)")
        lines += self.copied.lines() if self.copied else []
        if self.open_problems:
            lines.append(f"{self.open_problems} open problems: coldfill rejects shows them and how to fix them")
        return [head, *lines]
