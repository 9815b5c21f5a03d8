"""Round trips and limits of a closed cylinder."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shared.gas import thermal
from shared.gas.constants import FREE_LITRE_MOL
from shared.gas.mix import OutOfRange

bars = st.floats(0.0, 320.0)
degrees = st.floats(-5.0, 65.0)
shares = st.sampled_from([(20.95, 0.0), (32.0, 0.0), (100.0, 0.0), (18.0, 45.0), (10.0, 70.0), (0.0, 100.0)])


@given(bars, degrees, degrees, shares)
@settings(max_examples=100, deadline=None)
def test_settling_and_warming_again_changes_nothing(bar, gas_c, to_c, mix):
    settled = thermal.settled_pressure_bar(bar, gas_c, to_c, *mix)
    assert thermal.settled_pressure_bar(settled, to_c, gas_c, *mix) == pytest.approx(bar, abs=1e-3)
    assert thermal.stop_pressure_bar(settled, gas_c, to_c, *mix) == pytest.approx(bar, abs=1e-3)


@given(st.floats(20.0, 320.0), degrees, degrees, shares)
@settings(max_examples=60, deadline=None)
def test_the_temperature_at_stop_is_found_again(bar, gas_c, to_c, mix):
    settled = thermal.settled_pressure_bar(bar, gas_c, to_c, *mix)
    assert thermal.gas_temperature_at_stop_c(bar, settled, to_c, *mix) == pytest.approx(gas_c, abs=0.01)


@given(st.floats(0.1, 100.0), bars, degrees, shares)
@settings(max_examples=60, deadline=None)
def test_an_amount_gives_its_pressure_back(capacity_l, bar, gas_c, mix):
    amount = thermal.amount_free_l(capacity_l, bar, gas_c, *mix)
    assert thermal.pressure_of_free_l(capacity_l, amount, gas_c, *mix) == pytest.approx(bar, abs=1e-3)


@given(bars, degrees, degrees)
@settings(max_examples=60, deadline=None)
def test_content_does_not_change_while_it_cools(bar, gas_c, to_c):
    settled = thermal.settled_pressure_bar(bar, gas_c, to_c)
    before, after = thermal.amount_free_l(12, bar, gas_c), thermal.amount_free_l(12, settled, to_c)
    assert after == pytest.approx(before, rel=2e-5)


@given(st.floats(5, 30), st.floats(100, 300), st.floats(0, 60), st.floats(15, 60))
@settings(max_examples=60, deadline=None)
def test_the_three_losses_sum_to_the_shortfall(capacity_l, target_bar, early_bar, gas_c):
    stop_bar = target_bar - early_bar
    settled = thermal.settled_pressure_bar(stop_bar, gas_c, 15.0)
    usable = thermal.usable_free_l(capacity_l, settled, 15.0)
    parts = thermal.split_shortfall(capacity_l, target_bar, stop_bar, settled, usable)
    assert sum(parts) == pytest.approx(capacity_l * target_bar - usable, abs=1e-6)


def test_a_large_batch_goes_through_the_tables_to_the_same_answers():
    rng = np.random.default_rng(5)
    bar, gas_c = rng.uniform(0, 320, 3000), rng.uniform(0, 60, 3000)
    o2 = rng.choice([20.95, 32.0, np.nan], 3000)
    settled = thermal.settled_pressure_bar(bar, gas_c, 15.0, o2)
    assert np.isnan(settled).tolist() == np.isnan(o2).tolist()
    some = np.flatnonzero(~np.isnan(o2))[:20]
    alone = [thermal.settled_pressure_bar(bar[i], gas_c[i], 15.0, o2[i]) for i in some]
    assert settled[some] == pytest.approx(alone, abs=2e-3)
    back = thermal.gas_temperature_at_stop_c(bar, settled, 15.0, o2)
    assert back == pytest.approx(np.where(np.isnan(o2), np.nan, gas_c), abs=0.1, nan_ok=True)


def test_an_empty_gauge_holds_what_one_atmosphere_holds():
    assert thermal.usable_free_l(12, 0, 15) == 0
    assert thermal.amount_free_l(12, 0, 15) == pytest.approx(12 * 1.01325, rel=1e-3)
    assert thermal.density_mol_l(0, 15) == pytest.approx(1.01325 * FREE_LITRE_MOL, rel=1e-3)


def test_a_reading_no_temperature_explains_is_refused():
    with pytest.raises(OutOfRange, match="state 1: no temperature"):
        thermal.gas_temperature_at_stop_c([200, 300], [190, 100], 15)
    found = thermal.gas_temperature_at_stop_c([200, 300, np.nan], [190, 100, 100], 15, strict=False)
    assert np.isnan(found).tolist() == [False, True, True]


def test_beyond_the_box_only_the_lenient_go_on():
    with pytest.raises(OutOfRange):
        thermal.settled_pressure_bar([200.0, 600.0], 40, 15)
    lenient = thermal.settled_pressure_bar([200.0, 600.0], 40, 15, strict=False)
    assert np.isnan(lenient).tolist() == [False, True]
