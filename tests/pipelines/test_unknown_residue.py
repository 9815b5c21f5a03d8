"""What nobody knows of the gas inside is never taken for air, and passes on until somebody analyses or empties it."""

import numpy as np
import pandas as pd
import pytest
from fill_frames import BEFORE, COMPRESSOR, CYLINDER, FILL, NITROX, TODAY, built, inputs

from pipelines.derive.fills import between
from pipelines.derive.fills.step import build_fills
from pipelines.derive.units import build_units
from schemas.policy import Filling, Policy
from shared.gas import mixing, thermal

TOP = FILL | {"start_pressure_bar": 180.0, "target_pressure_bar": 200.0, "stop_pressure_bar": 200.0}
KNOWN = BEFORE | {"stop_pressure_bar": 200.0, "target_pressure_bar": 200.0}


def last(*fills, policy=None, **rows):
    """The judged row of the last of these fills."""
    made = built(policy, fills=list(fills), **rows)["fill_quality"].set_index("fill_id")
    return made.loc[fills[-1]["fill_id"]]


def judged(given):
    """The row of the fill f1 of a station whose frames a test has changed."""
    units = build_units(given, TODAY)["units"]
    return build_fills(given, units, Policy(), TODAY)["fill_quality"].set_index("fill_id").loc["f1"]


def held_as_unknown(row) -> bool:
    empty = all(pd.isna(row[c]) for c in ("o2_pct", "max_operating_depth_m", "max_operating_depth_deco_m"))
    found = row["verdict"] == "stop" and "mix_not_analysed" in row["reasons"]
    assert found == empty, row
    return found


def then(number, **change):
    return FILL | {"fill_id": f"g{number}", "filled_at": f"2031-06-{number + 1:02d}T10:00:00Z"} | change


# --- when nothing is known of what is inside --------------------------------------------------
def test_a_cylinder_that_arrives_with_gas_and_no_earlier_fill_is_held_until_it_is_analysed():
    row = last(TOP)
    assert held_as_unknown(row) and "residue_unknown" in row["reasons"] and pd.isna(row["expected_o2_pct"])
    analysed = last(TOP | {"analysed_o2_pct": 20.9})
    assert analysed["verdict"] == "good" and analysed["o2_pct"] == 20.9
    rich = last(TOP | {"analysed_o2_pct": 45.0})
    assert rich["verdict"] == "stop" and rich["max_operating_depth_m"] == pytest.approx(21.1, abs=0.1)


@pytest.mark.parametrize("start, held", [(0.0, False), (2.0, False), (2.5, True), (50.0, True)])
def test_only_a_cylinder_that_arrives_empty_says_that_nothing_is_inside(start, held):
    assert held_as_unknown(last(FILL | {"start_pressure_bar": start})) == held


def test_the_bound_of_an_empty_cylinder_is_the_stations_own():
    own = Policy(filling=Filling(least_arrival_bar=10.0))
    assert not held_as_unknown(last(FILL | {"start_pressure_bar": 8.0}, policy=own))


@pytest.mark.parametrize(
    "start, ambient, held",
    [
        (180.0, 20.0, False),  # less than the last fill left
        (188.0, 20.0, False),  # 200 bar hot, cold again
        (195.0, 33.0, False),  # the same on a hot day
        (207.0, 20.0, True),  # above the last stop
        (212.0, 33.0, True),
        (230.0, 20.0, True),
    ],
)
def test_a_start_above_what_the_last_fill_can_read_by_now_is_gas_from_elsewhere(start, ambient, held):
    top = TOP | {"start_pressure_bar": start, "ambient_c": ambient, "stop_pressure_bar": 231.0}
    assert held_as_unknown(last(KNOWN, top)) == held


def test_another_gauge_may_be_off_by_its_class_and_the_same_gauge_may_not():
    top = TOP | {"start_pressure_bar": 196.0, "stop_pressure_bar": 225.0}
    assert held_as_unknown(last(KNOWN, top))
    assert not held_as_unknown(last(KNOWN, top | {"gauge_id": "another"}))
    assert held_as_unknown(last(KNOWN, top | {"gauge_id": "another", "start_pressure_bar": 215.0}))


def test_a_top_up_of_a_cylinder_that_is_still_hot_is_no_gas_from_elsewhere():
    soon = TOP | {"filled_at": "2031-04-20T10:20:00Z", "start_pressure_bar": 197.0, "fill_minutes": 2.0}
    assert not held_as_unknown(last(KNOWN, soon))
    assert held_as_unknown(last(KNOWN, soon | {"start_pressure_bar": 215.0, "stop_pressure_bar": 230.0}))


def test_where_nothing_was_read_between_fills_they_are_judged_as_where_another_cylinder_was_read():
    starts = (180.0, 150.0, 188.0, 207.0, 90.0, 90.0)
    fills = [KNOWN, *(then(n, start_pressure_bar=bar, unit_id=f"S{1 + n % 2}") for n, bar in enumerate(starts))]
    rows = {"fills": fills, "cylinders": [CYLINDER | {"cylinder_id": f"S{n}"} for n in (1, 2, 3)]}
    back = {"unit_id": "S3", "out_at": "2031-06-01T10:00:00Z", "back_at": "2031-06-02T10:00:00Z"}
    alone, beside = built(**rows), built(**rows, loans=[back | {"member_id": "m", "back_pressure_bar": 99.0}])
    pd.testing.assert_frame_equal(alone["fill_quality"], beside["fill_quality"])
    unknown = ["residue_unknown" in reasons for reasons in alone["fill_quality"]["reasons"]]
    assert any(unknown) and not all(unknown)


def test_a_settled_reading_says_how_little_the_last_fill_left():
    read = {"settled_pressure_bar": 150.0, "settled_c": 15.0, "settled_at": "2031-04-21T10:00:00Z"}
    before = KNOWN | {"stop_pressure_bar": 160.0, "target_pressure_bar": 160.0}
    assert held_as_unknown(last(before | read, TOP | {"start_pressure_bar": 165.0}))


def test_a_start_that_the_settings_state_for_all_fills_shows_nothing():
    """Neither that it arrived empty nor that somebody else filled it."""
    given = inputs(fills=[KNOWN, TOP | {"start_pressure_bar": 230.0}])
    given["fills"]["assumed"] = [[], ["start_pressure_bar"]]
    assert "residue_unknown" not in judged(given)["reasons"]
    alone = inputs(fills=[FILL | {"start_pressure_bar": 0.0}])
    alone["fills"]["assumed"] = [["start_pressure_bar"]]
    assert "residue_unknown" in judged(alone)["reasons"]


# --- dives, loans and lost rows between -------------------------------------------------------
def dived(start, end, day="2031-05-10", **tank):
    dive = {"dive_id": "d", "member_id": "m", "started_at": f"{day}T10:00:00Z", "duration_min": 40.0, "water_c": 10.0}
    tanks = {"dive_id": "d", "member_id": "m", "tank_no": 1, "unit_id": "S1", "role": "back"}
    pressures = {"start_pressure_bar": start, "end_pressure_bar": end}
    return {"dives": [dive], "dive_tanks": [tanks | pressures | tank]}


@pytest.mark.parametrize(
    "dive, start, held",
    [
        ((185.0, 60.0), 60.0, False),
        ((185.0, 60.0), 66.0, False),  # warmer, and another gauge
        ((185.0, 60.0), 150.0, True),  # below the last stop, yet somebody filled it after the dive
        ((235.0, 60.0), 60.0, True),  # somebody filled it before the dive
        ((None, 60.0), 60.0, False),
        ((None, None), 150.0, False),
    ],
)
def test_a_dive_between_bounds_what_may_be_inside(dive, start, held):
    row = last(KNOWN, TOP | {"start_pressure_bar": start}, **dived(*dive))
    assert held_as_unknown(row) == held


def test_a_dive_recorded_with_another_gas_says_that_the_log_does_not_know_what_is_inside():
    assert held_as_unknown(last(KNOWN, TOP, **dived(185.0, 182.0, o2_pct=50.0)))
    assert not held_as_unknown(last(KNOWN, TOP, **dived(185.0, 182.0, o2_pct=21.0)))


def test_a_dive_without_an_hour_says_nothing_of_before_and_after():
    given = inputs(fills=[KNOWN, TOP], **dived(235.0, 60.0))
    given["dives"]["value_flags"] = [["date_without_time"]]
    assert "residue_unknown" not in judged(given)["reasons"]


def test_a_loan_that_came_back_fuller_or_was_filled_since_is_gas_from_elsewhere():
    out = {"unit_id": "S1", "member_id": "m", "out_at": "2031-05-01T10:00:00Z", "back_at": "2031-05-20T10:00:00Z"}
    assert not held_as_unknown(last(KNOWN, TOP, loans=[out]))
    assert not held_as_unknown(last(KNOWN, TOP, loans=[out | {"back_pressure_bar": 182.0}]))
    assert held_as_unknown(last(KNOWN, TOP, loans=[out | {"back_pressure_bar": 240.0}]))
    assert held_as_unknown(last(KNOWN, TOP, loans=[out | {"back_pressure_bar": 50.0}]))


@pytest.mark.parametrize("back", ["2031-06-01T20:24:00Z", "2031-06-02T20:24:00Z"])
def test_a_loan_closed_in_the_log_after_the_next_fill_says_nothing_of_when_it_was_read(back):
    """Filled on its return, and the loan closed that evening or the next: 50 bar were read before the fill."""
    out = {"unit_id": "S1", "member_id": "m", "out_at": "2031-05-30T10:00:00Z", "back_at": back}
    out |= {"back_pressure_bar": 50.0}
    top = TOP | {"start_pressure_bar": 50.0}
    later = TOP | {"fill_id": "g", "filled_at": "2031-06-20T10:00:00Z", "start_pressure_bar": 170.0}
    rows = built(fills=[KNOWN, top, later], loans=[out])["fill_quality"].set_index("fill_id")
    assert not held_as_unknown(rows.loc["f1"]) and not held_as_unknown(rows.loc["g"])


@pytest.mark.parametrize(
    "on, kind, start, held",
    [
        ("2031-05-10", "hydrostatic", 100.0, True),  # filled with water, then with gas from somewhere
        ("2031-05-10", "hydrostatic", 2.0, False),
        ("2031-04-10", "hydrostatic", 100.0, False),  # before the last fill
        ("2031-04-20", "hydrostatic", 100.0, False),  # on its day: which came first is not known
        ("2031-06-01", "hydrostatic", 100.0, False),
        ("2031-05-10", "ultrasonic", 100.0, False),
    ],
)
def test_what_a_cylinder_holds_after_a_hydrostatic_test_is_not_what_it_held_before(on, kind, start, held):
    test = {"cylinder_id": "S1", "inspected_on": on, "kind": kind, "result": "pass"}
    assert held_as_unknown(last(KNOWN, TOP | {"start_pressure_bar": start}, inspections=[test])) == held


def test_one_post_of_a_set_does_not_bound_what_the_set_holds_after_a_dive():
    """The isolator was shut: 60 bar on the breathed side, 190 on the other; opened, the set reads 125."""
    always = joined(("L", "left", "2030-01-01", None), ("R", "right", "2030-01-01", None))
    dive = dived(185.0, 60.0, unit_id="T")
    assert not held_as_unknown(last(KNOWN | TWIN, TOP | TWIN | {"start_pressure_bar": 125.0}, **always, **dive))


@pytest.mark.parametrize("at, held", [("2031-05-10", True), ("2031-04-10", False), ("2031-06-10", False)])
def test_a_fill_between_that_was_rejected_or_waits_leaves_something_unknown_inside(at, held):
    given = inputs(fills=[KNOWN, TOP])
    lost = pd.DataFrame({"unit_id": ["S1"], "filled_at": pd.to_datetime([f"{at}T10:00Z"], utc=True)})
    given["fills_not_accepted"] = lost.astype({"filled_at": "datetime64[us, UTC]"})
    assert held_as_unknown(judged(given)) == held


def test_a_rejected_row_of_the_log_opens_a_gap_and_its_correction_closes_it(tmp_path):
    """From file to verdict: 'EAN50' written as 0.5 is rejected; the top-up on it is not taken for air on air."""
    import small_station as s

    station = s.make(tmp_path)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    first = s.fill(3, unit_id="C1", start_pressure_bar="0", stop_pressure_bar="200")
    rich = s.fill(6, unit_id="C1", stop_pressure_bar="200", target_o2_pct="", analysed_o2_pct="50")
    top = s.fill(9, unit_id="C1", start_pressure_bar="150", stop_pressure_bar="200")
    s.drop(station, "fills.csv", [first, rich, top])
    s.run(station)
    row = s.published(station)["fill_quality"].set_index("fill_id").loc["F9"]
    assert row["verdict"] == "stop" and "residue_unknown" in row["reasons"]
    s.drop(station, "fills-2.csv", [rich | {"target_o2_pct": "50"}], minutes=5)
    s.run(station)
    row = s.published(station)["fill_quality"].set_index("fill_id").loc["F9"]
    assert "residue_unknown" not in row["reasons"] and row["expected_o2_pct"] > 35.0


# --- sets -------------------------------------------------------------------------------------
SIDES = [CYLINDER | {"cylinder_id": c} for c in "LRX"]


def joined(*pairs):
    return {
        "cylinders": [
            s | {"set_id": "T", "set_position": p, "set_kind": "manifolded"} if s["cylinder_id"] != "X" else s
            for s, p in zip(SIDES, ("left", "right", "left"), strict=True)
        ],
        "set_members": [
            {"set_id": "T", "cylinder_id": c, "position": p, "from_on": a, "to_on": b} for c, p, a, b in pairs
        ],
    }


SINCE_MAY = joined(("L", "left", "2031-05-01", None), ("R", "right", "2031-05-01", None))
TWIN = {"unit_id": "T"}


@pytest.mark.parametrize(
    "left, right, held",
    [
        ({"analysed_o2_pct": 20.9}, {"analysed_o2_pct": 20.9}, False),
        ({"analysed_o2_pct": 20.9}, NITROX, True),
        ({"analysed_o2_pct": 20.9}, None, True),  # of the other cylinder no fill is known
    ],
)
def test_a_set_joined_anew_holds_what_its_cylinders_held(left, right, held):
    fills = [KNOWN | {"fill_id": "l", "unit_id": "L"} | left]
    fills += [KNOWN | {"fill_id": "r", "unit_id": "R"} | right] if right is not None else []
    row = last(*fills, TOP | TWIN | {"start_pressure_bar": 120.0}, **SINCE_MAY)
    assert held_as_unknown(row) == held


def test_a_cylinder_taken_out_of_a_set_takes_its_gas_along():
    until_may = joined(("L", "left", "2030-01-01", "2031-05-01"), ("R", "right", "2030-01-01", "2031-05-01"))
    nitrox = KNOWN | TWIN | NITROX
    row = last(nitrox, TOP | {"unit_id": "L"}, **until_may)
    assert row["verdict"] == "stop" and row["expected_o2_pct"] > 30.0
    air = last(KNOWN | TWIN, TOP | {"unit_id": "L"}, **until_may)
    assert air["verdict"] == "good"


def test_sides_that_were_analysed_apart_leave_a_mix_that_nobody_knows():
    apart = KNOWN | TWIN | {"analysed_o2_pct": 20.9, "second_analysed_o2_pct": 31.0}
    always = joined(("L", "left", "2030-01-01", None), ("R", "right", "2030-01-01", None))
    assert held_as_unknown(last(apart, TOP | TWIN, **always))


# --- what the source and the method leave open ------------------------------------------------
BANK = {"source_id": "b", "kind": "bank"}


@pytest.mark.parametrize(
    "source, fill, held",
    [
        ([COMPRESSOR], {}, False),
        ([COMPRESSOR], {"fill_method": None}, False),
        ([COMPRESSOR], {"fill_method": None, "source_id": None}, False),  # the station keeps air alone
        ([COMPRESSOR, BANK | {"o2_pct": 32.0}], {"fill_method": None, "source_id": None}, True),
        ([COMPRESSOR, BANK | {"o2_pct": 32.0}], {"fill_method": "air", "source_id": None}, False),
        ([BANK], {"source_id": "b", "fill_method": None}, True),  # nobody said what is in the bank
        ([BANK], {"source_id": "b", "fill_method": "air"}, False),
        ([BANK], {"source_id": "b", "fill_method": "banked_mix"}, True),
        ([BANK | {"o2_pct": 20.9}], {"source_id": "b", "fill_method": "banked_mix"}, False),
        ([BANK | {"o2_pct": 21.0, "he_pct": 35.0}], {"source_id": "b", "fill_method": "banked_mix"}, True),
        ([COMPRESSOR], {"fill_method": "continuous"}, True),
    ],
)
def test_a_source_that_may_not_have_been_air_holds_a_fill_that_nobody_analysed(source, fill, held):
    assert held_as_unknown(last(KNOWN, TOP | fill, sources=source)) == held


# --- what passes on ---------------------------------------------------------------------------
def test_what_is_unknown_passes_on_by_its_share_until_so_little_is_left_that_the_mix_is_air():
    """Filled with air from 50 bar each time: 26 %, 7 %, 1.7 %, then 0.5 % of the gas is of unknown origin.

    Of pure oxygen the last would leave the mix below 22 %, the upper bound of air, and the one before would not.
    """
    rows = built(fills=[then(i) for i in range(5)])["fill_quality"].set_index("fill_id")
    assert [held_as_unknown(rows.loc[f"g{i}"]) for i in range(5)] == [True, True, True, False, False]
    kept = thermal.density_mol_l(50.0, 20.0) / thermal.density_mol_l(232.0, rows["gas_c"].iloc[0])
    assert 20.95 + 79.05 * kept**3 > 22.0 > 20.95 + 79.05 * kept**4
    from_90 = built(fills=[then(i, start_pressure_bar=90.0) for i in range(6)])["fill_quality"].set_index("fill_id")
    assert [held_as_unknown(from_90.loc[f"g{i}"]) for i in range(6)] == [True, True, True, True, True, False]


@pytest.mark.parametrize("how", [{"analysed_o2_pct": 20.9}, {"start_pressure_bar": 1.0}])
def test_an_analysis_or_an_empty_arrival_ends_it(how):
    rows = built(fills=[then(0), then(1, **how), then(2)])["fill_quality"].set_index("fill_id")
    assert held_as_unknown(rows.loc["g0"])
    assert "mix_not_analysed" not in rows.loc["g1", "reasons"] and rows.loc["g2", "verdict"] == "short"


def test_a_blend_that_nobody_analysed_leaves_something_unknown_inside():
    """Its target says what was meant, not what went in."""
    rows = built(
        fills=[KNOWN, then(0, **NITROX | {"analysed_o2_pct": None}), *(then(i) for i in range(1, 6))]
    )["fill_quality"].set_index("fill_id")  # fmt: skip
    assert [held_as_unknown(rows.loc[f"g{i}"]) for i in range(3)] == [True, True, True]
    assert not held_as_unknown(rows.loc["g5"])


def test_topping_up_a_full_cylinder_keeps_what_is_unknown_for_long():
    fills = [then(i, start_pressure_bar=195.0 if i else 180.0, stop_pressure_bar=215.0) for i in range(12)]
    rows = built(fills=fills)["fill_quality"].set_index("fill_id")
    assert all(held_as_unknown(rows.loc[f"g{i}"]) for i in range(12))


# --- helium and argon -------------------------------------------------------------------------
TRIMIX = BEFORE | {
    "fill_method": "partial_pressure", "target_o2_pct": 18.0, "target_he_pct": 45.0, "analysed_o2_pct": 18.0,
    "analysed_he_pct": 45.0,
}  # fmt: skip
ON_80 = FILL | {"start_pressure_bar": 80.0, "target_pressure_bar": 200.0, "stop_pressure_bar": 200.0}


def test_helium_left_inside_does_not_vanish_when_oxygen_alone_is_analysed():
    """18/45, then air on 80 bar: about 19.6 % oxygen and 20 % helium, as a balance of moles has it."""
    row = last(TRIMIX, ON_80 | {"analysed_o2_pct": 20.2})
    assert row["verdict"] == "stop" and {"mix_not_analysed", "helium_not_analysed"} <= set(row["reasons"])
    assert row["mix_verdict"] == "not_analysed" and pd.isna(row["he_pct"]) and row["o2_pct"] == 20.2
    _, expected, _ = mixing.expected_mix(80.0, 20.0, 200.0, row["gas_c"], 18.0, 45.0, 20.95)
    assert row["expected_he_pct"] == pytest.approx(expected, abs=0.1) and 18.0 < expected < 22.0
    full = last(TRIMIX, ON_80 | {"analysed_o2_pct": 20.2, "analysed_he_pct": 0.1})
    assert "mix_not_analysed" not in full["reasons"] and full["he_pct"] == 0.1


def test_the_helium_that_is_expected_enters_the_gas_laws():
    """At rest at 35 °C, read at 200 bar: at 15 °C by the mix that the balance of moles makes, not by air."""
    read = {"settled_pressure_bar": 200.0, "settled_c": 35.0, "settled_at": "2031-06-02T10:00:00Z"}
    row = last(TRIMIX, ON_80 | {"analysed_o2_pct": 20.2} | read)
    he = row["expected_he_pct"]
    expected = thermal.settled_pressure_bar(200.0, 35.0, 15.0, 20.2, he)
    assert row["settled_pressure_bar_15c"] == pytest.approx(float(expected), abs=0.05)
    assert abs(float(thermal.settled_pressure_bar(200.0, 35.0, 15.0, 20.2, 0.0)) - float(expected)) > 0.5


@pytest.mark.parametrize("method", ["continuous", "partial_pressure"])
def test_helium_under_a_blend_of_nitrox_is_not_cleared_by_an_analysis_of_oxygen(method):
    blend = ON_80 | NITROX | {"fill_method": method}
    row = last(TRIMIX, blend)
    assert row["verdict"] == "stop" and "helium_not_analysed" in row["reasons"]
    assert pd.isna(row["he_pct"])


def test_helium_is_followed_until_a_trace_is_left():
    fills = [TRIMIX, *(then(i, analysed_o2_pct=20.5) for i in range(6))]
    rows = built(fills=fills)["fill_quality"].set_index("fill_id")
    expected = rows["expected_he_pct"].to_numpy()[1:]
    assert (np.diff(expected) < 0).all()
    for i in range(6):
        assert ("mix_not_analysed" in rows.loc[f"g{i}", "reasons"]) == (expected[i] >= 0.5)
    assert expected[-1] < 0.5 and rows.loc["g5", "he_pct"] == 0.0


def test_where_a_station_keeps_helium_a_cylinder_of_unknown_past_is_not_said_to_hold_none():
    other = TRIMIX | {"unit_id": "S2", "fill_id": "t"}
    both = {"cylinders": [CYLINDER, CYLINDER | {"cylinder_id": "S2"}]}
    row = last(other, TOP | {"analysed_o2_pct": 20.9}, **both)
    assert row["verdict"] == "attention" and pd.isna(row["he_pct"]) and "helium_not_analysed" in row["reasons"]
    assert last(TOP | {"analysed_o2_pct": 20.9})["he_pct"] == 0.0


def test_argon_left_inside_is_not_cleared_by_an_analysis_of_oxygen():
    argon = BEFORE | {"target_o2_pct": 0.0, "target_ar_pct": 100.0, "analysed_o2_pct": 0.0, "fill_method": "banked_mix"}
    row = last(argon, ON_80 | {"analysed_o2_pct": 20.5})
    assert row["verdict"] == "stop" and {"mix_not_analysed", "suit_gas_only"} <= set(row["reasons"])
    emptied = last(argon, ON_80 | {"start_pressure_bar": 1.0, "analysed_o2_pct": 20.9})
    assert "suit_gas_only" not in emptied["reasons"] and "mix_not_analysed" not in emptied["reasons"]


def test_oxygen_that_is_expected_counts_for_service_and_qualification_before_anybody_analysed():
    rich = BEFORE | {"fill_method": "continuous", "target_o2_pct": 50.0, "analysed_o2_pct": 50.0}
    members = [{"member_id": "m", "display_name": "Ine", "mix_qualification": "air"}]
    row = last(rich, TOP | {"member_id": "m"}, members=members)
    assert {"mix_above_oxygen_limit", "beyond_qualification", "mix_not_analysed"} <= set(row["reasons"])


def test_helium_that_nobody_looked_for_is_not_nought_one_fill_later():
    """Of a cylinder of unknown past oxygen alone was analysed; air on top leaves most of what may be helium inside."""
    other = TRIMIX | {"unit_id": "S2", "fill_id": "t"}
    both = {"cylinders": [CYLINDER, CYLINDER | {"cylinder_id": "S2"}]}
    top = {"start_pressure_bar": 150.0, "stop_pressure_bar": 230.0}
    first = then(0, start_pressure_bar=50.0, stop_pressure_bar=200.0, analysed_o2_pct=20.9)
    for change in ({}, {"analysed_o2_pct": 20.9}):
        row = last(other, first, then(1, **top, **change), **both)
        assert pd.isna(row["he_pct"]) and "helium_not_analysed" in row["reasons"]
    # analysed it is known, and so it is at a station that keeps none
    assert last(other, first | {"analysed_he_pct": 0.0}, then(1, **top), **both)["he_pct"] == 0.0
    assert last(first, then(1, **top))["he_pct"] == 0.0
    # thinned until nothing that counts is left
    thin = [then(n, start_pressure_bar=15.0, stop_pressure_bar=230.0) for n in (1, 2, 3)]
    assert last(other, first, *thin, **both)["he_pct"] == 0.0


@pytest.mark.parametrize("logged_c", [None, 5.0])
def test_a_reading_of_another_gauge_holds_what_it_may_be_of_colder_and_of_warmer_gas(logged_c):
    frame = pd.DataFrame({"unit_id": ["U"], "bar": [250.0], "gas_c": [logged_c]}, dtype="object")
    frame = frame.astype({"bar": "float64", "gas_c": "float64"})
    part = between._part(frame, pd.Series(pd.to_datetime(["2031-05-01T10:00Z"])), "bar", "gas_c").iloc[0]
    gas_c, spread = (5.0, between.LOGGED_K) if logged_c else (between.UNLOGGED_C, between.UNLOGGED_K)
    warmest, coldest = (float(thermal.settled_pressure_bar(250.0, gas_c + k, 15.0)) for k in (spread, -spread))
    assert part["low"] < warmest - 1.0 and part["high"] > coldest + 1.0
