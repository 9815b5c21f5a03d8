"""What the banks of a recipe read afterwards, and how far each can fill the cylinder by its own pressure.

Balances of moles in real gas, as in `blending`: all pressures settled, at one temperature.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from shared.filling.blending import PURE, Bank, Step, amount_mol_l, mixed, outcome, reads_bar
from shared.gas.mix import AIR, Mix

_ROUNDS = 50
"""Halvings of an interval of amounts: 1e-15 of it is left."""


@dataclass(frozen=True)
class Drawn:
    """What one bank gives of a step; pressures gauge bar, NaN where the bank does not hold that much."""

    step: Step
    bank: Bank
    bank_bar: float
    """What the bank reads once it has given its part; of the last bank of a step, all that is still asked for."""
    alone_to_bar: float
    """How far the cylinder gets before the two are level: `step.to_bar` where the bank is high enough."""

    @property
    def is_enough(self) -> bool:
        """Whether the bank reaches the step without a booster."""
        return self.alone_to_bar >= self.step.to_bar


def draw(
    have_bar: float,
    have_mix: Mix,
    steps: Sequence[Step],
    gas_c: float,
    water_capacity_l: float,
    banks: Mapping[str, Sequence[Bank]],
    top_gas: Mix = AIR,
) -> list[tuple[Drawn, ...]]:
    """Take each step of a recipe from the banks of its gas, the lowest first, each left open until both are level.

    Parameters
    ----------
    have_bar : float
        Settled gauge pressure before the first step, bar: after draining, where that comes first.
    have_mix, top_gas : Mix
        What is inside then, and what the steps named `air` add.
    steps : sequence of Step
        As `blending.top_up` gives them.
    gas_c : float
        °C.
    water_capacity_l : float
        Of the cylinder or set filled, litres.
    banks : mapping of str to sequence of Bank
        By the gas they hold: `helium`, `oxygen`, `air` (the top gas).

    Returns
    -------
    list of tuple of Drawn
        One a step, its banks in the order in which they are opened; one that is no higher than the cylinder is passed
        over unless it is the only one. Empty where no bank of that gas is known.

    Raises
    ------
    OutOfRange
        A state outside the gas engine's box.
    """
    found: list[tuple[Drawn, ...]] = []
    mix, now_bar = have_mix, have_bar
    for step in steps:
        after = outcome(now_bar, mix, [step], gas_c, top_gas)
        wanted = amount_mol_l(step.to_bar, gas_c, after) * water_capacity_l
        of_gas = sorted(banks.get(step.gas, ()), key=lambda bank: bank.pressure_bar)
        found.append(tuple(_opened(step, of_gas, wanted, now_bar, mix, gas_c, water_capacity_l, top_gas)))
        mix, now_bar = after, step.to_bar
    return found


def _opened(
    step: Step,
    banks: Sequence[Bank],
    wanted_mol: float,
    now_bar: float,
    mix: Mix,
    gas_c: float,
    capacity_l: float,
    top_gas: Mix,
) -> list[Drawn]:
    """The banks of one step, lowest first, until the step is reached or the last of them is level."""
    added = PURE.get(step.gas, top_gas)
    inside = amount_mol_l(now_bar, gas_c, mix) * capacity_l
    found: list[Drawn] = []
    for bank in banks:
        stored = amount_mol_l(bank.pressure_bar, gas_c, added) * bank.water_capacity_l
        left_bar = _left_bar(stored - (wanted_mol - inside), bank, gas_c, added)
        if left_bar >= step.to_bar:
            return [*found, Drawn(step, bank, left_bar, step.to_bar)]
        given, level_bar = _level(bank, step.gas, top_gas, inside, mix, now_bar, capacity_l, gas_c)
        if bank is banks[-1] and (given > 0 or not found):
            found.append(Drawn(step, bank, left_bar, level_bar))
        elif given > 0:
            found.append(Drawn(step, bank, level_bar, level_bar))
            mix = mixed(inside, mix, {step.gas: given}, top_gas)
            inside, now_bar = inside + given, level_bar
    return found


def _left_bar(amount_mol: float, bank: Bank, gas_c: float, mix: Mix) -> float:
    """What a bank reads with so much in it; NaN where that is less than it holds at 0 bar."""
    least = amount_mol_l(0.0, gas_c, mix) * bank.water_capacity_l
    return reads_bar(amount_mol / bank.water_capacity_l, gas_c, mix) if amount_mol >= least else math.nan


def _level(
    bank: Bank, gas: str, top_gas: Mix, inside_mol: float, mix: Mix, now_bar: float, capacity_l: float, gas_c: float
) -> tuple[float, float]:
    """What a bank gives until it and the cylinder read the same, mol, and what they read then."""
    if not bank.pressure_bar > now_bar:
        return 0.0, now_bar
    added = PURE.get(gas, top_gas)

    def cylinder_bar(given: float) -> float:
        return reads_bar((inside_mol + given) / capacity_l, gas_c, mixed(inside_mol, mix, {gas: given}, top_gas))

    stored, least = (amount_mol_l(bar, gas_c, added) * bank.water_capacity_l for bar in (bank.pressure_bar, 0.0))
    # no more than fills the cylinder to the bank's own pressure, with room for how mixes differ
    most = 1.1 * capacity_l * max(amount_mol_l(bank.pressure_bar, gas_c, one) for one in (added, mix))
    low, high = 0.0, min(stored - least, most)
    for _ in range(_ROUNDS):
        given = (low + high) / 2
        if reads_bar((stored - given) / bank.water_capacity_l, gas_c, added) > cylinder_bar(given):
            low = given
        else:
            high = given
    return low, cylinder_bar(low)
