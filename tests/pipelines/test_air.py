"""Air: which fills stand behind a failed test, who has them, and how the compressor is."""

import numpy as np
import pandas as pd
import pytest

from pipelines.derive.air.purity_tests import AirRecord, air_on_days
from pipelines.derive.air.step import air_state_of_fills, build_air, co_limit
from schemas.policy import Air, Policy
from tests.pipelines.fleet_frames import frames

TODAY = pd.Timestamp("2026-04-20")
SOURCES = [
    {"source_id": "K1", "kind": "compressor"},
    {"source_id": "INNER", "kind": "bank", "fed_by": "K1"},
    {"source_id": "OUTER", "kind": "bank", "fed_by": "INNER"},
    {"source_id": "LOOP", "kind": "bank", "fed_by": "LOOP"},
    {"source_id": "OXYGEN", "kind": "bank"},
]
FULL = {"o2_pct": 20.9, "co_ppm": 2.0, "co2_ppm": 420.0, "oil_mg_m3": 0.1, "water_mg_m3": 20.0, "odour": False}


def sample(day, compressor="K1", **found):
    """A test of all quantities, or of those named alone where `only` is true."""
    values = found if found.pop("only", False) else FULL | found
    return {"compressor_id": compressor, "sampled_on": day} | values


TESTS = [sample("2026-01-10"), sample("2026-03-10", co_ppm=9.0), sample("2026-04-10")]


def fill(name, day, source="OUTER", unit=None, start=40.0, **more):
    return {
        "fill_id": name,
        "filled_at": f"{day}T10:00Z",
        "unit_id": unit or f"U-{name}",
        "source_id": source,
        "start_pressure_bar": start,
        "stop_pressure_bar": 232.0,
    } | more


def station(fills, tests=TESTS, **more):
    return frames(fills=fills, sources=SOURCES, compressors=[{"compressor_id": "K1"}], air_tests=tests, **more)


def states(fills, policy=Policy(), **more):  # noqa: B008 - settings are frozen
    return air_state_of_fills(station(fills, **more), policy, TODAY)["air_state"].tolist()


def test_a_fill_is_judged_by_the_tests_of_what_fed_its_bank():
    days = [
        "2026-01-05",
        "2026-01-10",
        "2026-02-01",
        "2026-03-10",
        "2026-04-09",
        "2026-04-10",
        "2026-07-10",
        "2026-07-11",
    ]
    fills = [fill(f"F{i}", d) for i, d in enumerate(days)]
    assert states(fills) == [
        "never_tested",
        "failed_later",
        "failed_later",
        "failed",
        "failed",
        "passed",
        "passed",
        "overdue",
    ]


@pytest.mark.parametrize(
    "source, state",
    [
        ("K1", "passed"),
        ("OXYGEN", "not_traced"),
        ("LOOP", "not_traced"),
        ("NOBODY", "not_traced"),
        (None, "not_traced"),
    ],
)
def test_a_source_without_a_compressor_behind_it_is_not_traced(source, state):
    assert states([fill("F", "2026-01-20", source)], tests=TESTS[:1]) == [state]


def test_the_stations_own_limit_and_edition_decide():
    assert states([fill("F", "2026-03-20")], Policy(air=Air(purity_standard="en12021_1999"))) == ["passed"]
    assert states([fill("F", "2026-01-20")], Policy(air=Air(co_limit_ppm=1.0))) == ["failed"]
    assert (
        co_limit(Policy())[0] == 5.0
        and co_limit(Policy(rule_set="us"))[0] == 20.0
        and co_limit(Policy(air=Air(co_limit_ppm=3.0)))[0] == 3.0
    )


def test_a_stations_own_days_between_tests_come_before_those_of_its_rules():
    fills = [fill("A", "2026-02-09"), fill("B", "2026-02-10")]
    assert states(fills, Policy(air=Air(test_interval_days=30)), tests=TESTS[:1]) == ["passed", "overdue"]
    assert states(fills, tests=TESTS[:1]) == ["passed", "passed"]


def test_a_test_that_measured_nothing_is_no_test():
    assert states([fill("F", "2026-01-20")], tests=[{"compressor_id": "K1", "sampled_on": "2026-01-10"}]) == [
        "never_tested"
    ]


def test_recall_reaches_back_to_the_last_good_test_through_the_banks_and_says_who_has_them():
    fills = [
        fill("BEFORE", "2026-01-08"),
        fill("LENT", "2026-02-01", unit="A", member_id="M2"),  # filled for one, lent to another since
        fill("HANDED", "2026-02-02", unit="B", member_id="M2"),
        fill("KEPT", "2026-03-20", unit="C"),
        fill("AFTER", "2026-04-12", unit="D"),
        fill("GONE", "2026-02-03", unit="E"),
        fill("E2", "2026-04-12", unit="E", start=1.0),
        fill("THINNED", "2026-02-03", unit="F"),
        fill("F2", "2026-04-12", unit="F", start=60.0),
    ]
    cylinders = [{"cylinder_id": c, "owner_id": "station", "status": "in_service"} for c in "ABCDEF"]
    loans = [{"unit_id": "A", "member_id": "M1", "out_at": "2026-02-01T12:00Z"}]
    made = build_air(station(fills, cylinders=cylinders, loans=loans), Policy(), TODAY)["recall"].set_index("fill_id")
    assert set(made.index) == {"LENT", "HANDED", "KEPT", "THINNED"}
    assert made["held_by"].to_dict() == {"LENT": "M1", "HANDED": "M2", "KEPT": "station", "THINNED": "station"}
    assert made.loc["KEPT", "since"] == pd.Timestamp("2026-01-10")  # the day of the test, whatever the zone
    assert "carbon monoxide 9 ppm, limit 5" in made.loc["LENT", "reason"]


def test_each_limit_of_a_test_has_a_row():
    rows = build_air(station([]), Policy(), TODAY)["air_quality"]
    assert len(rows) == 3 * 6  # the five of EN 12021:2014, and odour where somebody noted it
    one = rows[(rows["sampled_on"] == "2026-03-10") & (rows["quantity"] == "co_ppm")].iloc[0]
    assert (one.value, one.limit, one.verdict) == (9.0, 5.0, "fail") and "EN 12021:2014" in one.limit_source
    alone = station([], tests=[sample("2026-01-10", only=True, co_ppm=2.0)])
    rows = build_air(alone, Policy(), TODAY)["air_quality"]
    assert len(rows) == 5 and (rows.loc[rows["quantity"] != "co_ppm", "verdict"] == "not_measured").all()


def log(*rows):
    return [
        {"compressor_id": "K1", "read_at": f"{day}T08:00Z", "hours": hours, "event": event} | more
        for day, hours, event, more in rows
    ]


def health(rows, **compressor):
    inputs = frames(compressors=[{"compressor_id": "K1"} | compressor], compressor_log=log(*rows), air_tests=TESTS[-1:])
    return build_air(inputs, Policy(), TODAY)["compressor_health"].iloc[0]


def test_warm_air_eats_the_filter_faster_in_the_ratio_of_saturation_pressures():
    """CoolProp's water: e(40 °C)/e(30 °C) for a 30 °C intake where life holds at 20 °C; outlet 10 K above."""
    PropsSI = pytest.importorskip("CoolProp.CoolProp").PropsSI
    factor = PropsSI("P", "T", 313.15, "Q", 0, "Water") / PropsSI("P", "T", 303.15, "Q", 0, "Water")
    rows = [
        ("2026-03-01", 100.0, "filter_change", {"ambient_c": 30.0}),
        ("2026-04-01", 110.0, "reading", {"ambient_c": 30.0}),
    ]
    row = health(rows, filter_life_hours=40.0, filter_reference_c=20.0)
    assert row.hours_since_filter == 10.0
    assert row.filter_hours_left == pytest.approx(40 / factor - 10, rel=0.005)
    assert "filter_life_estimated" in row.reasons
    plain = health([(*r[:3], {}) for r in rows], filter_life_hours=40.0, filter_reference_c=20.0)
    assert plain.filter_hours_left == 30.0 and "filter_life_uncorrected" in plain.reasons
    outlet = health([(*r[:3], {"outlet_c": 30.0}) for r in rows], filter_life_hours=40.0, filter_reference_c=20.0)
    assert outlet.filter_hours_left == pytest.approx(30.0)


RUN = {
    "ambient_c": 20.0,
    "pumped_from_bar": 50.0,
    "pumped_to_bar": 232.0,
    "pumped_volume_l": 12.0,
    "pumped_minutes": 11.0,
}


def pumped_up(run, wall_kg, inside_w_k, outside_w_k):
    """Free litres a minute that end a run at its pressure: an ODE of gas and wall, CoolProp's air, solved for the flow.

    First law of an open rigid vessel: d(n·u)/dt = ṅ·h_in − H(T − T_w); steel at 490 J/(kg K); air comes at the pressure
    in the cylinder, at least 150 bar, 10 K above the room.
    """
    cp = pytest.importorskip("CoolProp.CoolProp")
    integrate, optimize = (pytest.importorskip(f"scipy.{m}") for m in ("integrate", "optimize"))
    state = cp.AbstractState("HEOS", "Air")
    volume, seconds, room_k = run["pumped_volume_l"] / 1e3, 60 * run["pumped_minutes"], run["ambient_c"] + 273.15

    def density(bar, kelvin):
        state.update(cp.PT_INPUTS, (bar + 1.01325) * 1e5, kelvin)
        return state.rhomolar()

    begin = density(run["pumped_from_bar"], room_k) * volume

    def at_stop(mol_s):
        def rates(t, y):
            moles = begin + mol_s * t
            state.update(cp.DmolarT_INPUTS, moles / volume, y[0])
            own_pa, u, cv = state.p(), state.umolar(), state.cvmolar()
            along = state.first_partial_deriv(cp.iUmolar, cp.iDmolar, cp.iT) / volume
            state.update(cp.PT_INPUTS, max(own_pa, 151.01325e5), room_k + 10.0)
            heat = inside_w_k * (y[0] - y[1])
            dgas = (mol_s * (state.hmolar() - u - moles * along) - heat) / (moles * cv)
            return [dgas, (heat - outside_w_k * (y[1] - room_k)) / (wall_kg * 490.0)]

        end = integrate.solve_ivp(rates, (0, seconds), [room_k, room_k], rtol=1e-6).y[:, -1]
        state.update(cp.DmolarT_INPUTS, (begin + mol_s * seconds) / volume, end[0])
        return state.p() / 1e5 - 1.01325

    mol_s = optimize.brentq(lambda flow: at_stop(flow) - run["pumped_to_bar"], 0.02, 0.4, xtol=1e-6)
    return mol_s * 60 * 8.314462618 * 288.15 / 1e5 * 1000


def test_free_air_delivery_takes_the_hot_gas_at_the_temperature_the_fill_gives_it():
    """An ODE with CoolProp's air, with this project's film coefficients and the wall of a steel 12 (14.2 kg)."""
    area_m2 = 6.2 * 0.012 ** (2 / 3)
    expected = pumped_up(RUN, 0.0051 * 12 * 232, 250.0 * area_m2, 9.0 * area_m2)
    row = health([("2026-04-01", 100.0, "reading", RUN)], rated_delivery_free_l_min=180.0)
    assert row.free_air_delivery_l_min == pytest.approx(expected, rel=0.01)
    assert row.delivery_change_pct == pytest.approx(100 * (expected / 180 - 1), abs=1.0)
    assert "delivery_falls" in row.reasons
    for share, falls in ((0.91, False), (0.89, True)):  # a tenth: common practice, no source
        rated = row.free_air_delivery_l_min / share
        said = health([("2026-04-01", 100.0, "reading", RUN)], rated_delivery_free_l_min=rated).reasons
        assert ("delivery_falls" in said) == falls


def test_a_long_slow_run_into_a_large_wall_is_all_but_at_the_room_temperature():
    """Limit case: 12 L in four days; real gas at the room's temperature, CoolProp air."""
    PropsSI = pytest.importorskip("CoolProp.CoolProp").PropsSI
    mol = [12e-3 * PropsSI("DMOLAR", "T", 293.15, "P", (p + 1.01325) * 1e5, "Air") for p in (50, 232)]
    litres = (mol[1] - mol[0]) * 8.314462618 * 288.15 / 1e5 * 1000
    row = health([("2026-04-01", 100.0, "reading", RUN | {"pumped_minutes": 5760.0})])
    assert row.free_air_delivery_l_min == pytest.approx(litres / 5760, rel=0.005)


def test_a_run_logged_in_a_warmer_outlet_holds_less_gas():
    at = [
        health([("2026-04-01", 100.0, "reading", RUN | more)]).free_air_delivery_l_min
        for more in ({}, {"outlet_c": 30.0}, {"outlet_c": 45.0})
    ]
    assert at[0] == pytest.approx(at[1]) and at[2] < at[1] - 1.0


def test_without_a_rated_delivery_what_it_gave_at_first_is_what_it_is_held_to():
    minutes = [11.0, 11.0, 11.0, 11.0, 12.0, 13.0]
    runs = [(f"2026-03-0{n}", 100.0 + n, "reading", RUN | {"pumped_minutes": m}) for n, m in enumerate(minutes, 1)]
    row = health(runs)
    assert row.delivery_change_pct == pytest.approx(100 * (11 / 13 - 1), abs=1.5) and "delivery_falls" in row.reasons
    assert np.isnan(health(runs[:3]).delivery_change_pct)  # too few to say


def test_service_falls_due_at_the_present_use():
    rows = [
        ("2026-02-01", 500.0, "service", {}),
        ("2026-03-01", 528.0, "reading", {}),
        ("2026-03-29", 556.0, "reading", {}),
    ]
    assert health(rows, service_hours=100.0).service_due_on == pd.Timestamp("2026-05-12")
    late = health([*rows, ("2026-04-10", 601.0, "reading", {})], service_hours=100.0)
    assert late.service_due_on == pd.Timestamp("2026-04-10") and "service_due" in late.reasons


def test_without_a_service_on_record_nothing_is_said_of_the_next_one():
    """A machine that nobody serviced on record was not serviced today."""
    rows = [("2026-03-01", 1500.0, "reading", {}), ("2026-04-10", 1530.0, "reading", {})]
    row = health(rows, service_hours=2000.0)
    assert pd.isna(row.service_due_on) and "service_unknown" in row.reasons and row.state == "attention"
    overdue = health(rows, service_hours=500.0)  # 1530 hours and no service on record
    assert "service_due" in overdue.reasons and pd.isna(overdue.service_due_on)
    silent = health([], service_hours=500.0)
    assert pd.isna(silent.service_due_on) and {"service_unknown", "hours_not_logged"} <= set(silent.reasons)


def test_a_service_that_fell_due_after_the_last_reading_is_asked_about():
    rows = [("2025-08-01", 500.0, "service", {}), ("2025-09-01", 560.0, "reading", {})]
    row = health(rows, service_hours=100.0)
    assert row.service_due_on < TODAY and "service_may_be_due" in row.reasons and row.state == "attention"


CHANGED = [("2026-02-01", 500.0, "filter_change", {}), ("2026-02-01", 500.0, "service", {})]
LIFE = {"filter_life_hours": 60.0, "service_hours": 100.0}


@pytest.mark.parametrize(
    "readings, since, reason",
    [
        ([("2026-03-01", 520.0), ("2026-04-01", 540.0)], 40.0, None),
        # two rows exchanged, one digit too many, one too few: the others stand
        ([("2026-03-01", 530.0), ("2026-03-08", 520.0), ("2026-04-01", 540.0)], 40.0, "hours_reading_left_out"),
        ([("2026-03-01", 5200.0), ("2026-04-01", 540.0)], 40.0, "hours_reading_left_out"),
        ([("2026-03-01", 52.0), ("2026-04-01", 540.0)], 40.0, "hours_reading_left_out"),
        ([("2026-03-01", 520.0), ("2026-04-01", 540.0), ("2026-04-02", 5420.0)], 40.0, "hours_reading_left_out"),
    ],
)
def test_slips_of_the_pen_are_left_out_of_the_hours_and_said(readings, since, reason):
    row = health([*CHANGED, *((day, hours, "reading", {}) for day, hours in readings)], **LIFE)
    assert row.hours_since_filter == since and row.filter_hours_left == pytest.approx(60.0 - since)
    assert row.hours == 540.0 and row.service_due_on > TODAY
    assert ("hours_reading_left_out" in row.reasons) == (reason is not None)
    assert row.state == ("good" if reason is None else "attention"), row.reasons


@pytest.mark.parametrize("run_h, nearly", [(53.0, False), (55.0, True), (61.0, False)])
def test_a_filter_is_nearly_used_up_in_the_last_tenth_of_its_life(run_h, nearly):
    row = health([*CHANGED, ("2026-04-01", 500.0 + run_h, "reading", {})], **LIFE)
    assert ("filter_nearly_used_up" in row.reasons) == nearly, row.reasons
    assert ("filter_used_up" in row.reasons) == (run_h > 60.0)


@pytest.mark.parametrize("after", [[("2026-04-01", 5.0), ("2026-04-08", 25.0)], [("2026-04-08", 505.0)]])
def test_after_a_new_meter_what_is_left_is_not_known_only_what_ran_at_least(after):
    readings = [("2026-03-01", 520.0), ("2026-03-20", 525.0), *after]
    row = health([*CHANGED, *((day, hours, "reading", {}) for day, hours in readings)], **LIFE)
    assert row.hours_since_filter >= 25.0
    assert np.isnan(row.filter_hours_left) and pd.isna(row.service_due_on)
    assert "hours_meter_fell" in row.reasons and row.state == "attention"


def test_a_filter_used_up_before_the_meter_fell_stays_used_up():
    readings = [("2026-03-01", 570.0), ("2026-04-01", 3.0)]
    row = health([*CHANGED, *((day, hours, "reading", {}) for day, hours in readings)], **LIFE)
    assert "filter_used_up" in row.reasons and row.state == "stop"


def test_a_change_after_the_meter_fell_starts_anew():
    rows = [*CHANGED, ("2026-03-01", 3.0, "filter_change", {}), ("2026-04-01", 13.0, "reading", {})]
    row = health(rows, **LIFE)
    assert row.hours_since_filter == 10.0 and row.filter_hours_left == 50.0


def test_a_compressor_that_fills_and_is_not_read_is_behind():
    rows = log(*CHANGED, ("2026-03-01", 520.0, "reading", {}))
    inputs = station([fill("F", "2026-04-01")], tests=TESTS[-1:], compressor_log=rows)
    assert "compressor_log_late" in build_air(inputs, Policy(), TODAY)["compressor_health"].iloc[0].reasons
    inputs = station([fill("F", "2026-03-10")], tests=TESTS[-1:], compressor_log=rows)
    assert "compressor_log_late" not in build_air(inputs, Policy(), TODAY)["compressor_health"].iloc[0].reasons


def test_a_compressor_that_only_a_log_a_test_or_a_bank_names_has_its_row():
    inputs = frames(
        sources=[{"source_id": "B", "kind": "bank", "fed_by": "K9"}],
        compressor_log=[{"compressor_id": "K8", "read_at": "2026-04-01T08:00Z", "hours": 5.0, "event": "reading"}],
        air_tests=[sample("2026-04-10", "K7")],
    )
    made = build_air(inputs, Policy(), TODAY)["compressor_health"].set_index("compressor_id")
    assert list(made.index) == ["K7", "K8"] and set(made["state"]) == {"attention"}


@pytest.mark.parametrize("silent", [{"filter_life_hours": None}, {}])
def test_what_is_not_stated_of_a_filter_is_not_good(silent):
    row = health(CHANGED[1:] if not silent else CHANGED, **(LIFE | silent))
    assert np.isnan(row.filter_hours_left) and row.state == "attention"
    assert ("filter_life_unknown" if silent else "filter_change_unknown") in row.reasons


def test_the_next_air_test_is_three_calendar_months_on_under_uk():
    assert health([]).air_test_due_on == pd.Timestamp("2026-07-10")
    for day, overdue in (("2026-07-10", False), ("2026-07-11", True)):  # in time up to and including the day
        row = build_air(station([], tests=TESTS[-1:]), Policy(), pd.Timestamp(day))["compressor_health"].iloc[0]
        assert ("air_test_is_overdue" in row.reasons) == overdue


# --- a test is good only for what it measured -------------------------------------------------
OIL_ONLY = sample("2026-03-25", only=True, oil_mg_m3=0.1)
CO_FAILED = sample("2026-03-20", co_ppm=9.0)


@pytest.mark.parametrize(
    "after, state",
    [
        ([], "failed"),
        ([OIL_ONLY], "failed"),
        ([sample("2026-03-25", only=True, o2_pct=20.9, co2_ppm=400.0)], "failed"),
        ([sample("2026-03-25", only=True, co_ppm=2.0)], "passed"),
        ([sample("2026-03-25", only=True, co_ppm=2.0, oil_mg_m3=0.9)], "failed"),
        ([OIL_ONLY, sample("2026-03-28")], "passed"),
    ],
)
def test_a_failure_stands_until_that_quantity_passes(after, state):
    inputs = station([fill("F", "2026-04-01")], tests=[sample("2026-02-10"), CO_FAILED, *after])
    air = air_state_of_fills(inputs, Policy(), TODAY).iloc[0]
    assert air.air_state == state
    row = build_air(inputs, Policy(), TODAY)["compressor_health"].iloc[0]
    assert row.air_state == state and (row.state == "stop") == (state == "failed")
    recall = build_air(inputs, Policy(), TODAY)["recall"]
    assert len(recall) == (state == "failed")
    if state == "failed" and not any("oil_mg_m3" in t and t.get("oil_mg_m3") == 0.9 for t in after):
        assert recall["since"].iloc[0] == pd.Timestamp("2026-02-10")
        assert row.air_failed_on == pd.Timestamp("2026-03-20") and "carbon monoxide 9 ppm" in row.air_fault


def test_a_failure_reaches_back_to_the_last_time_that_quantity_was_good():
    tests = [sample("2026-01-10"), sample("2026-02-20", only=True, oil_mg_m3=0.1), sample("2026-03-20", co_ppm=9.0)]
    fills = [fill("OLD", "2026-01-09"), fill("BEHIND", "2026-02-25"), fill("SINCE", "2026-01-15")]
    assert states(fills, tests=tests) == ["never_tested", "failed_later", "failed_later"]
    recall = build_air(station(fills, tests=tests), Policy(), TODAY)["recall"]
    assert recall["fill_id"].tolist() == ["BEHIND", "SINCE"] and (recall["since"] == pd.Timestamp("2026-01-10")).all()


def test_what_was_never_found_good_has_no_since():
    recall = build_air(station([fill("F", "2026-04-01")], tests=[CO_FAILED]), Policy(), TODAY)["recall"]
    assert recall["since"].isna().all()


def test_each_quantity_falls_due_by_its_own_last_measurement():
    tests = [sample("2025-11-01"), sample("2026-03-01", only=True, oil_mg_m3=0.1)]
    assert states([fill("F", "2026-04-01")], tests=tests) == ["overdue"]
    row = build_air(station([], tests=tests), Policy(), TODAY)["compressor_health"].iloc[0]
    assert row.air_test_due_on == pd.Timestamp("2026-02-01") and "air_test_is_overdue" in row.reasons


def test_a_test_of_some_quantities_is_not_called_passed():
    some = {"o2_pct": 20.9, "co_ppm": 1.0}
    assert states([fill("F", "2026-04-01")], tests=[sample("2026-03-01", only=True, **some)]) == ["partly_tested"]


@pytest.mark.parametrize("rule_set", ["uk", "us", "de", "fr", "au", "adr"])
@pytest.mark.parametrize("bad", [{"o2_pct": 19.4}, {"o2_pct": 23.0}, {"water_mg_m3": 120.0}, {"odour": True}])
def test_oxygen_water_and_smell_are_judged_under_every_rule_set(rule_set, bad):
    assert states([fill("F", "2026-04-01")], Policy(rule_set=rule_set), tests=[sample("2026-03-01", **bad)]) == [
        "failed"
    ]


def test_hydrocarbons_are_judged_where_the_standard_limits_them():
    tests = [sample("2026-03-01", hydrocarbons_ppm=60.0)]
    grade_e = Policy(rule_set="us", air=Air(purity_standard="cga_e"))
    assert states([fill("F", "2026-04-01")], grade_e, tests=tests) == ["failed"]
    assert states([fill("F", "2026-04-01")], Policy(rule_set="us"), tests=tests) == ["passed"]


def test_a_test_after_the_day_taken_as_today_is_not_known_yet():
    inputs = station([fill("F", "2026-02-01")], tests=TESTS)
    assert air_state_of_fills(inputs, Policy(), pd.Timestamp("2026-03-01"))["air_state"].tolist() == ["passed"]
    made = build_air(inputs, Policy(), pd.Timestamp("2026-03-01"))
    assert made["recall"].empty and made["air_quality"]["sampled_on"].max() == pd.Timestamp("2026-01-10")


def test_oil_that_is_too_much_for_oxygen_clean_cylinders_is_said_of_the_compressor_that_feeds_them():
    """0.1 mg/m³ is from memory: it marks, it fails nothing."""
    sources = [{"source_id": "B", "kind": "bank", "fed_by": "K1", "oxygen_compatible": True}]
    for oil, said in ((0.3, True), (0.1, False)):
        inputs = frames(sources=sources, compressors=[{"compressor_id": "K1"}],
                        air_tests=[sample("2026-04-10", oil_mg_m3=oil)])  # fmt: skip
        row = build_air(inputs, Policy(), TODAY)["compressor_health"].iloc[0]
        assert ("air_not_oxygen_compatible" in row.reasons) == said and row.air_state == "passed"
    for first, last, said in ((0.3, 0.1, False), (0.1, 0.3, True)):  # the newest test says how it is
        oily = [sample("2026-01-10", oil_mg_m3=first), sample("2026-04-10", oil_mg_m3=last)]
        inputs = frames(sources=sources, compressors=[{"compressor_id": "K1"}], air_tests=oily)
        row = build_air(inputs, Policy(), TODAY)["compressor_health"].iloc[0]
        assert ("air_not_oxygen_compatible" in row.reasons) == said


# --- where the gas came from is not known -----------------------------------------------------
TWO = [
    {"source_id": "K1", "kind": "compressor"},
    {"source_id": "K2", "kind": "compressor"},
    {"source_id": "BOTH", "kind": "bank", "fed_by": "K1;K2"},
    {"source_id": "AIR", "kind": "bank", "o2_pct": 20.95},
    {"source_id": "O2", "kind": "bank", "o2_pct": 100.0},
]


def two(fills, tests, **more):
    return frames(fills=fills, sources=TWO, air_tests=tests, **more)


def test_of_two_compressors_that_feed_a_bank_the_failed_one_counts():
    tests = [sample("2026-03-01", "K1"), sample("2026-03-01", "K2", co_ppm=9.0)]
    air = air_state_of_fills(two([fill("F", "2026-04-01", "BOTH")], tests), Policy(), TODAY).iloc[0]
    assert (air.air_state, air.compressor_id) == ("failed", "K2")
    both = [sample("2026-03-20", "K1", co_ppm=9.0), sample("2026-03-01", "K2", co_ppm=9.0)]
    for tests in (both, [t | {"compressor_id": "K3" if t["compressor_id"] == "K2" else "K2"} for t in both]):
        fed = [*TWO[:2], {"source_id": "K3", "kind": "compressor"}, {"source_id": "BOTH", "fed_by": "K1;K2;K3"}]
        inputs = frames(fills=[fill("F", "2026-04-01", "BOTH")], sources=fed, air_tests=tests)
        air = air_state_of_fills(inputs, Policy(), TODAY).iloc[0]
        assert str(air.failed_on.date()) == "2026-03-20"  # of several that failed the last says why


@pytest.mark.parametrize(
    "source, more, state",
    [
        (None, {}, "source_unknown"),
        ("somebody's van", {}, "source_unknown"),
        ("AIR", {}, "source_unknown"),  # what filled the bank is not said
        ("O2", {"fill_method": "banked_mix"}, "not_traced"),  # bought oxygen
        ("O2", {"fill_method": "partial_pressure"}, "source_unknown"),  # the air that topped it is not said
        ("K1", {}, "passed"),
    ],
)
def test_gas_of_unknown_origin_is_in_doubt_while_a_compressor_stands_failed(source, more, state):
    tests = [sample("2026-03-01", "K1"), sample("2026-03-20", "K2", co_ppm=9.0)]
    fills = [fill("F", "2026-03-29", source, **more)]
    assert air_state_of_fills(two(fills, tests), Policy(), TODAY)["air_state"].tolist() == [state]
    recall = build_air(two(fills, tests), Policy(), TODAY)["recall"]
    assert len(recall) == (state == "source_unknown")
    if len(recall):
        assert recall["reason"].iloc[0].startswith("Source unknown") and "carbon monoxide" in recall["reason"].iloc[0]
    fixed = [*tests, sample("2026-03-25", "K2")]
    assert "source_unknown" not in air_state_of_fills(two(fills, fixed), Policy(), TODAY)["air_state"].tolist()


def test_a_compressor_casts_doubt_on_the_stations_it_fills_at():
    known = [fill("A", "2026-03-01", "K1", station_id="quay"), fill("B", "2026-03-01", "K2", station_id="lake")]
    fills = [*known, *(fill(s or "none", "2026-04-01", None, station_id=s) for s in ("quay", "lake", None))]
    tests = [sample("2026-02-01", "K1"), sample("2026-02-01", "K2"), sample("2026-03-20", "K2", co_ppm=9.0)]
    got = air_state_of_fills(two(fills, tests), Policy(), TODAY)["air_state"].tolist()
    assert got == ["passed", "failed_later", "not_traced", "source_unknown", "source_unknown"]


def test_where_no_fill_of_a_station_names_a_source_any_compressor_may_stand_there():
    fills = [fill("A", "2026-03-01", "K1", station_id="quay"), fill("B", "2026-04-01", None, station_id="hut")]
    tests = [sample("2026-02-01", "K1"), sample("2026-03-20", "K1", co_ppm=9.0)]
    assert air_state_of_fills(two(fills, tests), Policy(), TODAY)["air_state"].iloc[1] == "source_unknown"


@pytest.mark.parametrize(
    "source, tests, state",
    [
        (None, [("K1", "2025-06-01"), ("K2", "2025-07-01")], "overdue"),
        (None, [("K2", "2025-07-01")], "never_tested"),
        (None, [], "never_tested"),
        ("somebody's van", [("K1", "2025-06-01"), ("K2", "2025-06-01")], "overdue"),
        (None, [("K1", "2025-06-01"), ("K2", "2026-03-01")], "not_traced"),  # it may have come from the good one
        ("AIR", [("K1", "2025-06-01")], "not_traced"),  # a bank may be filled by others
    ],
)
def test_gas_from_any_of_several_compressors_is_no_better_tested_than_the_best_of_them(source, tests, state):
    made = two([fill("F", "2026-04-01", source)], [sample(day, name) for name, day in tests])
    assert air_state_of_fills(made, Policy(), TODAY)["air_state"].tolist() == [state]


def test_a_bank_that_names_no_feed_is_in_doubt_today_while_a_compressor_stands_failed():
    tests = [sample("2026-03-01", "K1"), sample("2026-03-20", "K2", co_ppm=9.0)]
    made = build_air(two([], tests), Policy(), TODAY)["gas_sources"].set_index("source_id")
    assert made["air_state"].to_dict() == {
        "K1": "passed", "K2": "failed", "BOTH": "failed", "AIR": "source_unknown", "O2": "not_traced",
    }  # fmt: skip
    fed = [*TWO[:4], TWO[4] | {"fed_by": "the other compressor"}]  # who fills it himself has not bought it
    made_of = frames(sources=fed, air_tests=tests)
    assert build_air(made_of, Policy(), TODAY)["gas_sources"].set_index("source_id").loc["O2", "air_state"] == (
        "source_unknown"
    )
    assert made.loc["AIR", "compressor_id"] == "K2" and str(made.loc["AIR", "air_failed_on"].date()) == "2026-03-20"


def test_suspect_gas_is_followed_into_the_set_its_cylinder_joins():
    """L was filled alone behind the failure, then joined to R: topped from 150 bar the set holds it still."""
    cylinders = [{"cylinder_id": c, "owner_id": "station", "status": "in_service"} for c in "LR"]
    members = [{"set_id": "T", "cylinder_id": c, "position": p, "from_on": "2026-04-05"}
               for c, p in (("L", "left"), ("R", "right"))]  # fmt: skip
    fills = [fill("ALONE", "2026-03-20", unit="L"), fill("SET", "2026-04-12", unit="T", start=150.0)]
    inputs = station(fills, cylinders=cylinders, set_members=members)
    recall = build_air(inputs, Policy(), TODAY)["recall"]
    assert recall["fill_id"].tolist() == ["ALONE"] and recall["cylinder_ids"].iloc[0] == ["L", "R"]
    # each side refilled alone: the one that was emptied holds it no more, the other still does
    apart = [*fills, fill("L", "2026-04-13", unit="L", start=1.0), fill("R", "2026-04-13", unit="R", start=150.0)]
    recall = build_air(station(apart, cylinders=cylinders, set_members=members), Policy(), TODAY)["recall"]
    assert recall.set_index("fill_id").loc["ALONE", "cylinder_ids"] == ["R"]
    emptied = [fills[0], fill("SET", "2026-04-12", unit="T", start=1.0)]
    assert build_air(station(emptied, cylinders=cylinders, set_members=members), Policy(), TODAY)["recall"].empty


def test_a_failed_test_stops_the_compressor():
    inputs = frames(compressors=[{"compressor_id": "K1"}, {"compressor_id": "K2"}], air_tests=TESTS[:2])
    made = build_air(inputs, Policy(), TODAY)["compressor_health"].set_index("compressor_id")
    assert made.loc["K1", "state"] == "stop" and "compressor_air_failed" in made.loc["K1", "reasons"]
    assert "air_never_tested" in made.loc["K2", "reasons"] and np.isnan(made.loc["K2", "hours"])


def test_no_sources_and_no_tests_give_empty_tables():
    assert all(table.empty for table in build_air(frames(), Policy(), TODAY).values())


def test_where_one_of_two_failed_quantities_was_never_good_nobody_knows_since_when_the_air_is_bad():
    day = np.array(["2031-01-01", "2031-05-01", "2031-05-01"], "datetime64[D]")
    for never_good in (False, True):
        quantity = np.array(["oil", "co" if never_good else "oil", "oil"], dtype=object)
        failed = np.array([False, True, True])
        record = AirRecord(pd.Index(["K"]), ("co", "oil"), np.zeros(3, int), day, quantity, failed)
        row = air_on_days(record, np.array(["K"], dtype=object), np.array(["2031-05-02"]), Policy()).iloc[0]
        assert row["state"] == "failed" and (pd.isna(row["last_good_on"]) is never_good)
