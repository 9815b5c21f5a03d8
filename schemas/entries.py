"""One entry of a form → one small CSV file in the inbox, once.

A form never touches the warehouse: what is typed becomes a file like any other, held to the same rules, and is
read by the next run. A form draws a token when it is opened, and the file is named by it: pressed twice, or sent
again after a lost connection, it makes one file.
"""

import contextlib
import csv
import errno
import io
import math
import os
import re
import secrets
import tempfile
import threading
from collections.abc import Container, Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from schemas import codes, reading_units
from schemas.check import check
from schemas.contradictions import PAIRS, shown
from schemas.fields import Field
from schemas.frames import conform
from schemas.sources import REVISED_AT, SOURCES
from schemas.written_text import broken_rule
from shared.gas.mixing import AIR_ARGON_PCT, share_for_per_cent

#: folder of the inbox that forms write into
FOLDER = "entries"
#: columns beside those of the source; the reader leaves them in the original
ENTERED = ("entered_by", "entered_at", "entered_page")
_TOKEN = re.compile(r"\d{8}T\d{6}-[0-9a-f]{16}")
_NAME = re.compile(rf"([a-z_]+)-({_TOKEN.pattern})(?:-({reading_units.US}))?\.csv")
#: two of one process at once; others are kept apart by the file system
_ONE_AT_A_TIME = threading.Lock()
_FULL = (errno.ENOSPC, errno.EDQUOT)
_MAY_NOT = (errno.EACCES, errno.EPERM, errno.EROFS)


class NotSaved(RuntimeError):
    """Nothing was written; the message says why and what to do. `reasons` are those of single columns."""

    def __init__(self, why: str, reasons: Mapping[str, list[str]] | None = None):
        super().__init__(f"Not saved: {why}")
        self.reasons = dict(reasons or {})


@dataclass(frozen=True)
class Entry:
    """A row of a source as a form holds it: numbers, texts, moments with a zone, days; None where nothing is known.

    Its figures are as they were typed, in `units`; the file states the unit in its headers.
    """

    source: str
    row: Mapping[str, Any]
    by: str
    page: str
    token: str
    units: str = reading_units.METRIC


@dataclass(frozen=True)
class Saved:
    """Where an entry stands; `before` if it had been saved already."""

    file: str
    before: bool = False


@dataclass(frozen=True)
class Written:
    """An entry as its file holds it, every value as text; figures in the contract's units."""

    file: str
    source: str
    row: Mapping[str, str] = field(default_factory=dict)

    @property
    def at(self) -> pd.Timestamp | None:
        """When it was saved, UTC; None where the file does not say."""
        at = pd.to_datetime(self.row.get("entered_at"), utc=True, errors="coerce")
        return None if at is pd.NaT or at is None else at


def new_token(now: pd.Timestamp) -> str:
    """What names a form that is opened now; it cannot be guessed."""
    return f"{now.tz_convert('UTC'):%Y%m%dT%H%M%S}-{secrets.token_hex(8)}"


def nth_token(token: str, n: int) -> str:
    """The token of the nth row that one form saves; of the first its own."""
    head, _, drawn = token.rpartition("-")
    return f"{head}-{(int(drawn, 16) + n) % (1 << 64):016x}"


def written_by_form(file: str) -> tuple[str, str | None] | None:
    """The source and the units (None: the contract's) of a file that a form has written; None of any other."""
    folder, _, name = file.replace("\\", "/").rpartition("/")
    found = _NAME.fullmatch(name) if folder == FOLDER else None
    return (found.group(1), found.group(3)) if found and found.group(1) in SOURCES else None


def entry_source(file: str) -> str | None:
    """The source of a file that a form has written, by its place in the inbox; None of any other."""
    found = written_by_form(file)
    return None if found is None else found[0]


def entry_headers(file: str) -> dict[str, str]:
    """Column → header in the file, of those that the form wrote in another unit than the contract's."""
    source, units = written_by_form(file) or (None, None)
    if source is None or units is None:
        return {}
    named = {column: reading_units.header_of(column, units) for column in SOURCES[source].fields}
    return {column: header for column, header in named.items() if header != column}


def reasons_against(entry: Entry, latest: pd.Timestamp) -> dict[str, list[str]]:
    """What is wrong with an entry, by column, as a run would say of the same row in a file.

    Parameters
    ----------
    latest : Timestamp
        UTC; nothing that has happened lies after it.

    Raises
    ------
    KeyError
        The row has a column that its source has not.
    """
    declared = SOURCES[entry.source]
    unknown = set(entry.row) - set(declared.fields)
    if unknown:
        raise KeyError(f"{entry.source} has no column {', '.join(sorted(unknown))}")
    found: dict[str, list[str]] = {}
    clean: dict[str, Any] = {}
    for name, value in _known(entry).items():
        broken = _broken(declared.fields[name], value, declared.key)
        if broken:
            found.setdefault(name, []).append(_sentence(broken[0], name, broken[1]))
        clean[name] = reading_units.typed(name, value, entry.units) if isinstance(value, float) else value
    if not entry.by:
        found.setdefault("entered_by", []).append("Say who you are: a name or initials.")
    elif broken := broken_rule("entered_by", entry.by, key=()):
        found.setdefault("entered_by", []).append(_sentence(broken[0], "entered_by", broken[1]))
    made = {n: [pd.NaT if v is None else v] for n, v in clean.items() if not (isinstance(v, float) and math.isinf(v))}
    frame = conform(pd.DataFrame(made, index=[0]), declared.fields.values()).assign(row_number=1, line=2)
    for pair in PAIRS.get(entry.source, ()):
        if pair.contradicted(frame)[0]:
            words = {"value": shown(frame[pair.higher][0]), "other": shown(frame[pair.lower][0])}
            found.setdefault(pair.higher, []).append(_sentence(pair.rule, pair.higher, words))
    _, problems = check(entry.source, frame, latest)
    metric = entry.units == reading_units.METRIC
    for problem in problems.itertuples():
        asked = re.match(r"Is it [^?]+\?", str(problem.fix))
        said = f"{problem.message} {asked.group(0)}" if asked and metric else str(problem.message)
        if problem.column not in found or problem.rule != "missing_value":
            found.setdefault(str(problem.column), []).append(said)
    if metric:
        return found
    with reading_units.reading(entry.units):
        return {column: [reading_units.text(said) for said in reasons] for column, reasons in found.items()}


def save(inbox: Path, entry: Entry, now: pd.Timestamp, latest: pd.Timestamp) -> Saved:
    """Write an entry into the inbox, whole or not at all, and once.

    Parameters
    ----------
    inbox : Path
        The station's folder of files to take in.
    now : Timestamp
        UTC; when it is saved, and what decides which of two rows of one key is newer.
    latest : Timestamp
        As `reasons_against` takes it.

    Raises
    ------
    NotSaved
        A value is refused, the form was saved before with other content, or the file cannot be written.
    """
    if not _TOKEN.fullmatch(entry.token):
        raise NotSaved("the form has no number of its own. Open the page again.")
    if found := reasons_against(entry, latest):
        raise NotSaved("look at what is marked.", found)
    in_units = "" if entry.units == reading_units.METRIC else f"-{entry.units}"
    name = f"{entry.source}-{entry.token}{in_units}.csv"
    target = inbox / FOLDER / name
    content = _content(entry, now)
    try:
        if not inbox.is_dir():
            raise NotSaved(f"the station has no inbox at {inbox}.")
        target.parent.mkdir(exist_ok=True)
        with _ONE_AT_A_TIME:
            if _put(target, content):
                return Saved(f"{FOLDER}/{name}")
            if _says_the_same(target, content):
                return Saved(f"{FOLDER}/{name}", before=True)
    except OSError as error:
        raise NotSaved(_why(error, inbox)) from error
    raise NotSaved("this form was saved before with other values. Open it again and log what is new.")


def written(inbox: Path, but: Container[str] = (), since: pd.Timestamp | None = None) -> list[Written]:
    """The entries in an inbox but those named, the oldest first; one that cannot be read the next run names.

    `since`: those alone whose form was opened after that moment.
    """
    found = []
    opened = "" if since is None else f"{since.tz_convert('UTC'):%Y%m%dT%H%M%S}"
    tokens = {name: name.partition("-")[2] for name in names(inbox)}
    asked = [name for name, token in tokens.items() if token >= opened and f"{FOLDER}/{name}" not in but]
    for name in sorted(asked, key=tokens.__getitem__):
        file = f"{FOLDER}/{name}"
        if source := entry_source(file):
            try:
                row = _said(inbox / FOLDER / name, all_of_it=True)
            except (OSError, ValueError, csv.Error):
                continue
            found.append(Written(file, source, _in_contract_units(file, row)))
    return found


def names(inbox: Path) -> list[str]:
    """Names of what forms have written; there may be one for each fill of ten years, and pages ask at every turn."""
    try:
        return [name for name in os.listdir(inbox / FOLDER) if name.endswith(".csv")]
    except OSError:  # none yet; a run says it of a folder that cannot be looked into
        return []


def _in_contract_units(file: str, row: Mapping[str, str]) -> dict[str, str]:
    """The row of a file under the contract's columns, figures converted from the unit that their header states."""
    made = dict(row)
    for column, header in entry_headers(file).items():
        if header in made:
            made[column] = _text(reading_units.typed(column, float(made.pop(header)), reading_units.US))
    return made


def _known(entry: Entry) -> dict[str, Any]:
    """The values of a row, texts without blanks around them; what is empty is left out."""
    made: dict[str, Any] = {}
    for name, value in entry.row.items():
        if isinstance(value, str):
            value = re.sub(r"[\r\n\t]+", " ", value).strip()
        if value is None or value == "" or value is pd.NaT or value is pd.NA or value != value:
            continue
        made[name] = value
    return made


def _broken(field: Field, value: Any, key: tuple[str, ...]) -> tuple[str, dict] | None:
    """The rule that a reader of files would find broken, with its words."""
    if isinstance(value, str):
        return broken_rule(field.name, value, key=key)
    if field.kind == "float":
        if math.isinf(value):
            return "not_finite", {}
        argon_of_air = field.name.endswith("ar_pct") and AIR_ARGON_PCT[0] <= value <= AIR_ARGON_PCT[1]
        if field.unit == "molar %" and share_for_per_cent(value) and not argon_of_air:
            return "share_not_per_cent", {"meant": f"{100 * value:g}"}
    return None


class _Words(dict):
    def __missing__(self, key: str) -> str:
        return "…"


def _sentence(rule: str, column: str, words: Mapping[str, Any]) -> str:
    return codes.all_codes()[rule].says.format_map(_Words({"column": column} | dict(words)))


def _text(value: Any) -> str:
    """A value as the readers take it, whatever the station's own logs look like."""
    value = value.item() if isinstance(value, np.generic) else value
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, pd.Timestamp) and value.tz is not None:
        return f"{value.tz_convert('UTC').floor('s'):%Y-%m-%dT%H:%M:%S}Z"
    if isinstance(value, date):  # a Timestamp without a zone is one
        return f"{value:%Y-%m-%d}"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    return str(value)


def _content(entry: Entry, now: pd.Timestamp) -> str:
    row = {reading_units.header_of(name, entry.units): _text(value) for name, value in _known(entry).items()}
    at = _text(now)
    row |= {REVISED_AT.name: at} | dict(zip(ENTERED, (entry.by, at, entry.page), strict=True))
    made = io.StringIO(newline="")
    out = csv.writer(made, lineterminator="\n")
    out.writerow(row)
    out.writerow(row.values())
    return made.getvalue()


def _said(path: Path, *, all_of_it: bool = False) -> dict[str, str]:
    return _said_in(path.read_text(encoding="utf-8"), all_of_it=all_of_it)


def _said_in(content: str, *, all_of_it: bool = False) -> dict[str, str]:
    """What an entry says, by column; when it was saved is no part of it unless asked for."""
    head, row = list(csv.reader(io.StringIO(content, newline="")))
    said = dict(zip(head, row, strict=True))
    return said if all_of_it else {n: v for n, v in said.items() if n not in (REVISED_AT.name, "entered_at")}


def _says_the_same(target: Path, content: str) -> bool:
    try:
        return _said(target) == _said_in(content)
    except (ValueError, csv.Error):  # damaged since: whoever typed it types it again
        return False


def _put(target: Path, content: str) -> bool:
    """Write a file whole and onto the disk, unless it is there; gives whether it was written."""
    # the inbox passes over what begins with a point, so that a run never meets half a file
    handle, name = tempfile.mkstemp(dir=target.parent, prefix=".", suffix=".part")
    part = Path(name)
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as out:
            out.write(content)
            out.flush()
            os.fsync(out.fileno())
        try:
            os.link(part, target)  # fails where the name is taken, which a rename would not
        except FileExistsError:
            return False
        except OSError:  # a file system without links
            if target.exists():
                return False
            os.rename(part, target)
        try:
            _onto_disk(target.parent)
        except OSError:  # then it must not be taken in although its form says that it is not saved
            target.unlink(missing_ok=True)
            raise
        return True
    finally:
        # what stays is passed over by every run; the entry is saved nevertheless, or was not for another reason
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)


def _onto_disk(folder: Path) -> None:
    """The name of a new file survives a power cut too."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _why(error: OSError, inbox: Path) -> str:
    again = "What you typed still stands here: save it again then."
    if error.errno in _FULL:
        return f"the disk of the station's machine is full. Make room on it. {again}"
    if error.errno in _MAY_NOT:
        return f"nothing may be written into {inbox / FOLDER}. Give the dashboard the right to. {again}"
    return f"{inbox / FOLDER} cannot be written ({error.strerror or error}). {again}"
