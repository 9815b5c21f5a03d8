"""Write the published tables for other programs: a file each, as CSV, Parquet or XLSX."""

import json
from pathlib import Path

import pandas as pd

from schemas.snapshot import read_manifest, read_table
from schemas.tables import TABLES, Table

FORMATS = ("csv", "parquet", "xlsx")
#: a spreadsheet takes a cell that begins like this for a formula (OWASP, 'CSV Injection'); the wide ones too
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
#: the same after what may end a cell
_INSIDE = r"([;\t][ \t]*)([=+\-@＝＋－＠])"
_XLSX_ROWS = 1_048_575


class WrongEnding(ValueError):
    """A file's ending names no form that is written."""


def export_tables(published: Path, to: Path, form: str) -> list[Path]:
    """Write every published table to a file of its own name.

    Parameters
    ----------
    published : Path
        The station's published/ folder.
    to : Path
        Made if it is not there; files of the same names are replaced.
    form : str
        One of FORMATS.

    Returns
    -------
    list of Path
    """
    manifest = read_manifest(published)
    to.mkdir(parents=True, exist_ok=True)
    written = []
    for table in TABLES.values():
        if table.internal:
            continue
        frame = read_table(published, manifest, table.name)
        path = to / f"{table.name}.{form}"
        write_frame(frame, table, path)
        written.append(path)
    return written


def write_frame(frame: pd.DataFrame, table: Table, path: Path) -> None:
    """Write rows of a table to one file, in the form its ending names."""
    form = path.suffix.lower().lstrip(".")
    if form not in FORMATS:
        raise WrongEnding(f"{path.name}: the ending must be one of {', '.join('.' + f for f in FORMATS)}.")
    if form == "parquet":
        import pyarrow.parquet as pq

        from pipelines.publish.parts import arrow_table

        pq.write_table(arrow_table(frame, table), path)
    elif form == "csv":
        _as_text(flat(frame, table), table).to_csv(path, index=False, lineterminator="\n", encoding="utf-8")
    else:
        _write_xlsx(flat(frame, table), path)


def flat(frame: pd.DataFrame, table: Table) -> pd.DataFrame:
    """The rows in plain cells: true/false, ISO times with Z, lists joined by ';', nested as JSON; empty is unknown."""
    made = {}
    for field in table.fields.values():
        column = frame[field.name]
        if field.kind == "bool":
            made[field.name] = column.map({True: "true", False: "false"})
        elif field.kind == "time":
            made[field.name] = column.map(lambda at: at.isoformat().replace("+00:00", "Z"), na_action="ignore")
        elif field.kind == "date":
            made[field.name] = column.dt.strftime("%Y-%m-%d")
        elif field.kind in ("codes", "ids"):
            made[field.name] = column.map(
                lambda listed: ";".join(listed) if hasattr(listed, "__len__") and not isinstance(listed, str) else None
            )
        elif field.kind == "json":
            made[field.name] = column.map(
                lambda v: v if isinstance(v, str) else json.dumps(v, sort_keys=True) if isinstance(v, dict) else None
            )
        else:
            made[field.name] = column
    return pd.DataFrame(made, index=frame.index)


def _as_text(frame: pd.DataFrame, table: Table) -> pd.DataFrame:
    """An apostrophe before every text that a spreadsheet would take for a formula; numbers stay numbers.

    Where the comma divides decimals, a spreadsheet may end a cell at a semicolon or tab inside it: the rest of the
    text is a cell then too.
    """
    made = {}
    for name, column in frame.items():
        if table.fields[str(name)].kind in ("text", "choice", "codes", "json"):
            text = column.astype("str")
            risky, returns = text.str.startswith(_FORMULA) & column.notna(), text.str.contains("\r", regex=False)
            if returns.any():  # the writer does not quote a lone return, and readers take it for the end of a row
                text = text.str.replace("\r\n", "\n", regex=False).str.replace("\r", "\n", regex=False)
            kept, text = text, text.str.replace(_INSIDE, r"\1'\2", regex=True)
            inside = (kept != text) & column.notna()
            if risky.any() or returns.any() or inside.any():
                column = text.where(~risky, "'" + text).where(column.notna())
        made[name] = column
    return pd.DataFrame(made, index=frame.index)


def _write_xlsx(frame: pd.DataFrame, path: Path) -> None:
    from openpyxl import Workbook
    from openpyxl.cell import WriteOnlyCell

    book = Workbook(write_only=True)
    sheet = book.create_sheet(path.stem[:31])

    def cell(value):
        """A value as a sheet may hold it; text that looks like a formula stays text."""
        if pd.isna(value):
            return None
        if isinstance(value, str) and value.startswith(_FORMULA):
            held = WriteOnlyCell(sheet, value)
            held.data_type = "s"
            return held
        return value.item() if hasattr(value, "item") else value

    sheet.append(list(frame.columns))
    for row in frame.head(_XLSX_ROWS).itertuples(index=False):
        sheet.append([cell(value) for value in row])
    book.save(path)
