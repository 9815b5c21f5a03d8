"""`[keep]`, `[backup]` and `[copy]` in `station.toml`: what goes after how long, and where backups and copies lie."""

from pathlib import Path
from typing import Annotated, Any

from pydantic import AfterValidator

from pipelines.station.settings_words import Table, number, one_of, wrong
from schemas import copied_tables
from schemas.address import what_is_wrong
from schemas.words import plural

FOR_EVER = 0
_Days: Any = Annotated[number(int, 0, 36_500), AfterValidator(int)]


def _folder(value: str) -> str:
    if value and not Path(value).expanduser().is_absolute():
        raise wrong("must be a whole path, outside the station's folder", 'to = "/media/usb/coldfill"')
    return value


def _address(value: str) -> str:
    what, fix = what_is_wrong(value) if value else ("", "")
    if what:
        raise wrong(what, fix)
    return value.rstrip("/")


class Keeping(Table):
    """Days after which a run removes what no figure needs; 0: never. Originals and rows that count always stay."""

    closed_problems_days: _Days = 730
    runs_days: _Days = 400
    superseded_rows_days: _Days = FOR_EVER
    replaced_rows_days: _Days = 30
    set_aside_days: _Days = 90
    scheduler_days: _Days = 60
    snapshot_hours: Annotated[number(float, 0.1, 8760.0), AfterValidator(float)] = 1.0  # type: ignore[valid-type]
    log_mb: Annotated[number(int, 1, 1000), AfterValidator(int)] = 5  # type: ignore[valid-type]

    @property
    def in_words(self) -> str:
        """One sentence: what is kept how long."""
        kept = {
            "closed problems": self.closed_problems_days,
            "runs": self.runs_days,
            "rows that newer ones replaced": self.superseded_rows_days,
            "rows read again since": self.replaced_rows_days,
            "warehouses that a rebuild put aside": self.set_aside_days,
            "the scheduler's runs": self.scheduler_days,
        }
        days = [f"{what} {plural(n, 'day') if n else 'for ever'}" for what, n in kept.items()]
        return (
            f"Originals and rows that count for ever; {', '.join(days)}; earlier snapshots "
            f"{self.snapshot_hours:g} h, at least two; the scheduler's log {self.log_mb} MB, three times."
        )


class Backups(Table):
    """Where `coldfill schedule` writes backups, how often, and how many stay; none while `to` is empty."""

    to: Annotated[str, AfterValidator(_folder)] = ""
    every_days: Annotated[number(int, 1, 366), AfterValidator(int)] = 1  # type: ignore[valid-type]
    keep: Annotated[number(int, 1, 1000), AfterValidator(int)] = 7  # type: ignore[valid-type]

    @property
    def folder(self) -> Path | None:
        """Where they lie."""
        return Path(self.to).expanduser() if self.to else None


class Copying(Table):
    """The address to which runs copy what is published, and what such a copy tells of people; none while empty."""

    to: Annotated[str, AfterValidator(_address)] = ""
    people: one_of(*copied_tables.CHOICES) = copied_tables.NOBODY  # type: ignore[valid-type]
