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
    """A step of a recipe taken from a bank; pressures gauge bar, NaN where the bank does not hold that much."""

    step: Step
    bank: Bank
    bank_bar: float
    """What the bank reads once it has given all that the step asks for."""
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
    banks: Mapping[str, Bank],
    top_gas: Mix = AIR,
) -> list[Drawn | None]:
    """Take each step of a recipe from the bank of its gas, in order.

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
    banks : mapping of str to Bank
        By the gas they hold: `helium`, `oxygen`, `air` (the top gas). Steps of a gas without a bank give None.

    Returns
    -------
    list of Drawn or None
        One a step.

    Raises
    ------
    OutOfRange
        A state outside the gas engine's box.
    """
    found: list[Drawn | None] = []
    mix, now_bar, left = have_mix, have_bar, dict(banks)
    for step in steps:
        added = PURE.get(step.gas, top_gas)
        after = outcome(now_bar, mix, [step], gas_c, top_gas)
        bank = left.get(step.gas)
        if bank is None:
            found.append(None)
        else:
            inside = amount_mol_l(now_bar, gas_c, mix) * water_capacity_l
            given = amount_mol_l(step.to_bar, gas_c, after) * water_capacity_l - inside
            stored = amount_mol_l(bank.pressure_bar, gas_c, added) * bank.water_capacity_l
            bank_bar = _left_bar(stored - given, bank, gas_c, added)
            alone_bar = (
                step.to_bar
                if bank_bar >= step.to_bar
                else _level_bar(bank, step.gas, top_gas, inside, mix, now_bar, water_capacity_l, gas_c)
            )
            found.append(Drawn(step, bank, bank_bar, alone_bar))
            left[step.gas] = Bank(bank.name, bank.water_capacity_l, bank_bar)
        mix, now_bar = after, step.to_bar
    return found


def _left_bar(amount_mol: float, bank: Bank, gas_c: float, mix: Mix) -> float:
    """What a bank reads with so much in it; NaN where that is less than it holds at 0 bar."""
    least = amount_mol_l(0.0, gas_c, mix) * bank.water_capacity_l
    return reads_bar(amount_mol / bank.water_capacity_l, gas_c, mix) if amount_mol >= least else math.nan


def _level_bar(
    bank: Bank, gas: str, top_gas: Mix, inside_mol: float, mix: Mix, now_bar: float, capacity_l: float, gas_c: float
) -> float:
    """Where the cylinder stands once bank and cylinder read the same."""
    if not bank.pressure_bar > now_bar:
        return now_bar
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
    return cylinder_bar(low)
