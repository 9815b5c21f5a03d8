"""Fills and dives cool by one law, with the cylinder's material in it."""

import numpy as np
import pandas as pd
import pytest
from dive_frames import C1, dive, fills, inputs, tank, units
from fill_frames import CYLINDER, FILL, built

from pipelines.derive.dives.links import link_fills
from pipelines.derive.dives.tanks import air_of_dives, ambient_of_fills, resolve_tanks, start_temperature
from shared.gas import cooling, thermal
from shared.gas.walls import surface_m2, wall_heat_capacity_j_k, wall_mass_kg

AIR_C = 15.0
SIZES = {"steel": (12.0, 232.0), "aluminium": (11.1, 207.0)}


def stopped(material):
    """One fill of such a cylinder, stopped hot."""
    litres, bar = SIZES[material]
    cylinder = CYLINDER | {
        "material": material, "water_capacity_l": litres, "working_pressure_bar": bar, "valve_pressure_bar": bar,
    }  # fmt: skip
    fill = FILL | {"stop_pressure_bar": bar, "target_pressure_bar": bar, "ambient_c": AIR_C}
    return built(fills=[fill], cylinders=[cylinder])["fill_quality"].iloc[0]


def begun_c(material, fill, minutes):
    """Gas temperature at the start of a dive so many minutes after that fill."""
    litres, bar = SIZES[material]
    begun = fill["filled_at"].tz_localize(None) + pd.Timedelta(minutes=minutes)
    given = inputs([dive(started=begun, air_c=AIR_C)], [tank(unit_id="c1", start_pressure_bar=bar - 5)])
    dives, tanks = given["dives"], given["dive_tanks"]
    filled = fills({"filled_at": fill["filled_at"], "gas_c": fill["gas_c"]})
    filled["gas_and_wall_c"] = fill["gas_and_wall_c"]
    register = units((*C1[:-1], litres)).assign(material=material, working_pressure_bar=bar)
    links = link_fills(tanks, dives, filled, register)
    rows = resolve_tanks(dives, tanks, register, links, filled)
    start, _, _, basis = start_temperature(rows, dives, air_of_dives(dives, ambient_of_fills(filled)))
    assert basis.tolist() == ["last_known"]
    return start[0]


@pytest.mark.parametrize("material", ["steel", "aluminium"])
@pytest.mark.parametrize("minutes", [10, 60, 180])
def test_a_dive_starts_as_warm_as_the_fill_has_become(material, minutes):
    litres, bar = SIZES[material]
    fill = stopped(material)
    wall = wall_heat_capacity_j_k([material], wall_mass_kg([material], litres, bar))[0]
    of_gas = cooling.gas_heat_capacity_j_k(litres, thermal.density_mol_l(bar - 5, AIR_C), AIR_C)
    said, _ = cooling.cooled_c(
        fill["gas_c"], fill["gas_and_wall_c"], AIR_C, 60.0 * minutes, of_gas, wall, surface_m2(litres)
    )
    assert begun_c(material, fill, minutes) == pytest.approx(said, abs=0.05)


def test_aluminium_is_still_warm_when_steel_has_cooled():
    left = {}
    for material in SIZES:
        fill = stopped(material)
        left[material] = np.log((fill["gas_and_wall_c"] - AIR_C) / (begun_c(material, fill, 90) - AIR_C))
    assert left["steel"] > 1.5 * left["aluminium"]


def test_the_air_of_several_members_dives_is_each_members_own():
    rng = np.random.default_rng(4)
    fills = pd.DataFrame(
        {
            "filled_at": pd.Timestamp("2031-05-03T09:00Z") + pd.to_timedelta(rng.integers(0, 90, 15), unit="D"),
            "ambient_c": rng.normal(18, 4, 15).round(1),
        }
    )
    days = rng.integers(0, 500, 120)
    dives = pd.DataFrame(
        {
            "member_id": rng.choice(["M2", "M1", "M3"], 120),
            "started_at": pd.Timestamp("2030-03-01T10:00Z") + pd.to_timedelta(days, unit="D"),
            "air_c": np.where(rng.random(120) < 0.3, rng.normal(15, 5, 120).round(1), np.nan),
        }
    )
    ambient = ambient_of_fills(fills)
    together = air_of_dives(dives, ambient, dives["member_id"])
    assert set(together["basis"]) == {"air", "ambient", "nearby", "month", "assumed"}
    for rows in dives.groupby("member_id").indices.values():
        alone = air_of_dives(dives.iloc[rows].reset_index(drop=True), ambient)
        pd.testing.assert_frame_equal(together.iloc[rows].reset_index(drop=True), alone, check_exact=True)
