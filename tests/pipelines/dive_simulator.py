"""Simulated dives with physics of their own, to hold the estimator against.

Written apart from `shared.diving.tank_trace` and finer than it: gas and wall are two bodies with a film between
them that thins as the gas does, the wall has another film to the water, breathing wanders, comes in bouts
of work and feeds wing and suit; cylinders may be two sides of a set, a sidemount pair taken in turns, or
a stage for part of the dive. Equation of state and energies are CoolProp's (Lemmon et al. 2000 for air),
not the project's engine. Time runs in steps of two seconds over all dives at once.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd

ATM = 1.01325
MOL_PER_FREE_L = 0.0417395
BAR_PER_M = 1025 * 9.80665e-5
DT = 2.0
SIZES_L = np.array([12.0, 24.0, 15.0, 11.1, 24.0])
IS_TWIN = np.array([False, True, False, False, True])


@dataclass
class Season:
    """Frames in the shape of the inputs, and what really happened."""

    inputs: dict[str, pd.DataFrame]
    units: pd.DataFrame
    fills: pd.DataFrame
    truth: pd.DataFrame
    tanks_truth: pd.DataFrame


@dataclass
class World:
    """What the drawing of a season may be given."""

    members: int = 1
    step_s: tuple = (1, 2, 5, 10, 20, 30)
    irregular: float = 0.2
    quantum_bar: tuple = (0.1, 0.5, 1.0, 2.0)
    faults: bool = True
    trace: bool = True
    written_step_bar: float = 1.0
    fills: bool = True
    known_air: float = 0.95
    water_known: float = 0.9
    minutes: tuple = (25, 60)
    start_error_c: float = 2.5
    fill_sd_bar: float = 1.0
    film_w_k: tuple = (18.0, 42.0)
    film_power: float = 0.45
    wall_j_k_l: tuple = (480.0, 620.0)
    outer: tuple = (3.0, 8.0)
    rate_wander: float = 0.15
    work_share: tuple = (0.1, 0.6)
    inflation_l: tuple = (0.0, 10.0)
    shut: float = 0.0
    two_transmitters: bool = False
    sidemount: float = 0.0
    stage: float = 0.0
    one_lag_s: tuple | None = None  # instead of two bodies: gas follows the water by one lag


@cache
def _air():
    """Splines over mol/L and K: P/(ρT) and internal energy, J/mol."""
    import CoolProp.CoolProp as CP
    from scipy.interpolate import RectBivariateSpline

    rho, temp = np.linspace(0.02, 16.0, 90), np.linspace(235.0, 345.0, 40)
    r, t = np.meshgrid(rho, temp, indexing="ij")
    flat = r.ravel() * 1000.0, t.ravel()
    p = CP.PropsSI("P", "Dmolar", flat[0], "T", flat[1], "Air").reshape(r.shape) / 1e5
    u = CP.PropsSI("Umolar", "Dmolar", flat[0], "T", flat[1], "Air").reshape(r.shape)
    return RectBivariateSpline(rho, temp, p / (r * t)), RectBivariateSpline(rho, temp, u)


def air_bar(rho, temp):
    """Absolute pressure, bar."""
    return _air()[0](rho, temp, grid=False) * rho * temp


def air_rho(bar, temp):
    """mol/L."""
    rho = bar * 100 / (8.314 * temp) * 0.98
    for _ in range(12):
        f = air_bar(rho, temp) - bar
        rho = rho - f / ((air_bar(rho * 1.001, temp) - bar - f) / (0.001 * rho))
    return rho


def _thin_air_rho(bar, temp):
    """mol/L near 10 bar, where air is within 0.3 % of ideal."""
    return bar * 100 / (8.314 * temp) * 1.003


def _ascent_free_l(depth):
    """What brings two divers up at 30 L/min each: a minute, 9 m/min, three minutes at 5 m from below 10 m."""
    up = np.linspace(0.0, 1.0, 41)[:, None] * depth
    rising = depth / 9.0 * np.trapezoid(ATM + BAR_PER_M * up, dx=1 / 40, axis=0)
    return 60.0 * ((ATM + BAR_PER_M * depth) + rising + np.where(depth > 10, 3 * (ATM + BAR_PER_M * 5), 0.0))


def simulate(dives=60, seed=0, **given) -> Season:
    """Draw dives of one or more members and let the cylinders live through them; `given` as in World."""
    w = World(**given)
    rng = np.random.default_rng(seed)
    n = dives
    member = np.array([f"m{i}" for i in rng.integers(0, w.members, n)])
    level = {f"m{i}": np.exp(np.log(16) + 0.28 * rng.standard_normal()) for i in range(w.members)}
    rmv = np.array([level[m] for m in member]) * np.exp(0.15 * rng.standard_normal(n))
    month = rng.integers(1, 13, n)
    top_c = 11 + 6 * np.sin((month - 5) / 12 * 2 * np.pi) + rng.normal(0, 1, n)
    air = top_c + rng.normal(3, 6, n)
    drop_c, cline_m = rng.uniform(0, 4, n), rng.uniform(8, 25, n)
    depth_to = np.clip(rng.gamma(4, 5.5, n), 7, 42)
    length = rng.uniform(w.minutes[0], w.minutes[1], n) * 60
    blow_l, wander_s, swing, phase = (rng.uniform(a, b, n) for a, b in (w.inflation_l, (120, 400), (0, 2.5), (0, 6.28)))

    t = _tanks(w, rng, n, air)
    k = t["dive"]
    # nobody breathes a cylinder empty: shorten the dive where the gas would not do
    supply = np.bincount(
        k, np.where(t["share"] != "still", t["volume"] * (t["start_bar"] - 50) * 0.85, 0.0), minlength=n
    )
    length = np.maximum(length * np.clip(supply / (rmv * (1 + depth_to * 0.075) * length / 60), 0.2, 1.0), 600.0)
    clock = np.arange(int(length.max() / DT) + 1) * DT

    gas = t["gas_c"] + 273.15
    wall, n_mol = gas.copy(), t["volume"] * air_rho(t["start_bar"] + ATM, gas)
    start_n, start_gas, end_n, end_gas = n_mol.copy(), gas.copy(), n_mol.copy(), gas.copy()
    film = rng.uniform(*w.film_w_k, k.size) * (t["volume"] / t["bodies"] / 12) ** (2 / 3) * t["bodies"]
    outer_film, wall_j_k = film * rng.uniform(*w.outer, k.size), t["volume"] * rng.uniform(*w.wall_j_k_l, k.size)
    lag_s = rng.uniform(*(w.one_lag_s or (120.0, 240.0)), k.size)
    wander = w.rate_wander * rng.standard_normal(n)
    work = np.where(rng.random(n) < 0.15, rng.uniform(*w.work_share, n), 0.0)  # some are at it from the start
    depth_log, water_log, bar_log = np.zeros((clock.size, n)), np.zeros((clock.size, n)), np.zeros((clock.size, k.size))
    before = np.zeros(n)
    least, back = np.full(n, np.inf), (t["role"] == "back") & (t["share"] != "still")
    ztab, utab = _air()
    for i, now in enumerate(clock):
        alive = now <= length
        down = np.minimum(depth_to, 0.28 * np.maximum(now - 20, 0))
        up = np.where(
            now > length - 240,
            np.minimum(down, 5.0 * np.clip((length - 30 - now) / 20, 0, 1)),
            np.minimum(down, 5 + 0.15 * np.maximum(length - 240 - now, 0)),
        )
        depth = np.maximum(up + np.where((up > 6) & (up < depth_to + 0.1), swing * np.sin(phase + now / 140), 0), 0)
        water = top_c - drop_c / (1 + np.exp(-(depth - cline_m) / 1.5)) + 273.15
        rho = n_mol / t["volume"]
        depth_log[i], water_log[i], bar_log[i] = depth, water - 273.15, air_bar(rho, gas) - ATM
        left = np.bincount(k, np.where(back, n_mol - t["volume"] * _thin_air_rho(10.0 + ATM, gas), 0.0), minlength=n)
        least = np.where(alive, np.minimum(least, left / MOL_PER_FREE_L - _ascent_free_l(depth)), least)
        end_n, end_gas = np.where(alive[k], n_mol, end_n), np.where(alive[k], gas, end_gas)
        wander = wander * np.exp(-DT / wander_s) + w.rate_wander * np.sqrt(
            1 - np.exp(-2 * DT / wander_s)
        ) * rng.standard_normal(n)
        work = np.where(rng.random(n) < DT / 900, rng.uniform(*w.work_share, n), work * np.exp(-DT / 150))
        breath = rmv * np.maximum(1 + wander + work, 0.2) * (ATM + BAR_PER_M * depth) * DT / 60
        blown = blow_l * np.maximum(depth - before, 0) * BAR_PER_M
        before = depth
        out = (breath[k] * _share(t, now, length[k]) + blown[k] * t["blows"]) * MOL_PER_FREE_L
        out = np.where(alive[k] & (n_mol > 0.03 * start_n), out, 0.0)
        h = film * (rho / 8.0) ** w.film_power
        slope = (ztab(rho, gas + 0.5, grid=False) * (gas + 0.5) - ztab(rho, gas - 0.5, grid=False) * (gas - 0.5)) * rho
        c_v = utab(rho, gas + 0.5, grid=False) - utab(rho, gas - 0.5, grid=False)
        if w.one_lag_s:
            rest = water[k] - out / DT * gas * slope * 100 / rho / film
            warmer = rest + (gas - rest) * np.exp(-DT / lag_s)
        else:
            warmer = gas + (h * (wall - gas) * DT - out * gas * slope * 100 / rho) / (n_mol * c_v)
        wall = np.where(alive[k], wall + (h * (gas - wall) + outer_film * (water[k] - wall)) * DT / wall_j_k, wall)
        gas = np.where(alive[k], warmer, gas)
        n_mol = n_mol - out
    return _record(
        w,
        rng,
        dict(
            n=n,
            member=member,
            month=month,
            air=air,
            length=length,
            clock=clock,
            depth_log=depth_log,
            water_log=water_log,
            bar_log=bar_log,
            used=(start_n - end_n) / MOL_PER_FREE_L,
            start_c=start_gas - 273.15,
            end_c=end_gas - 273.15,
            least=least,
            start=np.bincount(k, np.where(back, start_n, 0.0), minlength=n) / MOL_PER_FREE_L,
            tanks=t,
        ),
    )


def _tanks(w: World, rng, n: int, air) -> dict:
    """A row a cylinder or joined set (or a side of one): size, content, how it is breathed."""
    kind = rng.integers(0, 5, n)
    rig = np.where(rng.random(n) < w.sidemount, "sidemount", "plain")
    staged = (rig == "plain") & (rng.random(n) < w.stage)
    shut = (rig == "plain") & IS_TWIN[kind] & (rng.random(n) < w.shut)
    rows = []
    for i in range(n):
        if rig[i] == "sidemount":
            period = rng.uniform(300, 700)
            rows += [
                (i, 1, f"sm{i}a", 11.1, 1, "turns", 0, period, "back", 11.1, "sidemount"),
                (i, 2, f"sm{i}b", 11.1, 1, "turns", 1, period, "back", 11.1, "sidemount"),
            ]
            continue
        litres, twin = SIZES_L[kind[i]], IS_TWIN[kind[i]]
        unit = f"set{i}" if twin else f"cyl{i}"
        how = "rest" if staged[i] else "all"
        if twin and (shut[i] or w.two_transmitters):
            first = "half" if not shut[i] else how
            rows += [
                (i, 1, unit, litres / 2, 1, first, 0, 0, "back", litres, "set"),
                (i, 2, unit, litres / 2, 1, "half" if not shut[i] else "still", 0, 0, "back", litres, "set"),
            ]
        else:
            rows.append((i, 1, unit, litres, 2 if twin else 1, how, 0, 0, "back", litres, "set" if twin else "single"))
        if staged[i]:
            rows.append((i, 3, f"stage{i}", 11.1, 1, "window", 0, 0, "stage", 11.1, "single"))
    names = ("dive", "tank_no", "unit", "volume", "bodies", "share", "parity", "period", "role", "unit_l", "rig")
    t = {name: np.array(column) for name, column in zip(names, zip(*rows, strict=True), strict=True)}
    m = t["dive"].size
    unit_no = np.unique(t["unit"], return_inverse=True)[1]
    recent = rng.random(m)[unit_no] < 0.35
    t["since_fill_h"] = np.where(recent, rng.uniform(0.5, 5.0, m)[unit_no], rng.uniform(10, 300, m)[unit_no])
    t["fill_gas"] = air[t["dive"]] + rng.uniform(12, 30, m)[unit_no]
    lag_h = rng.uniform(0.6, 1.0, m) * np.cbrt(t["volume"] / t["bodies"] / 12)
    common, own = rng.standard_normal(n)[t["dive"]], rng.standard_normal(m)[unit_no]
    t["gas_c"] = (
        air[t["dive"]]
        + (t["fill_gas"] - air[t["dive"]]) * np.exp(-t["since_fill_h"] / lag_h)
        + w.start_error_c * (np.sqrt(0.6) * common + np.sqrt(0.4) * own)
    )
    t["start_bar"] = rng.uniform(160, 228, m)[unit_no]
    t["blows"] = ((t["tank_no"] == 1) & (t["share"] != "still")).astype(float)
    return t


def _share(t: dict, now: float, length) -> np.ndarray:
    """Part of the breathing that each cylinder serves now."""
    inside = (now > 0.15 * length) & (now < 0.45 * length)
    how = t["share"]
    return np.select(
        [how == "all", how == "half", how == "still", how == "turns", how == "window"],
        [1.0, 0.5, 0.0, (np.floor(now / np.maximum(t["period"], 1.0)) % 2 == t["parity"]) * 1.0, inside * 1.0],
        (~inside) * 1.0,
    )


def _record(w: World, rng, v: dict) -> Season:
    """What the computers and the log books kept of it."""
    n, clock, t = v["n"], v["clock"], v["tanks"]
    base = pd.Timestamp("2031-01-01 06:00", tz="UTC")
    started = base + pd.to_timedelta(np.arange(n) * 5, unit="h") + pd.to_timedelta(rng.integers(0, 120, n), unit="min")
    started = pd.Series(started).astype("datetime64[us, UTC]")
    ids = np.array([f"d{i:05d}" for i in range(n)])
    samples, table, kept_step, kept_q = [], np.full((t["dive"].size, 3), np.nan), np.zeros(n), np.zeros(n)
    for i in range(n):
        step = float(rng.choice(w.step_s))
        last = int(v["length"][i] / DT)
        times = np.arange(0, clock[last] + 1e-9, step)
        if rng.random() < w.irregular:
            times = np.unique(np.clip(times + rng.uniform(-0.4, 0.4, times.size) * step, 0, clock[last]).round(1))
            times[0] = 0.0
        lo = np.minimum((times / DT).astype(int), last)
        hi, f = np.minimum(lo + 1, last), times / DT - lo
        frame = pd.DataFrame(
            {
                "dive_id": ids[i],
                "member_id": v["member"][i],
                "t_s": times,
                "depth_m": np.round(v["depth_log"][lo, i] * (1 - f) + v["depth_log"][hi, i] * f, 1),
                "water_c": np.round(v["water_log"][lo, i]),
            }
        )
        frame[[f"tank_{k}_bar" for k in range(1, 7)]] = np.nan
        q = float(rng.choice(w.quantum_bar))
        for row in np.flatnonzero(t["dive"] == i):
            log = v["bar_log"][:, row]
            hand = w.written_step_bar
            table[row, :2] = np.round((log[[0, last]] + rng.normal(0, 0.3, 2)) / hand) * hand
            if w.trace:
                shown = np.round((log[lo] * (1 - f) + log[hi] * f + rng.normal(0, 0.6)) / q) * q
                frame[f"tank_{t['tank_no'][row]}_bar"] = _faults(shown, times, rng) if w.faults else shown
        if rng.random() > w.water_known:
            frame["water_c"] = np.nan
        samples.append(frame)
        kept_step[i], kept_q[i] = step, q

    nothing = pd.array([pd.NA] * n, dtype="boolean")
    dives = pd.DataFrame(
        {
            "dive_id": ids,
            "member_id": v["member"],
            "started_at": started,
            "mode": pd.Series([None] * n, dtype="str"),
            "surface_pressure_bar_abs": np.nan,
            "water": "salt",
            "air_c": np.where(rng.random(n) < w.known_air, np.round(v["air"]), np.nan),
            "water_c": np.nan,
            "duration_min": np.nan,
            "mean_depth_m": np.nan,
            "max_depth_m": np.nan,
            "suit": "dry",
            "team_size": pd.array([pd.NA] * n, dtype="Int64"),
            "overhead": nothing,
            "mandatory_stops": nothing,
            "gas_shared": nothing,
        }
    )
    k = t["dive"]
    whole = (t["rig"] == "set") & (t["unit_l"] > t["volume"])
    tanks = pd.DataFrame(
        {
            "dive_id": ids[k],
            "member_id": v["member"][k],
            "tank_no": t["tank_no"],
            "unit_id": t["unit"],
            "role": t["role"],
            "water_capacity_l": t["unit_l"],
            "o2_pct": 20.95,
            "he_pct": np.nan,
            "ar_pct": np.nan,
            "start_pressure_bar": table[:, 0],
            "end_pressure_bar": table[:, 1],
            "second_gauge_end_bar": np.nan,
        }
    )
    if not w.two_transmitters:  # the second post is read by hand, if at all
        second = tanks[whole & (t["tank_no"] == 2)].set_index("dive_id")["end_pressure_bar"]
        twins = (t["rig"] == "set") & (t["tank_no"] == 1)
        reads = tanks["dive_id"].map(second).fillna(tanks["end_pressure_bar"]).to_numpy()
        tanks["second_gauge_end_bar"] = np.where(twins, np.round(reads + rng.normal(0, 3, len(reads))), np.nan)
        tanks = tanks[~(whole & (t["tank_no"] == 2))].reset_index(drop=True)
    used = np.bincount(k, np.where(t["share"] == "still", 0.0, v["used"]), minlength=n)
    ends = np.array([int(x / DT) for x in v["length"]])
    bar_min = np.array(
        [np.trapezoid(ATM + BAR_PER_M * v["depth_log"][: e + 1, i], clock[: e + 1]) / 60 for i, e in enumerate(ends)]
    )
    first = np.array([np.flatnonzero(k == i)[0] for i in range(n)])
    truth = pd.DataFrame(
        {
            "dive_id": ids,
            "member_id": v["member"],
            "used_free_l": used,
            "rmv_l_min": used / bar_min,
            "start_c": v["start_c"][first],
            "end_c": v["end_c"][first],
            "isolated": np.bincount(k, t["share"] == "still", minlength=n) > 0,
            "step_s": kept_step,
            "quantum_bar": kept_q,
            "fall_bar": np.array([v["bar_log"][0, r] - v["bar_log"][e, r] for r, e in zip(first, ends, strict=True)]),
            "rig": t["rig"][first],
            "supplies": np.bincount(k, minlength=n),
            "start_free_l": v["start"],
            "true_least_margin_free_l": v["least"],
            "true_surfaced_bar": _surfaced(t, v["bar_log"], ends, n),
        }
    )
    tanks_truth = pd.DataFrame(
        {
            "dive_id": ids[k],
            "tank_no": t["tank_no"],
            "used_free_l": v["used"],
            "start_c": v["start_c"],
            "end_c": v["end_c"],
        }
    )
    fills = _fills(w, t, started, v["air"], rng)
    return Season(
        {"dives": dives, "dive_tanks": tanks, "dive_samples": pd.concat(samples, ignore_index=True)},
        _units(t),
        fills,
        truth,
        tanks_truth,
    )


def _surfaced(t: dict, bar_log, ends, n: int):
    """Mean of the breathed back cylinders by size at each dive's end, bar."""
    back = ((t["role"] == "back") & (t["share"] != "still")) * t["volume"]
    last = bar_log[ends[t["dive"]], np.arange(t["dive"].size)]
    return np.bincount(t["dive"], back * last, minlength=n) / np.bincount(t["dive"], back, minlength=n)


def _faults(shown, times, rng):
    fault = rng.random()
    if fault < 0.25:
        shown[rng.random(shown.size) < 0.15] = np.nan
    elif fault < 0.4:
        spike = rng.random(shown.size) < 0.01
        shown[spike] += rng.choice([-60, 45, -25, 80], spike.sum())
    elif fault < 0.5:
        shown[times < rng.uniform(60, 300)] = np.nan
    elif fault < 0.55:
        gap = rng.uniform(0.2, 0.7) * times[-1]
        shown[(times > gap) & (times < gap + 400)] = np.nan
    return shown


def _units(t: dict) -> pd.DataFrame:
    rows = []
    for unit, litres, rig in {u: (u, x, r) for u, x, r in zip(t["unit"], t["unit_l"], t["rig"], strict=True)}.values():
        rows.append((unit, unit if rig == "set" else None, None, rig == "set", litres))
        if rig == "set":
            rows += [(f"{unit}-{side}", unit, side, True, litres / 2) for side in ("left", "right")]
    frame = pd.DataFrame(rows, columns=["unit_id", "set_id", "side", "joined", "water_capacity_l"])
    return frame.assign(material="steel", capacity_sd_pct=0.0, permitted_bar=232.0, working_pressure_bar=232.0).astype(
        {"unit_id": "str", "set_id": "str", "side": "str", "joined": "boolean"}
    )


def _fills(w: World, t: dict, started, air, rng) -> pd.DataFrame:
    _, first = np.unique(t["unit"], return_index=True)
    if not w.fills:
        first = first[:0]
    dive, n = t["dive"][first], first.size
    held = air_rho(t["start_bar"][first] + ATM, t["gas_c"][first] + 273.15)
    settled = air_bar(held, np.full(n, 288.15)) - ATM + rng.normal(0, w.fill_sd_bar, n)
    at = started.iloc[dive].reset_index(drop=True) - pd.Series(pd.to_timedelta(t["since_fill_h"][first], unit="h"))
    return pd.DataFrame(
        {
            "fill_id": np.char.add("f", t["unit"][first].astype(str)),
            "unit_id": pd.Series(t["unit"][first]).astype("str"),
            "filled_at": at.astype("datetime64[us, UTC]"),
            "gas_c": t["fill_gas"][first] + rng.normal(0, 2, n),
            "ambient_c": np.round(air[dive]),
            "analysed_o2_pct": np.full(n, 20.9),
            "analysed_he_pct": np.nan,
            "target_o2_pct": 20.95,
            "target_he_pct": np.nan,
            "target_ar_pct": np.nan,
            "in_test": pd.array([True] * n, dtype="boolean"),
            "max_operating_depth_m": np.full(n, 56.0),
            "max_operating_depth_deco_m": np.full(n, 66.0),
            "settled_pressure_bar_15c": settled,
            "settled_low_bar_15c": settled - 1.2816 * w.fill_sd_bar,
            "settled_high_bar_15c": settled + 1.2816 * w.fill_sd_bar,
        }
    )
