"""Fills of one level: what each operator decides, the two-body fill itself, and who reads the check gauge later."""

import numpy as np

from sample_data.gas import ATM_BAR, FREE_MOL, density, settled
from sample_data.heat import Supply, fill, gas_of, gauge_bar, stand
from sample_data.schedule import Chance

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
GAUGE_OF = {
    "comp-1": "panel-1",
    "bank-air": "panel-2",
    "bank-32": "panel-2",
    "comp-2": "whip-3",
    "bank-ar": "panel-2",
}
GAS_NAMES, SOURCE_NAMES = list(GASES), list(GAUGE_OF)

#: what is kept of a fill: who and what as numbers into lists, what truly happened, what was read
FILL = np.dtype(
    [
        ("begun_s", np.int64),
        ("filled_s", np.int64),  # the moment of stop
        ("settled_s", np.int64),  # 0: nobody read the check gauge
        ("unit", np.int32),
        ("member", np.int32),  # -1: nobody
        ("source", np.int8),
        ("gas", np.int8),
        ("at_once", np.int8),
        ("residue_other", bool),
        ("no_analysis", bool),
        ("sides_differ", bool),
        ("target_bar", float),
        ("start_true_bar", float),
        ("start_bar", float),
        ("stop_true_bar", float),
        ("stop_bar", float),
        ("second_stop_bar", float),  # NaN: not read
        ("settled_true_15c", float),
        ("settled_bar", float),
        ("settled_c", float),
        ("ambient_true_c", float),
        ("gas_true_c", float),
        ("wall_true_c", float),
        ("minutes", float),
        ("mol", float),
        ("usable_free_l", float),
        ("o2_true", float),
        ("he_true", float),
    ]
)

_OF_ANY = Chance([0.55, 0.31, 0.14])
_OF_HIGH = Chance([0.4, 0.6])
_SLACK = Chance([0.74, 0.18, 0.08])
_AT_ONCE = Chance([0.5, 0.35, 0.15])


def _source(season, e):
    gas, u, rng = e.fact["gas"], e.units[0], season.rng
    if "source" in e.fact:
        return e.fact["source"]
    if gas != "air":
        return {"n32": "bank-32", "argon": "bank-ar"}.get(gas, "comp-1")
    rush = e.fact.get("rush")
    if rush:
        source = "bank-air"
    elif season.fleet[season.bodies[u][0]].gas != "air":
        source = "comp-1"  # a clean cylinder takes no air of the small compressor
    else:
        source = ("comp-1", "bank-air", "comp-2")[_OF_ANY.draw(rng)]
    if season.rated_bar(u) == 300 and not rush:
        source = ("comp-1", "bank-air")[_OF_HIGH.draw(rng)]
    return source


def _phases(rng, e, room, litres, mol_s, stop_true, held, bank):
    """What is let in, one gas after another: (o2, he, from a bank, bank's bar, mol/s, mol to add), with the blender's
    luck. held: mol, o2 and he of what is inside."""
    gas = e.fact["gas"]
    o2, he = e.fact.get("true_mix", GASES[gas])
    mol0, x0, h0 = held
    if METHOD[gas] in ("partial_pressure", "continuous"):
        end = litres * density(o2, he, stop_true + ATM_BAR, room + 295.0)
        add = max(end - mol0, 1.0)
    if METHOD[gas] == "partial_pressure":
        phases = []
        want_he = max(0.0, (he + rng.normal(0, 0.006) * (he > 0)) * end - h0 * mol0)
        want_o2 = max(0.0, ((o2 + rng.normal(0, 0.003)) * end - x0 * mol0 - 0.2095 * (add - want_he)) / (1 - 0.2095))
        if want_he > 0:
            phases.append((0.0, 1.0, True, 180.0, mol_s * 0.8, want_he))
        if want_o2 > 0:
            phases.append((1.0, 0.0, True, 170.0, mol_s * 0.25, want_o2))
        return [*phases, (0.2095, 0.0, False, 0.0, mol_s, np.nan)]
    if METHOD[gas] == "continuous":
        mix = min(max(((o2 + rng.normal(0, 0.003)) * end - x0 * mol0) / add, 0.2095), 0.40)
        return [(mix, 0.0, False, 0.0, mol_s, np.nan)]
    if gas == "argon":
        return [(0.0, 0.0, True, 190.0, mol_s, np.nan)]
    if gas == "air":
        return [(0.2095, 0.0, bank, rng.uniform(300, 325), mol_s, np.nan)]
    banked = 0.321 + rng.normal(0, 0.0015)
    return [(e.fact.get("true_mix", (banked, 0.0))[0], 0.0, bank, rng.uniform(252, 285), mol_s, np.nan)]


def _prepare(season, e, rec):
    """Decide one fill and begin its record: returns what is let in, a tuple a gas, and the true stop pressure."""
    rng, u, gas = season.rng, e.units[0], e.fact["gas"]
    b = season.bodies[u]
    if e.fact.get("drain"):
        season.set_pressure(u, rng.uniform(4, 16))
    elif season.v["he"][b[0]] > 0.01:  # after trimix the next mix begins nearly empty
        season.set_pressure(u, rng.uniform(2.5, 4))
    inside, litres = season.v[b[0]], season.litres[u]
    x0, h0 = float(inside["o2"]), float(inside["he"])
    source = _source(season, e)
    gauge = GAUGE_OF[source]
    room = season.weather.room_c(e.t)
    rated = season.rated_bar(u)
    target = float(e.fact.get("target_bar", rated))
    start_true = gauge_bar(season.v, b[0])
    slack = (rng.normal(0, 1.5), rng.uniform(4, 9), -rng.uniform(4, 14))[_SLACK.draw(rng)]
    if gas == "air" and target == 232 and not e.fact.get("topup") and rng.random() < 0.33:
        target, slack = 200.0, rng.normal(13, 4)  # 200 asked for, stopped higher while warm
    if target >= 300:
        slack = min(slack, rng.normal(0, 1.5))
    stop_true = max(target + slack - season.offset(gauge, e.t), start_true + 2)
    at_once = 1 if e.fact.get("rush") or source == "comp-2" else 1 + _AT_ONCE.draw(rng)
    at_once = min(at_once, 2) if litres > 20 else at_once
    bank = source.startswith("bank")
    rate_bar_min = rng.uniform(16, 38) if bank else {"comp-1": 265, "comp-2": 95}[source] / at_once / litres
    if target >= 300 and bank:
        rate_bar_min = rng.uniform(30, 46)
    if litres < 3:
        rate_bar_min = rng.uniform(20, 45)
    mol_s = rate_bar_min * litres * FREE_MOL / 60
    held = float(season.v["mol"][b].sum()), x0, h0
    phases = _phases(rng, e, room, litres, mol_s, stop_true, held, bank)
    rec["begun_s"] = e.t
    rec["unit"] = season.unit_no[u]
    rec["member"] = season.member_no[e.member.member_id] if e.member else -1
    rec["source"] = SOURCE_NAMES.index(source)
    rec["gas"] = GAS_NAMES.index(gas)
    rec["at_once"] = at_once
    rec["residue_other"] = abs(x0 - 0.2095) > 0.004 or h0 > 0.004 or inside["argon"]
    rec["no_analysis"] = bool(e.fact.get("no_analysis"))
    rec["sides_differ"] = bool(e.fact.get("sides_differ"))
    rec["target_bar"] = target
    rec["start_true_bar"] = start_true
    rec["start_bar"] = season.reading(gauge, start_true, e.t)
    rec["ambient_true_c"] = room
    supply_k = 273.15 + room + (rng.normal(-2, 2) if bank else rng.uniform(6, 15))
    argon = gas == "argon"
    return [
        (x, h, argon, banked, bar, 273.15 + room - 1 if banked else supply_k, flow, add)
        for x, h, banked, bar, flow, add in phases
    ], stop_true


def fill_units(season, events):
    """Fill the units of these events; their records go to season.fills."""
    if not events:
        return
    first = season.n_fills
    season.n_fills += len(events)
    records = season.fills[first : season.n_fills]
    supplies, stops, rows, which = [], [], [], []
    for k, e in enumerate(events):
        phases, stop = _prepare(season, e, records[k])
        for b in season.bodies[e.units[0]]:
            rows.append(b)
            supplies.append(phases + [phases[-1]] * (3 - len(phases)))
            stops.append(stop)
            which.append(k)
    rows, which = np.array(rows), np.array(which)
    lead = np.searchsorted(which, np.arange(len(events)))  # the first body of each unit
    share = season.v["litres"][rows] / np.array([season.litres[season.units[u]] for u in records["unit"]])[which]
    o2, he, argon, bank, bank_bar, supply_k, mol_s, add_mol = np.moveaxis(np.array(supplies, float), 2, 0).copy()
    supply = Supply(
        o2,
        he,
        argon > 0,
        bank > 0,
        bank_bar,
        supply_k,
        mol_s * share[:, None],
        add_mol * share[:, None],
        np.array(stops),
    )
    taken = fill(season.v, rows, supply, records["ambient_true_c"][which] + 273.15)
    part = season.v[rows]
    gas, mol_l = gas_of(part), part["mol"] / part["litres"]
    records["filled_s"] = records["begun_s"] + taken[lead].astype(np.int64)
    records["minutes"] = taken[lead] / 60
    records["stop_true_bar"] = gas.pressure(mol_l, part["gas_k"])[lead] - ATM_BAR
    records["gas_true_c"] = part["gas_k"][lead] - 273.15
    records["wall_true_c"] = part["outer_k"][lead] - 273.15
    records["settled_true_15c"] = settled(gas, mol_l)[lead]
    records["mol"] = np.add.reduceat(part["mol"], lead)
    at_zero = gas.density(ATM_BAR, 288.15) * part["litres"]
    records["usable_free_l"] = np.add.reduceat(part["mol"] - at_zero, lead) / FREE_MOL
    records["o2_true"], records["he_true"] = part["o2"][lead], part["he"][lead]
    delays = np.empty(len(events))
    for k, e in enumerate(events):
        delays[k] = _read_stop(season, e, records[k], len(season.bodies[e.units[0]]), taken[lead[k]])
    _settle(season, records, part[lead], delays)


def _read_stop(season, e, rec, bodies, taken):
    """Read the gauge at stop; returns the seconds until somebody reads the check gauge, or NaN."""
    rng = season.rng
    gauge, stop_s = GAUGE_OF[SOURCE_NAMES[rec["source"]]], int(rec["filled_s"])
    rec["stop_bar"] = season.reading(gauge, float(rec["stop_true_bar"]), stop_s)
    rec["second_stop_bar"] = np.nan
    if bodies == 2 and rng.random() < 0.3:
        rec["second_stop_bar"] = rec["stop_bar"] + (-1, 0, 0, 1)[rng.integers(4)] * season.gauges[gauge]["step_bar"]
    season.last_t[e.units[0]] = stop_s
    longest = e.gap_s - taken - 900
    if rng.random() > 0.23 or longest < 4200:
        return np.nan
    low, high = (4200, 3.4 * 3600) if rng.random() < 0.25 else (4.2 * 3600, 20 * 3600)
    if longest < low + 600:
        low, high = 4200, longest
    return rng.uniform(low, min(high, longest))


def _settle(season, records, part, delays):
    """Read the check gauge on those chosen; a separate run from stop to that moment."""
    records["settled_bar"] = records["settled_c"] = np.nan
    read = np.flatnonzero(~np.isnan(delays))
    if not read.size:
        return
    part = part[read]
    moments = records["filled_s"][read] + delays[read]
    ends = np.array([season.weather.room_c(t) for t in moments.tolist()])
    start = records["ambient_true_c"][read]
    stand(part, np.arange(read.size), delays[read], start + 273.15, ends + 273.15)
    for k, n in enumerate(read):
        records[n]["settled_s"] = int(moments[k])
        records[n]["settled_bar"] = season.reading("check-1", gauge_bar(part, k), int(moments[k]))
        records[n]["settled_c"] = round(ends[k] * 2) / 2
