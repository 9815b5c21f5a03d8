"""Whatever a CSV file holds: what can be read is read, the rest is named with its row, line, value, reason and fix."""

import gzip
from dataclasses import replace

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.readers.tables.mapping import Mapping
from pipelines.readers.tables.table import read_table
from schemas.check import check
from tests.pipelines.reader_files import FILL_COLUMNS, GOOD_FILL, ZONE, counted, csv_text, fills, rules

LATEST = pd.Timestamp("2040-01-01", tz="UTC")


def test_a_good_file_becomes_typed_rows(tmp_path):
    table = fills(tmp_path, csv_text({}, {"filled_at": "2031-12-01T09:00Z", "analysed_o2_pct": "21.1"}))
    assert rules(table) == []
    assert table.rows["filled_at"].tolist() == [
        pd.Timestamp("2031-05-20 13:30", tz="UTC"),
        pd.Timestamp("2031-12-01 09:00", tz="UTC"),
    ]
    assert str(table.rows["filled_at"].dtype) == "datetime64[us, UTC]"
    assert table.rows["stop_pressure_bar"].dtype == "float64"
    assert table.rows["row_number"].tolist() == [1, 2]
    assert table.rows["line"].tolist() == [2, 3]
    clean, problems = check("fills", table.rows, LATEST)
    assert len(clean) == 2
    assert len(problems) == 0


@pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
@pytest.mark.parametrize("ending", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_separator_line_end_and_byte_order_mark_do_not_matter(tmp_path, separator, ending, mark):
    text = csv_text({"operator": "Mo, at the pump"}, {}, separator=separator).replace("\n", ending)
    table = fills(tmp_path, mark + text.encode())
    assert rules(table) == []
    assert table.rows["operator"].tolist()[0] == "Mo, at the pump"
    assert len(table.rows) == 2


def test_old_line_ends_are_read(tmp_path):
    assert len(fills(tmp_path, csv_text({}, {}).replace("\n", "\r")).rows) == 2


@pytest.mark.parametrize(
    ("header", "rows", "last"),
    [("\r", "\n", "\n"), ("\r", "\r\n", "\r\n"), ("\r\n", "\r", "\r"), ("\n", "\r", "\n"), ("\r\r\n", "\r\n", "")],
    ids=["CR after the header, LF", "CR after the header, CRLF", "CRLF after the header, CR", "CR, LF last", "CR CRLF"],
)
def test_mixed_line_ends_lose_no_row(tmp_path, header, rows, last):
    head, *lines = csv_text(*[{}] * 6).splitlines()
    table = fills(tmp_path, head + header + rows.join(lines) + last)
    assert rules(table) == []
    assert table.rows["fill_id"].tolist() == [f"F{n}" for n in range(1, 7)]


@pytest.mark.parametrize("closed_on", [3, 4, 6])
def test_a_quote_that_ends_in_a_later_row_swallows_none_in_silence(tmp_path, closed_on):
    """`"Jo` on line 2 and `Ann"` below are one good cell to every reader of CSV, with whole rows in it."""
    lines = csv_text(*[{"operator": "x"}] * 6).splitlines()
    lines[1] = lines[1].removesuffix("x") + '"Jo'
    lines[closed_on - 1] = lines[closed_on - 1].removesuffix("x") + 'Ann"'
    table = fills(tmp_path, "\n".join(lines))
    assert rules(table) == ["rows_in_one_cell"]
    assert f"line {closed_on}" in table.problems[0].message and "line 2" in table.problems[0].message
    assert table.rows["fill_id"].tolist() == [f"F{n}" for n in range(closed_on, 7)]


def test_a_note_of_several_lines_with_commas_is_read(tmp_path):
    table = fills(tmp_path, csv_text({"operator": "Mo, Jo,\nand Ann, at the pump"}, {}))
    assert rules(table) == [] and len(table.rows) == 2


@pytest.mark.parametrize("header", [f'{",".join(FILL_COLUMNS)},"note', f'"{",".join(FILL_COLUMNS)},note'])
def test_a_quote_that_the_header_leaves_open_swallows_no_rows(tmp_path, header):
    rows = [",".join([*(GOOD_FILL | {"fill_id": f"F{n}"}).values(), '"dry"' if n == 3 else "x"]) for n in range(1, 6)]
    table = fills(tmp_path, "\n".join([header, *rows]))
    assert (table.refused.rule, table.rows_read) == ("broken_quotes", 0)
    broken = csv_text({}, {}).replace("ambient_c", '"ambient\n_c"')  # a name in two lines is a name
    assert fills(tmp_path, broken).refused is None


@pytest.mark.parametrize("ending", ["\r", "\r\n", "\n"])
@pytest.mark.parametrize("inside", ["\n", "\r", "\r\n"])
def test_a_line_break_inside_quotes_is_no_line_end_of_the_file(tmp_path, ending, inside):
    head, first, *lines = csv_text({"operator": "one two"}, *[{}] * 5).splitlines()
    text = ending.join([head, first.replace("one two", f'"one{inside}two"'), *lines]) + ending
    table = fills(tmp_path, text)
    assert rules(table) == []
    assert table.rows["fill_id"].tolist() == [f"F{n}" for n in range(1, 7)]
    assert table.rows["operator"].tolist()[0] == "one two"


def test_one_row_that_ends_in_a_lone_return_among_others_is_read(tmp_path):
    lines = csv_text(*[{}] * 6).splitlines()
    table = fills(tmp_path, "\n".join(lines[:3]) + "\r" + "\n".join(lines[3:]) + "\n")
    assert table.rows_read == len(table.rows) == 6


def test_the_line_of_the_file_is_reported_after_a_quoted_line_break_and_blank_lines(tmp_path):
    text = csv_text({"operator": "one\ntwo"}, {"stop_pressure_bar": "much"}).replace("F2", "\n\nF2")
    table = fills(tmp_path, text)
    assert [(p.row_number, p.line, p.column, p.value, p.rule) for p in table.problems] == [
        (2, 6, "stop_pressure_bar", "much", "not_a_number")
    ]
    assert table.rows["operator"].tolist() == ["one two"]


def test_headers_are_known_whatever_their_case_and_blanks(tmp_path):
    text = csv_text({}).replace("stop_pressure_bar", "Stop Pressure-Bar ").replace("fill_id", "FILL_ID")
    assert rules(fills(tmp_path, text)) == []


def test_blank_rows_are_no_rows(tmp_path):
    table = fills(
        tmp_path, csv_text({}) + ",,,,,,,\n\n  ,,,,,,,\n" + csv_text({"fill_id": "F9"}).split("\n")[1] + "\n,,,,,,,\n"
    )
    assert table.rows_read == 2
    assert table.rows["row_number"].tolist() == [1, 2]
    assert table.rows["line"].tolist() == [2, 6]


@pytest.mark.parametrize(
    ("written", "read_as", "proposed"),
    [("utf-16", "utf-8", "utf-16"), ("cp1252", "utf-8", "cp1252"), ("utf-8", "utf-16", "utf-8")],
)
def test_what_a_text_looks_like_is_proposed(tmp_path, written, read_as, proposed):
    text = "fill_id;Öl\n" if written != "utf-8" else "fill_id;Öl;\n"
    problem = fills(tmp_path, text.encode(written), Mapping("fills", encoding=read_as)).problems[0]
    assert f'encoding = "{proposed}"' in problem.fix and f"not {read_as.upper()} text" in problem.message


def test_a_letter_is_one_however_it_was_composed(tmp_path):
    """Unicode's canonical equivalence (UAX 15): the same name from two computers is one name."""
    table = fills(tmp_path, csv_text({"fill_id": "Caf\u00e9"}, {"fill_id": "Cafe\u0301"}))
    assert table.rows["fill_id"].tolist() == ["Caf\u00e9"] * 2


# --- files refused whole ----------------------------------------------------------------------
@pytest.mark.parametrize(
    ("content", "rule", "words"),
    [
        (b"", "empty_file", "empty"),
        (b"\n \n", "empty_file", "empty"),
        (b"%PDF-1.7 \x00\x01", "not_what_its_name_says", "a PDF"),
        (b"PK\x03\x04rest", "not_what_its_name_says", "workbook"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1", "not_what_its_name_says", "old or locked workbook"),
        (gzip.compress(b"fill_id\n", mtime=0), "not_what_its_name_says", "gzip"),
        (b"<!DOCTYPE html><html>", "not_what_its_name_says", "web page"),
        (b"<?xml version='1.0'?><uddf/>", "not_what_its_name_says", "XML"),
        (b'[{"fill_id": "F1"}]', "not_what_its_name_says", "JSON"),
        (b"fill_id,filled_at\nF1,\x00\x00", "not_what_its_name_says", "not text"),
        ("fill_id;Öl\n".encode("cp1252"), "not_utf8", "Byte 9 on line 1"),
        ("fill_id\n".encode("utf-16"), "not_utf8", "line 1 is not UTF-8 text"),
        ("fill_id\n".encode("utf-32"), "not_what_its_name_says", "UTF-32"),
        (b"fill_id,unit_id\nF1,C1\n", "missing_column", "filled_at"),
        (b"fill_id,fill_id\n1,2\n", "header_twice", "fill_id"),
        (b",,,\n1,2,3\n", "header_missing", "no header"),
        ((",".join(FILL_COLUMNS) + '\n"F1","2031-05-20","C1","22').encode(), "broken_quotes", "line 2"),
        ((",".join(FILL_COLUMNS) + '\nF1,2031-05-20,C1,"2"09\n').encode(), "broken_quotes", "line 2"),
        ((",".join(FILL_COLUMNS) + '\nF1,2031-05-20,C1,209"\nF2,"a\n').encode(), "broken_quotes", "line 3"),
        ((",".join(FILL_COLUMNS) + '\nF1,"2031').encode(), "broken_quotes", "line 2"),
        ((",".join(f"c{n}" for n in range(400)) + "\n").encode(), "too_many_columns", "400"),
    ],
)
def test_a_file_that_is_none_is_refused_with_a_reason(tmp_path, content, rule, words):
    table = fills(tmp_path, content)
    assert table.refused is not None
    assert rules(table) == [rule]
    assert words in table.problems[0].message
    assert table.problems[0].fix
    assert table.problems[0].row_number is None
    assert table.rows_read == 0


def test_missing_columns_are_named_and_the_fix_shows_the_mapping(tmp_path):
    table = fills(tmp_path, csv_text({}).replace("ambient_c", "Air temp"))
    assert "ambient_c" in table.refused.message
    assert "Air temp" in table.refused.message
    assert "[sources.fills.headers] ambient_c" in table.refused.fix


def test_an_ending_nobody_reads_says_what_is_read(tmp_path):
    (tmp_path / "fills.ods").write_bytes(b"PK\x03\x04")
    table = read_table(tmp_path / "fills.ods", "fills", Mapping("fills"), ZONE)
    assert rules(table) == ["unsupported_file"]


def test_rows_beyond_hope_refuse_the_file_instead_of_filling_memory(tmp_path, monkeypatch):
    monkeypatch.setattr("pipelines.readers.tables.table.MOST_PROBLEMS", 10)
    table = fills(tmp_path, csv_text(*[{"stop_pressure_bar": "x"}] * 20))
    assert rules(table) == ["too_many_problems"]
    assert table.rows_read == 0


# --- rows -------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("column", "text", "rule"),
    [
        ("stop_pressure_bar", "232,5", "decimal_comma"),
        ("stop_pressure_bar", "1.234,5", "decimal_comma"),
        ("stop_pressure_bar", "1,234", "decimal_comma"),
        ("stop_pressure_bar", "1 234", "thousands_separator"),
        ("stop_pressure_bar", "1'234.5", "thousands_separator"),
        ("stop_pressure_bar", "232 bar", "unit_in_cell"),
        ("stop_pressure_bar", "3300psi", "unit_in_cell"),
        ("ambient_c", "18 °C", "unit_in_cell"),
        ("stop_pressure_bar", "<232", "not_exact"),
        ("stop_pressure_bar", "≤ 232", "not_exact"),
        ("stop_pressure_bar", "ca. 230", "not_exact"),
        ("stop_pressure_bar", "nan", "not_finite"),
        ("stop_pressure_bar", "inf", "not_finite"),
        ("stop_pressure_bar", "1e999", "not_finite"),
        ("stop_pressure_bar", "full", "not_a_number"),
        ("stop_pressure_bar", "2_32", "not_a_number"),
        ("stop_pressure_bar", "0x10", "not_a_number"),
        ("stop_pressure_bar", "٢٣٢", "not_a_number"),
        ("stop_pressure_bar", "=A1+B1", "formula_in_cell"),
        ("stop_pressure_bar", "#DIV/0!", "cell_error"),
        ("stop_pressure_bar", "9" * 20_000, "cell_too_long"),
        ("unit_id", "=HYPERLINK(1)", "formula_in_cell"),
        ("operator", "=HYPERLINK(1)", "formula_in_cell"),
        ("analysed_by", "=A1", "formula_in_cell"),
        ("unit_id", "#REF!", "cell_error"),
        ("unit_id", "C\u202e07", "control_character"),
        ("unit_id", "C" * 300, "cell_too_long"),
        ("fill_method", "decanted", "not_a_choice"),
        ("filled_at", "20/05/2031 14:30", "date_order_unclear"),
        ("filled_at", "5/6/31", "date_order_unclear"),
        ("filled_at", "20 May 2031", "date_order_unclear"),
        ("filled_at", "2031/05/20", "date_order_unclear"),
        ("filled_at", "55653.6", "date_is_number"),
        ("filled_at", "2031-02-30 10:00", "impossible_date"),
        ("filled_at", "2031-05-20 24:30", "impossible_date"),
        ("filled_at", "2031-05-20 10:00+99:00", "impossible_date"),
        ("filled_at", "0001-01-01 10:00", "impossible_date"),
        ("filled_at", "yesterday", "not_a_time"),
        ("filled_at", "2031-05", "not_a_time"),
    ],
)
def test_what_is_not_certain_is_rejected_never_guessed(tmp_path, column, text, rule):
    table = fills(tmp_path, csv_text({}, {column: text}, {}))
    assert rules(table) == [rule]
    found = table.problems[0]
    assert (found.row_number, found.line, found.severity) == (2, 3, "row")
    assert rule == "cell_too_long" or not text.isprintable() or found.value == text
    assert found.message
    assert found.fix
    assert table.rows["fill_id"].tolist() == ["F1", "F3"]


@pytest.mark.parametrize(
    ("text", "number"), [("+5", 5), ("5.", 5), (".5", 0.5), ("1.5e2", 150), (" 7 ", 7), ("−4", -4), ("-0", 0)]
)
def test_every_plain_way_to_write_a_number_is_read(tmp_path, text, number):
    assert fills(tmp_path, csv_text({"ambient_c": text})).rows["ambient_c"].tolist() == [number]


def test_several_faults_of_a_row_are_reported_together_and_count_once(tmp_path):
    table = fills(tmp_path, csv_text({"stop_pressure_bar": "x", "ambient_c": "y"}))
    assert rules(table) == ["not_a_number", "not_a_number"]
    assert table.rows_rejected == 1


def test_a_row_with_too_few_cells_is_rejected_and_extra_separators_are_not(tmp_path):
    lines = csv_text({}, {}, {}).splitlines()
    lines[2] = "F2,2031-05-20 10:00,C-07"
    lines[3] += ",,"
    table = fills(tmp_path, "\n".join(lines))
    assert [(p.rule, p.row_number) for p in table.problems] == [("wrong_cell_count", 2)]
    assert table.rows["fill_id"].tolist() == ["F1", "F3"]


def test_the_example_row_is_refused_alone(tmp_path):
    table = fills(tmp_path, csv_text({"fill_id": "EXAMPLE", "stop_pressure_bar": "about 230"}, {}))
    assert rules(table) == ["example_row"]
    assert len(table.rows) == 1


def test_an_unknown_column_is_reported_and_costs_no_row(tmp_path):
    table = fills(tmp_path, csv_text({"weather": "rain", "analysed_02_pct": "32"}))
    assert [(p.rule, p.column, p.severity, p.row_number) for p in table.problems] == [
        ("unknown_header", "weather", "value", None),
        ("unknown_header", "analysed_02_pct", "value", None),
    ]
    assert "analysed_o2_pct" in table.problems[1].fix
    assert len(table.rows) == 1


def test_a_header_in_another_unit_shows_both_lines_of_the_mapping(tmp_path):
    table = fills(tmp_path, csv_text({"settled_pressure_psi": "3100"}))
    assert rules(table) == ["unit_in_header"]
    assert '[sources.fills.headers] settled_pressure_bar = "settled_pressure_psi"' in table.problems[0].fix
    assert '[sources.fills.units] settled_pressure_bar = "psi"' in table.problems[0].fix


# --- times ------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("text", "utc", "flag"),
    [
        ("2031-05-20 14:30", "2031-05-20 13:30", None),
        ("2031-05-20T14:30:15", "2031-05-20 13:30:15", None),
        ("2031-05-20 9:05", "2031-05-20 08:05", None),
        ("2031-05-20 14:30Z", "2031-05-20 14:30", None),
        ("2031-05-20T14:30+02", "2031-05-20 12:30", None),
        ("2031-05-20 14:30 -03:30", "2031-05-20 18:00", None),
        ("2031-05-20", "2031-05-20 11:00", "date_without_time"),
        ("2031-10-26 01:30", "2031-10-26 00:30", "time_ambiguous"),
        ("2031-03-30 01:30", "2031-03-30 01:30", "time_not_existing"),
    ],
)
def test_times_are_read_in_their_zone_else_the_stations(tmp_path, text, utc, flag):
    """Clocks of Europe/London change at 01:00 UTC on the last Sundays of March and October."""
    table = fills(tmp_path, csv_text({"filled_at": text}))
    assert table.rows["filled_at"].tolist() == [pd.Timestamp(utc, tz="UTC")]
    assert table.rows["value_flags"].tolist() == [[flag] if flag else []]


@pytest.mark.parametrize(
    ("text", "day", "flags"),
    [
        ("2031-05-20", "2031-05-20", []),
        ("2031-05", "2031-05-01", ["month_without_day"]),
        ("2031-05-20 00:00:00", "2031-05-20", []),
        ("2031-05-20T00:00:00+05:00", "2031-05-20", []),
        ("2031-05-20T10:30:00", "2031-05-20", ["time_left_out"]),
        ("2031-05-20T23:30:00", "2031-05-20", ["time_left_out"]),
        ("2031-05-20 10:30Z", "2031-05-20", ["time_left_out"]),
    ],
)
def test_dates_keep_their_day_and_a_stamp_of_a_month_is_its_first(tmp_path, text, day, flags):
    path = tmp_path / "cylinders.csv"
    path.write_text(
        "cylinder_id,owner_id,material,water_capacity_l,working_pressure_bar,status,manufactured_on\n"
        f"C1,station,Steel,12,232,in service,{text}\n",
        encoding="utf-8",
    )
    table = counted(read_table(path, "cylinders", Mapping("cylinders"), ZONE))
    assert table.problems == []
    assert table.rows["manufactured_on"].tolist() == [pd.Timestamp(day)]
    assert table.rows["value_flags"].tolist() == [flags]
    assert table.rows[["material", "status"]].to_numpy().tolist() == [["steel", "in_service"]]


def test_a_stamp_whose_zone_makes_it_another_day_than_here_is_no_certain_date(tmp_path):
    """23:30 UTC of a summer's day is half past midnight of the next in London."""
    path = tmp_path / "air_tests.csv"
    path.write_text("compressor_id,sampled_on\nK1,2031-05-20T23:30:00Z\nK1,2031-12-20T23:30:00Z\n", encoding="utf-8")
    table = counted(read_table(path, "air_tests", Mapping("air_tests"), ZONE))
    assert [(p.row_number, p.rule, p.value) for p in table.problems] == [(1, "day_unclear", "2031-05-20T23:30:00Z")]
    assert table.rows["sampled_on"].tolist() == [pd.Timestamp("2031-12-20")]


@pytest.mark.parametrize(
    ("source", "columns", "row", "column"),
    [
        ("members", "member_id,display_name", "M1,=HYPERLINK(1)", "display_name"),
        ("members", "member_id,display_name,email", "M1,Ann,=1+1", "email"),
        ("air_tests", "compressor_id,sampled_on,laboratory", "K1,2031-05-20,=cmd!A0", "laboratory"),
        ("inspections", "cylinder_id,inspected_on,kind,result,inspector", "C1,2031-05-20,visual,pass,=B2", "inspector"),
    ],
)
def test_no_name_of_any_source_is_a_formula(tmp_path, source, columns, row, column):
    path = tmp_path / f"{source}.csv"
    path.write_text(f"{columns}\n{row}\n", encoding="utf-8")
    table = counted(read_table(path, source, Mapping(source), ZONE))
    assert [(p.rule, p.column, p.severity) for p in table.problems] == [("formula_in_cell", column, "row")]
    assert table.rows.empty


@pytest.mark.parametrize(
    ("note", "kept"),
    [
        ("=5 bar low", True),
        ("= as last year (see log)", True),
        ("=O2 clean", True),
        ("thread worn!A little", True),
        ('=HYPERLINK("x")', False),
        ("=-sum(A1:A3)", False),
        ("=Sheet2!A1", False),
        ("=cmd|' /C calc'!A0", False),
    ],
)
def test_a_note_may_begin_with_an_equals_sign_but_not_call_a_function_or_another_sheet(tmp_path, note, kept):
    """What was found in a cylinder is never lost to what was noted beside it: the row stays."""
    path = tmp_path / "inspections.csv"
    quoted = note.replace('"', '""')
    path.write_text(
        f'cylinder_id,inspected_on,kind,result,note\nC1,2031-05-20,visual,condemned,"{quoted}"\n', encoding="utf-8"
    )
    table = counted(read_table(path, "inspections", Mapping("inspections"), ZONE))
    assert table.rows["result"].tolist() == ["condemned"]
    assert table.rows["note"].fillna("").tolist() == [note if kept else ""]
    assert [(p.rule, p.severity) for p in table.problems] == ([] if kept else [("formula_in_cell", "value")])


def test_a_cylinder_rated_in_cubic_feet_needs_no_litres(tmp_path):
    path = tmp_path / "cylinders.csv"
    path.write_text(
        "cylinder_id,owner_id,material,status,rated_capacity_cuft,service_pressure_psi\nC1,station,aluminium,in_service,80,3000\n"
    )
    table = counted(read_table(path, "cylinders", Mapping("cylinders"), ZONE))
    assert table.refused is None
    assert len(table.rows) == 1


def test_a_folders_member_fills_what_the_file_leaves_open(tmp_path):
    path = tmp_path / "dives.csv"
    path.write_text("dive_id,started_at\nD1,2031-05-20 10:00\n", encoding="utf-8")
    assert counted(read_table(path, "dives", Mapping("dives"), ZONE, "M-03")).rows["member_id"].tolist() == ["M-03"]
    assert read_table(path, "dives", Mapping("dives"), ZONE).refused.rule == "missing_column"


# --- properties -------------------------------------------------------------------------------
_CELLS = st.one_of(
    st.text(max_size=12),
    st.floats(allow_nan=False).map(repr),
    st.datetimes().map(str),
    st.sampled_from(["", "232 bar", "1,5", "<3", "EXAMPLE", "2031-05-20", "nan", '"', "\n", ";"]),
)


@given(st.lists(st.tuples(st.sampled_from(FILL_COLUMNS), _CELLS), max_size=8), st.sampled_from([",", ";", "\t"]))
@settings(max_examples=60, deadline=None)
def test_every_row_is_taken_or_rejected_whatever_stands_in_its_cells(tmp_path_factory, changes, separator):
    text = csv_text(*[{column: cell} for column, cell in changes], {}, columns=list(FILL_COLUMNS), separator=separator)
    table = fills(tmp_path_factory.mktemp("g"), text.encode("utf-8", "replace"))
    if table.refused is None:
        check("fills", table.rows, LATEST)  # the types are what they must be


@given(st.binary(max_size=400))
@settings(max_examples=60, deadline=None)
def test_no_bytes_make_the_reader_raise(tmp_path_factory, data):
    folder = tmp_path_factory.mktemp("g")
    fills(folder, data)
    fills(folder, csv_text({}).encode() + data)
    fills(folder, data, name="fills.xlsx")


@given(st.lists(st.floats(min_value=0, max_value=450), min_size=1, max_size=20))
@settings(max_examples=40, deadline=None)
def test_a_number_comes_back_as_it_was_written_with_point_or_comma(tmp_path_factory, numbers):
    folder = tmp_path_factory.mktemp("g")
    rows = [{"stop_pressure_bar": repr(n)} for n in numbers]
    assert fills(folder, csv_text(*rows)).rows["stop_pressure_bar"].tolist() == numbers
    comma = [{"stop_pressure_bar": repr(n).replace(".", ","), "target_o2_pct": "20,95"} for n in numbers]
    table = fills(folder, csv_text(*comma, separator=";"), Mapping("fills", decimal=","))
    assert table.rows["stop_pressure_bar"].tolist() == numbers


@given(st.permutations(range(5)))
@settings(max_examples=20, deadline=None)
def test_the_order_of_columns_does_not_matter(tmp_path_factory, order):
    columns = [FILL_COLUMNS[i] for i in order] + list(FILL_COLUMNS[5:])
    folder = tmp_path_factory.mktemp("g")
    one, other = fills(folder, csv_text({})), fills(folder, csv_text({}, columns=columns))
    pd.testing.assert_frame_equal(one.rows, other.rows)


def test_an_equal_row_written_in_other_units_is_the_same_row(tmp_path):
    in_psi = csv_text({"stop_pressure_bar": "3364.87", "ambient_c": "64.4"})
    mapping = Mapping("fills", units={"stop_pressure_bar": "psi", "ambient_c": "F"})
    one, other = fills(tmp_path, csv_text({})).rows, fills(tmp_path, in_psi, mapping).rows
    assert other["stop_pressure_bar"].tolist() == pytest.approx(one["stop_pressure_bar"].tolist(), rel=1e-5)
    assert other["ambient_c"].tolist() == pytest.approx(one["ambient_c"].tolist())
    assert replace(mapping, units={}) == Mapping("fills")
    assert GOOD_FILL["stop_pressure_bar"] == "232"
