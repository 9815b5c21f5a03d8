"""The workbook of a source: read back as it is it brings nothing but its example row, and filled in it loads."""

import openpyxl
import pytest

from pipelines.readers.tables.mapping import Mapping
from pipelines.readers.tables.table import read_table
from schemas.log_workbook import write_template
from schemas.sources import SOURCES
from tests.pipelines.reader_files import FILL_COLUMNS, GOOD_FILL, ZONE, counted, rules


@pytest.mark.parametrize("source", SOURCES)
def test_the_example_row_is_refused_and_nothing_else_is_wrong(tmp_path, source):
    path = write_template(source, tmp_path / f"{source}.xlsx")
    table = counted(read_table(path, source, Mapping(source), ZONE))
    assert rules(table) == ["example_row"]
    assert (table.rows_read, len(table.rows)) == (1, 0)


@pytest.mark.parametrize("source", SOURCES)
def test_every_column_has_a_note_and_every_choice_a_list(tmp_path, source):
    book = openpyxl.load_workbook(write_template(source, tmp_path / "t.xlsx"))
    sheet = book.worksheets[0]
    fields = SOURCES[source].fields
    assert [c.value for c in sheet[1]] == list(fields)
    for cell, field in zip(sheet[1], fields.values(), strict=True):
        assert field.says in cell.comment.text
        assert field.unit in cell.comment.text
    lists = {
        next(iter(r.sqref.ranges)).min_col: r.formula1
        for r in sheet.data_validations.dataValidation
        if r.type == "list"
    }
    for n, field in enumerate(fields.values(), 1):
        if field.choices:
            assert lists[n] == '"' + ",".join(field.choices) + '"'


def test_a_filled_in_row_below_the_example_loads(tmp_path):
    path = write_template("fills", tmp_path / "fills.xlsx")
    book = openpyxl.load_workbook(path)
    places = {c.value: c.column for c in book.worksheets[0][1]}
    for name in FILL_COLUMNS:
        text = GOOD_FILL[name]
        book.worksheets[0].cell(3, places[name], float(text) if text.replace(".", "").isdigit() else text)
    book.save(path)
    table = counted(read_table(path, "fills", Mapping("fills"), ZONE))
    assert rules(table) == ["example_row"]
    assert table.rows["fill_id"].tolist() == ["F1"]


def test_the_sheet_to_print_fits_a_page_and_says_the_units(tmp_path):
    sheet = openpyxl.load_workbook(write_template("fills", tmp_path / "t.xlsx"))["to print"]
    assert sheet.page_setup.orientation == "landscape"
    assert sheet.page_setup.fitToWidth == 1
    assert "bar, gauge" in [c.value for c in sheet[4]]


def test_a_log_is_never_written_over(tmp_path):
    write_template("fills", tmp_path / "t.xlsx")
    with pytest.raises(FileExistsError, match="another name"):
        write_template("fills", tmp_path / "t.xlsx")
    with pytest.raises(ValueError, match="the sources are"):
        write_template("filings", tmp_path / "u.xlsx")
    with pytest.raises(ValueError, match=r"must end in \.xlsx"):
        write_template("fills", tmp_path / "t.csv")


def test_a_stations_own_names_are_to_choose_from_and_stay_names(tmp_path):
    known = {"unit": ["C1", "=1+1"], "member": ["M1"], "source": [], "cylinder": ["C1"]}
    book = openpyxl.load_workbook(write_template("fills", tmp_path / "fills.xlsx", known))
    lists = {next(iter(r.sqref.ranges)).min_col: r for r in book.active.data_validations.dataValidation}
    places = {c.value: c.column for c in book.active[1]}
    assert lists[places["unit_id"]].formula1 == "='to choose from'!$A$1:$A$2"
    assert lists[places["unit_id"]].errorStyle == "warning"  # a new cylinder may be written all the same
    assert places["source_id"] not in lists  # nothing to choose from
    names = book["to choose from"]
    assert names.sheet_state == "hidden" and [c.value for c in names["A"]] == ["C1", "=1+1"]
    assert all(c.data_type == "s" for c in names["A"])
    table = counted(read_table(tmp_path / "fills.xlsx", "fills", Mapping("fills"), ZONE))
    assert rules(table) == ["example_row"]


def test_what_a_register_is_keyed_by_is_not_chosen_from_those_that_are_there(tmp_path):
    known = {"cylinder": ["C1"], "member": ["M1"]}
    book = openpyxl.load_workbook(write_template("cylinders", tmp_path / "c.xlsx", known))
    places = {c.value: c.column for c in book.active[1]}
    lists = {next(iter(r.sqref.ranges)).min_col for r in book.active.data_validations.dataValidation}
    assert places["cylinder_id"] not in lists and places["owner_id"] in lists
    assert [c.value for c in book["to choose from"]["A"]] == ["station", "M1"]
