"""Dives of one level: the plan each diver makes from what is in the cylinder, the dive, and what truly happened."""

from math import exp, log, log1p

import numpy as np

from sample_data.gas import FREE_MOL
from sample_data.heat import breathe, free_above, gauge_bar, mol_at
from sample_data.profiles import DT, LONGEST_MIN, SALT, Shape, breathing, needed_free_l, pressing
from sample_data.weather import at

CHANGING_MONTHS = 24  # a diver's rate drifts for two years, then stays
UNITS = 4  # of one dive: two of back gas, a stage, a suit bottle

#: what is kept of a dive; traces lie in season.traces (see Season)
DIVE = np.dtype(
    [
        ("started_s", np.int64),
        ("member", np.int32),
        ("units", np.int32, UNITS),  # -1: none
        ("roles", np.int8, UNITS),  # into ROLES
        ("o2", float, UNITS),
        ("he", float, UNITS),
        ("start_bar", float, UNITS),  # of the unit's first body
        ("end_bar", float, UNITS),
        ("second_end_bar", float, UNITS),  # of its second body; NaN: there is none
        ("duration_s", float),
        ("deep", bool),
        ("shared", bool),
        ("joined", bool),
        ("air_c", float),
        ("water_low_c", float),
        ("surface_bar", float),
        ("mean_ambient", float),
        ("used_free_l", float),
        ("suit_free_l", float),
        ("rmv", float),
        ("least_margin", float),
        ("margin_s", float),
        ("margin_m", float),
        ("needed_there", float),
        ("gas_start_c", float),
        ("gas_end_c", float),
        ("trace", np.int64),  # place of depth every DT, then pressure of each unit
        ("steps", np.int64),
    ]
)
ROLES = ("back", "deco", "suit")


def rate_l_min(season, member, t, depth_m, water_c):
    """A diver's usual rate at a moment, mean depth and coldest water, L/min at ambient pressure."""
    joined = max(season.start_s, at(season.joined[member.member_id], 0))
    months = min((t - joined) / (30.44 * 86400), CHANGING_MONTHS)
    by_depth = log1p(member.depth_pct_10m / 100) * (depth_m - 18) / 10
    by_cold = log1p(member.cold_pct_10k / 100) * (12 - water_c) / 10
    return exp(log(member.level) + log1p(member.trend_pct_month / 100) * months + by_depth + by_cold)


def _plan(season, e):
    """Depth, time, breathing of one dive; flows for each of its cylinders."""
    m, rng, fact = e.member, season.rng, e.fact
    deep = fact.get("deep", False)
    back = [b for u in fact["back"] for b in season.bodies[u]]
    limit = (1.4 / max(float(season.v["o2"][back[0]]), 0.1) - 1) * 10 - 1
    deepest = min(max(rng.normal(m.depth_m, 0.18 * m.depth_m), 8), max(8.5, min(limit, 1.5 * m.depth_m)))
    if deep:
        deepest = rng.uniform(46, 56)
    water_low = float(season.weather.water_c(e.t, deepest))
    typical = rate_l_min(season, m, e.t, deepest * 0.7, water_low)
    means_to_keep = (
        m.reserve_bar * (1.55 if deep else 1.0)
        if not fact.get("keeps")
        else max(m.reserve_bar, 0.62 * gauge_bar(season.v, back[0]))
    )
    left = [mol_at(season.v, b, means_to_keep, water_low + 269.0) for b in back]
    available = sum(max(float(season.v["mol"][b]) - x, 0) for b, x in zip(back, left, strict=True)) / FREE_MOL
    if fact.get("isolator_closed"):
        available *= 0.62
    shape = Shape(np.random.default_rng(int(rng.integers(2**31))), deepest, deep)
    use = []
    for minutes in (10.0, 40.0):
        depth, bottom_end = shape.profile(minutes)
        counted = depth[: int((bottom_end + 240) // DT) + 1] if deep else depth
        use.append((1.01325 * counted.size + SALT * counted.sum()) * DT / 60)
    wanted = available / (typical * 1.04) * exp(rng.normal(0, 0.05))
    minutes = 10 + (wanted - use[0]) * 30 / (use[1] - use[0])
    minutes = min(max(minutes, 7), rng.uniform(18, 24) if deep else rng.uniform(32, LONGEST_MIN))
    depth, bottom_end = shape.profile(minutes)
    grid = np.arange(depth.size) * DT
    water = season.weather.water_c(e.t, depth)
    rate = rate_l_min(season, m, e.t, float(depth.mean()), float(water.min())) * exp(rng.normal(0, m.scatter))
    surface = season.weather.pressure_bar(e.t)
    ambient = surface + SALT * depth
    flow = breathing(rng, depth.size, rate, bottom_end) * ambient * FREE_MOL / 60
    if fact.get("shared"):
        flow = flow * np.where(grid > bottom_end - 60, 2.05, 1.0)
    press = pressing(ambient)
    main = flow + 7.0 * press * FREE_MOL  # the wing
    suit = 9.0 * press * FREE_MOL * (m.suit == "dry")
    flows: dict[int, np.ndarray] = {}
    if fact.get("stage"):
        on_stage = (grid > bottom_end) & (depth <= 21.0)
        flows[season.bodies[fact["stage"]][0]] = np.where(on_stage, flow, 0)
        main = main - np.where(on_stage, flow, 0)
    if fact["extra"]:
        flows[season.bodies[fact["extra"][0]][0]] = suit
    else:
        main = main + suit
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
    return depth, water, surface, {b: _held(season, b, flow) for b, flow in flows.items()}, back


def _held(season, body, flow):
    """What is taken out of a cylinder, slower where the shortest dive would take more than it holds."""
    taken = flow[:-1].sum() * DT
    return flow * min(1.0, 0.95 * float(season.v["mol"][body]) / taken) if taken > 0 else flow


def dive(season, events):
    """Dive the units of these events; the records go to season.dives, the traces to season.traces."""
    plans = [_plan(season, e) for e in events]  # all decisions of a level before any of its dives
    for e, plan in zip(events, plans, strict=True):
        depth, water, surface, flows, back = plan
        tanks = {b: breathe(season.v, b, f[:-1], water[:-1] + 273.15, DT) for b, f in flows.items()}
        record = season.dives[season.n_dives]
        season.n_dives += 1
        _keep(season, e, record, depth, water, surface, tanks)
        _what_happened(season, e, record, depth, surface, tanks, back)
        for u in e.units:
            season.last_t[u] = int(e.t + record["duration_s"])


def _keep(season, e, record, depth, water, surface, tanks):
    """Who, when, with what, and the traces."""
    fact = e.fact
    record["started_s"], record["member"] = e.t, season.member_no[e.member.member_id]
    record["duration_s"] = (depth.size - 1) * DT
    record["deep"], record["shared"] = fact.get("deep", False), fact.get("shared", False)
    record["joined"] = not fact.get("isolator_closed", False)
    record["air_c"], record["surface_bar"] = season.weather.air_c(e.t), surface
    record["water_low_c"] = water.min()
    record["units"] = -1
    record["second_end_bar"] = np.nan
    listed = [(u, 0) for u in fact["back"]]
    listed += [(fact["stage"], 1)] if fact.get("stage") else []
    listed += [(u, 2) for u in fact["extra"]]
    traces = [depth]
    for k, (u, role) in enumerate(listed):
        b = season.bodies[u]
        bar = tanks[b[0]][2]
        record["units"][k], record["roles"][k] = season.unit_no[u], role
        record["o2"][k], record["he"][k] = season.v["o2"][b[0]], season.v["he"][b[0]]
        record["start_bar"][k], record["end_bar"][k] = bar[0], bar[-1]
        if len(b) == 2:
            record["second_end_bar"][k] = tanks[b[1]][2][-1]
        traces.append(bar)
    record["trace"], _ = season.traces.put(np.concatenate(traces))
    record["steps"] = depth.size


def _what_happened(season, e, record, depth, surface, tanks, back):
    """What was truly used and how near the dive came to the gas two need."""
    ambient = surface + SALT * depth
    pressure_time = float((ambient.sum() - (ambient[0] + ambient[-1]) / 2) * DT / 60)
    suit = {season.bodies[u][0] for u in e.fact["extra"]}
    used = sum(mol[0] - mol[-1] for b, (mol, _, _) in tanks.items() if b not in suit) / FREE_MOL
    reached = back if record["joined"] else back[:1]
    mol, kelvin = (np.array([tanks[b][k] for b in reached]) for k in (0, 1))
    left = free_above(season.v, np.array(reached), 10.0, mol, kelvin)
    need = needed_free_l(depth, surface)
    margin = left - need
    k = int(np.argmin(margin))
    record["used_free_l"], record["rmv"] = used, used / pressure_time
    record["suit_free_l"] = sum(tanks[b][0][0] - tanks[b][0][-1] for b in suit) / FREE_MOL
    record["least_margin"], record["margin_s"], record["margin_m"] = margin[k], k * DT, depth[k]
    record["needed_there"] = need[k]
    record["gas_start_c"], record["gas_end_c"] = tanks[back[0]][1][[0, -1]] - 273.15
    record["mean_ambient"] = pressure_time / (record["duration_s"] / 60)
