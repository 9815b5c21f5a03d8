"""An analyst opens a station in two lines, and what the dictionary promises holds."""

import pandas as pd
import pyarrow.parquet as pq
import pytest

from schemas.analysis import open_station
from schemas.dictionary import QUESTIONS
from schemas.snapshot import NothingPublished, read_manifest
from schemas.tables import TABLES


@pytest.fixture(scope="module")
def station(sample_station):
    return open_station(sample_station.published.parent)


def test_a_table_has_its_declared_columns_or_those_asked_for(station):
    fills = station.table("fill_quality")
    assert list(fills.columns) == list(TABLES["fill_quality"].fields)
    assert fills["fill_id"].is_unique
    two = station.table("fill_quality", columns=["fill_id", "verdict"])
    pd.testing.assert_frame_equal(two, fills[["fill_id", "verdict"]])


def test_a_table_or_column_that_is_not_there_is_named_beside_those_that_are(station):
    with pytest.raises(KeyError, match=r"No table 'fills'.*fill_quality"):
        station.table("fills")
    with pytest.raises(KeyError, match=r"no column rmv.*rmv_l_min"):
        station.table("dive_consumption", columns=["rmv"])


def test_a_folder_without_a_snapshot_says_what_to_run(tmp_path):
    with pytest.raises(NothingPublished, match="coldfill run"):
        open_station(tmp_path)


def test_a_query_counts_what_the_table_holds(station):
    asked = station.query("SELECT verdict, count(*) AS n FROM fill_quality GROUP BY 1")
    counts = station.table("fill_quality")["verdict"].value_counts()
    assert asked.set_index("verdict")["n"].to_dict() == counts.to_dict()


@pytest.mark.parametrize("question", QUESTIONS)
def test_the_first_questions_of_the_dictionary_are_answered(station, question):
    assert len(station.query(QUESTIONS[question]))


def test_every_part_says_its_key_and_units(sample_station):
    manifest = read_manifest(sample_station.published)
    for name, table in TABLES.items():
        for part in manifest.tables.get(name, {}).values() if not table.internal else ():
            schema = pq.read_schema(sample_station.published / manifest.name / name / part.file)
            assert schema.metadata[b"key"].decode() == ", ".join(table.key)
            units = {f.name: (f.metadata or {}).get(b"unit", b"").decode() for f in schema}
            assert units == {f.name: f.unit for f in table.fields.values()}
