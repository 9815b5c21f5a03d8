"""What the commands print: progress, summaries, problems and errors in plain words."""

import json
import sqlite3
from pathlib import Path
from typing import Any

from pipelines.station.settings import Station

#: so many problems are printed; the rest is counted and can be written to a file
MOST_SHOWN = 20


def run_with_progress(station: Station, as_of: str | None, quiet: bool = False, **how: Any):
    """One run with a progress bar; prints the summary unless quiet. `how` goes to `run_pass`."""
    from pipelines.refresh.run import run_pass

    if quiet:
        return run_pass(station, as_of=as_of, **how)
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    console = Console(stderr=True)
    with Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        console=console,
        transient=True,
        disable=not console.is_terminal,
    ) as bar:
        task = bar.add_task("Starting", total=1)
        result = run_pass(
            station,
            as_of=as_of,
            **how,
            progress=lambda step, done, total: bar.update(
                task, description=step[:40].ljust(40), completed=done, total=total
            ),
        )
    for line in result.lines():
        print(line)
    return result


def print_rejects(station: Station, to: Path | None, as_json: bool, dismissed: bool = False) -> int:
    """Print the open problems, or those that were dismissed, or write them to a file; gives their number."""
    from pipelines.publish.export import flat, write_frame
    from schemas.snapshot import read_manifest, read_table
    from schemas.tables import TABLES

    rejects = read_table(station.published, read_manifest(station.published), "rejects")
    unresolved = rejects[rejects["resolved_at"].isna()]
    left = unresolved["dismissed_at"].notna()
    shown = unresolved[left if dismissed else ~left].reset_index(drop=True)
    word = "dismissed" if dismissed else "open"
    if to is not None:
        write_frame(shown, TABLES["rejects"], to)
        print(f"Wrote {len(shown)} {word} problems to {to}.")
    elif as_json:
        print(flat(shown, TABLES["rejects"]).to_json(orient="records", force_ascii=False, date_format="iso"))
    else:
        for row in shown.head(MOST_SHOWN).to_dict("records"):
            number = f"[{row['problem_id']}] " if isinstance(row["problem_id"], str) else ""
            why = f" Dismissed by {row['dismissed_by']}: {row['dismissed_reason']}" if dismissed else ""
            print(f"{number}{problem_line(row)}{why}")
        more = len(shown) - MOST_SHOWN
        if more > 0:
            print(f"… and {more} more: coldfill rejects {'--dismissed ' * dismissed}--to FILE.xlsx writes all of them.")
        if shown.empty:
            print(f"No {word} problems.")
        if left.any() and not dismissed:
            print(f"{left.sum()} more were dismissed: coldfill rejects --dismissed shows them, by whom and why.")
    return len(shown)


def problem_line(row: dict[str, Any]) -> str:
    """A problem as one line: file, line of the file or the sheet, column, value: what is wrong. What to do."""

    def there(value) -> bool:
        return value is not None and value == value and str(value) != "<NA>"

    where = [str(row["file"])] if there(row.get("file")) else []
    if there(row.get("line")):
        where.append(f"line {row['line']}")
    elif there(row.get("row_number")):
        where.append(f"row {row['row_number']}")
    if there(row.get("column")):
        where.append(f"{row['column']} = {row['value']}" if there(row.get("value")) else str(row["column"]))
    fix = f" {row['fix']}" if there(row.get("fix")) else ""
    return f"{', '.join(where)}: {row['message']}{fix}"


def print_check(found, as_json: bool) -> None:
    """Print what `check` found in each file."""
    if as_json:
        print(json.dumps([f.for_scripts() for f in found], ensure_ascii=False))
        return
    for file in found:
        if file.refused:
            print(f"{file.file}: would be refused. {file.refused}")
            continue
        print(f"{file.file}: {file.source}, {file.read} rows, {file.accepted} would load, {file.rejected} would not.")
        for line in file.problems[:MOST_SHOWN]:
            print(f"  {line}")
        if len(file.problems) > MOST_SHOWN:
            print(f"  … and {len(file.problems) - MOST_SHOWN} more.")


def words_for(error: Exception) -> tuple[str, int]:
    """An error as a sentence and an exit code; an unexpected one says how to see more."""
    import duckdb

    from pipelines.cli.demo import NotOurs
    from pipelines.intake.forgotten import ListUnreadable
    from pipelines.intake.rebuild import WarehouseLost
    from pipelines.intake.sweep import OriginalMissing
    from pipelines.publish.export import WrongEnding
    from pipelines.publish.send import NotSent
    from pipelines.refresh.forget import NotForgotten
    from pipelines.refresh.own_warehouse import WarehouseForeign
    from pipelines.refresh.workers import WorkersLost
    from pipelines.schedule.state import NotStarted
    from pipelines.station.backup import BackupRefused
    from pipelines.station.ports import PortTaken
    from pipelines.station.settings import SettingsError
    from pipelines.warehouse.trouble import (
        WarehouseBusy,
        WarehouseDamaged,
        WarehouseNewer,
        WarehouseOlder,
        damaged,
        of_disk,
    )
    from schemas.snapshot import NothingPublished

    of_warehouse = (WarehouseBusy, WarehouseDamaged, WarehouseForeign, WarehouseLost, WarehouseNewer, WarehouseOlder)
    of_forgetting = (ListUnreadable, OriginalMissing, NotForgotten)
    explained = (SettingsError, *of_warehouse, *of_forgetting, NothingPublished, BackupRefused, NotSent, WorkersLost)
    if isinstance(error, (*explained, NotOurs, WrongEnding, PortTaken, NotStarted, FileNotFoundError, FileExistsError)):
        return str(error), 2
    if isinstance(error, IsADirectoryError) and error.filename:
        return f"{error.filename} is a folder, where coldfill keeps a file. Move it away; a run writes the file.", 2
    if isinstance(error, (PermissionError, OSError, sqlite3.Error)):
        return f"{error}. Check the folder's rights and the room on the disk.", 2
    if isinstance(error, (duckdb.SerializationException, duckdb.InternalException)) or (
        isinstance(error, duckdb.Error) and "checksum" in str(error).lower()
    ):
        return str(damaged(Path("warehouse.duckdb"), error)), 2
    if of_disk(error):
        why = str(error).splitlines()[0][:300]
        says = f"warehouse.duckdb in the station's folder could not be written or read: {why}."
        return f"{says} Check the folder's rights and the room on the disk, then run again: nothing is lost.", 2
    if isinstance(error, duckdb.Error):
        return f"The warehouse gave an error: {error}. Run the command with --debug to see where.", 1
    return (
        f"Something went wrong that coldfill has no advice for ({type(error).__name__}: {error}). "
        "Run the command with --debug to see where.",
        1,
    )
