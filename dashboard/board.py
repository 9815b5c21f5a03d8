"""The day at the compressor: each filled unit with what is to be done next, in the order of the work.

Pure: published frames and a moment in, rows out. It judges nothing new; it says which of the published findings
comes next.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from dashboard.rows import Row
from schemas import holds, words
from schemas.codes import all_codes, codes_that, sentence, worst_codes_first
from schemas.reading_units import text
from shared.filling.settled_after import settled_after_s

#: what is to be done, in the order in which it is looked at
HELD, ANALYSE, COOLING, LOOK, READY = "held", "analyse", "cooling", "look", "ready"
OUT, EMPTY, HELD_LONGER = "out", "empty", "held_longer"
HEADINGS = {
    HELD: "Held back",
    ANALYSE: "To be analysed",
    COOLING: "Cooling",
    LOOK: "Check before it is handed over",
    READY: "Nothing found against handing over",
    OUT: "Handed over",
    EMPTY: "Breathed or returned since: to be filled",
    HELD_LONGER: "Held back for longer than a week",
}
#: units filled longer ago are not the day's business; those among them that are held back come last
DAYS = 7
NOT_ANALYSED = codes_that(lambda c: c.asks_analysis)


@dataclass(frozen=True)
class Task:
    """One unit and what is next for it."""

    unit_id: str
    state: str
    fill: Row
    says: str
    #: what to do, and what else stands against it
    then: tuple[str, ...] = ()
    #: while it cools: from when on it is worth reading; NaT where that is not known
    worth_reading_at: pd.Timestamp = pd.NaT


def tasks(
    fills: pd.DataFrame,
    units: pd.DataFrame,
    health: pd.DataFrame,
    life: pd.DataFrame,
    now: pd.Timestamp,
    zone: str,
    *,
    within_bar: float = 0.5,
    settle_hours: float = 4.0,
) -> list[Task]:
    """What is to be done with each unit, in the order of the work and then of time.

    Parameters
    ----------
    fills, units, health, life : DataFrame
        Published `fill_quality`, `units`, `cylinder_health` and `cylinder_life`.
    now : Timestamp
    zone : str
        Of the station, for clock times.
    within_bar, settle_hours : float
        The check gauge's limit of error; how long a unit cools of which too little is known.
    """
    inside = fills[holds.still_inside(fills)].sort_values("filled_at")
    recent = inside["filled_at"] > now - pd.Timedelta(days=DAYS)
    held = inside["on_hold"].astype("boolean").fillna(False).astype(bool)
    known = _Known.of(units, health, life)
    rows = inside[recent | held].to_dict("records")
    cylinders_of = [words.listed(row.get("cylinder_ids")) or [row["unit_id"]] for row in rows]
    materials = [known.materials.get(row["unit_id"]) for row in rows]
    worth = _worth_reading_at(rows, materials, [len(ids) for ids in cylinders_of], within_bar, settle_hours)
    each = zip(rows, cylinders_of, worth, strict=True)
    found = [_task(row, cylinders, known, now, zone, at) for row, cylinders, at in each]
    order = list(HEADINGS)
    return sorted(found, key=lambda t: order.index(t.state))


def last_events(life: pd.DataFrame) -> pd.Series:
    """Of `cylinder_life` a mask: of each cylinder the last event of each kind that says what is next."""
    of = life[life["event"].isin([*_EVENTS, LENT])].sort_values("at", kind="stable")
    last = of[~of.duplicated(["cylinder_id", "event"], keep="last")]
    return pd.Series(life.index.isin(last.index), index=life.index)


@dataclass(frozen=True)
class _Known:
    """What is known of units and cylinders, each at hand by its name."""

    materials: dict[str, Any]
    health: dict[str, tuple[Any, Any]]
    #: by cylinder and event: when it was last
    events: dict[tuple[str, str], pd.Timestamp]

    @classmethod
    def of(cls, units: pd.DataFrame, health: pd.DataFrame, life: pd.DataFrame) -> "_Known":
        first = units.drop_duplicates("unit_id")
        own = health.drop_duplicates("cylinder_id")
        last = life[last_events(life)]
        return cls(
            dict(zip(first["unit_id"], first["material"], strict=True)),
            dict(zip(own["cylinder_id"], zip(own["inspection_state"], own["status"], strict=True), strict=True)),
            dict(zip(zip(last["cylinder_id"], last["event"], strict=True), last["at"], strict=True)),
        )

    def last(self, cylinders: list[str], after: pd.Timestamp, events: Iterable[str]) -> tuple[pd.Timestamp, str] | None:
        """The last of these events of any of the cylinders after a moment."""
        listed = [(at, e) for c in cylinders for e in events if (at := self.events.get((c, e))) is not None]
        return max((one for one in listed if one[0] > after), default=None, key=lambda one: one[0])


def _task(row, cylinders, known: _Known, now, zone, worth) -> Task:
    reasons = worst_codes_first(words.listed(row["reasons"]))
    weighty = [code for code in reasons if code not in words.MINOR_REASONS]
    if holds.held(row):
        others = [code for code in weighty if code not in NOT_ANALYSED]
        if not others and weighty:
            return Task(row["unit_id"], ANALYSE, row, "Analyse it, and log the analysis: nobody knows what is inside.")
        first, *more = others or reasons or [""]
        says = sentence(first, row) if first else "No reason is on record."
        then = (text(all_codes()[first].fix) if first in all_codes() else "", *(sentence(code, row) for code in more))
        longer = row["filled_at"] <= now - pd.Timedelta(days=DAYS)
        return Task(row["unit_id"], HELD_LONGER if longer else HELD, row, says, then)
    used = known.last(cylinders, row["filled_at"], _EVENTS)
    if used is not None:
        return Task(row["unit_id"], EMPTY, row, f"{_EVENTS[used[1]]} {words.clock(used[0], zone)}.")
    lent = known.last(cylinders, row["filled_at"], (LENT,))
    if lent is not None:
        return Task(row["unit_id"], OUT, row, f"Lent {words.clock(lent[0], zone)}.")
    if row["gas_c_basis"] != "settled" and (pd.isna(worth) or now < worth):
        when = "when it is as warm as the room" if pd.isna(worth) else f"from about {words.clock(worth, zone)}"
        will_read = words.with_interval(
            row["settled_pressure_bar_15c"], row["settled_low_bar_15c"], row["settled_high_bar_15c"], 0, "bar"
        )
        return Task(
            row["unit_id"],
            COOLING,
            row,
            text(f"Worth reading {when}. Expected at 15 °C: ") + f"{will_read}.",
            worth_reading_at=worth,
        )
    if against := _against(known.health, cylinders):
        return Task(row["unit_id"], LOOK, row, against)
    if row["verdict"] in ("stop", "attention"):  # a hold that somebody lifted is still to be looked at
        return Task(row["unit_id"], LOOK, row, " ".join(sentence(code, row) for code in weighty[:2]))
    if row["verdict"] not in ("good", "short"):
        return Task(row["unit_id"], LOOK, row, "It has no verdict.")
    short = words.number(row["target_pressure_bar"] - row["settled_pressure_bar_15c"], 0, "bar")
    return Task(row["unit_id"], READY, row, f"{short} under target." if row["verdict"] == "short" else "")


def worth_reading_at(
    row: Row, units: pd.DataFrame, cylinders: int, within_bar: float, settle_hours: float
) -> pd.Timestamp:
    """From when on a settled reading says what it will say; after `settle_hours` where too little is known."""
    own = units[units["unit_id"] == row["unit_id"]]
    material = own.iloc[0]["material"] if len(own) else None
    return _worth_reading_at([row], [material], [cylinders], within_bar, settle_hours)[0]


def _worth_reading_at(
    rows: list[Row], materials: list[Any], cylinders: list[int], within_bar: float, settle_hours: float
) -> list[pd.Timestamp]:
    """The same of several fills at once: the gas engine takes no longer for hundreds than for one."""
    seconds = np.full(len(rows), np.nan)
    listed = [i for i, material in enumerate(materials) if isinstance(material, str)]
    if listed:
        columns = (
            "settled_pressure_bar_15c",
            "gas_and_wall_c",
            "ambient_c",
            "water_capacity_l",
            "working_pressure_bar",
            "o2_pct",
            "he_pct",
        )
        said = pd.DataFrame([[rows[i][c] for c in columns] for i in listed], columns=columns).astype("float64")
        settled, together, room, capacity, working, o2, he = (said[c].to_numpy() for c in columns)
        made_of, number = np.array([materials[i] for i in listed]), np.array([cylinders[i] for i in listed], float)
        seconds[listed] = settled_after_s(
            settled, together, room, made_of, capacity, working, number, o2, he, within_bar=within_bar
        )
    seconds = np.where(np.isfinite(seconds), seconds, 3600.0 * settle_hours)
    return [row["filled_at"] + pd.Timedelta(seconds=round(s)) for row, s in zip(rows, seconds, strict=True)]


LENT = "lent"
_EVENTS = {"dived": "Dived", "returned": "Returned", "unexplained_use": "Gas is missing since"}


def _against(health: dict[str, tuple[Any, Any]], cylinders: list[str]) -> str:
    """What stands against the cylinders themselves since they were filled, or nothing."""
    found = []
    for cylinder in cylinders:
        if cylinder not in health:
            found.append(f"{cylinder}: nothing is known of its inspections.")
            continue
        state, status = health[cylinder]
        if state not in ("in_date", "due_soon"):
            found.append(f"{cylinder}: {words.INSPECTION.get(state, words.UNKNOWN)}.")
        elif status != "in_service":
            found.append(f"{cylinder}: the register has it as {status if words.known(status) else words.UNKNOWN}.")
    return " ".join(found)
