"""`coldfill hand-out`: what a station keeps of one person, for that person."""

from pathlib import Path
from typing import Annotated

import typer

from pipelines.cli.options import HERE, StationOption, Stop, writing


def hand_out(
    member: Annotated[str, typer.Argument(metavar="MEMBER_ID", help="As in members.csv.")],
    to: Annotated[Path, typer.Option("--to", help="New or empty folder.", metavar="DIR")],
    station: StationOption = HERE,
) -> None:
    """Write all that is kept of one member into a folder, for that person to have."""
    from pipelines.refresh.hand_out import hand_out as write_all
    from pipelines.station.settings import load_station
    from pipelines.warehouse.person import NobodyKnown

    try:
        with writing(to):
            made = write_all(load_station(station), member, to)
    except NobodyKnown as error:
        raise Stop(str(error)) from error
    print(f"Wrote {to}. It is personal: give it to nobody else, and look through it first for names of others.")
    for line in made.lines():
        print(f"  {line}")


def forget(
    member: Annotated[str, typer.Argument(metavar="MEMBER_ID", help="As in members.csv.")],
    station: StationOption = HERE,
    name: Annotated[
        list[str] | None,
        typer.Option(help="Another name or initials by which they signed; may stand several times.", metavar="NAME"),
    ] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only say what would be done.")] = False,
    looked_at: Annotated[
        list[str] | None,
        typer.Option(
            help="Of who was forgotten: this original was looked through and tells nothing of them; may stand several "
            "times.",
            metavar="FILE",
        ),
    ] = None,
    remove: Annotated[
        list[str] | None,
        typer.Option(
            help="Of who was forgotten: remove this original, and its rows, for it tells of them; may stand several "
            "times.",
            metavar="FILE",
        ),
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
) -> None:
    """Forget a member: fills, inspections and leaks stay, under a made-up name; who it was goes everywhere."""
    from pipelines.refresh.forget import NotForgotten, look_done
    from pipelines.refresh.forget import forget as forget_all
    from pipelines.refresh.run import pass_lock, run_locked
    from pipelines.station.settings import load_station
    from pipelines.warehouse.person import NobodyKnown

    kept, names = load_station(station), tuple(name or ())
    try:
        if looked_at:
            with pass_lock(kept):
                left = look_done(kept, member, tuple(looked_at))
            print("\n".join(left) if left else "Noted. No original is left to look at.")
            return
        if remove:
            if not yes and not typer.confirm(f"Remove {', '.join(remove)} and all rows of it? It cannot be taken back"):
                raise Stop("Nothing was changed.", 1)
        elif dry_run or not yes:
            print(f"Forgetting {member} would do this, for good:")
            with pass_lock(kept):
                planned = forget_all(kept, member, run_locked, names=names, do=False)
            for line in planned.lines():
                print(f"  {line}")
        if dry_run:
            return
        if not (yes or remove) and not typer.confirm("Forget? It cannot be taken back"):
            raise Stop("Nothing was changed.", 1)
        with pass_lock(kept):
            made = forget_all(kept, member, run_locked, names=names, remove=tuple(remove or ()), do=True)
    except (NobodyKnown, NotForgotten) as error:
        raise Stop(str(error)) from error
    print("Done:")
    for line in made.lines():
        print(f"  {line}")
