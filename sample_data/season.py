"""Play the season: fills, standing, dives, in the order each unit lives them.

Events of one level touch different units, so they are stepped together as arrays. Content is continuous: what
is left after a dive, less a leak, is what the next fill starts from.
"""

import numpy as np

from sample_data.gas import ATM_BAR, FREE_MOL, Gas, settled
from sample_data.heat import Supply, breathe, fill, stand, vessels
from sample_data.profiles import DT, SALT, breathing, depth_profile, needed_free_l
from sample_data.weather import END, at, local

GASES = {"air": (0.2095, 0.0), "n32": (0.32, 0.0), "c32": (0.32, 0.0), "n50": (0.50, 0.0), "n36": (0.36, 0.0), "tx1845": (0.18, 0.45),
         "argon": (0.0, 0.0)}
METHOD = {"air": "air", "n32": "banked_mix", "c32": "continuous", "n50": "partial_pressure", "n36": "partial_pressure",
          "tx1845": "partial_pressure", "argon": "banked_mix"}
OPERATORS = ["M01", "M06", "M08", "M10"]


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
        self.wet = dict.fromkeys(self.bodies, False)
        self.fills, self.dives = [], []
        self.transmitter = {}

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
        new = np.array([(self.weather.air_c if e.kind == "dive" else self.weather.room_c)(e.t) for e in events for u in e.units
                        for _ in self.bodies[u]]) + 273.15
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
            self._fill([e for e in group if e.kind == "fill"])
            self._dive([e for e in group if e.kind == "dive"])
            if progress:
                progress(k + 1, top + 1)

    def _set_pressure(self, unit, bar):
        b = self.bodies[unit]
        part = self.v.take(np.array(b))
        full = part.gauge_bar()
        target = np.minimum(full, bar)
        part.mol = part.gas().density(target + ATM_BAR, part.gas_k) * part.litres
        self.v.put(np.array(b), part)

    def _use(self, events):
        for e in events:
            self._set_pressure(e.units[0], e.fact["left_bar"])

    # fills ------------------------------------------------------------------------------------------------

    def _source(self, e):
        gas, u, rng = e.fact["gas"], e.units[0], self.rng
        if "source" in e.fact:
            source = e.fact["source"]
        elif gas == "air":
            clean = self.fleet[self.bodies[u][0]].gas != "air"
            source = "bank-air" if e.fact.get("rush") else "comp-1" if clean else str(rng.choice(["comp-1", "bank-air", "comp-2"], p=[0.55, 0.31, 0.14]))
            if self.rated_bar(u) == 300 and not e.fact.get("rush"):
                source = str(rng.choice(["comp-1", "bank-air"], p=[0.4, 0.6]))
        else:
            source = {"n32": "bank-32", "argon": "bank-ar"}.get(gas, "comp-1")
        gauge = {"comp-1": "panel-1", "bank-air": "panel-2", "bank-32": "panel-2", "comp-2": "whip-3", "bank-ar": "panel-2"}[source]
        return source, gauge

    def _prepare(self, e):
        """Decide one fill: target, source, gases, rates. Returns the record begun and the supply rows of one vessel."""
        rng, u, gas = self.rng, e.units[0], e.fact["gas"]
        b = self.bodies[u]
        if e.fact.get("drain"):
            self._set_pressure(u, float(rng.uniform(4, 16)))
        elif self.v.he[b[0]] > 0.01:  # after trimix the next mix begins nearly empty
            self._set_pressure(u, float(rng.uniform(2.5, 4)))
        part = self.v.take(np.array(b[:1]))
        litres = float(self.v.litres[b].sum())
        source, gauge = self._source(e)
        room = self.weather.room_c(e.t)
        target = float(e.fact.get("target_bar", self.rated_bar(u)))
        start_true = float(part.gauge_bar()[0])
        slack = rng.choice([rng.normal(0, 1.5), rng.uniform(4, 9), -rng.uniform(4, 14)], p=[0.74, 0.18, 0.08])
        if target >= 300:
            slack = min(slack, rng.normal(0, 1.5))
        stop_true = target + slack - self.offset(gauge, e.t)
        stop_true = max(stop_true, start_true + 2)
        at_once = 1 if e.fact.get("rush") or source == "comp-2" else int(rng.choice([1, 2, 3], p=[0.5, 0.35, 0.15]))
        at_once = min(at_once, 2) if litres > 20 else at_once
        free_l_min = {"comp-1": 265, "comp-2": 95}.get(source, 0) / at_once
        bank = source.startswith("bank")
        rate_bar_min = rng.uniform(16, 38) if bank else free_l_min / litres
        if target >= 300 and bank:
            rate_bar_min = rng.uniform(30, 46)
        if litres < 3:
            rate_bar_min = rng.uniform(20, 45)
        mol_s = rate_bar_min * litres * FREE_MOL / 60
        # composition wanted, with the blender's luck
        o2, he = e.fact.get("true_mix", GASES[gas])
        mol0, x0, h0 = float(self.v.mol[b].sum()), float(part.o2[0]), float(part.he[0])
        end = Gas([o2], [he], [gas == "argon"]).density(np.array([stop_true + ATM_BAR]), np.array([room + 295.0]))[0] * litres
        phases = []
        if METHOD[gas] == "partial_pressure":
            add = max(end - mol0, 1.0)
            want_he = max(0.0, (he + rng.normal(0, 0.006) * (he > 0)) * end - h0 * mol0)
            want_o2 = max(0.0, ((o2 + rng.normal(0, 0.003)) * end - x0 * mol0 - 0.2095 * (add - want_he)) / (1 - 0.2095))
            if want_he > 0:
                phases.append((0.0, 1.0, True, 180.0, mol_s * 0.8, want_he))
            if want_o2 > 0:
                phases.append((1.0, 0.0, True, 170.0, mol_s * 0.25, want_o2))
            phases.append((0.2095, 0.0, False, 0.0, mol_s, np.nan))
        elif METHOD[gas] == "continuous":
            add = max(end - mol0, 1.0)
            mix = float(np.clip(((o2 + rng.normal(0, 0.003)) * end - x0 * mol0) / add, 0.2095, 0.40))
            phases.append((mix, 0.0, False, 0.0, mol_s, np.nan))
        elif gas == "argon":
            phases.append((0.0, 0.0, True, 190.0, mol_s, np.nan))
        else:
            mix = 0.2095 if gas == "air" else e.fact.get("true_mix", (float(0.321 + rng.normal(0, 0.0015)), 0))[0]
            phases.append((mix, 0.0, bank, rng.uniform(300, 325) if gas == "air" else rng.uniform(252, 285), mol_s, np.nan))
        argon = gas == "argon"
        rec = dict(e=e, unit_id=u, source_id=source, gauge_id=gauge, fill_method=METHOD[gas], gas=gas, target_pressure_bar=target,
                   start_true_bar=start_true, start_pressure_bar=self.reading(gauge, start_true, e.t), ambient_true_c=room,
                   residue_other=bool(abs(x0 - 0.2095) > 0.004 or h0 > 0.004 or part.argon[0]), litres=litres, at_once=at_once)
        supply_k = 273.15 + room + (float(rng.uniform(6, 15)) if not bank else float(rng.normal(-2, 2)))
        return rec, [(p[0], p[1], argon, p[2], p[3], supply_k if not p[2] else 273.15 + room - 1, p[4], p[5]) for p in phases], stop_true

    def _fill(self, events):
        if not events:
            return
        records, supplies, stops, rows, share = [], [], [], [], []
        for e in events:
            rec, phases, stop = self._prepare(e)
            records.append(rec)
            for b in self.bodies[e.units[0]]:
                rows.append(b)
                supplies.append(phases + [phases[-1]] * (3 - len(phases)))
                stops.append(stop)
                share.append(self.v.litres[b] / rec["litres"])
        rows, share = np.array(rows), np.array(share)
        column = [np.array([[p[k] for p in s] for s in supplies]) for k in range(8)]
        supply = Supply(column[0].astype(float), column[1].astype(float), column[2].astype(bool), column[3].astype(bool), column[4].astype(float),
                        column[5].astype(float), column[6].astype(float) * share[:, None], column[7].astype(float) * share[:, None],
                        np.array(stops))
        room = np.array([r["ambient_true_c"] + 273.15 for r in records for _ in self.bodies[r["unit_id"]]])
        part = self.v.take(rows)
        taken, _ = fill(part, supply, room)
        density = part.mol / part.litres
        gas = part.gas()
        bar, settled_15 = part.gauge_bar(), settled(gas, density)
        zero = gas.density(np.full(rows.size, ATM_BAR), np.full(rows.size, 288.15)) * part.litres
        self.v.put(rows, part)
        later = part.take(slice(None))
        k = 0
        for rec in records:
            first, count = k, len(self.bodies[rec["unit_id"]])
            e = rec["e"]
            stop_t = int(e.t + taken[first])
            both = slice(first, first + count)
            rec.update(filled_s=stop_t, minutes=float(taken[first] / 60), stop_true_bar=float(bar[first]), gas_true_c=float(part.gas_k[first] - 273.15),
                       wall_true_c=float(part.outer_k[first] - 273.15), settled_true_15c=float(settled_15[first]), mol=float(part.mol[both].sum()),
                       usable_free_l=float((part.mol[both] - zero[both]).sum() / FREE_MOL), o2_true=float(part.o2[first]), he_true=float(part.he[first]),
                       stop_pressure_bar=self.reading(rec["gauge_id"], float(bar[first]), stop_t))
            if count == 2 and self.rng.random() < 0.3:
                rec["second_stop_pressure_bar"] = rec["stop_pressure_bar"] + float(self.rng.choice([-1, 0, 0, 1])) * self.gauges[rec["gauge_id"]]["step_bar"]
            rec["settle_after_s"] = self._settled_delay(e, taken[first])
            self.last_t[rec["unit_id"]] = stop_t
            self.fills.append(rec)
            k += count
        self._settle(records, later)

    def _settled_delay(self, e, taken):
        """Seconds after stop until somebody reads the check gauge, or NaN."""
        longest = e.gap_s - taken - 900
        if self.rng.random() > 0.23 or longest < 4200:
            return np.nan
        early = self.rng.random() < 0.25
        low, high = (4200, 3.4 * 3600) if early else (4.2 * 3600, 20 * 3600)
        if longest < low + 600:
            low, high = 4200, longest
        return float(self.rng.uniform(low, min(high, longest)))

    def _settle(self, records, part):
        """Read the check gauge on those chosen; a separate run from stop to that moment."""
        delays = np.array([r["settle_after_s"] for r in records for _ in self.bodies[r["unit_id"]]])
        if np.all(np.isnan(delays)):
            return
        start = np.array([r["ambient_true_c"] for r in records for _ in self.bodies[r["unit_id"]]])
        ends = np.array([self.weather.room_c(r["filled_s"] + (0 if np.isnan(r["settle_after_s"]) else r["settle_after_s"])) for r in records
                         for _ in self.bodies[r["unit_id"]]])
        stand(part, np.nan_to_num(delays, nan=60.0), start + 273.15, ends + 273.15)
        bar = part.gauge_bar()
        k = 0
        for r in records:
            if not np.isnan(r["settle_after_s"]):
                when = int(r["filled_s"] + r["settle_after_s"])
                r.update(settled_s=when, settled_pressure_bar=self.reading("check-1", float(bar[k]), when), settled_c=round(float(ends[k]) * 2) / 2)
            k += len(self.bodies[r["unit_id"]])

    # dives ------------------------------------------------------------------------------------------------

    def _rate(self, member, t, depth_m, water_c):
        months = (t - self.start_s) / (30.44 * 86400)
        log = np.log(member.level) + np.log1p(member.trend_pct_month / 100) * months
        log += np.log1p(member.depth_pct_10m / 100) * (depth_m - 18) / 10 + np.log1p(member.cold_pct_10k / 100) * (12 - water_c) / 10
        return float(np.exp(log))

    def _plan(self, e):
        """Depth, time, breathing of one dive; flows for each of its cylinders."""
        m, rng, fact = e.member, self.rng, e.fact
        deep = fact.get("deep", False)
        back = [b for u in fact["back"] for b in self.bodies[u]]
        o2 = float(self.v.o2[back[0]])
        limit = (1.4 / max(o2, 0.1) - 1) * 10 - 1
        deepest = float(np.clip(rng.normal(m.depth_m, 0.18 * m.depth_m), 8, max(8.5, min(limit, 1.5 * m.depth_m))))
        if deep:
            deepest = float(rng.uniform(46, 56))
        water_low = float(self.weather.water_c(e.t, deepest))
        typical = self._rate(m, e.t, deepest * 0.7, water_low)
        part = self.v.take(np.array(back))
        gas = part.gas()
        means_to_keep = m.reserve_bar * (1.55 if deep else 1.0) if not fact.get("keeps") else max(m.reserve_bar, 0.62 * float(part.gauge_bar()[0]))
        left = gas.density(np.full(len(back), means_to_keep + ATM_BAR), np.full(len(back), water_low + 269.0)) * part.litres
        available = float(np.maximum(part.mol - left, 0).sum() / FREE_MOL)
        if fact.get("isolator_closed"):
            available *= 0.62
        seed = int(rng.integers(2**31))
        use = []
        for minutes in (10.0, 40.0):
            grid, depth, bottom_end = depth_profile(np.random.default_rng(seed), deepest, minutes, deep)
            counted = grid <= bottom_end + (240 if deep else 1e9)
            use.append(float(np.sum((1.01325 + SALT * depth)[counted]) * DT / 60))
        wanted = available / (typical * 1.04) * float(np.exp(rng.normal(0, 0.05)))
        minutes = 10 + (wanted - use[0]) * 30 / (use[1] - use[0])
        minutes = float(np.clip(minutes, 7, rng.uniform(18, 24) if deep else rng.uniform(32, 52)))
        grid, depth, bottom_end = depth_profile(np.random.default_rng(seed), deepest, minutes, deep)
        mean_depth = float(depth.mean())
        water = self.weather.water_c(e.t, depth)
        rate = self._rate(m, e.t, mean_depth, float(np.min(water))) * float(np.exp(rng.normal(0, m.scatter)))
        surface = self.weather.pressure_bar(e.t)
        ambient = surface + SALT * depth
        flow = breathing(rng, grid, depth, rate, bottom_end) * ambient * FREE_MOL / 60
        if fact.get("shared"):
            flow = flow * np.where(grid > bottom_end - 60, 2.05, 1.0)
        press = np.maximum(np.gradient(ambient, DT), 0)
        inflate = 7.0 * press * FREE_MOL
        suit = 9.0 * press * FREE_MOL * (m.suit == "dry")
        flows: dict[int, np.ndarray] = {}
        on_stage = np.zeros(grid.size, bool)
        if fact.get("stage"):
            on_stage = (grid > bottom_end) & (depth <= 21.0)
            sb = self.bodies[fact["stage"]][0]
            flows[sb] = np.where(on_stage, flow, 0)
        if fact["extra"]:
            flows[self.bodies[fact["extra"][0]][0]] = suit
            suit = suit * 0
        main = np.where(on_stage, 0, flow) + inflate + suit
        if len(fact["back"]) == 2:
            turn = (np.floor(grid / 420).astype(int) + int(rng.integers(2))) % 2
            for k, b in enumerate(back):
                flows[b] = np.where(turn == k, main, 0)
        elif len(back) == 2:
            split = (1.0, 0.0) if fact.get("isolator_closed") else (0.5, 0.5)
            for b, s in zip(back, split, strict=True):
                flows[b] = main * s
        else:
            flows[back[0]] = main
        return dict(e=e, grid=grid, depth=depth, water=water, flows=flows, back=back, surface=surface, bottom_end=bottom_end, deep=deep,
                    on_stage=on_stage, air_c=self.weather.air_c(e.t))

    def _dive(self, events):
        if not events:
            return
        plans = [self._plan(e) for e in events]
        rows = np.array([b for p in plans for b in p["flows"]])
        steps = max(p["grid"].size for p in plans) - 1
        flow, water = np.zeros((rows.size, steps)), np.zeros((rows.size, steps))
        k = 0
        for p in plans:
            n = p["grid"].size - 1
            for f in p["flows"].values():
                flow[k, :n] = f[:n]
                water[k] = p["water"][-1] + 273.15
                water[k, :n] = p["water"][:n] + 273.15
                k += 1
        part = self.v.take(rows)
        mol, kelvin, bar = breathe(part, flow, water, DT)
        k = 0
        for p in plans:
            n = p["grid"].size - 1
            p["tanks"] = {}
            p["o2"] = {b: float(self.v.o2[b]) for b in p["flows"]}
            p["he"] = {b: float(self.v.he[b]) for b in p["flows"]}
            for b in p["flows"]:
                p["tanks"][b] = dict(mol=mol[k, : n + 1].copy(), kelvin=kelvin[k, : n + 1].copy(), bar=bar[k, : n + 1].copy())
                part.mol[k], part.gas_k[k] = mol[k, n], kelvin[k, n]
                k += 1
            self._finish(p)
        self.v.put(rows, part)

    def _finish(self, p):
        """What was truly used and how near the dive came to the gas two need."""
        e, grid, depth = p["e"], p["grid"], p["depth"]
        ambient = p["surface"] + SALT * depth
        pressure_time = float(np.sum((ambient[1:] + ambient[:-1]) / 2) * DT / 60)
        suit = [self.bodies[u][0] for u in e.fact["extra"]]
        used = sum(t["mol"][0] - t["mol"][-1] for b, t in p["tanks"].items() if b not in suit) / FREE_MOL
        back = [b for b in p["back"] if not (e.fact.get("isolator_closed") and b != p["back"][0])]
        left = np.zeros(grid.size)
        for b in back:
            t = p["tanks"][b]
            few = np.linspace(t["kelvin"].min() - 0.1, t["kelvin"].max() + 0.1, 5)
            kept = Gas([self.v.o2[b]], [self.v.he[b]]).density(np.full(5, 10 + ATM_BAR), few) * self.v.litres[b]
            left += (t["mol"] - np.interp(t["kelvin"], few, kept)) / FREE_MOL
        need = needed_free_l(depth, p["surface"])
        margin = left - need
        k = int(np.argmin(margin))
        first = p["tanks"][p["back"][0]]
        p.update(used_free_l=float(used), rmv=float(used / pressure_time), suit_free_l=float(sum(
            p["tanks"][b]["mol"][0] - p["tanks"][b]["mol"][-1] for b in suit) / FREE_MOL), least_margin=float(margin[k]), margin_s=float(grid[k]),
            margin_m=float(depth[k]), needed_there=float(need[k]), joined=not e.fact.get("isolator_closed", False), gas_start_c=float(first["kelvin"][0] - 273.15),
            gas_end_c=float(first["kelvin"][-1] - 273.15), start_true=float(first["bar"][0]), end_true=float(first["bar"][-1]), mean_ambient=pressure_time / (
            grid[-1] / 60))
        for u in e.units:
            self.last_t[u] = int(e.t + grid[-1])
        self.dives.append(p)


def last_moment():
    return at(END, 20)


def day_of(seconds):
    return local(seconds).date()
