"""Tables of many fills kept a part a year: the same rows in the same order as kept whole."""

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from pipelines.publish import by_year
from pipelines.publish.amended import amended
from pipelines.publish.parts import arrow_table
from pipelines.publish.snapshot import Publisher
from schemas.snapshot import Manifest, read_table
from schemas.tables import TABLES

NOON = pd.Timestamp("2031-06-30T12:00:00Z")
ORDER = ("filled_at", "fill_id")


@pytest.fixture(autouse=True)
def few(monkeypatch):
    monkeypatch.setattr(by_year, "MANY_ROWS", 3)


def fills(*rows) -> pa.Table:
    """Rows of (fill_id, filled_at, latest, on_hold)."""
    names = ["fill_id", "filled_at", "latest_fill", "on_hold"]
    frame = pd.DataFrame(rows, columns=names)
    frame["filled_at"] = pd.to_datetime(frame["filled_at"], utc=True, format="ISO8601")
    frame = frame.astype({"latest_fill": "boolean", "on_hold": "boolean"})
    return arrow_table(frame, TABLES["fill_quality"]).select(names)


YEARS = fills(
    ("F1", "2028-03-01", False, False),
    ("F2", "2028-12-31T23:59:59.999999", False, False),
    ("F3", "2029-01-01T00:00", False, None),
    ("F4", "2031-05-01", True, True),
)


def test_rows_are_cut_where_a_year_begins_and_none_is_lost():
    cut = by_year.by_year("fill_quality", YEARS)
    assert {name: part["fill_id"].to_pylist() for name, part in cut.items()} == {
        "2028": ["F1", "F2"],
        "2029": ["F3"],
        "2031": ["F4"],
    }
    assert list(by_year.by_year("fill_quality", YEARS.slice(0, 2))) == ["all"], "few rows"
    assert list(by_year.by_year("gas_added", YEARS)) == ["all"], "a table that is not cut"
    assert list(by_year.by_year("fill_quality", YEARS.take([3, 0, 1, 2]))) == ["all"], "in another order"


CHANGES = {
    "one more": (fills(("F9", "2031-06-01", True, True)), {"latest_fill": {"F4": False}, "on_hold": {"F4": False}}),
    "the first of a year": (fills(("F9", "2032-01-01", True, False)), {"latest_fill": {"F4": False}}),
    "one that moves to another year": (fills(("F2", "2029-01-01T00:00", False, True)), {}),
    "the only one of a year moves": (fills(("F3", "2028-06-01", False, False), ("F8", "2027-01-01", True, True)), {}),
    "a value that was not there": (fills(("F9", "2031-06-01", True, False)), {"on_hold": {"F3": False, "F1": False}}),
    "of one moment": (fills(("F0", "2031-05-01", False, False), ("F5", "2031-05-01", False, False)), {}),
}


@pytest.mark.parametrize("change", sorted(CHANGES))
def test_amended_by_year_as_amended_whole(change):
    rows, also = CHANGES[change]
    cut = by_year.by_year("fill_quality", YEARS)
    read = []

    def stored(name, columns):
        read.extend([name] if columns is None else [])
        return cut[name] if columns is None else cut[name].select(columns)

    anew = by_year.years_anew("fill_quality", cut, stored, rows, "fill_id", ORDER, also)
    made = pa.concat_tables([part for _, part in sorted((cut | anew).items())])
    assert made.equals(amended(YEARS, rows, "fill_id", ORDER, also))
    same = {name for name, part in cut.items() if name in anew and anew[name].equals(part)}
    assert not same and set(read) <= set(anew), "what stays is neither read nor written"


def _published(made: Publisher) -> Manifest:
    return made.finish(Manifest(made.name, 1, "2031-06-30", NOON.isoformat(), "x", {}, "r1"))


def _whole(*ids_and_moments) -> pd.DataFrame:
    frame = pd.DataFrame(ids_and_moments, columns=["fill_id", "filled_at"])
    return frame.assign(
        filled_at=pd.to_datetime(frame["filled_at"], utc=True, format="ISO8601"),
        stop_pressure_bar=np.arange(len(frame)),
    )


def test_a_snapshot_reads_as_one_whatever_its_parts(tmp_path):
    rows = _whole(("F1", "2028-03-01"), ("F2", "2029-03-01"), ("F3", "2031-03-01"))
    made = Publisher(tmp_path, None, NOON)
    made.write("fill_quality", "all", rows.iloc[:2], "of two")
    made.write("fill_quality", "all", rows, "of three")
    assert sorted(made.tables["fill_quality"]) == ["2028", "2029", "2031"]
    assert {p.name for p in (made.folder / "fill_quality").iterdir()} == {f"{y}.parquet" for y in (2028, 2029, 2031)}
    assert made.holds("fill_quality", "all", "of three") and not made.holds("fill_quality", "all", "of two")
    manifest = _published(made)
    assert read_table(tmp_path, manifest, "fill_quality")["fill_id"].tolist() == ["F1", "F2", "F3"]
    later = Publisher(tmp_path, manifest, NOON + pd.Timedelta(hours=1))
    assert later.unchanged("fill_quality", "all", "of three") and not later.unchanged("fill_quality", "all", "other")
    assert later.link("fill_quality", "all", "other") == 3
    assert later.read("fill_quality", "all")["fill_id"].tolist() == ["F1", "F2", "F3"]
    new = arrow_table(_whole(("F4", "2031-04-01")), TABLES["fill_quality"])
    later.amend("fill_quality", new, "fill_id", ORDER, "of four")
    assert later.read("fill_quality", "all")["fill_id"].tolist() == ["F1", "F2", "F3", "F4"]
    of = {
        name: (later.folder / "fill_quality" / f"{name}.parquet").stat().st_nlink for name in ("2028", "2029", "2031")
    }
    assert of == {"2028": 2, "2029": 2, "2031": 1}, "the year of the new one alone is written"
    last = _published(later)
    # a part that is not as it was written makes the table one to be made anew
    (tmp_path / last.name / "fill_quality" / "2029.parquet").write_bytes(b"rubbish")
    again = Publisher(tmp_path, last, NOON + pd.Timedelta(hours=2))
    assert not again.has_previous("fill_quality", "all") and not again.unchanged("fill_quality", "all", "of four")
    # and one that has shrunk is whole again
    again.write("fill_quality", "all", rows.iloc[:2], "of two")
    assert sorted(again.tables["fill_quality"]) == ["all"]


def test_a_snapshot_from_before_goes_on(tmp_path, monkeypatch):
    with monkeypatch.context() as patch:
        patch.setattr(by_year, "MANY_ROWS", 100)
        made = Publisher(tmp_path, None, NOON)
        made.write("fill_quality", "all", _whole(("F1", "2028-03-01"), ("F2", "2029-03-01")), "of two")
        manifest = _published(made)
    later = Publisher(tmp_path, manifest, NOON + pd.Timedelta(hours=1))
    new = arrow_table(_whole(("F4", "2031-04-01")), TABLES["fill_quality"])
    later.amend("fill_quality", new, "fill_id", ORDER, "of three")
    assert sorted(later.tables["fill_quality"]) == ["2028", "2029", "2031"]
    assert [p.name for p in sorted((later.folder / "fill_quality").iterdir())] == [
        "2028.parquet", "2029.parquet", "2031.parquet",
    ]  # fmt: skip
