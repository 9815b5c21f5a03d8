"""Fills of one level: what each operator decides, the two-body fill itself, and who reads the check gauge later."""

import numpy as np

from sample_data.gas import ATM_BAR, FREE_MOL, Gas, settled
from sample_data.heat import Supply, fill, stand

GASES = {
    "air": (0.2095, 0.0),
    "n32": (0.32, 0.0),
    "c32": (0.32, 0.0),
    "n50": (0.50, 0.0),
    "n36": (0.36, 0.0),
    "tx1845": (0.18, 0.45),
    "argon": (0.0, 0.0),
}
METHOD = {
    "air": "air",
    "n32": "banked_mix",
    "c32": "continuous",
    "n50": "partial_pressure",
    "n36": "partial_pressure",
    "tx1845": "partial_pressure",
    "argon": "banked_mix",
}


def _source(season, e):
    gas, u, rng = e.fact["gas"], e.units[0], season.rng
    if "source" in e.fact:
        source = e.fact["source"]
    elif gas == "air":
        clean = season.fleet[season.bodies[u][0]].gas != "air"
        source = (
            "bank-air"
            if e.fact.get("rush")
            else "comp-1"
            if clean
            else str(rng.choice(["comp-1", "bank-air", "comp-2"], p=[0.55, 0.31, 0.14]))
        )
        if season.rated_bar(u) == 300 and not e.fact.get("rush"):
            source = str(rng.choice(["comp-1", "bank-air"], p=[0.4, 0.6]))
    else:
        source = {"n32": "bank-32", "argon": "bank-ar"}.get(gas, "comp-1")
    gauge = {
        "comp-1": "panel-1",
        "bank-air": "panel-2",
        "bank-32": "panel-2",
        "comp-2": "whip-3",
        "bank-ar": "panel-2",
    }[source]
    return source, gauge


def _prepare(season, e):
    """Decide one fill: target, source, gases, rates. Returns the record begun and the supply rows of one vessel."""
    rng, u, gas = season.rng, e.units[0], e.fact["gas"]
    b = season.bodies[u]
    if e.fact.get("drain"):
        season.set_pressure(u, float(rng.uniform(4, 16)))
    elif season.v.he[b[0]] > 0.01:  # after trimix the next mix begins nearly empty
        season.set_pressure(u, float(rng.uniform(2.5, 4)))
    part = season.v.take(np.array(b[:1]))
    litres = float(season.v.litres[b].sum())
    source, gauge = _source(season, e)
    room = season.weather.room_c(e.t)
    target = float(e.fact.get("target_bar", season.rated_bar(u)))
    start_true = float(part.gauge_bar()[0])
    slack = rng.choice([rng.normal(0, 1.5), rng.uniform(4, 9), -rng.uniform(4, 14)], p=[0.74, 0.18, 0.08])
    if gas == "air" and target == 232 and not e.fact.get("topup") and rng.random() < 0.33:
        target, slack = 200.0, rng.normal(13, 4)  # 200 asked for, stopped higher while warm
    if target >= 300:
        slack = min(slack, rng.normal(0, 1.5))
    stop_true = target + slack - season.offset(gauge, e.t)
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
    mol0, x0, h0 = float(season.v.mol[b].sum()), float(part.o2[0]), float(part.he[0])
    end = (
        Gas([o2], [he], [gas == "argon"]).density(np.array([stop_true + ATM_BAR]), np.array([room + 295.0]))[0] * litres
    )
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
    rec = dict(
        e=e,
        unit_id=u,
        source_id=source,
        gauge_id=gauge,
        fill_method=METHOD[gas],
        gas=gas,
        target_pressure_bar=target,
        start_true_bar=start_true,
        start_pressure_bar=season.reading(gauge, start_true, e.t),
        ambient_true_c=room,
        residue_other=bool(abs(x0 - 0.2095) > 0.004 or h0 > 0.004 or part.argon[0]),
        litres=litres,
        at_once=at_once,
    )
    supply_k = 273.15 + room + (float(rng.uniform(6, 15)) if not bank else float(rng.normal(-2, 2)))
    return (
        rec,
        [(p[0], p[1], argon, p[2], p[3], supply_k if not p[2] else 273.15 + room - 1, p[4], p[5]) for p in phases],
        stop_true,
    )


def fill_units(season, events):
    if not events:
        return
    records, supplies, stops, rows, share = [], [], [], [], []
    for e in events:
        rec, phases, stop = _prepare(season, e)
        records.append(rec)
        for b in season.bodies[e.units[0]]:
            rows.append(b)
            supplies.append(phases + [phases[-1]] * (3 - len(phases)))
            stops.append(stop)
            share.append(season.v.litres[b] / rec["litres"])
    rows, share = np.array(rows), np.array(share)
    column = [np.array([[p[k] for p in s] for s in supplies]) for k in range(8)]
    supply = Supply(
        column[0].astype(float),
        column[1].astype(float),
        column[2].astype(bool),
        column[3].astype(bool),
        column[4].astype(float),
        column[5].astype(float),
        column[6].astype(float) * share[:, None],
        column[7].astype(float) * share[:, None],
        np.array(stops),
    )
    room = np.array([r["ambient_true_c"] + 273.15 for r in records for _ in season.bodies[r["unit_id"]]])
    part = season.v.take(rows)
    taken, _ = fill(part, supply, room)
    density = part.mol / part.litres
    gas = part.gas()
    bar, settled_15 = part.gauge_bar(), settled(gas, density)
    zero = gas.density(np.full(rows.size, ATM_BAR), np.full(rows.size, 288.15)) * part.litres
    season.v.put(rows, part)
    later = part.take(slice(None))
    k = 0
    for rec in records:
        first, count = k, len(season.bodies[rec["unit_id"]])
        e = rec["e"]
        stop_t = int(e.t + taken[first])
        both = slice(first, first + count)
        rec.update(
            filled_s=stop_t,
            minutes=float(taken[first] / 60),
            stop_true_bar=float(bar[first]),
            gas_true_c=float(part.gas_k[first] - 273.15),
            wall_true_c=float(part.outer_k[first] - 273.15),
            settled_true_15c=float(settled_15[first]),
            mol=float(part.mol[both].sum()),
            usable_free_l=float((part.mol[both] - zero[both]).sum() / FREE_MOL),
            o2_true=float(part.o2[first]),
            he_true=float(part.he[first]),
            stop_pressure_bar=season.reading(rec["gauge_id"], float(bar[first]), stop_t),
        )
        if count == 2 and season.rng.random() < 0.3:
            rec["second_stop_pressure_bar"] = (
                rec["stop_pressure_bar"]
                + float(season.rng.choice([-1, 0, 0, 1])) * season.gauges[rec["gauge_id"]]["step_bar"]
            )
        rec["settle_after_s"] = _settled_delay(season, e, taken[first])
        season.last_t[rec["unit_id"]] = stop_t
        season.fills.append(rec)
        k += count
    _settle(season, records, later)


def _settled_delay(season, e, taken):
    """Seconds after stop until somebody reads the check gauge, or NaN."""
    longest = e.gap_s - taken - 900
    if season.rng.random() > 0.23 or longest < 4200:
        return np.nan
    early = season.rng.random() < 0.25
    low, high = (4200, 3.4 * 3600) if early else (4.2 * 3600, 20 * 3600)
    if longest < low + 600:
        low, high = 4200, longest
    return float(season.rng.uniform(low, min(high, longest)))


def _settle(season, records, part):
    """Read the check gauge on those chosen; a separate run from stop to that moment."""
    delays = np.array([r["settle_after_s"] for r in records for _ in season.bodies[r["unit_id"]]])
    if np.all(np.isnan(delays)):
        return
    start = np.array([r["ambient_true_c"] for r in records for _ in season.bodies[r["unit_id"]]])
    ends = np.array(
        [
            season.weather.room_c(r["filled_s"] + (0 if np.isnan(r["settle_after_s"]) else r["settle_after_s"]))
            for r in records
            for _ in season.bodies[r["unit_id"]]
        ]
    )
    stand(part, np.nan_to_num(delays, nan=60.0), start + 273.15, ends + 273.15)
    bar = part.gauge_bar()
    k = 0
    for r in records:
        if not np.isnan(r["settle_after_s"]):
            when = int(r["filled_s"] + r["settle_after_s"])
            r.update(
                settled_s=when,
                settled_pressure_bar=season.reading("check-1", float(bar[k]), when),
                settled_c=round(float(ends[k]) * 2) / 2,
            )
        k += len(season.bodies[r["unit_id"]])
