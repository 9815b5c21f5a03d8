"""Invented filling stations with physics of their own, to grade the settling model by.

Written apart from the model: gas by CoolProp's air equation (Lemmon et al. 2000) instead of GERG-2008, a wall of two
layers and a neck instead of one body, a film that grows with density, temperature difference and flow (turbulent
natural convection plus a jet) instead of a constant one, start temperatures nobody knows, hundreds of explicit time
steps. All constants are drawn anew for each station, from judgement, not from what the model assumes.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd
from scipy.interpolate import RectBivariateSpline

ATM, R = 1.01325, 8.314462618


@cache
def _air():
    import CoolProp.CoolProp as CP

    temperature = np.linspace(225.0, 480.0, 52)
    density = np.concatenate([np.linspace(5.0, 100.0, 20), np.linspace(120.0, 15000.0, 100)])
    state = CP.AbstractState("HEOS", "Air")
    energy, pressure = np.empty((len(density), len(temperature))), np.empty((len(density), len(temperature)))
    for i, d in enumerate(density):
        for j, t in enumerate(temperature):
            state.update(CP.DmolarT_INPUTS, d, t)
            energy[i, j], pressure[i, j] = state.umolar(), state.p() / 1e5
    z = pressure * 1e5 / (density[:, None] * R * temperature)
    return RectBivariateSpline(density, temperature, energy), RectBivariateSpline(density, temperature, z)


def energy(density, kelvin):
    """J/mol from mol/m³ and K."""
    return _air()[0].ev(density, kelvin)


def pressure(density, kelvin):
    """Bar abs from mol/m³ and K."""
    return _air()[1].ev(density, kelvin) * density * R * kelvin / 1e5


def density(bar_abs, kelvin):
    """mol/m³ from bar abs and K."""
    d = bar_abs * 1e5 / (R * kelvin)
    for _ in range(30):
        d = d * (1 + 0.9 * (bar_abs / pressure(d, kelvin) - 1))
    return d


@dataclass
class Station:
    """What a simulated station writes down, and the truth."""

    fills: pd.DataFrame
    cylinders: pd.DataFrame
    gauges: pd.DataFrame
    sources: pd.DataFrame
    true_bar_15c: np.ndarray
    true_gas_c: np.ndarray


KINDS = [  # material, capacity, working pressure, kg
    ("steel", 12.0, 232.0, 14.2),
    ("steel", 10.0, 232.0, 12.0),
    ("steel", 15.0, 232.0, 17.4),
    ("steel", 10.0, 300.0, 16.4),
    ("aluminium", 11.1, 207.0, 14.2),
    ("steel", 7.0, 232.0, 8.6),
    ("steel", 7.0, 300.0, 10.9),
    ("aluminium", 5.7, 207.0, 7.3),
]


def simulate(
    seed: int,
    n: int = 250,
    settled_share: float = 0.5,
    name: str = "north",
    wall_share: float = 0.0,
    film: float = 1.0,
    loss: float = 1.0,
    steps: int = 300,
    drift: float = 0.0,
) -> Station:
    """A station with n fills of air over a season."""
    rng = np.random.default_rng(seed)
    units = int(rng.integers(12, 40))
    kind = rng.choice(len(KINDS), units, p=[0.3, 0.15, 0.15, 0.1, 0.15, 0.05, 0.05, 0.05])
    material = np.array([KINDS[k][0] for k in kind])
    capacity = np.array([KINDS[k][1] for k in kind]) * np.exp(rng.normal(0, 0.006, units))
    working = np.array([KINDS[k][2] for k in kind])
    mass = np.array([KINDS[k][3] for k in kind]) * np.exp(rng.normal(0, 0.05, units))
    specific = np.where(material == "steel", rng.uniform(465, 490), rng.uniform(885, 915))
    neck_kg = rng.uniform(0.5, 1.2)
    stamped = rng.random() < 0.6

    film_factor = film * np.exp(rng.normal(0, 0.35))
    jet_factor = film * np.exp(rng.normal(0, 0.45))
    outside = loss * np.exp(rng.normal(np.log(8.5), 0.3))
    delivery = rng.normal(11.0, 4.0)
    least = rng.uniform(130, 180)
    flow = rng.choice([120.0, 180.0, 250.0, 330.0])  # free L/min
    bank_there = rng.random() < 0.5
    bank_k = rng.normal(0, 2)
    offset_at_first = rng.normal(0, 3.2)
    step = rng.choice([1.0, 1.0, 2.0, 5.0])
    check_offset, check_step = rng.normal(0, 0.25), rng.choice([0.1, 0.5])
    ambient_sd = rng.choice([0.58, 1.0])

    unit = rng.integers(0, units, n)
    day = np.sort(rng.uniform(0, 200, n))
    offset = offset_at_first + drift * day / 30.44
    ambient = 16 + 8 * np.sin(day / 200 * np.pi - 0.5) + rng.normal(0, 2.5, n) + rng.normal(0, 3)
    from_bank = bank_there & (rng.random(n) < 0.4)
    start = np.clip(rng.gamma(3.0, 22.0, n), 3, 150)
    target = working[unit]
    at_stop = target - offset + rng.normal(0, 1.0, n)
    added = capacity[unit] * (at_stop - start)
    minutes = np.where(from_bank, added / rng.uniform(400, 1500, n), added / (flow * np.exp(rng.normal(0, 0.08, n))))
    ambient_k = ambient + 273.15
    inflow_k = np.where(from_bank, ambient_k + bank_k, ambient_k + delivery + rng.normal(0, 1.0, n))
    bank_bar = np.where(from_bank, at_stop + 8 + rng.uniform(0, 60, n), np.nan)

    gas_k, wall_k = _fill(
        rng,
        start,
        at_stop,
        minutes,
        ambient_k,
        inflow_k,
        bank_bar,
        least,
        capacity[unit] / 1000,
        mass[unit] * specific[unit],
        neck_kg * 420.0,
        film_factor,
        jet_factor,
        outside,
        np.where(material[unit] == "steel", 45.0, 160.0),
        steps,
    )
    d = density(at_stop + ATM, gas_k)
    true_15 = pressure(d, 288.15) - ATM
    reading = at_stop + offset
    reading = np.round(reading / step) * step

    hours = rng.choice([rng.uniform(4, 20), 12.0, 24.0], n) + rng.uniform(0, 4, n)
    area = 6.2 * np.cbrt(capacity[unit] / 1000) ** 2
    constant_h = (mass[unit] * specific[unit] + 2200) / (outside * area) / 3600
    room = ambient + rng.normal(0, 2.5, n)
    then_k = room + 273.15 + (gas_k - 3 - ambient_k) * np.exp(-hours / constant_h)
    later = pressure(d, then_k) - ATM + check_offset
    later = np.round(later / check_step) * check_step
    settled = rng.random(n) < settled_share
    wall_there = rng.random(n) < wall_share
    at = pd.Timestamp("2031-03-01", tz="UTC") + pd.to_timedelta(day, unit="D")
    ids = np.array([f"{name}-{u:02d}" for u in range(units)])
    fills = pd.DataFrame(
        {
            "fill_id": [f"{name}-f{i:05d}" for i in range(n)],
            "filled_at": at,
            "unit_id": ids[unit],
            "station_id": name,
            "source_id": np.where(from_bank, f"{name}-bank", f"{name}-compressor"),
            "fill_method": "air",
            "start_pressure_bar": np.round((start + offset) / step).clip(0) * step,
            "target_pressure_bar": target,
            "stop_pressure_bar": reading,
            "gauge_id": f"{name}-gauge",
            "ambient_c": np.round(ambient + rng.normal(0, ambient_sd, n), 1),
            "fill_minutes": np.round(minutes, 1).clip(0.5),
            "target_o2_pct": 20.95,
            "settled_pressure_bar": np.where(settled, later, np.nan),
            "settled_c": np.where(settled, np.round(room + rng.normal(0, 0.3, n), 1), np.nan),
            "settled_at": pd.Series(at + pd.to_timedelta(hours, unit="h")).where(settled),
            "wall_c": np.where(wall_there, wall_k - 273.15 + rng.normal(0, 0.8, n) + rng.normal(0, 1.0), np.nan),
        }
    )
    cylinders = pd.DataFrame(
        {
            "cylinder_id": ids,
            "owner_id": "station",
            "material": material,
            "water_capacity_l": np.round(capacity, 2),
            "working_pressure_bar": working,
            "valve_pressure_bar": working,
            "status": "in_service",
            "empty_mass_kg": np.round(mass, 1) if stamped else np.nan,
            "manufactured_on": pd.Timestamp("2030-06-01"),
        }
    )
    gauges = pd.DataFrame(
        {
            "gauge_id": [f"{name}-gauge"],
            "station_id": name,
            "accuracy_class": 1.6,
            "span_bar": 400.0,
            "step_bar": step,
        }
    )
    sources = pd.DataFrame(
        {
            "source_id": [f"{name}-compressor", f"{name}-bank"],
            "kind": ["compressor", "bank"],
            "fed_by": [None, f"{name}-compressor"],
            "o2_pct": 20.95,
        }
    )
    return Station(fills, cylinders, gauges, sources, true_15, gas_k - 273.15)


def _fill(
    rng,
    start,
    stop,
    minutes,
    ambient_k,
    inflow_k,
    bank_bar,
    least,
    volume,
    wall_j_k,
    neck_j_k,
    film,
    jet,
    outside,
    conductivity,
    steps,
):
    """Gas at stop and outer wall, K: explicit steps, two wall layers and a neck."""
    n = len(start)
    cyl_start_k = ambient_k + rng.normal(0, 1.2, n)
    seconds = minutes * 60
    area = 6.2 * np.cbrt(volume) ** 2
    diameter = np.cbrt(4 * volume / (3 * np.pi))
    thickness = 0.006 * np.where(conductivity < 100, 1.0, 2.0)
    between = conductivity * area / (thickness / 4)
    gas_k = ambient_k + 25
    d_start = density(start + ATM, cyl_start_k)
    wall_out = ambient_k
    for _ in range(3):
        d_stop = density(stop + ATM, gas_k)
        dt = seconds / steps
        t = cyl_start_k.copy()
        wall = [cyl_start_k.copy() for _ in range(2)]
        neck = cyl_start_k.copy()
        e = energy(d_start, t) * d_start
        for k in range(steps):
            d = d_start + (d_stop - d_start) * (k + 0.5) / steps
            p = start + (stop - start) * (k + 0.5) / steps + ATM
            from_bar = np.where(np.isnan(bank_bar), np.maximum(p, least), bank_bar + ATM)
            if k % (steps // 10) == 0:
                d_in = density(from_bar, inflow_k)
                h_in = energy(d_in, inflow_k) + from_bar * 1e5 / d_in
            flow = (d_stop - d_start) / seconds
            rho = d * 0.02896
            ra = 9.81 / t * np.abs(t - wall[0]).clip(0.2) * diameter**3 * rho**2 * 1100 / (2.2e-5 * 0.034)
            natural = 0.104 * ra**0.352 * 0.034 / diameter
            forced = 0.1 * (4 * flow * volume * 0.02896 / (np.pi * 0.004 * 2.2e-5)) ** 0.67 * 0.034 / diameter * 4
            h = film * natural + jet * forced
            q = h * area * (t - wall[0])
            qn = 3.0 * (t - neck)
            # implicit in the gas temperature, its heat capacity about 24 J/(mol K)
            c_gas = d * volume * 24
            damp = 1 / (1 + dt * h * area / c_gas)
            q, qn = q * damp, qn * damp
            e = e + dt * (flow * h_in - (q + qn) / volume)
            d_next = d_start + (d_stop - d_start) * (k + 1) / steps
            for _ in range(1):
                miss = e / d_next - energy(d_next, t)
                t = t + miss / 23.0
            mid = between * (wall[0] - wall[1])
            mid = np.clip(
                mid,
                -np.abs(wall_j_k * 0.25 / dt * (wall[0] - wall[1])),
                np.abs(wall_j_k * 0.25 / dt * (wall[0] - wall[1])),
            )
            wall[0] = wall[0] + dt * (q - mid) / (wall_j_k / 2)
            wall[1] = wall[1] + dt * (mid - outside * area * (wall[1] - ambient_k)) / (wall_j_k / 2)
            neck = neck + dt * (qn - 0.3 * (neck - ambient_k)) / neck_j_k
        gas_k, wall_out = t, wall[1]
    return gas_k, wall_out
