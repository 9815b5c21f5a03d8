"""The fleet's table: what may be filled, who has it, what stands against it."""

import pandas as pd
import pytest

from pipelines.derive.fleet.findings import finding_reasons
from pipelines.derive.fleet.health import _side_of_flagged_set, _unusual_use, build_fleet
from pipelines.derive.fleet.inspections import unit_states_at
from pipelines.derive.fleet.leaks import build_leaks
from pipelines.derive.units import build_units
from schemas.codes import all_codes
from schemas.frames import conform
from schemas.policy import Policy
from schemas.tables import TABLES
from tests.pipelines.fleet_frames import frames

TODAY = pd.Timestamp("2026-06-01")
NO_DIVES = pd.DataFrame(
    {c: pd.Series(dtype="str") for c in ("member_id", "dive_id", "unit_id")}
    | {
        c: pd.Series(dtype="float64")
        for c in ("start_pressure_bar", "end_pressure_bar", "o2_pct", "he_pct", "gas_used_free_l")
    }
)
QUALITY = [
    "fill_id",
    "filled_at",
    "unit_id",
    "station_id",
    "gauge_id",
    "start_pressure_bar",
    "stop_pressure_bar",
    "target_pressure_bar",
    "ambient_c",
    "fill_minutes",
]


def cylinder(name, **more):
    return {
        "cylinder_id": name,
        "owner_id": "station",
        "status": "in_service",
        "material": "steel",
        "water_capacity_l": 12.0,
        "working_pressure_bar": 232.0,
        "manufactured_on": "2020-01-01",
    } | more


def passed(name, on, kind="hydrostatic", **more):
    return {"cylinder_id": name, "kind": kind, "result": "pass", "inspected_on": on} | more


def fill(name, at, unit, settled=228.0, **more):
    return {
        "fill_id": name,
        "filled_at": at,
        "unit_id": unit,
        "station_id": "P",
        "gauge_id": "G",
        "start_pressure_bar": 50.0,
        "stop_pressure_bar": 240.0,
        "target_pressure_bar": 232.0,
        "ambient_c": 15.0,
        "settled_pressure_bar": settled,
    } | more


def fleet(cylinders, fills=(), not_taken=(), **sources):
    inputs = frames(cylinders=cylinders, fills=list(fills), **sources)
    inputs["inspections_not_taken"] = pd.DataFrame({"cylinder_id": list(not_taken)}, dtype="str")
    quality = inputs["fills"][QUALITY].assign(
        settled_pressure_bar_15c=inputs["fills"]["settled_pressure_bar"],
        settled_low_bar_15c=inputs["fills"]["settled_pressure_bar"] - 1.0,
        settled_high_bar_15c=inputs["fills"]["settled_pressure_bar"] + 1.0,
        gas_c_basis="settled",
        o2_pct=20.95,
        he_pct=0.0,
    )
    units = build_units(inputs, TODAY)["units"]
    leaks = build_leaks(inputs, quality, NO_DIVES, Policy())
    made = build_fleet(inputs, units, quality, NO_DIVES, leaks, Policy(), TODAY)
    for name, table in made.items():
        conform(table, TABLES[name].fields.values())
    return made["cylinder_health"].set_index("cylinder_id"), made["cylinder_life"]


def test_a_cylinder_tells_its_dates_its_holder_and_its_fills():
    health, life = fleet(
        [cylinder("A"), cylinder("B", owner_id="M2")],
        [
            fill("F1", "2025-01-10T10:00Z", "A"),
            fill("F2", "2025-07-10T10:00Z", "A"),
            fill("F3", "2026-05-10T10:00Z", "A", settled=215.0),
        ],
        inspections=[passed("A", "2025-03-01")],
        loans=[{"unit_id": "A", "member_id": "M1", "out_at": "2026-05-20T10:00Z", "due_on": "2026-05-25"}],
    )
    a, b = health.loc["A"], health.loc["B"]
    assert (a.next_due_on, a.next_due_kind, a.days_to_due, a.inspection_state) == (
        pd.Timestamp("2027-09-01"),
        "visual",
        457,
        "in_date",
    )
    assert (a.held_by, b.held_by) == ("M1", "M2") and "loan_overdue" in a.score_reasons
    assert (a.fills_since_hydrostatic, a.fills_out_of_date) == (2, 1)  # under uk the visual of 2022-07 was never made
    assert a.short_fill_share == 1 / 3
    assert b.inspection_state == "out_of_date"
    assert life.loc[life["cylinder_id"].eq("A"), "event"].value_counts()["filled"] == 3


def test_without_a_hydrostatic_test_on_record_every_fill_is_one_since():
    health, _ = fleet([cylinder("A")], [fill("F1", "2025-01-10T10:00Z", "A"), fill("F2", "2026-05-10T10:00Z", "A")],
                      inspections=[passed("A", "2026-01-01", "visual")])  # fmt: skip
    assert health.loc["A", "fills_since_hydrostatic"] == 2


def test_out_of_test_while_out_is_reported():
    health, _ = fleet([cylinder("A")], loans=[{"unit_id": "A", "member_id": "M1", "out_at": "2026-05-20T10:00Z"}])
    assert "out_of_test_on_loan" in health.loc["A", "score_reasons"]


def test_a_loaned_set_is_with_the_member_who_has_it():
    pair = [cylinder(c, set_id="S", set_kind="manifolded", set_position=p) for c, p in (("L", "left"), ("R", "right"))]
    health, _ = fleet(pair, loans=[{"unit_id": "S", "member_id": "M1", "out_at": "2026-05-20T10:00Z"}])
    assert health["held_by"].tolist() == ["M1", "M1"]


@pytest.mark.parametrize(
    "loan, with_member, overdue",
    [
        ({"due_on": "2026-05-31"}, True, True),
        ({"due_on": "2026-06-01"}, True, False),  # due today is not late
        ({"due_on": "2026-05-25", "back_at": "2026-05-30T10:00Z"}, False, False),
        ({"due_on": "2026-05-25", "back_at": "2026-06-02T10:00Z"}, True, True),  # not back yet on that day
    ],
)
def test_a_loan_ends_when_it_is_back_and_is_late_after_its_day(loan, with_member, overdue):
    out = {"unit_id": "A", "member_id": "M1", "out_at": "2026-05-20T10:00Z"}
    a = fleet([cylinder("A", owner_id="M2")], loans=[out | loan])[0].loc["A"]
    assert a.held_by == ("M1" if with_member else "M2")
    assert ("loan_overdue" in a.score_reasons) == overdue


def test_a_life_tells_with_how_much_a_lent_cylinder_came_back():
    loan = {"unit_id": "A", "member_id": "M1", "out_at": "2026-05-20T10:00Z", "back_at": "2026-05-24T10:00Z"}
    _, life = fleet([cylinder("A")], loans=[loan | {"back_pressure_bar": 70.0}])
    told = life.set_index("event")
    assert told.loc["returned", ["value", "code"]].tolist() == [70.0, "M1"]
    assert pd.isna(told.loc["lent", "value"]) and told.loc["lent", "code"] == "M1"


@pytest.mark.parametrize("short, said", [(1, False), (2, True)])
def test_short_in_two_of_five_fills_is_often_where_the_fleet_is_not(short, said):
    """Three in ten and a fifth above the fleet's middle: common practice, no source."""
    fills = [fill(f"F{c}{n}", f"2026-05-{n:02d}T{10 + k}:00Z", c) for k, c in enumerate("ABC") for n in range(1, 6)]
    for row in fills[:short]:
        row["settled_pressure_bar"] = 215.0
    health, _ = fleet([cylinder(c) for c in "ABC"], fills)
    assert health.loc["A", "short_fill_share"] == short / 5
    assert ["often_short" in reasons for reasons in health["score_reasons"]] == [said, False, False]


def test_where_all_fills_are_short_it_is_not_the_cylinder():
    fills = [
        fill(f"F{c}{n}", f"2026-05-{n:02d}T{10 + k}:00Z", c, 215.0) for k, c in enumerate("AB") for n in range(1, 6)
    ]
    health, _ = fleet([cylinder(c) for c in "AB"], fills)
    assert health["short_fill_share"].tolist() == [1.0, 1.0]
    assert not any("often_short" in reasons for reasons in health["score_reasons"])


@pytest.mark.parametrize(
    ("days_ago", "of_four", "said"),
    [(2, [1, 0, 0, 0], True), (60, [1, 0, 0, 0], True), (61, [1, 0, 0, 0], False), (2, [1, 1, 0, 0], False)],
)
def test_a_drop_nobody_logged_is_said_for_sixty_days_unless_it_is_a_habit(days_ago, of_four, said):
    at = pd.Series([TODAY - pd.Timedelta(days=days_ago - 0.5)] * 4).dt.tz_localize("UTC")
    intervals = pd.DataFrame({"unit_id": "A", "unexplained": [bool(n) for n in of_four], "to_at": at})
    assert _unusual_use(pd.Series(["A"]), intervals, TODAY, "UTC").tolist() == [said]


@pytest.mark.parametrize(
    ("kind", "flags", "basis", "said"),
    [
        ("manifolded", [True, False], "cylinder", [True, False]),
        ("manifolded", [True, True], "cylinder", [False, False]),  # both: of neither side alone
        ("manifolded", [True, False], "set", [False, False]),  # the set was read, not its sides
        ("sidemount", [True, False], "cylinder", [False, False]),  # two cylinders, no sides of one set
    ],
)
def test_a_side_leaks_where_its_own_gauge_says_so_and_the_others_does_not(kind, flags, basis, said):
    pair = [cylinder(c, set_id="S", set_kind=kind) for c in "AB"]
    health = pd.DataFrame({"set_id": "S", "leak_flag": pd.array(flags, "boolean"), "leak_basis": basis}, index=[0, 1])
    assert _side_of_flagged_set(pd.Series(["A", "B"]), health, frames(cylinders=pair)).tolist() == said


def test_due_soon_begins_sixty_days_before():
    cylinders = [cylinder("A"), cylinder("B")]
    visual = [passed("A", "2024-01-31"), passed("B", "2024-02-01")]
    health, _ = fleet(cylinders, inspections=visual)
    assert health["next_due_on"].tolist() == [pd.Timestamp("2026-07-31"), pd.Timestamp("2026-08-01")]
    assert health["days_to_due"].tolist() == [60, 61]
    assert health["inspection_state"].tolist() == ["due_soon", "in_date"]


def test_findings_over_time_stand_against_a_cylinder():
    health, _ = fleet(
        [cylinder("A", boot_fitted=True, empty_mass_kg=14.0), cylinder("B", set_id="S", set_kind="manifolded")],
        inspections=[
            passed("A", "2023-01-01", "visual", finding="corrosion"),
            passed("A", "2025-06-01", finding="pitting", found_mass_kg=13.6),
            passed("B", "2025-06-01", finding="thread"),
            passed("B", "2019-06-01", "visual"),
        ],
    )
    assert {"corrosion_again", "boot_hides_base", "mass_lost"} <= set(health.loc["A", "score_reasons"])
    assert {"thread_finding_in_set", "inspection_before_manufacture"} <= set(health.loc["B", "score_reasons"])


@pytest.mark.parametrize(
    ("cylinders", "found", "codes"),
    [
        ({}, {"finding": "corrosion"}, set()),
        ({"boot_fitted": True, "material": "aluminium"}, {"finding": "corrosion"}, set()),
        ({}, {"found_mass_kg": 13.8}, set()),  # 1.4 % off; a fiftieth: common practice, no source
        ({}, {"found_mass_kg": 13.7}, {"mass_lost"}),
        ({}, {"found_mass_kg": 14.2}, set()),
        ({}, {"found_mass_kg": 14.3}, {"mass_gained"}),
        ({}, {"permanent_expansion_pct": 4.9}, set()),
        ({}, {"permanent_expansion_pct": 10.1}, {"permanent_expansion_high"}),
        ({"working_pressure_bar": 300.0}, {}, {"valve_rating_unknown"}),  # a valve of 232 bar fits its neck
        ({"working_pressure_bar": 300.0, "valve_pressure_bar": 300.0}, {}, set()),
    ],
)
def test_one_finding_within_its_bound_stands_against_nothing(cylinders, found, codes):
    inputs = frames(
        cylinders=[cylinder("A", empty_mass_kg=14.0) | cylinders], inspections=[passed("A", "2025-06-01", **found)]
    )
    units = build_units(inputs, TODAY)["units"].assign(flags=[[]])
    assert {code for code, who in finding_reasons(inputs, units).items() if who} == codes


@pytest.mark.parametrize(
    "kind, passed_on, still_open",
    [
        ("visual", "2025-05-01", True),
        ("visual", "2025-06-01", True),
        ("visual", "2025-06-02", False),
        ("hydrostatic", "2025-06-02", False),
        ("valve_service", "2025-06-02", True),
        ("oxygen_clean", "2025-06-02", True),
    ],
)
def test_a_thread_finding_stands_until_a_later_pass_of_those_who_look_at_the_neck(kind, passed_on, still_open):
    found = passed("A", "2025-06-01", "visual", result="fail", finding="thread")
    health, _ = fleet([cylinder("A")], inspections=[found, passed("A", passed_on, kind)])
    reasons = set(health.loc["A", "score_reasons"])
    assert ("thread_finding" in reasons) is still_open and ("thread_finding_passed" in reasons) is not still_open


STATES_AND_CODES = [
    ([cylinder("A", manufactured_on=None)], []),
    ([cylinder("A", status="withdrawn")], []),
    ([cylinder("A", status="condemned")], []),
    ([cylinder("A", material="composite")], []),
    ([cylinder("A", material="composite", service_life_ends_on="2026-01-01")], []),
    ([cylinder("A", rule_set="mars")], []),
    ([cylinder("A", rule_set="au", alloy="6351-T6", material="aluminium")], []),
    ([cylinder("A")], [passed("A", "2025-06-01", "visual", result="fail")]),
    ([cylinder("A")], [passed("A", "2025-06-01", "valve_service", result="fail")]),
    ([cylinder("A")], [passed("A", "2015-06-01")]),
    ([cylinder("A")], [passed("A", "2026-01-01")]),
]


@pytest.mark.parametrize("cylinders, inspections", STATES_AND_CODES)
def test_a_code_forbids_filling_just_where_the_state_does(cylinders, inspections):
    """What codes say of filling to the pages, and the rules of inspection: they agree."""
    health, _ = fleet(cylinders, inspections=inspections)
    row = health.loc["A"]
    barred = row["inspection_state"] not in ("in_date", "due_soon") or row["status"] != "in_service"
    assert any(all_codes()[code].forbids_filling for code in row["score_reasons"]) is barred, row["score_reasons"]


def test_a_pass_after_condemned_is_flagged_and_does_not_count():
    health, _ = fleet(
        [cylinder("A")], inspections=[passed("A", "2025-01-01", result="condemned"), passed("A", "2025-06-01")]
    )
    assert health.loc["A", "inspection_state"] == "condemned" and pd.isna(health.loc["A", "next_due_on"])
    assert "pass_after_condemned" in health.loc["A", "score_reasons"]


def test_a_rejected_row_that_may_say_it_failed_stands_against_its_cylinder():
    health, _ = fleet([cylinder("A"), cylinder("B")], not_taken=["A"])
    assert ["inspection_not_taken" in codes for codes in health["score_reasons"]] == [True, False]


def test_every_reason_has_its_sentence():
    health, _ = fleet(
        [
            cylinder("A", status="withdrawn", regime="x", material="composite"),
            cylinder("B", status="condemned", rule_set="zz"),
        ]
    )
    said = {code for codes in health["score_reasons"] for code in codes}
    assert said and said <= set(all_codes())


def test_a_set_is_in_test_and_oxygen_clean_only_if_both_cylinders_are():
    pair = [cylinder(c, set_id="S", set_kind="manifolded", set_position=p) for c, p in (("L", "left"), ("R", "right"))]
    rows = [passed("L", "2026-01-01"), passed("R", "2026-01-01"), passed("L", "2026-01-02", "oxygen_clean")]
    asked = pd.Series(["S", "L", "R", "NOBODY"]), pd.Series(pd.to_datetime(["2026-05-01T10:00Z"] * 4))
    found = unit_states_at(frames(cylinders=pair, inspections=rows), Policy(), *asked)
    assert found["in_test"].tolist() == [True, True, True, False] and found["oxygen_clean"].tolist() == [
        False,
        True,
        False,
        False,
    ]
    later = unit_states_at(
        frames(cylinders=pair, inspections=[*rows, passed("R", "2026-04-01", "visual", result="fail")]),
        Policy(),
        *asked,
    )
    assert later["in_test"].tolist() == [False, True, False, False] and "visual_failed" in later["reasons"].iloc[0]
    # what is logged as its left side alone is joined to the right one all the same
    assert found["other_side_unfit"].tolist() == [False] * 4
    assert found["all_oxygen_clean"].tolist() == [False, False, False, False]
    assert later["other_side_unfit"].tolist() == [False, True, False, False]
    assert "visual_failed" in later["reasons"].iloc[1]


@pytest.mark.parametrize(
    ("day", "unfit"),
    [("2026-03-01", False), ("2026-04-02", True), ("2026-06-02", False)],
    ids=["before they were a set", "while they were", "after"],
)
def test_a_side_hangs_on_the_other_on_the_days_of_their_set(day, unfit):
    pair = [cylinder("L", set_id="S", set_kind="manifolded"), cylinder("R", status="withdrawn")]
    members = [
        {"set_id": "S", "cylinder_id": c, "position": p, "from_on": "2026-04-01", "to_on": "2026-06-01"}
        for c, p in (("L", "left"), ("R", "right"))
    ]
    inputs = frames(cylinders=pair, inspections=[passed(c, "2026-01-01") for c in "LR"], set_members=members)
    at = pd.Series(pd.to_datetime([f"{day}T10:00Z"]))
    found = unit_states_at(inputs, Policy(), pd.Series(["L"]), at)
    assert found["in_test"].tolist() == [True] and found["other_side_unfit"].tolist() == [unfit]


def test_a_set_of_today_is_not_older_than_its_cylinders():
    pair = [
        cylinder(c, set_id="S", set_kind="manifolded", manufactured_on=made)
        for c, made in (("L", "2020-01-01"), ("R", "2026-03-01"))
    ]
    inputs = frames(cylinders=pair, inspections=[passed("L", "2025-06-01"), passed("R", "2026-04-01", result="fail")])
    at = pd.Series(pd.to_datetime(["2026-02-01T10:00Z", "2026-05-01T10:00Z"]))
    assert unit_states_at(inputs, Policy(), pd.Series(["L", "L"]), at)["other_side_unfit"].tolist() == [False, True]


@pytest.mark.parametrize("other", ["nobody", "named by the set's history alone"])
def test_of_a_joined_set_with_one_registered_side_nothing_is_known(other):
    """The contract: a set is in test or oxygen clean only if both cylinders are."""
    members = [{"set_id": "S", "cylinder_id": c, "position": p} for c, p in (("L", "left"), ("R", "right"))]
    inputs = frames(
        cylinders=[cylinder("L", set_id="S", set_kind="manifolded", set_position="left")],
        inspections=[passed("L", "2026-01-01"), passed("L", "2026-01-02", "oxygen_clean")],
        set_members=[] if other == "nobody" else members,
    )
    at = pd.Series(pd.to_datetime(["2026-02-03T10:00Z"] * 2))
    found = unit_states_at(inputs, Policy(), pd.Series(["S", "L"]), at)
    assert found["in_test"].tolist() == [False, True] and found["oxygen_clean"].tolist() == [False, True]
    assert found["inspection_state"].tolist() == ["unknown", "in_date"] and "set_incomplete" in found["reasons"].iloc[0]
    assert found["other_side_unfit"].tolist() == [False, True]


def test_the_day_of_a_fill_is_the_stations_day():
    """A fill at 23:30 UTC in summer is the next day in London: the last day in test is over."""
    rows = [passed("A", "2021-07-01"), passed("A", "2024-06-01", "visual")]
    inputs = frames(cylinders=[cylinder("A")], inspections=rows)
    asked = pd.Series(["A", "A"]), pd.Series(pd.to_datetime(["2026-07-01T22:30Z", "2026-07-01T23:30Z"]))
    assert unit_states_at(inputs, Policy(), *asked)["in_test"].tolist() == [True, False]


def test_a_set_of_which_one_cylinder_is_withdrawn_is_withdrawn_and_of_a_stranger_nothing_is_known():
    pair = [cylinder(n, set_id="S", set_position=p, set_kind="manifolded") for n, p in (("L", "left"), ("R", "right"))]
    inputs = frames(cylinders=[pair[0], pair[1] | {"status": "withdrawn"}], inspections=[passed("L", "2026-01-01")])
    at = pd.Series(pd.to_datetime(["2026-02-03T10:00Z"] * 3))
    found = unit_states_at(inputs, Policy(), pd.Series(["S", "L", "stranger"]), at)
    assert found["withdrawn"].tolist()[:2] == [True, False]
    assert "no_inspection_known" in found["reasons"].iloc[2] and not bool(found["in_test"].fillna(False).iloc[2])


def test_a_fill_of_unclean_gas_ends_the_oxygen_clean_state_for_the_next():
    fills = [fill("F1", "2026-02-01T10:00Z", "A", source_id="BANK")]
    inputs = frames(
        cylinders=[cylinder("A")],
        fills=fills,
        sources=[{"source_id": "BANK", "kind": "bank"}],
        inspections=[passed("A", "2026-01-10"), passed("A", "2026-01-10", "oxygen_clean")],
    )
    asked = pd.Series(["A", "A"]), pd.Series(pd.to_datetime(["2026-02-01T10:00Z", "2026-02-01T11:00Z"]))
    assert unit_states_at(inputs, Policy(), *asked)["oxygen_clean"].tolist() == [True, False]


@pytest.mark.parametrize(("filled_at", "clean"), [("2026-02-01T22:30Z", False), ("2026-01-31T20:30Z", True)])
def test_a_fill_soils_on_its_day_at_the_station(filled_at, clean):
    """Cleaned on 2 February in Helsinki: half past midnight there, 1 February in UTC, came after it was clean."""
    inputs = frames(
        cylinders=[cylinder("A")],
        fills=[fill("F1", filled_at, "A", source_id="BANK")],
        sources=[{"source_id": "BANK", "kind": "bank"}],
        inspections=[passed("A", "2026-01-10"), passed("A", "2026-02-02", "oxygen_clean")],
    )
    asked = pd.Series(["A"]), pd.Series(pd.to_datetime(["2026-02-03T10:00Z"]))
    found = unit_states_at(inputs, Policy(time_zone="Europe/Helsinki"), *asked)
    assert found["oxygen_clean"].tolist() == [clean]


def test_an_empty_station_gives_empty_tables():
    health, life = fleet([])
    assert health.empty and life.empty
