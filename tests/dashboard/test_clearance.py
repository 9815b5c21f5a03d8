"""The first answer on Filling says what the filling rules say, for single cylinders and for sets."""

import itertools

import pandas as pd
import pytest
from made_up import GAS_SOURCES, HEALTH, UNITS, fills

from schemas import holds
from schemas.clearance import fill_clearance, fillable_units, find
from shared.filling.limits import refusals

STATES = ("in_date", "due_soon", "out_of_date", "condemned", "unknown")
FILLS = fills()


def ask(asked, units, health, fills, sources=GAS_SOURCES):
    return fill_clearance(asked, units, health, fills, sources)


@pytest.mark.parametrize("left, right", list(itertools.combinations_with_replacement(STATES, 2)))
@pytest.mark.parametrize("status", ["in_service", "withdrawn"])
def test_a_set_may_be_filled_only_when_the_rules_refuse_neither_side(left, right, status):
    health = HEALTH.copy()
    health.loc[health["cylinder_id"] == "T12-1L", ["inspection_state", "status"]] = [left, status]
    health.loc[health["cylinder_id"] == "T12-1R", "inspection_state"] = right
    expected = not refusals([left, right], withdrawn=status == "withdrawn")
    for asked in ("T12-1", "T12-1L", "T12-1R"):
        assert ask(asked, UNITS, health, FILLS).may_be_filled is expected


def test_a_cylinder_without_any_inspection_row_may_not_be_filled():
    assert not ask("S10-4", UNITS, HEALTH[HEALTH["cylinder_id"] != "S10-4"], FILLS).may_be_filled


def test_a_set_is_due_when_the_first_of_its_cylinders_is():
    left, right = pd.Timestamp("2031-09-02"), pd.Timestamp("2031-09-01")
    due = HEALTH["next_due_on"].mask(HEALTH["cylinder_id"] == "T12-1L", left)
    health = HEALTH.assign(next_due_on=due.mask(HEALTH["cylinder_id"] == "T12-1R", right))
    assert ask("T12-1", UNITS, health, FILLS).next_due["cylinder_id"] == "T12-1R"


@pytest.mark.parametrize("typed", ["t12-1", " T12-1 ", "T12 -1", "T12-1"])
def test_capitals_and_spaces_do_not_matter(typed):
    assert find(typed, UNITS) == "T12-1"


def test_an_unjoined_pair_is_asked_for_by_its_cylinders():
    health = HEALTH.assign(set_id=["SM-1", "SM-1", *HEALTH["set_id"][2:]])
    clearance = ask("sm-1", UNITS, health, FILLS)
    assert not clearance.may_be_filled and "filled as two" in clearance.why_not[0]


def test_sides_of_a_joined_set_are_not_offered_apart_and_names_sort_as_people_count():
    units = pd.concat([UNITS, UNITS.tail(1).assign(unit_id="S15-10")])
    assert fillable_units(units) == ["A11-2", "S10-4", "S15-9", "S15-10", "T12-1"]


def test_a_hold_ends_by_a_release_or_a_new_fill():
    stopped = FILLS.head(3).assign(
        unit_id="S10-4", cylinder_ids=[["S10-4"]] * 3, latest_fill=[False, False, True], verdict="stop", released=False
    )
    assert len(holds.not_released(stopped)) == 1
    assert holds.not_released(stopped.assign(released=True)).empty
    newer = stopped.tail(1).assign(filled_at=stopped["filled_at"].max() + pd.Timedelta(hours=1), verdict="good")
    both = pd.concat([stopped.assign(latest_fill=False), newer], ignore_index=True)
    assert holds.not_released(both).empty
    assert not ask("S10-4", UNITS, HEALTH, both).held
    assert ask("S10-4", UNITS, HEALTH, stopped).held


def test_gas_that_is_called_back_bars_a_cylinder_until_it_is_drained_or_released():
    fill = FILLS.head(1).assign(
        unit_id="A11-2", cylinder_ids=[["A11-2"]], latest_fill=True, verdict="stop", released=False,
        reasons=[["air_test_failed_later"]],
    )  # fmt: skip
    clearance = ask("A11-2", UNITS, HEALTH, fill)
    assert not clearance.may_be_filled and "called back" in clearance.why_not[0] and "Drain it" in clearance.why_not[0]
    assert ask("A11-2", UNITS, HEALTH, fill.assign(released=True)).may_be_filled
    other = fill.assign(reasons=[["mix_not_analysed"]])
    assert ask("A11-2", UNITS, HEALTH, other).may_be_filled and ask("A11-2", UNITS, HEALTH, other).held


def test_the_gas_of_a_set_is_asked_of_its_cylinders_though_they_bear_another_name():
    """T12-1 was put together of two cylinders since; one of them was filled behind a failed test."""
    rows = FILLS.head(2).assign(
        unit_id=["T12-1L", "T12-1R"], cylinder_ids=[["T12-1L"], ["T12-1R"]], latest_fill=True, released=False,
        verdict=["stop", "good"], reasons=[["air_test_failed"], []],
    )  # fmt: skip
    clearance = ask("T12-1", UNITS, HEALTH, rows)
    assert len(clearance.inside) == 2 and len(clearance.held) == 1 and not clearance.may_be_filled
    whole = FILLS.head(1).assign(
        unit_id="T12-1", cylinder_ids=[["T12-1L", "T12-1R"]], latest_fill=True, released=False, verdict="good",
        reasons=[[]], filled_at=rows["filled_at"].max() + pd.Timedelta(days=1),
    )  # fmt: skip
    newer = ask("T12-1", UNITS, HEALTH, pd.concat([rows.assign(latest_fill=False), whole]))
    assert newer.may_be_filled and not newer.held and len(newer.inside) == 1


def test_where_the_air_of_every_compressor_stands_failed_nothing_may_be_filled():
    assert ask("A11-2", UNITS, HEALTH, FILLS).failed_sources["source_id"].tolist() == ["bank-3", "comp-1"]
    assert ask("A11-2", UNITS, HEALTH, FILLS).may_be_filled
    none = ask("A11-2", UNITS, HEALTH, FILLS, GAS_SOURCES.assign(air_state="failed"))
    assert not none.may_be_filled and "nothing to fill from" in none.why_not[-1]
    assert ask("A11-2", UNITS, HEALTH, FILLS, GAS_SOURCES.head(0)).may_be_filled


def test_a_set_is_oxygen_clean_today_only_if_all_of_it_is():
    assert ask("A11-2", UNITS, HEALTH, FILLS).oxygen_clean is True
    assert ask("T12-1R", UNITS, HEALTH, FILLS).oxygen_clean is True
    left_is_not = UNITS["oxygen_clean_today"] & ~UNITS["unit_id"].isin(["T12-1", "T12-1L"])
    units = UNITS.assign(oxygen_clean_today=left_is_not)
    assert ask("T12-1", units, HEALTH, FILLS).oxygen_clean is False
    assert ask("T12-1R", units, HEALTH, FILLS).oxygen_clean is False  # its set is not
    assert ask("S10-4", UNITS.assign(oxygen_clean_today=pd.NA), HEALTH, FILLS).oxygen_clean is None


@pytest.mark.parametrize(("left", "clean"), [(True, True), (None, None), (False, False)])
def test_of_a_set_of_which_one_side_is_clean_the_other_says_what_it_is(left, clean):
    """Unknown is neither clean nor soiled."""
    today = UNITS["oxygen_clean_today"].astype("boolean").where(~UNITS["unit_id"].isin(["T12-1", "T12-1L"]), left)
    assert ask("T12-1", UNITS.assign(oxygen_clean_today=today), HEALTH, FILLS).oxygen_clean is clean
    assert ask("T12-1R", UNITS.assign(oxygen_clean_today=today), HEALTH, FILLS).oxygen_clean is clean


def test_what_is_not_in_test_today_may_not_be_filled_whatever_its_dates_look_like():
    units = UNITS.assign(in_test_today=UNITS["in_test_today"] & (UNITS["unit_id"] != "A11-2"))
    clearance = ask("A11-2", units, HEALTH, FILLS)
    assert not clearance.may_be_filled and "not in test" in clearance.why_not[0]


@pytest.mark.parametrize("status", ["withdrawn", "condemned"])
def test_what_the_register_has_out_of_service_is_refused_with_that_word_though_its_dates_are_good(status):
    """A word in the register bears no date and no reason: it stands for itself."""
    row = HEALTH.index[HEALTH["cylinder_id"] == "A11-2"][0]
    health = HEALTH.copy()
    health.loc[row, ["inspection_state", "status"]] = ["in_date", status]
    health.at[row, "score_reasons"] = []
    why = " ".join(ask("A11-2", UNITS, health, FILLS).why_not)
    assert status in why and "in date" not in why.casefold()


def test_a_thread_finding_that_stands_is_open_and_one_that_passed_since_is_reported():
    row = HEALTH.index[HEALTH["cylinder_id"] == "A11-2"][0]
    health = HEALTH.copy()
    health.at[row, "score_reasons"] = ["thread_finding", "leaks"]
    clearance = ask("A11-2", UNITS, health, FILLS)
    assert clearance.open_findings == ["thread_finding"]
    health.at[row, "score_reasons"] = ["thread_finding_passed", "leaks"]
    clearance = ask("A11-2", UNITS, health, FILLS)
    assert clearance.open_findings == [] and "leaks" in [code for code, _ in clearance.look_first]
    assert any("passed an inspection since" in line for line in clearance.remarks)


@pytest.mark.parametrize("asked", ["T12-1", "T12-1L"])
def test_a_set_with_one_registered_side_may_not_be_filled(asked):
    flags = pd.Series([["set_incomplete"] if u == "T12-1" else [] for u in UNITS["unit_id"]], UNITS.index)
    found = ask(asked, UNITS.assign(flags=flags), HEALTH, FILLS)
    assert "Only one cylinder of this set is registered." in " ".join(found.why_not)
    assert found.next_due is None and ask(asked, UNITS, HEALTH, FILLS).next_due is not None


def test_what_is_due_first_is_not_known_where_of_one_side_nothing_is_known():
    sides = HEALTH["set_id"] == "T12-1"
    one_unknown = HEALTH.assign(next_due_on=HEALTH["next_due_on"].mask(sides & HEALTH["cylinder_id"].eq("T12-1R")))
    assert sides.sum() == 2 and ask("T12-1", UNITS, one_unknown, FILLS).next_due is None
