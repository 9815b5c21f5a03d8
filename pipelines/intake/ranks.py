"""By which time a file ranks. Bytes that are known keep the time they first came with.

A copy or a restore that loses the times of files must not undo corrections. One known file that was saved again
alone is meant to win, and is listed; several at once look like a copy, and keep their order.
"""

import hashlib
from pathlib import Path

import pandas as pd

from pipelines.intake.inbox import InboxFile
from pipelines.intake.pending import Known, Reading, ToRead
from pipelines.readers.forms import sources_in
from pipelines.warehouse.rows import count_that_would_win
from pipelines.warehouse.store import STORED, Warehouse

#: files whose times were lost within so long belong to one copy
_ONE_COPY = pd.Timedelta(hours=1)
#: bytes; a larger file whose bytes differ counts as changed
_MOST_COMPARED = 64 << 20
#: a file time beyond so long after now is that of a clock that is wrong
AHEAD = pd.Timedelta(days=1)


def settle_ranks(todo: ToRead, readings: Known, archive: Path, now: pd.Timestamp) -> None:
    """Set `ranked_at` and `saved_again` of files that are to be read.

    Parameters
    ----------
    todo : files to read, those of the inbox and those of the archive alone
    readings : of each place
    archive : folder of the originals, whose ranks are those of their readings
    now : UTC
    """
    new = [found for found, _ in todo if found.path.parent != archive]
    asked = {found.size for found in new} | {len(found.instead) for found in new if found.instead is not None}
    sizes = readings.of_sizes(asked) if asked else {}
    again: list[InboxFile] = []
    for found, _ in todo:
        if found.path.parent != archive:
            size = found.size if found.instead is None else len(found.instead)
            alike = sizes.get(size, []) + (sizes.get(found.size, []) if size != found.size else [])
            first, touched = _known(found, alike) if alike else (None, False)
            if first is None and (last := _same_text(found, readings.of(found.file), archive)):
                first, touched = last, True
            if first is not None:
                found.ranked_at = ranked_at(first)
                if touched and found.saved_at.floor("2s") > found.ranked_at.floor("2s"):
                    again.append(found)
        if found.ranked_at is None and found.saved_at > now + AHEAD:
            found.ranked_at = now.floor("us")
    if len(again) == 1 and not _lost_times_near(again[0], readings):
        found = again[0]
        found.ranked_at, found.saved_again = min(found.saved_at, now + AHEAD), "alone"
    else:
        for found in again:
            found.saved_again = "with others"


def ranked_at(reading: Reading) -> pd.Timestamp:
    """The time a reading ranks by."""
    return pd.Timestamp(reading["modified_at"]).tz_convert("UTC").as_unit("us")


def _known(found: InboxFile, alike: list[Reading]) -> tuple[Reading | None, bool]:
    """The reading whose rank these bytes keep, and whether its own place was saved again."""
    try:
        if found.instead is not None:
            sha256 = hashlib.sha256(found.instead).hexdigest()
        else:
            with open(found.path, "rb") as handle:
                sha256 = hashlib.file_digest(handle, "sha256").hexdigest()
    except OSError:
        return None, False  # known when it is read
    same = [r for r in alike if r["file_sha256"] == sha256]
    here = [r for r in same if r["file"] == found.file]
    if here:
        return here[0], here[0]["mtime_ns"] != found.mtime_ns
    return (same[0], False) if same else (None, False)


def _same_text(found: InboxFile, past: list[Reading], archive: Path) -> Reading | None:
    """The last reading of this place, if the file has the same text with other line ends or another mark before it.

    So a copy leaves it that goes through another system; no value has changed.
    """
    last = past[-1] if past else None
    text = Path(found.file).suffix.lower() in (".csv", ".tsv", ".txt")
    if last is None or not text or max(found.size, last["size"]) > _MOST_COMPARED:
        return None
    if not last["archived"] or found.size > 2 * last["size"] + 8 or last["size"] > 2 * found.size + 8:
        return None
    try:
        same = _plain(found.path.read_bytes()) == _plain((archive / last["archived"]).read_bytes())
    except OSError:
        return None
    return last if same else None


def _plain(data: bytes) -> bytes:
    return data.removeprefix(b"\xef\xbb\xbf").replace(b"\r\n", b"\n").replace(b"\r", b"\n").rstrip(b"\n")


def _lost_times_near(found: InboxFile, readings: Known) -> bool:
    """Whether other known files came with new times just before, and kept their order."""
    for file, past in readings.all().items():
        saved = pd.Timestamp(past[-1]["mtime_ns"], unit="ns", tz="UTC")
        lost_its_time = file != found.file and saved.floor("2s") > ranked_at(past[-1]).floor("2s")
        if lost_its_time and abs(saved - found.saved_at) <= _ONE_COPY:
            return True
    return False


def rows_that_would_win(warehouse: Warehouse, found: InboxFile) -> int:
    """How many rows of a file that keeps its rank would count, had it taken the time it now has."""
    return sum(
        count_that_would_win(warehouse, source, found.file, found.sha256, found.saved_at)
        for source in sources_in(found.source)
        if source in STORED
    )
