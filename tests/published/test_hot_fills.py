"""Hot fills against figures computed with CoolProp's air equation (Lemmon et al. 2000), and trade facts.

The trade facts are common practice with no published source, and are marked so.
"""

import numpy as np
import pytest

from shared.filling import heat as fill_heat
from shared.gas import thermal


def fill(**change):
    plain = {
        "start_pressure_bar": 50.0,
        "stop_pressure_bar": 232.0,
        "ambient_c": 20.0,
        "fill_minutes": 12.0,
        "water_capacity_l": 12.0,
        "cylinders": 1.0,
        "wall_j_k": 6860.0,
        "delivery_c": 30.0,
        "delivery_bar": np.nan,
        "o2_pct": 20.95,
        "he_pct": 0.0,
        "ar_pct": np.nan,
    }
    return fill_heat.FillConditions(**{k: np.array([v], float) for k, v in (plain | change).items()})


@pytest.mark.parametrize(
    "gas_c, settles_bar, stop_bar",
    [
        (30.0, 200.0, 215.2),
        (30.0, 232.0, 250.2),
        (30.0, 300.0, 324.7),
        (40.0, 200.0, 225.3),
        (40.0, 232.0, 262.3),
        (40.0, 300.0, 341.2),
        (50.0, 200.0, 235.4),
        (50.0, 232.0, 274.4),
        (50.0, 300.0, 357.5),
        (65.0, 200.0, 250.5),
        (65.0, 232.0, 292.5),
        (65.0, 300.0, 382.0),
    ],
)
def test_stop_pressures_that_settle_as_asked(gas_c, settles_bar, stop_bar):
    """Stop pressure that settles to a pressure at 15 °C, and the pressure developed at 65 °C: CoolProp, air."""
    assert thermal.stop_pressure_bar(settles_bar, gas_c) == pytest.approx(stop_bar, abs=0.3)


@pytest.mark.parametrize("working_bar", [200.0, 232.0, 300.0])
def test_a_fill_settled_at_working_pressure_develops_less_than_a_test_pressure_of_one_and_a_half(working_bar):
    """EU filling logic (ADR P200, EN ISO 24431: from memory): at 65 °C at most the test pressure."""
    assert thermal.settled_pressure_bar(working_bar, 15.0, 65.0) < 1.5 * working_bar


def test_a_three_hundred_bar_fill_reads_about_two_hundred_and_sixty_in_cold_water():
    """Common practice, no source. A steel 7 for 300 bar filled from a compressor in a quarter of an hour."""
    seven = fill(
        stop_pressure_bar=300.0,
        water_capacity_l=7.0,
        wall_j_k=10.7 * 490.0,
        ambient_c=15.0,
        delivery_c=25.0,
        fill_minutes=15.0,
    )
    state = fill_heat.temperature_at_stop(seven)
    assert thermal.settled_pressure_bar(300.0, state.gas_c, 10.0)[0] == pytest.approx(260.0, abs=7.0)


def test_a_hot_fill_loses_about_a_tenth():
    """A diving article without measurement: about 10 % is lost once cool."""
    state = fill_heat.temperature_at_stop(fill())
    lost = 1 - thermal.settled_pressure_bar(232.0, state.gas_c, 20.0)[0] / 232.0
    assert 0.08 < lost < 0.13


def test_taking_compressed_air_as_air_of_the_room_would_be_tens_of_degrees_off():
    """No wall, 0 to 232 bar (g): 168.9 °C with the enthalpy of room air at 1 atm, 115.1 °C from a 300 bar bank:
    what is fed in carries the enthalpy of its own pressure."""
    bank = fill(start_pressure_bar=0.0, delivery_c=20.0, delivery_bar=300.0 - 1.01325)
    state = fill_heat.temperature_at_stop(bank, natural=0.0, jet=0.0, outside=0.0)
    assert state.gas_c[0] == pytest.approx(115.1, abs=0.6)


def test_a_twelve_at_work_holds_what_the_reference_says():
    """12 L, target 232, stopped at 230 with gas at 40 °C: settles to 204.03, usable 2389.8 free litres (CoolProp)."""
    settled = thermal.settled_pressure_bar(230.0, 40.0, 15.0)
    assert settled == pytest.approx(204.03, abs=0.1)
    usable = thermal.usable_free_l(12.0, settled, 15.0)
    early, compressibility, cooling = thermal.split_shortfall(12.0, 232.0, 230.0, settled, usable)
    assert early == pytest.approx(24.0, abs=1e-9)
    assert cooling == pytest.approx(311.6, abs=1.3)
    # 0.15 % of what is usable: as near as the two equations of state come
    assert compressibility == pytest.approx(58.6, abs=0.0015 * 2389.8)
    assert early + cooling + compressibility == pytest.approx(394.2, abs=0.0015 * 2389.8)
