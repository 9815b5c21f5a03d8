"""Depths, oxygen service and the mix a fill should have."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shared.filling.gauges import offset_sd_bar, reading_sd_bar
from shared.gas.mix import density_mol_l, shares_pct
from shared.gas.mixing import (
    expected_mix,
    least_depth_m,
    max_operating_depth_m,
    oxygen_service,
    whole_metres_down,
    whole_metres_up,
)
from shared.gas.units import absolute, kelvin


def test_depths_of_an_unknown_or_oxygen_free_gas_are_unknown():
    assert np.isnan(max_operating_depth_m([np.nan, 0.0])).all()
    assert np.isnan(least_depth_m([np.nan, 0.0])).all()


def test_least_depth_is_zero_where_the_surface_will_do():
    assert least_depth_m([10.0, 18.0, 21.0]) == pytest.approx([8.0, 0.0, 0.0])


def test_labels_round_to_the_careful_side():
    assert whole_metres_down(max_operating_depth_m([32.0, 50.0])).tolist() == [33.0, 18.0]
    assert whole_metres_up(least_depth_m([10.0, 12.0])).tolist() == [8.0, 5.0]


@pytest.mark.parametrize(
    "method, o2, he, source_o2, decanted, needed",
    [
        ("air", 20.95, 0, np.nan, False, False),
        ("air", 32, 0, np.nan, True, True),  # an 'air' fill with a rich target: not what it says
        ("partial_pressure", 32, 0, np.nan, True, True),
        ("partial_pressure", 21, 35, np.nan, True, True),  # whatever the final mix
        ("partial_pressure", 18, 45, np.nan, True, True),
        ("partial_pressure", 21, 0, np.nan, True, True),
        ("partial_pressure", 10, 52, np.nan, False, False),  # helium topped with air
        # nobody said how it was made: 45 % helium and air hold 11.5 % oxygen, the rest went in by itself
        (None, 18, 45, np.nan, True, True),
        ("air", 21, 35, np.nan, True, True),
        (None, 10, 52, np.nan, False, False),
        ("banked_mix", 18, 45, np.nan, False, False),  # made elsewhere, lean as it flows
        ("continuous", 18, 45, np.nan, False, False),
        ("banked_mix", 21, 0, 50, True, True),
        ("banked_mix", 21, 0, 21, False, False),
        ("continuous", 32, 0, np.nan, False, True),
        (np.nan, 32, 0, np.nan, True, True),
        (np.nan, 21, 0, np.nan, False, False),
        (None, 21, np.nan, np.nan, False, False),
    ],
)
def test_oxygen_service(method, o2, he, source_o2, decanted, needed):
    service = oxygen_service([method], o2, he, np.nan, source_o2)
    assert service.decanted.tolist() == [decanted]
    assert service.needed.tolist() == [needed]


def test_a_bank_that_holds_helium_gives_the_mix_as_it_is_where_nobody_said_how():
    assert not oxygen_service([None], 18, 45, source_o2_pct=18, source_he_pct=45).needed.any()
    assert oxygen_service([None], 18, 45, source_o2_pct=20.95, source_he_pct=0).decanted.all()


def test_an_analysis_above_the_limit_needs_oxygen_service_whatever_was_asked_for():
    assert oxygen_service("air", 20.95, 0, 27.0).needed
    at, above = (oxygen_service("continuous", 32.0, 0, o2, limit_pct=40.0).needed for o2 in (40.0, 40.1))
    assert above and not at  # above 40 %, as the rules say it
    assert not oxygen_service("air", 20.95, 0, 27.0, limit_pct=40.0).needed
    assert not oxygen_service("continuous", 23.0, 0, 21.9).needed


fill = st.tuples(st.floats(0, 150), st.floats(1, 150), st.floats(5, 40), st.floats(5, 60))
nitrox = st.floats(15, 100)


@given(fill, nitrox, nitrox, st.floats(0, 0.9))
@settings(max_examples=60, deadline=None)
def test_moles_in_are_moles_out(pressures, start_o2, added_o2, helium_of_rest):
    start_bar, more_bar, start_c, stop_c = pressures
    start_he = helium_of_rest * (100 - start_o2)
    stop_bar = start_bar + more_bar + 40
    o2, he, ar = expected_mix(start_bar, start_c, stop_bar, stop_c, start_o2, start_he, added_o2)
    inside = density_mol_l(absolute(start_bar), kelvin(start_c), start_o2, start_he)
    after = density_mol_l(absolute(stop_bar), kelvin(stop_c), o2, he, ar)
    by_gas = inside * shares_pct(start_o2, start_he) + (after - inside) * shares_pct(added_o2)
    assert after * np.array([o2, he, ar]) == pytest.approx(by_gas, abs=1e-4)
    assert min(start_o2, added_o2) - 1e-6 <= o2 <= max(start_o2, added_o2) + 1e-6


def test_a_fill_that_added_nothing_keeps_its_mix_and_an_unknown_residue_stays_unknown():
    o2, he, ar = expected_mix([100, 100, 100], 15, [90, 200, 200], 15, [32, np.nan, 32], 0, 20.95)
    assert o2[0] == pytest.approx(32)
    assert np.isnan([o2[1], he[1], ar[1]]).all()
    assert 20.95 < o2[2] < 32


def test_many_fills_at_once_equal_each_alone():
    rng = np.random.default_rng(4)
    start, stop, o2 = rng.uniform(0, 100, 50), rng.uniform(150, 300, 50), rng.uniform(21, 50, 50)
    together, _, _ = expected_mix(start, 15, stop, 30, o2, 0, 20.95)
    alone = [expected_mix(start[i], 15, stop[i], 30, o2[i], 0, 20.95)[0] for i in range(50)]
    assert together == pytest.approx(alone, abs=1e-5)


def test_a_reading_is_off_by_offset_and_step():
    assert reading_sd_bar(1.0) == pytest.approx(0.2887, abs=1e-4)
    assert offset_sd_bar(1.6, 400) == pytest.approx(3.2)
