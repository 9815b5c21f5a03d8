"""CSV and XLSX → typed rows of one source, and a problem for everything that was not taken."""

import difflib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipelines.readers.raw import DTYPES, Problem, RawTable, clip, lists, problem, refuse, unknown
from pipelines.readers.tables import moments, values
from pipelines.readers.tables.csv_text import MOST_BYTES, read_csv, true_kind
from pipelines.readers.tables.long_form import widened
from pipelines.readers.tables.mapping import Mapping, key_column, same_header, unit_ending, unit_in_header, units_of
from pipelines.readers.tables.sheet import Refused, Sheet, refused
from pipelines.readers.tables.stated import build_key, state
from pipelines.readers.tables.values import Typed
from pipelines.readers.tables.workbook import read_workbook
from schemas.entries import ENTERED
from schemas.frames import empty, is_declared
from schemas.sources import REVISED_AT, SOURCES
from schemas.written_text import EXAMPLE

MOST_PROBLEMS = 100_000
_TEXT_ENDINGS = (".csv", ".tsv", ".txt")
_BOOK_ENDINGS = (".xlsx", ".xlsm")
#: a rating in cubic feet stands for these
_BY_RATING = {"water_capacity_l": "rated_capacity_cuft", "working_pressure_bar": "service_pressure_psi"}


def read_table(
    path: Path,
    source: str,
    mapping: Mapping,
    station_zone: str,
    folder_member: str | None = None,
    own_alone: bool = False,
) -> RawTable:
    """Read one CSV or XLSX file of a source.

    Parameters
    ----------
    path : Path
    source : str
        A key of SOURCES.
    mapping : Mapping
    station_zone : str
        IANA zone of times that give none, unless the mapping names one.
    folder_member : str, optional
        The member whose folder the file lies in; fills an empty `member_id` of a dive source.
    own_alone : bool
        That member has handed it in: a row of anybody else is rejected.

    Returns
    -------
    RawTable
        `refused` is set when the file as a whole cannot be read; no exception leaves for what a file holds.
    """
    try:
        sheet = sheet_of(Path(path), source, mapping)
        return _advised(_typed(sheet, source, mapping, mapping.zone or station_zone, folder_member, own_alone), mapping)
    except Refused as why:
        return _advised(refuse(source, _nothing(source), why.problem), mapping)
    except MemoryError:
        full = refused("too_large", found="more than memory holds", limit="what fits")
        return refuse(source, _nothing(source), full.problem)


def _nothing(source: str) -> pd.DataFrame:
    none = np.zeros(0, dtype=np.int64)
    return _with_marks(dict(empty(SOURCES[source].fields.values()).items()), none, none, None, {})


def _advised(table: RawTable, mapping: Mapping) -> RawTable:
    """Problems of a file with a layout of its own name that table of `station.toml`, not the source's."""
    if mapping.layout:
        for found in table.problems:
            found.fix = found.fix.replace(f"[sources.{mapping.source}", f"[layouts.{mapping.layout}")
    return table


def sheet_of(path: Path, source: str, mapping: Mapping) -> Sheet:
    """The file as a sheet of text.

    Raises
    ------
    Refused
        It is no table of text, or cannot be read as one.
    """
    suffix = path.suffix.lower()
    if suffix in _BOOK_ENDINGS:
        return read_workbook(path, mapping)
    if suffix not in _TEXT_ENDINGS:
        with path.open("rb") as file:
            found = true_kind(file.read(4096)) or f"{suffix or 'no ending'}"
        raise refused("unsupported_file", found=found)
    if path.stat().st_size > MOST_BYTES:
        raise refused("too_large", found=f"{path.stat().st_size >> 20} MB", limit=f"{MOST_BYTES >> 20} MB")
    return read_csv(path.read_bytes(), mapping, headers_known(source, mapping))


def headers_known(source: str, mapping: Mapping) -> set[str]:
    """Reduced headers that are understood in files of a source."""
    theirs = (*SOURCES[source].fields, *(h for hs in mapping.headers.values() for h in hs), *mapping.ignore)
    return {same_header(h) for h in theirs}


def _typed(
    sheet: Sheet, source: str, mapping: Mapping, zone: str, folder_member: str | None, own_alone: bool = False
) -> RawTable:
    fields = SOURCES[source].fields
    problems: list[Problem] = []
    sheet = widened(sheet, source, mapping, problems)
    size = len(sheet.lines)
    table = RawTable(source, pd.DataFrame(), problems, notes=sheet.notes, rows_read=size)
    texts, origin = _columns(sheet, source, mapping, table.problems)
    _check_required(source, mapping, texts, sheet.headers, folder_member)

    bad = _Bad(size)
    for row, (rule, words) in sheet.bad_rows.items():
        bad.row(row, rule, words.get("column"), words)
    for (row, column), (rule, words) in sheet.bad_cells.items():
        bad.row(row, rule, origin.get(column, sheet.headers[column]), words, severity=words.get("severity", "row"))
    for row in _examples(sheet, size):
        bad.row(row, "example_row", None, {}, alone=True)

    made: dict[str, pd.Series] = {}
    flags: dict[str, np.ndarray] = {}
    mapping = _with_units_of_headers(mapping, sheet.headers, origin)
    for name, column in texts.items():
        typed = _type(column, fields[name], source, mapping, zone)
        made[name] = pd.Series(typed.values)
        made[name].index = range(size)
        # when a row was revised only ranks files: how well that is known says nothing of the row
        for code, mask in typed.flags.items() if name != REVISED_AT.name else ():
            flags[code] = flags.get(code, np.zeros(size, dtype=bool)) | mask
        if typed.bad:
            shown = column.take(pa.array(list(typed.bad), type=pa.int64())).to_pylist()
            for (row, (rule, words)), text in zip(typed.bad.items(), shown, strict=True):
                bad.row(row, rule, name, {"value": text} | words, severity=words.get("severity", "row"))
    frame = pd.DataFrame(made, index=range(size))
    build_key(frame, source, mapping, sheet, bad)
    assumed = state(frame, source, mapping, bad, table)
    if folder_member and "member_id" in fields:
        given = frame["member_id"] if "member_id" in frame else pd.Series([None] * size, dtype="str")
        frame["member_id"] = given.fillna(folder_member).astype("str")
        for of_another in np.flatnonzero(frame["member_id"] != folder_member) if own_alone else ():
            bad.row(int(of_another), "member_is_another", "member_id", {})

    table.problems += bad.problems(source, sheet.lines)
    keep = np.flatnonzero(~bad.rejected)
    columns = {}
    for field in fields.values():
        if field.name not in frame:
            columns[field.name] = unknown(field.kind, size)
        else:
            column = frame[field.name]
            columns[field.name] = column if is_declared(column.dtype, field) else column.astype(DTYPES[field.kind])

    def marked(rows: np.ndarray) -> pd.DataFrame:
        return _with_marks(
            columns if len(rows) == size else {name: column.iloc[rows] for name, column in columns.items()},
            rows + 1,
            sheet.lines[rows],
            [assumed[i] for i in rows] if assumed else None,
            {code: mask[rows] for code, mask in flags.items()},
        )

    table.rows = marked(keep)
    lost = np.flatnonzero(bad.rejected & ~np.isin(np.arange(size), list(bad.alone | set(sheet.bad_rows))))
    if len(lost):
        table.rejected_rows = marked(lost)
    table.rows_rejected = int(bad.rejected.sum())
    if size == 0:
        table.notes.append("no_rows")
    return table


def _type(column: pa.Array, field, source: str, mapping: Mapping, zone: str) -> Typed:
    name = field.name
    if field.kind in ("float", "int"):
        typed = values.numbers(column, name, mapping, whole=field.kind == "int")
        if field.kind == "int":
            whole = np.where(np.isnan(typed.values) | (np.abs(typed.values) > 2**53), np.nan, typed.values)
            whole[list(typed.bad)] = np.nan
            typed.values = pd.Series(whole).astype("Int64")
        return typed
    if field.kind == "bool":
        return values.truths(column, name, mapping)
    if field.kind == "choice":
        return values.choices(column, name, mapping, field.choices)
    if field.kind in ("time", "date"):
        return moments.times(column, name, mapping, zone, day_only=field.kind == "date")
    return values.texts(column, name, mapping, key=name in SOURCES[source].key)


class _Bad:
    """Problems as they are found; a row once rejected stays rejected, an example row is reported once."""

    def __init__(self, size: int):
        self.rejected = np.zeros(size, dtype=bool)
        self.alone: set[int] = set()
        self.found: list[tuple[int, str, str, str | None, dict]] = []

    def row(
        self, row: int, rule: str, column: str | None, words: dict, severity: str = "row", alone: bool = False
    ) -> None:
        if severity == "row":
            self.rejected[row] = True
        if alone:
            self.alone.add(row)
        self.found.append((row, severity, rule, column, words))
        if len(self.found) > MOST_PROBLEMS:
            raise refused("too_many_problems", limit=MOST_PROBLEMS, found=f"{self.found[0][2]} in {self.found[0][3]}")

    def problems(self, source: str, lines: np.ndarray) -> list[Problem]:
        made = []
        for row, severity, rule, column, words in sorted(self.found, key=lambda f: f[0]):
            if row in self.alone and rule != "example_row":
                continue
            details = {k: v for k, v in words.items() if k not in ("severity", "value", "column")}
            made.append(
                problem(
                    rule,
                    severity,
                    row_number=row + 1,
                    line=int(lines[row]),
                    column=column,
                    value=words.get("value"),
                    source=source,
                    **details,
                )
            )
        return made


def columns_of(sheet: Sheet, source: str, mapping: Mapping) -> dict[int, str]:
    """Place in the file → contract column, of those that are read.

    Raises
    ------
    Refused
        Two columns have one header.
    """
    return _columns(sheet, source, mapping, [])[1]


def _columns(
    sheet: Sheet, source: str, mapping: Mapping, problems: list[Problem]
) -> tuple[dict[str, pa.Array], dict[int, str]]:
    """Contract column → its text, and place in the file → contract column."""
    fields = SOURCES[source].fields
    places: dict[str, int] = {}
    understood = {same_header(h) for h in (*fields, *mapping.key, *(t for ts in mapping.headers.values() for t in ts))}
    for place, header in enumerate(sheet.headers):
        reduced = same_header(header)
        if not reduced:
            if pc.count(sheet.columns[place]).as_py():
                problems.append(
                    problem(
                        "unknown_header",
                        "value",
                        column=f"column {place + 1}",
                        value="",
                        source=source,
                        near="…",
                        guess=" It has no header.",
                    )
                )
            continue
        if reduced in places and reduced in understood:
            raise refused("header_twice", value=header)
        places.setdefault(reduced, place)

    if mapping.empty:
        nothing = pa.array([e.strip().lower() for e in mapping.empty], type=pa.string())
        sheet.columns = [pc.if_else(pc.is_in(pc.utf8_lower(c), value_set=nothing), None, c) for c in sheet.columns]
    texts: dict[str, pa.Array] = {}
    origin: dict[int, str] = {}
    used: set[str] = set()
    for column, theirs in mapping.headers.items():
        found = [same_header(h) for h in theirs if same_header(h) in places]
        if not found or same_header(theirs[0]) not in places:
            continue
        used |= set(found)
        origin.update({places[h]: column for h in found})
        parts = [sheet.columns[places[h]] for h in found]
        texts[column] = (
            parts[0]
            if len(parts) == 1
            else values.trimmed(pc.binary_join_element_wise(*parts, " ", null_handling="replace", null_replacement=""))
        )
    for column in fields:
        reduced = same_header(column)
        if column not in texts and reduced in places and reduced not in used:
            texts[column] = sheet.columns[places[reduced]]
            origin[places[reduced]] = column
            used.add(reduced)
    # who entered a row, when and on which page stays in the original
    passed = {same_header(h) for h in (*mapping.ignore, *mapping.key, *ENTERED)}
    for reduced, place in places.items():
        if reduced not in used and reduced not in passed:
            problems.append(_unknown(sheet.headers[place], reduced, source, set(texts)))
    return texts, origin


def _with_units_of_headers(mapping: Mapping, headers: list[str], origin: dict[int, str]) -> Mapping:
    """The mapping with the units that headers name, where it names none for that very column."""
    own = {}
    for place, column in origin.items():
        unit = unit_in_header(column, headers[place])
        other = mapping.units.get(column) or next(iter(units_of(column)), None)
        if unit and unit != other and (column not in mapping.units or column in mapping.by_pattern):
            own[column] = unit
    return replace(mapping, units=mapping.units | own) if own else mapping


def _unknown(header: str, reduced: str, source: str, taken: set[str]) -> Problem:
    """A column that nobody reads: which one it may have been meant to be."""
    fields = SOURCES[source].fields
    for column in fields:
        ending = unit_ending(column)
        stem = column.removesuffix("_" + ending)
        unit = reduced.removeprefix(stem + "_")
        if ending and unit != reduced and column not in taken:
            meant = next((u for u in units_of(column) if u.casefold() == unit), None)
            if meant:
                return problem(
                    "unit_in_header",
                    "value",
                    column=clip(header),
                    value=header,
                    source=source,
                    near=column,
                    found=meant,
                )
    near = difflib.get_close_matches(reduced, [c for c in fields if c not in taken], 1, 0.75)
    return problem(
        "unknown_header",
        "value",
        column=clip(header),
        value=header,
        source=source,
        near=near[0] if near else "…",
        guess=f" Did you mean {near[0]}?" if near else "",
    )


def _check_required(source: str, mapping: Mapping, texts: dict, headers: list[str], folder_member: str | None) -> None:
    required = set(SOURCES[source].required) | (set(_BY_RATING) if source == "cylinders" else set())
    built = key_column(source, mapping, texts)
    missing = []
    for column in SOURCES[source].fields:
        if column not in required or column in texts or column in mapping.stated or column == built:
            continue
        if column == "member_id" and folder_member:
            continue
        if source == "cylinders" and _BY_RATING.get(column) in texts:
            continue
        missing.append(column)
    if missing:
        raise refused(
            "missing_column",
            column=", ".join(missing),
            found=", ".join(clip(h) for h in headers[:40]) or "none",
            source=source,
        )


def _examples(sheet: Sheet, size: int) -> list[int]:
    found = np.zeros(size, dtype=bool)
    for column in sheet.columns:
        if size:
            found |= pc.fill_null(pc.equal(column, EXAMPLE), False).to_numpy(zero_copy_only=False)
    return np.flatnonzero(found).tolist()


def _with_marks(
    columns: dict[str, pd.Series], row_number, line, assumed: list | None, flags: dict[str, np.ndarray]
) -> pd.DataFrame:
    size = len(row_number)
    codes: list[list[str]] | None = None
    for code, mask in flags.items():
        for row in np.flatnonzero(mask).tolist():
            codes = codes or [[] for _ in range(size)]
            codes[row].append(code)
    marks = {
        "row_number": pd.array(np.asarray(row_number), dtype="Int64"),
        "line": pd.array(np.asarray(line), dtype="Int64"),
        "assumed": lists(assumed, size).array,
        "value_flags": lists(codes, size).array,
    }
    # made at once: a frame looks through all its names for each column that is added
    return pd.DataFrame({name: column.array for name, column in columns.items()} | marks, index=range(size))
