"""A row that breaks a step is set aside by name and the run goes on; no declared bound breaks one."""

import itertools
from dataclasses import replace

import pandas as pd
import pytest
import small_station as s

from pipelines.refresh import culprits, dives, fills, fleet, order
from schemas.sources import SOURCES


def _breaking(monkeypatch, module, name: str, breaks) -> None:
    """Let a step break on some rows."""
    step = getattr(module, name)

    def build(given):
        if breaks(given):
            raise OverflowError("Python int too large to convert to C long")
        return step.build(given)

    broken = replace(step, build=build)
    monkeypatch.setattr(module, name, broken)
    monkeypatch.setattr(order, "STEPS", tuple(broken if x.name == step.name else x for x in order.STEPS))


def _rejected(station) -> list[tuple]:
    rows = s.open_problems(station)
    return list(rows[["source", "file", "row_number", "rule"]].itertuples(index=False, name=None))


@pytest.mark.steps_as_they_are
def test_a_fill_that_breaks_a_step_is_set_aside_and_the_others_are_published(tmp_path, monkeypatch):
    station = s.stocked(tmp_path)
    s.drop(station, "fills-odd.csv", [s.fill(9), s.fill(10, ambient_c="31.5"), s.fill(11)], 5)
    _breaking(monkeypatch, fills, "FILLS", lambda g: (g["fills"]["ambient_c"] == 31.5).any())
    result = s.run(station)
    assert result.published
    assert _rejected(station) == [("fills", "fills-odd.csv", 2, "breaks_a_step")]
    assert set(s.published(station)["fill_quality"]["fill_id"]) == {f"F{n}" for n in (*range(1, 8), 9, 11)}
    files = s.files(station)
    assert (files["rows_read"] == files["rows_accepted"] + files["rows_rejected"]).all()
    assert files.loc["fills-odd.csv", "rows_rejected"] == 1
    assert not s.run(station).published


@pytest.mark.steps_as_they_are
def test_the_row_it_had_corrected_counts_again(tmp_path, monkeypatch):
    station = s.stocked(tmp_path)
    s.drop(station, "fills-odd.csv", [s.fill(3, ambient_c="31.5")], 5)
    _breaking(monkeypatch, fills, "FILLS", lambda g: (g["fills"]["ambient_c"] == 31.5).any())
    s.run(station)
    assert s.stored(station)["fills"].set_index("fill_id").loc["F3", "ambient_c"] == 18


@pytest.mark.steps_as_they_are
def test_a_dive_that_breaks_its_members_step_is_set_aside(tmp_path, monkeypatch):
    station = s.stocked(tmp_path)
    s.drop(station, "dives-odd.csv", [s.dive(9, water_c="3.25")], 5)
    _breaking(monkeypatch, dives, "LESSONS", lambda g: (g["dives"]["water_c"] == 3.25).any())
    assert s.run(station).published
    assert ("dives", "dives-odd.csv", 1, "breaks_a_step") in _rejected(station)
    assert "D9" not in set(s.published(station)["dive_consumption"]["dive_id"])


@pytest.mark.steps_as_they_are
def test_a_step_that_breaks_on_no_row_in_particular_still_raises_its_error(tmp_path, monkeypatch):
    station = s.stocked(tmp_path)
    _breaking(monkeypatch, fleet, "PLAN", lambda g: True)
    with pytest.raises(OverflowError):
        s.run(station)
    assert _rejected(station) == []


def test_a_station_with_dives_and_no_fill_yet_is_computed(tmp_path):
    station = s.stocked(tmp_path)
    (station.inbox / "fills.csv").unlink()
    s.run(station)
    assert len(s.published(station)["dive_consumption"]) == 5


@pytest.mark.parametrize(
    ("bad", "expected"),
    [({7}, {7}), ({0}, {0}), ({99}, {99}), ({3, 50}, {3, 50}), (set(range(10, 18)), set(range(10, 18)))],
)
def test_the_rows_without_which_it_runs_are_found(bad, expected):
    found = culprits._without_which(lambda kept: not bad & set(kept), 100)
    assert set(found) == expected


def test_of_two_rows_that_break_together_one_is_enough():
    assert len(culprits._without_which(lambda kept: not {20, 60} <= set(kept), 100)) == 1


def test_an_error_of_all_rows_is_blamed_on_none():
    assert culprits._without_which(lambda kept: not kept, 100) is None


# --- bounds -----------------------------------------------------------------------------------
def _edges(source: str, plain: dict[str, str], leave: tuple[str, ...] = ()) -> list[dict[str, str]]:
    """Rows in which every two numbers of a source stand at their bounds, all four ways."""
    numbers = [f for f in SOURCES[source].fields.values() if f.kind in ("float", "int") and f.name not in leave]
    ends = {f.name: [str(e) for e in (f.low, f.high) if e is not None] for f in numbers}
    made = []
    for one, other in itertools.combinations(ends, 2):
        for a, b in itertools.product(ends[one], ends[other]):
            made.append(plain | {one: a, other: b})
    return made


def test_every_two_bounds_of_a_fill_can_be_computed_together(tmp_path):
    """Among them a rise of nothing in the longest time, followed by fills without minutes."""
    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    rows = []
    for n, row in enumerate(_edges("fills", s.fill(1, settled_at="2026-03-31 20:00"))):
        at = pd.Timestamp("2026-01-01") + pd.Timedelta(hours=3 * n)
        rows.append(row | {"fill_id": f"E{n}", "filled_at": f"{at:%Y-%m-%d %H:%M}", "unit_id": f"C{1 + n % 2}"})
        if n % 7 == 0:
            rows.append(s.fill(1, fill_id=f"P{n}", filled_at=f"{at + pd.Timedelta(hours=1):%Y-%m-%d %H:%M}"))
    rows.append(s.fill(2, fill_id="X1", start_pressure_bar="50", stop_pressure_bar="50.00001", fill_minutes="600"))
    rows.append(s.fill(3, fill_id="X2"))
    s.drop(station, "fills.csv", rows)
    assert s.run(station).intake.rows_accepted > 300
    assert "breaks_a_step" not in set(s.open_problems(station)["rule"])


def test_every_two_bounds_of_a_cylinder_can_be_computed_together(tmp_path):
    station = s.make(tmp_path)
    rows = [row | {"cylinder_id": f"E{n}"} for n, row in enumerate(_edges("cylinders", s.CYLINDERS[0]))]
    s.drop(station, "cylinders.csv", rows)
    s.drop(station, "fills.csv", [s.fill(1, fill_id=f"F{n}", unit_id=f"E{n}") for n in range(len(rows))])
    s.run(station)
    assert len(s.published(station)["cylinder_health"]) > 20
    assert "breaks_a_step" not in set(s.open_problems(station)["rule"])


def test_every_two_bounds_of_a_dive_and_its_tank_can_be_computed_together(tmp_path):
    station = s.make(tmp_path)
    s.drop(station, "members.csv", s.MEMBERS)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    plain = s.dive(1, duration_min="40", mean_depth_m="10", max_depth_m="20")
    tank = s.tank(1, water_capacity_l="12", unit_id="")
    both = [(d, tank) for d in _edges("dives", plain)]
    both += [(plain, t) for t in _edges("dive_tanks", tank, leave=("tank_no",))]
    dived, tanks = [], []
    for n, (dive, held) in enumerate(both):
        at = pd.Timestamp("2025-06-01") + pd.Timedelta(days=n)
        own = {"dive_id": f"E{n}", "member_id": f"M{1 + n % 2}"}
        dived.append(dive | own | {"started_at": f"{at:%Y-%m-%d} 10:00"})
        tanks.append(held | own)
    s.drop(station, "dives.csv", dived)
    s.drop(station, "dive_tanks.csv", tanks)
    s.run(station)
    assert len(s.published(station)["dive_consumption"]) > 100
    assert "breaks_a_step" not in set(s.open_problems(station)["rule"])
