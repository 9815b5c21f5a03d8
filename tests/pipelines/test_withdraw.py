"""What a person withdraws goes out of everything computed and comes back as it was; nothing is lost or silent."""

import contextlib
import shutil

import pandas as pd
import pytest
import small_station as s
from test_intake_reread import _uddf

from pipelines.intake import meant
from pipelines.intake.pending import PendingFiles
from pipelines.intake.rebuild import prepare
from pipelines.refresh.own_warehouse import settle_mark
from pipelines.station import clock
from pipelines.warehouse import withdrawn
from pipelines.warehouse.store import Warehouse

AT = "2026-03-30 {:02d}:00Z"


def says(source: str, key: str, hour: int = 9, **more: str) -> dict[str, str]:
    """A row of withdrawals."""
    made = {"source": source, "key": key, "withdrawn_at": AT.format(hour), "withdrawn_by": "Jon", "reason": "a slip"}
    return made | more


def ids(station, source: str, column: str) -> set[str]:
    return set(s.stored(station)[source][column])


def counted(station) -> dict:
    """The rows that count, of every source but this one."""
    return {name: rows for name, rows in s.stored(station).items() if name != "withdrawals"}


def states(station, source: str, key: str) -> list[str]:
    """States of the rows whose first key column has this value, in the order in which their files were saved."""
    column = s.SOURCES[source].key[0]
    return list(
        s.ask(station, f"SELECT state FROM rows_{source} WHERE {column} = '{key}' ORDER BY order_at, file")["state"]
    )


@pytest.fixture(scope="module")
def computed(season_station):
    """A station that was run once, and what it published."""
    return season_station, s.published(season_station)


@pytest.fixture
def published(computed, tmp_path):
    """A copy of it, to go on with."""
    shutil.copytree(computed[0].folder, tmp_path / "station")
    return s.load_station(tmp_path / "station")


@pytest.fixture(scope="module")
def read_once(tmp_path_factory):
    station = s.stocked(tmp_path_factory.mktemp("read") / "station")
    s.take_in(station)
    return station


@pytest.fixture
def station(read_once, tmp_path):
    """A station that has taken in its files and computed nothing."""
    shutil.copytree(read_once.folder, tmp_path / "station")
    return s.load_station(tmp_path / "station")


@pytest.fixture
def before(computed):
    return computed[1]


# --- rows -----------------------------------------------------------------------------------------
def test_a_row_goes_out_and_comes_back_to_the_same_tables(published, before):
    s.drop(published, "withdrawals.csv", [says("fills", "F5")], 10)
    s.run(published)
    assert "F5" not in set(s.published(published)["fill_quality"]["fill_id"])
    assert states(published, "fills", "F5") == ["withdrawn"]
    s.drop(published, "withdrawals-2.csv", [says("withdrawals", "fills:F5", 10)], 20)
    s.run(published)
    s.same(before, s.published(published))


def test_every_version_of_a_key_goes_out_and_a_later_one_stays_out(station):
    s.drop(station, "fills-b.csv", [s.fill(5, stop_pressure_bar="225")], 5)
    s.drop(station, "withdrawals.csv", [says("fills", "F5")], 10)
    s.take_in(station)
    assert states(station, "fills", "F5") == ["withdrawn", "withdrawn"]
    s.drop(station, "fills-c.csv", [s.fill(5, stop_pressure_bar="226")], 50_000)
    s.take_in(station)
    assert states(station, "fills", "F5") == ["withdrawn"] * 3
    assert ("fills-c.csv", "corrects_withdrawn") in s.notices(station)
    again = s.ask(station, "SELECT * FROM withdrawn").iloc[0]
    assert list(again["given_again_in"]) == ["fills-c.csv"]
    s.drop(station, "withdrawals-2.csv", [says("withdrawals", "fills:F5", 11)], 50_001)
    s.take_in(station)
    assert states(station, "fills", "F5") == ["superseded", "superseded", "current"]
    assert ("fills-c.csv", "corrects_withdrawn") not in s.notices(station)


def test_the_newest_word_decides_whatever_the_order_of_the_files(tmp_path):
    words = [says("fills", "F1", 9), says("withdrawals", "fills:F1", 10), says("fills", "F1", 11)]
    for order in ([0, 1, 2], [2, 1, 0]):
        station = s.make(tmp_path / "".join(map(str, order)))
        s.drop(station, "cylinders.csv", s.CYLINDERS)
        s.drop(station, "fills.csv", [s.fill(1), s.fill(2)])
        for n in order:
            s.drop(station, f"withdrawals-{n}.csv", [words[n]], n)
            s.take_in(station)
        assert ids(station, "fills", "fill_id") == {"F2"}
        s.drop(station, "withdrawals-9.csv", [says("withdrawals", "withdrawals:fills:F1", 12)], 9)
        s.take_in(station)
        # taking back the bringing back changes nothing: a newer withdrawal stands
        assert ids(station, "fills", "fill_id") == {"F2"}
        s.drop(station, "withdrawals-10.csv", [says("withdrawals", "fills:F1", 13)], 10)
        s.take_in(station)
        assert ids(station, "fills", "fill_id") == {"F1", "F2"}


@pytest.mark.parametrize(
    ("source", "key", "gone"),
    [
        ("FILLS", " f5 ", ("fills", "fill_id", "F5")),
        ("dives", "M1 · D2", ("dives", "dive_id", "D2")),
        ("Dives", "M1|D2", ("dives", "dive_id", "D2")),
        ("dive tanks", "M2 · D3 · 1", ("dive_tanks", "dive_id", "D3")),
        ("dive_tanks", "M2,D3,1", ("dive_tanks", "dive_id", "D3")),
        ("dives", "M1/D2", ("dives", "dive_id", "D2")),
    ],
)
def test_keys_are_read_as_people_write_them(station, source, key, gone):
    s.drop(station, "withdrawals.csv", [says(source, key)], 10)
    s.take_in(station)
    table, column, value = gone
    assert value not in ids(station, table, column)
    assert s.open_problems(station)["rule"].isin(["refers_to_withdrawn"]).all()


@pytest.mark.parametrize("key", ["fills|F5", "F5", "fills · F5 · 2026-03-02T09:00:00Z", "fills,F5,2026-03-02 09:00"])
def test_a_withdrawal_is_named_as_people_write_it(station, key):
    s.drop(station, "withdrawals.csv", [says("fills", "F5", 9), says("withdrawals", key, 10)], 10)
    s.take_in(station)
    assert "F5" in ids(station, "fills", "fill_id")
    assert s.open_problems(station).empty


def test_a_withdrawal_of_what_is_not_known_waits(station):
    s.drop(station, "withdrawals.csv", [says("fills", "F9"), says("fils", "F1"), says("dives", "D2")], 10)
    assert s.take_in(station).rows_rejected == 3
    assert list(s.open_problems(station)["rule"]) == [
        "withdraws_unknown", "withdraws_of_no_source", "withdraws_unknown"
    ]  # fmt: skip
    assert "member_id · dive_id" in s.open_problems(station)["fix"].iloc[2]
    s.drop(station, "fills-b.csv", [s.fill(9)], 20)
    assert s.take_in(station).resolved == 1
    assert states(station, "fills", "F9") == ["withdrawn"]


# --- registers ------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("source", "key", "waits"),
    [("cylinders", "C3", {"fills": 2, "dive_tanks": 3}), ("members", "M1", {"dives": 3, "dive_tanks": 3})],
)
def test_rows_that_name_a_withdrawn_register_row_wait_and_come_back(published, before, source, key, waits):
    s.drop(published, "withdrawals.csv", [says(source, key)], 10)
    assert s.run(published).open_problems == sum(waits.values())
    problems = s.open_problems(published)
    assert dict(problems.groupby("source").size()) == waits
    assert set(problems["rule"]) == {"refers_to_withdrawn"} and problems["waiting"].all()
    files = s.files(published)
    assert (files["rows_read"] == files["rows_accepted"] + files["rows_rejected"]).all()
    assert files.loc["dive_tanks.csv", "rows_rejected"] == waits["dive_tanks"]
    s.drop(published, "withdrawals-2.csv", [says("withdrawals", f"{source}:{key}", 10)], 20)
    s.run(published)
    assert s.open_problems(published).empty
    s.same(before, s.published(published))


def test_a_new_row_that_names_something_withdrawn_says_so(station):
    s.drop(station, "withdrawals.csv", [says("cylinders", "C3")], 10)
    s.take_in(station)
    s.drop(station, "fills-b.csv", [s.fill(8, unit_id="C3")], 20)
    s.take_in(station)
    new = s.open_problems(station).set_index("file").loc["fills-b.csv"]
    assert (new["rule"], new["value"]) == ("refers_to_withdrawn", "C3")
    assert "cylinders:C3" in new["fix"]


def test_what_names_mean_in_uddf_files_follows_in_the_same_run(tmp_path):
    station = s.make(tmp_path)
    for name, rows in (("members.csv", s.MEMBERS), ("cylinders.csv", s.CYLINDERS)):
        s.drop(station, name, rows)
    link = {"source_ref": "tank-a", "kind": "cylinder", "target_id": "C3"}
    s.drop(station, "links.csv", [link])
    s.drop(station, "one.uddf", _uddf("M1", "tank-a"))
    s.take_in(station)
    before = counted(station)
    assert before["dive_tanks"]["unit_id"].tolist() == ["C3"]
    for n, (source, key) in enumerate((("links", "cylinder · tank-a"), ("members", "M1")), 1):
        s.drop(station, f"withdrawals-{n}.csv", [says(source, key)], n)
        s.take_in(station)
        assert s.stored(station)["dive_tanks"]["unit_id"].isna().all()
        assert s.take_in(station).files_read == 0
        s.drop(station, f"withdrawals-{n}-b.csv", [says("withdrawals", f"{source}:{key}", 10)], n)
        s.take_in(station)
        s.same(before, counted(station))
        assert s.take_in(station).files_read == 0


# --- whole files ----------------------------------------------------------------------------------
def sha256_of(station, file: str) -> str:
    return s.ask(station, f"SELECT file_sha256 FROM ingest_files WHERE file = '{file}' ORDER BY read_nth")[
        "file_sha256"
    ].iloc[-1]


def test_a_corrections_file_goes_out_and_what_was_before_it_counts(published, before):
    """Its rows fall back to the version before, or go; its problems close; and all of it comes back."""
    corrected = [s.fill(5, stop_pressure_bar="225"), s.fill(9), s.fill(8, unit_id="C9"), s.fill(11, ambient_c="warm")]
    s.drop(published, "fills-b.csv", corrected, 5)
    s.drop(published, "dive_samples-b.csv", s.samples(5, minutes=30), 5)
    s.run(published)
    with_it = s.published(published)
    assert len(s.open_problems(published)) == 2
    digits = [sha256_of(published, f)[:12] for f in ("fills-b.csv", "dive_samples-b.csv")]
    s.drop(published, "withdrawals.csv", [says("files", d) for d in digits], 10)
    s.run(published)
    s.same(before, s.published(published))
    assert s.open_problems(published).empty
    assert set(s.files(published).query("outcome == 'withdrawn'").index) == {"fills-b.csv", "dive_samples-b.csv"}
    rows = counted(published)
    rebuild(published)
    s.same(rows, counted(published))
    assert s.open_problems(published).empty
    s.drop(published, "withdrawals-2.csv", [says("withdrawals", f"files:{d}", 10) for d in digits], 20)
    s.run(published)
    s.same(with_it, s.published(published))
    assert len(s.open_problems(published)) == 2


def test_a_withdrawn_content_leaves_the_one_before_it_with_its_problems(station):
    s.drop(station, "fills.csv", [s.fill(1), s.fill(2), s.fill(3, ambient_c="warm"), s.fill(4, unit_id="C9")], 5)
    s.take_in(station)
    first = counted(station)
    assert list(s.open_problems(station)["rule"]) == ["not_a_number", "unknown_reference"]
    s.drop(station, "fills.csv", [s.fill(1, operator="Ada"), s.fill(3, operator="Ada"), s.fill(4)], 6)
    s.take_in(station)
    second = counted(station)
    assert s.open_problems(station).empty
    word = f"files:{sha256_of(station, 'fills.csv')}"
    s.drop(station, "withdrawals.csv", [says(*word.split(":"))], 10)
    s.take_in(station)
    # what a fill of the first content lacked stands again; the season's own fills count for it, as before
    assert list(s.open_problems(station)["rule"]) == ["not_a_number", "unknown_reference"]
    s.same(first, counted(station))
    s.drop(station, "withdrawals-2.csv", [says("withdrawals", word, 11)], 20)
    s.take_in(station)
    assert s.open_problems(station).empty
    s.same(second, counted(station))


# --- samples --------------------------------------------------------------------------------------
def test_samples_go_out_by_their_dive_or_one_by_one(published, before):
    s.drop(published, "withdrawals.csv", [says("dive_samples", "M1 · D2"), says("dive_samples", "M1 | D5 | 600")], 10)
    s.run(published)
    dives = s.published(published)["dive_consumption"].set_index("dive_id")
    assert dives["method"].fillna("unknown")[["D2", "D5", "D8"]].to_list() == ["unknown", "trace", "trace"]
    profile = s.published(published)["dive_profile"].set_index(["dive_id", "t_s"]).index
    assert ("D5", 570) in profile and ("D5", 600) not in profile and ("D8", 600) in profile
    s.drop(
        published,
        "withdrawals-2.csv",
        [says("withdrawals", f"dive_samples:{key}", 10) for key in ("M1 · D2", "M1 · D5 · 600")],
        20,
    )
    s.run(published)
    s.same(before, s.published(published))


# --- a run that dies ------------------------------------------------------------------------------
class Dead(BaseException):
    """Ends a run as a power cut does."""


def _die(*_):
    raise Dead


def test_a_run_that_dies_before_it_is_done_leaves_the_rest_to_the_next(station, tmp_path, monkeypatch):
    sha256 = sha256_of(station, "dives.csv")
    steps = (
        ("withdrawals.csv", [says("cylinders", "C1"), says("files", sha256)]),
        ("withdrawals-2.csv", [says("withdrawals", f"{thing}", 10) for thing in ("cylinders:C1", f"files:{sha256}")]),
    )
    shutil.copytree(station.folder, tmp_path / "alive")
    alive = s.load_station(tmp_path / "alive")
    for minutes, (name, rows) in enumerate(steps, 10):
        s.drop(alive, name, rows, minutes)
        s.take_in(alive)
        s.drop(station, name, rows, minutes)
        for module, part in ((withdrawn, "leave_out"), (withdrawn, "to_read_again"), (PendingFiles, "once_more")):
            with monkeypatch.context() as patch:
                patch.setattr(module, part, _die)
                with contextlib.suppress(Dead):
                    s.take_in(station)
        s.take_in(station)
        s.same(counted(alive), counted(station))
        assert len(s.open_problems(alive)) == len(s.open_problems(station))


# --- rows that never counted, and problems --------------------------------------------------------
def test_a_row_that_waits_or_was_rejected_goes_and_comes_back_with_its_problem(station):
    s.drop(station, "fills-b.csv", [s.fill(8, unit_id="C9"), s.fill(9, ambient_c="warm")], 5)
    s.take_in(station)
    s.drop(station, "withdrawals.csv", [says("fills", "F8"), says("fills", "F9")], 10)
    s.take_in(station)
    assert s.open_problems(station).empty
    s.drop(station, "cylinders-b.csv", [s.CYLINDERS[0] | {"cylinder_id": "C9"}], 20)
    s.take_in(station)
    assert not {"F8", "F9"} & ids(station, "fills", "fill_id")
    s.drop(station, "withdrawals-2.csv", [says("withdrawals", f"fills:F{n}", 11) for n in (8, 9)], 30)
    s.take_in(station)
    assert "F8" in ids(station, "fills", "fill_id")
    assert list(s.open_problems(station)["rule"]) == ["not_a_number"]


def test_a_dismissed_problem_is_open_no_more_and_survives_a_rebuild(station):
    def listed() -> dict[str, tuple]:
        rows = s.ask(station, "SELECT rule, dismissed_by FROM rejects WHERE resolved_at IS NULL")
        return {rule: None if by != by else by for rule, by in rows.itertuples(index=False)}

    s.drop(station, "fills-b.csv", [s.fill(8, unit_id="C9"), s.fill(9, ambient_c="warm")], 5)
    s.take_in(station)
    number = s.open_problems(station).set_index("rule").loc["not_a_number", "problem_id"]
    s.drop(station, "withdrawals.csv", [says("problems", number)], 10)
    s.take_in(station)
    assert listed() == {"not_a_number": "Jon", "unknown_reference": None}
    rebuild(station)
    assert listed() == {"not_a_number": "Jon", "unknown_reference": None}
    s.drop(station, "withdrawals-2.csv", [says("withdrawals", f"problems:{number}", 11)], 20)
    s.take_in(station)
    assert set(listed().values()) == {None}


# --- a rebuild ------------------------------------------------------------------------------------
def rebuild(station) -> None:
    """Read everything again from inbox and archive into a new warehouse, and compute nothing."""
    prepare(station, clock.now())
    with contextlib.closing(Warehouse(station.warehouse)) as new:
        settle_mark(station, new, made_anew=True)
    s.take_in(station)


def test_a_rebuild_withdraws_the_same(station):
    s.drop(station, "fills-b.csv", [s.fill(5, stop_pressure_bar="225")], 5)
    s.drop(station, "withdrawals.csv", [says("fills", "F5"), says("dives", "M1 · D2"), says("cylinders", "C1")], 10)
    s.take_in(station)
    rows, problems = counted(station), s.open_problems(station)
    rebuild(station)
    s.same(rows, counted(station))
    assert set(problems["problem_id"]) == set(s.open_problems(station)["problem_id"])
    assert states(station, "fills", "F5") == ["withdrawn"] * 2


def test_a_place_names_its_last_content_that_stands_and_if_none_does_the_last():
    three = pd.DataFrame({"file_sha256": ["1", "2", "3"], "outcome": ["accepted", "accepted", "withdrawn"]})
    assert meant._last(three) == "2"
    assert meant._last(three.assign(outcome="withdrawn")) == meant._last(three.assign(outcome="accepted")) == "3"
