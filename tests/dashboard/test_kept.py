"""What pages keep: worked out once by several who ask at the same moment, bounded, no more read than is asked for."""

import json
import shutil
import threading
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from dashboard import stored
from dashboard.access import ALONE, Viewer
from dashboard.data import open_snapshot
from dashboard.kept import Kept, weight
from dashboard.stored import Span
from schemas.snapshot import SINCE, Part, SnapshotDamaged


def test_eight_who_ask_at_once_have_it_worked_out_once():
    kept, began, made = Kept(10_000), threading.Barrier(8), []

    def ask(_):
        began.wait()
        return kept.get("what", lambda: made.append(1) or threading.Event().wait(0.05) or "answer")

    with ThreadPoolExecutor(8) as several:
        assert set(several.map(ask, range(8))) == {"answer"}
    assert len(made) == 1


def test_an_error_reaches_all_who_wait_and_is_not_kept():
    kept, began, made = Kept(10_000), threading.Barrier(4), []

    def fail():
        made.append(1)
        threading.Event().wait(0.05)
        raise ValueError("damaged")

    def ask(_):
        began.wait()
        with pytest.raises(ValueError, match="damaged"):
            kept.get("what", fail)

    with ThreadPoolExecutor(4) as several:
        list(several.map(ask, range(4)))
    assert len(made) == 1 and kept.get("what", lambda: "mended") == "mended"


def test_a_session_that_ends_half_way_leaves_the_work_to_who_waits():
    class Ended(BaseException):
        pass

    kept, at_work, go = Kept(10_000), threading.Event(), threading.Event()

    def ends():
        at_work.set()
        go.wait(5)
        raise Ended

    def first():
        with pytest.raises(Ended):
            kept.get("what", ends)

    with ThreadPoolExecutor(2) as two:
        one = two.submit(first)
        at_work.wait(5)
        other = two.submit(kept.get, "what", lambda: "answer")
        go.set()
        assert other.result(5) == "answer"
        one.result(5)


def test_what_was_asked_longest_ago_is_let_go_beyond_the_bound():
    kept = Kept(100)
    kept.get("old", lambda: "x" * 60)
    kept.get("used", lambda: "x" * 30)
    kept.get("old", lambda: "y")  # asked again
    kept.get("new", lambda: "x" * 30)
    assert kept.get("used", lambda: "made anew") == "made anew"
    assert kept.get("old", lambda: "made anew").startswith("x")
    assert kept.get("large", lambda: "x" * 101) and kept.get("large", lambda: "never kept") == "never kept"


@pytest.fixture
def part(tmp_path):
    """100 rows in ten groups, by time; a list of codes a row."""
    at = pd.date_range("2031-01-01", periods=100, freq="D", tz="UTC").as_unit("us")
    table = pa.table(
        {
            "at": at,
            "cylinder_id": [f"c{i % 3}" for i in range(100)],
            "value": np.arange(100.0),
            "codes": [["odd"] if i % 2 else [] if i % 4 else None for i in range(100)],
        }
    )
    path = tmp_path / "table" / "all.parquet"
    path.parent.mkdir()
    pq.write_table(table, path, row_group_size=10)
    return path


class Reads:
    """A part that notes which groups of rows and columns are read."""

    def __init__(self, file):
        self._file, self.groups = file, []

    def __getattr__(self, name):
        return getattr(self._file, name)

    def read_row_group(self, group, columns, **options):
        self.groups.append((group, tuple(columns)))
        return self._file.read_row_group(group, columns=columns, **options)


def test_only_the_groups_of_rows_that_can_hold_it_are_read(part):
    file = Reads(stored.opened(part, Part("all.parquet", 100, "")))
    begin = pd.Timestamp("2031-02-10", tz="UTC")
    got = stored.rows(file, ["value"], {"at": Span(begin, begin + pd.Timedelta(days=3))})
    assert got["value"].to_pylist() == [40.0, 41.0, 42.0]
    assert file.groups == [(4, ("at",)), (4, ("value",))]
    mask = np.zeros(100, bool)
    mask[[3, 97]] = True
    file.groups.clear()
    assert stored.rows_at(file, ["value"], mask)["value"].to_pylist() == [3.0, 97.0]
    assert file.groups == [(0, ("value",)), (9, ("value",))]


def test_rows_are_found_by_value_by_several_and_by_span_and_none_is_opened_for_what_it_does_not_know(part):
    file = stored.opened(part, Part("all.parquet", 100, ""))
    assert stored.rows(file, ["value"], {"cylinder_id": "c1", "at": Span(high=pd.Timestamp("2031-01-06", tz="UTC"))})[
        "value"
    ].to_pylist() == [1.0, 4.0]
    assert stored.rows(file, ["at"], {"cylinder_id": frozenset({"c0", "c2", "c9"})}).num_rows == 67
    assert stored.rows(file, ["value"], {"cylinder_id": "c9"}).num_rows == 0
    # how many there are is known without a column
    assert stored.rows(file, [], {"cylinder_id": "c1"}).num_rows == 33
    assert stored.rows_at(file, [], np.arange(100) % 9 == 0).num_rows == 12
    assert stored.highest(file, "at") == pd.Timestamp("2031-04-10", tz="UTC")
    with pytest.raises(SnapshotDamaged, match="no column later"):  # an earlier version did not write it
        stored.opened(part, Part("all.parquet", 100, ""), ["at", "later"])


def test_codes_of_a_list_are_marked_by_row(part):
    lists = stored.rows(stored.opened(part, Part("all.parquet", 100, "")), ["codes"], {})
    marks = stored.listing(lists, "codes", ("odd", "other"), 100)
    assert marks["odd"].tolist() == [bool(i % 2) for i in range(100)] and not marks["other"].any()


def test_a_large_part_that_was_changed_since_it_was_read_is_refused(part, monkeypatch):
    import hashlib

    monkeypatch.setattr(stored, "_LARGE", 1)
    listed = Part("all.parquet", 100, "", hashlib.sha256(part.read_bytes()).hexdigest())
    assert stored.opened(part, listed).metadata.num_rows == 100
    data = bytearray(part.read_bytes())
    data[100] ^= 1
    part.write_bytes(bytes(data))
    with pytest.raises(SnapshotDamaged):
        stored.opened(part, listed)


def test_a_large_published_table_is_stored_in_groups_and_a_working_one_whole(tmp_path):
    from pipelines.publish.parts import GROUP_ROWS
    from pipelines.publish.snapshot import Publisher

    made = Publisher(tmp_path, None, pd.Timestamp("2031-06-30"))
    rows = pd.DataFrame({"fill_id": [f"f{i}" for i in range(GROUP_ROWS + 1)]})
    for table in ("fill_quality", "fills_judged"):
        made.write(table, "all", rows, "")
    groups = [
        pq.ParquetFile(next((made.folder / t).iterdir())).num_row_groups for t in ("fill_quality", "fills_judged")
    ]
    assert groups == [2, 1]


def test_what_an_answer_takes_counts_what_is_in_it():
    frame = pd.DataFrame({"bar": np.zeros(1000)})
    assert weight(frame) >= 8000 and weight({"by": frame}) >= 8000
    assert weight([{"fill_id": "f1"}] * 100) >= 10_000
    assert weight(Part("all.parquet", 1, "", "ab" * 32)) >= 64


def test_a_run_that_found_nothing_new_is_counted_though_no_snapshot_came_of_it(published, tmp_path):
    shutil.copytree(published, folder := tmp_path / "published")
    inbox = open_snapshot(folder, Viewer(ALONE))
    before, runs = inbox.table("ingest_files"), inbox.table("runs")
    met = [[r.file, r.file_sha256, 7] for r in before.itertuples()]
    run = ["later", "2026-06-15 08:00:00", "2026-06-15 08:00:01", "2026-06-15"]
    (folder / SINCE).write_text(json.dumps({"snapshot": inbox.name, "seen_again": met, "runs": [run]}))
    assert (inbox.table("ingest_files")["seen_again"] == 7).all() and len(before)
    later = inbox.table("runs")
    assert len(later) == len(runs) + 1 and later["outcome"].iloc[-1] == "nothing_new"
