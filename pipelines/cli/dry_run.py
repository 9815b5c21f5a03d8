"""Would a file load? Takes it into a copy of the warehouse that is thrown away, so the answer is the real one."""

import contextlib
import shutil
import tempfile
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

from pipelines.cli.console import problem_line
from pipelines.intake.forgotten import KEY, LIST
from pipelines.intake.intake import Intake
from pipelines.refresh.run import LOCK, pass_lock
from pipelines.station.clock import latest_moment, now
from pipelines.station.settings import Station
from pipelines.warehouse import files
from pipelines.warehouse.problems import open_since
from pipelines.warehouse.store import Warehouse

_RUN = "check"


@dataclass
class Checked:
    """What would become of one file."""

    file: str
    source: str | None = None
    read: int = 0
    accepted: int = 0
    rejected: int = 0
    refused: str | None = None
    problems: list[str] = field(default_factory=list)

    def for_scripts(self) -> dict:
        return asdict(self)


def check_files(station: Station, paths: list[Path]) -> list[Checked]:
    """Take the files into a copy of the station and tell what happened; the station stays as it is.

    Raises
    ------
    FileNotFoundError
        A file is not there.
    WarehouseBusy
        A run is at work on this station.
    """
    for path in paths:
        if not path.is_file():
            raise FileNotFoundError(f"{path}: there is no such file.")
    with tempfile.TemporaryDirectory(prefix="coldfill-check-") as folder:
        trial = replace(station, folder=Path(folder))
        for part in (trial.inbox, trial.archive, trial.lake):
            part.mkdir(parents=True)
        _copy_warehouse(station, trial)
        for name in (LIST, KEY):
            if (station.archive / name).exists():
                shutil.copy2(station.archive / name, trial.archive / name)
        names: dict[str, str] = {}
        inbox = station.inbox.resolve()
        for n, path in enumerate(paths):
            real = path.resolve()
            place = Path(real.relative_to(inbox)) if real.is_relative_to(inbox) else Path(path.name)
            if not real.is_relative_to(inbox) and real.parent.parent.name == "dives":  # this tells whose dives they are
                place = Path("dives") / real.parent.name / path.name
            if place.as_posix() in names:  # of one name in two folders
                place = Path(f"file-{n}") / place
            (trial.inbox / place).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(path, trial.inbox / place)
            names[place.as_posix()] = str(path)
        return _taken(trial, names)


def _copy_warehouse(station: Station, trial: Station) -> None:
    """A copy that is whole: not taken while a run writes."""
    if not station.warehouse.exists():
        return
    with pass_lock(station) if (station.folder / LOCK).exists() else contextlib.nullcontext():
        shutil.copy2(station.warehouse, trial.warehouse)
        log = station.warehouse.with_name(station.warehouse.name + ".wal")
        if log.exists():
            shutil.copy2(log, trial.warehouse.with_name(log.name))


def _taken(trial: Station, names: dict[str, str]) -> list[Checked]:
    moment = now()
    warehouse = Warehouse(trial.warehouse, upgrade=True)  # a copy
    try:
        intake = Intake(trial, warehouse, _RUN, moment, latest_moment(trial, None, moment), afresh=True)
        result = intake.run()
        by_file = {f["file"]: f for f in result.files}
        counts = files.row_counts(warehouse, _RUN)
        problems = open_since(warehouse, moment)
        found = []
        for place, shown in names.items():
            row = counts.loc[place] if place in counts.index else None
            found.append(
                Checked(
                    shown,
                    row["source"] if row is not None else None,
                    read=int(row["rows_read"]) if row is not None else 0,
                    accepted=int(row["rows_accepted"]) if row is not None else 0,
                    rejected=int(row["rows_rejected"]) if row is not None else 0,
                    refused=by_file.get(place, {}).get("refused"),
                    problems=[
                        problem_line(p | {"file": shown})
                        for p in problems[problems["file"] == place].to_dict("records")
                    ],
                )
            )
        return found
    finally:
        warehouse.close()
