"""The `coldfill` command. Each command imports what it needs when it runs, so that help is instant."""

import contextlib
import gc
import json
import os
import sys
from pathlib import Path
from typing import Annotated

import typer

# Many small matrix products, not few large ones: threads of the linear algebra only fight over the cores.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# numpy must not be imported before this is set
from pipelines.cli import beginning, calculator, copying, persons, withdrawing
from pipelines.cli.options import HERE, JsonOption, StationOption, Stop, writing

app = typer.Typer(
    help="What is really in the cylinder, what the fleet needs, and whose reserves run thin.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
app.add_typer(calculator.app, name="gas")
for _command in (
    beginning.init,
    beginning.template,
    withdrawing.withdraw,
    withdrawing.reinstate,
    withdrawing.history,
    copying.copy,
    persons.hand_out,
    persons.forget,
):
    app.command()(_command)


def _station(folder: Path):
    from pipelines.station.settings import load_station

    return load_station(folder)


@app.command()
def run(
    station: StationOption = HERE,
    as_of: Annotated[str, typer.Option("--as-of", help="Take this day as today (2031-05-20).", metavar="DATE")] = "",
    trust_clock: Annotated[
        bool, typer.Option("--trust-clock", help="Publish although the clock stands before what has happened.")
    ] = False,
    accept_layout: Annotated[
        bool,
        typer.Option(
            "--accept-layout", help="Say yes to the differences by a changed layout that an earlier run has shown."
        ),
    ] = False,
    only: Annotated[
        list[str] | None,
        typer.Option(help="Say yes only to this file, pattern of files, or content by its number.", metavar="FILE"),
    ] = None,
    wait: Annotated[
        float, typer.Option(help="Seconds to wait for another run that is at work on this station.", metavar="SECONDS")
    ] = 0.0,
    timing: Annotated[bool, typer.Option("--timing", help="Say where the time went; --json always does.")] = False,
    standby: Annotated[
        bool, typer.Option("--standby", help="Load the program, then begin when a line comes on standard input.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """One run now: take in new files, compute, publish; prints what came in and what was rejected."""
    from pipelines.cli.console import run_with_progress
    from pipelines.refresh.waiting import when_free

    if only and not accept_layout:
        raise Stop("--only says which changes of layout are accepted: give --accept-layout as well.")
    accept = tuple(only or ["*"]) if accept_layout else ()
    if standby:
        from pipelines.cli.standby import begin_when_asked

        if not begin_when_asked():
            return
    kept = _station(station)
    result = when_free(
        lambda: run_with_progress(
            kept, as_of or None, quiet=as_json, trust_clock=trust_clock, accept_layouts=accept, copies=not standby
        ),
        wait,
    )
    if result.copied and result.copied.later:  # whoever waits for this run has what it published
        copying.copy_beside(kept.folder)
    if as_json:
        print(json.dumps(result.for_scripts()))
    elif timing:
        print("\n".join(result.timing_lines()))
    raise typer.Exit(1 if result.intake.found_problems or result.held or result.copy_trouble else 0)


@app.command()
def rebuild(
    station: StationOption = HERE,
    without_missing: Annotated[
        bool, typer.Option("--without-missing", help="Go on without the rows of files whose originals are lost.")
    ] = False,
    trust_clock: Annotated[
        bool, typer.Option("--trust-clock", help="Although the clock stands before what was taken in.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Read everything again from inbox and archive into a new warehouse; the old one is put aside, not deleted."""
    from pipelines.cli.console import run_with_progress

    result = run_with_progress(
        _station(station), None, quiet=as_json, rebuild=True, without_missing=without_missing, trust_clock=trust_clock
    )
    if as_json:
        print(json.dumps(result.for_scripts()))
    raise typer.Exit(1 if result.held else 0)


@app.command()
def doctor(
    station: StationOption = HERE,
    repair: Annotated[bool, typer.Option("--repair", help="Put right what a run or a rebuild puts right.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Look at all that a station keeps and say what is wrong and what to do; ends with 1 if anything is."""
    from dataclasses import asdict

    from pipelines.cli.console import run_with_progress
    from pipelines.refresh.examine import REBUILD, UNKNOWN, WRONG, examine
    from pipelines.schedule.examine import examine_schedule
    from pipelines.station.clock import now

    kept = _station(station)
    found = examine(kept, now())
    wanted = {f.repair for f in found if f.repair} if repair else set()
    if wanted:
        run_with_progress(kept, None, quiet=as_json, rebuild=REBUILD in wanted, thorough=True)
        found = examine(kept, now())
    found += examine_schedule(kept, now())
    if as_json:
        print(json.dumps([asdict(f) for f in found]))
    else:
        for f in found:
            print(f"{f.part:<10}{f.state:<9}{f.says}")
    raise typer.Exit(1 if any(f.state in (WRONG, UNKNOWN) for f in found) else 0)


@app.command()
def backup(
    to: Annotated[Path, typer.Argument(metavar="FILE", help="New file outside the station, as quay-2031-05-20.zip.")],
    station: StationOption = HERE,
) -> None:
    """Write the whole station into one file, verified; without secrets of sign-in. It holds members' addresses."""
    from pipelines.refresh.examine import UNKNOWN, WRONG, examine
    from pipelines.refresh.run import pass_lock
    from pipelines.station.backup import write_backup
    from pipelines.station.clock import now

    kept = _station(station)
    with pass_lock(kept):
        for f in examine(kept, now()):
            if f.state in (WRONG, UNKNOWN):  # it is saved as it is; who restores it must know
                print(f"Not sound, and saved so: {f.part}: {f.says}", file=sys.stderr)
        made = write_backup(kept.folder, to, now())
    print(
        f"Wrote {to}: {len(made.files)} files, {made.size / 1e6:.1f} MB, each read back and compared. Keep it private."
    )


@app.command()
def restore(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A file that coldfill backup wrote.")],
    to: Annotated[Path, typer.Option("--to", help="New or empty folder.", metavar="DIR")],
) -> None:
    """Make a station from a backup, here or on another machine: all of it, verified, or nothing."""
    from pipelines.station.backup import restore_backup

    made = restore_backup(file, to)
    print(
        f"Restored {len(made.files)} files as of {made.made_at[:16].replace('T', ' ')} UTC into {to}. "
        f"What came since then is not in it. Next: coldfill run --station {to}"
    )


@app.command()
def demo(
    folder: Annotated[Path, typer.Option("--dir", help="Where to put the sample station.", metavar="DIR")] = Path(
        "demo-station"
    ),
    dashboard: Annotated[bool, typer.Option(help="Open the dashboard afterwards.")] = True,
    port: Annotated[int, typer.Option(help="Port of the dashboard on 127.0.0.1.")] = 8600,
    browser: Annotated[bool, typer.Option(help="Open a browser.")] = True,
) -> None:
    """Make a sample station, take in everything, and open the dashboard."""
    from pipelines.cli.console import run_with_progress
    from pipelines.cli.demo import make_demo

    run_with_progress(make_demo(folder), None)
    if dashboard:
        _serve(folder, port, browser)


@app.command("dashboard")
def dashboard_command(
    station: StationOption = HERE,
    port: Annotated[int, typer.Option(help="Port on 127.0.0.1.")] = 8600,
    browser: Annotated[bool, typer.Option(help="Open a browser.")] = True,
    local_network: Annotated[
        bool, typer.Option("--local-network", help="Open Filling, Today and Fleet to this network, without names.")
    ] = False,
    sign_in: Annotated[
        bool, typer.Option("--sign-in", help="People sign in with the provider of .streamlit/secrets.toml.")
    ] = False,
) -> None:
    """Serve the dashboard of a station on this machine until ended."""
    try:
        _serve(station, port, browser, local_network, sign_in)
    except ValueError as error:
        raise Stop(str(error)) from error


def _serve(folder: Path, port: int, browser: bool, local_network: bool = False, sign_in: bool = False) -> None:
    from pipelines.cli.serve import serve
    from schemas.snapshot import current_name

    station = _station(folder)
    if current_name(station.published) is None:
        from pipelines.cli.console import run_with_progress

        print("Nothing is published yet: the first run comes first.", flush=True)
        run_with_progress(station, None)
    serve(station, port, browser, local_network, sign_in)


@app.command("station-code")
def station_code(
    station: StationOption = HERE,
    new: Annotated[bool, typer.Option("--new", help="Make one by chance and print it once.")] = False,
    remove: Annotated[bool, typer.Option("--remove", help="Take it away: then nothing is logged there.")] = False,
) -> None:
    """Set the code that lets phones on the local network log what an operator logs; kept as a hash."""
    from schemas.station_code import WeakCode, new_code, remove_code, set_code

    folder = _station(station).folder
    if remove:
        there = remove_code(folder)
        print("The station code is gone: on the local network nothing is logged." if there else "No code was set.")
        return
    code = new_code() if new else typer.prompt("New station code", hide_input=True, confirmation_prompt=True)
    try:
        set_code(folder, code)
    except WeakCode as error:
        raise Stop(str(error)) from error
    print(f"The station code is {code}. It is shown this once." if new else "The station code is set.")
    print("Phones that gave an earlier one give the new one. Change it when somebody leaves.")


@app.command()
def schedule(
    station: StationOption = HERE,
    cron: Annotated[str, typer.Option(help="When to run; empty: as station.toml says.")] = "",
    port: Annotated[int, typer.Option(help="Port of the scheduler's own server on 127.0.0.1.")] = 4600,
) -> None:
    """Run on a cron as a Prefect deployment, with a local server of its own, until ended."""
    from pipelines.schedule.serve import serve_schedule

    serve_schedule(_station(station), cron, port)


@app.command()
def check(
    files: Annotated[list[Path], typer.Argument(metavar="FILE…", help="Files to look at.")],
    station: StationOption = HERE,
    as_json: JsonOption = False,
) -> None:
    """Would these files load? What is wrong, row by row. Changes nothing."""
    from pipelines.cli.console import print_check
    from pipelines.cli.dry_run import check_files

    found = check_files(_station(station), files)
    print_check(found, as_json)
    raise typer.Exit(1 if any(f.rejected or f.refused for f in found) else 0)


@app.command()
def layout(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A log of your own, CSV or XLSX.")],
    source: Annotated[
        str, typer.Option("--source", help="What it holds: fills, cylinders, …; else by its name.", metavar="SOURCE")
    ] = "",
    station: StationOption = HERE,
) -> None:
    """Propose how a log with other headers, units or dates is to be read; changes nothing."""
    from pipelines.cli.propose_layout import print_proposal

    try:
        print_proposal(_station(station), file, source)
    except ValueError as error:
        raise Stop(str(error)) from error


@app.command()
def rejects(
    station: StationOption = HERE,
    to: Annotated[Path | None, typer.Option("--to", help="Write them to a CSV or XLSX file.", metavar="FILE")] = None,
    dismiss: Annotated[
        list[str] | None,
        typer.Option(help="Leave this problem as it is, by the number in front of it, or all of a file.", metavar="ID"),
    ] = None,
    reason: withdrawing.Reason = "",
    by: withdrawing.By = "",
    run: withdrawing.Then = False,
    dismissed: Annotated[bool, typer.Option("--dismissed", help="Show those that were dismissed instead.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Open problems: file, row, column, value, what is wrong and how to fix it; --dismiss leaves one as it is."""
    from pipelines.cli.console import print_rejects

    if dismiss:
        withdrawing.dismiss(station, dismiss, reason, by, run)
        return
    if reason or by or run:
        raise Stop("--reason, --by and --run go with --dismiss.")
    with writing(to) if to is not None else contextlib.nullcontext():
        found = print_rejects(_station(station), to, as_json, dismissed=dismissed)
    raise typer.Exit(1 if found and not dismissed else 0)


@app.command()
def export(
    to: Annotated[Path, typer.Option("--to", help="Folder to write into.", metavar="DIR")],
    station: StationOption = HERE,
    form: Annotated[str, typer.Option("--format", help="csv, parquet or xlsx.")] = "csv",
) -> None:
    """Write every published table as a file of its own name."""
    from pipelines.publish.export import FORMATS, export_tables

    if form not in FORMATS:
        raise Stop(f"--format {form}: not one of {', '.join(FORMATS)}.")
    with writing(to):
        written = export_tables(_station(station).published, to, form)
    print(f"Wrote {len(written)} tables to {to}.")


@app.command()
def report(
    kind: Annotated[
        str, typer.Argument(metavar="KIND", help="morning, labels, inspections, calendar, season or card.")
    ],
    to: Annotated[
        Path | None, typer.Option("--to", help="File to write: .html, for the calendar .ics.", metavar="FILE")
    ] = None,
    station: StationOption = HERE,
    day: Annotated[
        str,
        typer.Option("--day", help="Fills of this day (2031-05-20); else the last one with a fill.", metavar="DATE"),
    ] = "",
    member: Annotated[str, typer.Option("--member", help="Whose season.", metavar="MEMBER_ID")] = "",
    send: Annotated[bool, typer.Option("--send", help="Send the morning sheet as [mail] says.")] = False,
    units: Annotated[str, typer.Option(help="Units to read: metric or us; else as station.toml says.")] = "",
) -> None:
    """Pages to print: morning sheet, fill labels, dates for the inspector, a diver's season, a card for a power cut.

    And a calendar of inspections, for programs that subscribe to one.
    """
    from pipelines.publish.reports import KINDS, Reports

    if kind not in KINDS:
        raise Stop(f"{kind}: not one of {', '.join(KINDS)}.")
    if send:
        from pipelines.publish.send import send_morning

        if kind != "morning":
            raise Stop("--send: only the morning sheet is sent.")
        print(send_morning(_station(station)))
    if to is None:
        if send:
            return
        raise Stop("--to: name the file to write.")
    try:
        with writing(to):
            Reports(_station(station), day, units).write(kind, to, member)
    except ValueError as error:
        raise Stop(str(error)) from error
    print(f"Wrote {to}.")


def main() -> None:
    """Entry point: plain words instead of tracebacks, unless --debug stands first."""
    debug = "--debug" in sys.argv
    if debug:
        sys.argv.remove("--debug")
        os.environ["COLDFILL_DEBUG"] = "1"
    # frames are many small objects and hardly any is part of a ring: looking for rings as often as usual is a
    # twentieth of a run
    gc.set_threshold(20_000, 20, 20)
    try:
        app()
    except Stop as stop:
        print(stop, file=sys.stderr)
        sys.exit(stop.code)
    except KeyboardInterrupt:
        sys.exit(130)
    except Exception as error:
        if debug:
            raise
        from pipelines.cli.console import words_for

        message, code = words_for(error)
        print(message, file=sys.stderr)
        sys.exit(code)
    finally:
        os.environ.pop("COLDFILL_DEBUG", None)  # the flag is this command's, not the next one's in the same process


if __name__ == "__main__":
    main()
