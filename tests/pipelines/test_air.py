"""Air: which fills stand behind a failed test, who has them, and how the compressor is."""

import numpy as np
import pandas as pd
import pytest

from pipelines.build.air import air_state_of_fills, build_air, co_limit
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
TESTS = [
    {"compressor_id": "K1", "sampled_on": "2026-01-10", "co_ppm": 2.0},
    {"compressor_id": "K1", "sampled_on": "2026-03-10", "co_ppm": 9.0},
    {"compressor_id": "K1", "sampled_on": "2026-04-10", "co_ppm": 2.0},
]


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
    return air_state_of_fills(station(fills, **more), policy)["air_state"].tolist()


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


def test_a_test_that_measured_nothing_is_no_test():
    assert states([fill("F", "2026-01-20")], tests=[{"compressor_id": "K1", "sampled_on": "2026-01-10"}]) == [
        "never_tested"
    ]


def test_recall_reaches_back_to_the_last_good_test_through_the_banks_and_says_who_has_them():
    fills = [
        fill("BEFORE", "2026-01-08"),
        fill("LENT", "2026-02-01", unit="A"),
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
    made = build_air(station(fills, cylinders=cylinders, loans=loans), None, Policy(), TODAY)["recall"].set_index(
        "fill_id"
    )
    assert set(made.index) == {"LENT", "HANDED", "KEPT", "THINNED"}
    assert made["held_by"].to_dict() == {"LENT": "M1", "HANDED": "M2", "KEPT": "station", "THINNED": "station"}
    assert made.loc["KEPT", "since"] == pd.Timestamp("2026-01-10", tz="UTC")
    assert "carbon monoxide 9 ppm, limit 5" in made.loc["LENT", "reason"]


def test_each_limit_of_a_test_has_a_row():
    rows = build_air(station([]), None, Policy(), TODAY)["air_quality"]
    assert len(rows) == 3 * 5
    one = rows[(rows["sampled_on"] == "2026-03-10") & (rows["quantity"] == "co_ppm")].iloc[0]
    assert (one.value, one.limit, one.verdict) == (9.0, 5.0, "fail") and "EN 12021:2014" in one.limit_source
    assert (rows.loc[rows["quantity"] == "oil_mg_m3", "verdict"] == "not_measured").all()


def log(*rows):
    return [
        {"compressor_id": "K1", "read_at": f"{day}T08:00Z", "hours": hours, "event": event} | more
        for day, hours, event, more in rows
    ]


def health(rows, **compressor):
    inputs = frames(compressors=[{"compressor_id": "K1"} | compressor], compressor_log=log(*rows), air_tests=TESTS[-1:])
    return build_air(inputs, None, Policy(), TODAY)["compressor_health"].iloc[0]


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


def test_free_air_delivery_counts_real_gas():
    """CoolProp air, 20 °C: what 50 L gain from 50 to 250 bar (g) in 40 minutes, in litres at 1 bar and 15 °C."""
    PropsSI = pytest.importorskip("CoolProp.CoolProp").PropsSI
    mol = [50e-3 * PropsSI("DMOLAR", "T", 293.15, "P", (p + 1.01325) * 1e5, "Air") for p in (50, 250)]
    litres = (mol[1] - mol[0]) * 8.314462618 * 288.15 / 1e5 * 1000
    run = {
        "ambient_c": 20.0,
        "pumped_from_bar": 50.0,
        "pumped_to_bar": 250.0,
        "pumped_volume_l": 50.0,
        "pumped_minutes": 40.0,
    }
    row = health([("2026-04-01", 100.0, "reading", run)], rated_delivery_free_l_min=260.0)
    assert row.free_air_delivery_l_min == pytest.approx(litres / 40, rel=0.0015)
    assert (
        row.delivery_change_pct == pytest.approx(100 * (litres / 40 / 260 - 1), abs=0.2)
        and "delivery_falls" in row.reasons
    )


def test_service_falls_due_at_the_present_use():
    rows = [
        ("2026-02-01", 500.0, "service", {}),
        ("2026-03-01", 528.0, "reading", {}),
        ("2026-03-29", 556.0, "reading", {}),
    ]
    assert health(rows, service_hours=100.0).service_due_on == pd.Timestamp("2026-05-12")
    late = health([*rows, ("2026-04-10", 601.0, "reading", {})], service_hours=100.0)
    assert late.service_due_on == pd.Timestamp("2026-04-10") and "service_due" in late.reasons


def test_the_next_air_test_is_three_calendar_months_on_under_uk():
    assert health([]).air_test_due_on == pd.Timestamp("2026-07-10")


def test_a_failed_test_stops_the_compressor():
    inputs = frames(compressors=[{"compressor_id": "K1"}, {"compressor_id": "K2"}], air_tests=TESTS[:2])
    made = build_air(inputs, None, Policy(), TODAY)["compressor_health"].set_index("compressor_id")
    assert made.loc["K1", "state"] == "stop" and "compressor_air_failed" in made.loc["K1", "reasons"]
    assert "air_never_tested" in made.loc["K2", "reasons"] and np.isnan(made.loc["K2", "hours"])


def test_no_sources_and_no_tests_give_empty_tables():
    assert all(table.empty for table in build_air(frames(), None, Policy(), TODAY).values())
