"""Gas given, by month, source and member: nothing lost between fills and accounts."""

import numpy as np
import pandas as pd
import pytest

from pipelines.derive.fills.gas_added import build_gas_added
from schemas.frames import conform
from schemas.policy import Policy
from schemas.tables import TABLES

#: 12 L of 18/45 from next to nothing to 200 bar (gauge) and 15 °C: 2166 free litres (CoolProp 7)
TRIMIX = {
    "fill_id": "a",
    "unit_id": "u",
    "filled_at": pd.Timestamp("2031-05-31T23:30Z"),
    "source_id": "s",
    "member_id": "m",
    "o2_pct": 18.0,
    "he_pct": 45.0,
    "water_capacity_l": 12.0,
    "settled_pressure_bar_15c": 200.0,
    "added_free_l": 2166.0,
}


def fills(rows):
    return conform(pd.DataFrame(rows), TABLES["fill_quality"].fields.values())


def test_sums_follow_the_fills(sample_station):
    quality, given = sample_station.table("fill_quality"), sample_station.table("gas_added")
    assert given["fills"].sum() == len(quality)
    assert given["added_free_l"].sum() == pytest.approx(quality["added_free_l"].sum())
    assert (given["oxygen_free_l"] <= given["added_free_l"] + 1e-6).all()


def test_oxygen_and_helium_of_a_fill_from_empty_are_what_a_balance_says():
    """200 bar of 18/45 from next to nothing: helium 45 %, and oxygen beyond what the air brings with it.

    12 L at 200 bar (gauge) and 15 °C hold 2166 free litres of it (CoolProp 7, mixture of He, O2 and N2).
    """
    inside = TRIMIX["added_free_l"]
    got = build_gas_added(fills([TRIMIX]), Policy(time_zone="Europe/London")).iloc[0]
    oxygen = inside * (0.18 - 0.2095 * 0.55) / (1 - 0.2095)
    assert got["helium_free_l"] == pytest.approx(0.45 * inside, rel=0.002)
    assert got["oxygen_free_l"] == pytest.approx(oxygen, rel=0.002)
    assert got["month_on"] == pd.Timestamp("2031-06-01")  # half past midnight there


def test_an_air_fill_sells_no_oxygen_by_its_analysers_tenth():
    row = {
        "fill_id": "a",
        "unit_id": "u",
        "filled_at": pd.Timestamp("2031-05-01T10:00Z"),
        "source_id": "s",
        "member_id": None,
        "o2_pct": 21.1,
        "he_pct": 0.0,
        "water_capacity_l": 12.0,
        "settled_pressure_bar_15c": 200.0,
        "added_free_l": 2000.0,
    }
    got = build_gas_added(fills([row]), Policy()).iloc[0]
    assert got["oxygen_free_l"] == 0 and np.isclose(got["added_free_l"], 2000)


def test_helium_that_was_inside_is_not_sold_again_and_another_units_was_never_inside():
    """A twelve of 18/45 topped up with the same, and another whose first fill known came on top of 100 bar of air.

    12 L at 100 and 200 bar (gauge) and 15 °C hold 1154 and 2166 free litres of it (CoolProp 7).
    """
    mixed = TRIMIX | {"fill_id": "a1", "unit_id": "a", "filled_at": pd.Timestamp("2031-05-01T10:00Z")}
    topped = mixed | {"fill_id": "a2", "filled_at": pd.Timestamp("2031-05-02T10:00Z"), "added_free_l": 1016.0}
    other = mixed | {"fill_id": "b1", "unit_id": "b", "member_id": "of b", "added_free_l": 1016.0}
    got = build_gas_added(fills([mixed, topped, other]), Policy()).set_index("member_id")["helium_free_l"]
    assert got["m"] == pytest.approx(0.45 * (2166.0 + 1016.0), rel=0.005)
    assert got["of b"] == pytest.approx(0.45 * 2166.0, rel=0.005)  # air was inside before
