"""Small files for the tests of the readers."""

from pathlib import Path

from pipelines.readers.raw import RawTable
from pipelines.readers.tables.mapping import Mapping
from pipelines.readers.tables.table import read_table

FILL_COLUMNS = (
    "fill_id",
    "filled_at",
    "unit_id",
    "start_pressure_bar",
    "target_pressure_bar",
    "stop_pressure_bar",
    "ambient_c",
    "target_o2_pct",
)
GOOD_FILL = {
    "fill_id": "F1",
    "filled_at": "2031-05-20 14:30",
    "unit_id": "C-07",
    "start_pressure_bar": "50",
    "target_pressure_bar": "232",
    "stop_pressure_bar": "232",
    "ambient_c": "18",
    "target_o2_pct": "20.95",
}
ZONE = "Europe/London"


def csv_text(*rows: dict[str, str], columns=None, separator: str = ",") -> str:
    """CSV of fills: each row is the good one with what it changes."""
    columns = columns or [*FILL_COLUMNS, *dict.fromkeys(k for row in rows for k in row if k not in FILL_COLUMNS)]

    def cell(text: str) -> str:
        return '"' + text.replace('"', '""') + '"' if any(c in text for c in f'{separator}"\n') else text

    lines = [separator.join(columns)]
    for n, row in enumerate(rows, 1):
        full = GOOD_FILL | {"fill_id": f"F{n}"} | row
        lines.append(separator.join(cell(full.get(c, "")) for c in columns))
    return "\n".join(lines) + "\n"


def fills(
    folder: Path, content: str | bytes, mapping: Mapping | None = None, name: str = "fills.csv", **more
) -> RawTable:
    """Write a file of fills and read it; the accounting is checked each time."""
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
    return counted(read_table(path, "fills", mapping or Mapping("fills"), ZONE, **more))


def counted(table: RawTable) -> RawTable:
    """The same table, once read = accepted + rejected holds for it."""
    assert table.rows_read == len(table.rows) + table.rows_rejected
    assert sum(p.rows for p in table.problems if p.severity == "row" and not table.refused) >= table.rows_rejected
    return table


def rules(table: RawTable) -> list[str]:
    """The rules its problems name, in order."""
    return [p.rule for p in table.problems]
