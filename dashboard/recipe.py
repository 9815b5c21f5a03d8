"""How a mix is made in the unit asked for: what is typed and what the register knows, handed to `shared.filling`.

Pure. Nothing is computed here about what has happened; the arithmetic is `shared.filling.blending`, as the
calculator at the compressor has it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from schemas import words
from shared.filling.blending import Bank, CannotBlend, Step, TopUp, outcome, top_up
from shared.filling.from_banks import Drawn, draw
from shared.filling.permitted import above_permitted, most_at_bar
from shared.gas import thermal
from shared.gas.constants import AIR_O2_PCT
from shared.gas.mix import Mix
from shared.gas.mixing import oxygen_service

#: oxygen of what a cylinder is topped up with, per cent; other banks are the parts of a mix, or suit gas
TOP_GAS_O2_PCT = (10.0, 50.0)
#: from here on a bank counts as oxygen, or helium, itself
PURE_PCT = 99.0


@dataclass(frozen=True)
class Gas:
    """What a compressor or bank gives, as the register has it; NaN, None and '' where it says nothing."""

    source_id: str
    is_bank: bool
    mix: Mix
    capacity_l: float = np.nan
    oxygen_compatible: bool | None = None
    air_state: str = ""


@dataclass(frozen=True)
class Wish:
    """What is inside by its gauge and what it should hold, all at one temperature; `top` is what it is topped with."""

    have_bar: float
    have: Mix
    to_bar: float
    to: Mix
    gas_c: float
    top: Gas
    #: emptied on purpose: nothing but what stays at 0 bar is inside
    drained: bool = False


@dataclass(frozen=True)
class Recipe:
    """The steps, what each bank reads then, and where the permitted pressure ends them."""

    made: TopUp
    drawn: Sequence[tuple[Drawn, ...]]
    aim_bar: float
    capped: bool

    @property
    def blended(self) -> bool:
        """Whether oxygen or helium goes in by itself."""
        return any(step.gas in ("oxygen", "helium") for step in self.made.steps)


class Overfull(ValueError):
    """What is inside is above the permitted pressure already; `settles_bar` at `reference_c`."""

    def __init__(self, settles_bar: float, reference_c: float):
        super().__init__("above the permitted pressure already")
        self.settles_bar, self.reference_c = settles_bar, reference_c


def gases(register: pd.DataFrame) -> list[Gas]:
    """What the station can fill with, in order of name; a compressor without a mix gives air."""
    found = []
    for row in register.sort_values("source_id").to_dict("records"):
        o2, he = (float(row[name]) if words.known(row[name]) else np.nan for name in ("o2_pct", "he_pct"))
        bank = row["kind"] == "bank"
        if np.isnan(o2) and bank:
            continue
        mix = Mix(AIR_O2_PCT if np.isnan(o2) else o2, 0.0 if np.isnan(he) else he)
        capacity = row["water_capacity_l"]
        compatible = row["oxygen_compatible"]
        found.append(
            Gas(
                str(row["source_id"]),
                bank,
                mix,
                float(capacity) if words.known(capacity) else np.nan,
                bool(compatible) if words.known(compatible) else None,
                str(row["air_state"]) if words.known(row["air_state"]) else "",
            )
        )
    return found


def to_top_with(known: Sequence[Gas], used_last: Sequence[str] = ()) -> list[Gas]:
    """Of these what one may top up with alone: no pure oxygen, helium or suit gas; the last used first."""
    low, high = TOP_GAS_O2_PCT
    fit = [gas for gas in known if low <= gas.mix.o2_pct <= high]
    order = {name: place for place, name in enumerate(used_last)}
    return sorted(fit, key=lambda gas: order.get(gas.source_id, len(order)))


def parts_of_a_mix(known: Sequence[Gas]) -> dict[str, list[Gas]]:
    """Banks of oxygen and of helium."""
    return {
        "oxygen": [g for g in known if g.is_bank and g.mix.o2_pct >= PURE_PCT],
        "helium": [g for g in known if g.is_bank and g.mix.he_pct >= PURE_PCT],
    }


def of_step(gas: str, top: Gas, known: Sequence[Gas]) -> list[Gas]:
    """Sources that a step's gas may come from: of what it is topped with, the one chosen and banks of the same mix."""
    if gas != "air":
        return parts_of_a_mix(known)[gas]
    return [top, *(g for g in known if g.is_bank and top.is_bank and g.mix == top.mix and g.source_id != top.source_id)]


def recipe(
    wish: Wish,
    capacity_l: float,
    permitted_bar: float,
    reference_c: float,
    banks: Mapping[str, Sequence[Bank]] | None = None,
) -> Recipe:
    """Steps from what is inside to the mix wanted, never above the permitted pressure.

    Parameters
    ----------
    wish : Wish
    capacity_l : float
        Of the whole unit, litres.
    permitted_bar, reference_c : float
        The least of cylinder and valve, bar, and the temperature it holds at, °C.
    banks : mapping of str to sequence of Bank, optional
        By `helium`, `oxygen` and `air` (what it is topped with), those of which somebody read the gauge.

    Raises
    ------
    Overfull
        What is inside is above the permitted pressure.
    CannotBlend
        No amounts make this mix.
    ValueError
        What it is topped with holds helium.
    """
    if wish.top.mix.he_pct > 0:
        raise ValueError("a mix with helium in it tops up only as it is")
    _refuse_overfull(wish, permitted_bar, reference_c)
    most = most_at_bar(permitted_bar, wish.gas_c, reference_c, wish.to.o2_pct, wish.to.he_pct)
    aim = min(wish.to_bar, most)
    made = top_up(wish.have_bar, wish.have, aim, wish.to, wish.gas_c, top_gas=wish.top.mix)
    start = wish.have_bar if made.drain_to_bar is None else made.drain_to_bar
    drawn = draw(start, wish.have, made.steps, wish.gas_c, capacity_l, banks or {}, wish.top.mix)
    return Recipe(made, drawn, aim, bool(above_permitted(wish.to_bar, most)))


def topped(wish: Wish, gas: Gas, permitted_bar: float, reference_c: float) -> tuple[Mix, float] | None:
    """What it holds once topped up with one gas alone, and to which pressure; None where there is no room."""
    most = most_at_bar(permitted_bar, wish.gas_c, reference_c, gas.mix.o2_pct, gas.mix.he_pct)
    to_bar = min(wish.to_bar, most)
    if to_bar <= wish.have_bar:
        return None
    return outcome(wish.have_bar, wish.have, [Step("air", to_bar)], wish.gas_c, gas.mix), to_bar


def needs_oxygen_clean(wish: Wish, made: Recipe | None, limit_pct: float) -> bool:
    """Whether oxygen, or gas above the limit, goes in by itself or comes of it."""
    if made is not None and any(step.gas == "oxygen" for step in made.made.steps):
        return True
    o2, he = (made.made.final.o2_pct, made.made.final.he_pct) if made else (wish.to.o2_pct, wish.to.he_pct)
    method = "banked_mix" if wish.top.is_bank else "air"
    top = wish.top.mix
    return bool(oxygen_service(method, o2, he, np.nan, top.o2_pct, top.he_pct, limit_pct).needed)


def _refuse_overfull(wish: Wish, permitted_bar: float, reference_c: float) -> None:
    settles = float(
        thermal.settled_pressure_bar(wish.have_bar, wish.gas_c, reference_c, wish.have.o2_pct, wish.have.he_pct)
    )
    if above_permitted(max(settles, wish.have_bar), permitted_bar):
        raise Overfull(max(settles, wish.have_bar), reference_c)


__all__ = [
    "CannotBlend",
    "Gas",
    "Overfull",
    "Recipe",
    "Wish",
    "gases",
    "needs_oxygen_clean",
    "parts_of_a_mix",
    "recipe",
    "to_top_with",
    "topped",
]
