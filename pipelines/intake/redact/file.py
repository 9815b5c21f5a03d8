"""One file without what is of people who were forgotten, whatever it is."""

import json
from collections.abc import Mapping as AnyMapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from pipelines.intake.file_layout import FileLayout
from pipelines.intake.forgotten import Forgotten
from pipelines.intake.redact import uddf, workbook
from pipelines.intake.redact.text import redact_csv, redact_text
from pipelines.readers.forms import form_of
from pipelines.readers.tables.mapping import folder_member
from schemas.sources import SOURCES

_BOOKS, _TEXTS = (".xlsx", ".xlsm"), (".csv", ".tsv", ".txt")


@dataclass(frozen=True)
class Redacted:
    """What a file is to hold, in how many rows or places that is new, and whether it could be looked into.

    `inside`: kinds of parts that could not, of one that otherwise could.
    """

    data: bytes
    changed: int
    looked: bool = True
    inside: tuple[str, ...] = ()


def place_of(file: str, people: Forgotten) -> str:
    """A place in the inbox without their ids, names and addresses."""
    parts = PurePosixPath(file).parts
    folder = folder_member(file)
    made = [people.member(part) if part == folder else None for part in parts]
    return "/".join(new or people.text(part) for new, part in zip(made, parts, strict=True))


def redact_file(
    path: Path, file: str, layout: FileLayout, people: Forgotten, files: AnyMapping[str, str] | None = None
) -> Redacted:
    """A file without them.

    Parameters
    ----------
    path : where its bytes lie
    file : its place in the inbox, as it is or made up by now
    files : see `cells.changed_rows`
    """
    folder = _made_up(folder_member(file), people)
    ending, files = PurePosixPath(file).suffix.casefold(), files or {}
    try:
        if ending in _BOOKS:
            data, changed = workbook.redact_workbook(path, layout, folder, people, files)
            return Redacted(data, changed, inside=workbook.not_looked_into(data, people))
        if form_of(file):
            return Redacted(*uddf.redact_uddf(path.read_bytes(), folder is not None, people))
    except workbook.NotReadable:
        return Redacted(path.read_bytes(), 0, looked=False)
    except uddf.NotReadable:
        pass  # what of it is text can still be looked through
    data = path.read_bytes()
    if ending in _TEXTS and layout.source in SOURCES:
        return Redacted(*redact_csv(data, layout, folder, people, files))
    return Redacted(*redact_text(data, people, files), looked=b"\0" not in data[:4096])


def redact_layout(text: str, people: Forgotten) -> str:
    """A layout as the archive keeps it, without their ids and names."""

    def made(value: Any) -> Any:
        if isinstance(value, str):
            return people.member(value) or people.text(value) if any(c.isalpha() for c in value) else value
        if isinstance(value, list):
            return [made(v) for v in value]
        return {made(k): made(v) for k, v in value.items()} if isinstance(value, dict) else value

    try:
        said = json.loads(text) if text else None
    except ValueError:
        return text
    clean = made(said)
    return text if clean == said else json.dumps(clean, ensure_ascii=False)


def _made_up(folder: str | None, people: Forgotten) -> str | None:
    """The made-up name of the member of a folder, if forgotten."""
    if folder is None:
        return None
    return folder if any(folder == p.made_up for p in people.people) else people.member(folder)
