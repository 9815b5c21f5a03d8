"""Every published table as a file of its own name, in the forms and by the rules of the contract."""

import json
import re

import pandas as pd
import pyarrow.parquet as pq
import pytest

from pipelines.publish.export import export_tables, write_frame
from schemas.snapshot import read_manifest, read_table
from schemas.tables import TABLES

PUBLIC = {t.name: t for t in TABLES.values() if not t.internal}


@pytest.fixture(scope="module", params=["csv", "parquet", "xlsx"])
def exported(request, sample_station, tmp_path_factory):
    folder = tmp_path_factory.mktemp("export") / "a" / "b"
    written = export_tables(sample_station.published, folder, request.param)
    return request.param, folder, written


@pytest.fixture(scope="module")
def as_csv(sample_station, tmp_path_factory):
    folder = tmp_path_factory.mktemp("csv")
    export_tables(sample_station.published, folder, "csv")
    return {name: pd.read_csv(folder / f"{name}.csv", dtype=str, keep_default_na=False) for name in PUBLIC}


def _read(path) -> pd.DataFrame:
    if path.suffix == ".csv":
        return pd.read_csv(path, dtype=str)
    return pd.read_parquet(path) if path.suffix == ".parquet" else pd.read_excel(path)


def test_each_table_is_a_file_of_its_name_with_its_columns_and_rows(exported, sample_station):
    form, folder, written = exported
    assert {p.name for p in written} == {f"{name}.{form}" for name in PUBLIC} == {p.name for p in folder.iterdir()}
    manifest = read_manifest(sample_station.published)
    for name in PUBLIC if form != "xlsx" else ("fill_quality", "rejects", "dive_reserve", "booking_cover"):
        rows = _read(folder / f"{name}.{form}")
        assert list(rows.columns) == list(PUBLIC[name].fields), name
        assert len(rows) == len(read_table(sample_station.published, manifest, name)), name


RULES = {
    "bool": r"true|false",
    "time": r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?Z",
    "date": r"\d{4}-\d\d-\d\d",
    "int": r"-?\d+",
    "float": r"-?\d+(\.\d+)?([eE][+-]?\d+)?",
    "codes": r"[a-z0-9_.,: -]+(;[a-z0-9_.,: -]+)*",
}


@pytest.mark.parametrize("name", PUBLIC)
def test_csv_cells_are_written_by_the_contract(as_csv, name):
    rows = as_csv[name]
    for field in PUBLIC[name].fields.values():
        cells = set(rows[field.name]) - {""}
        if field.kind in RULES:
            rule = RULES[field.kind] if field.name not in ("freed_by", "kinds", "cylinder_ids") else r".+"
            wrong = [c for c in cells if not re.fullmatch(rule, c)]
            assert not wrong, (field.name, wrong[:3])
        elif field.kind == "ids":
            known = set(as_csv["units"]["unit_id"])
            assert all(known.issuperset(c.split(";")) for c in cells), field.name
        elif field.kind == "json":
            for cell in cells:
                assert isinstance(json.loads(cell), (dict, list)), field.name
        elif field.kind == "choice":
            assert cells <= set(field.choices)


def test_csv_has_every_kind_of_cell(as_csv):
    """So that the rules above are not held by nothing."""
    assert as_csv["fill_quality"]["cylinder_ids"].str.contains(";").any()
    fills, reserve = as_csv["fill_quality"], as_csv["dive_reserve"]
    assert set(fills["in_test"]) & {"true", "false"}
    assert fills["reasons"].str.contains(";").any()
    assert reserve["cause_shares"].str.startswith("{").any()
    assert (fills["settled_pressure_bar_15c"] != "").any()
    assert (as_csv["dive_consumption"]["second_gauge_gap_bar"] == "").any()


def test_csv_and_parquet_say_the_same(as_csv, sample_station):
    manifest = read_manifest(sample_station.published)
    for name in ("fill_quality", "dive_consumption", "cylinder_health"):
        rows = read_table(sample_station.published, manifest, name)
        for field in PUBLIC[name].fields.values():
            if field.kind == "float":
                read = pd.to_numeric(as_csv[name][field.name].replace("", None))
                pd.testing.assert_series_equal(read.astype("float64"), rows[field.name], check_names=False, rtol=1e-12)


def test_parquet_has_the_declared_types(sample_station, tmp_path):
    export_tables(sample_station.published, tmp_path, "parquet")
    found = pq.read_schema(tmp_path / "fill_quality.parquet")
    assert str(found.field("filled_at").type) == "timestamp[us, tz=UTC]"
    assert str(found.field("reasons").type).startswith("list<")
    assert str(pq.read_schema(tmp_path / "cylinder_health.parquet").field("next_due_on").type) == "date32[day]"


def test_a_cell_that_looks_like_a_formula_stays_text_in_a_workbook(tmp_path):
    from openpyxl import load_workbook

    table = TABLES["people"]
    names = ["=1+1", "+44", "-x", "@a", "Zoë"]
    write_frame(
        pd.DataFrame({"member_id": list("abcde"), "display_name": names}).astype("str"), table, tmp_path / "people.xlsx"
    )
    sheet = load_workbook(tmp_path / "people.xlsx").active
    found = [row[1] for row in sheet.iter_rows(min_row=2)]
    assert all(cell.data_type == "s" for cell in found)
    assert found[-1].value == "Zoë"


def test_exported_twice_the_files_are_the_same(sample_station, tmp_path):
    for _ in range(2):
        export_tables(sample_station.published, tmp_path, "csv")
    assert len(list(tmp_path.iterdir())) == len(PUBLIC)


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "＝"])
def test_no_text_of_a_csv_is_a_formula_to_a_spreadsheet(tmp_path, start):
    """After the mitigation of OWASP, 'CSV Injection': an apostrophe stands before it."""
    from schemas.frames import conform

    table = TABLES["rejects"]
    held = f"{start}HYPERLINK(A1)"
    rows = conform(
        pd.DataFrame({"file": [held, "fills.csv"], "value": ["-5", held], "row_number": [-1, 2]}),
        table.fields.values(),
    )
    write_frame(rows, table, tmp_path / "rejects.csv")
    cells = pd.read_csv(tmp_path / "rejects.csv", dtype=str, keep_default_na=False)
    held = held.replace("\r", "\n")
    assert cells["file"].tolist() == ["'" + held, "fills.csv"]
    assert cells["value"].tolist() == ["'-5", "'" + held]
    assert cells["row_number"].tolist() == ["-1", "2"]


@pytest.mark.parametrize("between", [";", "; ", "\t"])
def test_no_part_of_a_text_is_a_formula_where_the_cell_may_end_within_it(tmp_path, between):
    from schemas.frames import conform

    table = TABLES["rejects"]
    rows = conform(pd.DataFrame({"file": [f"a{between}=HYPERLINK(A1)", "a; b", "x=1;y"]}), table.fields.values())
    write_frame(rows, table, tmp_path / "rejects.csv")
    cells = pd.read_csv(tmp_path / "rejects.csv", dtype=str, keep_default_na=False)
    assert cells["file"].tolist() == [f"a{between}'=HYPERLINK(A1)", "a; b", "x=1;y"]
