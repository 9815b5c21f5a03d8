"""What the sample station publishes is what the tables declare: types, choices, bounds, keys; numbers are numbers."""

import numpy as np
import pandas as pd
import pytest

from schemas import check, codes
from schemas.snapshot import read_manifest, read_table, table_glob
from schemas.sources import SOURCES
from schemas.tables import TABLES

PUBLIC = [t.name for t in TABLES.values() if not t.internal]


@pytest.fixture(scope="module")
def manifest(sample_station):
    return read_manifest(sample_station.published)


def _rows(station, manifest, table: str) -> pd.DataFrame:
    return read_table(station.published, manifest, table)


@pytest.mark.parametrize("table", PUBLIC)
def test_a_table_is_what_it_is_declared_to_be(sample_station, manifest, table):
    rows = _rows(sample_station, manifest, table)
    check.table_model(table).validate(rows, lazy=True)
    declared = TABLES[table]
    assert list(rows.columns) == list(declared.fields)
    numbers = rows.select_dtypes("float64")
    assert not np.isinf(numbers.to_numpy()).any()


@pytest.mark.parametrize(
    "table", [t for t in PUBLIC if t not in ("rejects", "notices", "settling_model", "cylinder_life")]
)
def test_a_key_names_one_row(sample_station, manifest, table):
    rows = _rows(sample_station, manifest, table)
    key = list(TABLES[table].key)
    assert not rows.duplicated(key).any()
    if table not in ("booking_cover", "air_quality", "gas_added"):
        assert rows[key].notna().all(axis=None)


@pytest.mark.parametrize("table", PUBLIC)
def test_codes_are_declared_with_a_sentence(sample_station, manifest, table):
    rows, known = _rows(sample_station, manifest, table), codes.all_codes()
    for field in TABLES[table].fields.values():
        if field.kind == "codes":
            used = {code for cell in rows[field.name] for code in cell}
            if field.name in ("reasons", "score_reasons", "flags"):
                assert used <= known.keys(), used - known.keys()


@pytest.mark.parametrize("table", PUBLIC)
def test_duckdb_reads_a_table_in_one_line(sample_station, manifest, table):
    import duckdb

    rows = duckdb.sql(f"SELECT count(*) FROM '{table_glob(sample_station.published, manifest, table)}'").fetchall()[0][
        0
    ]
    assert rows == len(_rows(sample_station, manifest, table))


def test_three_losses_sum_to_the_shortfall(sample_station, manifest):
    fills = _rows(sample_station, manifest, "fill_quality")
    parts = fills[["stopped_early_free_l", "compressibility_free_l", "cooling_free_l"]]
    known = fills["shortfall_free_l"].notna()
    assert known.mean() > 0.9
    assert (parts.notna().all(axis=1) == known).all()
    assert np.allclose(parts[known].sum(axis=1), fills.loc[known, "shortfall_free_l"], atol=0.01)


def test_a_fill_that_was_read_is_judged(sample_station, manifest):
    fills = _rows(sample_station, manifest, "fill_quality")
    assert fills["verdict"].notna().all()
    assert fills["handed_over_verdict"].notna().all()
    assert ((fills["verdict"] == "good") | (fills["reasons"].str.len() > 0)).all()


@pytest.mark.parametrize(
    ("table", "low", "middle", "high"),
    [
        ("fill_quality", "settled_low_bar_15c", "settled_pressure_bar_15c", "settled_high_bar_15c"),
        ("fill_quality", "real_low_free_l", "real_free_l", "real_high_free_l"),
        ("dive_consumption", "rmv_low_l_min", "rmv_l_min", "rmv_high_l_min"),
        ("dive_consumption", "gas_used_low_free_l", "gas_used_free_l", "gas_used_high_free_l"),
        ("consumption_trend", "level_low_l_min", "level_rmv_l_min", "level_high_l_min"),
        ("consumption_trend", "slope_low_pct", "slope_pct_per_month", "slope_high_pct"),
        ("condition_effects", "effect_low_pct", "effect_pct", "effect_high_pct"),
        ("cylinder_health", "leak_low_bar_per_day", "leak_bar_per_day", "leak_high_bar_per_day"),
        ("settling_model", "effect_low_bar", "effect_bar", "effect_high_bar"),
        ("settling_check", "predicted_low_bar", "predicted_bar", "predicted_high_bar"),
        ("gauge_check", "offset_low_bar", "offset_bar", "offset_high_bar"),
    ],
)
def test_an_estimate_stands_with_its_interval_around_it(sample_station, manifest, table, low, middle, high):
    rows = _rows(sample_station, manifest, table)
    known = rows[middle].notna()
    assert len(rows) == 0 or known.any()
    assert rows.loc[known, [low, high]].notna().all(axis=None)
    slack = 1e-6 + 1e-9 * rows[middle].abs()
    assert (rows[low] - slack <= rows[middle])[known].all()
    assert (rows[middle] <= rows[high] + slack)[known].all()


def test_every_dive_and_fill_that_was_taken_in_is_in_its_table(sample_station, manifest):
    """But for a dive that a second computer recorded as well: it is one dive, and the kept record says so."""
    from pipelines.warehouse.store import Warehouse

    parts = manifest.tables["dive_duplicates"].values()
    doubles = pd.concat(
        [pd.read_parquet(sample_station.published / manifest.name / "dive_duplicates" / p.file) for p in parts]
    )
    flags = _rows(sample_station, manifest, "dive_consumption").set_index(["member_id", "dive_id"])["flags"]
    assert all(
        "duplicate" in " ".join(flags[m, d]) or len(flags[m, d])
        for m, d in zip(doubles["member_id"], doubles["kept_dive_id"], strict=True)
    )
    warehouse = Warehouse(sample_station.folder / "warehouse.duckdb")
    try:
        for source, table, key in (
            ("fills", "fill_quality", ["fill_id"]),
            ("dives", "dive_consumption", ["member_id", "dive_id"]),
            ("cylinders", "cylinder_health", ["cylinder_id"]),
            ("dive_tanks", "dive_tank_use", ["member_id", "dive_id", "tank_no"]),
        ):
            taken = warehouse.current(source)[key]
            if "dive_id" in key:
                taken = taken[
                    ~pd.MultiIndex.from_frame(taken[["member_id", "dive_id"]]).isin(
                        list(zip(doubles["member_id"], doubles["dive_id"], strict=True))
                    )
                ]
            shown = _rows(sample_station, manifest, table)[key]
            assert pd.MultiIndex.from_frame(taken).isin(pd.MultiIndex.from_frame(shown)).all(), table
    finally:
        warehouse.close()


def test_profiles_are_thinned_and_keep_the_deepest_and_the_last(sample_station, manifest):
    rows = _rows(sample_station, manifest, "dive_profile")
    assert rows.groupby(["member_id", "dive_id"]).size().max() <= 400
    deepest = rows.groupby(["member_id", "dive_id"])["depth_m"].max()
    said = (
        _rows(sample_station, manifest, "dive_consumption")
        .set_index(["member_id", "dive_id"])["max_depth_m"]
        .reindex(deepest.index)
    )
    assert np.allclose(deepest, said, atol=0.05)


def test_files_are_accounted_for(sample_station, manifest):
    files = _rows(sample_station, manifest, "ingest_files")
    assert (files["rows_read"] == files["rows_accepted"] + files["rows_rejected"]).all()
    rejects = _rows(sample_station, manifest, "rejects")
    row_wise = rejects[(rejects["severity"] == "row") & rejects["row_number"].notna()]
    known = set(row_wise["file_sha256"])
    assert set(files.loc[files["rows_rejected"] > 0, "file_sha256"]) <= known
    assert (rejects["message"].str.len() > 0).all()
    assert (rejects["fix"].str.len() > 0).all()
    sources = {*SOURCES, "uddf"}
    assert set(files["source"].dropna()) <= sources


def test_the_sample_shows_each_planted_problem(sample_station, manifest):
    """Bad rows, a cut UDDF, short fills, a leaker, one out of test, a thin diver, a wrong mix, a shut isolator."""
    files = _rows(sample_station, manifest, "ingest_files")
    assert (files["outcome"] == "refused").any()
    assert (files["rows_rejected"] > 0).any()
    fills = _rows(sample_station, manifest, "fill_quality")
    assert {"stop", "attention", "short", "good"} <= set(fills["verdict"])
    assert (fills["mix_verdict"] == "out_of_tolerance").any()
    health = _rows(sample_station, manifest, "cylinder_health")
    assert health["leak_flag"].fillna(False).any()
    assert {"out_of_date", "in_date"} <= set(health["inspection_state"])
    assert "thin" in set(_rows(sample_station, manifest, "reserve_watch")["state"])
    assert (_rows(sample_station, manifest, "dive_consumption")["second_gauge_gap_bar"].abs() > 20).any()
