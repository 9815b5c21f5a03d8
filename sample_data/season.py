"""Play the season: fills, standing, dives, in the order each unit lives them.

Events of one level touch different units, so they are decided and stepped together. Content is continuous: what
is left after a dive, less a leak, is what the next fill starts from. What comes out is kept small, a row of an
array a fill and a dive, and the dives' traces in a temporary file, so that ten seasons fit in memory.
"""

import tempfile
from datetime import date

import numpy as np

from sample_data.diving import DIVE, dive
from sample_data.filling import FILL, fill_units
from sample_data.heat import gauge_bar, mol_at, stand, vessels
from sample_data.weather import END, at, season_days

MONTH_S = 30.44 * 86400
#: gauges drift from the last season's start on: before it they were set right each spring
LAST_SEASON_S = at(season_days(7, END)[0], 0) - 86400


class Traces:
    """Arrays of numbers kept in a temporary file: put gives a place, get gives it back."""

    def __init__(self):
        self.file = tempfile.TemporaryFile()  # noqa: SIM115  # lives as long as the season
        self.end = 0

    def put(self, values):
        """(place, length) of these numbers."""
        raw = np.asarray(values, float).tobytes()
        self.file.seek(self.end)
        self.file.write(raw)
        place = self.end, len(raw) // 8
        self.end += len(raw)
        return place

    def get(self, place, length):
        self.file.seek(int(place))
        return np.frombuffer(self.file.read(int(length) * 8))


class Season:
    """State of all cylinders and the records that come out."""

    def __init__(self, fleet, people, gauges, weather, start_s, rng):
        self.fleet, self.people, self.weather, self.rng = fleet, people, weather, rng
        self.gauges = {g["gauge_id"]: g for g in gauges}
        self.start_s = start_s
        self.v = vessels(fleet, weather.room_c(start_s))
        self.bodies: dict[str, list[int]] = {}
        for k, c in enumerate(fleet):
            self.bodies.setdefault(c.unit_id, []).append(k)
        self.units = list(self.bodies)
        self.unit_no = {u: k for k, u in enumerate(self.units)}
        self.litres = {u: float(self.v["litres"][b].sum()) for u, b in self.bodies.items()}
        self.joined = {m.member_id: date.fromisoformat(m.joined_on) for m in people}
        self.member_no = {m.member_id: k for k, m in enumerate(people)}
        self.last_t = dict.fromkeys(self.bodies, start_s)
        self.fills, self.dives = np.zeros(0, FILL), np.zeros(0, DIVE)
        self.n_fills = self.n_dives = 0
        self.traces = Traces()

    def rated_bar(self, unit):
        row = self.fleet[self.bodies[unit][0]].row
        return row["working_pressure_bar"] or 207

    def offset(self, gauge_id, t):
        """What a gauge shows too much, bar."""
        g = self.gauges[gauge_id]
        months = max(t - max(self.start_s, LAST_SEASON_S), 0) / MONTH_S
        return g["true_offset_bar"] + g["drift_bar_month"] * months

    def reading(self, gauge_id, bar, t):
        """What a gauge shows: its true offset and drift, a glance, its step."""
        step = self.gauges[gauge_id]["step_bar"]
        shown = bar + self.offset(gauge_id, t) + self.rng.normal(0, 0.2 * step)
        return max(0.0, round(shown / step) * step)

    def _stand_until(self, events):
        """Let every unit of these events stand in the shed from its last moment to the event."""
        rows, span, old, new = [], [], [], []
        for e in events:
            here = (self.weather.air_c if e.kind == "dive" else self.weather.room_c)(e.t) + 273.15
            for u in e.units:
                last = self.last_t[u]
                before = self.weather.room_c(last) + 273.15
                for b in self.bodies[u]:
                    rows.append(b)
                    span.append(float(max(e.t - last, 60)))
                    old.append(before)
                    new.append(here)
        stand(self.v, np.array(rows), np.array(span), np.array(old), np.array(new))
        for e in events:
            for u in e.units:
                self._join(u)
                self.last_t[u] = e.t

    def _join(self, unit):
        """An open manifold makes one gas of two."""
        b = self.bodies[unit]
        if len(b) == 2:
            left, right = self.v[b[0]], self.v[b[1]]
            mol = left["mol"] + right["mol"]
            for name in ("o2", "he", "gas_k"):
                left[name] = right[name] = (left[name] * left["mol"] + right[name] * right["mol"]) / mol
            for side in (left, right):
                side["mol"] = mol * side["litres"] / self.litres[unit]

    def play(self, events, progress=None):
        """All events in level order."""
        self.fills = np.zeros(sum(e.kind == "fill" for e in events), FILL)
        self.dives = np.zeros(sum(e.kind == "dive" for e in events), DIVE)
        top = max((e.level for e in events), default=-1)
        by_level = [[] for _ in range(top + 1)]
        while events:  # given up one by one: a long season holds millions
            e = events.pop()
            by_level[e.level].append(e)
        for k, group in enumerate(by_level):
            group.reverse()
            self._stand_until(group)
            self._use([e for e in group if e.kind == "use"])
            fill_units(self, [e for e in group if e.kind == "fill"])
            dive(self, [e for e in group if e.kind == "dive"])
            by_level[k] = []
            if progress:
                progress(k + 1, top + 1)
        self.fills = self.fills[np.argsort(self.fills["filled_s"], kind="stable")]
        self.dives = self.dives[np.argsort(self.dives["started_s"], kind="stable")]

    def set_pressure(self, unit, bar):
        for b in self.bodies[unit]:
            self.v["mol"][b] = mol_at(self.v, b, min(gauge_bar(self.v, b), bar), self.v["gas_k"][b])

    def _use(self, events):
        """Unlogged use takes clearly more than a leak would, or nothing."""
        for e in events:
            now = gauge_bar(self.v, self.bodies[e.units[0]][0])
            left = e.fact["left_bar"]
            left = left if left < 2 else min(left, now - 45.0)
            if left < 2 or left > 25:
                self.set_pressure(e.units[0], left)
