"""The heat of a fill: limit cases, published figures, and what its sensitivities promise."""

from dataclasses import replace

import numpy as np
import pytest

from shared.filling.conditions import delivery, outlet_rise_k, usual_minutes
from shared.filling.heat import FillConditions, temperature_at_stop
from shared.filling.size_class import size_class
from shared.gas import thermal

PLAIN = {
    "start_pressure_bar": 50.0,
    "stop_pressure_bar": 232.0,
    "ambient_c": 20.0,
    "fill_minutes": 8.0,
    "water_capacity_l": 12.0,
    "cylinders": 1.0,
    "wall_j_k": 14 * 490.0,
    "delivery_c": 30.0,
    "delivery_bar": np.nan,
    "o2_pct": 20.95,
    "he_pct": 0.0,
    "ar_pct": np.nan,
}
BANK = {"delivery_c": 20.0, "delivery_bar": 300.0 - 1.01325}


def fill(n=1, **change):
    return FillConditions(**{k: np.broadcast_to(np.asarray(v, float), n).copy() for k, v in (PLAIN | change).items()})


@pytest.mark.parametrize("start_bar, expected_c", [(0.0, 115.1), (50.0, 97.2)])
def test_no_wall_at_all_bounds_a_fill_from_a_bank(start_bar, expected_c):
    """Real air, no wall, to 232 bar (g) from a 300 bar (abs) bank at 20 °C. Computed with CoolProp's air equation."""
    state = temperature_at_stop(fill(start_pressure_bar=start_bar, **BANK), natural=0.0, jet=0.0, outside=0.0)
    assert state.gas_c[0] == pytest.approx(expected_c, abs=0.6)


@pytest.mark.parametrize(
    "change, gas_c, settles_bar",
    [
        ({}, 41.6, 204.3),
        (
            {
                "water_capacity_l": 11.1,
                "start_pressure_bar": 35.0,
                "stop_pressure_bar": 207.0,
                "wall_j_k": 14.2 * 900.0,
            },
            31.9,
            190.8,
        ),
    ],
)
def test_a_wall_that_shares_all_heat(change, gas_c, settles_bar):
    """A steel 12 and an aluminium 11.1 whose wall shares all heat and loses none (computed with CoolProp)."""
    state = temperature_at_stop(fill(**(BANK | change)), jet=1e6, outside=0.0)
    assert state.gas_c[0] == pytest.approx(gas_c, abs=0.2)
    settled = thermal.settled_pressure_bar(change.get("stop_pressure_bar", 232.0), state.gas_c, 15.0)
    assert settled[0] == pytest.approx(settles_bar, abs=0.3)


def test_a_thin_gas_without_a_wall_ends_at_gamma_times_its_supply():
    """Textbook: an evacuated insulated vessel filled from a line at T ends at γT (1.4 × 300 K), with residual gas at
    γT/(1 + (γ − 1)·p₀/p). Ideal gas, so at low pressure; helium is γ = 5/3."""
    kelvin, start, stop = 290.0, 1.01325, 11.01325
    line = {
        "start_pressure_bar": 0.0,
        "stop_pressure_bar": 10.0,
        "ambient_c": kelvin - 273.15,
        "delivery_c": kelvin - 273.15,
        "delivery_bar": 12.0,
    }
    for o2, he, gamma in ((20.95, 0.0, 1.4), (0.0, 100.0, 5 / 3)):
        state = temperature_at_stop(fill(o2_pct=o2, he_pct=he, **line), natural=0.0, jet=0.0, outside=0.0, steps=40)
        expected = min(gamma * kelvin / (1 + (gamma - 1) * start / stop), 429.0)
        if expected < 427.0:
            assert state.gas_c[0] + 273.15 == pytest.approx(expected, rel=0.02)


def test_an_endless_fill_is_as_warm_as_the_room():
    state = temperature_at_stop(fill(fill_minutes=60 * 24 * 7.0))
    assert state.gas_c[0] == pytest.approx(20.0, abs=0.3)
    assert state.wall_c[0] == pytest.approx(20.0, abs=0.3)


def test_faster_is_hotter_and_lighter_walls_are_hotter():
    minutes = temperature_at_stop(fill(4, fill_minutes=[3.0, 8.0, 20.0, 60.0])).gas_c
    assert (np.diff(minutes) < 0).all()
    wall = temperature_at_stop(fill(3, wall_j_k=np.array([4.0, 7.0, 13.0]) * 1000)).gas_c
    assert (np.diff(wall) < 0).all()


def test_a_wall_of_no_mass_passes_heat_straight_on():
    state = temperature_at_stop(fill(wall_j_k=0.0, fill_minutes=600.0))
    assert 20.0 < state.wall_c[0] < state.gas_c[0] < 40.0


def test_five_steps_are_enough():
    some = fill(5, start_pressure_bar=[3.0, 20.0, 60.0, 120.0, 200.0], fill_minutes=[2.0, 4.0, 8.0, 15.0, 1.0])
    coarse, fine = temperature_at_stop(some), temperature_at_stop(some, steps=200)
    np.testing.assert_allclose(coarse.gas_c, fine.gas_c, atol=0.1)
    np.testing.assert_allclose(coarse.wall_c, fine.wall_c, atol=0.1)


def test_sensitivities_tell_what_a_changed_constant_would_do():
    plain = temperature_at_stop(fill())
    wall, outside, natural, jet, delivery, start = plain.gas_per[0]
    changed = {
        wall: temperature_at_stop(fill(wall_j_k=PLAIN["wall_j_k"] * np.exp(0.1))),
        outside: temperature_at_stop(fill(), outside=np.exp(0.1)),
        natural: temperature_at_stop(fill(), natural=np.exp(0.1)),
        jet: temperature_at_stop(fill(), jet=np.exp(0.1)),
    }
    for per, state in changed.items():
        assert 0.1 * per == pytest.approx(state.gas_c[0] - plain.gas_c[0], rel=0.15, abs=0.02)
    warmer = temperature_at_stop(fill(delivery_c=34.0))
    assert 4 * delivery == pytest.approx(warmer.gas_c[0] - plain.gas_c[0], rel=0.15)
    begun_warm = temperature_at_stop(fill(start_c=24.0))
    assert 4 * start == pytest.approx(begun_warm.gas_c[0] - plain.gas_c[0], rel=0.15)


def test_a_fast_fill_stirs_the_gas_more():
    """By the same film a fill in two minutes would be far hotter over its wall than one in twelve: the jet's film,
    Nu = 0.56·Re^0.67 (Woodfield 2008, as restated), takes most of it away."""
    fast, slow = (temperature_at_stop(fill(fill_minutes=m)) for m in (2.0, 12.0))
    gaps = [float(s.gas_c[0] - s.wall_c[0]) for s in (fast, slow)]
    assert gaps[0] < 6.0 * gaps[1] / 1.5
    still = [temperature_at_stop(fill(fill_minutes=m), jet=0.0) for m in (2.0, 12.0)]
    assert still[0].gas_c[0] > fast.gas_c[0] + 3.0 and still[1].gas_c[0] > slow.gas_c[0]


def test_a_composite_wall_takes_heat_slowly():
    plain, slow = temperature_at_stop(fill()), temperature_at_stop(fill(wall_m2_k_w=0.0024))
    assert slow.gas_c[0] > plain.gas_c[0] + 1.0


@pytest.mark.parametrize("o2, he", [(18.0, 45.0), (10.0, 70.0), (100.0, 0.0), (0.0, 100.0), (32.0, 0.0)])
def test_every_mix_is_computed(o2, he):
    assert 28.0 < temperature_at_stop(fill(o2_pct=o2, he_pct=he)).gas_c[0] < 70.0


def test_what_cannot_be_computed_is_nan_and_spares_its_neighbours():
    odd = fill(
        6,
        stop_pressure_bar=[232.0, 40.0, np.nan, 232.0, 232.0, 600.0],
        fill_minutes=[8.0, 8.0, 8.0, 0.0, 8.0, 8.0],
        water_capacity_l=[12.0, 12.0, 12.0, 12.0, 0.0, 12.0],
    )
    state = temperature_at_stop(odd)
    assert np.isfinite(state.gas_c[0])
    assert np.isnan(state.gas_c[1:]).all()
    alone = temperature_at_stop(fill())
    assert state.gas_c[0] == pytest.approx(alone.gas_c[0], abs=1e-9)


def test_conditions_can_be_taken_apart():
    some = fill(3, ambient_c=[5.0, 15.0, 25.0])
    assert replace(some.take(np.array([2])), ambient_c=np.array([25.0])).ambient_c[0] == 25.0
    assert len(some.take(np.array([0, 2]))) == 2


def test_minutes_nobody_logged_are_those_of_a_compressors_litres_and_of_a_banks_bar():
    """180 L/min and 40 bar/min: 12 L by 180 bar are 2160 L, 12 min, and 4.5 min (arithmetic)."""
    assert usual_minutes([False, True], 12.0, 180.0).tolist() == [12.0, 4.5]


def test_a_bank_gives_gas_as_warm_as_the_room_and_a_compressor_warmer_gas_at_the_cylinders_own_pressure():
    """A bank of which nobody says it stands at 250 bar, or 20 bar above the stop where that is more."""
    warm_c, from_bar = delivery([True, True, False, False], 20.0, [200.0, 300.0, 200.0, 200.0], [7.0, 7.0, 7.0, np.nan])
    assert warm_c.tolist() == [20.0, 20.0, 27.0, 30.0]
    np.testing.assert_array_equal(from_bar, [250.0, 320.0, np.nan, np.nan])


def test_how_warm_a_compressor_delivers_is_the_middle_of_its_log_where_that_can_be():
    assert outlet_rise_k([30.0, 45.0, np.nan, 31.0], [20.0, 20.0, 20.0, 20.0]) == 11.0
    assert np.isnan(outlet_rise_k([95.0], [20.0])) and np.isnan(outlet_rise_k([], []))


def test_a_class_of_size_holds_its_upper_edge():
    said = ["under 5 L", "5 to 8.5 L", "8.5 to 11 L", "11 to 13.5 L", "11 to 13.5 L", "over 16 L", ""]
    assert size_class([5.0, 5.1, 11.0, 11.1, 12.0, 18.0, np.nan]).tolist() == said
