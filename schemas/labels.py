"""Fill labels: which fill may have one, and what stands on it, for screen and print alike."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from schemas import holds, words
from schemas.codes import codes_that
from shared.gas.mixing import is_plain_air

ANALYSE = "Analyse before use; this print is no analysis."
ONE_FILL = "A label belongs to this one fill: take it off when the cylinder is filled or topped up again."
NOT_BREATHABLE = "SUIT GAS: NOT BREATHABLE"
NOT_ANALYSED = "NOT ANALYSED"
_ASK_ANALYSIS = codes_that(lambda c: c.asks_analysis) | {"residue_unknown"}
NOT_FOR_BREATHING = frozenset({"not_breathable", "suit_gas_only", "argon"})


@dataclass(frozen=True)
class Label:
    """One label: what it hangs on, the mix, how deep it may be breathed, and its lines of term and text.

    `warning` stands large above the mix, `depth` large below it; each may be empty.
    """

    unit_id: str
    mix: str
    warning: str
    depth: str
    lines: tuple[tuple[str, str], ...]


def superseded(fills: pd.DataFrame) -> pd.Series:
    """Whether all its cylinders were filled again since, a mask over all fills."""
    return ~holds.still_inside(fills)


def withheld(row: Mapping[str, Any]) -> str:
    """Why a fill gets no label, or the empty text; the row carries `superseded`.

    Air that nobody analysed gets one that says so; any other gas that nobody analysed is held.
    """
    if holds.called_back(row):
        own = row["air_state"] in ("failed", "failed_later")
        air = words.air(row["air_state"], row["air_failed_on"])
        return f"Called back: its air {air}." if own else "Called back: filled upon gas that is called back."
    if holds.held(row):
        return "Held: do not hand over."
    if row["mix_verdict"] == "not_analysed" and not _air_by_the_log(row):
        return "Not analysed."
    if row["superseded"]:
        return "Filled again since."
    return ""


def _air_by_the_log(row: Mapping[str, Any]) -> bool:
    """Whether air went in upon what is known to be air, so that nothing asks for an analysis."""
    helium = row["he_pct"] if words.known(row["he_pct"]) else 0.0
    asks = _ASK_ANALYSIS.intersection(words.listed(row["reasons"]))
    return not asks and words.known(row["o2_pct"]) and bool(is_plain_air(row["o2_pct"], helium))


def label(row: Mapping[str, Any], zone: str, ppo2_bar: float, names: Mapping[str, str]) -> Label:
    """The label of a fill that may have one; depths round to the safe side.

    Parameters
    ----------
    row : mapping
        A row of `fill_quality`.
    zone : str
        The station's time zone.
    ppo2_bar : float
        The partial pressure of oxygen, bar, that its maximum operating depth stands for.
    names : mapping
        Names by member_id, for whom it was filled and who analysed it.
    """
    by = f" by {names.get(row['analysed_by'], row['analysed_by'])}" if words.known(row["analysed_by"]) else ""
    at = f", {words.clock(row['analysed_at'], zone)}" if words.known(row["analysed_at"]) else ""
    lines, depth, warning = [], "", ""
    not_breathable = bool(NOT_FOR_BREATHING & set(words.listed(row["reasons"])))
    if not words.known(row["analysed_o2_pct"]):
        warning = NOT_ANALYSED
        lines.append(("Analysed", "by nobody: air by the log. No depth is stated for it."))
    else:
        lines.append(("Analysed", f"{words.analysis(row['analysed_o2_pct'], row['analysed_he_pct'])}{by}{at}"))
        if not not_breathable:
            depth = f"Maximum operating depth {words.depth_down(row['max_operating_depth_m'])}"
            lines += [
                ("That depth", f"at ppO₂ {ppo2_bar:g} bar"),
                ("Minimum depth", words.depth_up(row["min_operating_depth_m"])),
            ]
    warning = NOT_BREATHABLE if not_breathable else warning
    value, low, high = (row[f"settled_{which}_bar_15c"] for which in ("pressure", "low", "high"))
    lines += [
        ("Stopped at", words.number(row["stop_pressure_bar"], 0, "bar")),
        (f"At {words.number(15, 0, '°C')}", words.with_interval(value, low, high, 0, "bar")),
        ("Filled", words.clock(row["filled_at"], zone)),
        ("Air", holds.air(row)),
    ]
    if row["member_id"] in names:
        lines.append(("For", names[row["member_id"]]))
    return Label(row["unit_id"], words.mix(row["o2_pct"], row["he_pct"]), warning, depth, tuple(lines))
