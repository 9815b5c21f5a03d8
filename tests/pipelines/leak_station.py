"""A simulated station whose cylinders stand about, are dived and leak: truth for the leak rates.

Its gas is CoolProp's `Air` (Lemmon et al. 2000), tabulated here, not coldfill's. The room swings by day
and season, the gas lags behind it, gauges are off by a constant, readings are rounded to steps.
"""

from functools import cache

import numpy as np
import pandas as pd
from scipy.interpolate import RectBivariateSpline

ATM = 1.01325
FREE_MOL = 1e5 * 1e-3 / (8.314462618 * 288.15)


@cache
def _air():
    from CoolProp.CoolProp import PropsSI

    p = np.r_[0.5, np.linspace(1, 420, 120)]
    t = np.linspace(255, 345, 31)
    density = np.array([[PropsSI("DMOLAR", "T", tt, "P", pp * 1e5, "Air") / 1000 for tt in t] for pp in p])
    forward = RectBivariateSpline(p, t, density)
    rho = np.linspace(density.min() * 1.2, 14.0, 160)
    back = np.array([[np.interp(r, density[:, j], p) for j in range(len(t))] for r in rho])
    return forward, RectBivariateSpline(rho, t, back)


def content(p_gauge, c):
    """Moles a litre at a gauge pressure, bar, and a temperature, °C."""
    return _air()[0].ev(np.asarray(p_gauge) + ATM, np.asarray(c) + 273.15)


def reads(rho, c):
    """Gauge pressure, bar, of moles a litre at a temperature, °C."""
    return _air()[1].ev(rho, np.asarray(c) + 273.15) - ATM


def room_c(day):
    """The room: 7 K from winter to summer each way, 5 K from night to noon each way."""
    return 16 + 7 * np.sin(2 * np.pi * (day - 110) / 365) + 5 * np.sin(2 * np.pi * (day - 0.4))


def simulate(
    rng,
    *,
    cylinders=25,
    leaking=5,
    leak_bar_day=1.0,
    days=365,
    use_share=0.5,
    unlogged=0.0,
    settled_share=0.15,
    step=1.0,
    gauge_sd=3.2,
    temperature_sd=1.0,
    model_sd=1.2,
):
    """Fills of a year, as `inputs` and `fill_quality` would show them; the leaking cylinders come first."""
    fills, quality = [], []
    gauge_offset = rng.normal(0, gauge_sd)
    for i in range(cylinders):
        unit = f"C{i:03d}"
        leak = leak_bar_day if i < leaking else 0.0
        day = rng.uniform(0, 5)
        rho = content(60.0, room_c(day))
        while day < days:
            noon = np.floor(day) + rng.uniform(0.35, 0.75)
            ambient = room_c(noon)
            gas_c = ambient + rng.normal(0, temperature_sd)
            start = reads(rho, gas_c)
            hot = ambient + rng.uniform(12, 28)
            stop = reads(content(232.0, 15.0), hot) - rng.uniform(0, 10) if rng.random() < 0.5 else 232.0
            stop = max(stop, start)
            rho = content(stop, hot)
            true15 = float(reads(rho, 15.0))
            settled = rng.random() < settled_share
            known15 = true15 + (rng.normal(0, 0.4) if settled else gauge_offset + rng.normal(0, model_sd))
            at = pd.Timestamp("2025-01-01", tz="UTC") + pd.Timedelta(days=float(noon))
            fill_id = f"{unit}-{len(fills)}"
            rounded = np.round(np.array([start, stop]) + gauge_offset, 6)
            rounded = np.round(rounded / step) * step
            fills.append(
                {
                    "fill_id": fill_id,
                    "filled_at": at,
                    "unit_id": unit,
                    "station_id": "P",
                    "gauge_id": "G",
                    "start_pressure_bar": max(rounded[0], 0.0),
                    "stop_pressure_bar": rounded[1],
                    "target_pressure_bar": 232.0,
                    "ambient_c": round(float(ambient), 0),
                }
            )
            quality.append(
                {
                    "fill_id": fill_id,
                    "settled_pressure_bar_15c": known15,
                    "o2_pct": 20.95,
                    "he_pct": 0.0,
                    "gas_c_basis": "settled" if settled else "model",
                    "fill_minutes": 6.0,
                    "target_pressure_bar": 232.0,
                }
            )
            wait = rng.uniform(1.0, 8.0)
            rho -= leak * wait * FREE_MOL * min(1.0, true15 / 232.0)
            if rng.random() < use_share:
                rho = content(rng.uniform(40, 90), room_c(noon + wait))
            elif rng.random() < unlogged:
                rho -= rng.uniform(5, 29) * FREE_MOL
            rho = max(rho, content(0.0, 15.0))
            day = noon + wait
    return fills, pd.DataFrame(quality)
