"""Workbooks: dates, numbers and formulas as a spreadsheet keeps them, and archives built to do harm."""

import datetime as dt
import zipfile

import openpyxl
import pandas as pd
import pytest

from pipelines.readers.raw import RawTable
from pipelines.readers.tables import workbook
from pipelines.readers.tables.mapping import Mapping
from pipelines.readers.tables.table import read_table
from tests.pipelines.reader_files import FILL_COLUMNS, ZONE, counted, rules

GOOD = ["F1", dt.datetime(2031, 5, 20, 14, 30), "C-07", 50, 232, 231.5, 18, 20.95]


def save(folder, rows, name="fills.xlsx", change=None):
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    if change:
        change(book)
    book.save(folder / name)
    return folder / name


def read(path, mapping=None) -> RawTable:
    return counted(read_table(path, "fills", mapping or Mapping("fills"), ZONE))


def test_numbers_and_dates_are_taken_as_the_spreadsheet_keeps_them(tmp_path):
    table = read(save(tmp_path, [FILL_COLUMNS, GOOD, ["F2", dt.date(2031, 5, 21), 12.0, 0, 232, 230, 18, 20.95]]))
    assert rules(table) == []
    assert table.rows["filled_at"].tolist() == [
        pd.Timestamp("2031-05-20 13:30", tz="UTC"),
        pd.Timestamp("2031-05-21 11:00", tz="UTC"),
    ]
    assert table.rows["value_flags"].tolist() == [[], ["date_without_time"]]
    assert table.rows["unit_id"].tolist() == ["C-07", "12"]
    assert table.rows["stop_pressure_bar"].tolist() == [231.5, 230.0]


def test_midnight_shown_with_its_time_is_midnight(tmp_path):
    def with_time(book):
        book.active["B2"].number_format = "yyyy-mm-dd hh:mm"

    table = read(save(tmp_path, [FILL_COLUMNS, [*GOOD[:1], dt.datetime(2031, 12, 1), *GOOD[2:]]], change=with_time))
    assert table.rows["filled_at"].tolist() == [pd.Timestamp("2031-12-01", tz="UTC")]
    assert table.rows["value_flags"].tolist() == [[]]


def test_a_decimal_comma_of_the_mapping_does_not_touch_real_numbers(tmp_path):
    table = read(save(tmp_path, [FILL_COLUMNS, GOOD, [*GOOD[:5], "231,5", 18, 20.95]]), Mapping("fills", decimal=","))
    assert table.rows["stop_pressure_bar"].tolist() == [231.5, 231.5]


def test_date_and_time_in_two_columns_are_joined(tmp_path):
    columns = ["fill_id", "Day", "Clock", *FILL_COLUMNS[2:]]
    table = read(
        save(
            tmp_path,
            [
                columns,
                ["F1", dt.date(2031, 5, 20), dt.time(14, 30), *GOOD[2:]],
                ["F2", dt.date(2031, 5, 20), None, *GOOD[2:]],
            ],
        ),
        Mapping("fills", headers={"filled_at": ("Day", "Clock")}),
    )
    assert rules(table) == []
    assert table.rows["filled_at"].tolist() == [
        pd.Timestamp("2031-05-20 13:30", tz="UTC"),
        pd.Timestamp("2031-05-20 11:00", tz="UTC"),
    ]
    assert table.rows["value_flags"].tolist() == [[], ["date_without_time"]]


def test_blank_rows_at_the_end_and_between_are_no_rows_and_lines_are_the_sheets(tmp_path):
    table = read(save(tmp_path, [FILL_COLUMNS, GOOD, [], ["F2", *GOOD[1:]], [], [" "]]))
    assert table.rows_read == 2
    assert table.rows["line"].tolist() == [2, 4]


def test_the_sheet_of_the_mapping_and_its_header_row_are_found(tmp_path):
    def second(book):
        sheet = book.create_sheet("Log 2031")
        for row in (["Fill log"], [], FILL_COLUMNS, GOOD):
            sheet.append(list(row))

    path = save(tmp_path, [["something else"]], change=second)
    assert len(read(path, Mapping("fills", sheet="log 2031", header_row=3)).rows) == 1
    refused = read(path, Mapping("fills", sheet="2030"))
    assert rules(refused) == ["sheet_not_found"]
    assert "Log 2031" in refused.problems[0].message


def test_an_error_of_the_spreadsheet_rejects_its_row(tmp_path):
    table = read(save(tmp_path, [FILL_COLUMNS, GOOD, ["F2", *GOOD[1:5], "#DIV/0!", 18, 20.95]]))
    assert [(p.rule, p.line, p.column) for p in table.problems] == [("cell_error", 3, "stop_pressure_bar")]


def test_a_formula_without_its_result_is_reported_and_left_empty(tmp_path):
    table = read(save(tmp_path, [[*FILL_COLUMNS, "analysed_o2_pct"], [*GOOD, "=20+0.9"]]))
    assert [(p.rule, p.severity, p.column, p.line) for p in table.problems] == [
        ("formula_without_value", "value", "analysed_o2_pct", 2)
    ]
    assert table.rows["analysed_o2_pct"].isna().all()


def test_rows_with_merged_cells_are_rejected_but_for_the_first(tmp_path):
    table = read(
        save(
            tmp_path,
            [FILL_COLUMNS, GOOD, ["F2", *GOOD[1:]], ["F3", *GOOD[1:]]],
            change=lambda b: b.active.merge_cells("G2:G3"),
        )
    )
    assert [(p.rule, p.row_number, p.column) for p in table.problems] == [("merged_cell", 2, "ambient_c")]
    assert table.rows["fill_id"].tolist() == ["F1", "F3"]


def test_the_number_of_a_day_is_read_only_if_the_mapping_says_so(tmp_path):
    path = save(tmp_path, [FILL_COLUMNS, ["F1", 47988.604166666664, *GOOD[2:]]])
    assert rules(read(path)) == ["date_is_number"]
    table = read(path, Mapping("fills", formats={"filled_at": "day_number"}))
    assert table.rows["filled_at"].tolist() == [pd.Timestamp("2031-05-20 13:30", tz="UTC")]


# --- archives from strangers ------------------------------------------------------------------
def rebuilt(path, *, replace=None, add=None):
    """The same workbook with parts replaced or added."""
    made = path.with_name("rebuilt.xlsx")
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as new:
        for entry in old.infolist():
            data = old.read(entry)
            new.writestr(entry.filename, replace(entry.filename, data) if replace else data)
        for name, data in (add or {}).items():
            new.writestr(name, data)
    return made


@pytest.mark.parametrize(
    "content", [b"", b"fill_id,filled_at\n", b"%PDF-1.7", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", b"PK\x03\x04broken"]
)
def test_what_is_no_workbook_is_refused(tmp_path, content):
    path = tmp_path / "fills.xlsx"
    path.write_bytes(content)
    table = read(path)
    assert table.refused is not None
    assert table.refused.fix


def test_a_zip_archive_without_a_workbook_is_refused(tmp_path):
    path = tmp_path / "fills.xlsx"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("hello.txt", "hi")
    assert rules(read(path)) == ["not_what_its_name_says"]


def test_a_part_that_unpacks_beyond_all_measure_is_refused_unread(tmp_path):
    path = rebuilt(save(tmp_path, [FILL_COLUMNS, GOOD]), add={"xl/worksheets/sheet9.xml": b"<x>" + b" " * (20 << 20)})
    assert rules(read(path)) == ["unsafe_workbook"]


def test_sizes_are_weighed_not_believed(tmp_path, monkeypatch):
    monkeypatch.setattr(workbook, "MOST_UNPACKED", 5000)
    assert rules(read(save(tmp_path, [FILL_COLUMNS, *[GOOD] * 50]))) == ["unsafe_workbook"]


def test_too_many_parts_are_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(workbook, "MOST_ENTRIES", 3)
    assert rules(read(save(tmp_path, [FILL_COLUMNS, GOOD]))) == ["unsafe_workbook"]


def test_entities_in_a_part_are_refused(tmp_path):
    bomb = b'<!DOCTYPE x [<!ENTITY a "ha"><!ENTITY b "&a;&a;">]>'

    def arm(name, data):
        return data.replace(b"<worksheet", bomb + b"<worksheet", 1) if name.endswith("sheet1.xml") else data

    assert rules(read(rebuilt(save(tmp_path, [FILL_COLUMNS, GOOD]), replace=arm))) == ["unsafe_workbook"]


def test_a_sheet_that_lies_about_its_size_costs_nothing(tmp_path):
    def lie(name, data):
        if not name.endswith("sheet1.xml"):
            return data
        return data.replace(b'ref="A1:H2"', b'ref="A1:XFD1048576"')

    assert len(read(rebuilt(save(tmp_path, [FILL_COLUMNS, GOOD]), replace=lie)).rows) == 1


def test_a_sheet_cut_short_is_refused(tmp_path):
    def cut(name, data):
        return data[: len(data) // 2] if name.endswith("sheet1.xml") else data

    assert rules(read(rebuilt(save(tmp_path, [FILL_COLUMNS, GOOD]), replace=cut))) == ["broken_workbook"]


@pytest.mark.parametrize(
    "rows, said", [([], False), ([FILL_COLUMNS], False), ([["to print"], [], FILL_COLUMNS, ["F9", "x"]], True)]
)
def test_rows_on_another_sheet_are_not_passed_over_in_silence(tmp_path, rows, said):
    def more(book):
        other = book.create_sheet("April")
        for row in rows:
            other.append(list(row))

    table = read(save(tmp_path, [list(FILL_COLUMNS), GOOD], change=more))
    assert table.rows_read == 1
    assert ("other_sheets_passed_over" in table.notes) is said


@pytest.mark.parametrize("beside, said", [([], False), ([" "], False), (["short by 20"], True), ([None, 7], True)])
def test_cells_to_the_right_of_the_headers_are_not_passed_over_in_silence(tmp_path, beside, said):
    table = read(save(tmp_path, [list(FILL_COLUMNS), [*GOOD, *beside]]))
    assert table.rows_read == 1 and ("cells_beyond_headers" in table.notes) is said
