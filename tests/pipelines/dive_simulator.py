"""Simulated dives with physics of their own, to hold the estimator against.

Written apart from `shared.tank_trace` and finer than it: gas and wall are two bodies with a film between
them that thickens as the gas thins, the wall has another film to the water, breathing wanders, comes in
bouts of work and feeds wing and suit. Equation of state and energies are CoolProp's (Lemmon et al. 2000
for air), not the project's engine. Time runs in steps of two seconds over all dives at once.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd

ATM = 1.01325
MOL_PER_FREE_L = 0.0417395
DT = 2.0


@cache
def _air():
    """P(ρ, T) in bar, and T·(∂P/∂T)ρ/ρ and c_v in J/mol(/K), as splines over mol/L and K."""
    import CoolProp.CoolProp as CP
    from scipy.interpolate import RectBivariateSpline

    rho = np.linspace(0.02, 16.0, 90)
    temp = np.linspace(235.0, 345.0, 40)
    r, t = np.meshgrid(rho, temp, indexing="ij")
    flat = r.ravel() * 1000.0, t.ravel()
    p = CP.PropsSI("P", "Dmolar", flat[0], "T", flat[1], "Air").reshape(r.shape) / 1e5
    u = CP.PropsSI("Umolar", "Dmolar", flat[0], "T", flat[1], "Air").reshape(r.shape)
    return RectBivariateSpline(rho, temp, p / (r * t)), RectBivariateSpline(rho, temp, u)


def air_bar(rho, temp):
    return _air()[0](rho, temp, grid=False) * rho * temp


def air_rho(bar, temp):
    rho = bar * 100 / (8.314 * temp) * 0.98
    for _ in range(12):
        f = air_bar(rho, temp) - bar
        rho = rho - f / ((air_bar(rho * 1.001, temp) - bar - f) / (0.001 * rho))
    return rho


@dataclass
class Season:
    """Frames in the shape of the inputs, and what really happened."""

    inputs: dict[str, pd.DataFrame]
    units: pd.DataFrame
    fills: pd.DataFrame
    truth: pd.DataFrame


def simulate(
    dives=60, seed=0, *, members=1, step_s=(1, 2, 5, 10, 20, 30), quantum_bar=(0.1, 0.5, 1.0, 2.0), start_error_c=2.5, faults=True,
    rate_wander=0.15, inflation_l=(0.0, 10.0), film_w_k=(18.0, 42.0), trace=True, written_step_bar=1.0, shut=0.0, fills=True,
    minutes=(25, 60), known_air=0.95, water_known=0.9, irregular=0.2, film_power=0.45, wall_j_k_l=(480.0, 620.0), outer=(3.0, 8.0),
    work_share=(0.1, 0.6),
):
    """Draw dives of one or more members and let the tank live through them."""
    rng = np.random.default_rng(seed)
    n = dives
    sizes = np.array([12.0, 24.0, 15.0, 11.1, 24.0])
    twin = np.array([False, True, False, False, True])
    kind = rng.integers(0, 5, n)
    volume, pair = sizes[kind], twin[kind]
    isolated = pair & (rng.random(n) < shut)
    used_volume = np.where(isolated, volume / 2, volume)
    member = np.array([f"m{i}" for i in rng.integers(0, members, n)])
    level = {f"m{i}": np.exp(np.log(16) + 0.28 * rng.standard_normal()) for i in range(members)}
    rmv = np.array([level[m] for m in member]) * np.exp(0.15 * rng.standard_normal(n))

    month = rng.integers(1, 13, n)
    water_top = 11 + 6 * np.sin((month - 5) / 12 * 2 * np.pi) + rng.normal(0, 1, n)
    air = water_top + rng.normal(3, 6, n)
    drop_c = rng.uniform(0, 4, n)
    cline_m = rng.uniform(8, 25, n)

    # fills: some hot and recent, most from the day before
    recent = rng.random(n) < 0.35
    since_fill_h = np.where(recent, rng.uniform(0.5, 5.0, n), rng.uniform(10, 300, n))
    fill_gas = air + rng.uniform(12, 30, n)
    lag_air_h = rng.uniform(0.6, 1.0, n) * np.cbrt(volume / np.where(pair, 2, 1) / 12)
    gas = air + (fill_gas - air) * np.exp(-since_fill_h / lag_air_h) + start_error_c * rng.standard_normal(n)
    gas = gas + 273.15
    start_bar = rng.uniform(150, 228, n)

    depth_to = np.clip(rng.gamma(4, 5.5, n), 7, 42)
    length = rng.uniform(minutes[0], minutes[1], n) * 60
    # nobody breathes a cylinder empty: shorten the dive where the gas would not do
    supply = used_volume * (start_bar - 45) * 0.93
    planned = rmv * (1 + depth_to * 0.075) * length / 60
    length *= np.clip(supply / planned, 0.2, 1.0)
    length = np.maximum(length, 600.0)
    total = int(length.max() / DT) + 1
    clock = np.arange(total) * DT

    film = rng.uniform(*film_w_k, n) * (volume / np.where(pair, 2, 1) / 12) ** (2 / 3) * np.where(pair, 2, 1)
    film = np.where(isolated, film / 2, film)
    outer_film = film * rng.uniform(*outer, n)
    wall_j_k = used_volume * rng.uniform(*wall_j_k_l, n)
    wall = gas.copy()
    n_mol = used_volume * air_rho(start_bar + ATM, gas)
    n_start, gas_start = n_mol.copy(), gas.copy()
    rho_start = n_mol / used_volume
    blow_l = rng.uniform(*inflation_l, n)
    wander = rate_wander * rng.standard_normal(n)
    wander_s = rng.uniform(120, 400, n)
    work = np.where(rng.random(n) < 0.15, rng.uniform(*work_share, n), 0.0)  # some are at it from the start
    swing = rng.uniform(0.0, 2.5, n)
    phase = rng.uniform(0, 6.28, n)

    depth_log, water_log, bar_log, other_log = (np.zeros((total, n)) for _ in range(4))
    mol_used, bar_s = np.zeros(n), np.zeros(n)
    still = gas.copy()  # the other side of a set with a shut isolator
    depth_before = np.zeros(n)
    end_n, end_gas = n_mol.copy(), gas.copy()
    ztab, utab = _air()
    for i, t in enumerate(clock):
        alive = t <= length
        down = np.minimum(depth_to, 0.28 * np.maximum(t - 20, 0))
        up = np.where(t > length - 240, np.minimum(down, 5.0 * np.clip((length - 30 - t) / 20, 0, 1)),
                      np.maximum(np.minimum(down, 5 + 0.15 * np.maximum(length - 240 - t, 0)), 0))
        depth = np.maximum(up + np.where((up > 6) & (up < depth_to + 0.1), swing * np.sin(phase + t / 140), 0), 0)
        water = water_top - drop_c / (1 + np.exp(-(depth - cline_m) / 1.5)) + 273.15
        ambient = ATM + 1025 * 9.80665e-5 * depth
        rho = n_mol / used_volume
        depth_log[i], water_log[i] = depth, water - 273.15
        bar_log[i] = air_bar(rho, gas) - ATM
        other_log[i] = air_bar(rho_start, still) - ATM
        end_n, end_gas = np.where(alive, n_mol, end_n), np.where(alive, gas, end_gas)
        wander = wander * np.exp(-DT / wander_s) + rate_wander * np.sqrt(1 - np.exp(-2 * DT / wander_s)) * rng.standard_normal(n)
        work = np.where(rng.random(n) < DT / 900, rng.uniform(*work_share, n), work * np.exp(-DT / 150))
        breath = rmv * np.maximum(1 + wander + work, 0.2) * ambient * DT / 60
        blown = blow_l * np.maximum(depth - depth_before, 0) * 1025 * 9.80665e-5
        depth_before = depth
        out = np.where(alive & (n_mol > 0.03 * n_start), (breath + blown) * MOL_PER_FREE_L, 0.0)
        h = film * (rho / 8.0) ** film_power
        slope = (ztab(rho, gas + 0.5, grid=False) * (gas + 0.5) - ztab(rho, gas - 0.5, grid=False) * (gas - 0.5)) * rho
        heat_out = out * gas * slope * 100 / rho
        c_v = (utab(rho, gas + 0.5, grid=False) - utab(rho, gas - 0.5, grid=False))
        gas = np.where(alive, gas + (h * (wall - gas) * DT - heat_out) / (n_mol * c_v), gas)
        wall = np.where(alive, wall + (h * (gas - wall) + outer_film * (water - wall)) * DT / wall_j_k, wall)
        still = still + (water - still) * (1 - np.exp(-DT / 170.0))
        n_mol = n_mol - out
        mol_used += out
        bar_s += np.where(alive & (t + DT <= length), ambient * DT, 0)
    return _record(locals(), rng)


def _record(v, rng):
    """What the computers and the log books kept of it."""
    n, clock = v["n"], v["clock"]
    base = pd.Timestamp("2031-01-01 09:00", tz="UTC")
    month_day = pd.to_timedelta((v["month"] - 1) * 30 + rng.integers(0, 25, n), unit="D")
    started = (base + month_day + pd.to_timedelta(rng.integers(0, 400, n), unit="min")).astype("datetime64[us, UTC]")
    ids = np.array([f"d{i:05d}" for i in range(n)])
    unit = np.where(v["pair"], np.char.add("set", np.arange(n).astype(str)), np.char.add("cyl", np.arange(n).astype(str)))
    samples, truth_rows = [], []
    table = {c: np.full(n, np.nan) for c in ("start", "end", "second")}
    for i in range(n):
        step = float(rng.choice(v["step_s"]))
        last = int(v["length"][i] / DT)
        times = np.arange(0, clock[last] + 1e-9, step)
        if rng.random() < v["irregular"]:
            times = np.unique(np.clip(times + rng.uniform(-0.4, 0.4, times.size) * step, 0, clock[last]).round(1))
            times[0] = 0.0
        place = times / DT
        lo = np.minimum(place.astype(int), last)
        hi = np.minimum(lo + 1, last)
        f = place - lo

        def at(log, lo=lo, hi=hi, f=f, i=i):
            return log[lo, i] * (1 - f) + log[hi, i] * f

        bar, other = at(v["bar_log"]), at(v["other_log"])
        q = float(rng.choice(v["quantum_bar"]))
        offset = rng.normal(0, 0.6)
        shown = np.round((bar + offset) / q) * q
        if v["faults"]:
            fault = rng.random()
            if fault < 0.25:
                shown[rng.random(shown.size) < 0.15] = np.nan
            elif fault < 0.4:
                at_spike = rng.random(shown.size) < 0.01
                shown[at_spike] += rng.choice([-60, 45, -25, 80], at_spike.sum())
            elif fault < 0.5:
                shown[times < rng.uniform(60, 300)] = np.nan
            elif fault < 0.55:
                gap = rng.uniform(0.2, 0.7) * times[-1]
                shown[(times > gap) & (times < gap + 400)] = np.nan
        truth_end_bar = v["bar_log"][last, i]
        hand = v["written_step_bar"]
        table["start"][i] = np.round((v["bar_log"][0, i] + rng.normal(0, 0.3)) / hand) * hand
        table["end"][i] = np.round((truth_end_bar + rng.normal(0, 0.3)) / hand) * hand
        if v["pair"][i]:
            second = v["other_log"][last, i] if v["isolated"][i] else truth_end_bar
            table["second"][i] = np.round(second + rng.normal(0, 3.0))
        depth = np.round(at(v["depth_log"]), 1)
        frame = pd.DataFrame({"dive_id": ids[i], "member_id": v["member"][i], "t_s": times, "depth_m": depth,
                              "water_c": np.round(at(v["water_log"]))})
        for k in range(1, 7):
            frame[f"tank_{k}_bar"] = np.nan
        if v["trace"]:
            frame["tank_1_bar"] = shown
        if rng.random() > v["water_known"]:
            frame["water_c"] = np.nan
        samples.append(frame)
        used = (v["n_start"][i] - v["end_n"][i]) / MOL_PER_FREE_L
        integral = np.trapezoid(ATM + 1025 * 9.80665e-5 * v["depth_log"][: last + 1, i], clock[: last + 1]) / 60
        truth_rows.append((ids[i], v["member"][i], used, used / integral, v["gas_start"][i] - 273.15, v["end_gas"][i] - 273.15,
                           v["isolated"][i], step, q, v["bar_log"][0, i] - truth_end_bar, v["volume"][i]))
    truth = pd.DataFrame(truth_rows, columns=["dive_id", "member_id", "used_free_l", "rmv_l_min", "start_c", "end_c", "isolated",
                                              "step_s", "quantum_bar", "fall_bar", "volume_l"])
    known_air = rng.random(n) < v["known_air"]
    dives = pd.DataFrame({
        "dive_id": ids, "member_id": v["member"], "started_at": started, "mode": pd.Series([None] * n, dtype="str"),
        "surface_pressure_bar_abs": np.nan, "water": "salt", "air_c": np.where(known_air, np.round(v["air"]), np.nan), "water_c": np.nan,
        "duration_min": np.nan, "mean_depth_m": np.nan, "max_depth_m": np.nan, "suit": "dry",
        "team_size": pd.array([pd.NA] * n, dtype="Int64"), "overhead": pd.array([pd.NA] * n, dtype="boolean"),
        "mandatory_stops": pd.array([pd.NA] * n, dtype="boolean"), "gas_shared": pd.array([pd.NA] * n, dtype="boolean"),
    })
    tanks = pd.DataFrame({
        "dive_id": ids, "member_id": v["member"], "tank_no": 1, "unit_id": unit, "role": "back", "water_capacity_l": v["volume"],
        "o2_pct": 20.95, "he_pct": np.nan, "ar_pct": np.nan, "start_pressure_bar": table["start"], "end_pressure_bar": table["end"],
        "second_gauge_end_bar": table["second"],
    })
    units = _units(unit, v["pair"], v["volume"])
    fills = _fills(v, unit, started, rng) if v["fills"] else _fills(v, unit[:0], started[:0], rng)
    inputs = {"dives": dives, "dive_tanks": tanks, "dive_samples": pd.concat(samples, ignore_index=True)}
    return Season(inputs, units, fills, truth)


def _units(unit, pair, volume):
    rows = []
    for u, two, litres in zip(unit, pair, volume, strict=True):
        rows.append((u, u if two else None, None, bool(two), litres))
        if two:
            rows += [(f"{u}-{side}", u, side, True, litres / 2) for side in ("left", "right")]
    frame = pd.DataFrame(rows, columns=["unit_id", "set_id", "side", "joined", "water_capacity_l"])
    return frame.assign(material="steel", capacity_sd_pct=0.0, permitted_bar=232.0, working_pressure_bar=232.0).astype(
        {"unit_id": "str", "set_id": "str", "side": "str", "joined": "boolean"}
    )


def _fills(v, unit, started, rng):
    n = len(unit)
    ago = pd.to_timedelta(v["since_fill_h"][:n], unit="h")
    return pd.DataFrame({
        "fill_id": [f"f{i}" for i in range(n)], "unit_id": pd.Series(unit, dtype="str"),
        "filled_at": pd.Series(started - ago if n else started).astype("datetime64[us, UTC]"), "gas_c": v["fill_gas"][:n] + rng.normal(0, 2, n),
        "ambient_c": np.round(v["air"][:n]), "analysed_o2_pct": np.full(n, 20.9), "analysed_he_pct": np.nan, "target_o2_pct": 20.95,
        "target_he_pct": np.nan, "target_ar_pct": np.nan, "in_test": pd.array([True] * n, dtype="boolean"),
        "max_operating_depth_m": np.full(n, 56.0), "max_operating_depth_deco_m": np.full(n, 66.0),
    })
