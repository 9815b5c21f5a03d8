"""Depth and breathing over time for one dive, and how much gas two would need from each moment of it."""

import numpy as np
from numba import njit

DT = 5.0  # s, the step of the dive model
SALT = 1025.0 * 9.80665 / 1e5  # bar a metre
LONGEST_MIN = 52.0  # of a bottom time
WINDOW = np.hanning(41) / 4.5
KEEP = np.exp(-DT / 150.0)


class Shape:
    """What is drawn of a dive's depths before its bottom time is settled: the same draws serve every time tried."""

    def __init__(self, rng, deepest_m, deco):
        self.deepest_m = deepest_m
        self.down_s = deepest_m / rng.uniform(13, 19) * 60
        levels = [(0.42, rng.uniform(0.9, 1.0)), (0.33, rng.uniform(0.72, 0.92)), (0.25, rng.uniform(0.5, 0.75))]
        if deco:
            levels = [(0.7, rng.uniform(0.95, 1.0)), (0.3, rng.uniform(0.85, 0.97))]
        self.shares, self.depths = [], []
        for share, level in levels:
            self.shares += [share * 0.3, share * 0.7]
            self.depths += [deepest_m * level, deepest_m * level * rng.uniform(0.94, 1.0)]
        rate = rng.uniform(7.5, 9.5)
        stops = (
            [(21.0, 1.5), (12.0, 2.0), (9.0, 3.5), (6.0, rng.uniform(9, 14))] if deco else [(5.0, rng.uniform(3, 4.2))]
        )
        self.up_s, self.up_m, now = [], [], self.depths[-1]
        for stop_m, minutes in stops:
            if now > stop_m:
                self.up_s += [(now - stop_m) / rate * 60, minutes * 60]
                now = stop_m + rng.uniform(-0.3, 0.3)
                self.up_m += [stop_m, now]
        self.up_s.append(max(now, 1) / 5.0 * 60)
        self.up_m.append(0.0)
        longest = self.down_s + LONGEST_MIN * 60 + sum(self.up_s)
        self.luck = rng.normal(0, 1, int(longest / DT) + 44)

    def profile(self, bottom_min):
        """(depth every DT seconds, end of the bottom in s): down, levels with some wander, up at about 9 m/min."""
        left = bottom_min * 60
        t = np.cumsum([0.0, self.down_s, *(left * s for s in self.shares), *self.up_s])
        d = np.array([0.0, self.deepest_m, *self.depths, *self.up_m])
        return _wandered(t, d, self.luck, WINDOW, self.deepest_m), t[1 + len(self.shares)]


@njit(cache=True)
def _wandered(t, d, luck, window, deepest_m):
    """Depths between the corners of a profile, with some wander where it is deep and far from the end."""
    end = t[-1]
    n = int(np.ceil((end + DT) / DT))
    out = np.empty(n)
    leg = 0
    for k in range(n):
        now = k * DT
        while leg < t.size - 2 and t[leg + 1] <= now:
            leg += 1
        depth = d[-1] if now >= end else d[leg] + (d[leg + 1] - d[leg]) / (t[leg + 1] - t[leg]) * (now - t[leg])
        wander = 0.0
        for m in range(window.size):
            wander += window[m] * luck[k + m]
        calm = min(max(depth / 6.0, 0.0), 1.0) * min(max((end - now) / 240.0, 0.0), 1.0)
        out[k] = min(max(depth + wander * 0.9 * calm, 0.0), deepest_m)
    out[0] = out[-1] = 0.0
    return out


def breathing(rng, steps, rate, bottom_end):
    """Rate every step, L/min at ambient pressure: work on the way down, slow wander, rest on the stop."""
    noise = rng.normal(0, 0.10)
    kicks = rng.normal(0, 0.10 * np.sqrt(1 - KEEP**2), steps)
    kicks[0] = noise
    bumps = [(rng.uniform(240, max(bottom_end, 300)), rng.uniform(0.15, 0.4)) for _ in range(rng.poisson(1.2))]
    return _breathing(kicks, np.array(bumps).reshape(-1, 2), rate, bottom_end)


@njit(cache=True)
def _breathing(kicks, bumps, rate, bottom_end):
    out = np.empty(kicks.size)
    noise = 0.0
    for k in range(kicks.size):
        t = k * DT
        noise = KEEP * noise + kicks[k]
        phase = 1.14 if t < 180 else 0.90 if t > bottom_end + 120 else 1.0
        for m in range(len(bumps)):
            phase += bumps[m, 1] * np.exp(-(((t - bumps[m, 0]) / 110.0) ** 2))
        out[k] = rate * phase * np.exp(noise)
    return out


@njit(cache=True)
def pressing(ambient):
    """How fast the ambient pressure rises at each step, bar/s; 0 where it falls."""
    out = np.empty(ambient.size)
    last = ambient.size - 1
    for k in range(ambient.size):
        low, high = max(k - 1, 0), min(k + 1, last)
        out[k] = max((ambient[high] - ambient[low]) / ((high - low) * DT), 0.0)
    return out


#: what two divers need: one minute to begin, 9 m/min up, 3 min at 5 m from deeper than 10 m, 30 L/min each
TWO_L_MIN, WAIT_MIN, UP_M_MIN, STOP_M, STOP_MIN, STOP_FROM_M = 60.0, 1.0, 9.0, 5.0, 3.0, 10.0
LADDER_M = 0.1
#: depth summed over the way up, m2: each 0.1 m at its middle
CLIMB_M2 = np.concatenate([[0.0], np.cumsum((np.arange(1200) + 0.5) * LADDER_M * LADDER_M)])


@njit(cache=True)
def needed_free_l(depth, surface_bar, bar_m=SALT):
    """Free litres two divers need from each depth (m) to the surface, summed along the way in 0.1 m steps.

    surface_bar: at the surface; bar_m: what a metre of the water adds.
    """
    out = np.empty(depth.size)
    for k in range(depth.size):
        place = depth[k] / LADDER_M
        low = min(int(place), CLIMB_M2.size - 2)
        climb = CLIMB_M2[low] + (place - low) * (CLIMB_M2[low + 1] - CLIMB_M2[low])
        bar_min = WAIT_MIN * (surface_bar + bar_m * depth[k]) + (surface_bar * depth[k] + bar_m * climb) / UP_M_MIN
        if depth[k] > STOP_FROM_M:
            bar_min += STOP_MIN * (surface_bar + bar_m * STOP_M)
        out[k] = bar_min * TWO_L_MIN
    return out
