"""Make the sample station: its settings, and the sample files dropped into its inbox."""

import shutil
from importlib import util
from pathlib import Path

from pipelines.station.settings import FILE, Station, load_station, write_station


class NotOurs(RuntimeError):
    """The folder holds something that is not a sample station."""


def make_demo(folder: Path) -> Station:
    """A sample station in a folder; one that is there already is kept and gets files it lacks.

    `today` is the last day of the data, so that the sample never goes stale.

    Raises
    ------
    NotOurs
        The folder holds other things.
    """
    package = util.find_spec("sample_data")
    if package is None or not package.submodule_search_locations:
        raise FileNotFoundError("The sample data is not part of this installation.")
    sample = Path(package.submodule_search_locations[0])
    if folder.exists() and any(folder.iterdir()) and not (folder / FILE).exists():
        raise NotOurs(f"{folder} holds other things. Name a new folder: coldfill demo --dir NEW-FOLDER")
    if not (folder / FILE).exists():
        settings = sample / FILE
        write_station(folder, name="Sample station", today="data")
        if settings.exists():
            shutil.copy2(settings, folder / FILE)
    station = load_station(folder)
    for source in sorted((sample / "inbox").rglob("*")):
        target = station.inbox / source.relative_to(sample / "inbox")
        if source.is_file() and not target.exists():
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(source, target)
    return station
