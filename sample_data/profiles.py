"""Depth and breathing over time for one dive, and how much gas two would need from each moment of it."""

import numpy as np
from scipy.signal import lfilter

DT = 5.0  # s, the step of the dive model
SALT = 1025.0 * 9.80665 / 1e5  # bar a metre


def depth_profile(rng, deepest_m, bottom_min, deco):
    """Depth every DT seconds: down, a bottom in levels with some wander, up at about 9 m/min, a stop, surface."""
    down = rng.uniform(13, 19)
    t, d = [0.0, deepest_m / down * 60], [0.0, deepest_m]
    left = bottom_min * 60
    levels = [(0.42, rng.uniform(0.9, 1.0)), (0.33, rng.uniform(0.72, 0.92)), (0.25, rng.uniform(0.5, 0.75))]
    if deco:
        levels = [(0.7, rng.uniform(0.95, 1.0)), (0.3, rng.uniform(0.85, 0.97))]
    for share, level in levels:
        t.append(t[-1] + left * share * 0.3)
        d.append(deepest_m * level)
        t.append(t[-1] + left * share * 0.7)
        d.append(deepest_m * level * rng.uniform(0.94, 1.0))
    bottom_end = t[-1]
    rate = rng.uniform(7.5, 9.5)
    stops = [(21.0, 1.5), (12.0, 2.0), (9.0, 3.5), (6.0, rng.uniform(9, 14))] if deco else [(5.0, rng.uniform(3, 4.2))]
    for stop_m, minutes in stops:
        if d[-1] > stop_m:
            t.append(t[-1] + (d[-1] - stop_m) / rate * 60)
            d.append(stop_m)
            t.append(t[-1] + minutes * 60)
            d.append(stop_m + rng.uniform(-0.3, 0.3))
    t.append(t[-1] + max(d[-1], 1) / 5.0 * 60)
    d.append(0.0)
    grid = np.arange(0.0, t[-1] + DT, DT)
    depth = np.interp(grid, t, d)
    wander = np.convolve(rng.normal(0, 1, grid.size + 40), np.hanning(41) / 4.5, "valid")[: grid.size]
    calm = np.clip(depth / 6.0, 0, 1) * np.clip((t[-1] - grid) / 240, 0, 1)
    depth = np.clip(depth + wander * 0.9 * calm, 0, deepest_m)
    depth[0] = depth[-1] = 0.0
    return grid, depth, bottom_end


def breathing(rng, grid, depth, rate, bottom_end):
    """Rate every step, L/min at ambient pressure: work on the way down, slow wander, rest on the stop."""
    n = grid.size
    noise = np.empty(n)
    noise[0] = rng.normal(0, 0.10)
    keep = np.exp(-DT / 150.0)
    kicks = rng.normal(0, 0.10 * np.sqrt(1 - keep**2), n)
    noise[1:] = lfilter([1.0], [1.0, -keep], kicks[1:], zi=[keep * noise[0]])[0]
    phase = np.where(grid < 180, 1.14, np.where(grid > bottom_end + 120, 0.90, 1.0))
    for _ in range(rng.poisson(1.2)):
        centre = rng.uniform(240, max(bottom_end, 300))
        phase = phase + rng.uniform(0.15, 0.4) * np.exp(-(((grid - centre) / 110.0) ** 2))
    return rate * phase * np.exp(noise)


def needed_free_l(
    depth, surface_bar, per_diver_l_min=30.0, divers=2, wait_min=1.0, up_m_min=9.0, stop_m=5.0, stop_min=3.0
):
    """Free litres two divers need from each depth to the surface, summed along the way in 0.1 m steps."""
    depth = np.asarray(depth, float)
    ladder = np.arange(0.05, 120.0, 0.1)
    climb = np.concatenate([[0.0], np.cumsum((surface_bar + SALT * ladder) * 0.1 / up_m_min)])
    way_up = np.interp(depth, np.arange(climb.size) * 0.1, climb)
    bar_min = wait_min * (surface_bar + SALT * depth) + way_up
    bar_min = bar_min + np.where(depth > 10.0, stop_min * (surface_bar + SALT * stop_m), 0.0)
    return bar_min * per_diver_l_min * divers
