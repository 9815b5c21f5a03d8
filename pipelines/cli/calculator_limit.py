"""The permitted pressure that a person gives the calculator: of the gauge, and of the content at its reference."""

import math
from typing import Any

from pipelines.cli.calculator_line import bar, degrees, within_box
from shared.filling.limits import filling_rules
from shared.filling.permitted import above_permitted, most_at_bar
from shared.gas import thermal


def shares_of(mix: Any) -> tuple[float, float, float]:
    """Oxygen, helium and argon of a mix, molar per cent; argon NaN where the mix states none."""
    return mix.o2_pct, mix.he_pct, math.nan if mix.ar_pct is None else mix.ar_pct


class GivenLimit:
    """The permitted pressure that was given, or none, and what it means at the temperature of the gas."""

    def __init__(self, limit_bar: float | None, rule_set: str, mix: Any):
        self.bar, self.mix = limit_bar, mix
        self.at_c = filling_rules(rule_set).reference_c

    def most_bar(self, gas_c: float) -> float:
        """Most that the gauge may read with the gas at that temperature; without a limit, anything."""
        return math.inf if self.bar is None else most_at_bar(self.bar, gas_c, self.at_c, *shares_of(self.mix))

    def holds_back(self, wanted_bar: float, gas_c: float) -> bool:
        return bool(above_permitted(wanted_bar, self.most_bar(gas_c)))

    def held(self, wanted_bar: float, gas_c: float) -> list[str]:
        """What is said where the limit holds a wanted pressure back."""
        if not self.holds_back(wanted_bar, gas_c):
            return []
        most = self.most_bar(gas_c)
        limit = f"{bar(self.bar or 0.0)} at {degrees(self.at_c)}, the limit"
        return [f"Held at {bar(most)} at {degrees(gas_c)}: that is {limit}."]

    def reads_bar(self, pressure_bar: float, gas_c: float) -> float:
        """What a content reads at the limit's temperature."""
        return within_box(
            "--gas-c", lambda: thermal.settled_pressure_bar(pressure_bar, gas_c, self.at_c, *shares_of(self.mix))
        )

    def warning(self, have_bar: float, gas_c: float) -> list[str]:
        """What is said where what is inside is over the limit already."""
        if self.bar is None:
            return []
        there = max(self.reads_bar(have_bar, gas_c), have_bar)
        if not above_permitted(there, self.bar):
            return []
        over = f"what is inside is {bar(there)} at {degrees(self.at_c)}, above the limit of {bar(self.bar)}"
        return [f"WARNING: {over}. Add nothing; bleed it slowly and read it again."]

    def checked(self, pressure_bar: float, gas_c: float, of: str = "stop") -> dict[str, Any]:
        """What an answer says of the limit: whether there is one, and what a pressure reads where it holds."""
        result: dict[str, Any] = {"limit_checked": self.bar is not None}
        if self.bar is not None:
            result |= {
                "limit_reference_c": self.at_c,
                f"{of}_at_reference_bar": self.reads_bar(pressure_bar, gas_c),
                "over_limit": bool(self.warning(pressure_bar, gas_c)),
            }
        return result
