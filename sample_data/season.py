"""Play the season: fills, standing, dives, in the order each unit lives them.

Events of one level touch different units, so they are stepped together as arrays. Content is continuous: what
is left after a dive, less a leak, is what the next fill starts from.
"""

import numpy as np

from sample_data.diving import dive
from sample_data.filling import fill_units
from sample_data.gas import ATM_BAR
from sample_data.heat import stand, vessels


class Season:
    """State of all cylinders and the records that come out."""

    def __init__(self, fleet, gauges, weather, start_s, rng):
        self.fleet, self.weather, self.rng = fleet, weather, rng
        self.gauges = {g["gauge_id"]: g for g in gauges}
        self.start_s = start_s
        self.v = vessels(fleet, weather.room_c(start_s))
        self.bodies: dict[str, list[int]] = {}
        for k, c in enumerate(fleet):
            self.bodies.setdefault(c.unit_id, []).append(k)
        self.last_t = dict.fromkeys(self.bodies, start_s)
        self.fills, self.dives = [], []

    def rated_bar(self, unit):
        row = self.fleet[self.bodies[unit][0]].row
        return row["working_pressure_bar"] or 207

    def reading(self, gauge_id, bar, t):
        """What a gauge shows: its true offset and drift, a glance, its step."""
        g = self.gauges[gauge_id]
        months = (t - self.start_s) / (30.44 * 86400)
        shown = bar + g["true_offset_bar"] + g["drift_bar_month"] * months + self.rng.normal(0, 0.2 * g["step_bar"])
        return max(0.0, round(shown / g["step_bar"]) * g["step_bar"])

    def offset(self, gauge_id, t):
        g = self.gauges[gauge_id]
        return g["true_offset_bar"] + g["drift_bar_month"] * (t - self.start_s) / (30.44 * 86400)

    def _stand_until(self, events):
        """Let every unit of these events stand in the shed from its last moment to the event."""
        units = [u for e in events for u in e.units]
        rows = np.array([b for u in units for b in self.bodies[u]])
        span = np.array([max(e.t - self.last_t[u], 60) for e in events for u in e.units for _ in self.bodies[u]], float)
        old = np.array([self.weather.room_c(self.last_t[u]) for u in units for _ in self.bodies[u]]) + 273.15
        new = (
            np.array(
                [
                    (self.weather.air_c if e.kind == "dive" else self.weather.room_c)(e.t)
                    for e in events
                    for u in e.units
                    for _ in self.bodies[u]
                ]
            )
            + 273.15
        )
        part = self.v.take(rows)
        stand(part, span, old, new)
        self.v.put(rows, part)
        for e in events:
            for u in e.units:
                self._join(u)
                self.last_t[u] = e.t

    def _join(self, unit):
        """An open manifold makes one gas of two."""
        b = self.bodies[unit]
        if len(b) == 2:
            mol = self.v.mol[b]
            for name in ("o2", "he", "gas_k"):
                values = getattr(self.v, name)
                values[b] = np.sum(values[b] * mol) / mol.sum()
            self.v.mol[b] = mol.sum() * self.v.litres[b] / self.v.litres[b].sum()

    def play(self, events, progress=None):
        """All events in level order."""
        top = max((e.level for e in events), default=-1)
        by_level = [[] for _ in range(top + 1)]
        for e in events:
            by_level[e.level].append(e)
        for k, group in enumerate(by_level):
            self._stand_until(group)
            self._use([e for e in group if e.kind == "use"])
            fill_units(self, [e for e in group if e.kind == "fill"])
            dive(self, [e for e in group if e.kind == "dive"])
            if progress:
                progress(k + 1, top + 1)

    def set_pressure(self, unit, bar):
        b = self.bodies[unit]
        part = self.v.take(np.array(b))
        full = part.gauge_bar()
        target = np.minimum(full, bar)
        part.mol = part.gas().density(target + ATM_BAR, part.gas_k) * part.litres
        self.v.put(np.array(b), part)

    def _use(self, events):
        """Unlogged use takes clearly more than a leak would, or nothing."""
        for e in events:
            now = float(self.v.take(np.array(self.bodies[e.units[0]][:1])).gauge_bar()[0])
            left = e.fact["left_bar"]
            left = left if left < 2 else min(left, now - 45.0)
            if left < 2 or left > 25:
                self.set_pressure(e.units[0], left)
