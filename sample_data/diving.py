"""Dives of one level: the plan each diver makes from what is in the cylinder, the dive, and what truly happened."""

import numpy as np

from sample_data.gas import ATM_BAR, FREE_MOL, Gas
from sample_data.heat import breathe
from sample_data.profiles import DT, SALT, breathing, depth_profile, needed_free_l


def _rate(season, member, t, depth_m, water_c):
    months = (t - season.start_s) / (30.44 * 86400)
    log = np.log(member.level) + np.log1p(member.trend_pct_month / 100) * months
    log += (
        np.log1p(member.depth_pct_10m / 100) * (depth_m - 18) / 10
        + np.log1p(member.cold_pct_10k / 100) * (12 - water_c) / 10
    )
    return float(np.exp(log))


def _plan(season, e):
    """Depth, time, breathing of one dive; flows for each of its cylinders."""
    m, rng, fact = e.member, season.rng, e.fact
    deep = fact.get("deep", False)
    back = [b for u in fact["back"] for b in season.bodies[u]]
    o2 = float(season.v.o2[back[0]])
    limit = (1.4 / max(o2, 0.1) - 1) * 10 - 1
    deepest = float(np.clip(rng.normal(m.depth_m, 0.18 * m.depth_m), 8, max(8.5, min(limit, 1.5 * m.depth_m))))
    if deep:
        deepest = float(rng.uniform(46, 56))
    water_low = float(season.weather.water_c(e.t, deepest))
    typical = _rate(season, m, e.t, deepest * 0.7, water_low)
    part = season.v.take(np.array(back))
    gas = part.gas()
    means_to_keep = (
        m.reserve_bar * (1.55 if deep else 1.0)
        if not fact.get("keeps")
        else max(m.reserve_bar, 0.62 * float(part.gauge_bar()[0]))
    )
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
    water = season.weather.water_c(e.t, depth)
    rate = _rate(season, m, e.t, mean_depth, float(np.min(water))) * float(np.exp(rng.normal(0, m.scatter)))
    surface = season.weather.pressure_bar(e.t)
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
        sb = season.bodies[fact["stage"]][0]
        flows[sb] = np.where(on_stage, flow, 0)
    if fact["extra"]:
        flows[season.bodies[fact["extra"][0]][0]] = suit
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
    return dict(
        e=e,
        grid=grid,
        depth=depth,
        water=water,
        flows=flows,
        back=back,
        surface=surface,
        bottom_end=bottom_end,
        deep=deep,
        on_stage=on_stage,
        air_c=season.weather.air_c(e.t),
    )


def dive(season, events):
    if not events:
        return
    plans = [_plan(season, e) for e in events]
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
    part = season.v.take(rows)
    mol, kelvin, bar = breathe(part, flow, water, DT)
    k = 0
    for p in plans:
        n = p["grid"].size - 1
        p["tanks"] = {}
        p["o2"] = {b: float(season.v.o2[b]) for b in p["flows"]}
        p["he"] = {b: float(season.v.he[b]) for b in p["flows"]}
        for b in p["flows"]:
            p["tanks"][b] = dict(
                mol=mol[k, : n + 1].copy(), kelvin=kelvin[k, : n + 1].copy(), bar=bar[k, : n + 1].copy()
            )
            part.mol[k], part.gas_k[k] = mol[k, n], kelvin[k, n]
            k += 1
        _finish(season, p)
    season.v.put(rows, part)


def _finish(season, p):
    """What was truly used and how near the dive came to the gas two need."""
    e, grid, depth = p["e"], p["grid"], p["depth"]
    ambient = p["surface"] + SALT * depth
    pressure_time = float(np.sum((ambient[1:] + ambient[:-1]) / 2) * DT / 60)
    suit = [season.bodies[u][0] for u in e.fact["extra"]]
    used = sum(t["mol"][0] - t["mol"][-1] for b, t in p["tanks"].items() if b not in suit) / FREE_MOL
    back = [b for b in p["back"] if not (e.fact.get("isolator_closed") and b != p["back"][0])]
    left = np.zeros(grid.size)
    for b in back:
        t = p["tanks"][b]
        few = np.linspace(t["kelvin"].min() - 0.1, t["kelvin"].max() + 0.1, 5)
        kept = Gas([season.v.o2[b]], [season.v.he[b]]).density(np.full(5, 10 + ATM_BAR), few) * season.v.litres[b]
        left += (t["mol"] - np.interp(t["kelvin"], few, kept)) / FREE_MOL
    need = needed_free_l(depth, p["surface"])
    margin = left - need
    k = int(np.argmin(margin))
    first = p["tanks"][p["back"][0]]
    p.update(
        used_free_l=float(used),
        rmv=float(used / pressure_time),
        suit_free_l=float(sum(p["tanks"][b]["mol"][0] - p["tanks"][b]["mol"][-1] for b in suit) / FREE_MOL),
        least_margin=float(margin[k]),
        margin_s=float(grid[k]),
        margin_m=float(depth[k]),
        needed_there=float(need[k]),
        joined=not e.fact.get("isolator_closed", False),
        gas_start_c=float(first["kelvin"][0] - 273.15),
        gas_end_c=float(first["kelvin"][-1] - 273.15),
        start_true=float(first["bar"][0]),
        end_true=float(first["bar"][-1]),
        mean_ambient=pressure_time / (grid[-1] / 60),
    )
    for u in e.units:
        season.last_t[u] = int(e.t + grid[-1])
    season.dives.append(p)
