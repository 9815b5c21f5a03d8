"""Put the planted problems (planted.toml) into the season before it is played."""

from datetime import date

from sample_data.schedule import Event
from sample_data.weather import at


def _nth(events, n, **fact):
    events[n].fact = events[n].fact | fact  # a new one: events that are alike share theirs
    return events[n]


def plant(events):
    """Change and add events; returns the list."""

    def fills(unit, gas=None):
        return [e for e in events if e.kind == "fill" and e.units[0] == unit and gas in (None, e.fact["gas"])]

    twin3 = [e for e in events if e.kind == "dive" and "T12-3" in e.units]
    for k in (9, 10, 15):
        if k < len(twin3):
            _nth(twin3, k, isolator_closed=True)
    mixed = fills("T12-1", "c32")
    if len(mixed) > 8:
        _nth(mixed, 8, true_mix=(0.352, 0.0))
    deep = fills("T12-1", "tx1845")
    if len(deep) > 2:
        _nth(deep, 2, true_mix=(0.152, 0.52))
    sides = fills("T12-2", "n32")
    if len(sides) > 12:
        _nth(sides, 12, no_analysis=True)
        _nth(sides, 6, sides_differ=True)
    hot = fills("T7-1")
    for k in range(0, len(hot), 2):
        _nth(hot, k, source="bank-air")
    learners = [e for e in events if e.kind == "dive" and e.member.member_id == "M11"]
    if len(learners) > 6:
        _nth(learners, 6, shared=True)
    over = fills("AL-2")
    if over:
        _nth(over, len(over) // 2, target_bar=232.0)
    empty = fills("S12-3")
    if len(empty) > 4:
        e = empty[4]
        events.append(Event("use", e.t - 1800, ["S12-3"], None, dict(left_bar=0.4)))
    known = {u for e in events for u in e.units}
    if "T12-1" in known:
        events.append(Event("fill", at(date(2026, 10, 28), 18.4), ["ST-2"], None, dict(gas="n36", drain=False)))
        events.append(
            Event("fill", at(date(2026, 6, 13), 10.2), ["S12-6"], None, dict(gas="air", drain=False, source="comp-2"))
        )
        late = [e for e in fills("S12-2") + fills("S12-3") + fills("S10-2") if e.t > at(date(2026, 9, 20), 0)]
        for k in range(min(6, len(late))):
            _nth(late, k, source="comp-2")
    return events
