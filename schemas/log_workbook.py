"""An empty workbook to keep a log in: headers, units in notes, lists to choose from, and a sheet to print.

The second row is an example. Its marker makes intake reject it (`example_row`), so that it can never
become a fill or a dive; whoever leaves it in is asked to delete it.
"""

import io
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import pandas as pd
from openpyxl import Workbook
from openpyxl.comments import Comment
from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.datavalidation import DataValidation

from schemas.fields import Field
from schemas.sources import SOURCES, Source
from schemas.written_text import EXAMPLE, TO_CHOOSE, TO_PRINT

ROWS_TO_FILL = 2000
LINES_TO_PRINT = 24
MOST_PRINTED = 13
_TIME_FORMAT, _DATE_FORMAT = "yyyy-mm-dd hh:mm", "yyyy-mm-dd"
_HEAD = PatternFill("solid", fgColor="E7ECF2")
_MUST = PatternFill("solid", fgColor="CBD8E6")
_LINE = Border(*[Side(style="thin", color="808080")] * 4)

#: shown in the example row; everything else follows from the kind of the column
_SHOWN: dict[str, object] = {
    "unit_id": "C-07",
    "cylinder_id": "C-07",
    "set_id": "S-02",
    "member_id": "M-03",
    "owner_id": "station",
    "station_id": "pump room",
    "source_id": "K-1",
    "compressor_id": "K-1",
    "gauge_id": "G-1",
    "operator": "initials",
    "dive_id": "D-12",
    "target_id": "M-03",
    "start_pressure_bar": 50,
    "target_pressure_bar": 232,
    "stop_pressure_bar": 232,
    "working_pressure_bar": 232,
    "test_pressure_bar": 348,
    "valve_pressure_bar": 232,
    "water_capacity_l": 12,
    "ambient_c": 18,
    "target_o2_pct": 20.95,
    "target_he_pct": 0,
    "o2_pct": 20.95,
    "he_pct": 0,
    "tank_no": 1,
    "t_s": 0,
    "depth_m": 0,
    "display_name": "Name to show",
    "hours": 412.5,
    "team_size": 2,
    "cylinders_needed": 6,
    "capacity": 12,
    "end_pressure_bar": 90,
    "reason": "why it may go out",
    "released_by": "initials",
}


#: a register that columns of inputs name → columns that it is chosen in
CHOSEN_IN: dict[str, tuple[str, ...]] = {
    "unit": ("unit_id",),
    "cylinder": ("cylinder_id",),
    "member": ("member_id", "owner_id"),
    "source": ("source_id", "fed_by"),
    "gauge": ("gauge_id", "settled_gauge_id"),
    "compressor": ("compressor_id",),
}


#: where those names stand in what is published: register → table and column
_PUBLISHED = {
    "unit": ("units", "unit_id"),
    "cylinder": ("cylinder_health", "cylinder_id"),
    "member": ("people", "member_id"),
    "source": ("gas_sources", "source_id"),
    "gauge": ("gauge_check", "gauge_id"),
    "compressor": ("compressor_health", "compressor_id"),
}


def known_names(table: Callable[[str], pd.DataFrame]) -> dict[str, list[str]]:
    """The station's own names by register, from what is published; `table` gives a published table by its name."""
    return {register: sorted(table(name)[column].dropna().unique()) for register, (name, column) in _PUBLISHED.items()}


def write_template(source: str, to: Path, known: Mapping[str, Sequence[str]] | None = None) -> Path:
    """Write the workbook of a source.

    Parameters
    ----------
    source : str
        A key of SOURCES.
    to : Path
        The file to write; `.xlsx`.
    known : mapping, optional
        Register (a key of CHOSEN_IN) → the station's own names, to choose from; another name may still be written.

    Raises
    ------
    ValueError
        No such source, or another ending.
    FileExistsError
        The file is there: a log is never written over.
    """
    if source not in SOURCES:
        raise ValueError(f"there is no source {source!r}; the sources are: {', '.join(SOURCES)}")
    to = Path(to)
    if to.suffix.lower() != ".xlsx":
        raise ValueError(f"{to.name}: the name must end in .xlsx")
    if to.exists():
        raise FileExistsError(f"{to} is there already and is not written over. Give another name.")
    to.parent.mkdir(parents=True, exist_ok=True)
    to.write_bytes(template_bytes(source, known))
    return to


def template_bytes(source: str, known: Mapping[str, Sequence[str]] | None = None) -> bytes:
    """The same workbook as bytes."""
    declared = SOURCES[source]
    book = Workbook()
    _log_sheet(book.active, declared)
    _own_names(book, declared, known or {})
    _print_sheet(book.create_sheet(TO_PRINT), declared)
    made = io.BytesIO()
    book.save(made)
    return made.getvalue()


def _own_names(book: Workbook, declared: Source, known: Mapping[str, Sequence[str]]) -> None:
    """A hidden sheet with the station's own names, and lists in the log that choose from it."""
    lists = {
        column: names
        for register, columns in CHOSEN_IN.items()
        if (names := list(known.get(register, ())))
        for column in columns
        # what a register itself is keyed by is written anew in each row
        if column in declared.fields and declared.key != (column,)
    }
    if "owner_id" in lists:
        lists["owner_id"] = ["station", *lists["owner_id"]]
    if not lists:
        return
    log, sheet = book.active, book.create_sheet(TO_CHOOSE)
    sheet.sheet_state = "hidden"
    places = {name: n for n, name in enumerate(declared.fields, 1)}
    for n, (column, names) in enumerate(lists.items(), 1):
        letter = get_column_letter(n)
        for row, name in enumerate(names, 1):
            cell = sheet.cell(row, n)
            cell.value, cell.data_type = str(name), "s"  # a name that begins with '=' stays a name
        rule = DataValidation(
            type="list", formula1=f"='{TO_CHOOSE}'!${letter}$1:${letter}${len(names)}", allow_blank=True
        )
        rule.errorStyle, rule.errorTitle, rule.showErrorMessage = "warning", "coldfill", True
        rule.error = f"{column}: not among those the station knows. Rows of it wait until the register knows it."
        log.add_data_validation(rule)
        at = get_column_letter(places[column])
        rule.add(f"{at}2:{at}{ROWS_TO_FILL + 1}")


def example_row(declared: Source) -> list[object]:
    """The example row: the marker in the first column that can hold it, sensible values in what is required."""
    fields = list(declared.fields.values())
    marked = next((f.name for f in fields if f.name in declared.key and f.kind == "text"), fields[0].name)
    return [
        EXAMPLE if f.name == marked else _example(f) if f.name in declared.required or f.name in _SHOWN else None
        for f in fields
    ]


def _example(field: Field) -> object:
    if field.name in _SHOWN:
        return _SHOWN[field.name]
    if field.choices:
        return field.choices[0]
    return {"time": "2031-05-20 14:30", "date": "2031-05-20", "bool": "false", "text": "words", "int": 1, "float": 1.0}[
        field.kind
    ]


def note(field: Field, must: bool) -> str:
    """What a column's note says: meaning, unit, how to write it."""
    written = {
        "time": "Date and time: 2031-05-20 14:30, in the station's zone.",
        "date": "Date: 2031-05-20.",
        "bool": "true or false.",
        "choice": "One of: " + ", ".join(field.choices) + ".",
        "int": "A whole number.",
        "float": "A number.",
        "text": "",
    }[field.kind]
    bounds = f"From {field.low:g} to {field.high:g}." if field.low is not None and field.high is not None else ""
    unit = f"Unit: {field.unit}." if field.unit else ""
    return "\n".join(
        p for p in (field.says, unit, written, bounds, "Must be filled in." if must else "May stay empty.") if p
    )


def _log_sheet(sheet, declared: Source) -> None:
    sheet.title = declared.name[:31]
    fields = list(declared.fields.values())
    for n, field in enumerate(fields, 1):
        must = field.name in declared.required
        head = sheet.cell(1, n, field.name)
        head.font = Font(bold=must)
        head.fill = _MUST if must else _HEAD
        head.alignment = Alignment(wrap_text=True, vertical="top")
        comment = Comment(note(field, must), "coldfill")
        comment.width, comment.height = 300, 130
        head.comment = comment
        letter = get_column_letter(n)
        sheet.column_dimensions[letter].width = max(12, min(22, len(field.name) * 0.75 + 3))
        _validate(sheet, field, f"{letter}2:{letter}{ROWS_TO_FILL + 1}")
        if field.kind in ("time", "date"):
            for row in range(2, 202):
                sheet.cell(row, n).number_format = _TIME_FORMAT if field.kind == "time" else _DATE_FORMAT
    for n, value in enumerate(example_row(declared), 1):
        cell = sheet.cell(2, n, value)
        cell.font = Font(italic=True, color="707070")
    sheet.freeze_panes = "B2"
    sheet.row_dimensions[1].height = 32


def _validate(sheet, field: Field, where: str) -> None:
    rule = None
    if field.kind in ("choice", "bool"):
        words = field.choices or ("true", "false")
        rule = DataValidation(type="list", formula1='"' + ",".join(words) + '"', allow_blank=True)
        rule.error = "Choose from the list."
    elif field.kind in ("float", "int") and field.low is not None and field.high is not None:
        rule = DataValidation(
            type="whole" if field.kind == "int" else "decimal",
            operator="between",
            formula1=f"{field.low:g}",
            formula2=f"{field.high:g}",
            allow_blank=True,
        )
        rule.error = f"{field.name}: from {field.low:g} to {field.high:g} {field.unit}".strip()
        rule.errorStyle = "warning"
    if rule is not None:
        rule.errorTitle = "coldfill"
        rule.showErrorMessage = True
        sheet.add_data_validation(rule)
        rule.add(where)


def printed_fields(declared: Source) -> list[Field]:
    """The columns of the sheet to print: what must be there, then what there is room for."""
    must = [f for f in declared.fields.values() if f.name in declared.required]
    may = [f for f in declared.fields.values() if f.name not in declared.required and f.name != "revised_at"]
    chosen = {f.name for f in [*must, *may][:MOST_PRINTED]}
    return [f for f in declared.fields.values() if f.name in chosen]


def _print_sheet(sheet, declared: Source) -> None:
    fields = printed_fields(declared)
    sheet.cell(1, 1, f"{declared.says} Write by hand, type it in later.").font = Font(bold=True, size=14)
    if declared.name == "fills":
        sheet.cell(2, 1, "A log is no leave to fill: the marks on the cylinder, its test date and local rules decide.")
    for n, field in enumerate(fields, 1):
        head = sheet.cell(3, n, field.name.replace("_", " "))
        unit = sheet.cell(
            4, n, field.unit or {"time": "date, time", "date": "date", "bool": "yes / no"}.get(field.kind, "")
        )
        head.font = Font(bold=field.name in declared.required)
        for cell in (head, unit):
            cell.alignment = Alignment(wrap_text=True, vertical="top", horizontal="center")
            cell.fill, cell.border = _HEAD, _LINE
        sheet.column_dimensions[get_column_letter(n)].width = 18 if field.kind in ("time", "text") else 12
        for row in range(5, 5 + LINES_TO_PRINT):
            sheet.cell(row, n).border = _LINE
    for row in range(5, 5 + LINES_TO_PRINT):
        sheet.row_dimensions[row].height = 22
    sheet.row_dimensions[3].height = 46
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.paperSize = sheet.PAPERSIZE_A4
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.print_title_rows = "3:4"
    sheet.print_area = f"A1:{get_column_letter(len(fields))}{4 + LINES_TO_PRINT}"
