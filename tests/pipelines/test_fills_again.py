"""At a station of many fills what a day brings changes the fills it is about, and comes out as a run from nothing."""

import contextlib
import shutil

import pandas as pd
import pytest
import small_station as s

from pipelines.derive.fills import step
from pipelines.publish import by_year
from pipelines.refresh import fills_again, order
from pipelines.station.settings import Station, load_station

TODAY = "2026-03-10"
READ = {"settled_pressure_bar": "206", "settled_c": "18"}


@pytest.fixture(scope="module", autouse=True)
def many():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(step, "MANY_FILLS", 1)
        patch.setattr(by_year, "MANY_ROWS", 2)
        yield


@pytest.fixture(scope="module")
def computed(tmp_path_factory):
    made = s.stocked(tmp_path_factory.mktemp("quay") / "quay", today=TODAY)
    read = {4: "2026-03-05 08:00", 5: "2026-03-06 08:00"}
    s.drop(made, "fills.csv", [s.fill(n, **(READ | {"settled_at": read[n]} if n in read else {})) for n in range(1, 8)])
    s.run(made)
    return made.folder


@pytest.fixture
def station(tmp_path, computed) -> Station:
    shutil.copytree(computed, tmp_path / "quay")
    return load_station(tmp_path / "quay")


class _Decided(Exception):
    pass


def _run(station: Station, to_its_end: bool = True) -> bool:
    """A run; whether it judged again what changed, and no more. Where that alone is asked it ends there."""
    found = []

    def judged(*given):
        found.append(fills_again.judge_again(*given))
        if not to_its_end:
            raise _Decided
        return found[-1]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(order, "judge_again", judged)
        with contextlib.nullcontext() if to_its_end else pytest.raises(_Decided):
            s.run(station)
    return found[-1] is not None


def _as_from_nothing(station: Station) -> None:
    other = s.make(station.folder.parent / "other", today=TODAY)
    shutil.copytree(station.inbox, other.inbox, dirs_exist_ok=True)
    s.run(other)
    there, anew = s.published(station), s.published(other)
    # what was said first of a fill stays; there its reading was not known yet
    first = ["handed_over_verdict", "handed_over_settled_bar_15c"]
    for tables in (there, anew):
        tables["fill_quality"] = tables["fill_quality"].drop(columns=first)
    assert there.keys() == anew.keys()
    for name, frame in there.items():
        pd.testing.assert_frame_equal(frame, anew[name], rtol=1e-9, atol=1e-9, obj=name)


def test_what_a_day_brings_comes_out_as_from_nothing(station):
    s.drop(station, "fills-10.csv", [s.fill(10), s.fill(7, fill_id="F7b", filled_at="2026-03-10 11:00")], 10)
    assert _run(station), "two stops"
    s.drop(station, "fills-10b.csv", [s.fill(10, stop_pressure_bar="221")], 20)
    assert _run(station), "a stop that was mistyped"
    s.drop(station, "fills-7.csv", [s.fill(7, **READ, settled_at="2026-03-10 09:00")], 30)
    assert _run(station), "a reading today of an earlier fill"
    s.drop(
        station,
        "releases.csv",
        [{"fill_id": "F10", "released_at": "2026-03-10 12:00", "released_by": "M1", "reason": "seen"}],
        40,
    )
    assert _run(station), "a release"
    quality = s.published(station)["fill_quality"].set_index("fill_id")
    assert quality.loc["F10", "stop_pressure_bar"] == 221.0
    assert quality.loc["F7", "gas_c_basis"] == "settled"
    _as_from_nothing(station)


#: what reaches farther than the cylinders of the day's fills
FARTHER = {
    "a fill of an earlier day": ("fills-9.csv", [s.fill(9)]),
    "an analysis of an earlier fill": ("fills-7.csv", [s.fill(7, analysed_o2_pct="20.9")]),
    "a reading that was there by then": ("fills-7.csv", [s.fill(7, **READ, settled_at="2026-03-08 09:00")]),
    "a fill that is moved to today": ("fills-7.csv", [s.fill(7, filled_at="2026-03-10 09:00")]),
    "a source that has not filled here": ("fills-11.csv", [s.fill(11, filled_at="2026-03-10 12:00", source_id="K9")]),
    "another unit": ("fills-10.csv", [s.fill(10, unit_id="C3")]),
    "a cylinder": ("cylinders.csv", [{**row, "working_pressure_bar": "230"} for row in s.CYLINDERS]),
    "a dive of an earlier day": ("dive_tanks-9.csv", [s.tank(9)]),
    "an earlier dive, corrected": ("dives-8.csv", [s.dive(8, water_c="8")]),
    "a dive of today that was yesterday": ("dives-10.csv", [s.dive(10, started_at="2026-03-09 14:00")]),
    "a row that was not taken": ("fills-8.csv", [s.fill(8, stop_pressure_bar="what")]),
}


@pytest.fixture(scope="module")
def with_one_of_today(tmp_path_factory, computed):
    folder = tmp_path_factory.mktemp("with") / "quay"
    shutil.copytree(computed, folder)
    made = load_station(folder)
    s.drop(made, "fills-10.csv", [s.fill(10)], 10)
    for name, rows in (("dives", [s.dive(9), s.dive(10)]), ("dive_tanks", [s.tank(10)])):
        s.drop(made, f"{name}-10.csv", rows, 10)
    s.run(made)
    return folder


@pytest.mark.parametrize("news", sorted(FARTHER))
def test_what_reaches_farther_is_left_to_a_whole_judgement(tmp_path, with_one_of_today, news):
    shutil.copytree(with_one_of_today, tmp_path / "quay")
    station = load_station(tmp_path / "quay")
    file, rows = FARTHER[news]
    s.drop(station, file, rows, 20)
    assert not _run(station, to_its_end=False)


def test_a_day_later_all_is_judged_by_what_the_day_taught(tmp_path, with_one_of_today):
    shutil.copytree(with_one_of_today, tmp_path / "quay")
    assert not _run(_tomorrow(load_station(tmp_path / "quay")))


def _drop_dive(station: Station, minutes: float, **more: str) -> None:
    """A dive of today with the unit of F7, colder than those before, whose transmitter speaks of the fill."""
    parts = {"dives": [s.dive(10, water_c="4")], "dive_tanks": [s.tank(10, **more)]}
    for name, rows in (parts | {"dive_samples": s.samples(10, minutes=45)}).items():
        s.drop(station, f"{name}-10.csv", rows, minutes)


def _tomorrow(station: Station) -> Station:
    path = station.folder / "station.toml"
    path.write_text(path.read_text(encoding="utf-8").replace(TODAY, "2026-03-11"), encoding="utf-8")
    return load_station(station.folder)


def test_a_dive_of_today_moves_the_fills_of_its_cylinders_today_and_teaches_tomorrow(station):
    first = s.published(station)["fill_quality"].set_index("fill_id")
    _drop_dive(station, 10)
    assert _run(station)
    quality = s.published(station)["fill_quality"].set_index("fill_id")
    by_dive = quality.loc["F7", "settled_pressure_bar_15c"] - first.loc["F7", "settled_pressure_bar_15c"]
    assert by_dive > 0.5, "what its transmitter read speaks of the fill at once"
    settled = quality["settled_pressure_bar_15c"]
    pd.testing.assert_series_equal(settled.drop("F7"), first["settled_pressure_bar_15c"].drop("F7"))
    _as_from_nothing(station)
    later = _tomorrow(station)
    s.run(later)
    taught = s.published(later)["fill_quality"].set_index("fill_id")["settled_pressure_bar_15c"]
    assert (taught.drop("F7") - settled.drop("F7")).abs().max() > 1e-4


def test_the_water_of_todays_dives_counts_from_tomorrow_on(station):
    rows = [s.dive(10, dive_id=f"D1{n}", water_c="1", started_at=f"2026-03-10 0{n}:00") for n in range(9)]
    s.drop(station, "dives-10.csv", rows, 10)
    s.drop(station, "fills-10.csv", [s.fill(10)], 10)
    assert _run(station)
    assert s.published(station)["fill_quality"].set_index("fill_id").loc["F10", "water_c"] == 9.0
    later = _tomorrow(station)
    s.run(later)
    assert s.published(later)["fill_quality"].set_index("fill_id").loc["F10", "water_c"] == 1.0


def test_a_fill_of_today_knows_the_dives_of_its_cylinders_whenever_these_come_in(station):
    emptied = s.fill(10, fill_id="F10a", unit_id="C2", filled_at="2026-03-10 01:00", start_pressure_bar="0")
    fuller = s.fill(10, unit_id="C2", filled_at="2026-03-10 18:00", start_pressure_bar="180")
    s.drop(station, "fills-10.csv", [emptied, fuller], 10)
    assert _run(station)

    def filled_elsewhere() -> bool:
        return "residue_unknown" in s.published(station)["fill_quality"].set_index("fill_id").loc["F10", "reasons"]

    assert not filled_elsewhere()
    s.drop(station, "dives-10.csv", [s.dive(10, started_at="2026-03-10 08:30", duration_min="30")], 20)
    for minutes, unit, ended, is_so in ((20, "C2", "40", True), (30, "C3", "40", False), (40, "C2", "50", True)):
        s.drop(station, "dive_tanks-10.csv", [s.tank(10, unit_id=unit, end_pressure_bar=ended)], minutes)
        assert _run(station)
        assert filled_elsewhere() == is_so, unit
    _as_from_nothing(station)
    away = {"source": "dives", "key": "M1 · D10", "withdrawn_at": "2026-03-10 20:00", "withdrawn_by": "M1"}
    s.drop(station, "withdrawals.csv", [away | {"reason": "of another day"}], 50)
    assert _run(station)
    assert not filled_elsewhere()


def test_what_was_said_first_of_a_fill_stays_when_it_is_judged_again(station):
    handed_over = ["handed_over_verdict", "handed_over_settled_bar_15c"]
    s.drop(station, "fills-10.csv", [s.fill(10)], 10)
    assert _run(station)
    first = s.published(station)["fill_quality"].set_index("fill_id")
    s.drop(station, "fills-10b.csv", [s.fill(10, stop_pressure_bar="150", analysed_o2_pct="32")], 20)
    assert _run(station)
    now = s.published(station)["fill_quality"].set_index("fill_id")
    assert now.loc["F10", "settled_pressure_bar_15c"] < first.loc["F10", "settled_pressure_bar_15c"] - 50.0
    pd.testing.assert_frame_equal(now[handed_over], first[handed_over])


def _life_and_run(station: Station) -> tuple[pd.DataFrame, dict[str, int]]:
    made = s.run(station).recomputed
    life = s.published(station)["cylinder_life"]
    return life[life["event"].isin(("interval", "unexplained_use"))], made


def test_what_a_cylinder_lost_until_today_counts_when_the_day_has_ended(station):
    s.drop(station, "fills-10.csv", [s.fill(10)], 10)  # filled on the 7th as well, and no dive is known
    lost, made = _life_and_run(station)
    assert "leak fits" not in made, "no reading from before today is new"
    assert "fleet builds" in made
    assert "F10" not in set(lost["fill_id"])
    lost, made = _life_and_run(_tomorrow(station))
    assert made["leak fits"] == 1
    assert "F10" in set(lost["fill_id"])


def test_a_year_of_which_no_fill_can_change_is_left_as_it_is(tmp_path):
    station = s.make(tmp_path / "quay", today=TODAY)
    s.drop(station, "members.csv", s.MEMBERS, 0)
    s.drop(station, "cylinders.csv", [*s.CYLINDERS, {**s.CYLINDERS[0], "cylinder_id": "C4"}], 0)
    fourth = {"F24": "2024-05-04 10:00", "F25a": "2025-06-01 10:00", "F25b": "2025-06-02 10:00"}
    old = [s.fill(1, fill_id=name, unit_id="C4", filled_at=at) for name, at in fourth.items()]
    long_ago = s.fill(2, fill_id="F23", filled_at="2023-02-02 10:00")
    s.drop(station, "fills.csv", [long_ago, *old, *(s.fill(n) for n in range(1, 8))], 0)
    assert not _run(station)
    came_back = s.fill(9, fill_id="F9c", unit_id="C4", filled_at="2026-03-10 11:00")
    s.drop(station, "fills-10.csv", [s.fill(10), came_back], 10)
    assert _run(station)
    folder = station.published / (station.published / "current").read_text().strip()
    for table in ("fill_quality", "fills_judged"):
        written = {path.stem: path.stat().st_nlink == 1 for path in (folder / table).iterdir()}
        assert written == {"2023": False, "2024": False, "2025": True, "2026": True}, table
    quality = s.published(station)["fill_quality"].set_index("fill_id")
    assert set(quality.index[quality["latest_fill"]]) == {"F5", "F6", "F9c", "F10"}
    _as_from_nothing(station)
