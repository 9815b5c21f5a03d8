"""Gas and wall, stepped in time: filling, standing, being breathed under water.

Finer than a lumped balance on purpose: two wall layers, a film that grows with density, temperature
difference and inflow, throttled or compressed supply by its own enthalpy, losses to room or water, and
gas that cools as it expands. Film coefficients are the generator's own choice (no published value for
diving cylinders was at hand); each cylinder has its own factor on them.
"""

from dataclasses import dataclass

import numpy as np

from sample_data.gas import ATM_BAR, FREE_MOL, Gas

STEEL, ALUMINIUM, COMPOSITE = (480.0, 42.0), (900.0, 160.0), (900.0, 1.5)  # J/(kg K), W/(m K)


@dataclass
class Vessels:
    """Cylinders as arrays: what they are, and the state of gas and wall (mol, K)."""

    litres: np.ndarray
    area_m2: np.ndarray
    wall_j_k: np.ndarray  # each of the two layers
    wall_w_k: np.ndarray  # between the layers
    inside: np.ndarray
    outside: np.ndarray
    leak_mol_s: np.ndarray
    mol: np.ndarray
    gas_k: np.ndarray
    inner_k: np.ndarray
    outer_k: np.ndarray
    o2: np.ndarray
    he: np.ndarray
    argon: np.ndarray

    def take(self, rows):
        return Vessels(**{k: v[rows].copy() for k, v in self.__dict__.items()})

    def put(self, rows, part):
        for name in ("mol", "gas_k", "inner_k", "outer_k", "o2", "he", "argon"):
            getattr(self, name)[rows] = getattr(part, name)

    def gas(self):
        return Gas(self.o2, self.he, self.argon)

    def gauge_bar(self):
        return self.gas().pressure(self.mol / self.litres, self.gas_k) - ATM_BAR


def vessels(cylinders, celsius):
    """Vessels of a fleet, filled with their first gas at 60 bar."""
    litres = np.array([c.capacity_l for c in cylinders])
    mass = np.array([c.mass_kg for c in cylinders])
    kind = [
        STEEL if c.material == "steel" else ALUMINIUM if c.material == "aluminium" else COMPOSITE for c in cylinders
    ]
    heat, conduct = np.array([k[0] for k in kind]), np.array([k[1] for k in kind])
    area = 0.36 * (litres / 12.0) ** (2 / 3)
    density = np.array(
        [7850.0 if c.material == "steel" else 2700.0 if c.material == "aluminium" else 1900.0 for c in cylinders]
    )
    thick = mass / density / area
    n = len(litres)
    first = {
        "air": (0.2095, 0),
        "n32": (0.32, 0),
        "c32": (0.32, 0),
        "n50": (0.5, 0),
        "tx1845": (0.18, 0.45),
        "argon": (0, 0),
    }
    o2 = np.array([first[c.gas][0] for c in cylinders], float)
    he = np.array([first[c.gas][1] for c in cylinders], float)
    argon = np.array([c.gas == "argon" for c in cylinders])
    kelvin = np.full(n, celsius + 273.15)
    leak = np.array([c.leak_bar_day for c in cylinders]) * litres * FREE_MOL / 86400
    start = Gas(o2, he, argon).density(np.full(n, 60.0 + ATM_BAR), kelvin) * litres
    return Vessels(
        litres,
        area,
        mass * heat / 2,
        conduct * area / (thick / 2),
        np.array([c.inside_factor for c in cylinders]),
        np.array([c.outside_factor for c in cylinders]),
        leak,
        start,
        kelvin.copy(),
        kelvin.copy(),
        kelvin.copy(),
        o2,
        he,
        argon,
    )


def _film(v, density, difference, stir=0.0):
    """Conductance gas to wall, W/K: natural convection (Nu as Ra to the third), and inflow that stirs.

    80 W/(m2 K) at 200 bar and 4 K is what 0.1 Ra^(1/3) gives for air in a vessel 0.15 m wide (textbook form,
    from memory; no measurement on diving cylinders was at hand).
    """
    natural = 10 + 78 * (density / 9.0) ** (2 / 3) * (np.abs(difference) / 5.0 + 0.005) ** (1 / 3)
    return (natural + stir) * v.area_m2 * v.inside


def _exchange(heat_capacity, conductance, difference, seconds):
    """Heat in a step between two bodies, J, exact for one small body and never past equilibrium."""
    return heat_capacity * difference * -np.expm1(-conductance * seconds / heat_capacity)


def _walls(v, heat_in, outside_k, outside_w_m2k, seconds):
    """Inner layer takes heat_in (J); layers share; the outer one loses to the surroundings."""
    v.inner_k = v.inner_k + heat_in / v.wall_j_k
    shared = _exchange(v.wall_j_k / 2, v.wall_w_k, v.inner_k - v.outer_k, seconds)
    v.inner_k = v.inner_k - shared / v.wall_j_k
    v.outer_k = v.outer_k + shared / v.wall_j_k
    out = outside_w_m2k * v.area_m2 * 1.12 * v.outside
    v.outer_k = v.outer_k - _exchange(v.wall_j_k, out, v.outer_k - outside_k, seconds) / v.wall_j_k


def in_air_w_m2k(outer_k, room_k):
    """Natural convection and radiation of a standing cylinder, W/(m2 K)."""
    return 6.4 + 1.5 * (np.abs(outer_k - room_k) + 0.3) ** 0.27


def stand(v, seconds, from_k, to_k, steps=28):
    """Leave cylinders in air; the room goes from one temperature to another. Beyond 14 h all is at the room's.

    Gas and wall (its two layers as one: minutes apart at most) are two linear bodies, solved exactly in each
    step with the coefficients of its start.
    """
    gas = v.gas()
    v.mol = v.mol - np.minimum(v.leak_mol_s * seconds, v.mol * 0.5)
    span = np.minimum(seconds, 14 * 3600.0)
    heat_gas = gas.heat_capacity(v.mol / v.litres, v.gas_k) * v.mol
    heat_wall = 2 * v.wall_j_k
    wall_k = (v.inner_k + v.outer_k) / 2
    last = np.zeros_like(span)
    for k in range(1, steps + 1):
        now = span * (k / steps) ** 2
        dt = np.maximum(now - last, 1e-6)
        room = from_k + (to_k - from_k) * (now + last) / 2 / np.maximum(span, 1.0)
        inside = _film(v, v.mol / v.litres, v.gas_k - wall_k)
        outside = in_air_w_m2k(wall_k, room) * v.area_m2 * 1.12 * v.outside
        a, b = inside / heat_gas, inside / heat_wall
        c = outside / heat_wall
        mean = -(a + b + c) / 2
        root = np.sqrt(mean**2 - a * c)
        grow, decay = np.exp((mean + root) * dt), np.exp((mean - root) * dt)
        even, odd = (grow + decay) / 2, (grow - decay) / 2 / root
        x, y = v.gas_k - room, wall_k - room
        v.gas_k = room + even * x + odd * ((-a - mean) * x + a * y)
        wall_k = room + even * y + odd * (b * x + (-b - c - mean) * y)
        last = now
    rested = seconds > 14 * 3600.0
    v.gas_k = np.where(rested, to_k, v.gas_k)
    v.inner_k = v.outer_k = np.where(rested, to_k, wall_k)
    v.outer_k = v.outer_k.copy()


@dataclass
class Supply:
    """Up to three gases let in one after another; arrays (vessels, phases)."""

    o2: np.ndarray
    he: np.ndarray
    argon: np.ndarray
    bank: np.ndarray  # True: from a bank at bank_bar; False: from a compressor
    bank_bar: np.ndarray  # gauge
    supply_k: np.ndarray
    mol_s: np.ndarray
    add_mol: np.ndarray  # NaN: until the stop pressure
    stop_bar: np.ndarray  # (vessels,) gauge, true


GRID = np.array([151.0, 190.0, 230.0, 270.0, 310.0, 350.0])


def _supply_enthalpy(s):
    """J/mol by vessel, phase and delivery pressure of GRID; a bank gives at its own pressure."""
    p = np.where(s.bank[..., None], s.bank_bar[..., None] + ATM_BAR, GRID)
    flat = Gas(
        np.repeat(s.o2.ravel(), GRID.size), np.repeat(s.he.ravel(), GRID.size), np.repeat(s.argon.ravel(), GRID.size)
    )
    return flat.enthalpy(p.ravel(), np.repeat(s.supply_k.ravel(), GRID.size)).reshape(p.shape)


def fill(v, s, room_k, dt=2.0, longest_s=4500.0):
    """Fill vessels; returns seconds taken and moles added by phase. The state is that at stop."""
    n, phases = s.o2.shape
    h_in = _supply_enthalpy(s)
    phase, taken = np.zeros(n, int), np.zeros(n)
    added = np.zeros((n, phases))
    rows = np.arange(n)
    gas = v.gas()
    energy = v.mol * gas.both(v.mol / v.litres, v.gas_k)[1]
    pressure = v.gauge_bar()
    running = pressure < s.stop_bar - 0.3
    t = 0.0
    while running.any() and t < longest_s:
        t += dt
        before = (v.gas_k, v.inner_k, v.outer_k)
        flow = np.where(running, s.mol_s[rows, phase], 0.0) * np.clip(t / 20.0, 0.2, 1)
        new = flow * dt
        position = np.clip((pressure + ATM_BAR - GRID[0]) / 40.0, 0, GRID.size - 1.001)
        low = position.astype(int)
        part = np.clip(position - low, 0, 1)
        h = h_in[rows, phase, low] * (1 - part) + h_in[rows, phase, low + 1] * part
        total = v.mol + new
        so2, she = s.o2[rows, phase], s.he[rows, phase]
        changing = np.flatnonzero(running & (np.abs(so2 - v.o2) + np.abs(she - v.he) > 2e-4))
        v.o2 = (v.o2 * v.mol + so2 * new) / total
        v.he = (v.he * v.mol + she * new) / total
        v.mol = total
        added[rows, phase] += new
        if changing.size:
            gas.mixed(changing, v.o2, v.he)
        density = v.mol / v.litres
        difference = v.gas_k - v.inner_k
        stir = 48.0 * (flow / v.area_m2 / 0.4) ** 0.55
        heat = _exchange(v.mol * gas.cv0 * 1.15, _film(v, density, difference, stir), difference, dt)
        energy = energy + new * h - heat
        for _ in range(2):
            p_abs, u = gas.both(density, v.gas_k)
            v.gas_k = v.gas_k + np.clip((energy / v.mol - u) / (gas.cv0 * 1.12), -20, 20)
        _walls(v, heat, room_k, in_air_w_m2k(v.outer_k, room_k), dt)
        # a stopped vessel keeps its state at stop
        v.gas_k, v.inner_k, v.outer_k = (
            np.where(running, a, b) for a, b in zip((v.gas_k, v.inner_k, v.outer_k), before, strict=True)
        )
        pressure = np.where(running, p_abs - ATM_BAR, pressure)
        taken += dt * running
        done = ~np.isnan(s.add_mol[rows, phase]) & (
            added[rows, phase] >= np.nan_to_num(s.add_mol[rows, phase], nan=np.inf)
        )
        phase = np.minimum(phase + (done & (phase < phases - 1)), phases - 1)
        running &= (pressure < s.stop_bar) & (v.gas_k < 273.15 + 78)
    return taken, added


def breathe(v, flow_mol_s, water_k, dt):
    """Breathe from vessels under water; flow and water (vessels, steps) → mol, K, gauge bar at steps + 1 times."""
    n, steps = flow_mol_s.shape
    gas = v.gas()
    mol, kelvin, bar = (np.empty((n, steps + 1)) for _ in range(3))
    density = v.mol / v.litres
    p, u = gas.both(density, v.gas_k)
    energy = v.mol * u
    mol[:, 0], kelvin[:, 0], bar[:, 0] = v.mol, v.gas_k, p - ATM_BAR
    for k in range(steps):
        out = np.where(p > 2.5, flow_mol_s[:, k] * dt, 0.0)  # an empty cylinder gives nothing
        h = u + p * 100.0 / density
        difference = v.gas_k - v.inner_k
        heat = _exchange(v.mol * gas.cv0 * 1.15, _film(v, density, difference), difference, dt)
        energy = energy - out * h - heat
        v.mol = v.mol - out
        density = v.mol / v.litres
        v.gas_k = v.gas_k + (energy / v.mol - gas.both(density, v.gas_k)[1]) / (gas.cv0 * 1.12)
        p, u = gas.both(density, v.gas_k)
        _walls(v, heat, water_k[:, k], 260.0, dt)
        mol[:, k + 1], kelvin[:, k + 1], bar[:, k + 1] = v.mol, v.gas_k, p - ATM_BAR
    return mol, kelvin, bar
