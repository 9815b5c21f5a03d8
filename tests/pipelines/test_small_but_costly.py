"""Small files built to exhaust a run cost little, and a file at which passes die is set aside."""

import errno
import pickle
import time
import zipfile
from pathlib import Path
from types import SimpleNamespace

import openpyxl
import pytest
import small_station as s
from lxml import etree

from pipelines.intake import apart, attempts, intake, read_file
from pipelines.readers.tables import csv_text as csv_reader
from pipelines.readers.tables.mapping import Mapping
from pipelines.readers.tables.sheet import Refused
from pipelines.readers.uddf import waypoints
from tests.pipelines.reader_files import FILL_COLUMNS, GOOD_FILL, csv_text, fills

#: far above what is needed on a busy machine, far below what these files took (minutes to an hour)
SECONDS = 60.0
TWO_DIVES = Path(__file__).parent / "data" / "two_dives.uddf"


def _book(path, merged=(), far=False):
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(list(FILL_COLUMNS))
    for n in (1, 2):
        row = GOOD_FILL | {"fill_id": f"F{n}"}
        sheet.append([float(v) if name.endswith(("bar", "_c", "pct")) else v for name, v in row.items()])
    if far:
        sheet.cell(1_048_576, 1, "x")
    book.save(path)
    if merged:
        cells = "".join(f'<mergeCell ref="{m}"/>' for m in merged)
        text = f'<mergeCells count="{len(merged)}">{cells}</mergeCells></worksheet>'
        _replaced(path, "xl/worksheets/sheet1.xml", lambda data: data.replace(b"</worksheet>", text.encode()))


def _replaced(path, name, change, called=None):
    with zipfile.ZipFile(path) as archive:
        parts = {i.filename: archive.read(i) for i in archive.infolist()}
    parts[called or name] = change(parts.pop(name))
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for part, data in parts.items():
            archive.writestr(part, data)


def _quickly(read):
    began = time.process_time()
    table = read()
    assert time.process_time() - began < SECONDS
    return table


@pytest.mark.parametrize("ranges", [99_000, 1_500], ids=["99,000 merges", "1,500 merges of the whole sheet"])
def test_merged_cells_without_end(tmp_path, ranges):
    path = tmp_path / "made.xlsx"
    _book(path, merged=["A1:XFD1048576"] * ranges)
    table = _quickly(lambda: fills(tmp_path, path.read_bytes(), name="fills.xlsx"))
    assert table.refused is not None or table.rows_rejected == 2


def test_a_cell_in_the_last_row_of_all(tmp_path):
    path = tmp_path / "made.xlsx"
    _book(path, far=True)
    table = _quickly(lambda: fills(tmp_path, path.read_bytes(), name="fills.xlsx"))
    assert table.rows_read == 3


@pytest.mark.parametrize("called", ["sheet1.bin", "sheet1.png", "sheet1"])
def test_entities_in_a_part_whatever_it_is_called(tmp_path, called):
    path = tmp_path / "made.xlsx"
    _book(path)
    bomb = b'<!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;">]>'
    _replaced(path, "xl/worksheets/sheet1.xml", lambda data: bomb + data, f"xl/worksheets/{called}")
    table = fills(tmp_path, path.read_bytes(), name="fills.xlsx")
    assert table.refused.rule == "unsafe_workbook"


@pytest.mark.parametrize(
    "cell", [b'"' + b"x" * (20 << 20), b'"' + b"x\n" * (10 << 20) + b'"', b"x" * (20 << 20)], ids=len
)
def test_an_endless_cell_or_line(tmp_path, cell):
    head, row = csv_text({}).encode().splitlines()
    data = head + b"\n" + row.replace(b"F1", cell, 1) + b"\n"
    assert fills(tmp_path, data).refused.rule == "too_large"


def test_a_long_file_of_many_short_quoted_cells_is_read(tmp_path):
    text = csv_text({"operator": 'at the pump, "north"'}).splitlines()
    rows = 140_000
    data = "\n".join([text[0], *([text[1]] * rows)])
    assert len(data) > 9 << 20
    assert fills(tmp_path, data).rows_read == rows


def test_millions_of_empty_lines_are_never_made_into_cells(monkeypatch):
    """60 MB of them took 3.6 GB: each as many empty cells as there are headers."""

    def gone(*_, **__):
        raise AssertionError("cells were made of empty lines")

    monkeypatch.setattr(csv_reader.arrow_csv, "read_csv", gone)
    sheet = csv_reader.read_csv(b"a,b,c\n" + b"\n" * 100_000 + b"1,2,3\n", Mapping("fills"), set())
    assert [c.to_pylist() for c in sheet.columns] == [["1"], ["2"], ["3"]] and sheet.lines.tolist() == [100_002]


def test_lines_that_are_read_one_by_one_are_packed_as_they_come(monkeypatch):
    monkeypatch.setattr(csv_reader, "_AT_ONCE", 3)
    lines = [f"{n},x{n}" if n % 4 else f"{n}" for n in range(10)]
    sheet = csv_reader.read_csv("\n".join(["a,b", *lines]).encode(), Mapping("fills"), set())
    assert sheet.columns[1].to_pylist() == [f"x{n}" if n % 4 else None for n in range(10)]
    assert sorted(sheet.bad_rows) == [0, 4, 8] and sheet.lines.tolist() == list(range(2, 12))


def test_a_long_header_is_not_repeated_in_full(tmp_path):
    table = fills(tmp_path, csv_text({}).replace("fill_id", "x" * 900_000, 1))
    assert len(table.refused.message) < 4_000


def test_rows_with_more_problems_than_anybody_reads_are_one_problem(tmp_path, monkeypatch):
    from pipelines.intake import accept

    monkeypatch.setattr(accept, "MOST_PROBLEMS", 10)
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(station, "fills.csv", [s.fill(n, ambient_c="", target_o2_pct="") for n in range(1, 9)])
    for _ in range(2):
        result = s.take_in(station)
    assert s.open_problems(station)["rule"].tolist() == ["too_many_problems"]
    assert result.files_read == 0


class Killed(BaseException):
    """What ends a process for lack of memory cannot be caught by it."""


def test_passes_that_ended_while_they_read_one_file_do_not_count_against_another(tmp_path):
    station = SimpleNamespace(lake=tmp_path)
    one, another = SimpleNamespace(sha256="1" * 64), SimpleNamespace(sha256="2" * 64)
    for found in (one, one, another, another, one, one, one):
        attempts.begin(station, found)
    with pytest.raises(Refused):
        attempts.begin(station, one)
    attempts.begin(station, one)  # set aside once: noted no more


def test_a_file_at_which_passes_die_is_set_aside_until_it_changes(tmp_path, monkeypatch):
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.take_in(station)
    s.drop(station, "fills-bad.csv", [s.fill(1)])
    s.drop(station, "fills-good.csv", [s.fill(2)], 5)
    real = intake.Intake._read_into

    def dies(self, found, *rest):
        if found.file == "fills-bad.csv":
            raise Killed
        return real(self, found, *rest)

    monkeypatch.setattr(intake.Intake, "_read_into", dies)
    for _ in range(attempts.MOST):
        with pytest.raises(Killed):
            s.take_in(station)
    result = s.take_in(station)
    assert result.refused == 1
    assert s.open_problems(station)["rule"].tolist() == ["ended_the_pass"]
    assert set(s.stored(station)["fills"]["fill_id"]) == {"F2"}
    assert s.take_in(station).files_read == 0
    monkeypatch.undo()
    s.drop(station, "fills-bad.csv", [s.fill(1), s.fill(3)], 10)
    s.take_in(station)
    assert s.open_problems(station).empty
    assert set(s.stored(station)["fills"]["fill_id"]) == {"F1", "F2", "F3"}


def test_many_lines_that_are_no_rows_are_one_problem(tmp_path, monkeypatch):
    """Each is a row of one cell: a list of them all would take hundreds of times the room of the file."""
    monkeypatch.setattr(csv_reader, "MOST_BAD_ROWS", 10)
    table = fills(tmp_path, csv_text({}) + "a\n" * 12)
    assert table.refused.rule == "too_many_problems" and "line 3" in table.refused.message


def test_an_element_with_more_in_it_than_is_looked_through_is_refused(tmp_path, monkeypatch):
    def gives_up(_):
        raise etree.XPathEvalError("growing nodeset hit limit")

    monkeypatch.setattr(waypoints, "_TOO_DEEP", gives_up)
    station = s.make(tmp_path)
    s.drop(station, "dives/M1/log.uddf", TWO_DIVES.read_bytes())
    s.take_in(station)
    assert s.open_problems(station)["rule"].tolist() == ["too_large"]


# --- read apart -------------------------------------------------------------------------------
def _all_are_large(monkeypatch):
    for name in ("LARGE_TEXT", "LARGE_MARKUP", "LARGE_PACKED"):
        monkeypatch.setattr(apart, name, 0)


@pytest.mark.parametrize("suffix", ["csv", "uddf"])
def test_what_is_read_apart_is_read_the_same(tmp_path, monkeypatch, suffix):
    stations = []
    for name in ("here", "apart"):
        station = s.make(tmp_path / name, today="2031-04-10")
        s.drop(station, "members.csv", s.MEMBERS)
        s.drop(station, "cylinders.csv", s.CYLINDERS)
        s.take_in(station)
        if name == "apart":
            _all_are_large(monkeypatch)
        if suffix == "uddf":
            s.drop(station, "dives/M1/log.uddf", TWO_DIVES.read_bytes(), 5)
        else:
            s.drop(station, "fills.csv", [s.fill(1), s.fill(2, stop_pressure_bar="much"), s.fill(3, note="x")], 5)
        s.take_in(station)
        problems = s.ask(station, "SELECT source, file, row_number, line, rule, message FROM rejects ORDER BY ALL")
        stations.append(s.stored(station) | {"problems": problems})
    s.same(*stations)
    assert len(stations[0]["problems"]) or len(stations[0]["dives"])


@pytest.mark.parametrize("limits", [apart.Limits(64 << 20, 60), apart.Limits(8 << 30, 1)], ids=["memory", "seconds"])
def test_a_file_that_would_cost_too_much_is_set_aside_until_it_changes(tmp_path, monkeypatch, limits):
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.take_in(station)
    _all_are_large(monkeypatch)
    monkeypatch.setattr(read_file, "limits_for", lambda size: limits if size > 1000 else apart.limits_for(size))
    head, row = s.text([s.fill(1, operator="Mo,\nat the pump")]).split("\n", 1)
    rows = "".join(row.replace("F1", f"G{n}", 1) for n in range(200_000))
    s.drop(station, "fills-costly.csv", f"{head}\n{rows}", 5)
    s.drop(station, "fills-good.csv", [s.fill(2)], 6)
    result = s.take_in(station)
    assert result.refused == 1 and set(s.stored(station)["fills"]["fill_id"]) == {"F2"}
    problems = s.open_problems(station)
    assert problems["rule"].isin(["too_costly", "too_large"]).all() and len(problems) == 1
    assert s.take_in(station).files_read == 0
    assert not list(station.lake.glob(".reading-*"))
    s.drop(station, "fills-costly.csv", [s.fill(1)], 10)
    s.take_in(station)
    assert s.open_problems(station).empty


def test_a_reader_that_fails_apart_is_reported_as_one_that_fails_here(tmp_path, monkeypatch):
    station = s.make(tmp_path)
    _all_are_large(monkeypatch)
    monkeypatch.setattr(apart, "main", None)  # the process has the real one
    monkeypatch.setattr(pickle, "dumps", lambda _, real=pickle.dumps: real(("no job", apart.Limits(8 << 30, 60))))
    s.drop(station, "fills.csv", [s.fill(1)])
    s.take_in(station)
    assert s.open_problems(station)["rule"].tolist() == ["reader_failed"]


def test_a_full_disk_apart_ends_the_run_as_here_and_costs_no_file(tmp_path, monkeypatch):
    """The process may write so little that no table comes back; the same as with any error of the system."""
    station = s.make(tmp_path)
    _all_are_large(monkeypatch)
    monkeypatch.setattr(read_file, "limits_for", lambda size: apart.Limits(8 << 30, 60, written=10))
    monkeypatch.setattr(attempts, "_MACHINE_ERRNO", (errno.EFBIG,))
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    with pytest.raises(OSError, match="too large"):
        s.take_in(station)
    assert s.open_problems(station).empty


@pytest.mark.parametrize(
    "name, size, large",
    [("a.csv", 15 << 20, False), ("a.csv", 17 << 20, True), ("a.uddf", 13 << 20, True), ("a.xlsx", 4 << 20, True)],
)
def test_what_a_normal_run_meets_is_read_without_another_process(tmp_path, name, size, large):
    path = tmp_path / name
    with open(path, "wb") as held:
        held.truncate(size)
    assert apart.is_large(path, path.suffix) is large


def test_a_workbook_is_weighed_by_what_it_unpacks_to(tmp_path):
    path = tmp_path / "a.xlsx"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/sharedStrings.xml", b"<si/>" * (10 << 20))
    assert path.stat().st_size < apart.LARGE_PACKED and apart.is_large(path, ".xlsx")


def test_a_sheet_as_long_as_sheets_can_be_has_time_to_be_read(tmp_path):
    """17 seconds of computing for 100,000 rows of five columns, which were 2.1 MB, and 21 MB unpacked."""
    path = tmp_path / "a.xlsx"
    with open(path, "wb") as held:
        held.truncate(22 << 20)
    assert apart.limits_for(apart.weight_of(path, ".xlsx")).seconds > 4 * 10.5 * 17
