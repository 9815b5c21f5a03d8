"""How a station begins: `init` makes it, by options or by asking, and `template` gives a workbook to log into."""

import contextlib
import sys
from functools import partial
from pathlib import Path
from typing import Annotated

import typer

from pipelines.cli.options import Stop, writing

METRIC = "metric"


def init(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="New or empty folder.")],
    rule_set: Annotated[
        str, typer.Option(help="Code of the rule set, as uk, us or adr; station.toml names all.")
    ] = "uk",
    time_zone: Annotated[str, typer.Option(help="Time zone of the station, as in the IANA list.")] = "Europe/London",
    name: Annotated[str, typer.Option(help="Name of the station.")] = "",
    units: Annotated[str, typer.Option(help="What people read: metric, or us for psi, cu ft, ft, °F and lb.")] = METRIC,
    compressor: Annotated[
        list[str] | None, typer.Option(help="Name of a compressor; give it again for another.", metavar="ID")
    ] = None,
    bank: Annotated[list[str] | None, typer.Option(help="Name of a bank; give it again.", metavar="ID")] = None,
    manager: Annotated[
        list[str] | None, typer.Option(help="Address of a manager, for signing in; give it again.", metavar="ADDRESS")
    ] = None,
    ask: Annotated[
        bool | None,
        typer.Option("--ask/--no-ask", help="Ask for these; left out: where somebody sits there and gave no option."),
    ] = None,
) -> None:
    """Make a station: station.toml with every setting, inbox/, archive/, lake/, published/, reports/."""
    from pipelines.station.settings import FILE, load_station, write_station
    from schemas.reading_units import CHOICES

    given = bool(name or compressor or bank or manager) or (rule_set, time_zone, units) != (
        "uk",
        "Europe/London",
        METRIC,
    )
    if units not in CHOICES:
        raise Stop(f"--units {units}: not one of {', '.join(CHOICES)}.")
    compressors, banks = list(compressor or []), list(bank or [])
    if (ask or (ask is None and not given and sys.stdin.isatty())) and not (folder / FILE).exists():
        name, time_zone, rule_set, units, compressors, banks = _asked(folder, rule_set, time_zone, name, units)
    if twice := {one for one in (*compressors, *banks) if [*compressors, *banks].count(one) > 1}:
        raise Stop(f"{', '.join(sorted(twice))}: two sources may not have one name.")
    write_station(folder, rule_set=rule_set, time_zone=time_zone, name=name, units=units, managers=tuple(manager or ()))
    _log_sources(load_station(folder), compressors, banks)
    print(
        f"Made a station in {folder}. Next: coldfill dashboard --station {folder}\n"
        "Its first page leads through register, sources and first fill. Or drop files into "
        f"{folder / 'inbox'}, then: coldfill run --station {folder}"
    )


def _asked(folder: Path, rule_set: str, time_zone: str, name: str, units: str):
    """What init asks; Enter takes what stands in brackets."""
    from pipelines.station.clock import own_zone
    from pipelines.station.text import RULE_SETS
    from schemas.reading_units import CHOICES, US

    print("Enter takes what stands in brackets. All of it stands in station.toml afterwards and can be changed there.")
    name = typer.prompt("Name of the station", default=name or folder.resolve().name)
    time_zone = typer.prompt(
        "Time zone, as Europe/London", default=own_zone() or time_zone, value_proc=_zone, show_default=True
    )
    rule_set = _one_of("Rule set for inspections, air and filling; local law decides", RULE_SETS, rule_set)
    likely = US if rule_set == "us" else units
    print("".join(f"  {code}: {said}\n" for code, said in CHOICES.items()), end="")
    units = _one_of("Units that people read and type", tuple(CHOICES), likely)
    compressors = _names("Compressors, by their names with commas between; Enter: none yet")
    banks = _names("Banks, likewise; Enter: none yet")
    return name, time_zone, rule_set, units, compressors, banks


def _zone(text: str) -> str:
    from zoneinfo import available_timezones

    if text.strip() in available_timezones():
        return text.strip()
    raise typer.BadParameter(f"{text!r} is no time zone. Write it as Europe/London or America/New_York.")


def _one_of(asked: str, choices: tuple[str, ...], default: str) -> str:
    def taken(text: str) -> str:
        if text.strip() in choices:
            return text.strip()
        raise typer.BadParameter(f"{text!r} is none of: {', '.join(choices)}.")

    return typer.prompt(f"{asked} ({', '.join(choices)})", default=default, value_proc=taken)


def _names(asked: str) -> list[str]:
    said = typer.prompt(asked, default="", show_default=False)
    return list(dict.fromkeys(part.strip() for part in said.split(",") if part.strip()))


def _log_sources(station, compressors: list[str], banks: list[str]) -> None:
    """The sources as entries in the inbox, so that they are taken in, corrected and withdrawn like any other."""
    if not (compressors or banks):
        return
    from pipelines.station.clock import latest_moment, now
    from schemas.entries import Entry, NotSaved, new_token, save

    moment = now()
    latest = latest_moment(station, None, moment)
    rows: list[tuple[str, dict[str, str]]] = []
    for one in compressors:
        rows += [("sources", {"source_id": one, "kind": "compressor"}), ("compressors", {"compressor_id": one})]
    rows += [("sources", {"source_id": one, "kind": "bank"}) for one in banks]
    for source, row in rows:
        try:
            save(station.inbox, Entry(source, row, "coldfill init", "init", new_token(moment)), moment, latest)
        except NotSaved as why:
            said = " ".join(reason for reasons in why.reasons.values() for reason in reasons)
            raise Stop(f"The station is made, but {next(iter(row.values()))!r} was not taken: {said or why}") from why


def template(
    source: Annotated[str, typer.Argument(metavar="SOURCE", help="fills, cylinders, members, dives, …")],
    to: Annotated[Path, typer.Option("--to", help="Workbook to write.", metavar="FILE.xlsx")],
    station: Annotated[
        Path | None,
        typer.Option("--station", help="Choose from the cylinders, members, … of this station.", metavar="DIR"),
    ] = None,
) -> None:
    """An empty workbook to log into: headers, units in notes, lists to choose from, and a sheet to print."""
    from schemas.log_workbook import known_names, write_template
    from schemas.snapshot import NothingPublished, read_manifest, read_table
    from schemas.sources import SOURCES

    if source not in SOURCES:
        raise Stop(f"There is no source {source!r}. Sources: {', '.join(SOURCES)}.")
    known = {}
    if station is not None:
        from pipelines.station.settings import load_station

        published = load_station(station).published
        with contextlib.suppress(NothingPublished):  # nothing is known yet, so there is nothing to choose from
            known = known_names(partial(read_table, published, read_manifest(published)))
    with writing(to):
        write_template(source, to, known)
    print(f"Wrote {to}. Delete its example row, fill it in, and drop it into inbox/.")
