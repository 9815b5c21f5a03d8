"""How a member's trend reads, on pages and in print: how far the rate moved, over what time, and how surely."""

from collections.abc import Mapping
from typing import Any

import pandas as pd

from schemas import words
from shared.trend.level import CALLED_FROM_CHANCE, LEAST_DAYS, LEAST_DIVES, YEAR_DAYS

TOO_FEW = f"too few dives to say: it needs {LEAST_DIVES} over {LEAST_DAYS:.0f} days"


def direction(row: Mapping[str, Any], chance: float = CALLED_FROM_CHANCE) -> str:
    """`rising`, `falling`, `steady` or `too_few`; a chance above the usual makes a call rarer."""
    if row["trend"] not in ("rising", "steady", "falling") or not words.known(row["chance_risen"]):
        return "too_few"
    risen = row["chance_risen"]
    return "rising" if risen >= chance else "falling" if risen <= 1 - chance else "steady"


def up_or_down(value: float, digits: int = 0) -> str:
    """'down 27 %', 'no change' where it rounds to none."""
    if not float(f"{abs(value):.{digits}f}"):
        return "no change"
    return f"{'up' if value > 0 else 'down'} {words.number(abs(value), digits, '%')}"


def moved(value: Any, low: Any, high: Any, digits: int = 0) -> str:
    """A change with its 80 % interval: 'down 27 % (21 to 32)', 'down 3 % (down 9 % to up 4 %)'."""
    if not (words.known(value) and words.known(low) and words.known(high)):
        return ""
    spread = f"{up_or_down(low, digits)} to {up_or_down(high, digits)}"
    if low > 0 or high < 0:
        near, far = sorted((abs(low), abs(high)))
        spread = words.between(near, far, digits)
    return f"{up_or_down(value, digits)} ({spread})"


def stretch(row: Mapping[str, Any], first_at: Any) -> str:
    """The time that the change is over: 'the last 12 months', or since the first dive where that is later."""
    if direction(row) == "too_few" or row["started_at"] - first_at >= pd.Timedelta(days=YEAR_DAYS):
        return "the last 12 months"
    return f"since {words.day(first_at)}"


def headline(row: Mapping[str, Any], chance: float = CALLED_FROM_CHANCE) -> str:
    """What a diver asks: 'down 27 % (21 to 32)', 'no clear change', or that there is too little to say."""
    way = direction(row, chance)
    if way == "too_few":
        return TOO_FEW
    if way == "steady":
        return "no clear change"
    return moved(row["change_12m_pct"], row["change_12m_low_pct"], row["change_12m_high_pct"])


def basis(row: Mapping[str, Any], chance: float = CALLED_FROM_CHANCE) -> str:
    """How surely, in a few words; empty where there is nothing to be sure of."""
    way = direction(row, chance)
    figures = moved(row["change_12m_pct"], row["change_12m_low_pct"], row["change_12m_high_pct"])
    if way == "too_few":
        return f"by these few dives {figures}, 80 % interval" if figures else ""
    risen = max(row["chance_risen"], 1 - row["chance_risen"])
    how = "over 99 %" if risen > 0.99 else words.number(100 * risen, 0, "%")
    if way == "steady":
        # most divers are steady, so that little is made of a figure that an interval alone might make much of
        return f"what was measured: {figures}, 80 % interval; it may be chance"
    return f"80 % interval; chance that it {'rose' if way == 'rising' else 'fell'}: {how}"


def sentence(row: Mapping[str, Any], first_at: Any, chance: float = CALLED_FROM_CHANCE) -> str:
    """'Over the last 12 months: down 27 % (21 to 32), 80 % interval.'"""
    over = stretch(row, first_at)
    lead = words.capital(over) if over.startswith("since") else f"Over {over}"
    tail = ", 80 % interval" if direction(row, chance) in ("rising", "falling") else ""
    return f"{lead}: {headline(row, chance)}{tail}."


def year_sentence(row: Mapping[str, Any] | None, first_at: Any, chance: float = CALLED_FROM_CHANCE) -> str:
    """What a year came to, in one sentence with its uncertainty: 'Over the last 12 months the rate fell by 12 % …'."""
    if row is None or direction(row, chance) == "too_few":
        return (
            f"How the rate has changed over 12 months is not known yet: it needs {LEAST_DIVES} dives over "
            f"{LEAST_DAYS:.0f} days."
        )
    over = stretch(row, first_at)
    lead = words.capital(over) if over.startswith("since") else f"Over {over}"
    figures = (row["change_12m_pct"], row["change_12m_low_pct"], row["change_12m_high_pct"])
    way = direction(row, chance)
    if way == "steady":
        return f"{lead} the rate shows no clear change: measured {moved(*figures)}, 80 % interval; it may be chance."
    value, low, high = figures
    near, far = sorted((abs(low), abs(high)))
    spread = words.between(near, far) if low > 0 or high < 0 else f"{up_or_down(low)} to {up_or_down(high)}"
    risen = max(row["chance_risen"], 1 - row["chance_risen"])
    how = "over 99 %" if risen > 0.99 else words.number(100 * risen, 0, "%")
    verb = "rose" if way == "rising" else "fell"
    return (
        f"{lead} the rate {verb} by {words.number(abs(value), 0, '%')} ({spread}), 80 % interval; chance that it "
        f"{verb}: {how}."
    )


def recent(row: Mapping[str, Any]) -> str:
    """The slope of the last 180 days: 'down 1.9 % a month'."""
    value = row["slope_pct_per_month"]
    if direction(row) == "too_few" or not words.known(value):
        return words.UNKNOWN
    return f"{up_or_down(value, 1)} a month"


def recent_basis(row: Mapping[str, Any]) -> str:
    """Its interval, and whether it is sure."""
    low, high = row["slope_low_pct"], row["slope_high_pct"]
    if direction(row) == "too_few" or not (words.known(low) and words.known(high)):
        return ""
    sure = words.known(row["slope_sure"]) and row["slope_sure"]
    how = "sure: the 95 % interval excludes no change" if sure else "not sure: it may be no change at all"
    return f"80 % interval {up_or_down(low, 1)} to {up_or_down(high, 1)}; {how}"
