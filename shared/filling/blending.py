"""How to reach a mix from what is inside, and what several banks give: balances of moles in real gas.

One filling at a time, for the person at the panel. All pressures are settled ones, at one temperature:
while the cylinder is warm its gauge reads higher. The ideal-gas result stands beside each. Arithmetic
only: no limit of any cylinder, valve or hose is known here.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shared.gas import mix as gas
from shared.gas.mix import AIR, Mix
from shared.gas.mixing import expected_mix
from shared.gas.units import absolute, gauge, kelvin

GASES = ("helium", "oxygen", "air")
DEFAULT_ORDER = GASES

#: gases that steps add besides the top gas
PURE = {"helium": Mix(0.0, 100.0), "oxygen": Mix(100.0)}
_TOO_SMALL = 1e-3
"""A share of the final amount no gauge or analyser shows: no step of its own, nor a reason to drain.
So air asked for as 21 % brings no oxygen into the cylinder."""


MIX_TOLERANCE_PCT = 1.0
"""Percentage points; common practice, no source."""


class CannotBlend(ValueError):
    """No amount of helium, oxygen and air makes the mix, however far the cylinder is drained first."""


@dataclass(frozen=True)
class Step:
    """Add one gas until the settled gauge reads this."""

    gas: str
    to_bar: float


@dataclass(frozen=True)
class TopUp:
    """A recipe: drain to `drain_to_bar` first where that is not None, then the steps."""

    steps: tuple[Step, ...]
    final: Mix
    ideal_steps: tuple[Step, ...]
    ideal_gives: Mix
    drain_to_bar: float | None


@dataclass(frozen=True)
class Bank:
    """A storage cylinder or group of them, gauge bar at the temperature of the cascade."""

    name: str
    water_capacity_l: float
    pressure_bar: float


@dataclass(frozen=True)
class CascadeStep:
    """Open one bank until the cylinder reads `to_bar`; the bank then reads `bank_bar`."""

    bank: str
    to_bar: float
    bank_bar: float


@dataclass(frozen=True)
class Cascade:
    """What the banks give, lowest first, and what is left in them."""

    steps: tuple[CascadeStep, ...]
    final_bar: float
    banks: tuple[Bank, ...]


def additions(have: float, have_mix: Mix, to: float, to_mix: Mix, top_gas: Mix = AIR) -> dict[str, float]:
    """Helium, oxygen and top gas to add, in the unit of `have` and `to`; negative where it cannot be done.

    A balance of amounts: in moles it is exact, in absolute pressures it is the ideal-gas recipe. The
    top gas holds no helium; nitrogen and argon come from it and the residue alone.
    """
    helium = to * to_mix.he_pct / 100 - have * have_mix.he_pct / 100
    balance = to * (100 - to_mix.o2_pct - to_mix.he_pct) - have * (100 - have_mix.o2_pct - have_mix.he_pct)
    air = balance / (100 - top_gas.o2_pct)
    return {"helium": helium, "oxygen": to - have - helium - air, "air": air}


def _most_residue(have: float, have_mix: Mix, to: float, to_mix: Mix, top_gas: Mix) -> float:
    """Largest residue, at most `have`, from which no gas need be taken out again: additions fall linearly."""
    from_nothing, from_here = (additions(start, have_mix, to, to_mix, top_gas) for start in (0.0, have))
    slack = _TOO_SMALL * to
    if all(amount >= -slack for amount in from_here.values()):
        return have
    if any(amount < -slack for amount in from_nothing.values()):
        raise CannotBlend("no amounts of helium, oxygen and air make this mix, from this residue or from less")
    return have * min(
        max(from_nothing[name], 0.0) / (from_nothing[name] - from_here[name])
        for name in GASES
        if from_here[name] < -slack
    )


def _add_only(amounts: dict[str, float], total: float) -> dict[str, float]:
    """The same sum of amounts without those that are too small, or below zero by as little."""
    kept = {name: amount if amount > _TOO_SMALL * total else 0.0 for name, amount in amounts.items()}
    scale = max(sum(amounts.values()), 0.0) / (sum(kept.values()) or 1.0)
    return {name: amount * scale for name, amount in kept.items()}


def _parts(amount: float, mix: Mix) -> NDArray:
    return amount * gas.shares_pct(mix.o2_pct, mix.he_pct, np.nan if mix.ar_pct is None else mix.ar_pct)


def mixed(amount: float, mix: Mix, added: Mapping[str, float], top_gas: Mix = AIR) -> Mix:
    """Mix of an amount of one and the amounts, in the same unit, of gases added to it by their names."""
    parts, total = _parts(amount, mix), amount
    for name, more in added.items():
        parts, total = parts + _parts(more, PURE.get(name, top_gas)), total + more
    return Mix(*(float(x) for x in parts / total))


def top_up(
    have_bar: float,
    have_mix: Mix,
    to_bar: float,
    to_mix: Mix,
    gas_c: float,
    order: Sequence[str] = DEFAULT_ORDER,
    top_gas: Mix = AIR,
) -> TopUp:
    """Recipe from a residue to a mix, adding helium, oxygen and air in that order unless another order is given.

    Parameters
    ----------
    have_bar, to_bar : float
        Settled gauge pressure now and wanted, bar.
    have_mix, to_mix, top_gas : Mix
        Residue, mix wanted, and the air added.
    gas_c : float
        Temperature at which the pressures are read, °C.
    order : sequence of str
        `helium`, `oxygen`, `air`, each once.

    Raises
    ------
    CannotBlend
        No draining makes it possible. What stays at 0 bar is let pass while the mix stays within the
        usual tolerance of analysis; `final` then says what it will be.
    OutOfRange
        A state outside the gas engine's box.

    Examples
    --------
    Nitrox 32 from 50 bar of air; as ideal gases one would go to 78.1 and get 32.7 %:

    >>> recipe = top_up(50.0, AIR, 200.0, Mix(32.0), gas_c=15.0)
    >>> [(step.gas, round(step.to_bar, 1)) for step in recipe.steps]
    [('oxygen', 76.3), ('air', 200.0)]
    """
    wanted = amount_mol_l(to_bar, gas_c, to_mix)
    inside = amount_mol_l(have_bar, gas_c, have_mix)
    empty = min(amount_mol_l(0.0, gas_c, have_mix), inside)
    residue = max(_most_residue(inside, have_mix, wanted, to_mix, top_gas), empty)
    drained = residue < inside * (1 - 1e-9)
    start_bar = reads_bar(residue, gas_c, have_mix) if drained else have_bar
    added = _add_only(additions(residue, have_mix, wanted, to_mix, top_gas), wanted)
    for _ in range(3):  # what was left out moves the mix, and with it the amount that reads to_bar
        total = amount_mol_l(to_bar, gas_c, mixed(residue, have_mix, added, top_gas))
        scale = (total - residue) / (sum(added.values()) or 1.0)
        added = {name: amount * scale for name, amount in added.items()}
    final = mixed(residue, have_mix, added, top_gas)
    if max(abs(final.o2_pct - to_mix.o2_pct), abs(final.he_pct - to_mix.he_pct)) > MIX_TOLERANCE_PCT:
        raise CannotBlend("what stays inside at 0 bar spoils this mix: rinse with a gas of it, then drain again")
    start_bar_abs, to_bar_abs = absolute(start_bar), absolute(to_bar)
    ideal = _add_only(additions(start_bar_abs, have_mix, to_bar_abs, to_mix, top_gas), to_bar_abs)
    ideal_steps = _walk(start_bar_abs, have_mix, ideal, order, top_gas, lambda amount, _: gauge(amount))
    return TopUp(
        steps=_walk(residue, have_mix, added, order, top_gas, lambda amount, mix: reads_bar(amount, gas_c, mix)),
        final=final,
        ideal_steps=ideal_steps,
        ideal_gives=outcome(start_bar, have_mix, ideal_steps, gas_c, top_gas),
        drain_to_bar=start_bar if drained else None,
    )


def outcome(have_bar: float, have_mix: Mix, steps: Sequence[Step], gas_c: float, top_gas: Mix = AIR) -> Mix:
    """Mix that following a recipe to its settled pressures really gives."""
    mix, now_bar = have_mix, have_bar
    for step in steps:
        added = PURE.get(step.gas, top_gas)
        o2, he, ar = expected_mix(
            now_bar, gas_c, step.to_bar, gas_c, mix.o2_pct, mix.he_pct, added.o2_pct, added.he_pct,
            *(100 * x.fractions[2] for x in (mix, added)),
        )  # fmt: skip
        mix, now_bar = Mix(float(o2), float(he), float(ar)), step.to_bar
    return mix


def _walk(
    amount: float,
    mix: Mix,
    added: dict[str, float],
    order: Sequence[str],
    top_gas: Mix,
    reads: Callable[[float, Mix], float],
) -> tuple[Step, ...]:
    """Steps of a recipe; `reads` gives the gauge for an amount of a mix."""
    steps = []
    for name in order:
        if added[name] > 0:
            mix = mixed(amount, mix, {name: added[name]}, top_gas)
            amount += added[name]
            steps.append(Step(name, reads(amount, mix)))
    return tuple(steps)


def cascade(have_bar: float, water_capacity_l: float, to_bar: float, banks: Sequence[Bank], gas_c: float,
            mix: Mix = AIR) -> Cascade:  # fmt: skip
    """Fill from banks of the same gas, lowest pressure first, each left open until nothing more flows or full.

    Parameters
    ----------
    have_bar, to_bar : float
        Settled gauge pressure now and wanted, bar.
    water_capacity_l : float
        Of the cylinder or set filled, litres.
    banks : sequence of Bank
        Each falls as it gives; one that is no higher than the cylinder is passed over.
    gas_c : float
        Temperature of all gas once settled, °C.

    Notes
    -----
    Moles are conserved: joined vessels of one gas at one temperature come to one density.
    """
    return _cascade(
        have_bar, water_capacity_l, to_bar, banks,
        lambda bar: amount_mol_l(bar, gas_c, mix), lambda amount: reads_bar(amount, gas_c, mix),
    )  # fmt: skip


def ideal_cascade(have_bar: float, water_capacity_l: float, to_bar: float, banks: Sequence[Bank]) -> Cascade:
    """The same by pressure × volume."""
    return _cascade(have_bar, water_capacity_l, to_bar, banks, absolute, gauge)


def _cascade(
    have_bar: float,
    water_capacity_l: float,
    to_bar: float,
    banks: Sequence[Bank],
    amount_per_l: Callable[[float], float],
    reads: Callable[[float], float],
) -> Cascade:
    now_bar, left, steps = have_bar, {bank.name: bank for bank in banks}, []
    for bank in sorted(banks, key=lambda b: b.pressure_bar):
        if now_bar >= to_bar:
            break
        if bank.pressure_bar <= now_bar:
            continue
        inside, stored = amount_per_l(now_bar), amount_per_l(bank.pressure_bar)
        joined = (inside * water_capacity_l + stored * bank.water_capacity_l) / (
            water_capacity_l + bank.water_capacity_l
        )
        equal_bar = reads(joined)
        if equal_bar >= to_bar:
            given = (amount_per_l(to_bar) - inside) * water_capacity_l
            now_bar, bank_bar = to_bar, reads(stored - given / bank.water_capacity_l)
        else:
            now_bar = bank_bar = max(equal_bar, now_bar)  # the way there and back rounds
        bank_bar = min(bank_bar, bank.pressure_bar)
        left[bank.name] = Bank(bank.name, bank.water_capacity_l, bank_bar)
        steps.append(CascadeStep(bank.name, now_bar, bank_bar))
    return Cascade(tuple(steps), now_bar, tuple(left.values()))


def amount_mol_l(pressure_bar: float, gas_c: float, mix: Mix) -> float:
    """What a litre holds at a gauge pressure, mol/L, by the equation itself.

    Raises
    ------
    OutOfRange
        A state outside the gas engine's box.
    """
    return float(gas.density_direct(absolute(pressure_bar), kelvin(gas_c), mix))


def reads_bar(density_mol_l: float, gas_c: float, mix: Mix) -> float:
    """The gauge pressure of so much in a litre, bar; the inverse of `amount_mol_l`.

    Raises
    ------
    OutOfRange
        A state outside the gas engine's box.
    """
    return float(gauge(gas.pressure_direct(density_mol_l, kelvin(gas_c), mix)))
