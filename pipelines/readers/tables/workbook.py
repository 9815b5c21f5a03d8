"""XLSX → a sheet of text. A workbook is a zip archive from a stranger: it is weighed before it is opened."""

import datetime as dt
import re
import zipfile
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from pipelines.readers.tables.csv_text import true_kind, without_blank_rows
from pipelines.readers.tables.mapping import Mapping, same_header
from pipelines.readers.tables.sheet import MOST_COLUMNS, Sheet, refused
from schemas.written_text import LONGEST_CELL, TO_CHOOSE, TO_PRINT

MOST_BYTES = 64 << 20
MOST_UNPACKED = 768 << 20
MOST_ENTRIES = 5_000
MOST_RATIO = 300
MOST_ROWS = 1_048_576
MOST_MERGED = 2_000
#: rows of another sheet in which headers are looked for
MOST_LOOKED_AT = 20
MOST_MERGED_CELLS = 100_000
#: markup, in any encoding that a parser would find out by itself
_MARKUP = re.compile(rb"(\xef\xbb\xbf)?\s*<|\xff\xfe|\xfe\xff|\x00*<\x00")
_MERGED = re.compile(rb'<mergeCell\s[^>]*ref="([A-Z]{1,3})(\d{1,7}):([A-Z]{1,3})(\d{1,7})"')


def read_workbook(path: Path, mapping: Mapping) -> Sheet:
    """The sheet of a workbook that the mapping names, else the first.

    Raises
    ------
    Refused
        Not a workbook, one built to do harm, no such sheet, no header.
    """
    if path.stat().st_size > MOST_BYTES:
        raise refused("too_large", found=f"{path.stat().st_size >> 20} MB", limit=f"{MOST_BYTES >> 20} MB")
    with path.open("rb") as file:
        head = file.read(4096)
    if not head:
        raise refused("empty_file")
    if not head.startswith(b"PK\x03\x04"):
        kind = true_kind(head) or "no workbook"
        raise refused("not_what_its_name_says", suffix=path.suffix.lower(), found=kind)
    parts = weigh(path)
    import openpyxl
    from openpyxl.utils.exceptions import InvalidFileException

    try:
        book = openpyxl.load_workbook(path, read_only=True, data_only=True, keep_links=False)
        sheet = _choose(book, mapping)
        made = _read(sheet, parts, path, mapping)
        if not mapping.sheet and any(_holds_the_same(s, made.headers, mapping) for s in book.worksheets[1:]):
            made.notes.append("other_sheets_passed_over")
        book.close()
        return made
    except (
        KeyError,
        ValueError,
        TypeError,
        IndexError,
        AttributeError,
        OSError,
        SyntaxError,
        zipfile.BadZipFile,
        InvalidFileException,
        EOFError,
        OverflowError,
    ) as error:
        raise refused("broken_workbook", found=f"{type(error).__name__}: {str(error)[:200]}") from None


def weigh(path: Path) -> dict[str, dict]:
    """Unpack every XML part once in pieces, believing no size in the archive; what its sheets hold that matters."""
    found: dict[str, dict] = {}
    total = 0
    try:
        with zipfile.ZipFile(path) as archive:
            entries = archive.infolist()
            if len(entries) > MOST_ENTRIES:
                raise refused("unsafe_workbook", found=f"{len(entries)} parts")
            if "xl/workbook.xml" not in archive.namelist():
                raise refused(
                    "not_what_its_name_says", suffix=path.suffix.lower(), found="a zip archive without a workbook"
                )
            for entry in entries:
                if entry.flag_bits & 1:
                    raise refused("broken_workbook", found="it is encrypted")
                if entry.file_size > MOST_UNPACKED or (
                    entry.file_size > 10 << 20 and entry.file_size > MOST_RATIO * max(entry.compress_size, 1)
                ):
                    raise refused(
                        "unsafe_workbook", found=f"{entry.filename[:80]} unpacks to {entry.file_size >> 20} MB"
                    )
                total = _weigh_part(archive, entry, total, found)
    except (zipfile.BadZipFile, NotImplementedError, EOFError, OSError, RuntimeError, ValueError) as error:
        raise refused("broken_workbook", found=str(error)[:200]) from None
    except Exception as error:
        if type(error).__module__ in ("zlib", "lzma", "_lzma", "_bz2"):
            raise refused("broken_workbook", found=str(error)[:200]) from None
        raise
    return found


def _weigh_part(archive, entry, total: int, found: dict[str, dict]) -> int:
    name = entry.filename
    xml = name.lower().endswith((".xml", ".rels", ".vml"))
    marks: dict[str, Any] = {"formulas": False, "merged": []}
    tail, is_sheet = b"", False
    with archive.open(entry) as part:
        while piece := part.read(1 << 20):
            total += len(piece)
            if total > MOST_UNPACKED:
                raise refused("unsafe_workbook", found=f"it unpacks to over {MOST_UNPACKED >> 20} MB")
            window = tail + piece
            if not tail:  # what a part is, its bytes say: its name may end in anything
                xml |= _MARKUP.match(window) is not None
            if not xml:
                tail = window[-1:]
                continue
            if not tail and (b"\x00" in window[:64] or window[:2] in (b"\xff\xfe", b"\xfe\xff")):
                raise refused("unsafe_workbook", found=f"{name[:80]} is not UTF-8")
            if b"<!DOCTYPE" in window or b"<!ENTITY" in window:
                raise refused("unsafe_workbook", found=f"{name[:80]} declares a document type")
            if name.startswith("xl/worksheets/") or b"<worksheet" in window[:2000]:
                is_sheet = True
            if is_sheet:
                marks["formulas"] |= b"<f>" in window or b"<f " in window or b"<f/" in window
                marks["merged"] += _MERGED.findall(window)
                if len(marks["merged"]) > MOST_MERGED:
                    raise refused("unsafe_workbook", found="too many merged cells")
            tail = window[-256:]
    if is_sheet:
        found["/" + name] = found[name] = marks
    return total


def _choose(book, mapping: Mapping):
    sheets = [s for s in book.worksheets if hasattr(s, "iter_rows")]
    if not sheets:
        raise refused("broken_workbook", found="it has no sheet of cells")
    if not mapping.sheet:
        return sheets[0]
    found = next((s for s in sheets if s.title.strip().casefold() == mapping.sheet.strip().casefold()), None)
    if found is None:
        raise refused(
            "sheet_not_found", value=mapping.sheet, found=", ".join(s.title for s in sheets[:20]), source=mapping.source
        )
    return found


def _holds_the_same(sheet, headers: list[str], mapping: Mapping) -> bool:
    """Whether another sheet has these headers and a row below them: rows that somebody may believe are read."""
    if not hasattr(sheet, "iter_rows") or sheet.title in (TO_PRINT, TO_CHOOSE):
        return False
    sheet.reset_dimensions()
    wanted = {same_header(header) for header in headers if header}
    found = False
    for cells in sheet.iter_rows(max_row=mapping.header_row + MOST_LOOKED_AT, max_col=MOST_COLUMNS, values_only=True):
        here = {same_header(str(cell)) for cell in cells if cell is not None}
        if found and here:
            return True
        found |= len(wanted & here) >= max(2, len(wanted) * 2 // 3)
    return False


def _read(sheet, parts: dict[str, dict], path: Path, mapping: Mapping) -> Sheet:
    marks = parts.get(getattr(sheet, "_worksheet_path", ""), {"formulas": True, "merged": []})
    sheet.reset_dimensions()  # what a sheet says of its own size is not believed
    headers: list[str] = []
    rows: list[list[str | None]] = []
    lines: list[int] = []
    cells_bad: dict[tuple[int, int], tuple[str, dict]] = {}
    cut, beyond = 0, False
    # without a width, rows that are not there cost nothing: one stray cell may stand in the last row of all
    for cells in sheet.iter_rows(max_row=MOST_ROWS):
        if not cells:
            continue
        cells = cells[: MOST_COLUMNS + 1]
        filled = [c for c in cells if c.value is not None]
        if not filled:
            continue
        line = filled[0].row
        if not headers:
            if line < mapping.header_row:
                continue
            headers = [_text(c, mapping).strip() for c in cells]
            while headers and not headers[-1]:
                headers.pop()
            cut = len(headers)
            if cut > MOST_COLUMNS:
                raise refused("too_many_columns", found=f"over {MOST_COLUMNS}", limit=MOST_COLUMNS)
            continue
        row: list[str | None] = [None] * cut
        for cell in filled:
            place = cell.column - 1
            if place >= cut:
                beyond |= bool(_text(cell, mapping).strip())
                continue
            text = _text(cell, mapping)
            if len(text) > LONGEST_CELL:
                cells_bad[len(rows), place] = (
                    "cell_too_long",
                    {"found": len(text), "limit": LONGEST_CELL, "value": text[:80]},
                )
                text = ""
            row[place] = text
        rows.append(row)
        lines.append(line)
    if not headers:
        raise refused("header_missing" if rows else "empty_file", source=mapping.source)
    made = Sheet(
        headers,
        [pa.array(c, type=pa.string()) for c in zip(*rows, strict=True)]
        or [pa.array([], type=pa.string()) for _ in headers],
        np.array(lines, dtype=np.int64),
        bad_cells=cells_bad,
    )
    at = {line: n for n, line in enumerate(lines)}
    if marks["formulas"]:
        _formulas(path, sheet.title, at, made)
    _merged(marks["merged"], at, made)
    if beyond:
        made.notes.append("cells_beyond_headers")
    return without_blank_rows(made)


def _text(cell, mapping: Mapping) -> str:
    """A cell as text that the mapping reads back unchanged."""
    value = cell.value
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        text = str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
        if mapping.decimal == "," and re.search(r"\.\d{3}$", text):
            text += "0"  # a number of the sheet's own has no separator of thousands, and shall not look like one
        return text.replace(".", mapping.decimal)
    if isinstance(value, dt.datetime):
        value = _whole_milliseconds(value)
        shows_time = any(c in re.sub(r'"[^"]*"|\[[^\]]*\]', "", (cell.number_format or "")).lower() for c in "hs")
        if value.time() == dt.time() and not shows_time:
            return value.date().isoformat()
        return value.isoformat(sep=" ", timespec="milliseconds")
    if isinstance(value, dt.time):
        return value.isoformat(timespec="seconds")
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, dt.timedelta):
        seconds = round(value.total_seconds())
        return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
    return str(value)


def _whole_milliseconds(value: dt.datetime) -> dt.datetime:
    # a spreadsheet's times are fractions of a day and come back a few microseconds off
    return (value + dt.timedelta(microseconds=500)).replace(
        microsecond=(value + dt.timedelta(microseconds=500)).microsecond // 1000 * 1000
    )


def _formulas(path: Path, title: str, at: dict[int, int], made: Sheet) -> None:
    """Cells that hold a formula whose result was never saved: their value is unknown, not empty."""
    import openpyxl

    book = openpyxl.load_workbook(path, read_only=True, data_only=False, keep_links=False)
    sheet = book[title]
    sheet.reset_dimensions()
    blank = [
        set(np.flatnonzero(c.is_null(nan_is_null=False).to_numpy(zero_copy_only=False)).tolist()) for c in made.columns
    ]
    width = len(made.headers)
    for cells in sheet.iter_rows(max_row=MOST_ROWS):
        for cell in cells[:width]:
            if cell.value is None or cell.data_type != "f" or cell.row not in at:
                continue
            place = at[cell.row], cell.column - 1
            if place[0] in blank[place[1]]:
                made.bad_cells[place] = ("formula_without_value", {"severity": "value", "value": str(cell.value)})
    book.close()


def _column_number(letters: bytes) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + letter - 64
    return number


def _merged(ranges, at: dict[int, int], made: Sheet) -> None:
    """Merged cells of data rows: only the first holds a value, so what the others mean is not known."""
    width, cells = len(made.headers), 0
    lines = np.array(sorted(at))
    for left, top, right, bottom in ranges:
        first, last = _column_number(left), min(_column_number(right), width)
        name = f"{left.decode()}{top.decode()}:{right.decode()}{bottom.decode()}"
        begin, end = np.searchsorted(lines, [int(top), int(bottom) + 1])
        cells += int(end - begin) * max(last - first + 1, 0)
        if cells > MOST_MERGED_CELLS:
            raise refused("unsafe_workbook", found=f"over {MOST_MERGED_CELLS} merged cells")
        for line in lines[begin:end].tolist():
            for column in range(first, last + 1):
                if (line, column) != (int(top), first):
                    made.bad_cells[at[line], column - 1] = ("merged_cell", {"found": name})
