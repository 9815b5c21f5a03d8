"""New fills of a large station, judged without all others, come out as they do among all others."""

from functools import cache

import numpy as np
import pandas as pd
import pytest
from fill_frames import CLEAN, COMPATIBLE, CYLINDER, FILL, TODAY, inputs

from pipelines.derive.fills import some, step
from pipelines.derive.units import build_units
from schemas.policy import Policy

POST = CYLINDER | {"valve_pressure_bar": 300.0}
CYLINDERS = [
    CYLINDER,
    *(POST | {"cylinder_id": name} for name in ("L1", "R1", "L2", "R2")),
    CYLINDER | {"cylinder_id": "A1", "material": "aluminium", "water_capacity_l": 11.1, "working_pressure_bar": 207.0},
]
#: one post went from the one set to the other
SETS = [
    {"set_id": "T1", "cylinder_id": "L1", "position": "left", "from_on": "2030-06-01"},
    {"set_id": "T1", "cylinder_id": "R1", "position": "right", "from_on": "2030-06-01", "to_on": "2031-05-20"},
    {"set_id": "T2", "cylinder_id": "L2", "position": "left", "from_on": "2030-06-01"},
    {"set_id": "T2", "cylinder_id": "R1", "position": "right", "from_on": "2031-05-21"},
]
SOURCES = [COMPATIBLE, {"source_id": "rich", "kind": "bank", "o2_pct": 40.0}, {"source_id": "he", "kind": "bank"}]


def _fill(number, day, unit, hour=10, **more):
    row = FILL | {"fill_id": f"f{number:02d}", "unit_id": unit, "filled_at": f"2031-{day}T{hour:02d}:00:00Z"}
    return row | more


def _read(number, day, unit, bar, **more):
    settled = {"settled_pressure_bar": bar, "settled_c": 18.0, "settled_at": f"2031-{day}T23:00:00Z"}
    return _fill(number, day, unit, **settled, **more)


NITROX = {"fill_method": "continuous", "target_o2_pct": 32.0, "analysed_o2_pct": 32.1}
TRIMIX = {"fill_method": "partial_pressure", "target_o2_pct": 21.0, "target_he_pct": 35.0, "source_id": "he"}
FILLS = [
    _read(1, "03-01", "S1", 205.0, analysed_o2_pct=20.9),
    _read(2, "03-02", "T1", 210.0, stop_pressure_bar=240.0, analysed_o2_pct=20.9),
    _fill(3, "03-05", "T2", **TRIMIX, analysed_o2_pct=21.2, analysed_he_pct=34.0),
    _read(4, "04-01", "S1", 206.0, fill_minutes=np.nan),
    _fill(5, "04-03", "A1", stop_pressure_bar=207.0, station_id="hut", gauge_id="second", ambient_c=9.0),
    _read(6, "04-20", "T1", 214.0, stop_pressure_bar=236.0, **NITROX),
    _fill(7, "05-02", "T2", start_pressure_bar=80.0),
    _fill(8, "05-10", "A1", stop_pressure_bar=200.0, station_id="hut", gauge_id="second", fill_minutes=np.nan),
    _read(9, "05-24", "T2", 213.0, start_pressure_bar=60.0, stop_pressure_bar=238.0),
    _fill(10, "06-01", "S1", wall_c=31.0),
]
NEWS = {
    "a stop": [_fill(11, "06-02", "A1", start_pressure_bar=20.0)],
    "no minutes, a new month": [_fill(11, "07-02", "S1", fill_minutes=np.nan, start_pressure_bar=30.0)],
    "the set that got a post with helium": [_fill(11, "06-03", "T2", start_pressure_bar=90.0)],
    "the set that lost it": [_fill(11, "06-03", "T1", start_pressure_bar=90.0)],
    "nitrox that nobody analysed": [_fill(11, "06-02", "S1", **{**NITROX, "analysed_o2_pct": np.nan})],
    "from a bank, at the other station": [_fill(11, "06-02", "A1", station_id="hut", source_id="rich", gauge_id="new")],
    "a second while warm": [_fill(11, "06-02", "S1"), _fill(12, "06-02", "S1", 12, start_pressure_bar=175.0)],
    "no gauge and no source named": [_fill(11, "06-02", "T1", gauge_id=None, source_id=None)],
}


@pytest.fixture(scope="module", autouse=True)
def many():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(step, "MANY_FILLS", 1)
        yield


def _given(fills, **more):
    rows = {"inspections": [CLEAN, *(CLEAN | {"cylinder_id": c["cylinder_id"]} for c in CYLINDERS[1:])]} | more
    tests = [{"compressor_id": "comp", "sampled_on": "2031-04-10", "co_ppm": 60.0, "o2_pct": 20.9}]
    given = inputs(cylinders=CYLINDERS, set_members=SETS, sources=SOURCES, fills=fills, air_tests=tests, **rows)
    return given, build_units(given, TODAY)["units"]


#: what is read from here on teaches nothing yet
BEGAN = pd.Timestamp("2031-06-02T00:00:00Z")


def _all(given, units, began=BEGAN):
    prepared = step.prepare_fills(given, units, Policy(), day_began_at=began)
    return step.build_fills_today(prepared, given, Policy(), TODAY) | step.build_fills_then(prepared, Policy())


@cache
def _learned_from_fills():
    return _all(*_given(FILLS))


def _alone(before, after, news):
    """The fills of some cylinders, as they stand judged and as they were taken for, by what was learned before."""
    last = _learned_from_fills() if before is None else _all(*before)
    given, units = after
    learned, gauges = last["settling_learned"], last["gauge_check"]
    found = some.judge_some(given, units, Policy(), None, learned, gauges, lambda _: news)
    return None if found is None else (found.judged, found.taken_for(last["settling_learned_then"], BEGAN))


def _same(found, whole):
    """Every figure, verdict and reason of these fills is what all fills judged at once give."""
    for alone, table in zip(found, ("fill_quality", "fills_before_dives"), strict=True):
        want = whole[table].set_index("fill_id").loc[alone["fill_id"]]
        alone = alone.set_index("fill_id")
        pd.testing.assert_frame_equal(alone[want.columns], want, rtol=1e-9, atol=1e-9, check_dtype=False)


@pytest.mark.parametrize("news", sorted(NEWS))
def test_a_new_fill_is_judged_alone_as_among_all_and_changes_no_other_cylinder(news):
    """Its start pressure says what the fill before it came back with, and that teaches tomorrow."""
    new = NEWS[news]
    after = _given([*FILLS, *new])
    found, whole = _alone(None, after, {row["fill_id"] for row in new}), _all(*after)
    judged, taken_for = found
    assert set(taken_for["fill_id"]) == {row["fill_id"] for row in new}
    _same(found, whole)
    before, now = (made["fill_quality"].set_index("fill_id") for made in (_learned_from_fills(), whole))
    others = [fill for fill in before.index if fill not in set(judged["fill_id"])]
    assert others, "cylinders that have nothing to do with these are left out"
    pd.testing.assert_frame_equal(now.loc[others], before.loc[others], rtol=1e-9, atol=1e-9)


def test_an_analysis_of_an_old_fill_is_seen_by_the_later_ones_of_its_cylinder():
    before = [*FILLS, _fill(11, "06-02", "S1", source_id="rich", fill_method="banked_mix", target_o2_pct=40.0)]
    later = _fill(12, "06-04", "S1", start_pressure_bar=120.0)
    after = _given([*before[:-1], before[-1] | {"analysed_o2_pct": 36.0}, later])
    _same(_alone(_given([*before, later]), after, {"f11"}), _all(*after))


def test_a_release_is_seen():
    release = {"fill_id": "f10", "released_at": "2031-06-01T12:00:00Z", "released_by": "M1", "reason": "seen"}
    after = _given(FILLS, releases=[release])
    judged, taken_for = _alone(None, after, {"f10"})
    assert judged.set_index("fill_id").loc["f10", "released"]
    assert taken_for.empty, "it was made before the day began"
    _same((judged, taken_for), _all(*after))


def test_a_settled_reading_of_its_own_counts_at_once():
    fills = [_read(n, f"0{3 + n // 28}-{1 + n % 28:02d}", "S1", 205.0 + n % 3) for n in range(60)]
    new = _read(90, "06-02", "S1", 203.5)
    after = _given([*fills, new])
    found, whole = _alone(_given(fills), after, {"f90"}), _all(*after)
    _same(found, whole)
    own, tomorrow = (
        made["fill_quality"].set_index("fill_id").loc["f90"]
        for made in (whole, _all(*after, BEGAN + pd.Timedelta("1D")))
    )
    assert own["gas_c_basis"] == "settled"
    assert abs(own["settled_pressure_bar_15c"] - 206.0) > 0.5, "the reading moves its fill"
    # what it teaches comes with the next day; beside sixty others, two bar off all of them, that is 0.2 bar
    assert 0.0 < abs(own["settled_pressure_bar_15c"] - tomorrow["settled_pressure_bar_15c"]) < 0.3


def test_a_reading_far_off_is_left_out_at_once():
    fills = [_read(n, f"0{3 + n // 28}-{1 + n % 28:02d}", "S1", 205.0 + n % 3) for n in range(60)]
    judged, _ = _alone(_given(fills), _given([*fills, _read(90, "06-02", "S1", 180.0)]), {"f90"})
    assert "settled_reading_doubtful" in judged.set_index("fill_id").loc["f90", "reasons"]


REFUSED = {
    "a station that has learned nothing": [_fill(11, "06-02", "S1", station_id="barge")],
    "a reading on a filling gauge": [_read(11, "06-02", "S1", 205.0, settled_gauge_id="panel")],
    "none of the fills is there": [],
}


@pytest.mark.parametrize("news", sorted(REFUSED))
def test_what_cannot_be_judged_alone_is_left_to_the_whole_run(news):
    assert _alone(None, _given([*FILLS, *REFUSED[news]]), {"f11"}) is None


@pytest.mark.parametrize("also_fills_it", [False, True])
def test_an_old_reading_on_a_filling_gauge_needs_that_gauge_at_hand(also_fills_it):
    at_hut = {"station_id": "hut", "ambient_c": 9.0}
    unit = "A1" if also_fills_it else "S1"
    before = [
        *FILLS,
        _fill(20, "04-05", unit, **at_hut, gauge_id="spare"),
        _read(21, "04-08", "A1", 190.0, **at_hut, gauge_id="second", settled_gauge_id="spare"),
    ]
    after = _given([*before, _fill(30, "06-02", "A1", **at_hut, gauge_id="second")])
    found = _alone(_given(before), after, {"f30"})
    assert (found is not None) == also_fills_it
    if found:
        _same(found, _all(*after))


def test_fills_far_back_are_left_to_the_whole_run(monkeypatch):
    monkeypatch.setattr(some, "MOST_SINCE", 5)
    assert _alone(_given([f for f in FILLS if f["fill_id"] != "f05"]), _given(FILLS), {"f05"}) is None
    assert _alone(_given(FILLS[:-1]), _given(FILLS), {"f10"}) is not None
