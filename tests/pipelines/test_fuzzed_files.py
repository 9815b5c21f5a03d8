"""Damaged files through the whole intake: none ends a run, loses a row without a word, or touches the files beside it.

Valid CSV, XLSX and UDDF files, each changed a little: bytes, lines, cells, quotes, encodings, numbers. What is present
is counted here by means of its own, for files whose rows can be counted at all.
"""

import io
import os
import random
import re
import zipfile
from dataclasses import dataclass, field

import openpyxl
import pytest
import small_station as s
from test_any_rows import _rows
from uddf_files import dive, document, in_namespace

from schemas.sources import SOURCES

FULL = os.environ.get("COLDFILL_SOAK") == "full"
BATCHES, FILES = (25, 400) if FULL else (1, 24)
SEED = int(os.environ.get("COLDFILL_SEED", "1"))
#: problems that say that lines could not be read as rows of their own
OF_LINES = {"rows_in_one_cell", "broken_quotes", "wrong_cell_count", "cell_too_long"}
ODD = ["1e999", "NaN", "-inf", "=1+1", "'", '"', '""', "∞", "\u200b", "2026-13-45", "-0", "1e-320", "9" * 400, "1,5"]
ODD += [
    "1.234,5",
    "0x1F",
    "١٢",
    "1_000",
    "true",
    " ",
    "\t",
    "<b>",
    "\u2028",
    "\x85",
    "\x0b",
    "12:60",
    "2026-02-30 25:00",
]
CONTROLS = {
    "zz-cylinders.csv": [s.CYLINDERS[0] | {"cylinder_id": "ZC1"}],
    "zz-members.csv": [{"member_id": "ZM1", "display_name": "Odd Vane"}],
    "zz-fills.csv": [s.fill(n, fill_id=f"ZF{n}", unit_id="ZC1") for n in range(1, 5)],
    "zz-dives.csv": [s.dive(n, "ZM1", dive_id=f"ZD{n}") for n in (2, 3)],
    "zz-dive_samples.csv": [row | {"dive_id": "ZD2"} for row in s.samples(2, "ZM1")],
}


@dataclass
class Made:
    """A file, and how many rows it has; None where that cannot be said."""

    name: str
    data: bytes
    rows: int | None = None
    changes: list[str] = field(default_factory=list)


# --- text ---------------------------------------------------------------------------------------
def _scribbled(data: bytearray, dice: random.Random) -> str:
    at, what = dice.randrange(len(data) or 1), dice.choice(["flip", "set", "cut", "double", "insert", "nul", "end"])
    if what == "flip" and data:
        data[at] ^= 1 << dice.randrange(8)
    elif what == "set" and data:
        data[at] = ord(dice.choice(',;"\n\r-.:eE0/ =#\t|'))
    elif what == "cut":
        del data[at : at + dice.randint(1, 40)]
    elif what == "double":
        data[at:at] = data[at : at + dice.randint(1, 200)]
    elif what == "insert":
        data[at:at] = dice.choice(ODD).encode()
    elif what == "nul":
        data[at:at] = b"\x00" * dice.randint(1, 4)
    elif what == "end":
        del data[at:]
    return what


def _table(rows: list[dict[str, str]], dice: random.Random) -> tuple[list[str], list[list[str]]]:
    """Headers and cells with some cells swapped, made odd or quoted, lines doubled and columns moved."""
    headers = list(dict.fromkeys(name for row in rows for name in row))
    cells = [[row.get(name, "") for name in headers] for row in rows]
    for _ in range(dice.randint(0, 4)):
        row, what = dice.choice(cells), dice.choice(["swap", "odd", "double", "columns", "comma"])
        a, b = dice.randrange(len(headers)), dice.randrange(len(headers))
        if what == "swap":
            row[a], row[b] = row[b], row[a]
        elif what == "odd":
            row[a] = dice.choice(ODD)
        elif what == "double":
            cells.insert(dice.randrange(len(cells)), list(row))
        elif what == "comma":
            for one in cells:
                one[a] = one[a].replace(".", ",")
        else:
            headers[a], headers[b] = headers[b], headers[a]
    return headers, cells


def _csv(source: str, dice: random.Random, n: int) -> Made:
    headers, cells = _table(_rows(SOURCES[source], dice), dice)
    separator, end = dice.choice(",,,;\t|"), dice.choice(["\n", "\n", "\r\n", "\r"])
    always = dice.random() < 0.2

    def cell(text: str) -> str:
        return '"' + text.replace('"', '""') + '"' if always or re.search(r'[",;\t|\r\n]', text) else text

    text = end.join(separator.join(map(cell, row)) for row in [headers, *cells]) + dice.choice(["", end, end * 3])
    encoding = dice.choice(["utf-8"] * 8 + ["utf-8-sig", "utf-16", "cp1252", "utf-32"])
    data = bytearray(text.encode(encoding, "replace"))
    changes = [_scribbled(data, dice) for _ in range(dice.choice([0, 0, 1, 1, 2, 6]))] if data else []
    made = Made(f"{source}-{n}.csv", bytes(data), changes=[encoding, repr(end), separator, *changes])
    made.rows = _lines_of_text(made.data)
    return made


def _lines_of_text(data: bytes) -> int | None:
    """Lines that hold anything beside separators and blanks, without the header; no cell of ours holds a line break."""
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return None
    text = re.sub(r"\r\n|\r", "\n", text)
    lines = [line for line in text.split("\n") if re.sub(r"[\s\x00-\x1f\x7f,;|\u200b\ufeff]|^\"\"$", "", line)]
    # a break within quotes that took in no separator divides a cell, and no row
    divided = re.findall(r'(?<![^,;|\t\n])"[^",;|\t\n]*\n[^",;|\t\n]*"(?![^,;|\t\n])', text)
    return len(lines) - 1 - len(divided)


# --- workbooks and dives ------------------------------------------------------------------------
def _book(source: str, dice: random.Random, n: int) -> Made:
    headers, cells = _table(_rows(SOURCES[source], dice), dice)
    book = openpyxl.Workbook()
    book.active.append(headers)
    for row in cells:
        book.active.append([_typed(text, dice) for text in row])
    out = io.BytesIO()
    book.save(out)
    data, changes = bytearray(out.getvalue()), []
    if dice.random() < 0.4:
        changes = [_scribbled(data, dice) for _ in range(dice.randint(1, 3))]
    elif dice.random() < 0.5:
        data, changes = bytearray(_repacked(bytes(data), dice)), ["part"]
    present = sum(any(str(c).strip() for c in row) for row in cells)
    return Made(f"{source}-{n}.xlsx", bytes(data), None if changes else present, changes)


def _typed(text: str, dice: random.Random):
    text = re.sub(r"[\x00-\x08\x0b\x0c\x0e-\x1f]", "", text)
    try:
        return float(text) if dice.random() < 0.8 and abs(float(text)) < 1e300 else text
    except ValueError:
        return text


def _repacked(data: bytes, dice: random.Random) -> bytes:
    """A sound ZIP in which the text of one part is damaged."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w") as new:
        chosen = dice.choice(old.namelist())
        for name in old.namelist():
            part = bytearray(old.read(name))
            if name == chosen:
                _scribbled(part, dice)
            new.writestr(name, bytes(part))
    return out.getvalue()


def _uddf(dice: random.Random, n: int) -> Made:
    days = dice.sample(range(1, 28), dice.randint(1, 3))
    start = "<datetime>2026-03-{:02d}T10:00:00Z</datetime>"
    text = document(*(dive(f"d{d}", start=start.format(d)) for d in days), owner=dice.choice(["M1", "M2"]))
    if dice.random() < 0.3:
        text = in_namespace(text)
    data = bytearray(text.encode())
    changes = [_scribbled(data, dice) for _ in range(dice.choice([0, 1, 1, 2, 5]))]
    if dice.random() < 0.3 and data:
        number = dice.choice(list(re.finditer(rb">[0-9.e]+<", data)) or [None])
        if number:
            data[number.start() + 1 : number.end() - 1] = dice.choice(ODD).replace("<", "").encode()
    return Made(f"dives/M1/{n}.uddf", bytes(data), None, changes)


def _batch(dice: random.Random) -> list[Made]:
    made = []
    for n in range(FILES):
        source, kind = dice.choice(list(SOURCES)), dice.random()
        made.append(_uddf(dice, n) if kind < 0.2 else (_book if kind < 0.4 else _csv)(source, dice, n))
    return made


def _controls(station) -> dict:
    found = {}
    for name, rows in s.stored(station).items():
        ours = [c for c in ("cylinder_id", "member_id", "fill_id") if c in rows]
        mine = rows[ours].apply(lambda column: column.astype("str").str.startswith("Z")).any(axis=1)
        found[name] = rows[mine].reset_index(drop=True)
    return found


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory):
    station = s.make(tmp_path_factory.mktemp("controls"))
    for name, rows in CONTROLS.items():
        s.drop(station, name, rows)
    s.take_in(station)
    return _controls(station)


@pytest.mark.soak
@pytest.mark.parametrize("batch", range(BATCHES))
def test_damaged_files_lose_no_row_without_a_word_and_end_no_run(tmp_path, undisturbed, batch):
    dice = random.Random(SEED * 1000 + batch)
    station, made = s.make(tmp_path), _batch(dice)
    for name, rows in CONTROLS.items():
        s.drop(station, name, rows)
    for n, one in enumerate(made):
        s.drop(station, one.name, one.data, n % 50)
    result = s.take_in(station)  # holds read = accepted + rejected for each file
    assert result.files_read == len(made) + len(CONTROLS)
    files, problems = s.files(station), s.ask(station, "SELECT * FROM rejects")
    assert problems[problems["rule"] == "reader_failed"][["file", "message"]].values.tolist() == []
    said = problems.groupby("file")["rule"].agg(set).to_dict()
    silent = []
    for one in made:
        taken = files.loc[one.name]
        if taken["outcome"] == "refused":
            assert said.get(one.name), f"{one.name} is refused without a reason"
        elif one.rows is not None and taken["rows_read"] != one.rows and not said.get(one.name, set()) & OF_LINES:
            silent.append((one.name, one.changes, int(taken["rows_read"]), one.rows))
    assert silent == []
    s.same(_controls(station), undisturbed)
    s.run(station)
    assert s.take_in(station).files_read == 0
