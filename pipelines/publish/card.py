"""The card for a power cut: what an operator needs at the compressor when no screen is at hand, on one sheet.

It repeats what the snapshot says and what the gas law gives. It grows old: a day when it is to be thrown away
stands on it, the first on which anything that it says may have changed.
"""

from typing import Any

import numpy as np
import pandas as pd

from schemas import words
from schemas.clearance import OPEN_FINDINGS, FillClearance, fill_clearance, fillable_units
from schemas.codes import sentence
from schemas.reading_units import METRIC, US, current, shown
from shared.filling.limits import filling_rules
from shared.gas.thermal import settled_pressure_bar

#: pressures that cylinders are commonly filled to, as gauges read; common practice, no source
STOPS = {METRIC: (200.0, 232.0, 300.0), US: (2400.0, 3000.0, 3442.0)}
#: gas at stop: as cold as the room, to hotter than most fills leave it, as thermometers read
GAS = {METRIC: tuple(range(15, 66, 5)), US: tuple(range(60, 151, 10))}
#: a card is thrown away after so many days in any case; common practice, no source
MOST_DAYS = 7


def stops_bar() -> tuple[float, ...]:
    """The stop pressures of the card, bar; those of the reader's own gauges."""
    return tuple(shown("bar").back(stop) for stop in STOPS[current()])


def cold_readings(reference_c: float) -> list[dict[str, Any]]:
    """What a gauge that reads each stop pressure will read cold, by temperature of the gas; for air.

    Whole bar or psi, rounded down: a card must not promise gas that is not there.
    """
    gas_c = shown("°C").back(np.array(GAS[current()], float))
    columns = [settled_pressure_bar(stop, gas_c, reference_c) for stop in stops_bar()]
    return [
        {
            "gas": words.number(c, 0, "°C"),
            "pressures": [words.down(column[n], "bar").partition("\u00a0")[0] for column in columns],
        }
        for n, c in enumerate(gas_c)
    ]


def power_cut_card(
    units: pd.DataFrame,
    health: pd.DataFrame,
    fills: pd.DataFrame,
    sources: pd.DataFrame,
    air_due: pd.Series,
    as_of_on: pd.Timestamp,
    rule_set: str,
    zone: str,
) -> dict[str, Any]:
    """What stands on the card.

    Parameters
    ----------
    units, health, fills, sources : DataFrame
        Published `units`, `cylinder_health`, `fill_quality` and `gas_sources`.
    air_due : Series
        Days on which compressors' air tests run out.
    as_of_on : Timestamp
        The day of the snapshot.
    rule_set, zone : str
        Of the station.

    Returns
    -------
    dict
        For the page `card.html`. A unit that is not named among those against which nothing was found is among
        those not to be filled: there is no third list.
    """
    found = [fill_clearance(name, units, health, fills, sources) for name in fillable_units(units)]
    reference_c = filling_rules(rule_set).reference_c
    free = [f for f in found if not _why_not(f)]
    due = [f.next_due["next_due_on"] for f in free if f.next_due is not None]
    return {
        "title": "Card for a power cut",
        "reference": words.number(reference_c, 0, "°C"),
        "pressure_unit": shown("bar").unit,
        "stops": [words.bare(stop, 0, "bar") for stop in stops_bar()],
        "cold": cold_readings(reference_c),
        "free": [_permitted(f) for f in free],
        "barred": [{"unit_id": f.unit_id, "why": why} for f in found if (why := _why_not(f))],
        "held": [
            {"unit_id": f.unit_id, "filled": ", ".join(words.clock(row["filled_at"], zone) for row in f.held)}
            for f in found
            if f.held
        ],
        "sources": [
            {
                "source_id": s["source_id"],
                "air": words.air(s["air_state"], s["air_failed_on"]),
                "failed": s["air_state"] == "failed",
            }
            for s in sources.to_dict("records")
        ],
        "older_than": words.day(throw_away_on(as_of_on, due, air_due)),
    }


def throw_away_on(as_of_on: pd.Timestamp, due: list[pd.Timestamp], air_due: pd.Series) -> pd.Timestamp:
    """The last day on which the card holds: before the first date that runs out, and a week at most."""
    dates = [pd.Timestamp(d) for d in [*due, *air_due.dropna()] if words.known(d)]
    return min([as_of_on + pd.Timedelta(days=MOST_DAYS), *(d for d in dates if d >= as_of_on)])


def _permitted(f: FillClearance) -> dict[str, str]:
    due, last = f.next_due, f.last_fill
    return {
        "unit_id": str(f.unit_id),
        "permitted": words.down(f.unit["permitted_bar"], "bar").partition("\u00a0")[0],
        "until": words.day(due["next_due_on"]) if due is not None else words.UNKNOWN,
        "last_fill": words.mix(last["o2_pct"], last["he_pct"]) if last is not None else "nothing logged",
        "held": "on hold" if f.held else "",
    }


def _why_not(f: FillClearance) -> str:
    """Why it is not to be filled from the card, or empty."""
    why = [*f.why_not, *(sentence(code, row) for code, row in f.look_first if code in OPEN_FINDINGS)]
    if f.unit is not None and not words.known(f.unit["permitted_bar"]):
        why.append("The pressure it may be filled to is not known.")
    return " ".join(dict.fromkeys(why))
