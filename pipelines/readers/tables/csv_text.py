"""CSV as bytes → a sheet of text. Fast where the file is regular; line by line where it is not."""

import csv
import io
import re
from array import array

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from pyarrow import csv as arrow_csv

from pipelines.readers.tables.mapping import Mapping, same_header
from pipelines.readers.tables.sheet import MOST_COLUMNS, Refused, Sheet, refused
from pipelines.readers.tables.values import trimmed
from schemas.written_text import LONGEST_CELL

MOST_BYTES = 1 << 30
#: of one line or quoted cell; a cell that counts is far shorter
MOST_OF_ONE = 8 << 20
#: rows that cannot be read as rows; with more the file is something else
MOST_BAD_ROWS = 100_000
#: rows held as objects while a file is read line by line
_AT_ONCE = 20_000
_SEPARATORS = (",", ";", "\t", "|")
_KINDS = (
    (b"%PDF", "a PDF"),
    (b"PK\x03\x04", "a workbook or zip archive"),
    (b"PK\x05\x06", "an empty zip archive"),
    (b"\xd0\xcf\x11\xe0", "an old or locked workbook"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"GIF8", "a picture"),
    (b"PAR1", "Parquet"),
    (b"SQLite format 3", "a database"),
    (b"{\\rtf", "a text document"),
    (b"7z\xbc\xaf", "an archive"),
    (b"Rar!", "an archive"),
)


def true_kind(head: bytes) -> str | None:
    """What the first bytes of a file say it is, if it is none of CSV, XLSX or UDDF."""
    for magic, kind in _KINDS:
        if head.startswith(magic):
            return kind
    text = head.lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if text.startswith((b"<!doctype html", b"<html", b"<table", b"<head")):
        return "a web page"
    if text.startswith((b"<?xml", b"<uddf")):
        return "XML"
    return "JSON" if text.startswith((b"{", b"[")) and b'"' in text[:200] and b":" in text[:4000] else None


def read_csv(data: bytes, mapping: Mapping, known: set[str]) -> Sheet:
    """The sheet in a CSV file.

    Parameters
    ----------
    data : bytes
    mapping : Mapping
    known : set of str
        Reduced headers that would be understood; they decide which separator is meant.

    Raises
    ------
    Refused
        No text, not the encoding it should be, no header, a quote that never ends.
    """
    data, separator, headers, start, header_lines = divided(data, mapping, known)
    if len(headers) > MOST_COLUMNS:
        raise refused("too_many_columns", found=len(headers), limit=MOST_COLUMNS)
    body = data[start:].rstrip(b"\r\n")
    sheet = _regular(body, separator, headers, header_lines) or _line_by_line(body, separator, headers, header_lines)
    return _without_blank_rows(sheet)


def divided(data: bytes, mapping: Mapping, known: set[str]) -> tuple[bytes, str, list[str], int, int]:
    """The file as UTF-8 with line feeds; its separator and headers; where rows begin (byte), and lines before them.

    Raises
    ------
    Refused
        As `read_csv`.
    """
    kind = true_kind(data[:4096])
    if kind:
        raise refused("not_what_its_name_says", suffix=".csv", found=kind)
    data = _as_utf8(data, mapping)
    if not data.strip():
        raise refused("empty_file")
    _no_endless_cell(data)
    data = _line_ends(data)
    return data, *_header(data, mapping, known)


def _line_ends(data: bytes) -> bytes:
    """The data with every line ending in a newline, whatever ended it: CR LF, LF or CR alone, also mixed.

    Settled before anything else looks at lines. Otherwise a row that ends in a lone CR is joined to the next one,
    and both are lost as one row. A line break inside quotes is a line break too.
    """
    if b"\r" not in data:
        return data
    return data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")


def _no_endless_cell(data: bytes) -> None:
    """Refuse a line or a quoted cell that would need many times its size in memory to be found too long."""
    limit, quotes, counted = f"{MOST_OF_ONE >> 20} MB", 0, 0
    for start in range(0, len(data) - MOST_OF_ONE, MOST_OF_ONE):
        if data.find(b"\n", start, start + MOST_OF_ONE) < 0:
            raise refused("too_large", found=f"one line of over {limit}", limit=limit)
        quotes, counted = quotes + data.count(b'"', counted, start), start
        if quotes % 2 and data.find(b'"', start, start + MOST_OF_ONE) < 0:
            raise refused("too_large", found=f"one quoted cell of over {limit}", limit=limit)


def _as_utf8(data: bytes, mapping: Mapping) -> bytes:
    if mapping.encoding != "utf-8":
        try:
            return data.decode(mapping.encoding).lstrip("\ufeff").encode("utf-8")
        except (UnicodeDecodeError, UnicodeError) as error:
            raise _other_text(data, mapping, getattr(error, "start", 0)) from None
    data = data.removeprefix(b"\xef\xbb\xbf")
    if data[:4] in (b"\xff\xfe\x00\x00", b"\x00\x00\xfe\xff"):
        raise refused("not_what_its_name_says", suffix=".csv", found="text in UTF-32")
    if data[:2] in (b"\xff\xfe", b"\xfe\xff") and len(data) > 2:
        raise _other_text(data, mapping, 0)
    if b"\x00" in data:
        raise refused("not_what_its_name_says", suffix=".csv", found="not text")
    try:
        data.decode("utf-8")
    except UnicodeDecodeError as error:
        raise _other_text(data, mapping, error.start) from None
    return data


def _other_text(data: bytes, mapping: Mapping, at: int) -> Refused:
    """Not in the encoding it is read by; and what it looks like."""
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        looks_like = "utf-16"
    else:
        looks_like = "cp1252" if mapping.encoding == "utf-8" else "utf-8"
    line = data.count(b"\n", 0, at) + 1
    return refused("not_utf8", byte=at + 1, line=line, source=mapping.source, read_as=mapping.encoding.upper(),
                   looks_like=looks_like)  # fmt: skip


def _header(data: bytes, mapping: Mapping, known: set[str]) -> tuple[str, list[str], int, int]:
    """Separator, headers, where the data begin (byte) and how many lines lie before."""
    start = 0
    for _ in range(mapping.header_row - 1):
        start = data.find(b"\n", start) + 1
        if start == 0:
            raise refused("header_missing", source=mapping.source)
    before = mapping.header_row - 1
    while (end := data.find(b"\n", start)) != -1 and not data[start:end].strip():
        start, before = end + 1, before + 1
    head = data[start : start + 1_000_000]
    if head[:4].lower() == b"sep=":
        line, _, head = head.partition(b"\n")
        start, before = start + len(line) + 1, before + 1
    text = head.decode("utf-8", "ignore")

    def parse(separator):
        csv.field_size_limit(MOST_BYTES)
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=False)
        try:
            return [cell.strip() for cell in next(reader)], reader.line_num
        except (csv.Error, StopIteration):
            return [], 1

    options = (mapping.separator,) if mapping.separator else _SEPARATORS
    found = [
        (sum(same_header(h) in known for h in parse(s)[0]), len(parse(s)[0]), -n, s) for n, s in enumerate(options)
    ]
    separator = max(found)[3]
    headers, lines = parse(separator)
    while headers and not headers[-1]:
        headers.pop()
    if not headers:
        raise refused("header_missing", source=mapping.source)
    if _rows_in(headers, separator):
        runs_on = f"the header runs on over {lines} lines, and rows stand in it"
        raise refused("broken_quotes", line=before + 1, found=runs_on)
    for _ in range(lines):
        position = data.find(b"\n", start)
        start = len(data) if position == -1 else position + 1
    return separator, headers, start, before + lines


def _rows_in(headers: list[str], separator: str) -> bool:
    """Whether rows stand in a header: a quotation mark that nobody closed takes in all up to the next one.

    A header of several lines holds separators in its first at most.
    """
    least = max(1, len(headers) // 2)
    return any(line.count(separator) >= least for cell in headers for line in cell.split("\n")[1:])


def _regular(body: bytes, separator: str, headers: list[str], header_lines: int) -> Sheet | None:
    """The fast path: None unless every line is one row with the header's number of cells."""
    if not body:
        return Sheet(headers, [pa.array([], type=pa.string()) for _ in headers], np.zeros(0, dtype=np.int64))
    if len(body) < len(headers) * (body.count(b"\n") + 1) - 1:
        return None  # too short for so many lines of so many cells; millions of empty lines would cost gigabytes
    if b'"' in body and _quotes_doubtful(body, separator):
        return None
    names = [str(n) for n in range(len(headers))]
    try:
        table = arrow_csv.read_csv(
            pa.BufferReader(body),
            read_options=arrow_csv.ReadOptions(column_names=names, block_size=1 << 24),
            parse_options=arrow_csv.ParseOptions(
                delimiter=separator, newlines_in_values=b'"' in body, ignore_empty_lines=False
            ),
            convert_options=arrow_csv.ConvertOptions(
                column_types={n: pa.string() for n in names},
                strings_can_be_null=False,
                quoted_strings_can_be_null=False,
            ),
        )
    except (pa.ArrowInvalid, pa.ArrowCapacityError):
        return None
    if table.num_rows != body.count(b"\n") + 1:
        return None
    columns = [_one(c) for c in table.columns]
    if any(pc.max(pc.binary_length(c)).as_py() > LONGEST_CELL for c in columns):
        return None
    return Sheet(headers, columns, header_lines + 1 + np.arange(table.num_rows))


def _quotes_doubtful(body: bytes, separator: str) -> bool:
    """Whether a quoted cell may never end, or go on after its end: Arrow takes both as if nothing were amiss."""
    inside = b"[^" + re.escape(separator.encode()) + b'\n"]'
    return body.count(b'"') % 2 == 1 or re.search(inside + b'"' + inside, body) is not None


def _one(column: pa.ChunkedArray) -> pa.Array:
    made = column.combine_chunks()
    return pa.concat_arrays(made.chunks) if isinstance(made, pa.ChunkedArray) else made


def _line_by_line(body: bytes, separator: str, headers: list[str], header_lines: int) -> Sheet:
    csv.field_size_limit(MOST_BYTES)  # long cells are named by row below; the module would only give up on the file
    reader = csv.reader(io.StringIO(body.decode("utf-8"), newline=""), delimiter=separator, strict=True)
    rows: list[list[str]] = []
    done: list[list[pa.Array]] = []
    lines = array("q")
    bad: dict[int, tuple[str, dict]] = {}
    width, line = len(headers), 1
    try:
        for cells in reader:
            if any(c.strip() for c in cells):
                if any(len(c) > LONGEST_CELL for c in cells):
                    bad[len(lines)] = ("cell_too_long", {"found": max(map(len, cells)), "limit": LONGEST_CELL})
                    cells = [""] * width
                elif len(cells) != width and (len(cells) < width or any(c.strip() for c in cells[width:])):
                    bad[len(lines)] = (
                        "wrong_cell_count",
                        {"found": len(cells), "limit": width, "value": separator.join(cells)},
                    )
                    cells = [""] * width
                elif swallowed := _swallowed(cells, separator, width):
                    last = line + header_lines + swallowed
                    bad[len(lines)] = ("rows_in_one_cell", {"first": line + header_lines, "last": last})
                    cells = [""] * width
                if len(bad) > MOST_BAD_ROWS:
                    first = f"{next(iter(bad.values()))[0]} in line {lines[next(iter(bad))]}"
                    raise refused("too_many_problems", limit=MOST_BAD_ROWS, found=first)
                rows.append(cells[:width])
                lines.append(line + header_lines)
                if len(rows) >= _AT_ONCE:
                    done.append(_columns(rows, width))
                    rows = []
            line = reader.line_num + 1
    except csv.Error as error:
        raise refused("broken_quotes", line=line + header_lines, found=str(error)) from None
    done.append(_columns(rows, width))
    columns = [pa.concat_arrays(parts) for parts in zip(*done, strict=True)]
    return Sheet(headers, columns, np.array(lines, dtype=np.int64), bad)


def _columns(rows: list[list[str]], width: int) -> list[pa.Array]:
    """Rows as columns of text: a cell that stands as an object of its own takes ten times the room."""
    return [pa.array([row[n] for row in rows], type=pa.string()) for n in range(width)]


def _swallowed(cells: list[str], separator: str, width: int) -> int:
    """How many more rows stand in a cell of this one; 0 for none.

    A quotation mark that nobody closed ends at the next one, in the same column of a later row. What lies between
    is good CSV, and holds as many separators as those rows had.
    """
    if width < 3:
        return 0
    for cell in cells:
        if "\n" in cell:
            first, *between, last = (line.count(separator) for line in cell.split("\n"))
            if first + last == width - 1 and all(found == width - 1 for found in between):
                return len(between) + 1
    return 0


def _without_blank_rows(sheet: Sheet) -> Sheet:
    sheet.columns = [trimmed(c) for c in sheet.columns]
    if not len(sheet.lines):
        return sheet
    blank = np.ones(len(sheet.lines), dtype=bool)
    for column in sheet.columns:
        if not blank.any():
            return sheet
        blank &= pc.is_null(column).to_numpy(zero_copy_only=False)
    blank[list(sheet.bad_rows)] = False
    if blank.any():
        keep = np.flatnonzero(~blank)
        place = {int(old): new for new, old in enumerate(keep)}
        sheet.columns = [c.take(pa.array(keep)) for c in sheet.columns]
        sheet.lines = sheet.lines[keep]
        sheet.bad_rows = {place[r]: w for r, w in sheet.bad_rows.items()}
        sheet.bad_cells = {(place[r], c): w for (r, c), w in sheet.bad_cells.items() if r in place}
    return sheet


without_blank_rows = _without_blank_rows
