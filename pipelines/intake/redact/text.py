"""CSV and other text without what is of people who were forgotten; lines that hold nothing of them stay as they are."""

import csv
import io
from collections.abc import Mapping as AnyMapping

from pipelines.intake.file_layout import FileLayout
from pipelines.intake.forgotten import Forgotten
from pipelines.intake.redact.cells import changed_rows, columns
from pipelines.readers.tables.csv_text import MOST_BYTES, divided
from pipelines.readers.tables.sheet import Refused
from pipelines.readers.tables.table import headers_known
from schemas.sources import SOURCES

_BOM = b"\xef\xbb\xbf"


def redact_csv(
    data: bytes, layout: FileLayout, folder: str | None, people: Forgotten, files: AnyMapping[str, str]
) -> tuple[bytes, int]:
    """A CSV file without them, and how many rows that changed; one that cannot be divided is taken as plain text."""
    mapping = layout.mapping
    if mapping is None or layout.source not in SOURCES:
        return redact_text(data, people, files)
    try:
        text, separator, headers, start, _ = divided(data, mapping, headers_known(layout.source, mapping))
        known = columns(headers, layout, folder)
        body = text[start:].decode("utf-8")
        made, rows = _rows(body, separator, known, people, files)
    except (Refused, csv.Error, UnicodeError):
        return redact_text(data, people, files)
    head = people.text(text[:start].decode("utf-8"))
    if not rows and head.encode("utf-8") == text[:start]:
        return data, 0
    whole = head + made
    if b"\r\n" in data:
        whole = whole.replace("\n", "\r\n")
    if mapping.encoding != "utf-8":
        return whole.encode(mapping.encoding, "replace"), rows
    return (_BOM if data.startswith(_BOM) else b"") + whole.encode("utf-8"), rows


def _rows(body: str, separator: str, known, people: Forgotten, files: AnyMapping[str, str]) -> tuple[str, int]:
    """The body with the lines of changed rows written anew."""
    csv.field_size_limit(MOST_BYTES)
    lines = body.split("\n")
    reader = csv.reader(io.StringIO(body, newline=""), delimiter=separator, strict=True)
    ends: list[int] = []

    def cells():
        for row in reader:
            ends.append(reader.line_num)
            yield row

    made, done, rows = [], 0, 0
    for n, row in changed_rows(cells(), known, people, files):
        first = ends[n - 1] if n else 0
        made += lines[done:first]
        out = io.StringIO()
        csv.writer(out, delimiter=separator, lineterminator="").writerow(row)
        made.append(out.getvalue())
        done, rows = ends[n], rows + 1
    return "\n".join(made + lines[done:]), rows


def redact_text(data: bytes, people: Forgotten, files: AnyMapping[str, str]) -> tuple[bytes, int]:
    """Any text without them, line by line; bytes that are no text come back as they are."""
    for encoding in ("utf-8", "utf-16") if data[:2] in (b"\xff\xfe", b"\xfe\xff") else ("utf-8", "latin-1"):
        try:
            text = data.decode(encoding)
            break
        except UnicodeError:
            continue
    else:
        return data, 0
    if "\0" in text:
        return data, 0
    lines = text.split("\n")
    made = [people.text(line) for line in lines]
    for old, new in files.items():
        made = [line.replace(old, new) for line in made] if old in text else made
    changed = sum(a != b for a, b in zip(lines, made, strict=True))
    return ("\n".join(made).encode(encoding), changed) if changed else (data, 0)
