"""Two settled readings of one fill that cannot both be right are said, not taken in silence."""

import pandas as pd
import pytest
import small_station as s
from test_afterwards import at, frame

from pipelines.derive.readings_apart import APART, uses, with_readings_apart
from schemas.settled_twice import allowed_bar, at_15_c
from schemas.snapshot import read_manifest, read_table

FILL = {"fill_id": "F1", "unit_id": "C1", "filled_at": at(8), "target_o2_pct": 20.95, "target_he_pct": 0.0}
NOTHING = {"dive_id": "-", "member_id": "-", "started_at": at(1)}


def flagged(*readings, fill=FILL, dives=(NOTHING,), tanks=(), gauges=(), hours=4.0):
    fills, read = frame("fills", fill), frame("fill_readings", *readings)
    used = uses(fills, frame("dive_tanks", *(tanks or ({"dive_id": "x", "member_id": "x"},))), frame("dives", *dives),
                frame("cylinders", {"cylinder_id": "C1L", "set_id": "C1"}))  # fmt: skip
    known = frame("gauges", *(gauges or ({"gauge_id": "none"},)))
    made = with_readings_apart(fills, fills, read, lambda: used, known, 0.5, hours)
    return APART in made["value_flags"].iloc[0]


def reading(hour, bar, c=15.0, day=20, **more):
    return {"fill_id": "F1", "read_at": at(hour, day), "settled_pressure_bar": bar, "settled_c": c} | more


@pytest.mark.parametrize(
    "second, apart",
    [
        (reading(18, 220.0), False),
        (reading(18, 222.5), False),  # thermometers: 3 K of 220 bar are 2.8 bar
        (reading(18, 226.0), True),
        (reading(18, 202.0), True),
        (reading(18, 231.0, 25.0), False),  # warmer by 10 K: 9.4 bar more are what is due
        (reading(18, 220.0, 25.0), True),
        (reading(18, 202.0, None), False),  # without its temperature it says nothing
        (reading(10, 202.0), False),  # before it had cooled
    ],
)
def test_readings_that_cannot_both_be_right(second, apart):
    assert flagged(reading(14, 220.0), second) is apart
    assert flagged(second, reading(14, 220.0)) is apart


def test_the_logs_own_reading_counts_and_a_third_that_agrees_with_the_second_answers():
    own = FILL | {"settled_pressure_bar": 27.0, "settled_c": 15.0, "settled_at": at(14)}
    assert flagged(reading(15, 220.0), fill=own)
    assert not flagged(reading(15, 220.0), reading(16, 220.5), fill=own)


@pytest.mark.parametrize("own_at", [at(16), None])
def test_the_logs_own_reading_is_compared_also_where_its_time_is_not_known(own_at):
    own = FILL | {"settled_pressure_bar": 206.0, "settled_c": 11.0, "settled_at": own_at}
    assert flagged(reading(18, 196.0, 11.0), fill=own) and not flagged(reading(18, 205.0, 11.0), fill=own)


def test_gas_that_was_taken_in_between_explains_it():
    dive = {"dive_id": "D1", "member_id": "M1", "started_at": at(16)}
    for unit in ("C1", "C1L"):
        tank = {"dive_id": "D1", "member_id": "M1", "tank_no": 1, "unit_id": unit}
        assert not flagged(reading(14, 220.0), reading(18, 60.0), dives=(dive,), tanks=(tank,))
    other = {"dive_id": "D1", "member_id": "M1", "tank_no": 1, "unit_id": "C2"}
    assert flagged(reading(14, 220.0), reading(18, 60.0), dives=(dive,), tanks=(other,))


def test_two_gauges_may_differ_by_what_both_are_allowed():
    a, b = ({"gauge_id": g, "accuracy_class": 1.6, "span_bar": 400.0, "step_bar": 1.0} for g in "AB")
    first, second = reading(14, 220.0, settled_gauge_id="A"), reading(18, 231.0, settled_gauge_id="B")
    assert not flagged(first, second, gauges=(a, b))  # 6.4 bar each
    assert flagged(first, second | {"settled_gauge_id": "A"}, gauges=(a, b))
    fine = b | {"accuracy_class": 0.25}
    assert flagged(first, second | {"settled_pressure_bar": 234.0}, gauges=(a, fine))


def test_what_a_gauge_reads_cold_is_brought_to_15_degrees():
    """300 bar at 45 °C is 258.6 bar at 15 °C: GERG-2008, as checked in tests/published."""
    assert at_15_c(300.0, 45.0) == pytest.approx(258.6, abs=0.1) and pd.isna(at_15_c(300.0, float("nan")))
    assert allowed_bar(220.0, 1.0, 1.0, 20.0) - allowed_bar(220.0, 0.0, 0.0) == pytest.approx(3.0)


def test_readings_of_many_fills_that_interleave_are_each_compared_with_their_own():
    fills = frame("fills", FILL, FILL | {"fill_id": "F2", "unit_id": "C2"}, FILL | {"fill_id": "F3", "unit_id": "C3"})
    logged = fills.assign(settled_pressure_bar=[None, None, 206.0], settled_c=11.0, settled_at=at(17))
    read = frame("fill_readings", *(
        reading(hour, bar, 11.0) | {"fill_id": fill}
        for fill, hour, bar in (("F1", 14, 206.0), ("F2", 15, 150.0), ("F2", 16, 150.5), ("F1", 18, 205.5),
                                ("F3", 19, 196.0))
    ))  # fmt: skip
    used = pd.DataFrame({"unit_id": ["-"], "at": [at(1)]})
    gauges = frame("gauges", {"gauge_id": "none"})
    made = with_readings_apart(
        fills, logged.astype({"settled_pressure_bar": "Float64"}), read, lambda: used, gauges, 0.5, 4.0
    )
    assert [APART in (flags or []) for flags in made["value_flags"]] == [False, False, True]


def _reading(day, bar):
    return {"fill_id": "F1", "read_at": f"2026-03-0{day} 09:00", "settled_pressure_bar": bar, "settled_c": "15"}


def test_the_fill_says_that_its_readings_lie_apart_until_a_third_agrees(tmp_path):
    station = s.make(tmp_path / "station")
    for name, rows in {"members.csv": s.MEMBERS, "cylinders.csv": s.CYLINDERS, "fills.csv": [s.fill(1)]}.items():
        s.drop(station, name, rows)
    said = []
    for day, bar in ((2, "205"), (3, "214"), (4, "213.5")):
        s.drop(station, f"fill_readings-{day}.csv", [_reading(day, bar)])
        s.run(station)
        row = read_table(station.published, read_manifest(station.published), "fill_quality").iloc[0]
        said.append("settled_readings_apart" in row["reasons"])
    assert said == [False, True, False]
