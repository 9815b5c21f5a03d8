"""Kit balance from logged dives."""

import numpy as np
import pandas as pd
import pytest

from pipelines.derive.divers.kits import _kit_in_force, build_kits
from schemas.frames import conform
from schemas.policy import Policy
from schemas.sources import SOURCES
from shared.gas.constants import FREE_LITRE_MOL
from shared.gas.thermal import amount_free_l
from tests.pipelines.diver_frames import frames, make_dive, unit, units_frame

KIT = {
    "member_id": "M1",
    "valid_from": pd.Timestamp("2031-01-01"),
    "lift_capacity_kg": 18.0,
    "ballast_kg": 6.0,
    "other_negative_kg": 3.0,
    "suit_buoyancy_kg": 9.0,
}


def build(*dives, kit=KIT, units=None):
    f = frames(*dives, units=units)
    kits = conform(pd.DataFrame([kit]), SOURCES["kits"].fields.values())
    return build_kits(kits, f["dives"], f["dive_tanks"], f["dive_tank_use"], f["units"], Policy())["kit_balance"]


def test_the_balance_is_archimedes_with_real_gas():
    dive = make_dive("D", 0, start_bar=232.0, water_c=15.0)
    row = build(dive).iloc[0]
    start = float(amount_free_l(12.0, 232.0, 15.0)) * FREE_LITRE_MOL * 28.965 / 1000
    assert row["gas_mass_start_kg"] == pytest.approx(start, rel=1e-3) == pytest.approx(3.239, abs=0.005)
    shell = 14.0 / 7850 * 1000
    cylinder = 1.025 * (12.0 + shell) - 14.0
    assert row["net_start_kg"] == pytest.approx(9.0 - 6.0 - 3.0 + cylinder - start, abs=2e-3)
    used = dive["dive_consumption"]["gas_used_free_l"] * FREE_LITRE_MOL * 28.965 / 1000
    assert row["gas_mass_start_kg"] - row["gas_mass_end_kg"] == pytest.approx(used, rel=1e-3)
    assert row["lift_margin_kg"] == pytest.approx(18.0 + row["net_start_kg"] - 9.0)
    assert row["ballast_margin_kg"] == pytest.approx(-row["net_low_gas_kg"])
    assert row["net_start_kg"] < row["net_end_kg"] <= row["net_low_gas_kg"]


def test_the_gas_weighs_what_it_does_at_its_own_temperature():
    """Masses of 12 l of air at 220 bar, gauge: CoolProp `Air`, 3.319 kg at 0 °C and 2.908 kg at 30 °C."""
    for gas_c, kg in ((0.0, 3.319), (30.0, 2.908)):
        dive = make_dive("D", 0, start_bar=220.0)
        dive["dive_tank_use"]["start_gas_c"] = gas_c
        assert build(dive)["gas_mass_start_kg"].iloc[0] == pytest.approx(kg, abs=0.005)


def test_two_posts_of_one_set_are_one_set():
    kits = conform(pd.DataFrame([KIT]), SOURCES["kits"].fields.values())
    f = frames(make_dive("D", 0, unit_id="T"), units=units_frame(unit("T", 24.0, empty_mass_kg=28.0)))
    made = []
    for posts in (1, 2):
        tanks, use = (
            pd.concat([f[table].assign(tank_no=n) for n in range(1, posts + 1)])
            for table in ("dive_tanks", "dive_tank_use")
        )
        use = use.assign(gas_used_free_l=use["gas_used_free_l"] / posts)
        made.append(build_kits(kits, f["dives"], tanks, use, f["units"], Policy())["kit_balance"].iloc[0])
    for column in ("gas_mass_start_kg", "gas_mass_end_kg", "net_start_kg", "net_low_gas_kg"):
        assert made[0][column] == pytest.approx(made[1][column], abs=1e-6)


def test_what_is_too_heavy_or_too_light_is_flagged():
    heavy = build(make_dive("D", 0), kit={**KIT, "lift_capacity_kg": 10.0}).iloc[0]
    light = build(make_dive("D", 0), kit={**KIT, "ballast_kg": 4.0}).iloc[0]
    assert heavy["flags"] == ["lift_short"] and heavy["lift_margin_kg"] < 0
    assert "ballast_short" in light["flags"] and light["ballast_margin_kg"] < 0


def test_fresh_water_carries_less_and_only_the_kit_of_the_day_counts():
    salt, fresh = build(make_dive("D", 0)).iloc[0], build(make_dive("D", 0, water="fresh")).iloc[0]
    assert fresh["net_start_kg"] == pytest.approx(salt["net_start_kg"] - 0.025 * (12 + 14 / 7.85), abs=1e-6)
    assert len(build(make_dive("D", -100))) == 0


def test_a_kit_counts_from_the_day_it_is_valid_from():
    on = [pd.Timestamp("2031-03-01"), pd.Timestamp("2031-03-02")]
    assert [len(build(make_dive("D", 0), kit=KIT | {"valid_from": day})) for day in on] == [1, 0]


@pytest.mark.parametrize(("role", "breathed"), [("stage", True), ("suit", False)])
def test_the_gas_of_the_suit_is_not_breathed_down(role, breathed):
    """2 L from 150 bar to the ten that are left are 0.3396 kg of air lighter: CoolProp `Air` at 15 °C."""
    f = frames(make_dive("D", 0), units=units_frame(unit(), unit("U2", 2.0, empty_mass_kg=3.0)))
    other = {"tank_no": 2, "unit_id": "U2", "role": role, "start_pressure_bar": 150.0, "end_pressure_bar": 150.0}
    tanks = pd.concat([f["dive_tanks"], f["dive_tanks"].assign(**other, water_capacity_l=2.0)], ignore_index=True)
    use = f["dive_tank_use"].assign(gas_used_free_l=np.nan)
    use = pd.concat([use, use.assign(**other)], ignore_index=True)
    kits = conform(pd.DataFrame([KIT]), SOURCES["kits"].fields.values())
    both, alone = (
        build_kits(kits, f["dives"], t, u, f["units"], Policy())["kit_balance"].iloc[0]
        for t, u in ((tanks, use), (tanks.head(1), use.head(1)))
    )
    lighter = (both["net_low_gas_kg"] - both["net_end_kg"]) - (alone["net_low_gas_kg"] - alone["net_end_kg"])
    assert lighter == pytest.approx(0.3396 if breathed else 0.0, abs=0.002)


def test_what_is_not_known_is_empty_and_said():
    no_mass = build(make_dive("D", 0), units=units_frame(unit(empty_mass_kg=np.nan))).iloc[0]
    assert np.isnan(no_mass["net_start_kg"]) and "empty_mass_unknown" in no_mass["flags"]
    composite = build(make_dive("D", 0), units=units_frame(unit(material="composite", empty_mass_kg=5.0))).iloc[0]
    assert np.isnan(composite["net_start_kg"]) and "shell_density_unknown" in composite["flags"]
    no_suit = build(make_dive("D", 0), kit={k: v for k, v in KIT.items() if k != "suit_buoyancy_kg"}).iloc[0]
    assert np.isnan(no_suit["net_start_kg"]) and "kit_incomplete" in no_suit["flags"]
    no_lift = build(make_dive("D", 0), kit={k: v for k, v in KIT.items() if k != "lift_capacity_kg"}).iloc[0]
    assert np.isnan(no_lift["lift_margin_kg"]) and no_lift["flags"] == []


def test_without_kits_or_dives_there_are_no_rows():
    f = frames(make_dive("D", 0))
    none = conform(pd.DataFrame([KIT]), SOURCES["kits"].fields.values()).iloc[:0]
    made = build_kits(none, f["dives"], f["dive_tanks"], f["dive_tank_use"], f["units"], Policy())
    assert len(made["kit_balance"]) == 0


@pytest.mark.parametrize(("started_at", "ballast_kg"), [("2031-06-01T23:30Z", 4.0), ("2031-06-01T20:30Z", 6.0)])
def test_a_kit_holds_from_its_day_at_the_station(started_at, ballast_kg):
    """Half past one on 2 June in Berlin is still 1 June in UTC."""
    new = KIT | {"valid_from": pd.Timestamp("2031-06-02"), "ballast_kg": 4.0}
    dives = pd.DataFrame({"member_id": ["M1"], "dive_id": ["D"], "started_at": [started_at], "water": ["salt"]})
    dives["started_at"] = pd.to_datetime(dives["started_at"], utc=True)
    found = _kit_in_force(conform(pd.DataFrame([KIT, new]), SOURCES["kits"].fields.values()), dives, "Europe/Berlin")
    assert found["ballast_kg"].tolist() == [ballast_kg]


def carried(*rows) -> pd.Series:
    """The balance of one dive with these tanks: role, unit, start and end pressure."""
    f = frames(
        make_dive("D", 0), units=units_frame(unit("c1", 12.0, empty_mass_kg=14.0), unit("s", 7.0, empty_mass_kg=8.0))
    )
    tanks, use = (
        pd.concat(
            [f[table].assign(tank_no=n, role=role, unit_id=name, start_pressure_bar=start, end_pressure_bar=end)
             for n, (role, name, start, end) in enumerate(rows, 1)],
            ignore_index=True,
        )
        for table in ("dive_tanks", "dive_tank_use")
    )  # fmt: skip
    use = use.assign(gas_used_free_l=np.nan)
    kits = conform(pd.DataFrame([KIT]), SOURCES["kits"].fields.values())
    return build_kits(kits, f["dives"], tanks, use, f["units"], Policy())["kit_balance"].iloc[0]


def test_gas_of_one_cylinder_that_is_not_known_leaves_that_of_all_unknown():
    both = carried(("back", "c1", 200.0, 60.0), ("stage", "s", 200.0, 100.0))
    assert both["gas_mass_start_kg"] > carried(("back", "c1", 200.0, 60.0))["gas_mass_start_kg"] > 2.0
    one = carried(("back", "c1", 200.0, 60.0), ("stage", "s", np.nan, np.nan))
    assert one[["gas_mass_start_kg", "gas_mass_end_kg", "net_start_kg", "net_end_kg"]].isna().all()


@pytest.mark.parametrize(
    ("role", "breathed_down"), [("stage", True), ("suit", False), ("oxygen", False), ("diluent", False)]
)
def test_only_what_is_breathed_goes_down_to_what_cannot_be_used(role, breathed_down):
    """The lightest moment: nearly empty cylinders, but those of the suit and of a rebreather as they ended."""
    full = carried(("back", "c1", 200.0, 60.0), (role, "s", 200.0, 150.0))
    low = carried(("back", "c1", 200.0, 60.0), (role, "s", 200.0, 20.0))
    assert bool(abs(full["net_low_gas_kg"] - low["net_low_gas_kg"]) < 0.03) is breathed_down
