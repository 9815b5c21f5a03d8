"""Who dives when with what, and when each unit is filled: the season's events before any physics."""

from bisect import bisect_left, bisect_right, insort
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np

from sample_data.weather import END, at, day_of, season_days


class Chance:
    """Draws a place by weight: what Generator.choice(p=...) draws, without its checks on every call."""

    def __init__(self, weights):
        self.share = np.cumsum(np.asarray(weights, float))
        self.share /= self.share[-1]

    def draw(self, rng):
        return int(self.share.searchsorted(rng.random(), side="right"))


@dataclass(slots=True)
class Event:
    """A dive, a fill or an unlogged use of units at a time (UTC seconds)."""

    kind: str
    t: int
    units: list[str]
    member: Any = None
    fact: dict = field(default_factory=dict)
    level: int = 0
    gap_s: float = np.inf  # until the unit's next event (fills)


def _outings(days, rng):
    """Diving days: Saturdays, Sundays, Wednesday evenings, weighted by season and luck with the weather."""
    weights = []
    for d in days:
        base = {5: 1.0, 6: 0.9, 2: 0.45}.get(d.weekday(), 0.04)
        summer = 0.6 + 0.6 * np.exp(-(((d.timetuple().tm_yday - 205) / 60) ** 2))
        weights.append(base * summer * (0.35 if rng.random() < 0.18 else 1.0))
    return np.array(weights) / np.sum(weights)


def dives(members, fleet, count, months, rng):
    """Dive events without physics: each member's share on the season's days, one or two a day."""
    made = made_on(fleet)
    days = season_days(months)
    weights = _outings(days, rng)
    share = np.array([m.share for m in members])
    wanted = np.maximum(1, np.floor(count * share / share.sum())).astype(int)
    for k in rng.permutation(len(members))[: max(0, count - wanted.sum())]:
        wanted[k] += 1
    while wanted.sum() > count:
        wanted[np.argmax(wanted)] -= 1
    while wanted.sum() < count:
        wanted[rng.integers(len(members))] += 1
    taken: dict[tuple, str] = {}
    out: list[Event] = []
    for member, number in zip(members, wanted, strict=True):
        first_day = max(days[0], date.fromisoformat(member.joined_on), min(made[u] for u in member.units))
        slots: list[tuple[date, int]] = []
        order = rng.choice(len(days), size=len(days), replace=False, p=weights)
        for k in order:
            if len(slots) >= number:
                break
            if days[k] < first_day:
                continue
            slots.append((days[k], 0))
            if len(slots) < number and rng.random() < member.second_dive:
                slots.append((days[k], 1))
        while len(slots) < number:  # more dives than days: a second and third a day
            k = int(rng.integers(len(days)))
            if days[k] < first_day:
                continue
            slots.append((days[k], 1 + sum(1 for s in slots if s[0] == days[k])))
        for day, nth in sorted(slots):
            weekday = day.weekday() < 5
            start = (18.2 if weekday else 9.6) + rng.uniform(0, 1.2) + nth * rng.uniform(2.6, 3.4)
            if weekday and nth:
                start = 18.2 - 3.4 * nth + rng.uniform(-0.3, 0.3)
            able = [u for u in member.units if made[u] <= day]
            free = [u for u in able if taken.get((u, day), member.member_id) == member.member_id]
            free = free or able
            unit = free[int(rng.integers(len(free)))] if len(free) > 1 else free[0]
            taken[(unit, day)] = member.member_id
            units = ["SM-1L", "SM-1R"] if unit == "SM-1L" else [unit]
            extra = [u for u in (member.suit_unit,) if u]
            out.append(Event("dive", at(day, start), units, member, dict(back=list(units), extra=extra, nth=nth)))
            out[-1].units = [*units, *extra]
    return _apart(out, made, days, weights, rng)


def made_on(fleet):
    """Day from which each unit can be used, by unit."""
    return {c.unit_id: date.fromisoformat(c.row["manufactured_on"]) for c in fleet}


def _apart(wanted, made, days, weights, rng):
    """One unit is in the water once at a time; a dive that clashes moves to another day."""
    busy: dict[str, list[int]] = {}
    kept = []
    chance = Chance(weights)
    for e in sorted(wanted, key=lambda e: e.t):
        since = max(date.fromisoformat(e.member.joined_on), *(made[u] for u in e.units))
        for _ in range(80):
            apart = (2.2 if e.fact["nth"] else 5) * 3600
            if all(_clear(busy.get(u, ()), e.t - apart, e.t + apart) for u in e.units):
                kept.append(e)
                for u in e.units:
                    insort(busy.setdefault(u, []), e.t)
                break
            day = days[chance.draw(rng)]
            if day >= since:
                e.t, e.fact["nth"] = at(day, rng.uniform(9.3, 16.5)), 0
    return sorted(kept, key=lambda e: e.t)


def _clear(moments, low, high):
    """Whether none of these sorted moments lies within [low, high]."""
    k = bisect_left(moments, low)
    return k == len(moments) or moments[k] > high


def plan_trimix(events):
    """The trimix diver's deep days: back gas 18/45, a stage of nitrox 50."""
    mine = [e for e in events if e.member and e.member.stage_unit]
    for k, e in enumerate(mine):
        if k % 4 == 2 and e.fact["nth"] == 0:
            e.fact["deep"] = True
            e.fact["stage"] = e.member.stage_unit
            e.units.append(e.member.stage_unit)
    return events


def _time_between(low, high, rng):
    """A moment of stop between two events of a unit: evening before, same evening, or the morning itself."""
    options = []
    evening = at(day_of(high - 86400), rng.uniform(17.5, 20.5))
    morning = int(high - rng.uniform(1.1, 2.2) * 3600)
    options += [(evening, 0.5), (morning, 0.22)]
    if low > 0:
        same = at(day_of(low), rng.uniform(17.8, 20.8))
        options.append((same, 0.28))
    options = [(t, w) for t, w in options if low + 3600 < t < high - 2700]
    if not options:
        return int(low + 0.45 * (high - low)) if high - low > 3000 else None
    return options[Chance([w for _, w in options]).draw(rng)][0]


def fills_for(events, fleet, rng):
    """A fill before each dive, except where the next dive goes on with what is left; suit bottles now and then."""
    gas = {c.unit_id: c.gas for c in fleet}
    last: dict[str, tuple[int, str]] = {}
    suit_dives: dict[str, int] = {}
    earlier: dict[str, Event] = {}
    out = []
    for e in sorted(events, key=lambda e: e.t):
        for u in e.units:
            small = u.startswith("SB")
            if small:
                suit_dives[u] = suit_dives.get(u, 5) + 1
            low = last.get(u, (0, ""))[0]
            skip = (small and suit_dives[u] < (4 if u == "SB-3" else 5)) or (
                e.fact.get("nth") and u.startswith("T12") and e.t - low < 5 * 3600 and rng.random() < 0.8
            )
            if skip and not small and u in earlier:
                earlier[u].fact["keeps"] = True
            if not skip:
                t = _time_between(low, e.t, rng)
                if t is not None:
                    if small:
                        suit_dives[u] = 0
                    mix = "tx1845" if e.fact.get("deep") and u in e.fact["back"] else gas[u]
                    out.append(Event("fill", t, [u], e.member, dict(gas=mix, drain=mix == "tx1845")))
                    if e.t - t < 4800:  # between two dives of a day: from the bank, or there is no time
                        out[-1].fact["rush"] = True
                    elif e.t - t > 9 * 3600 and not small and mix in ("air", "n32") and rng.random() < 0.08:
                        again = int(e.t - rng.uniform(1.0, 1.8) * 3600)  # cooled overnight, topped up in the morning
                        out.append(
                            Event("fill", again, [u], e.member, dict(gas=mix, drain=False, topup=True, rush=True))
                        )
            last[u] = (e.t + 4000, "dive")
            earlier[u] = e
    return out


def extra_fills(events, fills, fleet, count, months, rng, planted=True):
    """Fills no logged dive follows: pool evenings, try-dives, top-ups of what stood a while."""
    busy: dict[str, list[int]] = {}
    for e in [*events, *fills]:
        for u in e.units:
            busy.setdefault(u, []).append(e.t)
    for moments in busy.values():
        moments.sort()
    gas, made = {c.unit_id: c.gas for c in fleet}, made_on(fleet)
    able = [u for u in gas if gas[u] == "air" and not u.startswith(("SB", "CW", "S12-6"))]
    alone = {u: [u] for u in able}
    plain, topped_up = dict(gas="air", drain=False), dict(gas="air", drain=False, topup=True)  # shared by many events
    days = season_days(months)
    out: list[Event] = []

    def clear(unit, t, before=26 * 3600, after=10 * 3600):
        moments = busy.get(unit, ())
        k = bisect_right(moments, t - before)
        return k == len(moments) or moments[k] >= t + after

    def add(unit, t, fact):
        out.append(Event("fill", t, alone[unit], None, fact))
        insort(busy.setdefault(unit, []), t)

    if planted and "S12-4" in gas:  # the leaker is topped up on duty evenings without having been used
        for d in days[-214:]:
            if d.weekday() == 3 and len(out) < 14 and clear("S12-4", at(d, 19)):
                add("S12-4", at(d, 19 + rng.uniform(-0.5, 0.5)), topped_up)
    done, tries = len(out), 0
    while done < count and tries < 40 * max(count, 1):
        tries += 1
        unit = able[int(rng.integers(len(able)))]
        day = days[int(rng.integers(len(days)))]
        t = at(day, rng.uniform(17.5, 21))
        if day < made[unit] or not clear(unit, t):
            continue
        if rng.random() < 0.6 and unit != "S12-4":
            use = t - int(rng.uniform(2, 20) * 3600)
            out.append(Event("use", use, alone[unit], None, dict(left_bar=float(rng.uniform(55, 130)))))
            insort(busy.setdefault(unit, []), use)
        add(unit, t, plain)
        done += 1
    return out


def give_levels(events):
    """Order events so that those of one level touch different units; also the gap after each fill."""
    events.sort(key=lambda e: (e.t, e.kind != "fill"))
    level: dict[str, int] = {}
    open_fill: dict[str, Event] = {}
    for e in events:
        e.level = 1 + max((level.get(u, -1) for u in e.units), default=-1)
        for u in e.units:
            level[u] = e.level
            if u in open_fill:
                fill = open_fill.pop(u)
                fill.gap_s = e.t - fill.t
        if e.kind == "fill":
            open_fill[e.units[0]] = e
    for e in open_fill.values():
        e.gap_s = at(END, 20) - e.t
    return events
