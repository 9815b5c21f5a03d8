"""Logs with a line a reading, and durations written like a clock, become the rows of the contract."""

import pandas as pd
import pytest

from pipelines.readers.raw import RawTable
from pipelines.readers.tables.mapping import Mapping
from pipelines.readers.tables.table import read_table
from tests.pipelines.reader_files import ZONE, counted, rules

CHANNELS = {"Depth": "depth_m", "P1": "tank_1_bar", "P2": "tank_2_bar"}
LONG = Mapping(
    "dive_samples",
    channel_names="What",
    channel_values="Value",
    channels=CHANNELS,
    headers={"dive_id": ("Dive",), "t_s": ("Clock",)},
    units={"t_s": "mm:ss"},
)


def samples(folder, text: str, mapping: Mapping) -> RawTable:
    path = folder / "dive_samples.csv"
    path.write_text(text, encoding="utf-8")
    return counted(read_table(path, "dive_samples", mapping, ZONE))


def test_the_lines_of_one_moment_become_one_row(tmp_path):
    text = "Dive,Clock,What,Value\nD1,0:00,depth,0\nD1,0:00,P1,210\nD1,1:30,depth,12.5\n"
    text += "D1,1:30,P2,190\nD2,0:00,Depth,1\nD1,1:30,P1,200\n"
    table = samples(tmp_path, text, LONG)
    assert rules(table) == []
    assert table.rows_read == 3
    assert table.rows["line"].tolist() == [2, 4, 6]
    expected = [["D1", 0.0, 0.0, 210.0, None], ["D1", 90.0, 12.5, 200.0, 190.0], ["D2", 0.0, 1.0, None, None]]
    found = table.rows[["dive_id", "t_s", "depth_m", "tank_1_bar", "tank_2_bar"]].astype("object")
    assert found.where(found.notna(), None).to_numpy().tolist() == expected


def test_the_order_of_the_lines_of_a_moment_does_not_matter(tmp_path):
    lines = ["D1,0:00,depth,0", "D1,0:00,P1,210", "D1,0:00,P2,200"]
    one = samples(tmp_path, "\n".join(["Dive,Clock,What,Value", *lines]), LONG)
    other = samples(tmp_path, "\n".join(["Dive,Clock,What,Value", *reversed(lines)]), LONG)
    pd.testing.assert_frame_equal(one.rows, other.rows)


def test_what_disagrees_or_is_no_number_rejects_its_moment_alone(tmp_path):
    text = "Dive,Clock,What,Value\nD1,0:00,depth,0\nD1,0:00,depth,3\n"
    text += "D1,0:10,depth,deep\nD1,0:20,depth,5\nD1,0:20,pulse,90\n"
    table = samples(tmp_path, text, LONG)
    assert [(p.rule, p.row_number, p.severity) for p in table.problems] == [
        ("unknown_channel", None, "value"),
        ("samples_conflict", 1, "row"),
        ("not_a_number", 2, "row"),
    ]
    assert table.rows["t_s"].tolist() == [20.0]


def test_a_missing_header_of_the_mapping_refuses_the_file(tmp_path):
    assert rules(samples(tmp_path, "Dive,Clock,What\nD1,0:00,depth\n", LONG)) == ["missing_column"]


@pytest.mark.parametrize(
    ("written", "text", "seconds"),
    [("mm:ss", "42:30", 2550), ("mm:ss", "1:02:03", 3723), ("h:mm:ss", "1:02:03", 3723), ("h:mm", "1:02", 3720)],
)
def test_durations_written_like_a_clock_are_read_when_stated(tmp_path, written, text, seconds):
    table = samples(
        tmp_path, f"dive_id,t_s,depth_m\nD1,{text},3\nD1,soon,3\n", Mapping("dive_samples", units={"t_s": written})
    )
    assert table.rows["t_s"].tolist() == [seconds]
    assert [(p.rule, p.row_number) for p in table.problems] == [("not_in_its_format", 2)]


def test_units_in_brackets_after_a_header_are_part_of_its_name(tmp_path):
    text = "Dive ID,T (s),Depth [m],Water (°C)\nD1,0,3,12\n"
    table = samples(tmp_path, text, Mapping("dive_samples"))
    assert rules(table) == []
    assert table.rows["water_c"].tolist() == [12.0]


def test_a_doubled_header_that_nobody_reads_costs_nothing(tmp_path):
    table = samples(tmp_path, "dive_id,t_s,depth_m,note,note\nD1,0,3,a,b\n", Mapping("dive_samples", ignore=("note",)))
    assert rules(table) == []
    assert len(table.rows) == 1
