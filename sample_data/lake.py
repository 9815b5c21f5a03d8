"""A trip of one member to a mountain lake: fresh water at 1300 m, hired cylinders that no register knows.

It has chances of its own, so that the season stays as it is with or without it.
"""

from datetime import date, timedelta
from math import exp

import numpy as np

from sample_data.diving import rate_l_min
from sample_data.gas import AIR_O2, FREE_MOL
from sample_data.heat import breathe, free_above, mol_at, vessels
from sample_data.profiles import DT, Shape, breathing, needed_free_l
from sample_data.rows import Logged, Tank
from sample_data.station import Cylinder
from sample_data.weather import at

MEMBER, FIRST_DAY, DIVES, TEAM = "M03", date(2026, 9, 21), 5, 3
SURFACE_BAR = 0.866
FRESH = 1000.0 * 9.80665 / 1e5  # bar a metre
HIRED = Cylinder({}, "", capacity_l=12.0, mass_kg=14.2, material="steel")


def dives(season, seed):
    """(the dives as logged, their truth as rows of truth/dives.csv)."""
    rng = np.random.default_rng([seed, 1300])
    member = next((m for m in season.people if m.member_id == MEMBER), None)
    logged, true = [], []
    for k in range(DIVES if member else 0):
        started_s = at(FIRST_DAY + timedelta(days=k // 2), 10.4 + 3.3 * (k % 2) + rng.uniform(0, 0.5))
        made, truth = _dive(season, member, k + 1, started_s, rng)
        logged.append(made)
        true.append(truth)
    return logged, true


def _dive(season, member, number, started_s, rng):
    air_c = rng.uniform(12, 17)
    v = vessels([HIRED], air_c)
    v["mol"] = mol_at(v, 0, rng.uniform(198, 212), air_c + 273.15)
    shape = Shape(np.random.default_rng(int(rng.integers(2**31))), rng.uniform(18, 27), deco=False)
    depth, bottom_end = shape.profile(rng.uniform(20, 27))
    water_c = 15.0 - 8.0 / (1 + np.exp(-(depth - 9.0) / 1.5))
    ambient = SURFACE_BAR + FRESH * depth
    rate = rate_l_min(season, member, started_s, float(depth.mean()), float(water_c.min()))
    rate *= exp(rng.normal(0, member.scatter))
    flow = breathing(rng, depth.size, rate, bottom_end) * ambient * FREE_MOL / 60
    mol, kelvin, bar = breathe(v, 0, flow[:-1], water_c[:-1] + 273.15, DT)
    used = float(mol[0] - mol[-1]) / FREE_MOL
    pressure_time = float((ambient.sum() - (ambient[0] + ambient[-1]) / 2) * DT / 60)
    need = needed_free_l(depth, SURFACE_BAR, FRESH) * TEAM / 2
    margin = free_above(v, np.array([0]), 10.0, mol[None], kelvin[None]) - need
    least = int(np.argmin(margin))
    dive_id, t = f"lake-{number}", np.arange(0, (depth.size - 1) * DT + 1e-6, member.sample_s)
    grid = np.arange(depth.size) * DT
    seen = np.round(np.interp(t, grid, bar) / member.step_bar) * member.step_bar
    water = np.full(t.size, np.nan)
    water[:: 60 // member.sample_s] = np.interp(t, grid, water_c)[:: 60 // member.sample_s]
    tank = Tank("", "back", 12.0, False, AIR_O2, 0.0, float(seen[0]), float(seen[-1]), measured=True)
    logged = Logged(
        member=member,
        dive_id=dive_id,
        number=number,
        started_s=started_s,
        tanks=[tank],
        t_s=t,
        depth_m=np.interp(t, grid, depth),
        water_c=np.round(water, 1),
        bars=[seen],
        air_c=air_c,
        surface_bar=SURFACE_BAR,
        max_depth=float(depth.max()),
        mean_depth=float(depth.mean()),
        minutes=float(grid[-1] / 60),
        water_low=float(water_c.min()),
        deep=False,
        shared=False,
        water="fresh",
        team_size=TEAM,
    )
    truth = dict(
        member_id=member.member_id,
        dive_id=dive_id,
        logged_as=dive_id,
        started_s=started_s,
        duration_min=grid[-1] / 60,
        used_free_l=used,
        rmv_l_min=used / pressure_time,
        suit_gas_free_l=0.0,
        mean_ambient_bar_abs=pressure_time / (grid[-1] / 60),
        least_margin_free_l=margin[least],
        least_margin_at_s=least * DT,
        least_margin_depth_m=depth[least],
        required_free_l_there=need[least],
        joined=True,
        gas_start_c=kelvin[0] - 273.15,
        gas_end_c=kelvin[-1] - 273.15,
        start_true_bar=bar[0],
        end_true_bar=bar[-1],
        gas_shared=False,
        mandatory_stops=False,
    )
    return logged, truth
