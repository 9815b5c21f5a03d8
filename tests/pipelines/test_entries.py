"""What a form writes is read as the same row in a file is, held to the same rules, and written once."""

import errno
import os
import threading

import numpy as np
import pandas as pd
import pytest
import small_station as s
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.intake.accept import Acceptor
from pipelines.intake.file_layout import layout_of
from pipelines.readers.tables.table import read_table
from pipelines.station import clock
from pipelines.warehouse.store import Warehouse
from schemas import entries
from schemas.check import end_of_tomorrow
from schemas.entries import Entry, NotSaved
from schemas.sources import SOURCES

NOW = pd.Timestamp("2026-03-20T10:00:00Z")
LATEST = end_of_tomorrow(pd.Timestamp("2026-03-20"), "UTC")
TOKEN = "20260320T100000-00112233445566ff"
STOP = {
    "fill_id": "20260320-1000-ab12",
    "filled_at": pd.Timestamp("2026-03-20T09:58:00Z"),
    "unit_id": "C1",
    "start_pressure_bar": 50.0,
    "target_pressure_bar": 232.0,
    "stop_pressure_bar": 230.0,
    "ambient_c": 18.0,
    "target_o2_pct": 20.95,
    "fill_method": "air",
}


def entry(row=STOP, token=TOKEN, source="fills", by="Ines"):
    return Entry(source, row, by, "filling", token)


@pytest.fixture
def station(tmp_path):
    return s.make(tmp_path / "station")


def read(station, file):
    """What the readers make of a file of the inbox, and what the checks leave of it."""
    layout = layout_of(file, station)
    raw = read_table(station.inbox / file, layout.source, layout.mapping, layout.zone)
    warehouse = Warehouse(station.warehouse)
    try:
        return raw, Acceptor(station, warehouse, NOW, LATEST).clean(raw)
    finally:
        warehouse.close()


def test_an_entry_is_one_file_of_its_source_with_who_when_and_where(station):
    saved = entries.save(station.inbox, entry(), NOW, LATEST)
    assert saved == entries.Saved(f"entries/fills-{TOKEN}.csv")
    only = entries.written(station.inbox)
    assert [w.source for w in only] == ["fills"] and only[0].at == NOW
    assert only[0].row["entered_by"] == "Ines" and only[0].row["entered_page"] == "filling"
    assert only[0].row["stop_pressure_bar"] == "230"
    assert [p.name for p in (station.inbox / "entries").iterdir()] == [f"fills-{TOKEN}.csv"]


def test_an_entry_gives_the_row_that_the_same_row_in_a_file_gives(tmp_path):
    tables = []
    for folder, by_form in (("form", True), ("file", False)):
        station = s.make(tmp_path / folder)
        s.drop(station, "cylinders.csv", s.CYLINDERS)
        if by_form:
            entries.save(station.inbox, entry(), NOW, LATEST)
        else:
            row = {k: str(v) for k, v in STOP.items()} | {"revised_at": "2026-03-20 10:00", "entered_by": "Ines"}
            s.drop(station, "fills.csv", [row])
        warehouse = Warehouse(station.warehouse)
        for folder_needed in (station.archive, station.lake):
            folder_needed.mkdir(exist_ok=True)
        result = s.Intake(station, warehouse, "run", clock.now(), LATEST).run()
        assert not result.found_problems and not result.notices
        assert warehouse.whole("rejects").empty
        tables.append(warehouse.current("fills"))
        warehouse.close()
    pd.testing.assert_frame_equal(*tables)
    assert len(tables[0]) == 1


def test_figures_that_come_from_tables_are_written_like_typed_ones(station):
    row = STOP | {"stop_pressure_bar": np.float64(203.10607659269135), "start_pressure_bar": np.float64(50)}
    raw, checked = read(station, entries.save(station.inbox, entry(row), NOW, LATEST).file)
    assert not raw.problems and checked.clean["stop_pressure_bar"].tolist() == [203.10607659269135]


def test_the_layout_of_a_stations_own_logs_does_not_reread_what_a_form_wrote(station):
    with (station.folder / "station.toml").open("a", encoding="utf-8") as file:
        file.write(
            '[sources.fills]\ndecimal = ","\nheader_row = 3\n[sources.fills.units]\nstop_pressure = "psi"\n'
            '[layouts.all]\nsource = "fills"\nfiles = ["*"]\n'
        )
    station = s.load_station(station.folder)
    file = entries.save(station.inbox, entry(), NOW, LATEST).file
    raw, checked = read(station, file)
    assert not raw.problems and checked.clean["stop_pressure_bar"].tolist() == [230.0]


@pytest.mark.parametrize(
    "file",
    ["entries/fills-2031.csv", f"fills-{TOKEN}.csv", f"more/entries/fills-{TOKEN}.csv", f"entries/rills-{TOKEN}.csv"],
)
def test_only_what_a_form_has_written_is_taken_for_it(file):
    assert entries.entry_source(file) is None


def _value(field):
    kinds = {
        "float": st.floats(-50, 500) | st.floats(allow_nan=False) | st.sampled_from([0.21, 0.93, 1.0, 20.95, 1e-7]),
        "int": st.integers(-2, 12),
        "bool": st.booleans(),
        "time": st.datetimes(pd.Timestamp("1880-01-01"), pd.Timestamp("2040-01-01")).map(
            lambda t: pd.Timestamp(t, tz="UTC").as_unit("us")
        ),
        "date": st.dates(pd.Timestamp("1880-01-01").date(), pd.Timestamp("2040-01-01").date()),
        "choice": st.sampled_from([*field.choices, "neither"]),
        "text": st.text(max_size=12)
        | st.sampled_from(["C1", "=1+1", "=SUM(A1)", "#N/A", "EXAMPLE", ' "a", b', "a\nb", "\u200b", "é;,\t", "0012"])
        | st.just("x" * 201),
    }
    return kinds[field.kind]


@st.composite
def rows(draw):
    source = SOURCES[
        draw(
            st.sampled_from(
                ["fills", "releases", "loans", "inspections", "air_tests", "compressor_log", "fill_readings", "returns"]
            )
        )
    ]
    fields = [f for f in source.fields.values() if f.name != "revised_at"]
    plain = {"float": 20.0, "time": NOW, "date": NOW.date(), "text": "C1", "bool": True, "int": 1}
    row = {f.name: f.choices[0] if f.choices else plain[f.kind] for f in fields if f.name in source.required}
    for field in draw(st.lists(st.sampled_from(fields), max_size=3)):
        row[field.name] = draw(_value(field))
    return source.name, row


@pytest.fixture(scope="module")
def reader(tmp_path_factory):
    """A station and its acceptor for many rows."""
    station = s.make(tmp_path_factory.mktemp("station") / "s")
    (station.inbox / "entries").mkdir()
    warehouse = Warehouse(station.warehouse)
    yield station, Acceptor(station, warehouse, NOW, LATEST)
    warehouse.close()


@settings(max_examples=30, deadline=None)
@given(made=rows())
def test_a_form_refuses_what_a_file_would_be_refused_for_and_nothing_else(reader, made):
    station, acceptor = reader
    source, row = made
    whole = entry(row, source=source)
    reasons = entries.reasons_against(whole, LATEST)
    path = station.inbox / "entries" / f"{source}-{TOKEN}.csv"
    path.unlink(missing_ok=True)
    if reasons:
        with pytest.raises(NotSaved) as refused:
            entries.save(station.inbox, whole, NOW, LATEST)
        assert refused.value.reasons == reasons and not path.exists()
        path.write_bytes(entries._content(whole, NOW).encode("utf-8", "surrogatepass"))
    else:
        entries.save(station.inbox, whole, NOW, LATEST)
    layout = layout_of(f"entries/{path.name}", station)
    raw = read_table(path, layout.source, layout.mapping, layout.zone)
    checked = None if raw.refused else acceptor.clean(raw)
    if reasons:
        assert raw.refused or {p.column for p in [*raw.problems, *checked.left_out]} | set(checked.problems["column"])
        return
    assert not raw.problems and not checked.left_out and len(checked.clean) == 1
    got = checked.clean.iloc[0]
    for name, value in row.items():
        if isinstance(value, float):
            assert got[name] == value or (value != value and got[name] != got[name])


def test_the_reason_beside_a_value_is_the_one_a_file_gets(station):
    row = STOP | {"stop_pressure_bar": 3365.0, "target_o2_pct": 0.32, "filled_at": NOW + pd.Timedelta(days=9)}
    reasons = entries.reasons_against(entry(row, by=""), LATEST)
    assert reasons == {
        "stop_pressure_bar": ["Above 450 bar, gauge. Is it psi?"],
        "target_o2_pct": ["Between 0 and 1: a share, not per cent? Did you mean 32?"],
        "filled_at": ["29 Mar 2026 lies after tomorrow: it cannot have happened yet."],
        "entered_by": ["Say who you are: a name or initials."],
    }


def test_the_same_form_saved_twice_is_one_row_and_with_other_values_is_not_saved(station):
    entries.save(station.inbox, entry(), NOW, LATEST)
    later = NOW + pd.Timedelta(seconds=9)
    assert entries.save(station.inbox, entry(), later, LATEST).before
    with pytest.raises(NotSaved, match="saved before with other values"):
        entries.save(station.inbox, entry(STOP | {"stop_pressure_bar": 231.0}), later, LATEST)
    assert [w.row["stop_pressure_bar"] for w in entries.written(station.inbox)] == ["230"]


def test_of_two_who_save_at_once_one_writes_and_both_are_told_it_is_saved(station):
    begin, told = threading.Barrier(8), []

    def press():
        begin.wait()
        told.append(entries.save(station.inbox, entry(), NOW, LATEST).before)

    pressed = [threading.Thread(target=press) for _ in range(8)]
    for one in pressed:
        one.start()
    for one in pressed:
        one.join()
    assert sorted(told) == [False] + [True] * 7
    assert len(list((station.inbox / "entries").iterdir())) == 1


def test_two_forms_are_two_files(station):
    for wrong in ("", "x", "../fills", TOKEN + "0", TOKEN.upper() + "/"):
        with pytest.raises(entries.NotSaved, match="no number of its own"):
            entries.save(station.inbox, entry(token=wrong), NOW, LATEST)
    tokens = {entries.new_token(NOW) for _ in range(20)}
    assert len(tokens) == 20
    for token in sorted(tokens)[:2]:
        entries.save(station.inbox, entry(token=token), NOW, LATEST)
    assert len(entries.written(station.inbox)) == 2


@pytest.mark.parametrize(
    "number, said",
    [(errno.ENOSPC, "disk .* is full"), (errno.EROFS, "nothing may be written into"), (errno.EIO, "cannot be written")],
)
def test_a_disk_that_takes_nothing_leaves_no_file_and_is_said(station, monkeypatch, number, said):
    def fails(_):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(entries.os, "fsync", fails)
    with pytest.raises(NotSaved, match=f"Not saved: .*{said}"):
        entries.save(station.inbox, entry(), NOW, LATEST)
    assert list((station.inbox / "entries").iterdir()) == []


def test_without_an_inbox_nothing_is_saved_and_none_is_made(tmp_path):
    with pytest.raises(NotSaved, match="no inbox"):
        entries.save(tmp_path / "inbox", entry(), NOW, LATEST)
    assert list(tmp_path.iterdir()) == []


def test_a_file_system_without_links_is_written_to_all_the_same(station, monkeypatch):
    def none(*_):
        raise OSError(errno.EPERM, "no links here")

    monkeypatch.setattr(entries.os, "link", none)
    assert not entries.save(station.inbox, entry(), NOW, LATEST).before
    assert entries.save(station.inbox, entry(), NOW, LATEST).before
    assert len(list((station.inbox / "entries").iterdir())) == 1


def test_the_newer_of_two_entries_counts_whatever_the_times_of_their_files(station):
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    newer = STOP | {"stop_pressure_bar": 228.0}
    entries.save(station.inbox, entry(newer, "20260320T100500-" + "b" * 16), NOW + pd.Timedelta("1h"), LATEST)
    entries.save(station.inbox, entry(), NOW, LATEST)
    os.utime(station.inbox / "entries" / f"fills-{TOKEN}.csv", (2e9, 2e9))
    warehouse = Warehouse(station.warehouse)
    s.Intake(station, warehouse, "run", clock.now(), LATEST).run()
    assert warehouse.current("fills")["stop_pressure_bar"].tolist() == [228.0]
    warehouse.close()


def test_a_return_of_what_was_never_lent_is_listed_until_its_loan_comes(station):
    s.drop(station, "members.csv", s.MEMBERS)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    file = entries.save(station.inbox, entry({"unit_id": "C1", "back_at": NOW}, source="returns"), NOW, LATEST).file
    warehouse = Warehouse(station.warehouse)

    def notices():
        s.Intake(station, warehouse, "run", clock.now(), LATEST).run()
        listed = warehouse.whole("notices")
        return listed[listed["rule"] == "return_without_loan"]["file"].tolist()

    assert notices() == [file]
    s.drop(station, "loans.csv", [{"unit_id": "C1", "member_id": "M1", "out_at": "2026-03-19 09:00"}])
    assert notices() == []
    warehouse.close()


# --- in other units -------------------------------------------------------------------------------
PSI_STOP = (
    STOP
    | {"start_pressure_bar": 700.0, "target_pressure_bar": 3000.0, "stop_pressure_bar": 3000.0}
    | {"ambient_c": 68.0}
)


def in_psi(row=PSI_STOP):
    return Entry("fills", row, "Ines", "filling", TOKEN, "us")


def test_what_was_typed_in_psi_stands_as_typed_with_its_unit_and_is_read_exactly(station):
    saved = entries.save(station.inbox, in_psi(), NOW, LATEST)
    head, values = (station.inbox / saved.file).read_text(encoding="utf-8").splitlines()[:2]
    typed = dict(zip(head.split(","), values.split(","), strict=True))
    assert typed["stop_pressure_psi"] == "3000" and typed["ambient_F"] == "68" and "stop_pressure_bar" not in typed
    raw, accepted = read(station, saved.file)
    assert not raw.problems and not len(accepted.problems)
    row = raw.rows.iloc[0]
    assert row["stop_pressure_bar"] == pytest.approx(206.8427188, abs=1e-7)
    assert row["start_pressure_bar"] == pytest.approx(48.2633, abs=1e-4) and row["ambient_c"] == pytest.approx(20.0)
    only = entries.written(station.inbox)[0].row
    assert float(only["stop_pressure_bar"]) == row["stop_pressure_bar"] and "stop_pressure_psi" not in only


def test_a_refused_figure_is_said_in_the_unit_it_was_typed_in():
    said = entries.reasons_against(in_psi(PSI_STOP | {"stop_pressure_bar": 30000.0}), LATEST)
    assert said["stop_pressure_bar"] == ["Above 6\u202f527 psi, gauge."]
    metric = entries.reasons_against(entry(STOP | {"stop_pressure_bar": 3000.0}), LATEST)
    assert metric["stop_pressure_bar"] == ["Above 450 bar, gauge. Is it psi?"]  # and never read as 3000 bar


def test_a_share_of_one_is_asked_about_in_a_form_as_in_a_file_and_airs_own_argon_is_none():
    for column, value, asked in (
        ("target_o2_pct", 0.95, True), ("target_o2_pct", 32.0, False), ("target_he_pct", 0.35, True),
        ("target_ar_pct", 0.93, False), ("target_ar_pct", 0.82, True),
    ):  # fmt: skip
        found = entries._broken(SOURCES["fills"].fields[column], value, ())
        assert (found is not None and found[0] == "share_not_per_cent") is asked, (column, value)
