"""What is done to a station while one call to the disk fails, and what is asked of it afterwards."""

import hashlib
import re
import shutil
import sys
from contextlib import suppress
from pathlib import Path

import pandas as pd
import small_station as s

import pipelines.cli
from pipelines.intake.rebuild import WarehouseLost
from pipelines.station import clock
from pipelines.station.backup import restore_backup, write_backup
from schemas.entries import Entry, NotSaved, save
from schemas.snapshot import NothingPublished, current_name

#: of what was said when fills went out, the history counts
OF_HISTORY = ("handed_over_verdict", "handed_over_settled_bar_15c")
FORGOTTEN = re.compile(r"former-member-\w+")
"""Drawn anew each time somebody is forgotten."""
TOKEN = "20260331T120000-0123456789abcdef"
_ENTERED = {"fill_id": "E1", "filled_at": pd.Timestamp("2026-03-20 10:00Z"), "unit_id": "C1"}
_ENTERED |= {"start_pressure_bar": 50.0, "stop_pressure_bar": 230.0, "target_pressure_bar": 232.0}
_ENTERED |= {"ambient_c": 18.0, "target_o2_pct": 20.95, "fill_method": "air"}


def _command(folder: Path, *words: str) -> None:
    sys.argv = ["coldfill", *words, "--station", str(folder)]
    pipelines.cli.main()


def new_files(folder: Path, *, dives: bool = True) -> None:
    """What comes in before a run: new rows, a correction, a bad row, a dive with its samples."""
    station = s.load_station(folder)
    s.drop(
        station, "fills-more.csv", [s.fill(9), s.fill(1, stop_pressure_bar="199"), s.fill(10, stop_pressure_bar="x")], 5
    )
    if not dives:
        return
    s.drop(station, "dives-more.csv", [s.dive(9)], 6)
    s.drop(station, "dive_tanks-more.csv", [s.tank(9)], 6)
    s.drop(station, "dive_samples-more.csv", s.samples(9), 6)


def run(folder: Path) -> None:
    _command(folder, "run")


def entry(folder: Path) -> None:
    """What a form does when its button is pressed."""
    moment = pd.Timestamp("2026-03-31 12:00Z")
    inbox = s.load_station(folder).inbox
    try:
        save(inbox, Entry("fills", _ENTERED, "IV", "Filling", TOKEN), moment, moment + pd.Timedelta(days=1))
    except NotSaved as error:
        print(error)
        raise SystemExit(2) from None


def withdraw(folder: Path) -> None:
    _command(folder, "withdraw", "fills:F3", "--reason", "typed twice", "--by", "IV", "--run")


def rebuild(folder: Path) -> None:
    _command(folder, "rebuild")


def backup(folder: Path) -> None:
    sys.argv = ["coldfill", "backup", str(folder.parent / "saved" / "station.zip"), "--station", str(folder)]
    pipelines.cli.main()


def restore(folder: Path) -> None:
    """From the backup that lies in the station's own folder, into a new one beside it."""
    sys.argv = ["coldfill", "restore", str(folder / BACKUP), "--to", str(folder.parent / "restored")]
    pipelines.cli.main()


def forget(folder: Path) -> None:
    _command(folder, "forget", "M1", "--yes")


BACKUP = "to-restore.zip"
ACTS = {"run": run, "first run": run, "upgrade": run, "entry": entry, "withdraw": withdraw, "backup": backup,
        "restore": restore, "forget": forget, "rebuild": rebuild}  # fmt: skip


def base(act: str, new: Path, computed: Path, to: Path) -> None:
    """A station as it stands before an act, of one that was never run or of the same once it was computed."""
    if act == "upgrade":
        restore_backup(Path(__file__).parent / "data" / "first_form.zip", to)
        return
    shutil.copytree(new if act == "first run" else computed, to)
    if act in ("run", "first run"):
        new_files(to, dives=(computed / "inbox" / "dives.csv").exists())
    if act == "restore":
        write_backup(to, to.with_suffix(".zip"), clock.now())
        to.with_suffix(".zip").rename(to / BACKUP)


def _digest(tables: dict[str, pd.DataFrame]) -> str:
    made = hashlib.sha256()
    for name, frame in sorted(tables.items()):
        frame = frame.drop(columns=[c for c in OF_HISTORY if c in frame])
        text = frame.to_json(orient="split", date_format="iso", double_precision=15)
        made.update(name.encode() + FORGOTTEN.sub("former-member", text).encode())
    return made.hexdigest()


def state(folder: Path) -> str:
    """A digest of what is published; empty where nothing is."""
    station = s.load_station(folder)
    if current_name(station.published) is None:
        return ""
    return _digest(s.published(station))


def after(act: str, folder: Path) -> dict:
    """What is served after the act, what the act left, and what stands after it was done again and a run was made."""
    station = s.load_station(folder)
    found: dict = {}
    try:
        found["served"] = state(folder)
    except NothingPublished as error:
        found["served"] = f"{type(error).__name__}: {error}"
    saved = folder.parent / "saved" / "station.zip"
    if act == "entry":
        found["entries"] = sorted(p.name for p in (station.inbox / "entries").glob("*"))
        try:
            entry(folder)
        except SystemExit:
            found["again"] = "refused"
    elif act == "backup":
        found["backups"] = sorted(p.name for p in saved.parent.glob("*"))
        if saved.exists():
            restore_backup(saved, folder.parent / "restored")
            found["restored"] = state(folder.parent / "restored")
        else:
            write_backup(folder, saved, clock.now())
    elif act == "restore":
        made = folder.parent / "restored"
        found["left_over"] = sorted(p.name for p in folder.parent.iterdir() if p.name not in ("station", "restored"))
        if not made.exists():
            restore_backup(folder / BACKUP, made)
        found["restored"] = state(made)
        s.run(s.load_station(made))
        found["restored_run"] = state(made)
    elif act == "forget":
        with suppress(SystemExit):
            forget(folder)
    elif act == "withdraw":
        rows = s.stored(station)["fills"]
        said = list((station.inbox / "entries").glob("withdrawals-*.csv"))
        if not said and "F3" in set(rows["fill_id"]):
            with suppress(SystemExit):
                withdraw(folder)
    try:
        s.run(station)
    except WarehouseLost:  # said to whoever asks for a run; the archive has it all
        s.run(station, rebuild=True)
    found["next"] = state(folder)
    found["open"] = len(s.open_problems(station))
    found["notices"] = sorted({rule for _, rule in s.notices(station)})
    found["again_published"] = s.run(station).published
    if act == "forget":
        found["still_named"] = sorted(
            str(p.relative_to(folder)) for p in folder.rglob("*") if p.is_file() and b"Ines Vard" in p.read_bytes()
        )
    return found
