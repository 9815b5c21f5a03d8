"""Gas and wall, stepped in time: filling, standing, being breathed under water.

Finer than a lumped balance on purpose: two wall layers, a film that grows with density, temperature
difference and inflow, throttled or compressed supply by its own enthalpy, losses to room or water, and
gas that cools as it expands. Film coefficients are the generator's own choice (no published value for
diving cylinders was at hand); each cylinder has its own factor on them.

Vessels are a structured array, a row a cylinder. `stand`, `fill` and `breathe` step the named rows in place; the
loops over time are compiled, one vessel after another.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit

from sample_data.gas import (
    ATM_BAR,
    FREE_MOL,
    N_DENSITY,
    N_TEMPERATURE,
    Gas,
    at_density,
    at_kelvin,
    coefficients,
    density_at,
    enthalpy_at,
    library,
)

STEEL, ALUMINIUM, COMPOSITE = (480.0, 42.0), (900.0, 160.0), (900.0, 1.5)  # J/(kg K), W/(m K)
N_SERIES = 2 * N_DENSITY * N_TEMPERATURE

#: what a cylinder is, then the state of gas and wall; walls are two layers of wall_j_k (J/K) each
VESSEL = np.dtype(
    [
        ("litres", float),
        ("area_m2", float),
        ("wall_j_k", float),
        ("wall_w_k", float),  # between the layers
        ("inside", float),
        ("outside", float),
        ("leak_mol_s", float),
        ("mol", float),
        ("gas_k", float),
        ("inner_k", float),
        ("outer_k", float),
        ("o2", float),
        ("he", float),
        ("argon", bool),
    ]
)

FIRST_GAS = {"air": (0.2095, 0), "n32": (0.32, 0), "c32": (0.32, 0), "n50": (0.5, 0), "tx1845": (0.18, 0.45)}


def vessels(cylinders, celsius):
    """Vessels of a fleet (VESSEL rows), filled with their first gas at 60 bar."""
    v = np.zeros(len(cylinders), VESSEL)
    mass = np.array([c.mass_kg for c in cylinders])
    kinds = {
        "steel": (*STEEL, 7850.0),
        "aluminium": (*ALUMINIUM, 2700.0),
        "composite": (*COMPOSITE, 1900.0),
    }
    heat, conduct, density = np.array([kinds[c.material] for c in cylinders]).T
    v["litres"] = [c.capacity_l for c in cylinders]
    v["area_m2"] = 0.36 * (v["litres"] / 12.0) ** (2 / 3)
    thick = mass / density / v["area_m2"]
    v["wall_j_k"] = mass * heat / 2
    v["wall_w_k"] = conduct * v["area_m2"] / (thick / 2)
    v["inside"] = [c.inside_factor for c in cylinders]
    v["outside"] = [c.outside_factor for c in cylinders]
    v["leak_mol_s"] = np.array([c.leak_bar_day for c in cylinders]) * v["litres"] * FREE_MOL / 86400
    v["o2"], v["he"] = np.array([FIRST_GAS.get(c.gas, (0.0, 0.0)) for c in cylinders], float).T
    v["argon"] = [c.gas == "argon" for c in cylinders]
    for name in ("gas_k", "inner_k", "outer_k"):
        v[name] = celsius + 273.15
    v["mol"] = [mol_at(v, k, 60.0, celsius + 273.15) for k in range(len(v))]
    return v


def gas_of(v):
    """The gas in some vessels."""
    return Gas(v["o2"], v["he"], v["argon"])


@njit(cache=True)
def _gauge_bar(vessels, row, table):
    v = vessels[row]
    c, part = np.empty(N_SERIES), np.empty((2, N_TEMPERATURE))
    coefficients(table, v.o2, v.he, v.argon, c)
    density = v.mol / v.litres
    at_density(c, density, part)
    return at_kelvin(part, 0.0, density, v.gas_k)[0] - ATM_BAR


def gauge_bar(v, row):
    """What a perfect gauge would read on one vessel, bar."""
    return _gauge_bar(v, row, library())


@njit(cache=True)
def _mol_at(vessels, row, table, bar, kelvin):
    v = vessels[row]
    c, part = np.empty(N_SERIES), np.empty((2, N_TEMPERATURE))
    coefficients(table, v.o2, v.he, v.argon, c)
    return density_at(c, bar + ATM_BAR, kelvin, part) * v.litres


def mol_at(v, row, bar, kelvin):
    """What one vessel would hold of its gas at a gauge pressure and temperature, mol."""
    return _mol_at(v, row, library(), bar, kelvin)


@njit(cache=True)
def _free_above(vessels, rows, table, bar, mol, kelvin, out):
    c, part, few, kept = np.empty(N_SERIES), np.empty((2, N_TEMPERATURE)), np.empty(5), np.empty(5)
    for n in range(rows.size):
        v = vessels[rows[n]]
        coefficients(table, v.o2, v.he, v.argon, c)
        low, high = kelvin[n].min() - 0.1, kelvin[n].max() + 0.1
        for k in range(5):
            few[k] = low + (high - low) * k / 4
            kept[k] = density_at(c, bar + ATM_BAR, few[k], part) * v.litres
        out += (mol[n] - np.interp(kelvin[n], few, kept)) / FREE_MOL


def free_above(v, rows, bar, mol, kelvin):
    """Free litres that some vessels hold over a gauge pressure; mol and K (vessels, times) → (times,)."""
    out = np.zeros(mol.shape[1])
    _free_above(v, rows, library(), bar, mol, kelvin, out)
    return out


@njit(cache=True)
def _film(v, density, difference, stir):
    """Conductance gas to wall, W/K: natural convection (Nu as Ra to the third), and inflow that stirs.

    80 W/(m2 K) at 200 bar and 4 K is what 0.1 Ra^(1/3) gives for air in a vessel 0.15 m wide (textbook form,
    from memory; no measurement on diving cylinders was at hand).
    """
    natural = 10 + 78 * (density / 9.0) ** (2 / 3) * (abs(difference) / 5.0 + 0.005) ** (1 / 3)
    return (natural + stir) * v.area_m2 * v.inside


@njit(cache=True)
def _exchange(heat_capacity, conductance, difference, seconds):
    """Heat in a step between two bodies, J, exact for one small body and never past equilibrium."""
    return heat_capacity * difference * -np.expm1(-conductance * seconds / heat_capacity)


@njit(cache=True)
def _walls(v, heat_in, outside_k, outside_w_m2k, seconds):
    """Inner layer takes heat_in (J); layers share; the outer one loses to the surroundings."""
    v.inner_k += heat_in / v.wall_j_k
    shared = _exchange(v.wall_j_k / 2, v.wall_w_k, v.inner_k - v.outer_k, seconds)
    v.inner_k -= shared / v.wall_j_k
    v.outer_k += shared / v.wall_j_k
    out = outside_w_m2k * v.area_m2 * 1.12 * v.outside
    v.outer_k -= _exchange(v.wall_j_k, out, v.outer_k - outside_k, seconds) / v.wall_j_k


@njit(cache=True)
def in_air_w_m2k(outer_k, room_k):
    """Natural convection and radiation of a standing cylinder, W/(m2 K)."""
    return 6.4 + 1.5 * (abs(outer_k - room_k) + 0.3) ** 0.27


RESTED_S = 14 * 3600.0


@njit(cache=True)
def _stand(vessels, rows, table, seconds, from_k, to_k, steps):
    c, part = np.empty(N_SERIES), np.empty((2, N_TEMPERATURE))
    for n in range(rows.size):
        v = vessels[rows[n]]
        v.mol -= min(v.leak_mol_s * seconds[n], v.mol * 0.5)
        if seconds[n] > RESTED_S:
            v.gas_k = v.inner_k = v.outer_k = to_k[n]
            continue
        cv0 = coefficients(table, v.o2, v.he, v.argon, c)
        density = v.mol / v.litres
        at_density(c, density, part)
        above, below = at_kelvin(part, cv0, density, v.gas_k + 0.5)[1], at_kelvin(part, cv0, density, v.gas_k - 0.5)[1]
        heat_gas, heat_wall = (above - below) * v.mol, 2 * v.wall_j_k
        gas_k, wall_k, span, last = v.gas_k, (v.inner_k + v.outer_k) / 2, seconds[n], 0.0
        for k in range(1, steps + 1):
            now = span * (k / steps) ** 2
            dt = max(now - last, 1e-6)
            room = from_k[n] + (to_k[n] - from_k[n]) * (now + last) / 2 / max(span, 1.0)
            inside = _film(v, density, gas_k - wall_k, 0.0)
            outside = in_air_w_m2k(wall_k, room) * v.area_m2 * 1.12 * v.outside
            a, b, c_out = inside / heat_gas, inside / heat_wall, outside / heat_wall
            mean = -(a + b + c_out) / 2
            root = np.sqrt(mean**2 - a * c_out)
            grow, decay = np.exp((mean + root) * dt), np.exp((mean - root) * dt)
            even, odd = (grow + decay) / 2, (grow - decay) / 2 / root
            x, y = gas_k - room, wall_k - room
            gas_k = room + even * x + odd * ((-a - mean) * x + a * y)
            wall_k = room + even * y + odd * (b * x + (-b - c_out - mean) * y)
            last = now
        v.gas_k = gas_k
        v.inner_k = v.outer_k = wall_k


def stand(v, rows, seconds, from_k, to_k, steps=28):
    """Leave cylinders in air; the room goes from one temperature to another. Beyond 14 h all is at the room's.

    Gas and wall (its two layers as one: minutes apart at most) are two linear bodies, solved exactly in each
    step with the coefficients of its start.
    """
    _stand(v, rows, library(), seconds, from_k, to_k, steps)


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
HOTTEST_K = 273.15 + 78


@njit(cache=True)
def _supply_enthalpy(table, o2, he, argon, bank, bank_bar, supply_k, c, part, out):
    """J/mol at the delivery pressures of GRID into out; a bank gives at its own pressure."""
    cv0 = coefficients(table, o2, he, argon, c)
    if bank:
        out[:] = enthalpy_at(c, cv0, bank_bar + ATM_BAR, supply_k, part)
    else:
        for k in range(GRID.size):
            out[k] = enthalpy_at(c, cv0, GRID[k], supply_k, part)


@njit(cache=True)
def _fill(
    vessels, rows, table, o2, he, argon, bank, bank_bar, supply_k, mol_s, add_mol, stop_bar, room_k, dt, longest, taken
):
    c, other = np.empty(N_SERIES), np.empty(N_SERIES)
    part, h_in = np.empty((2, N_TEMPERATURE)), np.empty(GRID.size)
    phases = o2.shape[1]
    for n in range(rows.size):
        v = vessels[rows[n]]
        phase, let_in, t = 0, 0.0, 0.0
        _supply_enthalpy(
            table, o2[n, 0], he[n, 0], argon[n, 0], bank[n, 0], bank_bar[n, 0], supply_k[n, 0], other, part, h_in
        )
        cv0 = coefficients(table, v.o2, v.he, v.argon, c)
        density = v.mol / v.litres
        at_density(c, density, part)
        pressure, u = at_kelvin(part, cv0, density, v.gas_k)
        pressure -= ATM_BAR
        energy = v.mol * u
        running = pressure < stop_bar[n] - 0.3
        while running and t < longest:
            t += dt
            flow = mol_s[n, phase] * min(max(t / 20.0, 0.2), 1.0)
            new = flow * dt
            position = min(max((pressure + ATM_BAR - GRID[0]) / 40.0, 0.0), GRID.size - 1.001)
            low = int(position)
            h = h_in[low] * (1 - position + low) + h_in[low + 1] * (position - low)
            changing = abs(o2[n, phase] - v.o2) + abs(he[n, phase] - v.he) > 2e-4
            total = v.mol + new
            v.o2 = (v.o2 * v.mol + o2[n, phase] * new) / total
            v.he = (v.he * v.mol + he[n, phase] * new) / total
            v.mol = total
            let_in += new
            if changing:
                cv0 = coefficients(table, v.o2, v.he, v.argon, c)
            density = v.mol / v.litres
            difference = v.gas_k - v.inner_k
            stir = 48.0 * (flow / v.area_m2 / 0.4) ** 0.55
            heat = _exchange(v.mol * cv0 * 1.15, _film(v, density, difference, stir), difference, dt)
            energy += new * h - heat
            at_density(c, density, part)
            for _ in range(2):
                p, u = at_kelvin(part, cv0, density, v.gas_k)
                v.gas_k += min(max((energy / v.mol - u) / (cv0 * 1.12), -20.0), 20.0)
            _walls(v, heat, room_k[n], in_air_w_m2k(v.outer_k, room_k[n]), dt)
            pressure = p - ATM_BAR
            if let_in >= add_mol[n, phase] and phase < phases - 1:  # never where add_mol is NaN
                phase += 1
                let_in = 0.0
                _supply_enthalpy(
                    table,
                    o2[n, phase],
                    he[n, phase],
                    argon[n, phase],
                    bank[n, phase],
                    bank_bar[n, phase],
                    supply_k[n, phase],
                    other,
                    part,
                    h_in,
                )
            running = pressure < stop_bar[n] and v.gas_k < HOTTEST_K
        taken[n] = t


def fill(v, rows, s, room_k, dt=2.0, longest_s=4500.0):
    """Fill vessels; returns seconds taken. The state is that at stop."""
    taken = np.zeros(len(rows))
    _fill(
        v,
        rows,
        library(),
        s.o2,
        s.he,
        s.argon,
        s.bank,
        s.bank_bar,
        s.supply_k,
        s.mol_s,
        s.add_mol,
        s.stop_bar,
        room_k,
        dt,
        longest_s,
        taken,
    )
    return taken


@njit(cache=True)
def _breathe(vessels, row, table, flow_mol_s, water_k, dt, mol, kelvin, bar):
    v = vessels[row]
    c, part = np.empty(N_SERIES), np.empty((2, N_TEMPERATURE))
    cv0 = coefficients(table, v.o2, v.he, v.argon, c)
    density = v.mol / v.litres
    at_density(c, density, part)
    p, u = at_kelvin(part, cv0, density, v.gas_k)
    energy = v.mol * u
    mol[0], kelvin[0], bar[0] = v.mol, v.gas_k, p - ATM_BAR
    for k in range(flow_mol_s.size):
        out = flow_mol_s[k] * dt if p > 2.5 else 0.0  # an empty cylinder gives nothing
        h = u + p * 100.0 / density
        difference = v.gas_k - v.inner_k
        heat = _exchange(v.mol * cv0 * 1.15, _film(v, density, difference, 0.0), difference, dt)
        energy -= out * h + heat
        v.mol -= out
        density = v.mol / v.litres
        at_density(c, density, part)
        v.gas_k += (energy / v.mol - at_kelvin(part, cv0, density, v.gas_k)[1]) / (cv0 * 1.12)
        p, u = at_kelvin(part, cv0, density, v.gas_k)
        _walls(v, heat, water_k[k], 260.0, dt)
        mol[k + 1], kelvin[k + 1], bar[k + 1] = v.mol, v.gas_k, p - ATM_BAR


def breathe(v, row, flow_mol_s, water_k, dt):
    """Breathe from one vessel under water; flow and water (steps,) → mol, K, gauge bar at steps + 1 times."""
    mol, kelvin, bar = (np.empty(len(flow_mol_s) + 1) for _ in range(3))
    _breathe(v, row, library(), flow_mol_s, water_k, dt, mol, kelvin, bar)
    return mol, kelvin, bar
