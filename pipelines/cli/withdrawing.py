"""`coldfill withdraw`, `reinstate` and `history`: take rows and files out, bring them back, see what became of them."""

import contextlib
import json
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from pipelines.cli.options import HERE, JsonOption, StationOption, Stop

if TYPE_CHECKING:
    import pandas as pd

    from pipelines.intake.history import History
    from pipelines.intake.row_key import Named
    from pipelines.station.settings import Station
    from pipelines.warehouse.store import Warehouse

What = Annotated[
    str,
    typer.Argument(
        metavar="WHAT",
        help="A row, as fills:F-0012 or 'dives:M1 · D2'; or a file, by its place in the inbox or its sha256.",
    ),
]
Reason = Annotated[str, typer.Option("--reason", help="Why; it is shown wherever this is listed.")]
By = Annotated[str, typer.Option("--by", help="Who decides it: a name or initials.")]
Then = Annotated[bool, typer.Option("--run", help="Run at once, so that it takes effect.")]
#: so many problems are dismissed by one command
MOST_DISMISSED = 200


def withdraw(what: What, reason: Reason, by: By, station: StationOption = HERE, run: Then = False) -> None:
    """Take a row or a whole file out of everything computed; it stays in history and can be brought back."""
    from pipelines.intake.meant import NotClear, meant
    from pipelines.intake.withdraw import Withdrawals
    from pipelines.station.clock import now
    from pipelines.warehouse import withdrawn

    with _opened(station) as (kept, warehouse):
        withdrawals = Withdrawals(kept, warehouse, now())
        try:
            named = meant(warehouse, _place(kept, what), kept.time_zone)
        except NotClear as error:
            raise Stop(str(error)) from error
        standing = withdrawals.standing()
        if ((standing["source"] == named.source) & (standing["key"] == named.key)).any():
            raise Stop(f"{_in_words(warehouse, named)} is withdrawn already: coldfill history shows by whom.", 1)
        if named.source == withdrawn.PROBLEMS:
            raise Stop(f"A problem is dismissed: coldfill rejects --dismiss {named.key} --reason … --by …")
        file = _write(kept, withdrawals, named, named.source, named.key, reason, by, "coldfill withdraw")
        says = f"Withdrawn: {_in_words(warehouse, named)}. Written to inbox/{file}."
    _end(kept, says, f"coldfill reinstate {_quoted(str(named))}", run)


def reinstate(what: What, reason: Reason, by: By, station: StationOption = HERE, run: Then = False) -> None:
    """Bring back what was withdrawn, a row, a file or a dismissed problem: it counts again as if nothing had been."""
    from pipelines.intake.meant import NotClear, withdrawn_and_meant
    from pipelines.intake.withdraw import Withdrawals
    from pipelines.station.clock import now

    with _opened(station) as (kept, warehouse):
        withdrawals = Withdrawals(kept, warehouse, now())
        try:
            named = withdrawn_and_meant(warehouse, _place(kept, what), kept.time_zone, withdrawals.standing())
        except NotClear as error:
            raise Stop(str(error)) from error
        file = _write(kept, withdrawals, named, "withdrawals", str(named), reason, by, "coldfill reinstate")
        says = f"Brought back: {_in_words(warehouse, named)}. Written to inbox/{file}."
    _end(kept, says, "", run)


def history(
    key: Annotated[str, typer.Argument(metavar="KEY", help="A row, as fills:F-0012, F-0012 or 'dives:M1 · D2'.")],
    station: StationOption = HERE,
    as_json: JsonOption = False,
) -> None:
    """Every version of a row: from which file, what it changed, which one counts, who withdrew it and why."""
    from pipelines.intake.history import history_of
    from pipelines.intake.meant import NotClear, meant
    from pipelines.intake.withdraw import Withdrawals
    from pipelines.station.clock import now
    from pipelines.warehouse.store import STORED

    with _opened(station) as (kept, warehouse):
        try:
            named = meant(warehouse, key, kept.time_zone, files_too=False)
        except NotClear as error:
            raise Stop(str(error)) from error
        if named.source not in STORED:
            raise Stop(f"{named} has no versions of its own: ask for a row, as fills:F-0012 or 'dives:M1 · D2'.")
        found = history_of(Withdrawals(kept, warehouse, now()), warehouse, named)
    if as_json:
        print(json.dumps(asdict(found), ensure_ascii=False, default=str))
    else:
        for line in _lines(found, kept.time_zone):
            print(line)


def dismiss(station: Path, which: list[str], reason: str, by: str, run: bool) -> None:
    """Dismiss open problems, by their numbers or the file they stand in; they are listed as dismissed from then on."""
    from pipelines.intake.row_key import Named
    from pipelines.intake.withdraw import Withdrawals
    from pipelines.station.clock import now
    from pipelines.warehouse import problems

    if not reason.strip() or not by.strip():
        raise Stop("--dismiss needs --reason and --by: what was decided, and by whom.")
    with _opened(station) as (kept, warehouse):
        still_open = problems.still_open(warehouse)
        wanted: list[str] = []
        for word in which:
            numbered = still_open["problem_id"].str.startswith(word.strip().lower()) & (len(word.strip()) >= 6)
            mine = still_open.loc[numbered | (still_open["file"] == _place(kept, word)), "problem_id"]
            if mine.empty:
                raise Stop(f"{word} is neither the number of an open problem nor a file that has one: coldfill rejects")
            wanted += mine.tolist()
        wanted = list(dict.fromkeys(wanted))
        if len(wanted) > MOST_DISMISSED:
            raise Stop(
                f"{len(wanted)} problems at once: at most {MOST_DISMISSED}. Withdraw the whole file instead, or "
                "correct its layout in station.toml."
            )
        withdrawals = Withdrawals(kept, warehouse, now())
        for number in wanted:
            _write(kept, withdrawals, Named("problems", number), "problems", number, reason, by, "coldfill rejects")
    says = f"Dismissed {len(wanted)} problem{'s' if len(wanted) > 1 else ''}; written to inbox/entries."
    _end(kept, says, f"coldfill reinstate problems:{wanted[0]}", run)


# --- parts ----------------------------------------------------------------------------------------
@contextlib.contextmanager
def _opened(folder: Path) -> "Iterator[tuple[Station, Warehouse]]":
    """The station and its warehouse, while no run is at work."""
    from pipelines.intake.rebuild import refuse_if_lost
    from pipelines.refresh.run import pass_lock
    from pipelines.station.clock import now
    from pipelines.station.settings import load_station
    from pipelines.station.upgrade import open_warehouse

    kept = load_station(folder)
    with pass_lock(kept):
        refuse_if_lost(kept)
        warehouse, _ = open_warehouse(kept, now())
        try:
            yield kept, warehouse
        finally:
            warehouse.close()


def _place(kept: "Station", word: str) -> str:
    """A path on this machine as its place in the inbox."""
    path = Path(word)
    with contextlib.suppress(OSError, ValueError):
        if path.exists() and path.resolve().is_relative_to(kept.inbox.resolve()):
            return path.resolve().relative_to(kept.inbox.resolve()).as_posix()
    return word


def _write(
    kept: "Station", withdrawals: Any, named: "Named", source: str, key: str, reason: str, by: str, page: str
) -> str:
    """Write one row of withdrawals into the inbox as a file of its own; gives its place there."""
    import pandas as pd

    from pipelines.station.clock import latest_moment, now
    from schemas.check import latest_withdrawal
    from schemas.entries import Entry, NotSaved, new_token, save

    moment = now()
    # the newest word decides: this one is newer than what was said of it before
    before = [row["withdrawn_at"] for _, row in withdrawals.said_of(named)]
    at = max([moment.floor("s"), *(pd.Timestamp(b).floor("s") + pd.Timedelta(seconds=1) for b in before)])
    row = {"source": source, "key": key, "withdrawn_at": at, "withdrawn_by": by, "reason": reason}
    latest = latest_withdrawal(latest_moment(kept, None, moment), moment)
    try:
        return save(kept.inbox, Entry("withdrawals", row, by, page, new_token(moment)), moment, latest).file
    except NotSaved as error:
        why = "; ".join(f"{name}: {' '.join(said)}" for name, said in error.reasons.items())
        raise Stop(f"{error}{f' {why}' if why else ''}") from error


def _in_words(warehouse: "Warehouse", named: "Named") -> str:
    from pipelines.warehouse import withdrawn

    if named.source != withdrawn.FILES:
        return str(named)
    known = withdrawn.contents(warehouse)
    places = known.loc[known["file_sha256"] == named.key, "file"]
    return f"{' and '.join(sorted(set(places)))} ({named.key[:12]}…)"


def _quoted(text: str) -> str:
    return f"'{text}'" if " " in text else text


def _end(kept: "Station", says: str, back: str, run: bool) -> None:
    print(says)
    if back:
        print(f"To bring it back: {back} --reason … --by …")
    if not run:
        print(f"It takes effect with the next run: coldfill run --station {kept.folder}")
        return
    from pipelines.cli.console import run_with_progress

    run_with_progress(kept, None)


def _lines(found: "History", zone: str) -> Iterator[str]:
    def clock(at: "pd.Timestamp") -> str:
        import pandas as pd

        return f"{pd.Timestamp(at).tz_convert(zone):%Y-%m-%d %H:%M}"

    count = len(found.versions)
    yield f"{found.named}: {count} version{'' if count == 1 else 's'}{', withdrawn' if found.out else ''}"
    for n, version in enumerate(found.versions, 1):
        state = "its file is withdrawn" if version.file_withdrawn and not found.out else version.says
        yield f"{n}. {version.file}, row {version.row_number}, saved {clock(version.ranked_at)}: {state}"
        for name, (old, new) in version.changed.items():
            if (old, new) == ("", ""):
                yield f"     {name} {'changed' if n > 1 else 'given'} (not shown: it says something of a person)"
            elif n > 1:
                yield f"     {name} {_shown(old)} → {_shown(new)}"
            else:
                yield f"     {name} {_shown(new)}"
        for says in version.problems:
            yield f"     {says}"
    for said in found.said:
        yield f"{clock(said.at)} {'brought back' if said.brought_back else 'withdrawn'} by {said.by}: {said.reason}"


def _shown(value: Any) -> str:
    if value is None:
        return "nothing"
    if isinstance(value, float):
        return f"{value:.6g}"
    return f"{value:%Y-%m-%d %H:%M}" if hasattr(value, "strftime") else str(value)
