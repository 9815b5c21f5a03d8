"""Numbers that may mean another are asked about in every reader: a share for per cent, thousands for decimals."""

import numpy as np
import openpyxl
import pandas as pd
import pyarrow as pa
import pytest
from reader_files import FILL_COLUMNS, GOOD_FILL, ZONE, csv_text, fills, rules

from pipelines.readers.tables.mapping import Mapping
from pipelines.readers.tables.table import read_table
from pipelines.readers.tables.values import truths
from schemas.sources import SOURCES

PSI = {"start_pressure_bar": "psi", "target_pressure_bar": "psi", "stop_pressure_bar": "psi"}
IN_PSI = {"start_pressure_bar": "700", "target_pressure_bar": "3000", "stop_pressure_bar": "3000"}


@pytest.mark.parametrize(
    "column", ["target_o2_pct", "target_he_pct", "target_ar_pct", "analysed_o2_pct", "analysed_he_pct"]
)
@pytest.mark.parametrize("share, meant", [("0.32", "32"), ("0.2095", "20.95"), ("0.999", "99.9"), ("0.01", "1")])
def test_a_share_is_rejected_and_asked_about(tmp_path, column, share, meant):
    table = fills(tmp_path, csv_text({}, {column: share}))
    assert rules(table) == ["share_not_per_cent"]
    (found,) = table.problems
    assert found.severity == "row" and f"Did you mean {meant}?" in found.message and found.value == share
    assert f'{column} = "fraction"' in found.fix
    assert table.rows["fill_id"].tolist() == ["F1"]


@pytest.mark.parametrize("value", ["0", "1", "1.0", "1.5", "20.95", "100"])
def test_what_is_no_share_is_taken(tmp_path, value):
    assert rules(fills(tmp_path, csv_text({"analysed_he_pct": value}))) == []


def test_where_a_column_holds_shares_a_whole_one_is_no_per_cent(tmp_path):
    table = fills(tmp_path, csv_text({"target_o2_pct": "0.32"}, {"target_o2_pct": "1"}, {"target_o2_pct": "1.00"}))
    assert [p.rule for p in table.problems] == ["share_not_per_cent"] * 3
    assert "Did you mean 100?" in table.problems[1].message
    assert len(table.rows) == 0


def test_shares_are_read_where_the_mapping_says_so(tmp_path):
    text = csv_text({"target_o2_pct": "0.32"}, {"target_o2_pct": "1"}, {"target_o2_pct": "0.2095"})
    table = fills(tmp_path, text, Mapping("fills", units={"target_o2_pct": "fraction"}))
    assert rules(table) == []
    assert table.rows["target_o2_pct"].tolist() == pytest.approx([32.0, 100.0, 20.95])


def test_air_s_own_argon_is_no_share(tmp_path):
    assert rules(fills(tmp_path, csv_text({"target_ar_pct": "0.93"}))) == []
    assert rules(fills(tmp_path, csv_text({"target_ar_pct": "0.99"}))) == ["share_not_per_cent"]


@pytest.mark.parametrize("source", ["sources", "dive_tanks", "air_tests", "fills"])
def test_every_part_of_a_mix_in_every_source_is_watched(tmp_path, source):
    fields = SOURCES[source].fields
    parts = [f.name for f in fields.values() if f.name.endswith(("o2_pct", "he_pct", "ar_pct"))]
    assert parts and all(fields[name].unit == "molar %" for name in parts)
    need = {"text": "x", "choice": "", "int": "1", "float": "200", "time": "2031-05-20 10:00", "date": "2031-05-20"}
    row = {n: (fields[n].choices[0] if fields[n].choices else need[fields[n].kind]) for n in SOURCES[source].required}
    for part in parts:
        one = row | {part: "0.32"}
        (tmp_path / f"{source}.csv").write_text(",".join(one) + "\n" + ",".join(one.values()) + "\n")
        table = read_table(tmp_path / f"{source}.csv", source, Mapping(source), ZONE)
        assert rules(table) == ["share_not_per_cent"], part


@pytest.mark.parametrize("shown", ["0.00", "0%"])
def test_a_share_in_a_workbook_is_asked_about_too(tmp_path, shown):
    book = openpyxl.Workbook()
    book.active.append(list(FILL_COLUMNS))
    book.active.append([*[GOOD_FILL[c] for c in FILL_COLUMNS[:-1]], 0.32])
    book.active.cell(2, len(FILL_COLUMNS)).number_format = shown
    book.save(tmp_path / "fills.xlsx")
    assert rules(read_table(tmp_path / "fills.xlsx", "fills", Mapping("fills"), ZONE)) == ["share_not_per_cent"]


# --- thousands or decimals --------------------------------------------------------------------
@pytest.mark.parametrize("thousands", ["", "."])
@pytest.mark.parametrize("text", ["3,365", "+3,365", "3,000", "3,365 psi"])
def test_a_comma_in_psi_is_asked_about_even_where_commas_are_decimals(tmp_path, text, thousands):
    rows = csv_text(IN_PSI, IN_PSI | {"stop_pressure_bar": text}, separator=";").replace("20.95", "20,95")
    table = fills(tmp_path, rows, Mapping("fills", decimal=",", thousands=thousands, units=PSI))
    assert rules(table) == ["thousands_or_decimal"]
    assert table.problems[0].row_number == 2 and text.strip("+ psi").replace(",", "") in table.problems[0].message


@pytest.mark.parametrize("text, rule", [("3,365", "decimal_comma"), ("3.365", "thousands_or_decimal")])
def test_without_a_mapping_neither_mark_is_guessed_at_in_psi(tmp_path, text, rule):
    table = fills(tmp_path, csv_text(IN_PSI, IN_PSI | {"stop_pressure_bar": text}), Mapping("fills", units=PSI))
    assert rules(table) == [rule]


def test_declared_thousands_are_read(tmp_path):
    text = csv_text(IN_PSI | {"stop_pressure_bar": "3,365"}, separator=";")
    table = fills(tmp_path, text, Mapping("fills", thousands=",", units=PSI))
    assert rules(table) == [] and table.rows["stop_pressure_bar"].tolist() == [pytest.approx(232.0086, abs=1e-3)]


@pytest.mark.parametrize("text", ["3365", "3365,5", "3,37", "14,696", "0,365"])
def test_in_psi_what_cannot_be_thousands_is_taken(tmp_path, text):
    """14,696 thousand psi is no pressure of a cylinder."""
    rows = csv_text(IN_PSI | {"start_pressure_bar": text}, separator=";").replace("20.95", "20,95")
    table = fills(tmp_path, rows, Mapping("fills", decimal=",", units=PSI))
    assert rules(table) == []
    assert table.rows["start_pressure_bar"][0] == pytest.approx(float(text.replace(",", ".")) * 0.0689475729)


def test_the_spreadsheets_own_number_in_psi_is_asked_about_and_others_are_certain(tmp_path):
    def read(column, value, **mapping):
        book = openpyxl.Workbook()
        book.active.append(list(FILL_COLUMNS))
        full = GOOD_FILL | {"target_o2_pct": 20.95} | {column: value}
        book.active.append([full[c] for c in FILL_COLUMNS])
        book.save(tmp_path / "fills.xlsx")
        return read_table(tmp_path / "fills.xlsx", "fills", Mapping("fills", **mapping), ZONE)

    for decimal in (".", ","):
        asked = read("stop_pressure_bar", 3.365, decimal=decimal, units={"stop_pressure_bar": "psi"})
        assert rules(asked) == ["thousands_or_decimal"]
    certain = read("ambient_c", 18.125, decimal=",")
    assert rules(certain) == [] and certain.rows["ambient_c"].tolist() == [18.125]


LOG = "compressor_id;read_at;hours;event\nC1;2031-05-20 10:00;{};reading\nC1;2031-05-21 10:00;{};reading\n"


@pytest.mark.parametrize(
    "first, second, thousands, wrong",
    [
        ("1,234", "1236", "", 1),  # hours: 1.234 or 1234?
        ("1,234", "0,500", "", 0),  # this column writes thousandths
        ("1,234", "1236,500", "", 0),
        ("1,234", "1236,5", "", 0),
        ("1,234", "1236", ".", 0),  # said so
        ("1234,5", "12,36", "", 0),
    ],
)
def test_elsewhere_a_comma_is_asked_about_only_where_nothing_shows_what_it_is(
    tmp_path, first, second, thousands, wrong
):
    (tmp_path / "compressor_log.csv").write_text(LOG.format(first, second))
    mapping = Mapping("compressor_log", decimal=",", thousands=thousands)
    table = read_table(tmp_path / "compressor_log.csv", "compressor_log", mapping, ZONE)
    assert len(table.problems) == wrong
    if wrong:
        assert rules(table) == ["thousands_or_decimal"]
    else:
        assert table.rows["hours"][0] == float(first.replace(",", "."))


def test_a_depth_of_twelve_metres_is_not_taken_for_twelve_thousand(tmp_path):
    (tmp_path / "dive_samples.csv").write_text("dive_id;t_s;depth_m\nD1;60;12,345\nD1;120;13,250\n")
    table = read_table(
        tmp_path / "dive_samples.csv", "dive_samples", Mapping("dive_samples", decimal=","), ZONE, folder_member="M1"
    )
    assert rules(table) == []
    assert table.rows["depth_m"].tolist() == [12.345, 13.25]


def test_asking_costs_nothing_where_there_is_nothing_to_ask(tmp_path):
    many = pd.DataFrame({"dive_id": "D1", "t_s": np.arange(1000), "depth_m": 10.125})
    many.to_csv(tmp_path / "dive_samples.csv", index=False)
    table = read_table(tmp_path / "dive_samples.csv", "dive_samples", Mapping("dive_samples"), ZONE, folder_member="M1")
    assert table.problems == [] and len(table.rows) == 1000


def test_a_mark_that_is_neither_yes_nor_no_is_asked_about_and_never_no():
    found = truths(pa.array(["yes", "No", "1", "0.0", None, "?", "x", "-", "maybe"]), "drained", Mapping("fills"))
    assert found.values.tolist()[:4] == [True, False, True, False]
    assert found.values.iloc[4:].isna().all()
    assert sorted(found.bad) == [5, 6, 7, 8]
