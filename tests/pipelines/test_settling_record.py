"""Predictions see nothing that became known later; what each fill is believed to hold is as sure as it says."""

import numpy as np
import pandas as pd
import pytest
from fill_frames import CYLINDER, FILL, built, inputs, one
from fill_station_sim import simulate

from pipelines.derive.fills import step
from pipelines.derive.fills.history import settling_record
from pipelines.derive.fills.step import build_fills
from pipelines.derive.units import build_units
from schemas.policy import Policy

TODAY = pd.Timestamp("2031-12-31")
READ = {"settled_pressure_bar": 204.03, "settled_c": 15.0, "settled_at": "2031-06-02T10:00:00Z"}
SETTLED = ["settled_pressure_bar", "settled_c", "settled_at"]


def tables(station, fills, log=(), water=None):
    rows = {"fills": fills, "cylinders": station.cylinders, "gauges": station.gauges, "sources": station.sources}
    given = inputs(**{k: v.to_dict("records") for k, v in rows.items()}, compressor_log=list(log))
    return build_fills(given, build_units(given, TODAY)["units"], Policy(), TODAY, water)


@pytest.fixture(scope="module")
def station():
    """A season with minutes missing here and there, and a gauge whose step nobody stated."""
    made = simulate(77, 140, settled_share=0.7, steps=60, wall_share=0.3)
    made.fills.loc[::5, "fill_minutes"] = np.nan
    made.gauges["step_bar"] = np.nan
    return made


def logged(compressor, days, rise):
    """A compressor's log of outlet temperatures."""
    at = pd.Timestamp("2031-03-01", tz="UTC")
    return [
        {"compressor_id": compressor, "read_at": (at + pd.Timedelta(days=d)).isoformat(), "hours": 100.0 + d,
         "event": "reading", "ambient_c": 18.0, "outlet_c": 18.0 + rise}
        for d in days
    ]  # fmt: skip


def test_the_record_of_a_first_import_sees_nothing_that_became_known_later(station):
    """A history brought in whole gives the predictions that the same history up to a day gives."""
    day = station.fills["filled_at"].iloc[80]
    early = station.fills[station.fills["filled_at"] <= day].copy()
    later = early["settled_at"] > day
    early.loc[later, SETTLED] = [np.nan, np.nan, pd.NaT]
    compressor = station.sources["source_id"].iloc[0]
    then, after = logged(compressor, range(0, 60, 10), 9.0), logged(compressor, range(150, 220, 5), 25.0)
    water = pd.DataFrame(
        {"fill_id": station.fills["fill_id"][60:], "pressure_bar": station.true_bar_15c[60:] - 14.0, "water_c": 8.0,
         "minutes": 40.0, "sd_bar": 0.8, "member_id": "m"}
    )  # fmt: skip
    part = tables(station, early, log=then)["settling_check"].set_index("fill_id")
    whole = tables(station, station.fills, log=[*then, *after], water=water)["settling_check"].set_index("fill_id")
    assert len(part) > 40
    for name in ("settled_fills_before", "predicted_bar", "predicted_low_bar", "predicted_high_bar", "measured_bar"):
        np.testing.assert_allclose(whole.loc[part.index, name].astype(float), part[name].astype(float), atol=1e-6)


def test_what_dives_tell_of_fills_reaches_the_belief_but_not_the_record(station):
    bare = station.fills.assign(**dict.fromkeys(SETTLED[:2], np.nan), settled_at=pd.NaT)
    water = pd.DataFrame(
        {"fill_id": bare["fill_id"], "pressure_bar": station.true_bar_15c - 10.0, "water_c": 6.0, "minutes": 40.0,
         "sd_bar": 0.8, "member_id": [f"m{i % 4}" for i in range(len(bare))]}
    )  # fmt: skip
    without, with_water = tables(station, bare)["fill_quality"], tables(station, bare, water=water)["fill_quality"]
    width = [(q["settled_high_bar_15c"] - q["settled_low_bar_15c"]).median() for q in (without, with_water)]
    assert width[1] < 0.8 * width[0]


def test_fills_prepared_before_their_readings_in_the_water_come_out_as_if_with_them(station, monkeypatch):
    monkeypatch.setattr(step, "MANY_FILLS", 1)
    fills, true = station.fills[:60], station.true_bar_15c
    rows = {"fills": fills, "cylinders": station.cylinders, "sources": station.sources}
    given = inputs(**{k: v.to_dict("records") for k, v in rows.items()})
    units, began = build_units(given, TODAY)["units"], pd.Timestamp("2031-05-10T00:00Z")
    water, other = (
        pd.DataFrame({"fill_id": fills["fill_id"][at], "pressure_bar": true[at] - less,
                      "water_c": 8.0, "minutes": 40.0, "sd_bar": 0.8, "member_id": "m"})
        for at, less in ((slice(20, 60), 12.0), (slice(0, 40), 9.0))
    )  # fmt: skip

    def made(prepared):
        return step.build_fills_today(prepared, given, Policy()) | step.build_fills_then(prepared, Policy())

    with_them = made(step.prepare_fills(given, units, Policy(), water, began))
    before = step.prepare_fills(given, units, Policy(), other, began)
    unlike = made(before)["fill_quality"]["settled_pressure_bar_15c"]
    again = made(step.read_in_water(before, water, Policy()))
    for name, table in with_them.items():
        pd.testing.assert_frame_equal(again[name], table, obj=name, check_exact=True)
    assert not np.allclose(unlike, with_them["fill_quality"]["settled_pressure_bar_15c"], equal_nan=True)


def test_a_stated_offset_counts_from_the_day_of_the_check():
    fills = [
        FILL | {"fill_id": f"f{i}", "filled_at": f"2031-05-{i + 1:02d}T10:00:00Z", "settled_pressure_bar": 203.0,
                "settled_c": 15.0, "settled_at": f"2031-05-{i + 1:02d}T22:00:00Z"}
        for i in range(10)
    ]  # fmt: skip
    gauge = {"gauge_id": "panel", "accuracy_class": 1.6, "span_bar": 400.0}
    plain = built(fills=fills, gauges=[gauge])["settling_check"].set_index("fill_id")["predicted_bar"]
    stated = gauge | {"offset_bar": 6.0, "checked_on": "2031-05-06"}
    known = built(fills=fills, gauges=[stated])["settling_check"].set_index("fill_id")["predicted_bar"]
    np.testing.assert_array_equal(known[:5], plain[:5])
    assert abs(known["f5"] - plain["f5"]) > 0.1
    from_the_first = built(fills=fills, gauges=[gauge | {"offset_bar": 6.0}])["settling_check"]
    assert abs(from_the_first["predicted_bar"].iloc[0] - plain.iloc[0]) > 3.0


def test_a_cylinder_that_comes_back_unused_tells_of_its_last_fill():
    """Start pressure of the next fill on the same gauge: the gauge's offset cancels, the gas's warmth shows."""
    again = {"fill_id": "f2", "filled_at": "2031-06-03T10:00:00Z", "start_pressure_bar": 207.0, "fill_minutes": 2.0}
    fill = FILL | {"analysed_o2_pct": 20.9}  # what was inside is another question
    back = fill | again
    first = built(fills=[fill, back])["fill_quality"].set_index("fill_id").loc["f1"]
    used = built(fills=[fill, back | {"start_pressure_bar": 60.0}])["fill_quality"].set_index("fill_id").loc["f1"]
    alone = built(fills=[fill])["fill_quality"].iloc[0]
    width = [r["settled_high_bar_15c"] - r["settled_low_bar_15c"] for r in (first, used, alone)]
    assert width[0] < width[1] == pytest.approx(width[2], abs=1e-6)
    assert used["settled_pressure_bar_15c"] == pytest.approx(alone["settled_pressure_bar_15c"], abs=1e-6)
    assert first["settled_pressure_bar_15c"] > alone["settled_pressure_bar_15c"] + 1.0  # it was less warm than thought
    dive = {"member_id": "M", "dive_id": "D", "started_at": "2031-06-02T10:00:00Z"}
    tank = {"member_id": "M", "dive_id": "D", "tank_no": 1, "unit_id": "S1", "role": "back"}
    dived = built(fills=[fill, back], dives=[dive], dive_tanks=[tank])["fill_quality"].set_index("fill_id").loc["f1"]
    assert dived["settled_pressure_bar_15c"] == pytest.approx(alone["settled_pressure_bar_15c"], abs=1e-6)


def test_a_stamped_capacity_is_not_exact():
    """Pressure known to a bar, capacity to 0.4 % (a judgement: no tolerance is published): content to both together."""
    row = one(**READ)
    width = (row["real_high_free_l"] - row["real_low_free_l"]) / row["real_free_l"]
    pressure = (row["settled_high_bar_15c"] - row["settled_low_bar_15c"]) / row["settled_pressure_bar_15c"]
    assert width > 2 * 1.2816 * 0.004
    assert width**2 > pressure**2 * 0.7 + (2 * 1.2816 * 0.004) ** 2


def test_two_stamps_of_a_set_err_apart():
    pair = [
        CYLINDER | {"cylinder_id": f"T-{side}", "set_id": "T", "set_position": side, "set_kind": "manifolded"}
        for side in ("left", "right")
    ]
    units = build_units(inputs(cylinders=pair), TODAY)["units"].set_index("unit_id")
    assert units.loc["T", "capacity_sd_pct"] == pytest.approx(0.4 / np.sqrt(2))


def test_the_table_of_the_record_counts_what_was_published():
    check = pd.DataFrame(
        {
            "fill_id": [f"f{i:02d}" for i in range(60)],
            "settled_fills_before": range(60),
            "predicted_bar": 205.0,
            "predicted_low_bar": 203.0,
            "predicted_high_bar": 207.0,
            "measured_bar": [204.0] * 30 + [202.0] * 30,
        }
    )
    fills = pd.DataFrame(
        {"fill_id": check["fill_id"], "station_id": "quay",
         "filled_at": pd.date_range("2031-01-01", periods=60, tz="UTC")}
    )  # fmt: skip
    corrections = pd.DataFrame({"station_id": ["quay"], "shift_bar": [-1.5], "widening": [1.3]})
    row = settling_record(check, fills, corrections).iloc[0]
    assert (row["answers"], row["answers_inside"]) == (60, 30)
    assert row["too_narrow"] and row["biased"] and row["predicted_off_bar"] == pytest.approx(2.0)
    assert (row["shift_bar"], row["widening"]) == (-1.5, 1.3)
    few = settling_record(check.iloc[:5], fills, corrections).iloc[0]
    assert not few["too_narrow"] and not few["biased"]


def test_gas_temperature_is_freed_of_a_gauge_offset_once_that_is_known():
    made = simulate(31, 120, settled_share=1.0, steps=60)
    rows = tables(made, made.fills)["fill_quality"].set_index("fill_id").loc[made.fills["fill_id"]]
    assert np.median(np.abs(rows["gas_c"].to_numpy() - made.true_gas_c)) < 1.6


def test_what_dives_take_a_fill_for_is_moved_by_no_later_fill_and_no_dive(station):
    """What is published of the same fills moves, or nothing would have been learned."""
    day = station.fills["filled_at"].iloc[115]
    early = station.fills[station.fills["filled_at"] <= day].copy()
    own = (early["settled_at"] > day) | early.groupby("unit_id")["filled_at"].shift(-1).isna()
    water = pd.DataFrame(
        {"fill_id": station.fills["fill_id"], "pressure_bar": station.true_bar_15c - 14.0, "water_c": 8.0,
         "minutes": 40.0, "sd_bar": 0.8, "member_id": "m"}
    )  # fmt: skip
    old = early.loc[~own, "fill_id"]
    part, whole = tables(station, early), tables(station, station.fills, water=water)

    def of_old(made, table, *names):
        return made[table].set_index("fill_id").loc[old, list(names)].to_numpy(float)

    names = ("settled_pressure_bar_15c", "settled_low_bar_15c", "settled_high_bar_15c", "gas_c", "gas_and_wall_c")
    np.testing.assert_allclose(
        of_old(whole, "fills_before_dives", *names), of_old(part, "fills_before_dives", *names), atol=1e-6
    )
    moved = [of_old(made, "fill_quality", names[0]) for made in (part, whole)]
    assert len(old) > 80 and np.median(np.abs(moved[1] - moved[0])) > 0.01
    true = station.true_bar_15c[: len(early)][~own.to_numpy()]
    assert np.median(np.abs(of_old(part, "fills_before_dives", names[0])[:, 0] - true)) < 1.5
