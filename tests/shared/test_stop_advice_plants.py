"""The advice in the hands of plants it does not know: fills integrated apart, with CoolProp."""

import itertools

import numpy as np
import pytest
from CoolProp.CoolProp import PT_INPUTS, AbstractState, DmolarT_INPUTS

from shared.filling.conditions import delivery
from shared.filling.heat import FillConditions
from shared.filling.limits import filling_rules
from shared.filling.stop_advice import Learned, advise_stop

AIR = AbstractState("HEOS", "Air")
ATM_BAR, ZERO_K = 1.01325, 273.15
STEEL_12, ALUMINIUM_11 = (12.0, 6800.0), (11.1, 12700.0)


def density(bar, gas_c):
    AIR.update(PT_INPUTS, (bar + ATM_BAR) * 1e5, gas_c + ZERO_K)
    return AIR.rhomolar()


def reads(mol_m3, gas_c):
    AIR.update(DmolarT_INPUTS, mol_m3, gas_c + ZERO_K)
    return AIR.p() / 1e5 - ATM_BAR


def settled(bar, gas_c, to_c):
    return reads(density(bar, gas_c), to_c)


def gas_at_stop_c(start_bar, stop_bar, room_c, minutes, litres, wall_j_k, film_w_m2_k, outlet_c, bank_bar):
    """Gas, °C, when the gauge reads the stop: first law of gas and wall, a steady flow, backward Euler in the film."""
    area, volume = 6.2 * (litres / 1000) ** (2 / 3), litres / 1000
    amount, gas_c, wall_c, before_bar = density(start_bar, room_c) * volume, room_c, room_c, start_bar
    flow = (density(stop_bar, room_c) * volume - amount) / (minutes * 60)
    step = minutes * 60 / 60
    for _ in range(400):
        AIR.update(PT_INPUTS, (max(bank_bar, before_bar, 150.0) + ATM_BAR) * 1e5, outlet_c + ZERO_K)
        enters = AIR.hmolar()
        AIR.update(DmolarT_INPUTS, amount / volume, gas_c + ZERO_K)
        holds, heat = AIR.umolar(), (amount + flow * step) * AIR.cvmolar()
        film = film_w_m2_k * area
        warmer = (gas_c + step * (flow * (enters - holds) + film * wall_c) / heat) / (1 + step * film / heat)
        lost = 9.0 * area * (wall_c - room_c)
        wall_c += (film * (warmer - wall_c) - lost) * step / wall_j_k
        amount += flow * step
        now_bar = reads(amount / volume, warmer)
        if now_bar >= stop_bar:
            return gas_c + (warmer - gas_c) * (stop_bar - before_bar) / (now_bar - before_bar)
        gas_c, before_bar = warmer, now_bar
    raise AssertionError("never full")


PLANTS = list(itertools.product((STEEL_12, ALUMINIUM_11), (90.0, 500.0), (0.0, 330.0)))


@pytest.mark.parametrize("room_c", [-15.0, 2.0, 12.0, 24.0])
@pytest.mark.parametrize("start_bar", [20.0, 200.0])
def test_no_plant_fills_by_this_advice_beyond_what_is_permitted(room_c, start_bar):
    """Film from a third to twice the assumed, a bank or a compressor 15 K off: first fill and top-up once cool."""
    rules, permitted, minutes = filling_rules("uk"), 232.0, 6.0
    advised = 0
    for (litres, wall), film, bank_bar in PLANTS:
        usual_c, usual_bar = delivery(bank_bar > 0, room_c, permitted)
        one = [start_bar, permitted, room_c, minutes, litres, 1.0, wall, usual_c, usual_bar, 20.95, 0.0, np.nan]
        conditions = FillConditions(*(np.array([v], float) for v in one))
        advice = advise_stop(conditions, permitted, permitted, rules, Learned())
        if advice.nothing_to_add:
            assert settled(start_bar, room_c, 15.0) > permitted - 12.0
            continue
        advised += 1
        took = minutes * (advice.stop_pressure_bar - start_bar) / (permitted - start_bar)
        outlet_c = room_c if bank_bar else room_c - 5.0
        plant = litres, wall, film, outlet_c, bank_bar
        gas_c = gas_at_stop_c(start_bar, advice.stop_pressure_bar, room_c, took, *plant)
        assert advice.stop_pressure_bar <= permitted
        assert settled(advice.stop_pressure_bar, gas_c, 15.0) <= permitted + 0.5
        cold = settled(advice.stop_pressure_bar, gas_c, room_c)
        if advice.top_up_gain_bar > 0.5 and cold < advice.top_up_stop_bar - 1.0:
            again_c = gas_at_stop_c(cold, advice.top_up_stop_bar, room_c, 1.0, *plant)
            assert settled(advice.top_up_stop_bar, again_c, 15.0) <= permitted + 0.5
    assert advised or room_c < 0
